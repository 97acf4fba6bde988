"""Said first: what people must know of a log before they read any number made from it."""

from typing import Any

from workbench.wording import count_of

__all__ = ["said_first"]


def said_first(log: Any) -> tuple[str, ...]:
    """Return the sentences that stand before every answer made from a log or a fleet."""
    aside = log.rows - log.used
    if not aside:
        return ()
    rows = count_of(log.rows, "row")
    are = "is" if aside == 1 else "are"
    return (f"{aside:,} of {rows} {are} set aside and not counted below ('workbench check' says why).",)
