"""Which two seasons of the invented observatory are shipped as samples?"""

from workbench.scenario.lantern_moor.sample_seasons import EFFECTS, SEASONS, make_records, make_season, write_samples

__all__ = ["EFFECTS", "SEASONS", "make_records", "make_season", "write_samples"]
