"""Wording: how numbers become words, in one place: counts, shares, days, p values and intervals, rounded with sense."""

import math
from collections.abc import Iterable
from enum import StrEnum

__all__ = [
    "NOT_KNOWN",
    "SUPPORTED_GRADES",
    "Amount",
    "Grade",
    "blank_label",
    "by_number",
    "count_of",
    "days_text",
    "interval_text",
    "join_words",
    "p_text",
    "percent_text",
    "points_text",
    "range_text",
    "round_sense",
    "signed_points",
]


class Grade(StrEnum):
    """How well a comparison is supported; its value is the word that people read."""

    CLEAR = "clear"
    LIKELY = "likely"
    UNCLEAR = "unclear"
    NOT_APART = "cannot be told apart"


SUPPORTED_GRADES = (Grade.CLEAR, Grade.LIKELY)
"""Grades that say something of the difference, the surer first."""

_NOT_RECORDED = "not recorded"
"""The level of a missing value in a model, and the site of a row that names none."""

NOT_KNOWN = "not known"
"""What stands in place of a number that is NaN."""


class Amount(str):
    """A number as text, which knows its digits and its unit; one that is not known has no unit.

    Examples
    --------
    >>> amount = Amount("12", "point", "points")
    >>> amount, amount.number, amount.unit
    ('12 points', '12', 'point')
    """

    number: str
    unit: str

    def __new__(cls, number: str, unit: str = "", shown: str | None = None) -> "Amount":
        """Join a number to its unit, which may be shown in the plural."""
        text = super().__new__(cls, f"{number} {unit if shown is None else shown}".rstrip())
        text.number, text.unit = number, unit
        return text


_UNKNOWN = Amount(NOT_KNOWN)


def blank_label(values: Iterable[object]) -> str:
    """Return what a missing value is called among others: never like one of them.

    Examples
    --------
    >>> blank_label(["bog"]), blank_label(["not recorded"])
    ('not recorded', 'not recorded (blank)')
    """
    taken = {str(value) for value in values}
    label = _NOT_RECORDED
    while label in taken:
        label += " (blank)"
    return label


def round_sense(value: float, digits: int = 2) -> float:
    """Return value rounded to significant digits, NaN unchanged.

    Examples
    --------
    >>> round_sense(0.03456), round_sense(1234.0, 3)
    (0.035, 1230.0)
    """
    if value == 0 or not math.isfinite(value):
        return value
    return round(value, digits - 1 - math.floor(math.log10(abs(value))))


def count_of(number: int, noun: str, plural: str | None = None) -> str:
    """Return '1 unit', '3 units', 'no units'.

    Examples
    --------
    >>> count_of(0, "unit"), count_of(1, "unit"), count_of(3, "battery", "batteries")
    ('no units', '1 unit', '3 batteries')
    """
    if number == 1:
        return f"1 {noun}"
    return f"{'no' if number == 0 else f'{number:,}'} {plural or noun + 's'}"


def by_number(number: int, one: str, many: str) -> str:
    """Return the word that goes with a number: the one of a single thing, or that of several.

    Examples
    --------
    >>> by_number(1, "was", "were"), by_number(0, "was", "were")
    ('was', 'were')
    """
    return one if number == 1 else many


def percent_text(share: float) -> Amount:
    """Return a share as whole per cent, with one decimal under 10 % of either end; 'not known' for NaN.

    Examples
    --------
    >>> percent_text(0.3085), percent_text(0.004), percent_text(1.0), percent_text(float("nan"))
    ('31 %', '0.4 %', '100 %', 'not known')
    """
    if not math.isfinite(share):
        return _UNKNOWN
    digits = 1 if 0 < share < 0.01 or 0.99 < share < 1 or not 0 <= share <= 1 else 0
    return Amount(f"{100 * share:.{digits}f}", "%")


def points_text(difference: float) -> Amount:
    """Return a difference of shares in percentage points with its sign.

    Examples
    --------
    >>> points_text(0.123), points_text(-0.05), points_text(float("nan"))
    ('+12 points', '−5 points', 'not known')
    """
    points = signed_points(difference)
    if points is _UNKNOWN:
        return points
    return Amount(points, "point", "point" if abs(round(100 * difference)) == 1 else "points")


def signed_points(difference: float) -> Amount:
    """Return a difference of shares in percentage points with its sign, the unit left to the sentence.

    Examples
    --------
    >>> signed_points(0.123), signed_points(-0.01), signed_points(0.0), signed_points(float("nan"))
    ('+12', '−1', '±0', 'not known')
    """
    if not math.isfinite(difference):
        return _UNKNOWN
    rounded = round(100 * difference)
    return Amount(f"{'+' if rounded > 0 else '−' if rounded < 0 else '±'}{abs(rounded)}")


def days_text(value: float, unit: str = "days", *, signed: bool = False) -> Amount:
    """Return a time in whole units (one decimal under 10), 'not known' for NaN.

    Examples
    --------
    >>> days_text(141.7), days_text(-3.24, signed=True)
    ('142 days', '−3.2 days')
    """
    if not math.isfinite(value):
        return _UNKNOWN
    text = f"{abs(value):.0f}" if abs(value) >= 10 or value == 0 else f"{abs(value):.1f}"
    sign = "−" if value < 0 else "+" if signed and value > 0 else ""
    return Amount(f"{sign}{text}", unit)


def interval_text(lower: Amount, upper: Amount) -> str:
    """Return 'a to b' of two amounts, naming a unit that they share once.

    Examples
    --------
    >>> interval_text(percent_text(0.12), percent_text(0.31)), interval_text(percent_text(0.12), percent_text(math.nan))
    ('12 to 31 %', '12 % to not known')
    """
    if lower == upper == NOT_KNOWN:
        return NOT_KNOWN
    return f"{lower.number if lower.unit == upper.unit else lower} to {upper}"


def range_text(lower: float, upper: float) -> str:
    """Return 'a to b' of two numbers without unit.

    Examples
    --------
    >>> range_text(38.2, 61.0), range_text(float("nan"), float("nan"))
    ('38 to 61', 'not known')
    """
    low, high = (Amount(f"{value:.0f}") if math.isfinite(value) else _UNKNOWN for value in (lower, upper))
    return interval_text(low, high)


def p_text(p: float) -> str:
    """Return a p value as text with two significant digits at most.

    Examples
    --------
    >>> p_text(0.0321), p_text(0.00004), p_text(float("nan"))
    ('p = 0.032', 'p < 0.001', 'no p value')
    """
    if not math.isfinite(p):
        return "no p value"
    return "p < 0.001" if p < 0.001 else f"p = {round_sense(p):g}"


def join_words(words: list[str] | tuple[str, ...]) -> str:
    """Return words joined as in a sentence.

    Examples
    --------
    >>> join_words(["a", "b", "c"])
    'a, b and c'
    """
    words = list(words)
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)
