"""Figures of teardown tables: suggestions, condition inside, imputed incidence, shapes and agreement."""

from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.report.figures.bars import Bars, draw_bars
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
    labels = [f"{g} ({w} of {n})" for g, w, n in zip(c["group"], c["wet"], c["opened"], strict=True)]
    bars = _bars(labels, c["share_wet"], limits=(c["lower"], c["upper"]), axis="share of opened units wet inside, %")
    draw_bars(bars, ax, title=title, subtitle=subtitle)


def draw_imputed(result: Any, ax: "Axes", *, title: str = "", subtitle: str = "") -> None:
    """Draw imputed incidences with their limits, one bar a group, cause and time."""
    c = result.columns
    several = len(set(c["group"])) > 1
    labels = [
        f"{f'{g}: ' if several else ''}{mechanism_words(cause)}, day {time:g}"
        for g, cause, time in zip(c["group"], c["cause"], c["time"], strict=True)
    ]
    bars = _bars(labels, c["incidence"], limits=(c["lower"], c["upper"]), axis="share of units lost, %")
    draw_bars(bars, ax, title=title, subtitle=subtitle)


def draw_shapes(result: Any, ax: "Axes", *, title: str = "", subtitle: str = "") -> None:
    """Draw the Weibull shape of each mechanism with its limits; a line marks 1, the steady rate."""
    c = result.columns
    labels = [f"{mechanism_words(m)} ({n})" for m, n in zip(c["mechanism"], c["failures"], strict=True)]
    axis = "Weibull shape (under 1 early-life, over 1 wear-out); in brackets: failures"
    bars = _bars(labels, c["shape"], limits=(c["lower"], c["upper"]), axis=axis)
    draw_bars(bars, ax, title=title, subtitle=subtitle)
    ax.axvline(1.0, color="black", linewidth=1.0, linestyle=(0, (4, 3)))


def draw_agreement(result: Any, ax: "Axes", *, title: str = "", subtitle: str = "") -> None:
    """Draw how many units each pair of verdict and suggestion has, the commonest first."""
    table = result.table.sort_values("units", ascending=False, kind="stable").head(8)
    labels = [
        f"{mechanism_words(v)} / {'same' if same else mechanism_words(s)}"
        for v, s, same in zip(table["verdict"], table["suggestion"], table["same"], strict=True)
    ]
    bars = Bars(
        columns={"label": np.array(labels, dtype=object), "value": table["units"].to_numpy(dtype=float)},
        axis="units (verdict of a person / what the signs suggest)",
    )
    draw_bars(bars, ax, title=title, subtitle=subtitle)


def _bars(labels: list[str], value: np.ndarray, *, limits: tuple[np.ndarray, np.ndarray], axis: str) -> Bars:
    columns = {"label": np.array(labels, dtype=object), "value": value, "lower": limits[0], "upper": limits[1]}
    return Bars(columns=columns, axis=axis, percent=axis.endswith("%"))
