"""Groups: which life belongs to which value of `by`, in the one order and spelling that every table uses."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.checks import check_columns
from workbench.errors import EstimateError, UsageError
from workbench.levels import distinct_labels, text_levels
from workbench.lives import Lives
from workbench.wording import blank_label

__all__ = [
    "Groups",
    "groups_of",
    "joined_labels",
    "joined_levels",
    "levels_with_blank",
    "with_blank",
    "with_level",
]


@dataclass(frozen=True, eq=False)
class Groups:
    """The groups of n lives: `labels` in table order, `codes` (n,) with -1 where a life has no value, and `notes`."""

    labels: tuple[str, ...]
    codes: np.ndarray
    notes: tuple[str, ...] = ()


def joined_labels(rows: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Return one label for each row of level names: the names side by side, in quotes where two would read alike."""
    return distinct_labels([" / ".join(row) for row in rows], [" / ".join(map(repr, row)) for row in rows])


def levels_with_blank(column: pd.Series) -> tuple[tuple[str, ...], np.ndarray, int | None]:
    """Return levels and codes with missing values as a level of their own, the last, and its number."""
    return with_blank(*text_levels(column))


def with_blank(levels: tuple[str, ...], codes: np.ndarray) -> tuple[tuple[str, ...], np.ndarray, int | None]:
    """Return levels and codes with -1 as a level of its own, the last, and its number; None where there is none."""
    if not (codes < 0).any():
        return levels, codes, None
    return (*levels, blank_label(levels)), np.where(codes < 0, len(levels), codes), len(levels)


def with_level(levels: Sequence[str], label: str, why: str) -> tuple[str, ...]:
    """Return levels with one more, known by its number: its label never reads like a word of the others."""
    return distinct_labels((*levels, f"{label} ({why})" if label in levels else label), (*levels, f"{label} ({why})"))


def groups_of(lives: Lives, by: str | Sequence[str] | None) -> Groups:
    """Return the groups that `by` makes of the lives."""
    if by is None:
        return Groups(labels=("all",), codes=np.zeros(len(lives), dtype=np.int64))
    names = check_columns(by, lives.covariates.columns, "covariate")
    if not names:
        raise UsageError("by names no covariate; name one or several, or give None for all lives together")
    labels, codes = joined_levels([lives.levels[name] for name in names])
    if not labels:
        raise EstimateError(f"no life has a value of {', '.join(names)}")
    missing = codes < 0
    if not missing.any():
        return Groups(labels=labels, codes=codes)
    left_out = int(lives.weight[missing].sum())
    note = f"{left_out} of {lives.units} units have no value of {', '.join(names)} and are left out here."
    return Groups(labels=labels, codes=codes, notes=(note,))


def joined_levels(parts: Sequence[tuple[tuple[str, ...], np.ndarray]]) -> tuple[tuple[str, ...], np.ndarray]:
    """Return levels of several columns side by side, ordered by the first, then the second ...; those that occur."""
    if len(parts) == 1:
        return parts[0]
    rows: list[tuple[str, ...]] = [(label,) for label in parts[0][0]]
    codes = parts[0][1]
    for more, more_codes in parts[1:]:
        both = np.where((codes < 0) | (more_codes < 0), -1, codes.astype(np.int64) * len(more) + more_codes)
        used, place = np.unique(both, return_inverse=True)
        without = int(used[:1].sum() < 0)
        rows = [(*rows[number // len(more)], more[number % len(more)]) for number in used[without:].tolist()]
        codes = place.reshape(-1) - without
    return joined_labels(rows), codes
