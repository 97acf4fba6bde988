"""Said first: what people must know of a log before they read any number made from it."""

from typing import Any

from workbench.log.rules import is_unsaid_outcome
from workbench.wording import count_of

__all__ = ["coloured_aside", "said_first"]


def said_first(log: Any) -> tuple[str, ...]:
    """Return the sentences that stand before every answer made from a log or a fleet."""
    aside = log.rows - log.used
    if not aside:
        return ()
    rows = count_of(log.rows, "row")
    are = "is" if aside == 1 else "are"
    first = f"{aside:,} of {rows} {are} set aside and not counted below ('workbench check' says why)."
    return (first, *coloured_aside(log))


def coloured_aside(log: Any) -> tuple[str, ...]:
    """Return what rows without an outcome, filled like those of one outcome, do to every share; () without such."""
    coloured = [mark for mark in getattr(log, "marks", ()) if is_unsaid_outcome(mark)]
    if not coloured:
        return ()
    rows = "1 row set aside is" if len(coloured) == 1 else f"{len(coloured)} rows set aside are"
    like = coloured[0].partition("filled like ")[2].partition(" row")[0].split()[-1]
    lopsided = {"failed": "shares that lasted may be too high", "working": "shares that lasted may be too low"}
    return (
        f"{rows} filled like the {like} ones; until the outcome is written, {lopsided.get(like, 'shares may be off')}.",
    )
