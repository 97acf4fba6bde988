"""The one wording of errors about bad arguments: each check returns the value or raises with name, rule and value."""

import difflib
import math
from collections.abc import Iterable, Sequence
from numbers import Real
from typing import TYPE_CHECKING, Any

from workbench.errors import UsageError

if TYPE_CHECKING:
    import numpy as np

__all__ = [
    "check_columns",
    "check_confidence",
    "check_one_of",
    "check_positive",
    "check_time_list",
    "check_times",
    "check_whole",
    "did_you_mean",
    "nearest",
]


LONGEST_WORD = 200
"""Characters; longer texts are no misspelt words."""


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return '; did you mean 'x'?' for the nearest known word, or an empty text.

    Examples
    --------
    >>> did_you_mean("lid_seel", ["lid_seal", "vent"])
    "; did you mean 'lid_seal'?"
    """
    near = nearest(word, known)
    return f"; did you mean {near!r}?" if near else ""


def nearest(word: str, known: Iterable[str], *, cutoff: float = 0.6) -> str:
    """Return the nearest known word, "" where none is near.

    Examples
    --------
    >>> nearest("lid_seel", ["lid_seal", "vent"]), nearest("colour", ["vent"])
    ('lid_seal', '')
    """
    if len(str(word)) > LONGEST_WORD:  # comparing takes the square of the length
        return ""
    words = [str(k) for k in known if len(str(k)) <= LONGEST_WORD]
    return next(iter(difflib.get_close_matches(str(word), words, n=1, cutoff=cutoff)), "")


def check_one_of(name: str, value: Any, allowed: Sequence[str]) -> str:
    """Return value when it is one of the allowed words."""
    if not isinstance(value, str) or value not in allowed:
        raise UsageError(
            f"{name} must be one of {', '.join(allowed)}; got {value!r}{did_you_mean(str(value), allowed)}"
        )
    return value


def check_confidence(value: float, name: str = "confidence") -> float:
    """Return value as a float when it lies strictly between 0 and 1."""
    number = _number(name, value)
    if not 0.0 < number < 1.0:
        raise UsageError(f"{name} must lie between 0 and 1, both excluded; got {value!r}")
    return number


def check_positive(name: str, value: float, *, zero: bool = False) -> float:
    """Return value as a finite float above zero (or at zero when allowed)."""
    number = _number(name, value)
    if not math.isfinite(number) or number < 0 or (number == 0 and not zero):
        raise UsageError(f"{name} must be a finite number {'of at least' if zero else 'above'} 0; got {value!r}")
    return number


def check_whole(name: str, value: int, *, least: int = 0) -> int:
    """Return value as an int when it is a whole number of at least `least`."""
    number = _number(name, value)
    if not math.isfinite(number) or number != math.floor(number) or number < least:
        raise UsageError(f"{name} must be a whole number of at least {least}; got {value!r}")
    return int(number)


def check_times(times: Any) -> "np.ndarray":
    """Return times as numbers of at least 0, in the shape in which they came."""
    import numpy as np

    try:
        wanted = np.asarray(times, dtype=float)
    except (TypeError, ValueError):
        raise UsageError(f"times must be numbers of at least 0; got {times!r}") from None
    bad = ~(wanted >= 0)
    if bad.any():
        raise UsageError(f"times must be numbers of at least 0; got {wanted[bad].flat[0]:g}")
    return wanted


def check_time_list(times: Any) -> "np.ndarray":
    """Return one time or a list of times as a list.

    Shapes: returns (m,).
    """
    import numpy as np

    wanted = np.atleast_1d(check_times(times))
    if wanted.ndim != 1:
        raise UsageError(f"times must be one number or a list of numbers; got {wanted.ndim} dimensions")
    return wanted


def check_columns(names: Sequence[str], available: Iterable[str], what: str = "column") -> list[str]:
    """Return names as a list when every one is available."""
    if not isinstance(names, str) and not isinstance(names, Iterable):
        raise UsageError(f"{what} must be named by a text, or several by a list of texts; got {names!r}")
    wanted = [names] if isinstance(names, str) else list(names)
    known = [str(a) for a in available]
    for name in wanted:
        if name not in known:
            listed = ", ".join(known) if known else "none"
            raise UsageError(f"unknown {what} {name!r}{did_you_mean(str(name), known)} (there are: {listed})")
    return wanted


def _number(name: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, Real):
        raise UsageError(f"{name} must be a number; got {value!r}")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if math.isnan(number):
        raise UsageError(f"{name} must be a number; got NaN")
    return number
