"""show: a result as sentence, figure and table in a notebook, with the numbers behind them stored beside the output."""

import base64
import html
import io
import unicodedata
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from workbench.notebook.publishing import publish
from workbench.report.figures import DRAWN_BY, draw
from workbench.results import Result

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["mimebundle", "numbers_of", "picture_of", "show", "show_results_by_themselves"]

SHOWN_ROWS = 40
"""A table longer than this is cut when shown; its numbers are stored whole."""

SHOWN_DIGITS = 3
STORED_DIGITS = 10

TABLE_STYLE = (
    "<style>table.shown{border-collapse:collapse;font-size:90%}table.shown td,table.shown th"
    "{padding:.25em .7em;text-align:right;vertical-align:top;border-bottom:1px solid #ccc}"
    "table.shown .text{text-align:left;max-width:26em;overflow-wrap:anywhere}</style>"
)


def show(
    result: Any = None,
    *,
    title: str = "",
    table: pd.DataFrame | None = None,
    figure: "Figure | bool" = True,
    sentences: Sequence[str] = (),
    tolerance: float = 1e-6,
) -> None:
    """Show a result as sentences, figure and table, and store the numbers behind it with the output."""
    drawing = _drawing(result, figure)
    said = [*sentences, *(result.notes if isinstance(result, Result) else ())]
    if drawing is None:
        publish(*mimebundle(result, title=title, table=table, sentences=said, tolerance=tolerance))
        return
    if title or said:
        publish(*mimebundle(title=title, sentences=said or [""]))
    publish(*_picture(drawing, title or " ".join(said[:1]) or "Figure of the result"))
    if isinstance(result, Result) or table is not None:
        publish(*mimebundle(result, name=title, table=table, tolerance=tolerance))


def show_results_by_themselves() -> None:
    """Make every result show itself when it ends a cell of the running notebook."""
    import sys

    def bundle(result: Result, **_: Any) -> tuple[dict[str, Any], dict[str, Any]]:
        drawing = _drawing(result, True)
        if drawing is not None:
            publish(*_picture(drawing, " ".join(result.notes[:1]) or "Figure of the result"))
        return mimebundle(result, sentences=result.notes)

    shell = sys.modules["IPython"].get_ipython() if "IPython" in sys.modules else None
    if shell is not None:
        shell.display_formatter.mimebundle_formatter.for_type(Result, bundle)


def mimebundle(
    result: Any = None,
    *,
    title: str = "",
    name: str = "",
    table: pd.DataFrame | None = None,
    sentences: Sequence[str] = (),
    tolerance: float = 1e-6,
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return what a notebook stores of sentences and a table, with the numbers as metadata."""
    whole = result.table if isinstance(result, Result) else None
    shown = whole if table is None else table
    if shown is None and not sentences:
        raise ValueError("there is nothing to show: give a result, a table, a figure or sentences")
    title, sentences = _visible(title), [_visible(sentence) for sentence in sentences]
    plain = [t for t in (title, *sentences) if t] + ([_table_text(shown)] if shown is not None else [])
    rich = [f"<h4>{html.escape(title)}</h4>"] if title else []
    rich += [f"<p>{html.escape(sentence)}</p>" for sentence in sentences if sentence]
    if shown is None:
        return {"text/plain": "\n".join(plain), "text/html": "\n".join(rich)}, {}
    rich.append(_table_html(shown))
    numbers = {"name": title or name or type(result).__name__, "tolerance": tolerance}
    numbers |= {"tables": [numbers_of(frame) for frame in (table, whole) if frame is not None]}
    return {"text/plain": "\n".join(plain), "text/html": "\n".join(rich)}, {"workbench": numbers}


def numbers_of(frame: pd.DataFrame) -> dict[str, list[Any]]:
    """Return a table as lists that JSON can hold, for comparing later."""
    return {str(name): [_stored(value) for value in frame[name].tolist()] for name in frame.columns}


def _stored(value: Any) -> Any:
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(f"{float(value):.{STORED_DIGITS}g}") if np.isfinite(value) else None
    return None if value is None or value is pd.NaT else str(value)


def _drawing(result: Any, figure: "Figure | bool") -> "Figure | None":
    if not isinstance(figure, bool):
        return figure
    if not figure or type(result).__name__ not in DRAWN_BY:
        return None
    return draw(result).get_figure(root=True)


def _picture(figure: "Figure", description: str) -> tuple[dict[str, Any], dict[str, Any]]:
    return {"text/plain": f"Figure: {description}", "image/png": _png(figure)}, {"image/png": {"alt": description}}


def _png(figure: "Figure") -> str:
    import matplotlib.pyplot as plt

    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=110, bbox_inches="tight", metadata={"Software": None})
    plt.close(figure)
    return base64.b64encode(buffer.getvalue()).decode("ascii")


def picture_of(result: Any) -> str:
    """Return a result's figure as base64 of a PNG."""
    drawing = _drawing(result, True)
    return "" if drawing is None else _png(drawing)


def _shown(value: Any) -> str:
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, float | np.floating):
        if not np.isfinite(value):
            return "–" if np.isnan(value) else "no end"
        number = float(value)
        if number.is_integer() and abs(number) < 1e6:
            return f"{number:.0f}"
        return f"{number:.{SHOWN_DIGITS}g}" if abs(number) < 1000 else f"{number:.0f}"
    if isinstance(value, pd.Timestamp):
        return str(value.date().isoformat())
    return "–" if value is None or value is pd.NaT else _visible(str(value))


def _visible(text: str) -> str:
    """Text without control and direction marks, which could make it read as something else."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(c for c in text if c in "\n\t" or unicodedata.category(c)[0] != "C")


def _cut(frame: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    texts = pd.DataFrame({_visible(str(c)): [_shown(v) for v in frame[c].tolist()] for c in frame.columns})
    if len(texts) <= SHOWN_ROWS:
        return texts, ""
    return texts.head(SHOWN_ROWS), f"the first {SHOWN_ROWS} of {len(texts)} rows"


def _table_text(frame: pd.DataFrame) -> str:
    texts, cut = _cut(frame)
    return str(texts.to_string(index=False) + (f"\n({cut})" if cut else ""))


def _table_html(frame: pd.DataFrame) -> str:
    texts, cut = _cut(frame)
    kinds = [' class="text"' if _is_text(frame[name]) else "" for name in frame.columns]
    head = "".join(f"<th{k}>{html.escape(str(name))}</th>" for k, name in zip(kinds, texts.columns, strict=True))
    rows = (
        "<tr>" + "".join(f"<td{k}>{html.escape(cell)}</td>" for k, cell in zip(kinds, row, strict=True)) + "</tr>"
        for row in texts.itertuples(index=False, name=None)
    )
    body = "".join(rows)
    note = f"<p>({cut})</p>" if cut else ""
    return f'{TABLE_STYLE}<table class="shown"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>{note}'


def _is_text(column: pd.Series) -> bool:
    return any(isinstance(value, str) for value in column)
