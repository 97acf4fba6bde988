"""Previous: last season beside this one, number by number, and whether last season's actions worked."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from workbench.errors import WorkbenchError
from workbench.estimate.curves import survival_curve
from workbench.lives import Lives
from workbench.ranking.choices import rank_choices
from workbench.report.basis import FEWEST_UNITS, Drawing, Finding, SeasonData, compare_choice
from workbench.report.figures import Dots
from workbench.report.findings.findings_outcome import outcome_findings
from workbench.report.words import as_headline, difference_sentence, limits_words, shown_name
from workbench.wording import Grade, join_words, percent_text, points_text

__all__ = ["pooled_lives", "previous_findings"]

LAST, THIS = "last season", "this season"
SEASONS_DIFFER = (
    "Seasons differ in weather, sites, visits and building, so a change from one to the next is no effect of an action."
)


def previous_findings(data: SeasonData) -> list[Finding]:
    """Return what changed since last season, and the effect of each action whose choice can be compared."""
    if data.previous is None:
        return []
    last = _last_findings(data.previous)
    this = {f.id: f for f in outcome_findings(data)}
    findings = []
    for number, action in enumerate(data.settings.get("action") or (), start=1):
        findings += _action(data, action, number)
    return [*findings, _numbers(this, last, data)]


def _last_findings(previous: Any) -> dict[str, Finding]:
    findings = outcome_findings(previous) if isinstance(previous, SeasonData) else previous
    return {f.id: f for f in findings}


def _numbers(this: Mapping[str, Finding], last: Mapping[str, Finding], data: SeasonData) -> Finding:
    rows: list[tuple[str, str, str, str]] = []
    ends = [s.get("outcome.ends") for s in (last, this)]
    if ends[0] is not None and ends[1] is not None:
        pairs = ((ends[0].units, ends[1].units, "put out"), (ends[0].failures, ends[1].failures, "failures"))
        rows += [(what, _count(a), _count(b), _change(a, b)) for a, b, what in pairs]
    lasting = [s.get("outcome.lasting") for s in (last, this)]
    missing = [s.get("outcome.missing") for s in (last, this)]
    for what, pair in (("lasted the mission", lasting), ("the same, bounds for missing units", missing)):
        if pair[0] is not None and pair[1] is not None:
            rows.append((what, _share(pair[0]), _share(pair[1]), _points(pair[0].estimate, pair[1].estimate)))
    statement = "Last season's review holds no figure that this one can be compared with."
    gap = None
    if lasting[0] is not None and lasting[1] is not None and lasting[0].estimate is not None:
        gap = None if lasting[1].estimate is None else lasting[1].estimate - lasting[0].estimate
        statement = (
            f"This season {percent_text(_float(lasting[1].estimate))} of {data.counted}s lasted {data.mission_text}, "
            f"{percent_text(_float(lasting[0].estimate))} lasted the mission of last season."
        )
    return Finding(
        id="previous.numbers",
        headline="Last season beside this one",
        kind="contrast",
        section="previous",
        order=9,
        statement=statement,
        estimate=gap,
        unit=None if gap is None else "share",
        method="The same figures from both seasons, side by side; limits are in brackets.",
        caveats=(SEASONS_DIFFER,),
        table={h: [row[k] for row in rows] for k, h in enumerate(("figure", "last season", "this season", "change"))},
    )


def _float(value: float | None) -> float:
    return math.nan if value is None else value


def _count(value: int | None) -> str:
    return "–" if value is None else f"{value}"


def _change(a: int | None, b: int | None) -> str:
    if a is None or b is None:
        return "–"
    sign = "+" if b > a else "−" if b < a else "±"
    return f"{sign}{abs(b - a)}"


def _share(finding: Finding) -> str:
    ends = f" ({percent_text(_float(finding.lower))} to {percent_text(_float(finding.upper))})"
    return percent_text(_float(finding.estimate)) + (ends if finding.lower is not None else "")


def _points(a: float | None, b: float | None) -> str:
    return "–" if a is None or b is None else points_text(b - a)


def _action(data: SeasonData, action: Mapping[str, Any], number: int) -> list[Finding]:
    choice, old, new = (str(action.get(k) or "") for k in ("choice", "from", "to"))
    if not (choice and old and new):
        return []
    common: dict[str, Any] = {"section": "previous", "order": float(number)}
    name = f"previous.action_{number}"
    what = shown_name(action.get("what") or f"{choice}: {new} instead of {old}", 120)
    if choice not in data.lives.covariates:
        return [
            Finding(
                id=name, kind="not known", method="Looked for in the log.", **common,
                statement=f"Whether “{what}” worked is not known: the log has no column {shown_name(choice)}.",
            )
        ]  # fmt: skip
    carried = data.levels(choice)
    if new not in carried or old not in carried:
        return [_not_apart(data, choice, old, new=new, what=what, name=name, common=common)]
    return [_contrast(data, choice, old, new=new, what=what, name=name, common=common)]


def _not_apart(
    data: SeasonData, choice: str, old: str, *, new: str, what: str, name: str, common: Mapping[str, Any]
) -> Finding:
    seasons = {THIS: data}
    if isinstance(data.previous, SeasonData):
        seasons = {LAST: data.previous, **seasons}
    rows = [
        _raw_share(own, choice, level, season=season, mission=data.mission)
        for season, own in seasons.items()
        for level in (old, new)
    ]
    return Finding(
        id=name,
        headline=as_headline(f"Cannot be told apart from the season: {what}"),
        kind="contrast",
        grade=Grade.NOT_APART,
        statement=(
            f"Whether “{what}” worked cannot be told apart from the season: this season has no {FEWEST_UNITS} units "
            f"with {data.label(choice, old)} beside those with {data.label(choice, new)}."
        ),
        method=(
            "Raw shares of both seasons; without both levels in one season nothing separates the action from the"
            " season."
        ),
        caveats=(SEASONS_DIFFER,),
        figure=_lasted_drawing(data, rows),
        table=_lasted_table(data, rows),
        **common,
    )


@dataclass(frozen=True, kw_only=True)
class _Lasted:
    """How many of a level lasted the mission in one season; NaN where it is not known."""

    season: str
    level: str
    units: int
    share: float = math.nan
    lower: float = math.nan
    upper: float = math.nan
    may_have: int = 0

    @property
    def cell(self) -> str:
        ends = f"{percent_text(self.lower)} to {percent_text(self.upper)}"
        if not math.isfinite(self.share):
            return "not known" if self.units else "no units"
        return f"{self.may_have} may have failed ({ends})" if self.may_have else f"{percent_text(self.share)} ({ends})"


def _raw_share(data: SeasonData, choice: str, level: str, *, season: str, mission: float) -> _Lasted:
    name = data.label(choice, level)
    if choice not in data.lives.covariates:
        return _Lasted(season=season, level=name, units=0)
    lives = data.lives.take((data.lives.covariates[choice].astype(str) == level).to_numpy())
    if len(lives) == 0:
        return _Lasted(season=season, level=name, units=0)
    try:
        row = survival_curve(lives).at(mission).iloc[0]
    except WorkbenchError:
        return _Lasted(season=season, level=name, units=lives.units)
    share, lower, upper = (float(row[key]) for key in ("survival", "lower", "upper"))
    return _Lasted(season=season, level=name, units=lives.units, share=share, lower=lower, upper=upper)


def _lasted_table(data: SeasonData, rows: Sequence[_Lasted]) -> dict[str, list[str]]:
    return {
        "season": [r.season for r in rows],
        "level": [r.level for r in rows],
        "units": [f"{r.units}" for r in rows],
        f"lasted {data.mission_text}": [r.cell for r in rows],
    }


def _lasted_drawing(data: SeasonData, rows: Sequence[_Lasted]) -> Drawing | None:
    """Dots with limits by season and level; nothing where no share is known."""
    known = [r for r in rows if math.isfinite(r.share) and not r.may_have]
    if not known:
        return None
    dots = Dots(
        columns={
            "label": np.array([f"{r.season}: {r.level}" for r in known], dtype=object),
            "value": np.array([r.share for r in known]),
            "lower": np.array([r.lower for r in known]),
            "upper": np.array([r.upper for r in known]),
            "note": np.array([f"{percent_text(r.share)} of {r.units}" for r in known], dtype=object),
            "kind": np.array(["other" if r.season == LAST else "" for r in known], dtype=object),
        },
        axis=f"lasted {data.mission_text} (%)",
        percent=True,
    )
    alt = "Dots with limits for the share lasting the mission, by season and level, last season above this one."
    return Drawing(result=dots, alt=alt)


def _contrast(
    data: SeasonData, choice: str, old: str, *, new: str, what: str, name: str, common: Mapping[str, Any]
) -> Finding:
    levels = [old, *(level for level in data.levels(choice) if level != old)]
    ordered = replace(data, lives=_with_first(data.lives, choice, levels))
    compared = compare_choice(ordered, choice, within=None, with_days=False)
    pair = [compared.shares[new], compared.shares[old]]
    raw = compared.differences[new]
    sentence = difference_sentence(pair[0], pair[1], raw, mission=data.mission_text, confidence=data.confidence)
    adjusted = _adjusted(data, choice, old, new=new)
    caveats = [SEASONS_DIFFER, "An action was not randomised: what goes with it need not be its effect."]
    more = ""
    shown = raw if adjusted.difference is None else adjusted.difference
    if adjusted.difference is not None:
        limits = limits_words(points_text(shown[1]), points_text(shown[2]), data.confidence)
        caveats.append("Other choices of the same units are not held equal here; the ranking of this season does that.")
        held = f"With {join_words(adjusted.held_equal)} held equal" if adjusted.held_equal else "In the model"
        more = f" {held} the difference is {points_text(shown[0])} ({limits})."
    else:
        caveats.append(f"No adjusted figure: {adjusted.why_not}.")
    verdict = _verdict(shown)
    rows = [*_earlier(data, choice, old, new=new), *(_this_season(s) for s in pair[::-1])]
    return Finding(
        id=name,
        headline=as_headline(f"The change: {what}"),
        kind="contrast",
        statement=f"“{what}”: {verdict}. {sentence[0].upper()}{sentence[1:]}{more}",
        estimate=shown[0],
        lower=shown[1],
        upper=shown[2],
        confidence=data.confidence,
        unit="share",
        units=sum(s.units for s in pair),
        failures=sum(s.failures for s in pair),
        method=(
            "New level against old level among units of this season; the adjusted figure puts each level into the whole"
            " fleet of the seasons pooled, season as a shrunken term, unit as cluster."
        ),
        caveats=tuple(caveats),
        held_equal=adjusted.held_equal,
        figure=_lasted_drawing(data, rows),
        table=_lasted_table(data, rows),
        **common,
    )


def _verdict(difference: tuple[float, float, float]) -> str:
    _, lower, upper = difference
    if math.isfinite(lower) and lower > 0:
        return "the new level goes with longer life"
    if math.isfinite(upper) and upper < 0:
        return "the new level goes with shorter life"
    return "whether it worked could not be shown"


def _this_season(share: Any) -> _Lasted:
    ends = {"share": share.share, "lower": share.lower, "upper": share.upper}
    return _Lasted(season=THIS, level=share.name, units=share.units, may_have=share.may_have, **ends)


def _earlier(data: SeasonData, choice: str, old: str, *, new: str) -> list[_Lasted]:
    if not isinstance(data.previous, SeasonData):
        return []
    return [_raw_share(data.previous, choice, level, season=LAST, mission=data.mission) for level in (old, new)]


def _with_first(lives: Lives, choice: str, levels: Sequence[str]) -> Lives:
    covariates = lives.covariates.copy()
    values = covariates[choice].astype(object)
    every = [*levels, *sorted({str(v) for v in values.dropna()} - set(levels))]
    covariates[choice] = pd.Categorical(values.map(lambda v: v if pd.isna(v) else str(v)), categories=every)
    return lives.replace(covariates=covariates)


def pooled_lives(this: SeasonData, last: SeasonData) -> Lives:
    """Return the lives of two seasons as one, with a covariate that tells them apart."""
    both = [last.lives, this.lives]
    shared = [c for c in this.lives.covariates if c in last.lives.covariates]
    frames = [lives.covariates[shared].astype(object) for lives in both]
    covariates = pd.concat(frames, ignore_index=True)
    covariates["season_pooled"] = np.repeat(["last", "this"], [len(lives) for lives in both])

    def joined(field: str) -> Any:
        parts = [getattr(lives, field) for lives in both]
        return None if any(p is None for p in parts) else np.concatenate(parts)

    return Lives.from_arrays(
        lower=joined("lower"),
        upper=joined("upper"),
        entry=joined("entry"),
        weight=joined("weight"),
        cluster=joined("cluster"),
        covariates=covariates,
        unit=this.lives.unit,
    )


@dataclass(frozen=True, kw_only=True)
class _Adjusted:
    """A difference of two levels with limits and what it holds equal, or None and why there is none."""

    difference: tuple[float, float, float] | None = None
    held_equal: tuple[str, ...] = ()
    why_not: str = ""


def _adjusted(data: SeasonData, choice: str, old: str, *, new: str) -> _Adjusted:
    pooled = pooled_lives(data, data.previous) if isinstance(data.previous, SeasonData) else data.lives
    adjust = [c for c in ("environment",) if c in pooled.covariates and pooled.covariates[c].nunique() > 1]
    if "season_pooled" in pooled.covariates:
        adjust.append("season_pooled")
    try:
        ranking = rank_choices(
            pooled, [choice], adjust=adjust, mission=data.mission, seed=data.seed, reference={choice: old}
        )
    except WorkbenchError as error:
        return _Adjusted(why_not=error.clause)
    rows = ranking.table
    row = rows[(rows["choice"] == choice) & (rows["level"] == new)]
    if row.empty or not math.isfinite(float(row["survival_gain"].iloc[0])):
        return _Adjusted(why_not="the model gives no difference between the two levels")
    gain, lower, upper = (float(row[k].iloc[0]) for k in ("survival_gain", "lower", "upper"))
    words = [shown_name(a) if a != "season_pooled" else "season" for a in adjust]
    words += ["site"] if "site" in pooled.covariates else []
    return _Adjusted(difference=(gain, lower, upper), held_equal=tuple(words))
