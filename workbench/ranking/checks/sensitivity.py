"""Sensitivity: the ranking refitted with missing units failed or working, a site left out, another clock or life."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from workbench.estimate.likelihood import family_of
from workbench.mentions import Sentence
from workbench.ranking.checks.missing_units import FlipCount, MissingUnits, flip_counts, missing_units
from workbench.ranking.checks.uneven_missing import UnevenMissing, uneven_missing
from workbench.ranking.model import (
    Design,
    FittedDesign,
    Standardised,
    fit_design,
    fitted_design,
    problem_of,
    standardise,
)
from workbench.results import Result

__all__ = [
    "ALL_FAILED",
    "ALL_WORKED",
    "LEVEL_FAILED",
    "REFERENCE_FAILED",
    "SEASON_CLOCK",
    "OtherLives",
    "Sensitivity",
    "contrasts_of",
    "gain_matrix",
    "season_clock",
    "sensitivity_of",
]

ALL_FAILED = "all missing units failed the day after they were last seen good"
ALL_WORKED = "all missing units worked to the last visit of their site"
LEVEL_FAILED = "missing units with the level failed, those with the reference worked on"
REFERENCE_FAILED = "missing units with the reference failed, those with the level worked on"
NO_DEAD_ON_ARRIVAL = "without units dead on arrival"
SEASON_CLOCK = "day of the season as clock"
LONG_DEPLOYMENT = 30.0
"""Spread of deployment days over which the clock matters (a judgement, no source)."""
OTHER_DISTRIBUTIONS = ("lognormal", "loglogistic")


@dataclass(frozen=True)
class OtherLives:
    """Gains by choice and level with another life distribution; `ahead`: its log-likelihood less the model's."""

    name: str
    gains: Mapping[tuple[str, str], float]
    ahead: float

    @property
    def likelihood(self) -> float:
        """How likely it is beside the model's, 1 at most."""
        return float(np.exp(min(self.ahead, 0.0)))


@dataclass(frozen=True, kw_only=True, eq=False)
class Sensitivity(Result):
    """Gains of every comparison under other assumptions.

    `columns`: run, choice, level, survival_gain, flips (the sign differs from the main run).

    Attributes
    ----------
    flip_counts : mapping of (choice, level) to FlipCount
        How many missing units would have to have failed to change the sign.
    missing : int
        Units missing.
    uneven : tuple of UnevenMissing
        Choices of which one level's units are missing more often, beyond chance.
    site_runs : mapping of str to str
        The run that leaves each site out.
    other_lives : tuple of OtherLives
        Of the runs with another life distribution.
    """

    notes: tuple[Sentence, ...] = ()
    flip_counts: Mapping[tuple[str, str], FlipCount] = field(default_factory=dict)
    missing: int = 0
    uneven: tuple[UnevenMissing, ...] = ()
    site_runs: Mapping[str, str] = field(default_factory=dict)
    other_lives: tuple[OtherLives, ...] = ()

    def gains_of(self, run: str) -> dict[tuple[str, str], float]:
        """Gains of every comparison in one run, by choice and level."""
        c = self.columns
        rows = zip(c["run"], c["choice"], c["level"], c["survival_gain"], strict=True)
        return {(choice, level): float(gain) for name, choice, level, gain in rows if name == run}


def contrasts_of(design: Design) -> list[tuple[str, str]]:
    """Return the ranked levels that are compared with a reference, as (choice, level)."""
    return [(b.name, v) for b in design.choices if len(b.ranked) > 1 for v in b.ranked if v != b.reference]


def season_clock(design: Design) -> FittedDesign | None:
    """Return the model fitted with the day of the season as clock, or None when that makes no difference.

    A unit put out on day d of its season is at risk after d; all its times move by d. A unit of time in which no day
    has a length gives None.
    """
    frame = design.lives.covariates
    if np.isnan(design.lives.day) or "deployed_on" not in frame.columns or frame["deployed_on"].isna().any():
        return None
    day = frame["deployed_on"].to_numpy(dtype="datetime64[D]").astype(np.int64)
    season = np.zeros(len(day), dtype=np.int64)
    if "season" in frame.columns:
        season = np.unique(frame["season"].astype(str).to_numpy(dtype=str), return_inverse=True)[1]
    first = np.full(season.max() + 1, day.max())
    np.minimum.at(first, season, day)
    put_out = (day - first[season]).astype(float)
    if put_out.max() <= LONG_DEPLOYMENT:
        return None
    lives, put_out = design.lives, put_out * design.lives.day
    times = {name: getattr(lives, name) + put_out for name in ("lower", "upper", "entry")}
    return fitted_design(replace(design, lives=replace(lives, **times)))


def sensitivity_of(fitted: FittedDesign, mission: float, clock: FittedDesign | None, *, seed: int = 0) -> Sensitivity:
    """Refit the ranking under other assumptions, each run a single fit; `clock` is the model of `season_clock`."""
    design = fitted.design
    pairs = contrasts_of(design)
    missing, said = missing_units(design)
    notes = tuple(map(Sentence, said))
    known = np.isfinite(missing.upper)
    runs = _weighted_runs(design, missing, pairs)
    empty = [name for name, weights, _ in runs if not weights[known].any()]
    runs = [run for run in runs if run[0] not in empty]
    if empty:
        notes = (*notes, Sentence(f"Left without a single failure, and so not made: {'; '.join(empty)}."))
    problem = problem_of(design, missing.rows, lower=missing.lower, upper=missing.upper)
    fits = fit_design(problem, np.array([weights for _, weights, _ in runs]), "a sensitivity run", start=fitted.best)
    gains = gain_matrix(design, standardise(design, fits, mission, days=False), pairs)
    main = gains[0]
    rows: dict[str, Any] = {name: [] for name in ("run", "choice", "level", "survival_gain", "flips")}
    for (name, _, only), gain in zip(runs[1:], gains[1:], strict=True):
        _add(
            rows,
            name,
            pairs if only is None else [only],
            gain=gain if only is None else gain[[pairs.index(only)]],
            main=main,
            pairs=pairs,
        )
    others = []
    for distribution in OTHER_DISTRIBUTIONS:
        fit = fitted.refit(f"the {distribution} model", family=family_of(distribution))
        put_in = standardise(design, fit, mission, distribution=distribution, days=False)
        gain = gain_matrix(design, put_in, pairs)[0]
        _add(rows, f"{distribution} lives", pairs, gain=gain, main=main, pairs=pairs)
        ahead = float(fit.log_likelihood[0] - fits.log_likelihood[0])
        others.append(OtherLives(distribution, dict(zip(pairs, map(float, gain), strict=True)), ahead))
    if clock is not None:
        put_in = standardise(clock.design, clock.best, mission, days=False)
        _add(rows, SEASON_CLOCK, pairs, gain=gain_matrix(design, put_in, pairs)[0], main=main, pairs=pairs)
    counts = flip_counts(fitted, missing, problem, mission=mission, gains=dict(zip(pairs, main, strict=True)))
    uneven = uneven_missing(design, missing, seed)
    notes = (*notes, *(x.sentence.finished() for x in uneven))
    return Sensitivity(
        columns=rows,
        flip_counts=counts,
        missing=missing.units,
        uneven=uneven,
        other_lives=tuple(others),
        site_runs={site: run for site, run in _site_runs(design).items() if run in rows["run"]},
        notes=notes,
    )


def _site_runs(design: Design) -> dict[str, str]:
    blocks = [b for b in design.blocks if b.role == "site" and b.codes is not None]
    return {level: f"without {block.name} {level}" for block in blocks for level in block.levels}


def gain_matrix(design: Design, put_in: Mapping[str, Standardised], pairs: Sequence[tuple[str, str]]) -> np.ndarray:
    """Gains in mission survival over the reference, shape (B, number of pairs)."""
    columns = []
    for choice, level in pairs:
        block, standard = design.block(choice), put_in[choice]
        base = standard.levels.index(block.reference)
        column = standard.levels.index(level)
        columns.append(standard.survival[:, column] - standard.survival[:, base])
    return np.stack(columns, axis=1)


def _add(
    rows: dict[str, list[Any]],
    run: str,
    shown: Sequence[tuple[str, str]],
    *,
    gain: np.ndarray,
    main: np.ndarray,
    pairs: Sequence[tuple[str, str]],
) -> None:
    for (choice, level), value in zip(shown, gain, strict=True):
        rows["run"].append(run)
        rows["choice"].append(choice)
        rows["level"].append(level)
        rows["survival_gain"].append(float(value))
        rows["flips"].append(bool(value * main[pairs.index((choice, level))] < 0))


Run = tuple[str, np.ndarray, tuple[str, str] | None]


def _weighted_runs(design: Design, missing: MissingUnits, pairs: Sequence[tuple[str, str]]) -> list[Run]:
    """Runs that differ only in the weights of rows: (name, weights, the one comparison that it is about)."""
    everyone = np.ones(len(missing.of), dtype=bool)
    runs: list[Run] = [("as recorded", missing.weights(), None)]
    if missing.units:
        runs.append((ALL_FAILED, missing.weights(failed=everyone), None))
        if missing.can_work_on:
            runs.append((ALL_WORKED, missing.weights(worked=everyone), None))
        for choice, level in pairs:
            block = design.block(choice)
            codes = np.asarray(block.codes)[missing.of]
            ours, theirs = codes == block.levels.index(level), codes == block.levels.index(block.reference)
            if missing.can_work_on and (ours.any() or theirs.any()):
                runs.append((LEVEL_FAILED, missing.weights(failed=ours, worked=theirs), (choice, level)))
                runs.append((REFERENCE_FAILED, missing.weights(failed=theirs, worked=ours), (choice, level)))
    lives = design.lives
    for block in design.blocks:
        if block.role == "site" and block.codes is not None:
            for number, name in enumerate(block.levels):
                kept = missing.weights()
                kept[: len(lives)][block.codes == number] = 0.0
                runs.append((_site_runs(design)[name], kept, None))
    dead = lives.failed & (lives.upper <= lives.day)
    if dead.any() and not dead[lives.failed].all():
        kept = missing.weights()
        kept[: len(lives)][dead] = 0.0
        runs.append((NO_DEAD_ON_ARRIVAL, kept, None))
    return runs
