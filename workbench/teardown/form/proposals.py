"""Which signs do the notes of a log propose that nobody has confirmed, and what did a person answer?"""

from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

from workbench.errors import LogError
from workbench.log.cells import RawSheet, cell_text, shown
from workbench.log.dictionary import known_signs
from workbench.log.season_log import Log
from workbench.teardown.form.noted import noted_signs

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Proposal", "confirmed_table", "is_answers", "proposal_table", "proposals_of", "read_answers"]

_ANSWERS = {"yes": True, "y": True, "no": False, "n": False, "": False}
_COLUMNS = ("unit_id", "deployment", "sign", "meaning", "words", "confirmed")
_SETTLED = ("yes", "no")


class Proposal(NamedTuple):
    """A sign that the note of a unit tells of, in words, with the phrase quoted; it counts for nothing."""

    unit_id: str
    deployment: int
    sign: str
    label: str
    words: str

    @property
    def sentence(self) -> str:
        """The proposal as one line."""
        second = f", deployment {self.deployment}" if self.deployment > 1 else ""
        return f"{self.unit_id}{second}: “{self.words}”: {self.label}"


def proposals_of(log: Log) -> tuple[Proposal, ...]:
    """Return the signs that notes of units that came back propose and of which the log says neither yes nor no."""
    labels = {sign.sign: sign.label for sign in known_signs()}
    found = []
    for row in log.records.to_dict("records"):
        note = row.get("notes")
        if not isinstance(note, str) or row["outcome"] == "missing":
            continue
        for noted in noted_signs(note):
            if noted.sign in labels and row.get(noted.sign) not in _SETTLED:
                unit, number = str(row["unit_id"]), int(row["deployment"])
                found.append(Proposal(unit, number, noted.sign, labels[noted.sign], noted.words))
    return tuple(found)


def proposal_table(proposals: Iterable[Proposal]) -> "pd.DataFrame":
    """Return proposals as a table whose last column a person fills in with yes or no."""
    import pandas as pd

    return pd.DataFrame([(*p, "") for p in proposals], columns=list(_COLUMNS), dtype=object)


def confirmed_table(confirmed: Iterable[Proposal]) -> "pd.DataFrame":
    """Return what a person confirmed as rows of the table of teardowns: yes to each sign, nothing else."""
    import pandas as pd

    rows: dict[tuple[str, int], dict[str, str]] = {}
    for p in confirmed:
        row = rows.setdefault((p.unit_id, p.deployment), {"unit_id": p.unit_id, "deployment": str(p.deployment)})
        row[p.sign] = "yes"
    return pd.DataFrame(list(rows.values()), dtype=object)


def is_answers(sheet: RawSheet) -> bool:
    """Whether a sheet is the table of proposals, as a person gives it back."""
    first = [cell_text(cell).strip().casefold() for cell in sheet.rows[0][1]] if sheet.rows else []
    return {"unit_id", "deployment", "sign", "confirmed"} <= set(first)


def read_answers(sheet: RawSheet, log: Log) -> list[Proposal]:
    """Return the proposals that a filled-in table confirms; what no note proposes, or no answer, is refused by row."""
    open_ones = {(p.unit_id, str(p.deployment), p.sign): p for p in proposals_of(log)}
    names = [cell_text(cell).strip().casefold() for cell in sheet.rows[0][1]]
    confirmed = []
    for number, cells in sheet.rows[1:]:
        row = dict(zip(names, (cell_text(cell).strip() for cell in cells), strict=False))
        answer = row.get("confirmed", "").casefold()
        place = f"{sheet.source}, row {number}"
        if answer not in _ANSWERS:
            raise LogError(f"{place}: confirmed is {shown(answer)}; write yes or no, or leave it empty")
        if not _ANSWERS[answer]:
            continue
        key = (row.get("unit_id", ""), row.get("deployment", ""), row.get("sign", ""))
        if key not in open_ones:
            told = f"no note of unit {shown(key[0])}, deployment {shown(key[1])}, proposes {shown(key[2])}"
            raise LogError(f"{place}: {told}, or it is settled already; take the row out")
        confirmed.append(open_ones[key])
    return confirmed
