"""What does the person at the bench need on paper?"""

from workbench.teardown.sheets.hazards import CAUTIONS, caution_text
from workbench.teardown.sheets.pages import write_evidence
from workbench.teardown.sheets.photos import missing_photos, photos_of
from workbench.teardown.sheets.sheet import field_words, units_to_open, write_blank_sheet, write_sheets

__all__ = [
    "CAUTIONS",
    "caution_text",
    "field_words",
    "missing_photos",
    "photos_of",
    "units_to_open",
    "write_blank_sheet",
    "write_evidence",
    "write_sheets",
]
