"""What is filled in at the bench and in the field without a spreadsheet, and how does it reach the log?"""

from workbench.teardown.form.entering import ENTERED, FormEntry, enter_rows, undo_entry, write_entry
from workbench.teardown.form.forms import bench_form_html, field_form_html

__all__ = [
    "ENTERED",
    "FormEntry",
    "bench_form_html",
    "enter_rows",
    "field_form_html",
    "undo_entry",
    "write_entry",
]
