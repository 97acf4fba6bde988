"""Tilts: what mass in each cell is worth in, the fall of the mean worth as a function of the hazards out."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

__all__ = ["Worth"]


@dataclass(frozen=True, eq=False)
class Worth:
    """A mean over the masses of m cells, as a share of what the last cell is worth.

    Attributes
    ----------
    least : float
        Share that mass in the first cell is worth.
    at : np.ndarray of int, shape (k,)
        Cells after which mass is worth more than in them.
    rise : np.ndarray of float, shape (k,)
        By how much, above 0; `least` and all of it are 1 together.
    """

    least: float
    at: np.ndarray
    rise: np.ndarray

    @classmethod
    def of(cls, values: np.ndarray) -> "Worth":
        """Worth of cells.

        Shapes: values (m,).
        """
        rise = np.diff(values) / values[-1]
        at = np.flatnonzero(rise > 0)
        return cls(float(values[0] / values[-1]), at, rise[at])

    @property
    def worthless(self) -> int:
        """How many of the first cells are worth nothing."""
        return int(self.at[0]) + 1 if self.least <= 0.0 else 0

    @property
    def deepest(self) -> float:
        """Largest level: all mass in the first cell."""
        return -float(np.log(self.least)) if self.least > 0.0 else float("inf")

    @cached_property
    def single(self) -> bool:
        """Whether the mean worth is the survival at the end of one cell."""
        return self.least <= 0.0 and self.at.size == 1

    def level(self, hazard: np.ndarray) -> float:
        """Minus the logarithm of the mean worth.

        Shapes: hazard (m - 1,).
        """
        return float(hazard[: self.at[0] + 1].sum()) if self.single else self._parts(hazard)[0]

    def slope(self, hazard: np.ndarray) -> np.ndarray:
        """Derivatives of the level by the increments.

        Shapes: hazard (m - 1,), returns (m - 1,).
        """
        change = np.zeros(hazard.size)
        if self.single:
            change[: self.at[0] + 1] = 1.0
            return change
        change[self.at] = self.shares(hazard)
        return np.cumsum(change[::-1])[::-1]

    def shares(self, hazard: np.ndarray) -> np.ndarray:
        """Shares of the mean worth that rest on the survival after each of the cells `at`.

        Shapes: hazard (m - 1,), returns (k,).
        """
        return self._parts(hazard)[1]

    def _parts(self, hazard: np.ndarray) -> tuple[float, np.ndarray]:
        # level, and the share of the mean that rests on those alive after each cell
        fallen = np.cumsum(hazard)[self.at]
        nearest = float(fallen[0]) if self.least <= 0.0 else 0.0
        shares = self.rise * np.exp(nearest - fallen)
        mean = self.least + float(shares.sum())
        return nearest - float(np.log(mean)), shares / mean
