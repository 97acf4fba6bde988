"""Figures of teardown tables: suggestions, condition inside, imputed incidence, shapes and agreement."""

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.report.figures.dots import Dots, draw_dots
from workbench.report.figures.stacks import Stacks, draw_stacks
from workbench.report.figures.teardown import draw_evidence
from workbench.teardown.mechanisms import evidence_matrix, mechanism_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_agreement", "draw_imputed", "draw_inside", "draw_shapes", "draw_suggestions"]


def draw_suggestions(result: Any, ax: "Axes", *, title: str = "", subtitle: str = "") -> None:
    """Draw the evidence behind suggestions as a matrix of signs by mechanism."""
    draw_evidence(evidence_matrix(result, most_signs=18), ax, title=title, subtitle=subtitle)


def draw_inside(result: Any, ax: "Axes", *, title: str = "", subtitle: str = "") -> None:
    """Draw the share wet inside by level with exact limits."""
    c = result.columns
    notes = [f"{w} of {n}" for w, n in zip(c["wet"], c["opened"], strict=True)]
    dots = _dots(list(c["group"]), c["share_wet"], limits=(c["lower"], c["upper"]), notes=notes)
    draw_dots(replace(dots, axis="wet inside, of those opened (%)", percent=True), ax, title=title, subtitle=subtitle)


def draw_imputed(result: Any, ax: "Axes", *, title: str = "", subtitle: str = "") -> None:
    """Draw imputed incidences with their limits, one row per group, cause and time."""
    c = result.columns
    several = len(set(c["group"])) > 1
    labels = [
        f"{f'{g}: ' if several else ''}{mechanism_words(cause)}, day {time:g}"
        for g, cause, time in zip(c["group"], c["cause"], c["time"], strict=True)
    ]
    dots = _dots(labels, c["incidence"], limits=(c["lower"], c["upper"]))
    draw_dots(replace(dots, axis="units lost (%)", percent=True), ax, title=title, subtitle=subtitle)


def draw_shapes(result: Any, ax: "Axes", *, title: str = "", subtitle: str = "") -> None:
    """Draw the Weibull shape of each mechanism with its limits against 1, the steady rate."""
    c = result.columns
    notes = [f"{n} failures" for n in c["failures"]]
    labels = [mechanism_words(m) for m in c["mechanism"]]
    dots = _dots(labels, c["shape"], limits=(c["lower"], c["upper"]), notes=notes)
    axis = "Weibull shape (under 1 early-life, over 1 wear-out)"
    draw_dots(replace(dots, axis=axis, reference=1.0), ax, title=title, subtitle=subtitle)


def draw_agreement(result: Any, ax: "Axes", *, title: str = "", subtitle: str = "") -> None:
    """Draw how many units each pair of verdict and suggestion has, the commonest first."""
    table = result.table.sort_values("units", ascending=False, kind="stable").head(8)
    labels = [
        f"{mechanism_words(v)} / {'same' if same else mechanism_words(s)}"
        for v, s, same in zip(table["verdict"], table["suggestion"], table["same"], strict=True)
    ]
    stacks = Stacks(
        columns={"label": np.array(labels, dtype=object), "units": table["units"].to_numpy(dtype=float)},
        axis="units (verdict of a person / what the signs suggest)",
    )
    draw_stacks(stacks, ax, title=title, subtitle=subtitle)


def _dots(
    labels: list[str], value: np.ndarray, *, limits: tuple[np.ndarray, np.ndarray], notes: list[str] | None = None
) -> Dots:
    columns = {"label": np.array(labels, dtype=object), "value": value, "lower": limits[0], "upper": limits[1]}
    if notes:
        columns["note"] = np.array(notes, dtype=object)
    return Dots(columns=columns, axis="")
