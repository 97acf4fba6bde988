"""How are blank and marked logs written?"""

from workbench.log.writing.blank import write_blank
from workbench.log.writing.marked import write_marked
from workbench.log.writing.sheetwriting import check_target, inert_text, write_whole

__all__ = ["check_target", "inert_text", "write_blank", "write_marked", "write_whole"]
