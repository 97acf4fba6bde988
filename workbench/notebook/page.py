"""Page: sentences, a table, methods and links as the HTML of one output, every text escaped."""

import math
import unicodedata
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from workbench.templating import rendered
from workbench.wording import percent_text

__all__ = ["SHOWN_ROWS", "page_of", "panel_page", "table_text", "visible_text"]

SHOWN_ROWS = 40
"""A table longer than this is cut when shown; its numbers are stored whole."""
SHOWN_DIGITS = 3
SHARES = ("survival", "incidence", "mission_survival", "probability")
"""Columns of shares; where one stands, its limits are shares too, and all are shown per cent."""
BESIDE = ("lower", "upper", "survival_gain", "second_probability")
HEADINGS = {"label": "what"}
"""Columns that are called otherwise when they are shown."""
FOLDED_ROWS, FOLDED_COLUMNS = 10, 8
"""A table with more rows or columns is folded."""
LONG = 30
"""Characters from which on the cells of a column are broken into lines."""


def page_of(
    *,
    title: str = "",
    answer: str = "",
    sentences: Sequence[str] = (),
    frame: pd.DataFrame | None = None,
    method: str = "",
    caveats: Sequence[str] = (),
    held: Sequence[str] = (),
) -> str:
    """Return an output: what is said, a table folded when long, method and caveats folded, checks that held."""
    parts: Mapping[str, Any] = {
        "title": visible_text(title),
        "answer": visible_text(answer),
        "sentences": [visible_text(sentence) for sentence in sentences if sentence],
        "table": None if frame is None else _table(frame),
        "method": visible_text(method),
        "caveats": [visible_text(caveat) for caveat in caveats],
        "held": [visible_text(statement) for statement in held],
    }
    return rendered("workbench.notebook", "shown.html", **parts).strip()


def panel_page(
    *, sentence: str = "", picture: str = "", alt: str = "", frames: Sequence[pd.DataFrame] = (), hint: bool = False
) -> str:
    """Return what a panel shows: a sentence that is read out, a picture given as base64, tables, and how to run it."""
    parts: Mapping[str, Any] = {
        "sentence": visible_text(sentence),
        "picture": picture,
        "alt": visible_text(alt),
        "tables": [page_of(frame=frame) for frame in frames],
        "hint": hint,
    }
    return rendered("workbench.notebook", "panel.html", **parts).strip()


def _table(frame: pd.DataFrame) -> dict[str, Any]:
    frame = _filled(frame)
    texts, cut = _readable(frame)
    long = [texts[name].str.len().max() > LONG if len(texts) else False for name in texts.columns]
    kinds = [
        ("text long" if wide else "text") if _is_text(frame[name]) else ""
        for name, wide in zip(frame.columns, long, strict=True)
    ]
    folded = len(texts) > FOLDED_ROWS or len(texts.columns) > FOLDED_COLUMNS
    rows = f"{len(frame):,} row{'s' if len(frame) != 1 else ''}"
    return {
        "headings": list(texts.columns),
        "kinds": kinds,
        "rows": list(texts.itertuples(index=False, name=None)),
        "folded": folded,
        "summary": f"Table: {rows} of {', '.join(str(name) for name in list(texts.columns)[:3])}",
        "cut": cut,
    }


def visible_text(value: Any) -> str:
    """Text without control and direction marks, which could make it read as something else."""
    text = str(value)
    if text.isascii() and text.isprintable():
        return text
    return "".join(c for c in text if c in "\n\t" or unicodedata.category(c)[0] != "C")


def _filled(frame: pd.DataFrame) -> pd.DataFrame:
    """A table without the columns in which nothing stands; one without rows keeps its headings."""
    stand = [not len(frame) or any(value not in ("", None) for value in frame[name].tolist()) for name in frame]
    return frame.loc[:, stand] if any(stand) else frame


def _readable(frame: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """A table as texts with headings in words, and what was cut."""
    shares = [name for name in SHARES if name in frame.columns]
    percent = {*shares, *(name for name in BESIDE if name in frame.columns)} if shares else set()
    texts = pd.DataFrame(
        {
            HEADINGS.get(str(name), visible_text(name).replace("_", " ")): [
                _percent(value) if name in percent else _shown(value) for value in frame[name].tolist()
            ]
            for name in frame.columns
        }
    )
    if len(texts) <= SHOWN_ROWS:
        return texts, ""
    return texts.head(SHOWN_ROWS), f"the first {SHOWN_ROWS} of {len(texts)} rows"


def table_text(frame: pd.DataFrame) -> str:
    """A table as plain text."""
    texts, cut = _readable(_filled(frame))
    return str(texts.to_string(index=False)) + (f"\n({cut})" if cut else "")


def _is_text(column: pd.Series) -> bool:
    """Whether a column holds any text, and so stands left."""
    return any(isinstance(value, str) for value in column)


def _percent(value: Any) -> str:
    if not isinstance(value, float | np.floating):
        return _shown(value)
    return percent_text(float(value)) if math.isfinite(value) else "–"


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
        return str(value.date())
    return "–" if value is None or value is pd.NaT else visible_text(value)
