"""Trial by simulation: seasons with visits, losses and sites, analysed by the model that will analyse the real one."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from workbench.checks import check_confidence, check_positive, check_whole
from workbench.errors import EstimateError, UsageError
from workbench.estimate.likelihood import AftProblem, fit_batch
from workbench.lives import Lives
from workbench.planning.seen_shape import seen_weibull
from workbench.planning.trial import failures_to_detect
from workbench.ranking.model import SITE_SD
from workbench.results import Result
from workbench.threads import on_one_thread
from workbench.wording import percent_text

__all__ = ["TrialPlan", "TrialQuestion", "plan_trial"]

SEASONS_AT_ONCE = 250


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialPlan(Result):
    """Power of trials of several sizes, half the units at every site carrying the new level.

    Table: units failures power power_lower power_upper power_formula false_alarm detectable_ratio. `power` is the
    share of simulated seasons that found the difference, `false_alarm` the share that found one where there is none,
    `detectable_ratio` the hazard ratio that a trial of this size would find 8 times in 10. `enough` is the smallest
    size tried that reaches the power wanted, NaN when none does; `by_formula` the units by Schoenfeld's formula.
    """

    hazard_ratio: float
    wanted: float
    enough: float
    by_formula: int
    unit: str = "days"


@dataclass(frozen=True, kw_only=True)
class TrialQuestion:
    """What a trial must show, and under which conditions: times in the unit of the lives, shares as fractions."""

    hazard_ratio: float
    mission: float
    sites: int
    visit_spacing: float
    missing_share: float = 0.1
    power: float = 0.8
    significance: float = 0.05


@on_one_thread
def plan_trial(
    lives: Lives,
    question: TrialQuestion,
    *,
    units: Sequence[int] = (40, 60, 80, 120, 160, 240),
    seasons: int = 2000,
    seed: int = 0,
    say: Callable[[str], None] = lambda _: None,
) -> TrialPlan:
    """Simulate fair trials of several sizes and report how often each would see a stated difference.

    Lives follow the Weibull fit of those seen, the new level's with the hazard ratio stated; sites differ by 0.4 on log
    time; failures are found at visits, missing units leave at an even pace. Each season is analysed as the real one
    will be: Weibull time ratios of interval-censored lives with shrunken site terms, tested two-sided.

    References
    ----------
    Schoenfeld (1983), Biometrics 39, 499-503, for the formula beside the simulation.
    """
    hazard_ratio, power, significance = question.hazard_ratio, question.power, question.significance
    needed = failures_to_detect(hazard_ratio, power=power, significance=significance)
    mission, gap = check_positive("mission", question.mission), check_positive("visit_spacing", question.visit_spacing)
    missing_share = question.missing_share
    sites, seasons = check_whole("sites", question.sites, least=1), check_whole("seasons", seasons, least=100)
    sizes = sorted(check_whole("units", n, least=2 * sites) for n in units)
    if not 0.0 <= missing_share < 1.0:
        raise UsageError(f"missing_share must lie from 0 to below 1; got {missing_share!r}")
    location, scale = seen_weibull(lives, "a trial")
    truth = _Truth(location, scale, mission, gap, sites, missing_share)
    rows = []
    for size in sizes:
        say(f"simulating {seasons} seasons of {size} units")
        chance, chance_of_none = np.random.default_rng([seed, size]), np.random.default_rng([seed, size, 1])
        found, failures = truth.share_found(size, hazard_ratio, significance, seasons=seasons, rng=chance)
        alarms, _ = truth.share_found(size, 1.0, significance, seasons=seasons, rng=chance_of_none)
        rows.append((size, failures, found, alarms))
    table = np.array(rows, dtype=float)
    per_unit = float((table[:, 1] / table[:, 0]).mean())
    if per_unit * sizes[-1] < 1.0:
        raise EstimateError(
            f"hardly any unit would fail within {mission:g} {lives.unit}, so no trial of up to {sizes[-1]} units could "
            "show a difference; plan it for longer"
        )
    half = 1.96 * np.sqrt(table[:, 2] * (1 - table[:, 2]) / seasons)
    strength = np.sqrt(np.maximum(table[:, 1], 1.0 / seasons)) / 2.0
    level = ndtri(1.0 - check_confidence(significance, "significance") / 2.0)
    reached = table[table[:, 2] >= power, 0]
    return TrialPlan(
        columns={
            "units": table[:, 0].astype(np.int64),
            "failures": table[:, 1],
            "power": table[:, 2],
            "power_lower": np.maximum(table[:, 2] - half, 0.0),
            "power_upper": np.minimum(table[:, 2] + half, 1.0),
            "power_formula": ndtr(strength * abs(math.log(hazard_ratio)) - level),
            "false_alarm": table[:, 3],
            "detectable_ratio": np.exp((level + ndtri(0.8)) / strength),
        },
        hazard_ratio=float(hazard_ratio),
        wanted=float(power),
        enough=float(reached.min()) if reached.size else float("nan"),
        by_formula=math.ceil(needed / per_unit),
        unit=lives.unit,
        notes=_notes(sizes, reached, power, seasons=seasons, sites=sites, gap=gap, missing=missing_share),
    )


def _notes(
    sizes: Sequence[int], reached: np.ndarray, power: float, *, seasons: int, sites: int, gap: float, missing: float
) -> tuple[str, ...]:
    said = [
        f"{seasons:,} simulated seasons per size: {sites} sites, visits every {gap:g} days, "
        f"{percent_text(missing)} missing.",
        f"Sites are taken to differ by {SITE_SD:g} on log time, a judgement without a source.",
    ]
    if not reached.size:
        said.append(f"No size tried reaches a power of {power:g}; more than {max(sizes)} units would be needed.")
    return tuple(said)


@dataclass(frozen=True)
class _Truth:
    """What simulated seasons are drawn from: a Weibull, sites, visits and losses."""

    location: float
    scale: float
    mission: float
    gap: float
    sites: int
    missing: float

    def share_found(
        self, units: int, hazard_ratio: float, significance: float, *, seasons: int, rng: np.random.Generator
    ) -> tuple[float, float]:
        """Share of simulated seasons whose test finds a difference, and the mean number of failures."""
        ends = np.append(np.arange(self.gap, self.mission, self.gap), self.mission)
        problem = self._problem(ends)
        threshold = ndtri(1.0 - significance / 2.0)
        found, failures = 0, 0.0
        for begin in range(0, seasons, SEASONS_AT_ONCE):
            counts = self._seasons(units, hazard_ratio, ends, seasons=min(SEASONS_AT_ONCE, seasons - begin), rng=rng)
            failures += counts[:, :, : len(ends)].sum()
            fits = fit_batch(problem, counts.reshape(len(counts), -1), covariance=True)
            assert fits.covariance is not None
            variance = fits.covariance[:, 1, 1]
            # a season without a maximum (no failure in it, or in one group) finds nothing
            known = fits.converged & (variance > 0)
            z = fits.coefficients[known, 0] / np.sqrt(variance[known])
            found += int((np.abs(z) > threshold).sum())
        return found / seasons, failures / seasons

    def _problem(self, ends: np.ndarray) -> AftProblem:
        """Every distinct life a simulated unit can have, so that seasons are only weights."""
        starts = np.concatenate([[0.0], ends[:-1]])
        lower, upper = np.concatenate([starts, starts, [self.mission]]), np.append(ends, np.full(len(ends) + 1, np.inf))
        level, site = np.divmod(np.arange(2 * self.sites), self.sites)
        columns = np.column_stack([level, site[:, None] == np.arange(self.sites)]).astype(float)
        kinds = len(lower)
        return AftProblem.build(
            np.tile(lower, len(columns)),
            np.tile(upper, len(columns)),
            np.zeros(kinds * len(columns)),
            columns=columns,
            precision=np.append(0.0, np.full(self.sites, 1.0 / SITE_SD**2)),
            pattern=np.repeat(np.arange(len(columns)), kinds),
        )

    def _seasons(
        self, units: int, hazard_ratio: float, ends: np.ndarray, *, seasons: int, rng: np.random.Generator
    ) -> np.ndarray:
        """Counts (seasons, level and site, kind of life): failed by each visit, missing before each, still alive."""
        effects = rng.normal(0.0, SITE_SD, (seasons, 1, self.sites, 1))
        change = np.array([0.0, -self.scale * math.log(hazard_ratio)])[None, :, None, None]
        hazard = np.exp((np.log(ends) - self.location - effects - change) / self.scale)
        lasting = np.concatenate([np.ones((seasons, 2, self.sites, 1)), np.exp(-hazard)], axis=3)
        present = 1.0 - self.missing * np.append(0.0, ends) / self.mission
        # a unit that goes missing between two visits was last seen working at the earlier one
        failing = -np.diff(lasting, axis=3) * present[1:]
        missing = lasting[..., :-1] * -np.diff(present)
        chance = np.concatenate([failing, missing, lasting[..., -1:] * present[-1]], axis=3)
        chance = chance.reshape(seasons, 2 * self.sites, -1)
        slots = np.array([len(range(i, units, 2 * self.sites)) for i in range(2 * self.sites)])
        return rng.multinomial(np.broadcast_to(slots, (seasons, 2 * self.sites)), chance).astype(float)
