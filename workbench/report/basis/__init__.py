"""What does every finding rest on?"""

from workbench.report.basis.choice import ChoiceComparison, compare_choice, with_levels
from workbench.report.basis.exports import csv_text, findings_json, set_aside_frame, versions_used
from workbench.report.basis.finding import (
    SECTIONS,
    Drawing,
    Finding,
    claims_table,
    findings_from_json,
    in_slide_order,
    shown_cell,
)
from workbench.report.basis.last_good_doubt import LastGoodDoubt, last_good_doubt, said_of_last_good
from workbench.report.basis.missing_bounds import missing_bounds, missing_runs
from workbench.report.basis.place_gap import PlaceGap, place_gap
from workbench.report.basis.ranked import placed_choices, season_choice, season_levels
from workbench.report.basis.season_data import FEWEST_UNITS, SeasonData
from workbench.report.basis.shared_sites import site_caveat
from workbench.report.basis.site_positions import site_positions

__all__ = [
    "FEWEST_UNITS",
    "SECTIONS",
    "ChoiceComparison",
    "Drawing",
    "Finding",
    "LastGoodDoubt",
    "PlaceGap",
    "SeasonData",
    "claims_table",
    "compare_choice",
    "csv_text",
    "findings_from_json",
    "findings_json",
    "in_slide_order",
    "last_good_doubt",
    "missing_bounds",
    "missing_runs",
    "place_gap",
    "placed_choices",
    "said_of_last_good",
    "season_choice",
    "season_levels",
    "set_aside_frame",
    "shown_cell",
    "site_caveat",
    "site_positions",
    "versions_used",
    "with_levels",
]
