"""Teardowns: what was seen inside each unit, checked; faults are set aside from the teardown, not from the lives."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from workbench.log.rules import PROBLEM_COLUMNS
from workbench.teardown.mechanisms.measured import measured_field, signs_by_measurement
from workbench.teardown.mechanisms.sign_families import ABSENCE, NO_MECHANISM, mechanism_words

__all__ = ["CONTRADICTIONS", "Locate", "Seen", "Teardowns", "read_teardowns"]

Locate = Callable[[int, str], Mapping[str, Any]]
"""Place of a record's field in the file: position in the records and field to source, sheet, row, column and cell."""


@dataclass(frozen=True)
class Seen:
    """One half of a contradiction: a sign that was seen, or a field of the record that holds a word."""

    field: str
    word: str = ""

    @property
    def words(self) -> str:
        """How it is named in a sentence."""
        return f"'{mechanism_words(self.field)}{' ' + self.word if self.word else ''}'"


_DRY_INSIDE, _NEVER_FITTED = Seen("dry_and_clean_inside"), Seen("gasket_never_fitted")
_PINCHED = Seen("gasket_pinched_or_dirty")
_WET_SIGNS = (Seen("standing_clear_water"), Seen("standing_muddy_water"))
CONTRADICTIONS: tuple[tuple[Seen, Seen], ...] = (
    *((Seen("condition_found", "dry"), sign) for sign in _WET_SIGNS),
    *((_DRY_INSIDE, other) for other in (*_WET_SIGNS, Seen("condition_found", "wet"), Seen("fungal_threads"))),
    *((_DRY_INSIDE, Seen(s)) for s in ("blue_green_crust", "nest_or_soil_inside", "salt_crystals_inside")),
    *((Seen("black_film_no_water"), sign) for sign in _WET_SIGNS),
    *((Seen("gasket_intact_even_mark"), other) for other in (_PINCHED, _NEVER_FITTED)),
    (_NEVER_FITTED, Seen("gasket_flat_and_shiny")),
    (_NEVER_FITTED, _PINCHED),
    (Seen("cell_voltage_low"), Seen("cell_full_unit_dead")),
    (Seen("cell_low_under_load"), Seen("cell_full_under_load")),
    *((_DRY_INSIDE, Seen(s)) for s in ("tide_line", "conductive_film_on_board", "fog_or_dried_spots")),
    (Seen("mount_cut_tool_marks"), Seen("mount_bent_downstream")),
)
"""Pairs that cannot both be seen in one unit at one opening; judgement, no source."""

_PROGRAM_WORDS = ("program", "suggestion", "suggested", "automatic", "computed")


@dataclass(frozen=True, eq=False)
class Teardowns:
    """What was seen in n records; every array has n rows.

    Attributes
    ----------
    records : pandas.DataFrame
        The log's records, index 0 ... n-1.
    signs : tuple of str
        The s signs of the evidence table.
    seen : np.ndarray of float, shape (n, s)
        1 seen, 0 looked for and not seen, NaN not checked.
    failed, survived, opened : np.ndarray of bool
        Failed; came back without failure; opened, or looked into at least for one sign.
    condition : np.ndarray of object
        dry, damp, wet or "".
    verdict : np.ndarray of object
        Mechanism as judged by a person, "" where none; only on failures.
    confirmed : np.ndarray of bool
        A person's verdict with confidence sure that names a mechanism.
    set_aside : np.ndarray of bool
        Teardown not used at all.
    contradicted : tuple of str
        For each record the pairs that contradict each other, joined, "" where none.
    problems : pandas.DataFrame
        Columns `PROBLEM_COLUMNS`, scope "teardown".
    """

    records: pd.DataFrame
    signs: tuple[str, ...]
    seen: np.ndarray
    failed: np.ndarray
    survived: np.ndarray
    opened: np.ndarray
    condition: np.ndarray
    verdict: np.ndarray
    confirmed: np.ndarray
    set_aside: np.ndarray
    contradicted: tuple[str, ...]
    problems: pd.DataFrame

    def __len__(self) -> int:
        return len(self.records)

    @property
    def stopped(self) -> np.ndarray:
        """Units that stay shut: the safety check stopped the work, or a swollen cell was seen and nothing since."""
        swollen = _words(self.records, "swollen_cell") == "yes"
        stopped = _words(self.records, "safety_check") == "stopped"
        return np.asarray(stopped | (swollen & (self.condition == "")))

    def ruled_out(self) -> np.ndarray:
        """Signs that cannot be there beside what was seen, so that nobody is sent to look for them; shape (n, s)."""
        out = np.zeros(self.seen.shape, dtype=bool)
        for pair in CONTRADICTIONS:
            for half, other in (pair, pair[::-1]):
                if other.field in self.signs:
                    out[:, self.signs.index(other.field)] |= self._holds(half)
        return out

    def _holds(self, half: Seen) -> np.ndarray:
        """Whether half of a contradicting pair was seen."""
        if half.word:
            return np.asarray(self.condition == half.word)
        if half.field not in self.signs:
            return np.zeros(len(self), dtype=bool)
        return np.asarray(self.seen[:, self.signs.index(half.field)] == 1)


def read_teardowns(
    records: pd.DataFrame,
    signs: tuple[str, ...],
    *,
    locate: Locate | None = None,
    early: np.ndarray | None = None,
    unknown: tuple[str, ...] = (),
    already: pd.DataFrame | None = None,
    limits: Mapping[str, float] | None = None,
) -> Teardowns:
    """Read what was seen inside each unit, and name what cannot be.

    Named and set aside from the teardown: a verdict on a unit that did not fail, a teardown dated before the unit
    came back (all its signs), signs that contradict each other or their own measurement (both). A number measured is a
    sign by its limit where the sign itself was not written down. The lives are not touched.

    Shapes: early (n,).
    """
    frame = records.reset_index(drop=True)
    seen = np.full((len(frame), len(signs)), np.nan)
    for place, sign in enumerate(signs):
        if sign in frame.columns:
            seen[:, place] = _yes_no(frame[sign])
    clashes = _join_measured(seen, signs, signs_by_measurement(frame, limits))
    outcome, condition = _words(frame, "outcome"), _words(frame, "condition_found")
    failed, verdict = outcome == "failed", _words(frame, "mechanism")
    opened_on, returned = _dates(frame, "opened_on"), _dates(frame, "found_on")
    opened = ~np.isnan(seen).all(axis=1) | (condition != "") | ~np.isnat(opened_on)
    faults = _Problems(frame, locate or _by_position)

    for sign in unknown:
        for row in np.flatnonzero(_words(frame, sign) == "yes")[:1]:
            faults.add(row, sign, reason="the evidence table does not know this sign", advice=_UNKNOWN_ADVICE)
    too_soon = ~np.isnat(opened_on) & ~np.isnat(returned) & (opened_on < returned)
    for row in np.flatnonzero(too_soon):
        reason = _EARLY.format(found=np.datetime_as_string(returned[row], "D"))
        faults.add(row, "opened_on", reason=reason, advice=_EARLY_ADVICE)
    for row, sign in clashes:
        faults.add(row, sign, reason=_CLASH, advice=_CONTRADICTION_ADVICE)
    aside = too_soon if early is None else too_soon | early
    seen[aside] = np.nan
    condition[aside] = ""

    wrong = (verdict != "") & ~failed & ~np.isin(verdict, NO_MECHANISM)
    wrong &= ~(np.isin(verdict, ABSENCE) & (outcome == "missing"))
    for row in np.flatnonzero(wrong):
        reason = _NO_FAILURE.format(outcome=outcome[row] or "not recorded")
        faults.add(row, "mechanism", reason=reason, advice=_NO_FAILURE_ADVICE)

    contradicted = _drop_contradictions(seen, signs, condition, faults=faults)
    verdict[~failed] = ""
    sure = (_words(frame, "confidence") == "sure") & ~np.isin(_words(frame, "analyst"), _PROGRAM_WORDS)
    return Teardowns(
        records=frame,
        signs=tuple(signs),
        seen=seen,
        failed=failed,
        survived=np.isin(outcome, ("working", "withdrawn")),
        opened=opened & ~aside,
        condition=condition,
        verdict=verdict,
        confirmed=failed & sure & ~np.isin(verdict, NO_MECHANISM) & ~aside,
        set_aside=aside,
        contradicted=contradicted,
        problems=faults.frame() if already is None else _after(already, faults.frame()),
    )


def _after(first: pd.DataFrame, then: pd.DataFrame) -> pd.DataFrame:
    return pd.concat([part for part in (first[list(PROBLEM_COLUMNS)], then) if len(part)] or [then], ignore_index=True)


def _join_measured(
    seen: np.ndarray, signs: tuple[str, ...], measured: Mapping[str, np.ndarray]
) -> list[tuple[int, str]]:
    """Fill in signs from measurements; blank and return those that were written down as the opposite."""
    clashes = []
    for sign in set(measured) & set(signs):
        column, says = seen[:, signs.index(sign)], measured[sign]
        clash = ~np.isnan(column) & ~np.isnan(says) & (column != says)
        column[np.isnan(column)] = says[np.isnan(column)]
        column[clash] = np.nan
        clashes += [(int(row), sign) for row in np.flatnonzero(clash)]
    return sorted(clashes)


_CLASH = "the sign contradicts what was measured for it, by the limit in the settings or the dictionary"
_EARLY = "the unit was opened before it came back on {found}"
_EARLY_ADVICE = "correct opened_on or found_on; until then nothing seen inside this unit is used"
_NO_FAILURE = "a mechanism is given for a unit that did not fail (outcome {outcome})"
_NO_FAILURE_ADVICE = "correct the outcome, or move what was seen to the signs; the verdict is not used"
_UNKNOWN_ADVICE = "add it by an evidence file of your own; until then it says nothing"
_CONTRADICTION_ADVICE = "look again at photographs or unit; until then neither is used"


class _Problems:
    """Collects problems of the teardown with their places."""

    def __init__(self, frame: pd.DataFrame, locate: Locate) -> None:
        self._frame, self._locate = frame, locate
        self._rows: list[dict[str, Any]] = []

    def add(self, row: Any, field: str, *, reason: str, advice: str) -> None:
        if field not in self._frame.columns:
            field = measured_field(field, self._frame.columns)
        value = self._frame[field].iloc[row]
        text = value.strftime("%Y-%m-%d") if isinstance(value, pd.Timestamp) else str(value)
        known = {
            "source": "",
            "sheet": "",
            "row": int(row),
            "column": field,
            "cell": "",
            **self._locate(int(row), field),
        }
        self._rows.append(
            {**known, "field": field, "value": text, "reason": reason, "advice": advice, "scope": "teardown"}
        )

    def frame(self) -> pd.DataFrame:
        return pd.DataFrame([{c: r[c] for c in PROBLEM_COLUMNS} for r in self._rows], columns=list(PROBLEM_COLUMNS))


def _by_position(row: int, field: str) -> Mapping[str, Any]:
    return {"row": row, "column": field}


def _drop_contradictions(
    seen: np.ndarray, signs: tuple[str, ...], condition: np.ndarray, *, faults: _Problems
) -> tuple[str, ...]:
    """Blank both halves of every contradicting pair; returns for each record the pairs in words."""
    place = {sign: column for column, sign in enumerate(signs)}
    before, found = condition.copy(), seen == 1

    def holds(half: Seen) -> np.ndarray:
        if half.word:
            return np.asarray(before == half.word)
        return found[:, place[half.field]] if half.field in place else np.zeros(len(before), dtype=bool)

    pairs: list[list[str]] = [[] for _ in before]
    for one, other in CONTRADICTIONS:
        for row in np.flatnonzero(holds(one) & holds(other)):
            words = f"{one.words} and {other.words}"
            pairs[row].append(words)
            field = next(half.field for half in (other, one) if not half.word)
            faults.add(row, field, reason=f"{words} contradict each other", advice=_CONTRADICTION_ADVICE)
            for half in (one, other):
                if half.field in place:
                    seen[row, place[half.field]] = np.nan
                else:
                    condition[row] = ""
    return tuple("; ".join(words) for words in pairs)


def _yes_no(column: pd.Series) -> np.ndarray:
    codes, words = pd.factorize(column.astype(object))
    says = [{"yes": 1.0, "no": 0.0, True: 1.0, False: 0.0}.get(word, np.nan) for word in words]
    return np.asarray(np.array([*says, np.nan])[codes])  # the last is that of -1, not recorded


def _words(frame: pd.DataFrame, name: str) -> np.ndarray:
    if name not in frame.columns:
        return np.full(len(frame), "", dtype=object)
    column = frame[name].astype(object)
    return np.asarray(column.where(column.notna(), "").map(str).to_numpy(dtype=object).copy())


def _dates(frame: pd.DataFrame, name: str) -> np.ndarray:
    if name not in frame.columns:
        return np.full(len(frame), np.datetime64("NaT"), dtype="datetime64[ns]")
    return np.asarray(pd.to_datetime(frame[name]).to_numpy(dtype="datetime64[ns]"))
