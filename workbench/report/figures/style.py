"""Style: the one look of all figures: theme, colours with line styles and markers, text that a figure can hold."""

import io
import math
import textwrap
import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from workbench.report.figures.palette import INK, LINES, MARKERS, MUTED, PALETTE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from PIL import Image

__all__ = [
    "LevelLook",
    "figure_jpeg",
    "figure_png",
    "figure_text",
    "level_words",
    "looks_of",
    "new_axes",
    "small_multiples",
    "theme",
]


@dataclass(frozen=True)
class LevelLook:
    """How a level is drawn in every figure: colour, line style and marker, so that it is told apart in grey too."""

    colour: str
    line: Any
    marker: str


def looks_of(levels: Sequence[str]) -> dict[str, LevelLook]:
    """Return the fixed look of each level of one choice, whatever order the levels come in.

    Examples
    --------
    >>> looks_of(["o_ring", "cord"])["cord"] == looks_of(["cord", "o_ring"])["cord"]
    True
    """
    looks = {}
    for place, level in enumerate(sorted(set(levels))):
        turn = place // len(PALETTE)
        looks[level] = LevelLook(
            colour=PALETTE[place % len(PALETTE)],
            line=LINES[(place + turn) % len(LINES)],
            marker=MARKERS[(place + turn) % len(MARKERS)],
        )
    return looks


def level_words(level: str) -> str:
    """Return the name of a column or level as words."""
    return str(level).replace("_", " ")


@lru_cache(maxsize=1)
def _glyphs() -> frozenset[int]:
    from matplotlib.font_manager import FontProperties, findfont, get_font

    return frozenset(get_font(findfont(FontProperties(family="DejaVu Sans"))).get_charmap())


def figure_text(text: str, *, width: int = 28, lines: int = 2) -> str:
    """Return a text that a figure can hold: control marks dropped, unknown signs as a box, wrapped and cut."""
    kept = "".join(
        " " if c.isspace() else c
        for c in str(text)
        if c.isspace() or unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Mn")
    )
    drawable = "".join(c if ord(c) in _glyphs() else "\u25a1" for c in kept)
    wrapped = textwrap.wrap(drawable, width, break_on_hyphens=False)
    if len(wrapped) > lines:
        wrapped = [*wrapped[: lines - 1], wrapped[lines - 1][: width - 1].rstrip() + "…"]
    return "\n".join(wrapped) or "?"


@contextmanager
def theme() -> Iterator[None]:
    """Draw inside the house theme; nothing outside the block is changed."""
    import matplotlib

    own = _house_theme()
    if all(matplotlib.rcParams[name] == value for name, value in own.items()):
        yield  # within another such block: entering it takes as long as a dozen labels
        return
    with matplotlib.rc_context(own):
        yield


@lru_cache(maxsize=1)
def _house_theme() -> Any:
    """The settings of the theme as matplotlib keeps them."""
    import matplotlib
    import seaborn

    own: dict[str, Any] = {
        "font.family": "DejaVu Sans",
        "font.size": 11.5,
        "axes.labelsize": 11.5,
        "axes.titlesize": 13,
        "xtick.labelsize": 10.5,
        "ytick.labelsize": 10.5,
        "text.color": INK,
        "axes.labelcolor": INK,
        "axes.edgecolor": MUTED,
        "xtick.color": INK,
        "ytick.color": INK,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.grid": True,
        "axes.axisbelow": True,
        "grid.color": "#e4e7eb",
        "grid.linewidth": 0.8,
        "lines.linewidth": 2.2,
        "text.parse_math": False,
        "axes.unicode_minus": True,
        "svg.hashsalt": "workbench",
    }
    return matplotlib.RcParams({**seaborn.axes_style("ticks"), **own})


def new_axes(width: float = 9.0, height: float = 4.9, *, shown: bool = False) -> "Axes":
    """Return empty axes on a figure of their own, laid out so that labels outside the axes fit."""
    if shown:
        from matplotlib import pyplot

        return pyplot.subplots(figsize=(width, height), layout="constrained")[1]
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    return figure.add_subplot()


def small_multiples(ax: "Axes", names: Sequence[str]) -> "list[Axes]":
    """Return small axes in rows inside the given ones, each under its name; the frame of the given ones gives way.

    Only the outer small axes keep words on their ticks; what the axes mean is written on the given ones.
    """
    columns = math.ceil(math.sqrt(len(names)))
    rows = math.ceil(len(names) / columns)
    across, down = 1 / columns, 1 / rows
    ax.set(xticks=[], yticks=[])
    ax.grid(visible=False)
    ax.spines[:].set_visible(False)
    ax.xaxis.labelpad, ax.yaxis.labelpad = 18, 30
    small = []
    for place, name in enumerate(names):
        row, column = divmod(place, columns)
        box = (column * across + 0.01, 1 - (row + 1) * down + 0.01, across - 0.03, down - 0.09)
        panel = ax.inset_axes(box)
        panel.set_title(figure_text(name, width=26, lines=1), loc="left", fontsize=10, color=INK, pad=3)
        panel.tick_params(labelbottom=place + columns >= len(names), labelleft=column == 0, labelsize=9)
        small.append(panel)
    return small


def figure_png(figure: "Figure", *, dpi: int = 200) -> bytes:
    """Return a figure as PNG without any stamp, the same bytes for the same figure."""
    from PIL import Image

    target = io.BytesIO()
    # few colours are in use; a palette keeps decks small enough to send
    _drawn(figure, dpi).quantize(256, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE).save(
        target, format="png", dpi=(dpi, dpi)
    )
    return target.getvalue()


def figure_jpeg(figure: "Figure", *, dpi: int = 200) -> bytes:
    """Return a figure that holds photographs as JPEG without any metadata, the same bytes for the same figure."""
    target = io.BytesIO()
    _drawn(figure, dpi).save(target, format="jpeg", quality=88, dpi=(dpi, dpi))
    return target.getvalue()


def _drawn(figure: "Figure", dpi: int) -> "Image.Image":
    """Draw a figure once: saving would draw twice to find the layout."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    figure.set_dpi(dpi)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    picture = Image.frombuffer("RGBA", canvas.get_width_height(), canvas.buffer_rgba(), "raw", "RGBA", 0, 1)
    return picture.convert("RGB")
