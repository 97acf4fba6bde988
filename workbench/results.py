"""Result: the frozen base of everything an estimate returns: columns of values, and sentences."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Result", "columns_to_frame", "freeze_columns"]


def freeze_columns(columns: Mapping[str, Any]) -> Mapping[str, np.ndarray]:
    """Return the columns as read-only arrays of one length in a read-only mapping.

    Shapes: columns (k,).
    """
    frozen: dict[str, np.ndarray] = {}
    for name, values in columns.items():
        array = np.array(values)
        if array.dtype.kind in "US":
            array = array.astype(object)
        array.flags.writeable = False
        frozen[name] = array
    lengths = {array.shape[0] for array in frozen.values()}
    if len(lengths) > 1:
        raise ValueError(f"columns differ in length: { {k: v.shape[0] for k, v in frozen.items()} }")
    return MappingProxyType(frozen)


def columns_to_frame(columns: Mapping[str, np.ndarray]) -> "pd.DataFrame":
    """Return a fresh DataFrame of the columns."""
    import pandas as pd

    return pd.DataFrame({name: values.copy() for name, values in columns.items()})


@dataclass(frozen=True, kw_only=True, eq=False)
class Result:
    """Values and sentences of one estimate; `columns` is the table as read-only arrays, `notes` a tuple of sentences.

    A result never fits, prints or draws. Not estimable is NaN in `columns`, with the reason in `notes`.
    """

    columns: Mapping[str, np.ndarray]
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "columns", freeze_columns(self.columns))
        object.__setattr__(self, "notes", tuple(self.notes))

    @property
    def table(self) -> "pd.DataFrame":
        """The table as a fresh DataFrame; changing it does not change the result."""
        return columns_to_frame(self.columns)
