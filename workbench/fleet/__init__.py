"""How do logs of millions of rows become counted lives?"""

from workbench.fleet.fleet_files import has_more_rows
from workbench.fleet.fleets import Fleet, read_fleet

__all__ = ["Fleet", "has_more_rows", "read_fleet"]
