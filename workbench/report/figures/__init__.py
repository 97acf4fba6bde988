"""How is each result drawn?"""

from workbench.report.figures.dots import Dots
from workbench.report.figures.drawing import DRAWN_BY, draw
from workbench.report.figures.palette import ACCENT, CAUTION, CAUTION_PAPER, INK, MUTED, PANEL, PAPER, page_colours
from workbench.report.figures.photographs import Photographs
from workbench.report.figures.stacks import Places, Stacks, part_colour
from workbench.report.figures.style import figure_jpeg, figure_png, level_words, new_axes, theme
from workbench.report.figures.timeline import Timeline

__all__ = [
    "ACCENT",
    "CAUTION",
    "CAUTION_PAPER",
    "DRAWN_BY",
    "INK",
    "MUTED",
    "PANEL",
    "PAPER",
    "Dots",
    "Photographs",
    "Places",
    "Stacks",
    "Timeline",
    "draw",
    "figure_jpeg",
    "figure_png",
    "level_words",
    "new_axes",
    "page_colours",
    "part_colour",
    "theme",
]
