"""How does a log file become checked records and lives?"""

from workbench.log.season_log.frames import CORE, typed_column
from workbench.log.season_log.last_good import unsaid_gaps
from workbench.log.season_log.reading import read_log, read_tables
from workbench.log.season_log.record import ALWAYS_COVARIATES, Log, mission_of
from workbench.log.season_log.said_first import coloured_aside, said_first

__all__ = [
    "ALWAYS_COVARIATES",
    "CORE",
    "Log",
    "coloured_aside",
    "mission_of",
    "read_log",
    "read_tables",
    "said_first",
    "typed_column",
    "unsaid_gaps",
]
