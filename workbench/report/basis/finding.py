"""Finding: one claim with its estimate, interval, counts, method and caveats; the only source of what people read."""

import itertools
import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from workbench.errors import WorkbenchError
from workbench.report.words import MOST_HEADLINE_WORDS
from workbench.wording import Grade

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "GRADES",
    "JSON_FIELDS",
    "SECTIONS",
    "Drawing",
    "Finding",
    "claims_table",
    "findings_from_json",
    "in_slide_order",
    "shown_cell",
]

SECTIONS: Mapping[str, str] = MappingProxyType(
    {
        "talk": "The talk",
        "outcome": "What was out and what came back",
        "ends": "What ended units",
        "life": "Life by protection choice",
        "ranking": "What goes with longer life",
        "apart": "What could not be told apart",
        "mechanism": "Mechanisms and their evidence",
        "previous": "Did last season's action work",
        "plan": "Next season",
        "decisions": "Decisions asked",
        "appendix": "Appendix",
    }
)
"""Sections of the review, in the order in which they are shown, with their headings."""

GRADES = tuple(Grade)
"""How far a comparison can be relied on."""

JSON_FIELDS = (
    "id",
    "kind",
    "headline",
    "say",
    "statement",
    "estimate",
    "lower",
    "upper",
    "confidence",
    "unit",
    "units",
    "failures",
    "method",
    "grade",
    "caveats",
)
"""What stands in findings.json for each finding, in this order."""

LATER_FIELDS = ("headline", "say")
"""Not in the files of earlier versions; empty when read from these."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Drawing:
    """What a finding's figure shows: a result that `workbench.draw` knows, and the words for those who cannot see it.

    Attributes
    ----------
    result : Result, or bytes
        Drawn by its class; bytes are a finished PNG picture.
    alt : str
        What the picture shows, in a sentence or two; never a file name.
    caption : str
        One sentence under the picture; numbers in it must stand in the finding too.
    options : mapping
        Keyword arguments of the drawing function, such as mission=180.
    """

    result: Any
    alt: str
    caption: str = ""
    options: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if len(self.alt.split()) < 3 or re.fullmatch(r"\S+\.(png|jpe?g|svg)", self.alt.strip(), re.IGNORECASE):
            raise WorkbenchError(f"alt must say what the picture shows in words; got {self.alt!r}")


@dataclass(frozen=True, kw_only=True, eq=False)
class Finding:
    """One claim as it is shown on one slide and kept in findings.json.

    Attributes
    ----------
    id : str
        Lower-case letters, digits, '.', '-', '_' and '/'; unique in a review.
    kind : str
        What sort of claim it is, such as "count", "share", "difference", "rank", "plan", "check".
    headline : str
        The claim in at most 14 plain words; empty for what stands on no slide.
    say : str
        Two or three sentences to be spoken; the statement where nothing else is given.
    statement : str
        One plain sentence or two, with estimate, limits and counts.
    estimate, lower, upper : float or None
        A share is a fraction; NaN is kept as None.
    confidence : float or None
        Level of the interval.
    unit : str or None
        Such as "share", "days", "units".
    units, failures : int or None
        Counts behind it; None when it is not about units.
    method : str
        One or two sentences.
    grade : str or None
        One of `GRADES` for a comparison.
    caveats : tuple of str
        Sentences shown on the slide.
    figure : Drawing or None
        What to draw.
    table : mapping of heading to cells, or None
        Columns of equal length, as shown; each row becomes a finding of kind "row" in findings.json.
    section : str
        One of `SECTIONS`.
    order : float
        Place within the section.
    on_slide : bool
        False for a claim that only findings.json and other findings use.
    points : tuple of str
        What stands beside the picture of a talk slide.
    behind : tuple of str
        Ids of the findings that a talk slide rests on.
    held_equal : tuple of str
        What an estimate holds equal, as shown; empty for a plain one.
    facts : mapping of str to str
        Meaning of each number shown and the number as shown, so that one review never gives two for one meaning.
    """

    id: str
    kind: str
    statement: str
    method: str
    section: str
    estimate: float | None = None
    lower: float | None = None
    upper: float | None = None
    confidence: float | None = None
    unit: str | None = None
    units: int | None = None
    failures: int | None = None
    grade: str | None = None
    caveats: tuple[str, ...] = ()
    figure: Drawing | None = None
    table: Mapping[str, Sequence[Any]] | None = None
    order: float = 0.0
    on_slide: bool = True
    headline: str = ""
    say: str = ""
    points: tuple[str, ...] = ()
    behind: tuple[str, ...] = ()
    held_equal: tuple[str, ...] = ()
    facts: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("estimate", "lower", "upper", "confidence"):
            object.__setattr__(self, name, _number(getattr(self, name)))
        for name in ("units", "failures"):
            value = getattr(self, name)
            object.__setattr__(self, name, None if value is None else int(value))
        object.__setattr__(self, "caveats", tuple(str(c) for c in self.caveats))
        object.__setattr__(self, "say", self.say or self.statement)
        if self.table is not None:
            columns = {str(k): tuple(shown_cell(v) for v in self.table[k]) for k in self.table}
            object.__setattr__(self, "table", MappingProxyType(columns))
        self._check()

    def _check(self) -> None:
        if not re.fullmatch(r"[a-z0-9][a-z0-9._/-]*", self.id):
            raise WorkbenchError(f"id of a finding must be lower-case letters, digits, . _ / -; got {self.id!r}")
        if self.section not in SECTIONS:
            raise WorkbenchError(f"section must be one of {', '.join(SECTIONS)}; got {self.section!r}")
        if self.grade is not None and self.grade not in GRADES:
            raise WorkbenchError(f"grade must be one of {', '.join(GRADES)}, or None; got {self.grade!r}")
        if not self.statement.strip() or not self.method.strip() or not self.kind.strip():
            raise WorkbenchError(f"finding {self.id!r} needs a kind, a statement and a method")
        if len(self.headline.split()) > MOST_HEADLINE_WORDS:
            raise WorkbenchError(
                f"headline of finding {self.id!r} has over {MOST_HEADLINE_WORDS} words: {self.headline!r}"
            )
        ends = [v for v in (self.lower, self.estimate, self.upper) if v is not None]
        if any(b < a - 1e-9 * (1 + abs(a)) for a, b in itertools.pairwise(ends)):
            raise WorkbenchError(f"finding {self.id!r} has its estimate outside its interval: {ends}")
        if self.unit == "share" and any(abs(v) > 1 + 1e-9 for v in ends):
            raise WorkbenchError(f"finding {self.id!r} is a share and must be a fraction; got {ends}")
        if min(self.units or 0, self.failures or 0) < 0:
            raise WorkbenchError(f"finding {self.id!r} counts {self.failures} failures in {self.units} units")
        if self.table is not None and len({len(cells) for cells in self.table.values()}) > 1:
            raise WorkbenchError(f"finding {self.id!r} has a table with columns of different length")

    def rows(self) -> "list[Finding]":
        """The table's rows as findings of their own, so that no number is shown that findings.json does not hold."""
        if self.table is None:
            return []
        headings = list(self.table)
        return [
            Finding(
                id=f"{self.id}/row-{number}",
                kind="row",
                statement="; ".join(
                    f"{h}: {c}" if h.strip() else c for h, c in zip(headings, cells, strict=True) if c
                ).strip()
                or "(empty)",
                method=f"A row of the table of {self.id}.",
                section=self.section,
                on_slide=False,
            )
            for number, cells in enumerate(zip(*self.table.values(), strict=True), start=1)
        ]

    def as_json(self) -> dict[str, Any]:
        """The finding as plain values for findings.json."""
        plain = {name: getattr(self, name) for name in JSON_FIELDS}
        plain["caveats"] = list(self.caveats)
        return plain

    @classmethod
    def from_json(cls, values: Mapping[str, Any]) -> "Finding":
        """A finding read back from findings.json; figure, table and section are not kept there."""
        missing = [name for name in JSON_FIELDS if name not in values and name not in LATER_FIELDS]
        if missing:
            raise WorkbenchError(f"a finding lacks the field {missing[0]!r}; it was not written by this program")
        kept = {name: values[name] for name in JSON_FIELDS if name in values}
        return cls(**(kept | {"caveats": tuple(values["caveats"])}), section="appendix", on_slide=False)


def claims_table(findings: "Sequence[Finding]") -> "pd.DataFrame":
    """Return findings as a table to read: statement, estimate with limits, counts and grade."""
    import pandas as pd

    fields = ("id", "statement", "estimate", "lower", "upper", "unit", "units", "failures", "grade")
    return pd.DataFrame({name: [getattr(finding, name) for finding in findings] for name in fields})


def shown_cell(value: Any) -> str:
    """Return a table cell as it is shown.

    Examples
    --------
    >>> shown_cell(0.12345), shown_cell(12), shown_cell(float("nan")), shown_cell("41 %")
    ('0.123', '12', '–', '41 %')
    """
    if value is None:
        return "–"
    if isinstance(value, str):
        return value
    if isinstance(value, bool) or type(value).__name__ in ("bool", "bool_"):
        return "yes" if value else "no"
    try:
        number = float(value)
    except (TypeError, ValueError):
        return str(value)
    if not math.isfinite(number):
        return "–"
    return f"{number:,.0f}" if number == int(number) else f"{number:.3g}"


def in_slide_order(findings: Sequence[Finding]) -> list[Finding]:
    """Return findings by section, then by their order, ties as given."""
    seen: set[str] = set()
    for finding in findings:
        if finding.id in seen:
            raise WorkbenchError(f"two findings have the id {finding.id!r}")
        seen.add(finding.id)
    place = {name: number for number, name in enumerate(SECTIONS)}
    return sorted(findings, key=lambda f: (place[f.section], f.order))


def findings_from_json(text: str) -> list[Finding]:
    """Read the findings of an earlier review."""
    try:
        document = json.loads(text)
    except json.JSONDecodeError as error:
        raise WorkbenchError(f"findings.json cannot be read: {error}") from None
    if not isinstance(document, dict) or document.get("schema") != 1 or "findings" not in document:
        raise WorkbenchError("the file given holds no findings of schema 1; give a findings.json of an earlier review")
    return [Finding.from_json(values) for values in document["findings"]]


def _number(value: Any) -> float | None:
    if value is None:
        return None
    number = float(value)
    if not math.isfinite(number):
        return None
    return float(f"{number:.6g}")
