"""Which signs set failed units apart, and what was it like inside, by the choice that matters?"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from workbench.estimate.shared import proportion_interval
from workbench.report.basis import Drawing, Finding
from workbench.report.figures import Dots
from workbench.report.talk.bench_photographs import bench_photographs
from workbench.report.talk.told import Told
from workbench.report.words import limits_words, short_name, shown_name
from workbench.teardown.mechanisms import mechanism_words
from workbench.wording import by_number, percent_text

__all__ = ["inside_slide", "signs_slide"]

MOST_SIGNS = 3
LEAST_CHECKED = 5
"""Units of each kind that must have been looked at for a sign to be shown."""
APART = 0.05
"""p of Fisher's exact test under which a sign sets failed units apart."""


@dataclass(frozen=True)
class _Sign:
    """In how many failed and surviving units a sign was seen, of those looked at."""

    sign: str
    name: str
    failed: tuple[int, int]
    survived: tuple[int, int]
    p_value: float

    @property
    def gap(self) -> float:
        other = self.survived[0] / self.survived[1] if self.survived[1] else 0.0
        return self.failed[0] / max(self.failed[1], 1) - other


def signs_slide(told: Told) -> Finding | None:
    """The evidence: the signs that set failed units apart from survivors, as counts in both."""
    matrix = told.result_of("mechanism.evidence")
    if matrix is None:
        return None
    signs = [s for s in _signs(matrix) if s.failed[1] >= LEAST_CHECKED and s.gap > 0]
    compared = [s for s in signs if s.survived[1] >= LEAST_CHECKED]
    apart = sorted((s for s in compared if s.p_value < APART), key=lambda s: (s.p_value, -s.gap, s.name))[:MOST_SIGNS]
    shown = apart or sorted(compared or signs, key=lambda s: (-s.gap, s.name))[:MOST_SIGNS]
    if not shown:
        return None
    first = shown[0]
    name = short_name(first.name, 34)
    start = f"{name[:1].upper()}{name[1:]}"
    seen = f"{first.failed[0]} of {first.failed[1]} that failed"
    if apart:
        headline = f"{start}: {seen}, {first.survived[0]} of {first.survived[1]} still working"
        points = [
            f"{len(apart)} of {len(compared)} signs {by_number(len(apart), 'sets', 'set')} failed units apart."
            if len(compared) > len(apart)
            else ""
        ]
    elif compared:
        headline = "No sign inside sets failed units apart from working ones"
        points = ["Shown are those with the widest gap; chance could explain each."]
    else:
        headline = f"{start}: {seen}; too few working ones opened"
        points = ["Without opened working units nothing shows that a sign is special."]
    photographs, missing = bench_photographs(told.data, [s.sign for s in shown])
    if photographs is None:
        points.append("Bars are 95 % limits. A sign that nobody looked for says nothing.")
    else:
        points += [_counted(s) for s in shown[1:]]
        points.append("Pictures show single units; the counts are the evidence.")
    return told.slide(
        "signs",
        headline,
        points=[p for p in points if p],
        say=(
            "A sign counts as evidence only if failed units show it more often than those that still worked. "
            f"{headline}."
        ),
        behind=["mechanism.evidence", "mechanism.agreement"],
        figure=photographs or _signs_drawing(shown),
        facts={},
        method=" ".join(filter(None, (told.findings["mechanism.evidence"].method, missing))),
    )


def _counted(sign: _Sign) -> str:
    name = sign.name
    working = f", {sign.survived[0]} of {sign.survived[1]} working" if sign.survived[1] else ""
    return f"{name[:1].upper()}{name[1:]}: {sign.failed[0]} of {sign.failed[1]} failed{working}."


def _signs(matrix: object) -> list[_Sign]:
    from scipy.stats import fisher_exact

    table = matrix.table  # type: ignore[attr-defined]
    found = []
    for sign in matrix.signs:  # type: ignore[attr-defined]
        own = table[table["sign"] == sign]
        alive = (own["group"] == matrix.survivors).to_numpy()  # type: ignore[attr-defined]
        counts = own[["seen", "checked"]].to_numpy(dtype=int)
        failed, survived = (tuple(int(v) for v in counts[part].sum(axis=0)) for part in (~alive, alive))
        cells = [[seen, checked - seen] for seen, checked in (failed, survived)]
        p_value = float(fisher_exact(cells, alternative="greater").pvalue) if survived[1] and failed[1] else math.nan
        found.append(_Sign(sign, shown_name(mechanism_words(sign)), failed, survived, p_value))  # type: ignore[arg-type]
    return found


def _signs_drawing(signs: list[_Sign]) -> Drawing:
    rows = []
    for sign in signs:
        for who, kind, (seen, checked) in (("failed", "failed", sign.failed), ("working", "working", sign.survived)):
            if checked:
                low, high = proportion_interval(seen, checked)
                rows.append((f"{sign.name}, {who}", seen / checked, low, high, f"{seen} of {checked}", kind))
    columns = {
        name: np.array([r[k] for r in rows], dtype=object if name in ("label", "note", "kind") else float)
        for k, name in enumerate(("label", "value", "lower", "upper", "note", "kind"))
    }
    return Drawing(
        result=Dots(columns=columns, axis="sign seen, of those looked at (%)", percent=True),
        alt="Dots with limits: in which share of failed and of working units each sign was seen.",
    )


def inside_slide(told: Told) -> Finding | None:
    """Inside when opened, by the choice that matters, as dots with limits."""
    result = told.result_of("mechanism.inside")
    if result is None:
        return None
    table = result.table
    every, levels = table.iloc[-1], table.iloc[:-1]
    levels = levels[levels["opened"] > 0]
    if levels.empty:
        return None
    wet, opened = int(every["wet"]), int(every["opened"])
    what = shown_name(result.choice, 24)
    worst, best = levels.loc[levels["share_wet"].idxmax()], levels.loc[levels["share_wet"].idxmin()]
    seen = f"Wet inside: {wet} of {opened} opened"
    headline = f"{seen}; no clear difference by {what}"
    if len(levels) == 1:
        headline = seen
    elif levels["opened"].nlargest(2).iloc[-1] < LEAST_CHECKED:
        headline = f"{seen}; too few to compare by {what}"
    elif _differ(worst, best, pairs=len(levels) * (len(levels) - 1) // 2):
        headline = (
            f"Wet inside: {_of(worst)} with {short_name(worst['group'])}, {_of(best)} with {short_name(best['group'])}"
        )
    alive, dry, unseen = (int(every[name]) for name in ("wet_working", "dry_failed", "not_opened"))
    limits = limits_words(percent_text(every["lower"]), percent_text(every["upper"]), told.data.confidence)
    points = [f"All opened: {wet} of {opened} wet ({limits})."]
    points.append(f"{alive or 'None'} of the wet ones still worked; {dry or 'none'} failed dry.")
    if not wet:
        points[-1] = f"{dry or 'None'} failed dry."
    if unseen:
        points.append(f"{unseen} more came back of which nobody noted the inside.")
    return told.slide(
        "inside",
        headline,
        points=points,
        say=(
            f"We opened {opened} and wrote down what we saw. {points[1]} "
            "Units are opened for a reason, so this need not be the share of all."
        ),
        behind=["mechanism.inside", "mechanism.preventable"],
        figure=Drawing(
            result=result,
            alt=f"A dot with limits for the share of opened units that were wet inside, for each {what}.",
        ),
        estimate=float(every["share_wet"]),
        lower=float(every["lower"]),
        upper=float(every["upper"]),
        confidence=told.data.confidence,
        unit="share",
        facts={"wet": str(wet), "opened": str(opened)},
    )


def _differ(worst: Any, best: Any, *, pairs: int) -> bool:
    """Whether the two levels furthest apart differ by more than chance, counting all pairs (Fisher, Bonferroni)."""
    from scipy.stats import fisher_exact

    cells = [[int(row["wet"]), int(row["opened"]) - int(row["wet"])] for row in (worst, best)]
    return pairs > 0 and float(fisher_exact(cells).pvalue) < APART / pairs


def _of(row: object) -> str:
    return f"{int(row['wet'])} of {int(row['opened'])}"  # type: ignore[index]
