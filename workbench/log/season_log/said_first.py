"""Said first: what people must know of a log before they read any number made from it."""

from typing import Any

from workbench.wording import count_of

__all__ = ["said_first"]


def said_first(log: Any) -> tuple[str, ...]:
    """Return the sentences that stand before every answer made from a log or a fleet."""
    aside = log.rows - log.used
    if not aside:
        return ()
    are = "is" if aside == 1 else "are"
    rows = count_of(log.rows, "row")
    return (f"{rows}, of which {aside:,} {are} set aside and count nowhere below ('workbench check' says why).",)
