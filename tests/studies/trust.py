"""Study on demand: how often each printed interval holds the truth, and how often each test sees a difference.

`python -m tests.studies.trust REPLICATES small` runs only small groups: ages, refits and late joiners.
Run with `OPENBLAS_NUM_THREADS=1 python -m tests.studies.trust [REPLICATES]`; about six minutes at 200. Lives are whole
days from a Weibull truth of two equal groups; "failed" is the share failed by day 180, when watching ends; one in ten
leaves earlier by chance. Visits: failures are known only between two visits, each unit's days its own. Sites: units
share an effect on log time (sd 0.4) with six others, and limits are those that allow for clusters.
Prints Markdown: coverage of 95 % limits in per cent (share of replicates with an estimate where below 95), with half
the width of its own 95 % limits.
"""

import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtri

from tests.studies.planning import one_season
from workbench.errors import WorkbenchError
from workbench.estimate.aft.time_ratios import fit_time_ratios
from workbench.estimate.cox.hazard_ratios import fit_hazard_ratios
from workbench.estimate.curves.curves import survival_curve
from workbench.estimate.curves.incidence import cumulative_incidence
from workbench.estimate.curves.means import restricted_mean
from workbench.estimate.life.distributions import fit_distribution
from workbench.estimate.rank_tests.comparisons import compare_groups
from workbench.estimate.shared.proportions import proportion_interval
from workbench.lives import Lives

SHAPE, END, DAY, SHARE_WATER = 1.5, 180, 120, 0.6
DAYS = np.arange(0, 4000)
Held = Iterator[tuple[str, bool | None]]


@dataclass(frozen=True)
class Cell:
    """One kind of season: units, share failed by the end, days between visits (0: the day is known), sd of sites."""

    units: int
    failed: float
    visits: int = 0
    site_sd: float = 0.0
    ratio: float = 1.6

    @property
    def scale(self) -> float:
        """Weibull scale of group a."""
        return END / (-np.log(1 - self.failed)) ** (1 / SHAPE)

    def survival(self, group: int) -> np.ndarray:
        """Share alive after each whole day, over the sites."""
        effects = np.array([0.0]) if not self.site_sd else self.site_sd * _NORMAL
        scale = self.scale * self.ratio**group * np.exp(effects)[:, None]
        return np.exp(-((DAYS / scale) ** SHAPE)).mean(axis=0)

    @property
    def name(self) -> str:
        """For the table."""
        parts = [f"{self.units} units", f"{self.failed:.0%} failed"]
        parts += [f"visits every {self.visits} days"] if self.visits else []
        return ", ".join(parts + (["sites"] if self.site_sd else []))


_NORMAL = ndtri((np.arange(400) + 0.5) / 400)


def draw(cell: Cell, rng: np.random.Generator) -> Lives:
    """Lives of one season."""
    n = cell.units
    group = np.arange(n) % 2
    site = np.arange(n) // 2 % max(n // 7, 1)
    effect = rng.normal(0.0, cell.site_sd, site.max() + 1)[site] if cell.site_sd else 0.0
    life = np.ceil(cell.scale * cell.ratio**group * np.exp(effect) * rng.weibull(SHAPE, n)).clip(1)
    left = np.where(rng.random(n) < 0.1, rng.integers(1, END, n), END)
    failed = life <= left
    lower, upper = np.where(failed, life, left).astype(float), np.where(failed, life, np.inf)
    if cell.visits:
        first = rng.integers(1, cell.visits + 1, n)
        before = np.where(life > first, first + np.floor((life - 1 - first) / cell.visits) * cell.visits, 0.0)
        after = np.where(life > first, before + cell.visits, first)
        lower, upper = np.where(failed, before, left), np.where(failed, after, np.inf)
    cause = np.where(failed, np.where(rng.random(n) < SHARE_WATER, "water", "other"), "")
    frame = pd.DataFrame({"seal": np.where(group == 0, "a", "b")})
    return Lives.from_arrays(lower=lower, upper=upper, cause=cause, covariates=frame,
                             cluster=site if cell.site_sd else None)  # fmt: skip


def within(lower: float, true: float, upper: float) -> bool | None:
    """Whether limits hold the truth; a lower limit that was not reached bounds nothing below, nor an upper above."""
    if np.isnan(lower) and np.isnan(upper):
        return None
    return bool((np.isnan(lower) or lower <= true + 1e-9) and (np.isnan(upper) or true <= upper + 1e-9))


def curve_limits(cell: Cell, lives: Lives) -> Held:
    """Curve at two days, and the day by which 20 % failed."""
    curve = survival_curve(lives, "seal")
    true = cell.survival(0)
    for day in (60, DAY):
        row = curve.at([day]).iloc[0]
        yield f"curve at day {day}", within(row.lower, true[day], row.upper)
    row = curve.quantile(0.2).iloc[0]
    yield "quantile 20 %", within(row.lower, float(np.argmax(true <= 0.8)), row.upper)


def mean_limits(cell: Cell, lives: Lives) -> Held:
    """Restricted mean of group a and its difference from b."""
    found = restricted_mean(lives, DAY, "seal")
    a, b = (cell.survival(g)[:DAY].sum() for g in (0, 1))
    row, gap = found.table.iloc[0], found.difference.iloc[0]
    yield "restricted mean", within(row.lower, a, row.upper)
    yield "its difference", within(gap.lower, (b - a) if gap.group_a == "b" else (a - b), gap.upper)


def incidence_limits(cell: Cell, lives: Lives) -> Held:
    """Share lost to water by the day."""
    table = cumulative_incidence(lives, "seal").at([DAY])
    rows = table[(table.group == "a") & (table.cause == "water")]
    if rows.empty:  # nobody was lost to water in either group, so nothing is said of it
        return
    row = rows.iloc[0]
    yield "incidence", within(row.lower, SHARE_WATER * (1 - cell.survival(0)[DAY]), row.upper)


def ratio_limits(cell: Cell, lives: Lives) -> Held:
    """Time ratio and hazard ratio of b."""
    row = fit_time_ratios(lives, ["seal"]).table.iloc[-1]
    yield "time ratio", within(row.lower, cell.ratio, row.upper)
    if not cell.site_sd:
        row = fit_hazard_ratios(lives, ["seal"]).table.iloc[-1]
        yield "hazard ratio", within(row.lower, cell.ratio**-SHAPE, row.upper)


def fit_limits(cell: Cell, lives: Lives) -> Held:
    """Shape, scale and B10 of group a."""
    fit = fit_distribution(lives.take(np.asarray(lives.covariates["seal"]) == "a"))
    table = fit.table.set_index("parameter")
    # a life known to the day is the whole day it ended, a third of a day later than the truth behind it at most
    yield "Weibull shape", within(table.lower["shape"], SHAPE, table.upper["shape"])
    row = fit.quantile(0.1).iloc[0]
    yield "B10", within(row.lower, cell.scale * (-np.log(0.9)) ** (1 / SHAPE), row.upper)


def share_limits(cell: Cell, lives: Lives) -> Held:
    """Exact limits of a share, from units followed to the end."""
    rng = np.random.default_rng(int(lives.lower.sum()))
    failed = int(rng.binomial(cell.units // 2, cell.failed))
    lower, upper = proportion_interval(failed, cell.units // 2)
    yield "proportion (exact)", within(lower, cell.failed, upper)


def small_season(kind: str, units: int, rng: np.random.Generator) -> Lives:
    """One group of exact lives, half the units refitted on day 60, 40 others joining then, or seen every 30 days."""
    cell = Cell(2 * units, 0.7, visits=30 if kind == "visits" else 0)
    lives = draw(cell, rng)
    lives = lives.take(np.flatnonzero(lives.covariates["seal"] == "a"))
    time, failed, number = lives.time, lives.failed, np.arange(units)
    if kind == "refits":
        again = (number % 2 == 1) & (time > 60)
        return Lives.from_arrays(
            np.append(np.where(again, 60.0, time), time[again]), np.append(failed & ~again, failed[again]),
            entry=np.append(np.zeros(units), np.full(again.sum(), 60.0)), cluster=np.append(number, number[again]),
        )  # fmt: skip
    if kind == "joiners":
        late = draw(Cell(400, 0.7), rng)
        late = late.take(np.flatnonzero((late.covariates["seal"] == "a").to_numpy() & (late.time > 60))[:40])
        return Lives.from_arrays(
            np.append(time, late.time), np.append(failed, late.failed), entry=np.repeat([0.0, 60.0], [units, len(late)])
        )
    return lives


def small_groups(replicates: int) -> None:
    """Print the coverage of ages, curves and means of one small group."""
    rows: dict[str, dict[str, list]] = {}
    for number, kind in enumerate(("exact", "refits", "joiners", "visits")):
        for units in (3, 5, 10, 15, 25, 40):
            true, rng = Cell(units, 0.7).survival(0), np.random.default_rng([13, number, units])
            row = rows[f"{units} units, {kind}"] = defaultdict(list)
            for _ in range(replicates // 5 if kind == "visits" else replicates):
                lives = small_season(kind, units, rng)
                curve = survival_curve(lives)
                for day, at in zip((60, DAY, 150), curve.at([60, DAY, 150]).itertuples(), strict=True):
                    row[f"curve at day {day}"].append(within(at.lower, true[day], at.upper))
                for age in curve.quantile([0.1, 0.5]).itertuples():
                    reached = float(np.argmax(true <= 1 - age.p))
                    row["B10" if age.p < 0.5 else "median"].append(within(age.lower, reached, age.upper))
                mean = restricted_mean(lives, DAY).table.iloc[0]
                row["restricted mean"].append(within(mean.lower, true[:DAY].sum(), mean.upper))
    print_table(rows, "coverage of 95 % limits, per cent")


INTERVALS: tuple[Callable[[Cell, Lives], Held], ...] = (
    curve_limits, mean_limits, incidence_limits, ratio_limits, fit_limits, share_limits,
)  # fmt: skip
CELLS = (
    *(Cell(n, f) for n in (20, 60, 200) for f in (0.3, 0.7)),
    *(Cell(n, f, visits=30) for n in (20, 60, 200) for f in (0.3, 0.7)),
    Cell(60, 0.5, visits=10), Cell(60, 0.5, visits=60), Cell(140, 0.5, site_sd=0.4), Cell(280, 0.5, site_sd=0.4),
)  # fmt: skip


def p_values(lives: Lives, seed: int, interval: bool) -> Held:
    """p of every test of the two groups."""
    yield "log-rank" if not interval else "interval score", compare_groups(lives, "seal").p_value
    drawn = compare_groups(lives, "seal", method="permutation", resamples=199, seed=seed)
    yield "permutation" if not interval else "interval score, permuted", drawn.p_value
    if not interval:
        test = cumulative_incidence(lives, "seal").test
        of_water = test.loc[test.cause == "water", "p_value"]
        yield "Gray, water", float(of_water.iloc[0]) if len(of_water) else float("nan")


def print_table(rows: dict[str, dict[str, list]], first: str) -> None:
    """Print a Markdown table of shares in per cent."""
    columns = list(dict.fromkeys(c for row in rows.values() for c in row))
    print(f"| {first} | {' | '.join(columns)} |\n|{'---|' * (len(columns) + 1)}")
    for name, row in rows.items():
        cells = []
        for column in columns:
            known = [v for v in row.get(column, []) if v is not None]
            missing = len(row.get(column, [])) - len(known)
            share = f"{100 * np.mean(known):.1f}" if known else "–"
            cells.append(share + (f" ({missing} without)" if missing > 0.05 * len(row.get(column, [1])) else ""))
        print(f"| {name} | {' | '.join(cells)} |", flush=True)


def coverage(replicates: int) -> None:
    """Print the coverage of every interval."""
    rows: dict[str, dict[str, list]] = {}
    spent: dict[str, float] = defaultdict(float)
    for number, cell in enumerate(CELLS):
        rows[cell.name] = row = defaultdict(list)
        rng = np.random.default_rng([7, number])
        for seed in range(replicates):
            lives = draw(cell, rng)
            for limits in INTERVALS:
                slow = cell.visits and limits is ratio_limits and seed % 2
                begun = time.process_time()
                try:
                    for name, held in () if slow else limits(cell, lives):
                        row[name].append(held)
                except WorkbenchError:
                    row[f"{limits.__name__} refused"].append(None)
                spent[f"{limits.__name__} {bool(cell.visits)}"] += time.process_time() - begun
    print_table(rows, "coverage of 95 % limits, per cent")
    print({k: round(v) for k, v in spent.items()}, file=sys.stderr)


def tests(replicates: int) -> None:
    """Print size (ratio 1) and power (ratio 1.6) of the tests at 5 %."""
    rows: dict[str, dict[str, list]] = {}
    for number, (units, failed, visits) in enumerate(((20, 0.5, 0), (60, 0.3, 0), (60, 0.7, 0), (60, 0.5, 30))):
        for ratio, what in ((1.0, "no difference"), (1.6, "time ratio 1.6")):
            cell = Cell(units, failed, visits=visits, ratio=ratio)
            rng = np.random.default_rng([11, number, int(ratio * 10)])
            row = rows[f"{cell.name}: {what}"] = defaultdict(list)
            for seed in range(replicates):
                for name, p in p_values(draw(cell, rng), seed, bool(visits)):
                    row[name].append(None if np.isnan(p) else p <= 0.05)
    print_table(rows, "share of seasons with p at most 0.05, per cent")


def predictions(seasons: int) -> None:
    """Print how often 90 % limits of next season's losses held them, and the spares sufficed."""
    rng = np.random.default_rng(3)
    held, enough = map(np.array, zip(*(one_season(rng) for _ in range(seasons)), strict=True))
    print(f"Predicted losses, {seasons} seasons of 160 units: 90 % limits held {100 * held.mean():.1f} per cent, ")
    print(f"the spares sufficed in {100 * enough.mean():.1f} per cent.")


def main(replicates: int = 200, small_only: bool = False) -> int:
    """Run all parts, or small groups only."""
    begun = time.process_time()
    small_groups(replicates)
    if small_only:
        return 0
    print()
    coverage(replicates)
    print()
    tests(2 * replicates)
    print()
    predictions(max(replicates // 4, 1))
    half = 196 * np.sqrt(0.05 * 0.95 / replicates)
    print(f"\n{replicates} replicates a cell (95.0 +- {half:.1f} by chance), {time.process_time() - begun:.0f} s.")
    return 0


if __name__ == "__main__":
    sys.exit(main(*(int(a) for a in sys.argv[1:2]), small_only="small" in sys.argv[2:]))
