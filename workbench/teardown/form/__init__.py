"""What is filled in at the bench and in the field without a spreadsheet, and how does it reach the log?"""

from workbench.teardown.form.entering import ENTERED, FormEntry, enter_confirmed, enter_rows, undo_entry, write_entry
from workbench.teardown.form.forms import bench_form_html, field_form_html
from workbench.teardown.form.proposals import Proposal, proposal_table, proposals_of

__all__ = [
    "ENTERED",
    "FormEntry",
    "Proposal",
    "bench_form_html",
    "enter_confirmed",
    "enter_rows",
    "field_form_html",
    "proposal_table",
    "proposals_of",
    "undo_entry",
    "write_entry",
]
