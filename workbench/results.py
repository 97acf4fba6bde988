"""Result: the frozen base of everything an estimate returns: columns of values, and sentences."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Result", "columns_to_frame", "freeze_columns"]


@dataclass(frozen=True, eq=False)
class _LateColumns(Mapping[str, np.ndarray]):
    """Columns by name, some of which are made when they are first looked at."""

    made: dict[str, np.ndarray]
    late: Mapping[str, Callable[[], Any]]
    names: tuple[str, ...]

    def __getitem__(self, name: str) -> np.ndarray:
        if name not in self.made and name in self.late:
            self.made[name] = _frozen(self.late[name]())
        return self.made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.names)

    def __len__(self) -> int:
        return len(self.names)


def _frozen(values: Any) -> np.ndarray:
    array = np.array(values)
    if array.dtype.kind in "US":
        array = array.astype(object)
    array.flags.writeable = False
    return array


def freeze_columns(columns: Mapping[str, Any]) -> Mapping[str, np.ndarray]:
    """Return the columns as read-only arrays of one length in a read-only mapping.

    A function in place of values makes them when they are first looked at.

    Shapes: columns (k,).
    """
    if isinstance(columns, _LateColumns):
        return columns
    late = {name: values for name, values in columns.items() if callable(values)}
    frozen = {name: _frozen(values) for name, values in columns.items() if name not in late}
    lengths = {array.shape[0] for array in frozen.values()}
    if len(lengths) > 1:
        raise ValueError(f"columns differ in length: { {k: v.shape[0] for k, v in frozen.items()} }")
    return _LateColumns(frozen, late, tuple(columns)) if late else MappingProxyType(frozen)


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
