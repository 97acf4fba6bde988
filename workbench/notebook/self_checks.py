"""check: a statement that a notebook cell makes about its own numbers, and that fails the notebook when it is false."""

import numpy as np

from workbench.errors import WorkbenchError
from workbench.notebook.page import page_of
from workbench.notebook.publishing import publish

__all__ = ["CheckFailed", "CheckList", "check"]


class CheckFailed(WorkbenchError):
    """A statement in a notebook that turned out to be false."""


class CheckList:
    """Statements that a notebook made about its own numbers; each held, or the notebook stopped there."""

    def __init__(self) -> None:
        self.held: list[str] = []

    def __call__(self, statement: str, holds: bool, *, detail: str = "") -> None:
        """State something that must hold, as `check` does, and show it with the others at the end."""
        _require(statement, holds, detail)
        self.held.append(statement)

    def show(self) -> None:
        """Show how many checks held in one line, each statement on a click."""
        count = len(self.held)
        text = "\n".join([f"{count} of {count} checks hold.", *(f"  {statement}" for statement in self.held)])
        html = page_of(held=self.held, sentences=[] if count else ["Nothing was checked."])
        publish({"text/plain": text, "text/html": html}, {"workbench": {"checks": list(self.held)}})


def check(statement: str, holds: bool, *, detail: str = "") -> None:
    """State something that must hold, and stop the notebook when it does not.

    Parameters
    ----------
    statement : str
        A plain sentence without its full stop, such as "rows used and rows set aside add up to the rows read".
    holds : bool
        Whether it holds; only a true or false value is taken, so that a check cannot pass by accident.
    detail : str
        Added to the error when it does not hold.

    Raises
    ------
    CheckFailed
        If it does not hold.
    TypeError
        If `holds` is neither True nor False.

    Examples
    --------
    >>> check("two and two make four", 2 + 2 == 4)
    Checked: two and two make four.
    """
    _require(statement, holds, detail)
    publish({"text/plain": f"Checked: {statement}."}, {"workbench": {"check": statement}})


def _require(statement: str, holds: bool, detail: str) -> None:
    if not isinstance(holds, bool | np.bool_):
        raise TypeError(f"check needs True or False, got {type(holds).__name__}; compare the value with something")
    if not holds:
        raise CheckFailed(f"does not hold: {statement}" + (f" ({detail})" if detail else ""))
