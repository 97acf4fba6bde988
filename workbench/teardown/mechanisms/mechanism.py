"""Mechanism from evidence: probabilities by Bayes' rule, the signs for and against, and the next check to make."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from workbench.checks import check_columns, check_one_of
from workbench.lives import UNDETERMINED
from workbench.log.dictionary import STRENGTHS, read_evidence_table
from workbench.results import Result
from workbench.teardown.mechanisms.likelihood import EvidenceModel, evidence_model
from workbench.teardown.mechanisms.opened import Teardowns, read_teardowns
from workbench.teardown.mechanisms.sign_families import mechanism_words
from workbench.wording import count_of, percent_text

__all__ = ["LEAST_PROBABILITY", "MechanismSuggestions", "suggest_from_records", "suggest_mechanism"]

LEAST_PROBABILITY = 0.60
"""Under this the suggestion is "undetermined"."""

LEAST_FAMILIES = 2
"""Families of signs, seen in the unit, that must speak for a suggestion: one sign never proves a mechanism."""

SPEAKS = 1.5
"""A sign speaks for (against) a mechanism when it is this many times more (less) probable than under the others."""


@dataclass(frozen=True, kw_only=True, eq=False)
class MechanismSuggestions(Result):
    """What the evidence suggests for each of n failed deployments.

    `columns`: unit_id, deployment, mechanism ("undetermined" where the evidence does not carry one), probability (of
    the best candidate), second, second_probability, for, against, note, best, next_check, verdict, confirmed,
    families_for.

    Attributes
    ----------
    mechanisms : tuple of str
        The k candidates.
    probabilities : np.ndarray of float, shape (n, k)
        P(mechanism | signs); rows sum to 1.
    rows : np.ndarray of int, shape (n,)
        Position of each row in the records.
    model : EvidenceModel
        P(sign | mechanism) and P(mechanism) behind the probabilities.
    teardowns : Teardowns
        What was seen, checked.
    """

    mechanisms: tuple[str, ...]
    probabilities: np.ndarray
    rows: np.ndarray
    model: EvidenceModel
    teardowns: Teardowns

    @property
    def problems(self) -> pd.DataFrame:
        """Troubles that were set aside from the teardown, with their places in the file."""
        return self.teardowns.problems.copy()


def suggest_mechanism(log: Any, *, table: pd.DataFrame | None = None) -> MechanismSuggestions:
    """Suggest from the signs what ended each failed unit of a log.

    Parameters
    ----------
    log : Log
        As read by `read_log`.
    table : pandas.DataFrame, optional
        Evidence table (sign, family, where, mechanism, strength, confounder, next_check, source); the built-in one
        when not given, or one made by `read_evidence_table`.

    Returns
    -------
    MechanismSuggestions
        One row a failed deployment, in the order of the log; units that were not opened are "undetermined".

    Raises
    ------
    UsageError
        If the table lacks a column.

    References
    ----------
    Bayes' rule; the strengths of the built-in table are common practice, no source, updated by confirmed verdicts.

    Examples
    --------
    >>> from workbench.log.season_log.reading import read_log
    >>> failed = {"unit_id": ["A"], "deployed_on": ["2025-03-01"], "outcome": ["failed"], "found_on": ["2025-06-01"]}
    >>> opened = {"opened_on": ["2025-06-03"], "standing_clear_water": ["yes"]}
    >>> found = suggest_mechanism(read_log(pd.DataFrame(failed | opened)))
    >>> found.columns["mechanism"][0], found.columns["note"][0]  # one sign does not tell them apart
    ('undetermined', 'Undetermined: the best candidate has 5 % only.')
    """
    evidence = _checked_table(table)
    signs = tuple(dict.fromkeys(evidence["sign"].map(str)))
    records, problems = log.records, log.problems
    teardowns = read_teardowns(
        records,
        signs,
        locate=lambda position, field: asdict(log.address(position, field)),
        early=_opened_early(log),
        unknown=tuple(name for name, role in log.roles.items() if role == "evidence" and name not in signs),
        already=problems[(problems["scope"] == "value") & problems["field"].isin([*signs, *_TEARDOWN_FIELDS])],
        limits=log.settings.thresholds,
    )
    return _suggest(teardowns, evidence)


_TEARDOWN_FIELDS = ("condition_found", "opened_on", "days_wet_before_opening", "mechanism", "cause", "confidence")


def _opened_early(log: Any) -> np.ndarray:
    """Records whose day of opening was refused because it lies before another of their dates."""
    refused = {p.row_key for p in log.all_problems if p.field == "opened_on" and p.scope == "value" and p.others}
    return np.array([log.address(position, "").row_key in refused for position in range(log.used)], dtype=bool)


def suggest_from_records(records: pd.DataFrame, *, table: pd.DataFrame | None = None) -> MechanismSuggestions:
    """Suggest from the signs what ended each failed unit, from records instead of a log."""
    evidence = _checked_table(table)
    return _suggest(read_teardowns(records, tuple(dict.fromkeys(evidence["sign"].map(str)))), evidence)


def _checked_table(table: pd.DataFrame | None) -> pd.DataFrame:
    evidence = read_evidence_table() if table is None else table
    check_columns(["sign", "family", "where", "mechanism", "strength", "next_check"], evidence.columns, "table column")
    for row, strength in enumerate(evidence["strength"]):
        check_one_of(f"strength in row {row} of the evidence table", strength, STRENGTHS)
    return evidence


def _suggest(teardowns: Teardowns, evidence: pd.DataFrame) -> MechanismSuggestions:
    model = evidence_model(teardowns, evidence)
    rows = np.flatnonzero(teardowns.failed)
    place = {mechanism: number for number, mechanism in enumerate(model.mechanisms)}
    own = np.array(
        [place[v] if c else -1 for v, c in zip(teardowns.verdict, teardowns.confirmed, strict=True)], dtype=int
    )
    columns = np.array([teardowns.signs.index(sign) for sign in model.signs], dtype=int)
    seen = teardowns.seen[rows][:, columns]
    probabilities = model.probabilities(seen, own[rows])
    described = zip(evidence["sign"], evidence["where"], evidence["next_check"], strict=True)
    checks = {str(sign): (str(where), str(check)) for sign, where, check in described}
    reader = _Reader(model, checks)
    askable = np.isnan(seen) & ~teardowns.ruled_out()[rows][:, columns]
    read = _read_alike_once(reader, seen, probabilities, askable=askable)
    return MechanismSuggestions(
        columns=_columns(teardowns, rows, read),
        notes=_notes(teardowns, model, rows, read=read),
        mechanisms=model.mechanisms,
        probabilities=probabilities,
        rows=rows,
        model=model,
        teardowns=teardowns,
    )


@dataclass(frozen=True)
class _Reading:
    """What one unit's signs say."""

    mechanism: str
    best: str
    probability: float
    second: str
    second_probability: float
    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...]
    families: int
    next_check: str
    why_not: str


def _read_alike_once(
    reader: "_Reader", seen: np.ndarray, probabilities: np.ndarray, *, askable: np.ndarray
) -> list[_Reading]:
    """What the signs of each unit say; units that are alike are read once.

    Shapes: seen, askable (n, s), probabilities (n, m).
    """
    kinds: dict[bytes, _Reading] = {}
    read = []
    for unit in zip(seen, probabilities, askable, strict=True):
        kind = b"".join(values.tobytes() for values in unit)
        if kind not in kinds:
            kinds[kind] = reader.read(*unit)
        read.append(kinds[kind])
    return read


class _Reader:
    """Puts the probabilities of one unit into words."""

    def __init__(self, model: EvidenceModel, checks: dict[str, tuple[str, str]]) -> None:
        self._model, self._checks = model, checks
        chance = model.expected.copy()
        quiet = model.silenced
        usual = np.broadcast_to(model.usual[:, None], chance.shape)
        chance[quiet] = np.where(model.against, np.minimum(chance, usual), usual)[quiet]
        self._chance = chance
        share = model.share / model.share.sum()
        rest = 1 - share
        self._others = (chance @ share[:, None] - chance * share) / np.where(rest > 0, rest, 1.0)

    def read(self, seen: np.ndarray, chances: np.ndarray, askable: np.ndarray) -> _Reading:
        names = self._model.mechanisms
        order = np.lexsort((np.arange(len(names)), -chances))
        first, second = int(order[0]), int(order[1])
        ratio = self._chance[:, first] / self._others[:, first]
        absent = (1 - self._chance[:, first]) / (1 - self._others[:, first])
        signs = np.array(self._model.signs, dtype=object)
        supports = (seen == 1) & (ratio >= SPEAKS) & ~self._model.silenced
        contradicts = (seen == 1) & (ratio <= 1 / SPEAKS)
        missed = (seen == 0) & (absent <= 1 / SPEAKS)
        families = len({self._model.families[i] for i in np.flatnonzero(supports)})
        why_not = _why_not(seen, float(chances[first]), families)
        return _Reading(
            mechanism=UNDETERMINED if why_not else names[first],
            best=names[first],
            probability=float(chances[first]),
            second=names[second],
            second_probability=float(chances[second]),
            speaks_for=tuple(signs[supports]),
            speaks_against=(*signs[contradicts], *(f"no {sign}" for sign in signs[missed])),
            families=families,
            next_check=self._next_check(seen, askable, first=first, second=second),
            why_not=why_not,
        )

    def _next_check(self, seen: np.ndarray, askable: np.ndarray, *, first: int, second: int) -> str:
        """The askable sign of a family not yet seen that separates the two best most, by change of log odds."""
        if np.isnan(seen).all():
            return "open it in the order of the teardown sheet, the caution box first."
        a, b = self._chance[:, first], self._chance[:, second]
        used = {self._model.families[i] for i in np.flatnonzero(seen == 1)}
        fresh = np.array([family not in used for family in self._model.families])
        gain = np.where(askable & fresh, (a - b) * np.log(a * (1 - b) / (b * (1 - a))), -1.0)
        if gain.max() < _LEAST_GAIN:
            return "no unchecked sign would separate the two best; look at a sister unit and at the data file."
        sign = self._model.signs[int(np.argmax(gain))]
        where, check = self._checks[sign]
        return f"look for '{mechanism_words(sign)}' ({where}). {check}"


_LEAST_GAIN = 0.05
_STAYS_SHUT = "leave it shut: the work was stopped for safety; whoever is responsible for damaged cells comes first."
_CORRECT = "correct opened_on or found_on first; then what was seen counts."


def _why_not(seen: np.ndarray, probability: float, families: int) -> str:
    if np.isnan(seen).all():
        return "no sign was checked"
    if not (seen == 1).any():
        return "no sign was seen"
    if probability < LEAST_PROBABILITY:
        return f"the best candidate has {percent_text(probability)} only"
    if families < LEAST_FAMILIES:
        return "it rests on one sign only" if families else "no sign seen speaks for it"
    return ""


def _columns(teardowns: Teardowns, rows: np.ndarray, read: Sequence[_Reading]) -> dict[str, Any]:
    records, stopped = teardowns.records, teardowns.stopped
    deployment = records["deployment"] if "deployment" in records.columns else pd.Series(np.nan, index=records.index)
    return {
        "unit_id": records["unit_id"].astype(object).to_numpy()[rows],
        "deployment": deployment.to_numpy(dtype=object)[rows],
        "mechanism": _objects(r.mechanism for r in read),
        "probability": np.array([r.probability for r in read]),
        "second": _objects(r.second for r in read),
        "second_probability": np.array([r.second_probability for r in read]),
        "for": _objects(", ".join(r.speaks_for) for r in read),
        "against": _objects(", ".join(r.speaks_against) for r in read),
        "note": _objects(_note(r, teardowns, row) for r, row in zip(read, rows, strict=True)),
        "best": _objects(r.best for r in read),
        "next_check": _objects(
            _CORRECT if teardowns.set_aside[row] else _STAYS_SHUT if stopped[row] else r.next_check
            for r, row in zip(read, rows, strict=True)
        ),
        "verdict": teardowns.verdict[rows],
        "confirmed": teardowns.confirmed[rows],
        "families_for": np.array([r.families for r in read], dtype=np.int64),
    }


def _objects(values: Any) -> np.ndarray:
    listed = list(values)
    array = np.empty(len(listed), dtype=object)
    array[:] = listed
    return array


def _note(reading: _Reading, teardowns: Teardowns, row: int) -> str:
    parts = []
    if teardowns.set_aside[row]:
        parts.append("Teardown set aside: opened before the unit came back.")
    if reading.why_not:
        parts.append(f"Undetermined: {reading.why_not}.")
    if teardowns.contradicted[row]:
        parts.append(f"Contradictory, neither used: {teardowns.contradicted[row]}.")
    return " ".join(parts)


def _notes(
    teardowns: Teardowns, model: EvidenceModel, rows: np.ndarray, *, read: Sequence[_Reading]
) -> tuple[str, ...]:
    named = sum(r.mechanism != UNDETERMINED for r in read)
    opened = int((teardowns.opened & teardowns.failed).sum())
    survivors = int((teardowns.opened & teardowns.survived).sum())
    sure, faults = int(teardowns.confirmed.sum()), len(teardowns.problems)
    notes = [
        f"{count_of(len(rows), 'failed unit')}, {opened} of them opened; the evidence names a mechanism for {named} "
        f"and leaves {len(rows) - named} undetermined.",
        f"Strengths of signs are the trade's judgement, updated by {count_of(sure, 'teardown')} that a person "
        "is sure of; a suggestion is a place to look, no proof.",
    ]
    if survivors == 0:
        notes.append("No survivor was opened, so nothing shows how often these signs occur in units that still work.")
    if faults:
        notes.append(
            f"{count_of(faults, 'problem')} in the teardown columns {'was' if faults == 1 else 'were'} named and "
            "set aside from the teardown, not from the lives."
        )
    return (*notes, *model.compared)
