"""How is each result drawn?"""

from workbench.report.figures.bars import Bars
from workbench.report.figures.drawing import DRAWN_BY, draw
from workbench.report.figures.style import INK, MUTED, figure_png, level_words, new_axes, theme
from workbench.report.figures.timeline import Timeline

__all__ = ["DRAWN_BY", "INK", "MUTED", "Bars", "Timeline", "draw", "figure_png", "level_words", "new_axes", "theme"]
