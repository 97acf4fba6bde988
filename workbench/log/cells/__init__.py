"""What stands in each cell of a file, and at which address?"""

from workbench.log.cells.sheets import Cell, Flaw, RawSheet, cell_text, column_letters, is_blank, shown
from workbench.log.cells.tables import Address, Table, turned

__all__ = ["Address", "Cell", "Flaw", "RawSheet", "Table", "cell_text", "column_letters", "is_blank", "shown", "turned"]
