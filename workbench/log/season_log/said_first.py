"""Said first: what people must know of a log before they read any number made from it."""

from collections import Counter
from typing import Any

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
    counts = Counter(end for end, _ in getattr(log, "unsaid_ends", ()))
    lopsided = {"failed": "shares that lasted may be too high", "working": "shares that lasted may be too low"}
    return tuple(
        f"{count_of(number, 'row')} set aside {'is' if number == 1 else 'are'} filled like the {end} ones; until the "
        f"outcome is written, {lopsided.get(end, 'shares may be off')}."
        for end, number in counts.items()
    )
