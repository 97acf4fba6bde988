"""Mission labels: lives in, failed by the mission or not out; doubtful lives are split by a curve."""

from dataclasses import dataclass

import numpy as np

from workbench.estimate.turnbull import NpmleProblem, fit_segment, turnbull_cells
from workbench.lives import Lives

__all__ = ["DOUBTFUL", "FAILED_BY_MISSION", "LASTED", "LifeCurve", "life_curve", "mission_labels", "share_failed"]

FAILED_BY_MISSION, LASTED, DOUBTFUL = 1, 0, -1
"""Labels: known to have failed by the mission, known to have lasted it, not known."""


def mission_labels(lives: Lives, mission: float) -> np.ndarray:
    """Label every life by what is known of it at the mission.

    Shapes: returns (n,).
    """
    return np.where(lives.upper <= mission, FAILED_BY_MISSION, np.where(lives.lower >= mission, LASTED, DOUBTFUL))


@dataclass(frozen=True, eq=False)
class LifeCurve:
    """Share surviving by interval-censored maximum likelihood: mass in cells (start, end], spread evenly in each.

    Attributes
    ----------
    start, end, mass : np.ndarray of float, shape (m,)
        end may be inf: that mass lies somewhere after start.
    """

    start: np.ndarray
    end: np.ndarray
    mass: np.ndarray

    def failed_by(self, times: np.ndarray) -> np.ndarray:
        """Share that has failed by some times.

        Shapes: times (k,), returns (k,).
        """
        t = np.asarray(times, dtype=float)[:, None]
        width = np.where(np.isfinite(self.end) & (self.end > self.start), self.end - self.start, 1.0)
        inside = np.where(np.isfinite(self.end), np.clip((t - self.start) / width, 0.0, 1.0), 0.0)
        return np.asarray(np.where(t >= self.end, 1.0, np.where(t > self.start, inside, 0.0)) @ self.mass)


def life_curve(lives: Lives) -> LifeCurve:
    """Estimate the share surviving from lives without delayed entry, without limits.

    References
    ----------
    Turnbull (1976), J. R. Stat. Soc. B 38, 290-295.
    """
    cells = turnbull_cells(lives.lower, lives.upper, np.zeros(len(lives)))
    m = len(cells.start)
    problem = NpmleProblem(m, cells.first, cells.last, np.zeros(len(lives), dtype=np.int64), lives.weight.astype(float))
    left = np.exp(-np.append(0.0, np.cumsum(fit_segment(problem).hazard)))
    return LifeCurve(cells.start, cells.end, left - np.append(left[1:], 0.0))


def share_failed(lives: Lives, labels: np.ndarray, mission: float, *, curve: LifeCurve) -> np.ndarray:
    """Return for every life the chance that it failed by the mission, given what is known of it.

    Shapes: labels (n,), returns (n,).
    """
    low, high, at = curve.failed_by(lives.lower), curve.failed_by(lives.upper), curve.failed_by(np.array([mission]))[0]
    inside = high - low
    span = np.where(np.isfinite(lives.upper), lives.upper - lives.lower, np.inf)
    even = (mission - lives.lower) / np.where(span > 0, span, 1.0)
    split = np.where(inside > 1e-12, (at - low) / np.where(inside > 1e-12, inside, 1.0), even)
    return np.where(labels == DOUBTFUL, np.clip(split, 0.0, 1.0), (labels == FAILED_BY_MISSION).astype(float))
