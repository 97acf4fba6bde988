"""Study on demand: are grades the same by steps and by refits?  python -m tests.studies.steps [LIVES] [SEASONS]

Each season is ranked twice, its replicates once refitted and once taken as one step over score sums, with 1,000
replicates of their own each. A comparison that stands at the edge of a grade may fall to either side by chance: so two
rankings by refits with other seeds are compared too.
"""

import sys
from unittest.mock import patch

import pandas as pd

from tests.studies.attacked_seasons import SOME, attacked_season
from workbench.lives import Lives
from workbench.ranking.choices import rank_choices

CHOICES = ("lid_seal", "vent", "board_protection", "cable_entry", "fasteners")
FITTING = "workbench.ranking.model.fitting"


def ranked(lives: Lives, *, stepwise: bool, seed: int = 0) -> pd.DataFrame:
    """Return gain, limits and grade of each comparison; only how replicates are made differs."""
    with patch(f"{FITTING}.MOST_REFITTED", 0 if stepwise else len(lives)), patch(f"{FITTING}.LEAST_FAILURES", 0):
        table = rank_choices(lives, list(CHOICES), adjust="environment", mission=180, seed=seed, tried=[]).table
    table = table[table.level != table.reference]
    return table.set_index(["choice", "level"])[["survival_gain", "lower", "upper", "grade"]]


def main(lives: int = 20_000, seasons: int = 10) -> None:
    """Print how many comparisons have the same grade, and how far limits are apart."""
    same = {"steps and refits": 0, "refits of two seeds": 0}
    apart, compared = dict.fromkeys(same, 0.0), 0
    for season in range(seasons):
        drawn, _ = attacked_season(SOME, season, units=lives)
        refits = ranked(drawn, stepwise=False)
        others = (ranked(drawn, stepwise=True), ranked(drawn, stepwise=False, seed=1))
        compared += len(refits)
        for what, other in zip(same, others, strict=True):
            other = other.loc[refits.index]
            same[what] += int((other.grade == refits.grade).sum())
            moved = (other[["lower", "upper"]] - refits[["lower", "upper"]]).abs().max(axis=1)
            apart[what] = max(apart[what], float((moved / (refits.upper - refits.lower)).max()))
    for what, number in same.items():
        print(
            f"{lives:,} lives, {what}: {number} of {compared} grades the same, limits {apart[what]:.1%} of width apart"
        )


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:3]))
