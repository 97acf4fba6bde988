"""Partial likelihood: its value and derivatives on a risk table, with closed forms for ties, and its maximum."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import digamma, gammaln, polygamma

from workbench.errors import EstimateError
from workbench.estimate.shared import eigen_of
from workbench.estimate.steps import RiskTable

__all__ = ["CoxMaximum", "PartialLikelihood", "Slopes", "free_directions", "maximise", "tie_sums"]

FEW = 20.0
"""From here on the asymptotic series of the gamma functions is exact to the last digits."""
NO_GAIN, SETTLED = 1e-12, 1e-18
"""Gains in log-likelihood that are none: a millionth of a standard error, and one that moves no digit of the slopes."""
SLOW = 0.01
"""Where a step gains more than this share of what the step before gained, the information is computed anew."""
OUT_OF_REACH = 300.0
"""A range of the log hazard at which the search stops: its square still fits into a number."""


@dataclass(frozen=True, eq=False)
class Slopes:
    """A log-likelihood at one point, with its derivatives.

    `value`, `score` (k,) and `information` (minus the second derivatives): `squares` less `means` (k, k), the products
    of covariates expected at the failure times less those of their expectations. `is_exact` is False where `means` are
    those of another point.
    """

    value: float
    score: np.ndarray
    squares: np.ndarray
    means: np.ndarray
    is_exact: bool = True

    @property
    def information(self) -> np.ndarray:
        """Minus the second derivatives, shape (k, k)."""
        return np.asarray(self.squares - self.means)


@dataclass(frozen=True, eq=False)
class _Times:
    """What each failure time adds, as functions of sums over those at risk (s) and those who failed (f)."""

    log_sum: np.ndarray
    hazard: np.ndarray
    hazard_tied: np.ndarray
    square: np.ndarray
    cross: np.ndarray
    square_tied: np.ndarray


@dataclass(frozen=True, eq=False)
class CoxMaximum:
    """Coefficients (k,) at the maximum, the slopes there and at 0 (without the penalty), and whether it was found."""

    coefficients: np.ndarray
    slopes: Slopes
    null: Slopes
    converged: bool


def tie_sums(rest: np.ndarray, count: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Sum log(b + i), 1 / (b + i) and 1 / (b + i)^2 over i = 0 ... count - 1, without a loop over ties.

    Differences of log-gamma, digamma and trigamma; where b is large, of their asymptotic series term by term, so that
    no digits cancel.

    Shapes: rest (m,), count (m,), returns (m,).

    References
    ----------
    Abramowitz & Stegun (1964), Handbook of Mathematical Functions, 6.1.41, 6.3.18, 6.4.12.
    """
    b = np.maximum(np.asarray(rest, dtype=float), 1e-300)
    n = np.asarray(count, dtype=float)
    top = b + n
    u, v = 1.0 / b, 1.0 / top
    growth = np.log1p(n * u)
    logs = (b - 0.5) * growth + n * (np.log(top) - 1.0)
    logs += _odd(v, (1 / 12, -1 / 360, 1 / 1260, -1 / 1680)) - _odd(u, (1 / 12, -1 / 360, 1 / 1260, -1 / 1680))
    inverses = growth + 0.5 * n * u * v
    inverses += _even(u, v, (1 / 12, -1 / 120, 1 / 252, -1 / 240))
    squares = n * u * v + 0.5 * (u - v) * (u + v) + _odd_steps(u, v, (1 / 6, -1 / 30, 1 / 42, -1 / 30))
    small = b < FEW
    if small.any():
        low, high = b[small], top[small]
        logs[small] = gammaln(high) - gammaln(low)
        inverses[small] = digamma(high) - digamma(low)
        squares[small] = polygamma(1, low) - polygamma(1, high)
    return logs, inverses, squares


def _odd(x: np.ndarray, terms: tuple[float, ...]) -> np.ndarray:
    square = x * x
    return np.asarray(x * (terms[0] + square * (terms[1] + square * (terms[2] + square * terms[3]))))


def _even(u: np.ndarray, v: np.ndarray, terms: tuple[float, ...]) -> np.ndarray:
    p, q = u * u, v * v
    series = terms[0] + terms[1] * (p + q) + terms[2] * (p * p + p * q + q * q)
    return np.asarray((p - q) * (series + terms[3] * (p + q) * (p * p + q * q)))


def _odd_steps(u: np.ndarray, v: np.ndarray, terms: tuple[float, ...]) -> np.ndarray:
    return sum((term * (u ** (2 * i + 3) - v ** (2 * i + 3)) for i, term in enumerate(terms)), start=np.zeros_like(u))


class PartialLikelihood:
    """Log partial likelihood of proportional hazards on a risk table, with its first two derivatives.

    Efron's form of a time with d failures sums log(S - j F / d) over j = 0 ... d - 1 (S over those at risk, F over
    those who failed); with a = d S / F these are sums of log(a - j), 1 / (a - j) and 1 / (a - j)^2 in closed form.

    Shapes: columns (p, k).

    References
    ----------
    Efron (1977), J. Am. Stat. Assoc. 72, 557-565; Breslow (1974), Biometrics 30, 89-99.
    """

    def __init__(self, table: RiskTable, columns: np.ndarray, ties: str) -> None:
        self.table = table
        self.columns = columns
        self.ties = ties
        self.deaths = table.deaths
        self.failed_by_pattern = np.asarray(table.failed.sum(axis=0)).ravel()

    @cached_property
    def null(self) -> Slopes:
        """Value, score and information where nothing has an effect."""
        return self.at(np.zeros(self.columns.shape[1]))

    def relative_hazard(self, coefficients: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return each pattern's linear predictor, shifted so that the largest is 0, and its exponential.

        Shapes: coefficients (k,), returns (p,).
        """
        predictor = self.columns @ coefficients
        predictor = predictor - predictor.max(initial=-np.inf)
        return predictor, np.exp(predictor)

    def times(self, sums: np.ndarray, tied: np.ndarray) -> _Times:
        """Return what each failure time adds to value and derivatives.

        Shapes: sums, tied (m,).
        """
        d = self.deaths
        if self.ties == "breslow":
            zero = np.zeros_like(d)
            return _Times(d * np.log(sums), d / sums, zero, d / sums**2, zero, zero)
        ratio = d * np.maximum(sums / tied, 1.0)
        logs, first, second = tie_sums(ratio - d + 1.0, d)
        scale = d / tied
        part = ratio * second - first
        return _Times(
            log_sum=logs - d * np.log(scale),
            hazard=scale * first,
            hazard_tied=(ratio * first - d) / tied,
            square=scale**2 * second,
            cross=scale / tied * part,
            square_tied=(ratio * part - ratio * first + d) / tied**2,
        )

    def at(
        self, coefficients: np.ndarray, time_weights: np.ndarray | None = None, *, means: np.ndarray | None = None
    ) -> Slopes:
        """Evaluate value, score and information; with the `means` of another point in a fraction of the time.

        Shapes: coefficients (k,), time_weights (m,), means (k, k).
        """
        k = self.columns.shape[1]
        if not self.deaths.size:
            return Slopes(value=0.0, score=np.zeros(k), squares=np.zeros((k, k)), means=np.zeros((k, k)))
        predictor, hazard = self.relative_hazard(coefficients)
        parts = self.times(self.table.sums(hazard), self.table.failed @ hazard)
        w = np.ones_like(self.deaths) if time_weights is None else time_weights
        by_pattern = self.failed_by_pattern if time_weights is None else self.table.failed.T @ w
        expected = hazard * (self.table.spread(w * parts.hazard) - self.table.failed.T @ (w * parts.hazard_tied))
        return Slopes(
            value=float(by_pattern @ predictor - w @ parts.log_sum),
            score=(by_pattern - expected) @ self.columns,
            squares=(self.columns * expected[:, None]).T @ self.columns,
            means=self._means(hazard, parts, w) if means is None else means,
            is_exact=means is None,
        )

    def _means(self, hazard: np.ndarray, parts: _Times, w: np.ndarray) -> np.ndarray:
        """Products of the covariates' expectations at each failure time, summed over the times."""
        weighted = hazard[:, None] * self.columns
        s, f = self.table.sums(weighted), self.table.failed @ weighted
        mixed = (s * (w * parts.cross)[:, None]).T @ f
        means = (s * (w * parts.square)[:, None]).T @ s + (f * (w * parts.square_tied)[:, None]).T @ f - mixed - mixed.T
        return np.asarray(means + means.T) / 2


def free_directions(information: np.ndarray, scale: float, tolerance: float = 1e-9) -> np.ndarray:
    """Return the directions in which a log-likelihood is flat, as orthonormal columns.

    Shapes: information (k, k), returns (k, q).
    """
    diagonal = np.diag(information)
    empty = diagonal <= 1e-12 * max(scale, 1e-300)
    size = np.where(empty, 1.0, np.sqrt(np.maximum(diagonal, 1e-300)))
    scaled = np.where(empty[:, None] | empty[None, :], 0.0, information / np.outer(size, size))
    values, vectors = eigen_of(scaled)
    flat = vectors[:, values <= tolerance * max(float(values.max(initial=0.0)), 1.0)] / size[:, None]
    return np.linalg.qr(flat)[0] if flat.shape[1] else flat


def maximise(
    likelihood: PartialLikelihood, penalty: np.ndarray, start: np.ndarray | None = None, *, steps: int = 60
) -> CoxMaximum:
    """Maximise the penalised log partial likelihood by Newton's method with step halving.

    Flat directions stay where they start (at 0). On the way the part of the information that takes longest is that of
    the last point where it was computed; it is computed anew when steps stop gaining on each other, and at the end.

    Shapes: penalty (k,), start (k,).
    """
    beta = np.zeros(likelihood.columns.shape[1]) if start is None else start.copy()
    null = likelihood.null
    now = null if start is None else likelihood.at(beta)
    if not np.isfinite(now.value):
        raise EstimateError("the partial likelihood cannot be computed for these values; check the covariates' sizes")
    scale, before = float(likelihood.deaths.sum()), np.inf
    converged = False
    for _ in range(steps):
        score = now.score - penalty * beta
        step = _newton_step(now.information + np.diag(penalty), score, scale)
        gain = float(score @ step)
        if not now.is_exact and (gain > SLOW * before or gain < SETTLED):
            now, before = likelihood.at(beta), np.inf
            continue
        converged = now.is_exact and gain < NO_GAIN
        reach = float(np.ptp(likelihood.columns @ (beta + step))) if beta.size else 0.0
        if reach > OUT_OF_REACH:
            break
        if gain < SETTLED:
            beta = beta + step
            break
        goal = now.value - 0.5 * float(penalty @ beta**2)
        moved = _climb(likelihood, penalty, beta, step=step, goal=goal, means=None if converged else now.means)
        if moved is None and now.is_exact:
            converged = gain < 1e-6
            break
        if moved is None:
            before = 0.0
            continue
        beta, now, before = *moved, gain
        if converged:
            break
    if not now.is_exact:
        now = likelihood.at(beta)
    return CoxMaximum(coefficients=beta, slopes=now, null=null, converged=converged)


def _newton_step(information: np.ndarray, score: np.ndarray, scale: float) -> np.ndarray:
    size = np.sqrt(np.maximum(np.diag(information), 1e-12 * max(scale, 1e-300)))
    values, vectors = eigen_of(information / np.outer(size, size))
    kept = values > 1e-12 * max(float(values.max(initial=0.0)), 1e-300)
    part = vectors[:, kept]
    return np.asarray((part @ ((part.T @ (score / size)) / values[kept])) / size)


def _climb(
    likelihood: PartialLikelihood,
    penalty: np.ndarray,
    beta: np.ndarray,
    *,
    step: np.ndarray,
    goal: float,
    means: np.ndarray | None,
) -> tuple[np.ndarray, Slopes] | None:
    slack = 1e-12 * (1.0 + abs(goal))
    for halving in range(30):
        candidate = beta + step / 2**halving
        slopes = likelihood.at(candidate, means=means)
        if np.isfinite(slopes.value) and slopes.value - 0.5 * penalty @ candidate**2 >= goal - slack:
            return candidate, slopes
    return None
