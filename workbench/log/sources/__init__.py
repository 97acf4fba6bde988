"""How does a file of any kind become sheets of cells?"""

from workbench.log.sources.columnar import cell_of, read_arrow, read_frame
from workbench.log.sources.files import TEXT_SUFFIXES, file_names, find_files, read_file, refuse_other_kind
from workbench.log.sources.settings_choice import SETTINGS_NAME, settings_beside, settings_for
from workbench.log.sources.sheet_choice import Chosen, choose_tables, is_beside, is_visits
from workbench.log.sources.textfiles import CODECS, HAS_NUL, NO_TEXT, best_delimiter, encodings_of, how_read, rows_of

__all__ = [
    "CODECS",
    "HAS_NUL",
    "NO_TEXT",
    "SETTINGS_NAME",
    "TEXT_SUFFIXES",
    "Chosen",
    "best_delimiter",
    "cell_of",
    "choose_tables",
    "encodings_of",
    "file_names",
    "find_files",
    "how_read",
    "is_beside",
    "is_visits",
    "read_arrow",
    "read_file",
    "read_frame",
    "refuse_other_kind",
    "rows_of",
    "settings_beside",
    "settings_for",
]
