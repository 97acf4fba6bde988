"""Which photographs from the bench show the signs that a slide speaks of?"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from workbench.report.basis import Drawing, SeasonData
from workbench.report.figures import Photographs
from workbench.report.words import shown_name
from workbench.teardown.mechanisms import mechanism_words, suggest_mechanism
from workbench.teardown.sheets import photos_of
from workbench.wording import count_of

__all__ = ["bench_photographs"]

MOST = 2
INSIDE = ("photo_4", "photo_3", "photo_2")
"""Columns whose pictures are shown, the one that decided it first; that of the unit as mounted shows the place."""
PIXELS = 900


def bench_photographs(data: SeasonData, signs: Sequence[str]) -> tuple[Drawing | None, str]:
    """Return a drawing of photographs of failed units in which the signs were seen, and what could not be shown.

    Each picture is of another unit, those with the first sign first; None where no such picture lies beside the log.
    """
    if data.home is None or not data.log.columns_of("photo"):
        return None, ""
    pictures: list[bytes] = []
    captions: list[str] = []
    missing = 0
    for record, seen in _units_showing(data, signs):
        found, troubles = photos_of({name: record.get(name) for name in INSIDE}, data.home, longest_side=PIXELS)
        missing += len(troubles)
        best = next((p for name in INSIDE for p in found if p.column == name), None)
        if best is not None:
            pictures.append(best.data)
            captions.append(f"{shown_name(record['unit_id'], 16)}: {best.words}. Seen in it: {seen}.")
        if len(pictures) == MOST:
            break
    said = f"{count_of(missing, 'picture')} that the log names cannot be shown; 'workbench check' names them."
    said = said if missing else ""
    if not pictures:
        return None, said
    result = Photographs(columns={"caption": np.array(captions, dtype=object)}, pictures=tuple(pictures))
    alt = f"{count_of(len(pictures), 'photograph')} from the bench. {' '.join(captions)}"
    return Drawing(result=result, alt=alt), said


def _units_showing(data: SeasonData, signs: Sequence[str]) -> Iterator[tuple[Mapping[Any, Any], str]]:
    """Failed units in which any of the signs was seen, by the order of the signs, with the first sign in words."""
    teardowns = suggest_mechanism(data.log).teardowns
    told: set[int] = set()
    for sign in signs:
        seen = teardowns.seen[:, teardowns.signs.index(sign)] == 1
        for row in np.flatnonzero(seen & teardowns.failed):
            if row not in told:
                told.add(int(row))
                yield teardowns.records.iloc[row].to_dict(), shown_name(mechanism_words(sign))
