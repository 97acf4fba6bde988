"""Photographs: pictures from the bench side by side, each with its caption under it."""

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

from workbench.report.figures.palette import MUTED
from workbench.report.figures.style import figure_text
from workbench.results import Result

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Photographs", "draw_photographs"]

_GAP, _CAPTION = 0.04, 0.24
"""Shares of the figure's width between pictures, and of its height for the captions."""
_PER_INCH = 10
"""Letters of a caption that surely fit an inch."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Photographs(Result):
    """Pictures in their order; `columns`: caption.

    Attributes
    ----------
    pictures : tuple of bytes
        As JPEG without metadata, one per caption.
    """

    pictures: tuple[bytes, ...]


def draw_photographs(result: Photographs, ax: "Axes") -> None:
    """Draw each picture whole, scaled into its part of the width, over its caption."""
    from PIL import Image

    ax.set_axis_off()
    number = len(result.pictures)
    width, height = (float(v) for v in ax.get_figure(root=True).get_size_inches())  # type: ignore[union-attr]
    part = (1 - _GAP * (number - 1)) / number
    for place, (data, caption) in enumerate(zip(result.pictures, result.columns["caption"], strict=True)):
        picture = Image.open(io.BytesIO(data))
        scale = min(part * width / picture.width, (1 - _CAPTION) * height / picture.height)
        across, down = scale * picture.width / width, scale * picture.height / height
        left = place * (part + _GAP)
        frame = ax.inset_axes((left, 1 - down, across, down))
        frame.imshow(picture, aspect="auto")
        frame.set_axis_off()
        text = figure_text(caption, width=int(_PER_INCH * part * width), lines=4)
        said = ax.text(left, 1 - down - 0.02, text, transform=ax.transAxes, ha="left", va="top", color=MUTED)
        said.set_in_layout(False)  # else words would make the pictures smaller
