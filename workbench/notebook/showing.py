"""show: an answer as sentence, picture and table in a notebook, with the numbers behind it stored beside the output."""

import base64
import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from workbench.notebook.page import page_of, table_text, visible_text
from workbench.notebook.publishing import publish
from workbench.report.basis import Finding
from workbench.report.figures import DRAWN_BY, draw
from workbench.report.words import first_sentence
from workbench.results import Result

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Answers", "mimebundle", "numbers_of", "picture_of", "show", "show_results_by_themselves"]

STORED_DIGITS = 10


class Answers(dict[str, Finding]):
    """Findings by their ids, shown by name; a season that cannot answer says so in place of a picture."""

    def __init__(self, findings: Sequence[Finding]) -> None:
        super().__init__({finding.id: finding for finding in findings})

    def graded(self, *grades: str) -> list[str]:
        """Return the ids of comparisons with these grades, the first of the ranking first."""
        return [name for name, finding in self.items() if finding.kind == "difference" and finding.grade in grades]

    @property
    def first(self) -> Finding:
        """The finding that stands first."""
        return next(iter(self.values()))

    def show(self, *names: str) -> None:
        """Show findings by their ids, those that the season has."""
        found = [self[name] for name in names if name in self]
        for finding in found:
            show(finding)
        if not found:
            why = [f.statement for f in self.values() if f.kind in ("not known", "plan")][:1]
            publish(*mimebundle(sentences=["This log cannot answer that.", *why]))


def show(
    result: Any = None,
    *,
    title: str = "",
    table: pd.DataFrame | None = None,
    figure: "Figure | bool" = True,
    sentences: Sequence[str] = (),
    tolerance: float = 1e-6,
) -> None:
    """Show a finding or result as sentences, figure and table, and store the numbers behind it with the output."""
    if isinstance(result, Finding):
        _show_finding(result, tolerance)
        return
    drawing = _drawing(result, figure)
    notes = [n for n in result.notes if n not in sentences] if isinstance(result, Result) else ()
    if drawing is not None:
        if title or sentences:
            said, _ = mimebundle(title=title, sentences=sentences or [""])
            publish(
                said | {"text/html": page_of(title=title, answer="".join(sentences[:1]), sentences=sentences[1:])}, {}
            )
        own = {} if isinstance(result, Result) else {"tables": _data_of(drawing)}
        data, alt = _picture(drawing, title or " ".join([*sentences, *notes][:1]) or "Figure of the result")
        stored = {"workbench": {"name": title or "picture", "tolerance": tolerance, **own}} if own else {}
        publish(data, {**alt, **stored})
        title, sentences, name = "", (), title
    else:
        name = title
    if isinstance(result, Result) or table is not None or sentences or title:
        publish(
            *mimebundle(
                result, title=title, name=name, table=table, sentences=sentences, notes=notes, tolerance=tolerance
            )
        )


def _show_finding(finding: Finding, tolerance: float) -> None:
    answer, rest = first_sentence(finding.statement)
    conclusion = {"id": finding.id, "statement": finding.statement, "grade": finding.grade or ""}
    said = page_of(answer=answer, sentences=[rest] if rest else [])
    publish({"text/plain": visible_text(finding.statement), "text/html": said}, {"workbench": {"finding": conclusion}})
    drawn = finding.figure
    result = None if drawn is None or isinstance(drawn.result, bytes) else drawn.result
    figure = None if drawn is None or result is None else draw(result, **drawn.options).get_figure(root=True)
    if drawn is not None and figure is not None:
        publish(*_picture(figure, drawn.alt))
    shown = None if finding.table is None else pd.DataFrame({k: list(v) for k, v in finding.table.items()})
    figures = {name: [getattr(finding, name)] for name in ("estimate", "lower", "upper", "units", "failures")}
    behind = [pd.DataFrame(figures), *([result.table] if isinstance(result, Result) else [])]
    tables = [numbers_of(frame) for frame in ([] if shown is None else [shown]) + behind]
    plain = [table_text(shown)] if shown is not None else []
    plain += [visible_text(text) for text in (*finding.caveats, f"Method: {finding.method}")]
    html = page_of(frame=shown, method=finding.method, caveats=finding.caveats)
    stored = {"name": finding.id, "tolerance": tolerance, "tables": tables}
    publish({"text/plain": "\n".join(plain), "text/html": html}, {"workbench": stored})


def show_results_by_themselves() -> None:
    """Make every result show itself when it ends a cell of the running notebook."""
    import sys

    def bundle(result: Result, **_: Any) -> tuple[dict[str, Any], dict[str, Any]]:
        drawing = _drawing(result, True)
        if drawing is not None:
            publish(*_picture(drawing, " ".join(result.notes[:1]) or "Figure of the result"))
        return mimebundle(result, notes=result.notes)

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
    notes: Sequence[str] = (),
    tolerance: float = 1e-6,
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return what a notebook stores of sentences and a table, with the numbers as metadata; notes are folded."""
    whole = result.table if isinstance(result, Result) else None
    shown = whole if table is None else table
    if shown is None and not sentences:
        raise ValueError("there is nothing to show: give a result, a table, a figure or sentences")
    plain = [visible_text(text) for text in (title, *sentences) if text]
    plain += [table_text(shown)] if shown is not None else []
    plain += [visible_text(note) for note in notes]
    html = page_of(title=title, sentences=sentences, frame=shown, caveats=notes)
    numbers: dict[str, Any] = {}
    if shown is not None:
        tables = [numbers_of(frame) for frame in (table, whole) if frame is not None]
        stored = {
            "name": title or name or ("table" if result is None else type(result).__name__),
            "tolerance": tolerance,
            "tables": tables,
        }
        numbers = {"workbench": stored}
    return {"text/plain": "\n".join(plain), "text/html": html}, numbers


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


def _drawing(result: Any, figure: "Figure | bool", **options: Any) -> "Figure | None":
    if not isinstance(figure, bool):
        return figure
    if not figure or type(result).__name__ not in DRAWN_BY:
        return None
    return draw(result, **options).get_figure(root=True)


def _data_of(figure: "Figure") -> list[dict[str, list[Any]]]:
    """What a picture of one's own shows: the points of its lines and dots, and the corners of its bars."""
    points = [
        np.asarray(drawn, dtype=float).reshape(-1, 2)
        for ax in figure.axes
        for drawn in (
            *(line.get_xydata() for line in ax.lines),
            *(dots.get_offsets() for dots in ax.collections),
            *(bar.get_extents().get_points() for bar in ax.patches),
        )
    ]
    return [numbers_of(pd.DataFrame(found, columns=["x", "y"])) for found in points if found.size]


def _picture(figure: "Figure", description: str) -> tuple[dict[str, Any], dict[str, Any]]:
    return {"text/plain": f"Figure: {description}", "image/png": _png(figure)}, {"image/png": {"alt": description}}


def _png(figure: "Figure") -> str:
    import matplotlib.pyplot as plt

    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=110, bbox_inches="tight", metadata={"Software": None})
    plt.close(figure)
    return base64.b64encode(buffer.getvalue()).decode("ascii")


def picture_of(result: Any, **options: Any) -> str:
    """Return a result's figure as base64 of a PNG."""
    drawing = _drawing(result, True, **options)
    return "" if drawing is None else _png(drawing)
