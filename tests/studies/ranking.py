"""Study of the ranking on simulated seasons of known truth: coverage, wrong claims, how often the best level is first.

Run on demand, about ten minutes on one core:  python -m tests.studies.ranking [SEASONS]
Prints a table for RESULTS.md and ends with 1 when coverage leaves 0.92 to 0.98, a wrong clear appears in over 8 % of
seasons without any effect, or a wrong likely in over 25 %.
"""

import sys
import time
from dataclasses import dataclass, field

import numpy as np

from tests.studies.seasons import season_lives
from workbench.errors import WorkbenchError
from workbench.estimate.cox.hazard_ratios import fit_hazard_ratios
from workbench.lives import Lives
from workbench.ranking.choices.rank import rank_choices

CHOICES = ("lid_seal", "seal_bonded", "fasteners", "vent", "board_protection", "cable_entry")
EFFECTS = {
    "lid_seal": {"cord": 0.25, "o_ring": 0.55},
    "vent": {"membrane": 0.2},
    "board_protection": {"varnish": 0.15, "potting": 0.4},
}
UNITS, MISSION, RESAMPLES = 168, 180, 400
BEST = ("lid_seal", "o_ring")


@dataclass
class Tally:
    """What is counted over the seasons of one scenario."""

    seasons: int = 0
    held: list[bool] = field(default_factory=list)
    held_seal: list[bool] = field(default_factory=list)
    width: list[float] = field(default_factory=list)
    clear: int = 0
    claimed: int = 0
    wrong_clear: int = 0
    wrong_claim: int = 0
    first: list[tuple[bool, bool, bool]] = field(default_factory=list)


def add_season(tally: Tally, lives: Lives, truth: dict, adjust: tuple[str, ...], seed: int) -> None:
    """Rank one season and compare with its truth."""
    table = rank_choices(lives, CHOICES, adjust=adjust, mission=MISSION, resamples=RESAMPLES, seed=seed).table
    claims = []
    for row in table[table.level != table.reference].itertuples():
        true = truth["mission_survival"][row.choice]
        gain = true[row.level] - true[row.reference]
        held = row.lower <= gain <= row.upper
        tally.held.append(held)
        tally.width.append(row.upper - row.lower)
        if row.choice == "lid_seal":
            tally.held_seal.append(held)
        if row.grade in ("clear", "likely"):
            claims.append((row.grade, row.survival_gain * gain <= 0))
    tally.seasons += 1
    tally.clear += any(grade == "clear" for grade, _ in claims)
    tally.claimed += bool(claims)
    tally.wrong_clear += any(wrong for grade, wrong in claims if grade == "clear")
    tally.wrong_claim += any(wrong for _, wrong in claims)
    seal = table[table.choice == BEST[0]]
    tally.first.append(
        (
            seal.level.iloc[0] == BEST[1],
            seal.loc[seal.raw_survival.idxmax(), "level"] == BEST[1],
            best_by_cox(lives, adjust) == BEST[1],
        )
    )


def best_by_cox(lives: Lives, adjust: tuple[str, ...]) -> str:
    """Level of the seal with the lowest hazard by a plain, unshrunken Cox regression of the same choices."""
    try:
        table = fit_hazard_ratios(lives, [*CHOICES, *adjust]).table
    except WorkbenchError:
        return ""
    levels = sorted(lives.covariates[BEST[0]].dropna().unique())
    ratios = table[table.term == BEST[0]].set_index("level").log_hazard_ratio.reindex(levels).fillna(0.0)
    return str(ratios.idxmin())


SCENARIOS = {
    "no effect": ({}, {}, ("environment",)),
    "effects": (EFFECTS, {}, ("environment",)),
    "effects, one life": (EFFECTS, {"competing": False}, ("environment",)),
    "effects, seal follows site": (EFFECTS, {"confounding": 0.8}, ("environment",)),
    "the same, only site known": (EFFECTS, {"confounding": 0.8, "competing": False}, ()),
}


def main(seasons: int = 200) -> int:
    """Run every scenario, print the table and return 1 when a bound is broken."""
    heads = (
        "scenario", "coverage", "of the seal", "width, points", "a clear one", "clear or likely", "wrong clear",
        "wrong claim", "best seal first: ranking", "raw curves", "plain Cox",
    )  # fmt: skip
    print(f"| {' | '.join(heads)} |\n|{'---|' * len(heads)}")
    broken = []
    begun = time.process_time()
    for name, (effects, options, adjust) in SCENARIOS.items():
        tally = Tally()
        for seed in range(seasons):
            lives, truth = season_lives(UNITS, 5000 + seed, effects, **options)
            add_season(tally, lives, truth, adjust, seed)
        first = np.mean(np.array(tally.first), axis=0)
        shares = [tally.clear, tally.claimed, tally.wrong_clear, tally.wrong_claim]
        cells = [f"{np.mean(tally.held):.3f}", f"{np.mean(tally.held_seal):.3f}", f"{100 * np.mean(tally.width):.1f}"]
        cells += [f"{s / tally.seasons:.3f}" for s in shares]
        cells += [f"{s:.2f}" if effects else "–" for s in first]
        print(f"| {name} | {' | '.join(cells)} |", flush=True)
        if not 0.92 <= np.mean(tally.held) <= 0.98:
            broken.append(f"{name}: coverage {np.mean(tally.held):.3f}")
        if not effects and tally.wrong_clear / tally.seasons > 0.08:
            broken.append(f"{name}: a wrong clear in {tally.wrong_clear} of {tally.seasons} seasons")
        if not effects and tally.wrong_claim / tally.seasons > 0.25:
            broken.append(f"{name}: a wrong claim in {tally.wrong_claim} of {tally.seasons} seasons")
    print(
        f"\n{seasons} seasons of {UNITS} units each, {time.process_time() - begun:.0f} s; "
        f"{'; '.join(broken) or 'all bounds held'}"
    )
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main(*(int(a) for a in sys.argv[1:2])))
