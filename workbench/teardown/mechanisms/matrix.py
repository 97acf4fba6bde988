"""Matrix: which signs were seen in units of which mechanism, survivors beside them for comparison."""

from dataclasses import dataclass

import numpy as np

from workbench.estimate.shared import with_level
from workbench.lives import UNDETERMINED
from workbench.results import Result
from workbench.teardown.mechanisms.mechanism import MechanismSuggestions

__all__ = ["EvidenceMatrix", "evidence_matrix"]

_SURVIVORS = "opened survivors"


@dataclass(frozen=True, kw_only=True, eq=False)
class EvidenceMatrix(Result):
    """Signs by mechanism.

    `columns`: sign, group, seen, checked; one row a sign and group, checked 0 where nobody looked.

    Attributes
    ----------
    signs, groups : tuple of str
        In table order; groups by number of units, "undetermined" and survivors last.
    units : tuple of int
        Opened units of each group.
    survivors : str
        The group of opened units that still worked; no mechanism is called so.
    """

    signs: tuple[str, ...]
    groups: tuple[str, ...]
    units: tuple[int, ...]
    survivors: str


def evidence_matrix(suggestions: MechanismSuggestions, *, most_signs: int = 24) -> EvidenceMatrix:
    """Count for every sign in how many units of each mechanism it was seen, of those in which it was looked for.

    A unit stands under the mechanism that a person is sure of, else under the suggestion.
    """
    teardowns = suggestions.teardowns
    group = np.full(len(teardowns), "", dtype=object)
    group[suggestions.rows] = np.where(
        suggestions.columns["confirmed"], suggestions.columns["verdict"], suggestions.columns["mechanism"]
    )
    survivors = with_level(sorted({str(g) for g in group} - {""}), _SURVIVORS, "working")[-1]
    group[teardowns.survived] = survivors
    looked = ~np.isnan(teardowns.seen).all(axis=1)
    group[~looked] = ""
    names = [str(g) for g in set(group) - {""}]
    counts = {name: int((group == name).sum()) for name in names}
    last = {UNDETERMINED: 1, survivors: 2}
    groups = tuple(sorted(names, key=lambda n: (last.get(n, 0), -counts[n], n)))
    total = np.nansum(teardowns.seen[group != ""], axis=0)
    kept = [i for i in np.argsort(-total, kind="stable")[:most_signs] if total[i] > 0]
    kept.sort()
    cells = [(i, name) for i in kept for name in groups]
    parts = [teardowns.seen[group == name, i] for i, name in cells]
    columns = {
        "sign": np.array([teardowns.signs[i] for i, _ in cells], dtype=object),
        "group": np.array([name for _, name in cells], dtype=object),
        "seen": np.array([int(np.nansum(part)) for part in parts], dtype=np.int64),
        "checked": np.array([int((~np.isnan(part)).sum()) for part in parts], dtype=np.int64),
    }
    never, cut = int((total == 0).sum()), int((total > 0).sum()) - len(kept)
    notes = [f"{never} signs were seen in no unit and are left out."] if never else []
    notes += [f"{cut} signs that were seen least are left out."] if cut else []
    return EvidenceMatrix(
        columns=columns,
        notes=tuple(notes),
        signs=tuple(teardowns.signs[i] for i in kept),
        groups=groups,
        units=tuple(counts[name] for name in groups),
        survivors=survivors,
    )
