"""What do tired people write down of it: log, bench, notes, records, dirt?"""

from workbench.scenario.paper.bench import MEASURED
from workbench.scenario.paper.dirt import DIRT, dirty
from workbench.scenario.paper.logbook import LOG_COLUMNS, write_log
from workbench.scenario.paper.records import lives_of, records_of

__all__ = ["DIRT", "LOG_COLUMNS", "MEASURED", "dirty", "lives_of", "records_of", "write_log"]
