"""Which numbers measured at a teardown are signs? Each by one limit of the dictionary, or of the settings."""

from collections.abc import Callable, Iterable, Mapping

import numpy as np
import pandas as pd

from workbench.log.dictionary import Threshold, known_thresholds

__all__ = ["RESIDUE_SIGNS", "measured_field", "signs_by_measurement"]

RESIDUE_SIGNS: Mapping[str, str] = {
    "salt": "salt_crystals_inside",
    "carbonate": "crust_at_cell_ends",
    "flux": "flux_residue_on_board",
    "copper_green": "blue_green_crust",
    "sulphide": "black_film_no_water",
}
"""What each kind of residue is a sign of; another kind found says nothing against."""


def signs_by_measurement(records: pd.DataFrame, limits: Mapping[str, float] | None = None) -> dict[str, np.ndarray]:
    """Return for each sign that numbers decide 1 (present), 0 (absent) or NaN (not measured), one value per record.

    `limits` replaces limits of the dictionary by name. Shapes: each array (n,).
    """
    own = limits or {}
    found: dict[str, np.ndarray] = {}
    chemistry = _texts(records, "battery_chemistry")
    for threshold in known_thresholds():
        limit = own.get(threshold.threshold, threshold.limit)
        says = _says(threshold, records, limit)
        if threshold.chemistry:
            says = np.where(chemistry == threshold.chemistry, says, np.nan)
        known = found.setdefault(threshold.sign, np.full(len(records), np.nan))
        known[np.isnan(known)] = says[np.isnan(known)]
    residue = _texts(records, "residue_kind")
    for kind, sign in RESIDUE_SIGNS.items():
        found.setdefault(sign, np.full(len(records), np.nan))[residue == kind] = 1.0
    return {sign: says for sign, says in found.items() if not np.isnan(says).all()}


def measured_field(sign: str, columns: Iterable[str]) -> str:
    """Return the field that decided a sign which has no column of its own."""
    present = set(columns)
    fields = [t.field for t in known_thresholds() if t.sign == sign and t.field in present]
    return fields[0] if fields else "residue_kind"


_RULES: Mapping[str, Callable[[np.ndarray, np.ndarray, np.ndarray, float], np.ndarray]] = {
    "above": lambda a, b, c, limit: a >= limit,
    "below": lambda a, b, c, limit: a <= limit,
    "away": lambda a, b, c, limit: np.abs(a) >= limit,
    "more_than": lambda a, b, c, limit: a - b >= limit,
    "share_below": lambda a, b, c, limit: 100 * a <= limit * b,
    "uptake": lambda a, b, c, limit: 100 * (a - b) >= limit * b,
    "set": lambda a, b, c, limit: 100 * (b - a) >= limit * (b - c),  # ISO 815-1: (new - found) / (new - squeezed)
}


def _says(threshold: Threshold, records: pd.DataFrame, limit: float) -> np.ndarray:
    a = _numbers(records, threshold.field)
    b = _numbers(records, threshold.other) if threshold.other else a
    c = _numbers(records, "seal_squeezed_to_mm") if threshold.rule == "set" else a
    usable = ~(np.isnan(a) | np.isnan(b) | np.isnan(c))
    if threshold.rule == "set":
        usable &= b > c
    return np.where(usable, _RULES[threshold.rule](a, b, c, limit), np.nan)


def _numbers(records: pd.DataFrame, name: str) -> np.ndarray:
    if name not in records.columns:
        return np.full(len(records), np.nan)
    return np.asarray(pd.to_numeric(records[name], errors="coerce").to_numpy(dtype=float))


def _texts(records: pd.DataFrame, name: str) -> np.ndarray:
    if name not in records.columns:
        return np.full(len(records), "", dtype=object)
    column = records[name].astype(object)
    return np.asarray(column.where(column.notna(), "").map(str).to_numpy(dtype=object))
