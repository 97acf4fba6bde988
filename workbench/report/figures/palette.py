"""Which colours, line styles and markers does everything that is drawn, shown or printed share?"""

from collections.abc import Mapping
from types import MappingProxyType

__all__ = [
    "ACCENT",
    "CAUTION",
    "CAUTION_PAPER",
    "FAILED",
    "INK",
    "LINES",
    "LOST",
    "MARKERS",
    "MUTED",
    "OUTCOME_COLOURS",
    "PALETTE",
    "PANEL",
    "PAPER",
    "RULE",
    "TAKEN_OUT",
    "WORKING",
    "page_colours",
]

INK = "#1f2933"
"""Text and axes."""
MUTED = "#59636e"
"""Second-rank text; 6:1 on white."""
ACCENT, PAPER, PANEL, RULE = "#14505c", "#fdfcf9", "#f1efe8", "#cfcabb"
"""Headings and bars of the deck, its paper, a shaded panel and thin lines."""
CAUTION, CAUTION_PAPER = "#7a3e00", "#fff4e0"
FAILED, WORKING, LOST, TAKEN_OUT = "#D55E00", "#0072B2", "#6b6b6b", "#c9ced3"
"""Ends of units: vermillion, blue and two greys, apart in grey print by lightness, hatch or line style too."""
OUTCOME_COLOURS: Mapping[str, str] = MappingProxyType(
    {"failed": FAILED, "missing": LOST, "withdrawn": TAKEN_OUT, "working": WORKING}
)
PALETTE = ("#000000", "#E69F00", "#56B4E9", "#009E73", "#0072B2", "#D55E00", "#CC79A7", "#B3A100")
"""Okabe-Ito in their order, the yellow last and darkened, since it cannot be seen as a line on white."""
LINES = (
    "-",
    (0, (6, 2)),
    (0, (2, 1.5)),
    (0, (7, 2, 1.5, 2)),
    (0, (4, 1, 1, 1, 1, 1)),
    (0, (9, 3)),
    (0, (1, 1)),
    (0, (3, 3)),
)
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")


def page_colours() -> dict[str, str]:
    """Return the colours of pages by the names that their style sheets use."""
    return {
        "ink": INK,
        "muted": MUTED,
        "paper": PAPER,
        "panel": PANEL,
        "line": RULE,
        "accent": ACCENT,
        "on-accent": "#ffffff",
        "caution": CAUTION,
        "caution-paper": CAUTION_PAPER,
    }
