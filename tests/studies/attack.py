"""Study of the grades on seasons that break an assumption each: what do the checks beyond the model hold back?

A quarter of a processor second per season and scenario:  python -m tests.studies.attack [SEASONS] [SCENARIO ...]
Prints a table for RESULTS.md; "before" is the grade without the second estimate and without the bars.
"""

import sys
import time
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np
import pandas as pd
from scipy.stats import binom

from tests.studies.attacked_seasons import ATTACKS, CHOICES, MISSION, Attack, attacked_season
from workbench.ranking.choices.grade import Evidence, grade_of
from workbench.ranking.choices.rank import rank_choices

RESAMPLES = 200
FIRST_SEASON = 1000
"""Seasons 0 to 39 were used for choosing the rules of the grades, so that they are no evidence for them."""
MOST_WRONG, LEAST_HELD = 0.05, 0.90
"""Share of seasons with a wrong clear at most, and of limits that hold the truth at least, in the mean of scenarios."""
HEADS = (
    "scenario", "coverage", "of the second", "wrong clear", "before", "wrong likely or clear", "before",
    "true clear", "before", "true likely or clear", "before",
)  # fmt: skip


def grade_before(row: Mapping) -> str:
    """Grade by the model's own evidence, raw comparisons and hazard ratios alone."""
    evidence = Evidence(
        gain=row["survival_gain"],
        lower=row["lower"],
        upper=row["upper"],
        better_share=row["better_share"],
        p_adjusted=row["p_adjusted"],
        strengths=(row["gain_strong_shrinkage"], row["survival_gain"], row["gain_weak_shrinkage"]),
        same_sign=(
            ("raw", row["raw_gain_within"]),
            ("hazard", -np.log(row["hazard_ratio"])),
            ("missing", row["gain_missing_failed"]),
        ),
        second_gain=row["survival_gain"],
        second_error=0.0,
        second_lower=row["survival_gain"],
        second_upper=row["survival_gain"],
    )
    return "cannot be told apart" if row["grade"].startswith("cannot") else str(grade_of(evidence).grade)


def graded_season(attack: Attack, seed: int) -> pd.DataFrame:
    """Rank one season: a row per comparison, with the true gain and both grades."""
    lives, truth = attacked_season(attack, 7000 + seed)
    table = rank_choices(
        lives,
        list(CHOICES),
        adjust="environment",
        mission=MISSION,
        resamples=RESAMPLES,
        seed=seed,
        cause="water" if attack.two else None,
    ).table
    table = table[table.level != table.reference].assign(season=seed)
    true = [truth[r.choice][r.level] - truth[r.choice][r.reference] for r in table.itertuples()]
    return table.assign(true=true, before=[grade_before(row) for row in table.to_dict("records")])


def shares_of(rows: pd.DataFrame) -> list[float]:
    """Coverage of both limits, then shares of seasons with a wrong and with a true claim, now and before."""
    slack = 1e-9
    held = (rows.lower - slack <= rows.true) & (rows.true <= rows.upper + slack)
    second = (rows.second_lower - slack <= rows.true) & (rows.true <= rows.second_upper + slack)
    wrong = rows.survival_gain * rows.true <= slack
    seasons = rows.season.nunique()
    shares = [float(held.mean()), float(second.mean())]
    for kind in (wrong, ~wrong):
        for grades in (("clear",), ("clear", "likely")):
            counted = (rows[kind & rows[column].isin(grades)].season.nunique() for column in ("grade", "before"))
            shares += [number / seasons for number in counted]
    return shares


def most_by_chance(seasons: int) -> int:
    """Seasons with a wrong clear up to which a share of 5 % is no surprise (99.5 %)."""
    return int(binom.ppf(0.995, seasons, MOST_WRONG))


def main(seasons: int = 200, names: tuple[str, ...] = ()) -> int:
    """Run the scenarios, print the table and return 1 when wrong clears exceed 5 % by more than chance."""
    print(f"| {' | '.join(HEADS)} |\n|{'---|' * len(HEADS)}")
    broken, begun, wrong, held = [], time.perf_counter(), 0, []
    numbers = range(FIRST_SEASON, FIRST_SEASON + seasons)
    with ProcessPoolExecutor() as pool:
        graded = {name: pool.map(partial(graded_season, ATTACKS[name]), numbers) for name in names or ATTACKS}
        for name, tables in graded.items():
            shares = shares_of(pd.concat(tables))
            cells = (f"{s:.3f}" if i < 2 else f"{s:.2f}" for i, s in enumerate(shares))
            print(f"| {name} | {' | '.join(cells)} |", flush=True)
            wrong += round(shares[2] * seasons)
            held.append(shares[0])
            if round(shares[2] * seasons) > most_by_chance(seasons):
                broken.append(f"{name}: a wrong clear in {shares[2]:.0%} of seasons")
    total = seasons * len(held)
    if wrong > most_by_chance(total):
        broken.append(f"a wrong clear in {wrong} of {total} seasons of all kinds")
    if np.mean(held) < LEAST_HELD:
        broken.append(f"limits held the truth in {np.mean(held):.0%} of comparisons")
    print(f"\n{seasons} seasons each, {time.perf_counter() - begun:.0f} s; {'; '.join(broken) or 'all bounds held'}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main(*(int(a) for a in sys.argv[1:2]), tuple(sys.argv[2:])))
