"""How are blank and marked logs written?"""

from workbench.log.writing.beside_csv import beside_csv
from workbench.log.writing.blank import write_blank
from workbench.log.writing.marked import write_marked
from workbench.log.writing.sheetwriting import inert_text

__all__ = ["beside_csv", "inert_text", "write_blank", "write_marked"]
