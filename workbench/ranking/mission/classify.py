"""Classify: lives and choices in, a second opinion out: do the choices help to predict who lasts the mission?"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from workbench.checks import check_columns, check_positive, check_whole
from workbench.errors import EstimateError, UsageError
from workbench.estimate.shared import terms_of
from workbench.lives import Lives
from workbench.ranking.mission.mission_folds import Folds, mission_folds
from workbench.ranking.mission.mission_importance import (
    HeldOut,
    importance_of,
    noise_importances,
    predict_held_out,
    together,
    training_shares,
)
from workbench.ranking.mission.mission_labels import (
    DOUBTFUL,
    FAILED_BY_MISSION,
    LASTED,
    life_curve,
    mission_labels,
    share_failed,
)
from workbench.ranking.mission.mission_model import (
    FOREST_FROM,
    ModelColumns,
    fit_on_shares,
    mission_pipeline,
    model_columns,
)
from workbench.ranking.mission.mission_result import MissionSkill
from workbench.threads import on_one_thread
from workbench.wording import count_of, percent_text

__all__ = ["MissionSkill", "classify_mission"]

MOST_SPLIT = 0.25
"""Share of lives with an unknown outcome beyond which no skill is claimed; judgement, no source."""
_MOSTLY_UNKNOWN = f"For more than {percent_text(MOST_SPLIT)} of the lives the outcome is not known."
"""Why no skill can be shown where a failure could lie on either side of the mission for most."""
_RESAMPLES = 2000
_FEW_BLOCKS = 6


@dataclass(frozen=True, eq=False)
class _Case:
    """Everything that the steps below share."""

    lives: Lives
    labels: np.ndarray
    columns: ModelColumns
    folds: Folds
    shares: np.ndarray
    mission: float
    choices: tuple[str, ...]
    adjust: tuple[str, ...]
    forest: bool
    seed: int

    @property
    def weight(self) -> np.ndarray:
        return self.lives.weight.astype(float)

    def pipeline(self, columns: ModelColumns) -> Any:
        return mission_pipeline(columns, forest=self.forest, seed=self.seed)


@on_one_thread
def classify_mission(
    lives: Lives,
    choices: Sequence[str],
    *,
    adjust: Sequence[str] = (),
    mission: float,
    seed: int = 0,
    site: str = "site",
) -> MissionSkill:
    """Ask a classifier whether the choices predict which units last the mission, and which of them it uses.

    A life that failed or lasted for certain is one training row. One that was lost early, or whose interval straddles
    the mission, is two rows with weights q and 1 - q, q being the chance that it failed by the curve of the training
    rows; it is scored in the same way. Sites are held out whole. The model is a logistic one with shrunken levels
    (sd 0.5 on log odds; exposures sd 1), averaged with a forest from 100 failures on; classes are never reweighted.

    Parameters
    ----------
    lives : Lives
        n lives; those with delayed entry are left out and counted.
    choices : sequence of str, or str
        Covariates that are choices; the first is also judged alone.
    adjust : sequence of str, or str
        Exposures that take part in the model.
    mission : float
        In the unit of the lives; a failure exactly then has failed.
    seed : int
        Of numpy.random.default_rng.
    site : str
        Covariate whose values are held out whole; when it is absent, units or rows are.

    Returns
    -------
    MissionSkill
        Skill is NaN and the verdict "no skill can be shown" when the question cannot be put.

    Raises
    ------
    UsageError
        An unknown covariate, a mission that is not positive, a choice that is also adjusted for.
    EstimateError
        A choice with one level, no lives, or a mission that no unit is known to have lasted.

    References
    ----------
    Brier (1950), Mon. Weather Rev. 78, 1-3.
    """
    case, notes = _prepared(lives, choices, adjust, mission=mission, seed=seed, site=site)
    rng = np.random.default_rng([check_whole("seed", seed), 1])
    failures = case.lives.weight[case.labels == FAILED_BY_MISSION].sum()
    if failures == 0 or case.folds.count < 2:
        return _no_answer(case, notes)
    held_out = _held_out(case, case.columns)
    alone = _held_out(case, case.columns.take([0]))
    skill = _skill(case, held_out, alone, rng=rng)
    table, partners, note = _importances(case, held_out, skill["verdict"], rng=rng)
    return MissionSkill(
        columns=table,
        partners=partners,
        why_not=_MOSTLY_UNKNOWN if skill["verdict"] == "no skill can be shown" else "",
        notes=(*notes, *_skill_notes(case, skill), note),
        mission=case.mission,
        skill_values=skill,
        calibration_columns=_calibration(case, held_out),
        level_columns=_levels(case),
    )


def _held_out(case: _Case, columns: ModelColumns) -> HeldOut:
    return predict_held_out(case.pipeline(columns), columns.values, case.shares, weight=case.weight, folds=case.folds)


def _names(names: Sequence[str] | str) -> tuple[str, ...]:
    return (names,) if isinstance(names, str) else tuple(names)


def _prepared(
    lives: Lives, asked: Sequence[str], held: Sequence[str], *, mission: float, seed: int, site: str
) -> tuple[_Case, list[str]]:
    choices, adjust = _names(asked), _names(held)
    check_columns(choices, lives.covariates.columns, "covariate")
    check_columns(adjust, lives.covariates.columns, "covariate")
    days = check_positive("mission", mission)
    if not choices:
        raise UsageError("choices must name at least one covariate")
    if twice := [c for c in adjust if c in choices]:
        raise UsageError(f"{twice[0]!r} stands in choices and in adjust; keep one")
    late = lives.entry > 0
    notes = []
    if late.any():
        notes.append(f"{count_of(int(lives.weight[late].sum()), 'life', 'lives')} with delayed entry left out.")
    kept = lives.take(~late)
    if len(kept) == 0:
        raise EstimateError("there are no lives that were watched from day 0, so nothing can be classified")
    kept = kept.take(kept.canonical_order([*choices, *adjust, *([site] if site in kept.covariates.columns else [])]))
    labels = mission_labels(kept, days)
    if not (labels == LASTED).any():
        longest = kept.lower.max()
        raise EstimateError(
            f"no unit is known to have lasted {days:g} {kept.unit}; the longest mission that these lives support is "
            f"{longest:g} {kept.unit}"
        )
    columns = model_columns(terms_of(kept, [*choices, *adjust]), kept.weight, adjust)
    folds = mission_folds(kept, labels, site, rng=np.random.default_rng([check_whole("seed", seed), 0]))
    forest = int(kept.weight[labels == FAILED_BY_MISSION].sum()) >= FOREST_FROM
    case = _Case(kept, labels, columns, folds, np.empty((0, 0)), days, choices, adjust, forest, int(seed))
    able = bool((labels == FAILED_BY_MISSION).any()) and folds.count >= 2
    case = replace(case, shares=training_shares(kept, labels, days, folds=folds)) if able else case
    return case, [*notes, folds.note]


def _counts(case: _Case) -> dict[str, int]:
    weight = case.lives.weight
    return {
        "units": int(weight.sum()),
        "failures": int(weight[case.labels == FAILED_BY_MISSION].sum()),
        "lasted": int(weight[case.labels == LASTED].sum()),
    }


def _base_rate(case: _Case) -> float:
    curve = life_curve(case.lives)
    return float(np.average(share_failed(case.lives, case.labels, case.mission, curve=curve), weights=case.weight))


def _skill(case: _Case, held_out: HeldOut, alone: HeldOut, *, rng: np.random.Generator) -> dict[str, Any]:
    weight, block = case.weight, case.folds.block
    count = int(block.max()) + 1
    losses = [held_out.loss(p) for p in (held_out.predicted, held_out.base, alone.predicted)]
    model, base, first = (np.bincount(block, weights=weight * loss, minlength=count) for loss in losses)
    drawn = rng.multinomial(count, np.full(count, 1.0 / count), size=_RESAMPLES)
    below = drawn @ base
    resampled = 1.0 - np.divide(drawn @ model, below, out=np.ones(_RESAMPLES), where=below > 0)
    lower, upper = np.quantile(resampled, [0.025, 0.975])
    split = float(weight[case.labels == DOUBTFUL].sum() / weight.sum())
    verdict = "no skill can be shown" if split > MOST_SPLIT else ("skill" if lower > 0 else "no skill")
    total = weight.sum()
    return {
        "brier": float(model.sum() / total),
        "brier_base": float(base.sum() / total),
        "brier_first": float(first.sum() / total),
        "skill": float(1.0 - model.sum() / base.sum()),
        "lower": float(lower),
        "upper": float(upper),
        "verdict": verdict,
        "base_rate": _base_rate(case),
        "split_share": split,
        **_counts(case),
    }


def _skill_notes(case: _Case, skill: Mapping[str, Any]) -> list[str]:
    model = "A logistic model averaged with a forest" if case.forest else "A logistic model with shrunken levels"
    notes = [
        f"{model}; {skill['failures']} of {count_of(skill['units'], 'life', 'lives')} had failed by the mission, "
        f"{skill['lasted']} had lasted it, and for {percent_text(skill['split_share'])} the outcome is not known, "
        "so that they count in part as failed and in part as lasted."
    ]
    if (blocks := int(case.folds.block.max()) + 1) < _FEW_BLOCKS:
        notes.append(f"With {blocks} sites, units or rows to resample, the limits of the skill are rough.")
    if skill["verdict"] == "no skill can be shown":
        notes.append(f"No skill can be shown: {_MOSTLY_UNKNOWN[:1].lower()}{_MOSTLY_UNKNOWN[1:]}")
    elif skill["verdict"] == "no skill":
        notes.append("No skill: on sites held out the model is not surely better than the plain share that failed.")
    elif skill["brier_first"] <= skill["brier"]:
        notes.append(f"{case.choices[0]} alone predicts as well as all choices together.")
    return notes


def _importances(
    case: _Case, held_out: HeldOut, verdict: str, *, rng: np.random.Generator
) -> tuple[dict[str, Any], tuple[tuple[str, ...], ...], str]:
    """The table of choices, the choices handed out together with each, and a note on how to read it."""
    weight = case.weight
    places = list(range(len(case.choices)))
    refits = 8 if case.forest else 14
    noise = noise_importances(
        case.pipeline, case.columns, places, labelled=(case.shares, weight), folds=case.folds, rng=rng, refits=refits
    )
    limit = float(np.quantile(noise, 0.95))
    rows = []
    for group in together(case.columns, places, weight):
        rise = importance_of(held_out, case.columns.values, group, weight=weight, folds=case.folds, rng=rng)
        rows += [(case.choices[i], tuple(case.choices[j] for j in group if j != i), rise) for i in group]
    rows.sort(key=lambda row: -row[2])
    counts = [rise > limit and verdict == "skill" for _, _, rise in rows]
    table: dict[str, Any] = {
        "choice": [row[0] for row in rows],
        "together": [", ".join(row[1]) for row in rows],
        "importance": np.array([row[2] for row in rows]),
        "noise": np.full(len(rows), limit),
        "counts": np.array(counts, dtype=bool),
        "note": [_importance_note(row, limit, verdict) for row in rows],
    }
    note = (
        f"Importance is the rise of the Brier score on held-out rows; a choice counts above {limit:.2g}, "
        f"the 95th percentile of {len(noise)} columns without meaning. It speaks of association, not of cause."
    )
    return table, tuple(row[1] for row in rows), note


def _importance_note(row: tuple[str, tuple[str, ...], float], limit: float, verdict: str) -> str:
    choice, partners, rise = row
    joined = f" together with {', '.join(partners)}, which says nearly the same" if partners else ""
    if verdict != "skill":
        return "Without skill, importance says nothing."
    return f"{choice}{joined} {'counts' if rise > limit else 'does no better than noise'}."


def _calibration(case: _Case, held_out: HeldOut) -> dict[str, np.ndarray]:
    """Wide bins of about like size; limits are exact ones at the (fractional) count of failures."""
    from scipy.special import betaincinv

    failures = float(case.lives.weight[case.labels == FAILED_BY_MISSION].sum())
    bins = int(np.clip(failures // 10, 2, 5))
    predicted, weight = held_out.predicted, case.weight
    order = np.argsort(predicted, kind="stable")
    reach = np.cumsum(weight[order]) / weight.sum()
    edges = np.unique(predicted[order][np.searchsorted(reach, np.arange(1, bins) / bins)])
    place = np.searchsorted(edges, predicted, side="left")
    _, place = np.unique(place, return_inverse=True)
    count = int(place.max()) + 1
    units = np.bincount(place, weights=weight, minlength=count)
    failed = np.bincount(place, weights=weight * held_out.share, minlength=count)
    rest = units - failed
    low = np.where(failed > 0, betaincinv(np.maximum(failed, 1e-12), rest + 1, 0.025), 0.0)
    high = np.where(rest > 0, betaincinv(failed + 1, np.maximum(rest, 1e-12), 0.975), 1.0)
    return {
        "low": np.array([predicted[place == b].min() for b in range(count)]),
        "high": np.array([predicted[place == b].max() for b in range(count)]),
        "units": units.round().astype(np.int64),
        "predicted": np.bincount(place, weights=weight * predicted, minlength=count) / units,
        "observed": failed / units,
        "lower": low,
        "upper": high,
    }


def _levels(case: _Case) -> dict[str, Any]:
    """Predicted share lasting the mission if all units carried a level, by the model of all rows."""
    share = share_failed(case.lives, case.labels, case.mission, curve=life_curve(case.lives))
    values = case.columns.values
    model = fit_on_shares(case.pipeline(case.columns), values, share, weight=case.weight)
    rows = []
    for place, choice in enumerate(case.choices):
        for code, level in enumerate(case.columns.levels[place]):
            changed = values.copy()
            changed[:, place] = code
            failing = model.predict_proba(changed)[:, 1]
            units = int(case.lives.weight[values[:, place] == code].sum())
            rows.append((choice, level, units, 1.0 - float(np.average(failing, weights=case.weight))))
    names = ("choice", "level", "units", "mission_survival")
    return {name: np.array([row[i] for row in rows], dtype=object if i < 2 else None) for i, name in enumerate(names)}


def _no_answer(case: _Case, notes: list[str]) -> MissionSkill:
    missing = float("nan")
    reason = (
        f"No unit is known to have failed by {case.mission:g} {case.lives.unit}, so there is nothing to predict."
        if not (case.labels == FAILED_BY_MISSION).any()
        else "One site, unit or row only: nothing can be held out."
    )
    size = len(case.choices)
    split = float(case.weight[case.labels == DOUBTFUL].sum() / case.weight.sum())
    names = ("brier", "brier_base", "brier_first", "skill", "lower", "upper")
    skill = dict.fromkeys(names, missing) | {"verdict": "no skill can be shown", "base_rate": _base_rate(case)}
    table: dict[str, Any] = {
        "choice": list(case.choices),
        "together": [""] * size,
        "importance": np.full(size, missing),
        "noise": np.full(size, missing),
        "counts": np.zeros(size, dtype=bool),
        "note": [reason] * size,
    }
    return MissionSkill(
        columns=table,
        notes=(*notes, reason),
        partners=((),) * size,
        why_not=reason,
        mission=case.mission,
        skill_values=skill | {"split_share": split, **_counts(case)},
        calibration_columns={
            n: np.zeros(0) for n in ("low", "high", "units", "predicted", "observed", "lower", "upper")
        },
        level_columns={n: np.zeros(0) for n in ("choice", "level", "units", "mission_survival")},
    )
