"""Where it helps: what is each level worth in each kind of place, and in which can this season not tell?"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from workbench.estimate.likelihood import AftBatch, fit_batch
from workbench.estimate.shared import symmetric_root
from workbench.estimate.turnbull import pseudo_shares
from workbench.lives import Lives
from workbench.ranking.checks import differing_effects, environments_of
from workbench.ranking.model import (
    INTERACTION_SD,
    LEAST_UNITS,
    Block,
    Design,
    Interaction,
    build_design,
    interact,
    problem_of,
    standardise_places,
)
from workbench.results import Result
from workbench.wording import join_words

__all__ = ["HELPS", "NO_SIGN", "WhereItHelps", "where_it_helps"]

CONFIDENCE = 0.95
"""Of all limits together."""
DRAWS = 2000
NO_SIGN = 0.15
"""A gain whose limits stay within so many points of 0 shows no sign of the level (a judgement, no source)."""
MOST_NAMED = 3
"""Places in which nothing can be told that are named one by one."""
HELPS, HARMS, NONE, UNTOLD = "helps", "harms", "no sign of it", "cannot tell"


@dataclass(frozen=True, kw_only=True, eq=False)
class WhereItHelps(Result):
    """Gain of each level over its reference in each kind of place.

    `columns`: choice, level, reference, environment, units, failures, reference_units, reference_failures,
    survival_gain, lower, upper (for all rows together), verdict (helps, harms, no sign of it,
    cannot tell), p_value (of one effect in all places, corrected for the choices ranked).

    Attributes
    ----------
    place : str
        What counts as a kind of place.
    """

    place: str = ""

    def sentence(self, choice: str, level: str, labels: Mapping[str, str] | None = None) -> str:
        """What a level does where, in words without full stop.

        Parameters
        ----------
        choice, level : str
            A choice and a level of it.
        labels : mapping of str to str, optional
            Names of places as shown.

        Returns
        -------
        str
            Such as "helps in dunes, no sign of it in forest, cannot tell in bog"; "" where nothing was asked.
        """
        c, shown = self.columns, labels or {}
        rows = np.flatnonzero((c["choice"] == choice) & (c["level"] == level))
        parts: list[str] = []
        for verdict in (HELPS, HARMS, NONE, UNTOLD):
            names = [
                shown.get(str(c["environment"][r]), str(c["environment"][r]))
                for r in rows
                if c["verdict"][r] == verdict
            ]
            if verdict == UNTOLD and len(names) > MOST_NAMED:
                parts.append("cannot tell elsewhere" if parts else f"cannot tell in any of {len(names)} kinds of place")
            elif names:
                parts.append(f"{verdict} in {join_words(names)}")
        return ", ".join(parts)


def where_it_helps(
    lives: Lives,
    choices: Sequence[str] | str,
    *,
    adjust: Sequence[str] | str = (),
    mission: float,
    only: Sequence[str] | str | None = None,
    seed: int = 0,
    reference: Mapping[str, str] | None = None,
) -> WhereItHelps:
    """Return what the levels of some choices are worth in each kind of place, from one model that is set beforehand.

    The ranking's model with a further effect of each level in each place, shrunken to none (normal, sd 0.5 on log
    time), so that a place with few units borrows from the others. Limits hold for all rows together: over
    places and levels of a choice by the largest of the standardised differences in draws from the normal law of the
    penalised fit, over the choices told of by sharing out what is left of the confidence (Bonferroni).

    Parameters
    ----------
    lives : Lives
        n lives with covariates; `environment` is the kind of place, else the exposures held equal.
    choices, adjust, mission, seed, reference
        As in `rank_choices`.
    only : sequence of str, or str, optional
        Choices to tell of; all of them unless named. They all stay in the model.

    Returns
    -------
    WhereItHelps
        NaN where level or reference have fewer than 5 units in a place.

    Raises
    ------
    EstimateError
        As in `rank_choices`.

    References
    ----------
    Hothorn, Bretz & Westfall (2008), Biometrical Journal 50, 346-363 (limits together); Jones et al. (2011), Clinical
    Trials 8, 129-143 (shrinkage of subgroups); both from memory.
    """
    design = build_design(lives, choices, adjust, reference=reference)
    place_name, places, place = environments_of(design)
    wanted = [only] if isinstance(only, str) else list(only) if only is not None else [b.name for b in design.choices]
    rows: list[dict[str, Any]] = []
    if not place_name or len(places) < 2:
        note = "No kind of place is recorded, or only one, so where a level helps cannot be asked."
        return WhereItHelps(columns={name: np.zeros(0) for name in _COLUMNS}, notes=(note,))
    p_values = differing_effects(design, pseudo_shares(design.lives, mission), seed=seed)
    blocks = [b for b in design.choices if b.name in wanted and len(b.ranked) > 1]
    each = 1.0 - (1.0 - CONFIDENCE) / max(len(blocks), 1)
    for block in blocks:
        rng = np.random.default_rng([seed, 13, design.choices.index(block)])
        wider = interact(design, block, places=places, place=place)
        rows += _of_choice(wider, mission, rng, confidence=each, p_value=p_values.get(block.name, math.nan))
    notes = (
        f"A level may work differently in each {place_name}, shrunken (sd {INTERACTION_SD:g} on log time) to what it "
        f"does on average; limits hold for all rows together. 'No sign' means within {100 * NO_SIGN:.0f} "
        f"points of nothing; under {LEAST_UNITS} units of level or reference no gain is given.",
    )
    return WhereItHelps(
        columns={name: np.array([row[name] for row in rows]) for name in _COLUMNS}, notes=notes, place=place_name
    )


_COLUMNS = (
    *("choice", "level", "reference", "environment", "units", "failures", "reference_units", "reference_failures"),
    *("survival_gain", "lower", "upper", "verdict", "p_value"),
)


def _of_choice(
    wider: Interaction, mission: float, rng: np.random.Generator, *, confidence: float, p_value: float
) -> list[dict[str, Any]]:
    design, block = wider.design, wider.block
    fit = fit_batch(problem_of(design), design.lives.weight.astype(float), covariance=True)
    base = block.ranked.index(block.reference)
    gain = _gains(standardise_places(wider, fit, mission).survival, base)[0]
    drawn = _drawn(fit, rng)
    counts = _counts(design, block, wider)
    enough = np.minimum(counts[0], counts[0][base]) >= LEAST_UNITS
    enough[base] = False
    lower, upper = np.full(gain.shape, np.nan), np.full(gain.shape, np.nan)
    if drawn is not None and enough.any():
        gains = _gains(standardise_places(wider, drawn, mission).survival, base)[:, enough]
        spread = np.maximum(gains.std(axis=0), 1e-9)
        reach = np.quantile(np.abs((gains - gains.mean(axis=0)) / spread).max(axis=1), confidence) * spread
        lower[enough], upper[enough] = np.maximum(gain[enough] - reach, -1), np.minimum(gain[enough] + reach, 1)
    rows = []
    for i, level in enumerate(block.ranked):
        for j, place in enumerate(wider.places):
            if i == base or not counts[0][i, j]:
                continue
            known = np.isfinite(lower[i, j])
            rows.append(
                {
                    "choice": block.name,
                    "level": level,
                    "reference": block.reference,
                    "environment": place,
                    "units": int(counts[0][i, j]),
                    "failures": int(counts[1][i, j]),
                    "reference_units": int(counts[0][base, j]),
                    "reference_failures": int(counts[1][base, j]),
                    "survival_gain": float(gain[i, j]) if known else math.nan,
                    "lower": float(lower[i, j]),
                    "upper": float(upper[i, j]),
                    "verdict": _verdict(lower[i, j], upper[i, j]),
                    "p_value": p_value,
                }
            )
    return rows


def _verdict(lower: float, upper: float) -> str:
    if lower > 0:
        return HELPS
    if upper < 0:
        return HARMS
    return NONE if lower > -NO_SIGN and upper < NO_SIGN else UNTOLD


def _gains(survival: np.ndarray, base: int) -> np.ndarray:
    return np.asarray(survival - survival[:, base : base + 1])


def _drawn(fit: AftBatch, rng: np.random.Generator) -> AftBatch | None:
    """Draws from the normal law around a fit, or None where its information has no inverse."""
    if fit.covariance is None or not fit.converged[0] or not np.isfinite(fit.covariance[0]).all():
        return None
    centre = np.r_[fit.intercept[0], fit.coefficients[0], np.log(fit.scale[0])]
    drawn = centre + rng.standard_normal((DRAWS, len(centre))) @ symmetric_root(fit.covariance[0])
    nothing = np.full(DRAWS, np.nan)
    return AftBatch(drawn[:, 1:-1], drawn[:, 0], np.exp(drawn[:, -1]), nothing, np.ones(DRAWS, dtype=bool))


def _counts(design: Design, block: Block, wider: Interaction) -> np.ndarray:
    """Units and failures of each ranked level in each place; shape (2, L, places)."""
    lives, codes = design.lives, np.asarray(block.codes)
    size = len(block.levels), len(wider.places)
    cell, counted = codes * size[1] + wider.place, (lives.weight, lives.weight * lives.failed)
    counts = np.stack([np.bincount(cell, units, size[0] * size[1]).reshape(size) for units in counted])
    return counts[:, block.ranked_codes]
