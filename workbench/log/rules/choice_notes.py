"""Which protection choices written down for one unit cannot both be right?"""

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from workbench.wording import count_of, join_words

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["notes_on_choices"]

_TIGHT = re.compile("IP(?:[56].|.[5-9])")
"""Dust-protected or dust-tight, or tested against jets or immersion (IEC 60529)."""


def notes_on_choices(records: "pd.DataFrame") -> Sequence[str]:
    """Return a sentence for each pair of choices that contradict each other."""
    if not {"vent", "enclosure_rating"} <= set(records.columns):
        return ()
    drained = records[records["vent"].astype(object) == "drain"]
    codes = drained["enclosure_rating"].dropna().map(str)
    tight = codes[codes.map(lambda code: bool(_TIGHT.search(code)))]
    if tight.empty:
        return ()
    return (
        f"{count_of(len(tight), 'deployment')} with a drain claimed {join_words(sorted(set(tight)))}: an open drain "
        "lets jets, dust and flood in, so as built the code does not hold; correct one of the two, or compare units by "
        "vent and not by code.",
    )
