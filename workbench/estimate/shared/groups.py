"""Groups: which life belongs to which value of `by`, in the one order and spelling that every table uses."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.checks import check_columns
from workbench.errors import EstimateError, UsageError
from workbench.lives import Lives

__all__ = ["Groups", "groups_of", "text_levels"]


@dataclass(frozen=True, eq=False)
class Groups:
    """The groups of n lives: `labels` in table order, `codes` (n,) with -1 where a life has no value, and `notes`."""

    labels: tuple[str, ...]
    codes: np.ndarray
    notes: tuple[str, ...] = ()


def text_levels(column: pd.Series) -> tuple[tuple[str, ...], np.ndarray]:
    """Return the levels that occur in a column, as text, and each row's level number."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        codes = column.cat.codes.to_numpy()
        names = [str(c) for c in column.cat.categories]
    else:
        codes, values = pd.factorize(column, use_na_sentinel=True)
        texts = np.array([str(v) for v in values], dtype=object)
        order = np.argsort(texts.astype(str), kind="stable")
        place = np.empty(len(order) + 1, dtype=np.int64)
        place[order] = np.arange(len(order))
        place[-1] = -1
        codes, names = place[codes], [str(t) for t in texts[order]]
    used = np.bincount(codes[codes >= 0], minlength=len(names)) > 0 if len(names) else np.zeros(0, dtype=bool)
    if used.all():
        return tuple(names), codes
    compact = np.append(np.cumsum(used) - 1, -1)
    return tuple(n for n, keep in zip(names, used, strict=True) if keep), compact[codes]


def groups_of(lives: Lives, by: str | Sequence[str] | None) -> Groups:
    """Return the groups that `by` makes of the lives."""
    if by is None:
        return Groups(labels=("all",), codes=np.zeros(len(lives), dtype=np.int64))
    names = check_columns(by, lives.covariates.columns, "covariate")
    if not names:
        raise UsageError("by names no covariate; name one or several, or give None for all lives together")
    parts = [_levels_of(lives, name) for name in names]
    labels, codes = parts[0]
    for more, more_codes in parts[1:]:
        joined = np.where((codes < 0) | (more_codes < 0), -1, codes.astype(np.int64) * len(more) + more_codes)
        labels = tuple(f"{a} / {b}" for a in labels for b in more)
        used = np.bincount(joined[joined >= 0], minlength=len(labels)) > 0
        compact = np.append(np.cumsum(used) - 1, -1)
        labels, codes = tuple(x for x, keep in zip(labels, used, strict=True) if keep), compact[joined]
    if not labels:
        raise EstimateError(f"no life has a value of {', '.join(names)}")
    missing = codes < 0
    if not missing.any():
        return Groups(labels=labels, codes=codes)
    left_out = int(lives.weight[missing].sum())
    note = f"{left_out} of {lives.units} units have no value of {', '.join(names)} and are left out here."
    return Groups(labels=labels, codes=codes, notes=(note,))


def _levels_of(lives: Lives, name: str) -> tuple[tuple[str, ...], np.ndarray]:
    # lives do not change, so the levels of a covariate are worked out once: a million texts take longer than a curve
    known = lives.__dict__.setdefault("_levels", {})
    if name not in known:
        known[name] = text_levels(lives.covariates[name])
        known[name][1].flags.writeable = False
    return known[name]
