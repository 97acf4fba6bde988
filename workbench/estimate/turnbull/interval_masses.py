"""Masses: which classes each life can belong to in, the most likely shares of the classes with ratio limits out."""

from dataclasses import dataclass

import numpy as np

from workbench.estimate.steps import normal_quantile

__all__ = ["Memberships", "fit_masses", "log_likelihood", "share_limits"]

NO_MASS = 1e-9


@dataclass(frozen=True, eq=False)
class Memberships:
    """Distinct lives against the classes (a cell of time and a cause, or surviving) that they can belong to.

    Attributes
    ----------
    inside : np.ndarray of float, shape (n, j)
        1 where the life can belong to the class.
    seen : np.ndarray of float, shape (n, j)
        1 where the life would have come under observation if it belonged to the class (delayed entry).
    weight : np.ndarray of float, shape (n,)
        How many lives.
    """

    inside: np.ndarray
    seen: np.ndarray
    weight: np.ndarray

    def with_life(self, classes: np.ndarray, weight: float) -> "Memberships":
        """Add one more life, known to belong to some classes and seen in any case.

        Shapes: classes (j,).
        """
        return Memberships(
            np.vstack([self.inside, classes.astype(float)]),
            np.vstack([self.seen, np.ones(classes.size)]),
            np.append(self.weight, weight),
        )


def log_likelihood(lives: Memberships, share: np.ndarray) -> float:
    """Log-likelihood of shares of the classes.

    Shapes: share (j,).
    """
    own, seen = lives.inside @ share, lives.seen @ share
    if np.any(own <= 0):
        return -np.inf
    return float(lives.weight @ (np.log(own) - np.log(seen)))


def fit_masses(lives: Memberships, start: np.ndarray | None = None, steps: int = 300) -> np.ndarray:
    """Maximise the likelihood: some steps of expectation and maximisation, then projected Newton steps.

    Shapes: start (j,), returns (j,).

    References
    ----------
    Hudgens, Satten & Longini (2001), Biometrics 57, 74-80 (cause and interval together); Turnbull (1976), J. R. Stat.
    Soc. B 38, 290-295.
    """
    j = lives.inside.shape[1]
    share = np.full(j, 1.0 / j)
    if start is not None:
        share = 0.999 * start + 0.001 * share
    for _ in range(30 if start is None else 3):
        share = _expectation_step(lives, share)
    value = log_likelihood(lives, share)
    for _ in range(steps):
        share, value, gain = _newton_step(lives, share, value)
        if gain <= 1e-10:
            break
    return np.where(share > NO_MASS, share, 0.0) / share[share > NO_MASS].sum()


def _expectation_step(lives: Memberships, share: np.ndarray) -> np.ndarray:
    pull = (lives.weight / (lives.inside @ share)) @ lives.inside
    push = (lives.weight / (lives.seen @ share)) @ lives.seen
    new = share * pull / np.maximum(push, 1e-300)
    return new / new.sum()


def _newton_step(lives: Memberships, share: np.ndarray, value: float) -> tuple[np.ndarray, float, float]:
    own, seen, total = lives.inside @ share, lives.seen @ share, float(lives.weight.sum())
    slope = (lives.weight / own) @ lives.inside - (lives.weight / seen) @ lives.seen
    free = np.flatnonzero((share > NO_MASS) | (slope > 0))
    inside, seen_in = lives.inside[:, free], lives.seen[:, free]
    fall = (inside * (lives.weight / own**2)[:, None]).T @ inside + total  # holds the sum, on which nothing depends
    rise = (seen_in * (lives.weight / seen**2)[:, None]).T @ seen_in
    now = np.where(share > NO_MASS, share, 0.0)
    direction = _bounded_step(fall, rise, slope[free], now=now[free])
    gain = float(slope[free] @ direction)
    for halving in range(30):
        new = now.copy()
        new[free] = np.maximum(now[free] + direction * 0.5**halving, 0.0)
        new /= new.sum()
        reached = log_likelihood(lives, new)
        if reached > value:
            return new, reached, max(gain, reached - value)
    return share, value, 0.0


def _bounded_step(fall: np.ndarray, rise: np.ndarray, slope: np.ndarray, *, now: np.ndarray) -> np.ndarray:
    """Maximise slope'd - d'(fall - rise)d / 2 over now + d >= 0; without `rise` where that has no maximum."""
    from scipy.optimize import nnls

    ridge = 1e-9 * np.trace(fall) / len(fall) * np.eye(len(fall))
    try:
        root = np.linalg.cholesky(fall - rise + ridge).T
    except np.linalg.LinAlgError:
        root = np.linalg.cholesky(fall + ridge).T
    goal = np.linalg.solve(root.T, root.T @ (root @ now) + slope)
    return nnls(root, goal, maxiter=50 * len(fall))[0] - now


def share_limits(
    lives: Memberships, best: np.ndarray, classes: np.ndarray, *, confidence: float
) -> tuple[float, float]:
    """All values of the summed share of some classes that the likelihood ratio does not reject.

    The most likely shares under a given sum are those with some number of lives more, known to belong to these classes
    (for higher sums) or to the others (for lower ones); that number is moved until the likelihood has fallen enough.

    Shapes: best (j,), classes (j,).

    References
    ----------
    Thomas & Grunkemeier (1975), J. Am. Stat. Assoc. 70, 865-871; Owen (2001), Empirical Likelihood, ch. 2.
    """
    upper = _one_side(lives, best, classes, added=classes, confidence=confidence)
    return _one_side(lives, best, classes, added=~classes, confidence=confidence), upper


def _one_side(
    lives: Memberships, best: np.ndarray, classes: np.ndarray, *, added: np.ndarray, confidence: float
) -> float:
    wanted, top = normal_quantile(confidence), log_likelihood(lives, best)
    far = 1.0 if added is classes or np.array_equal(added, classes) else 0.0
    if not added.any():
        return far
    total = float(lives.weight.sum())
    known, share = [(0.0, 0.0, float(best[classes].sum()))], best
    more = np.sqrt(total)
    for _ in range(60):
        share = fit_masses(lives.with_life(added, more), share)
        fallen = 2.0 * (top - log_likelihood(lives, share)) if np.all(lives.inside @ share > 0) else np.inf
        root = float(np.sqrt(max(fallen, 0.0)))
        reached = float(share[classes].sum())
        known = sorted([*known, (root, more, reached)])
        if abs(root - wanted) < 1e-3:
            return reached
        below = [k for k in known if k[0] < wanted]
        above = [k for k in known if k[0] > wanted]
        if not above:
            if more > 1e4 * total:
                return far
            more *= min(max(1.2 * wanted / max(root, 1e-9), 1.5), 10.0)
        else:
            (r0, m0, _), (r1, m1, _) = below[-1], above[0]
            part = (wanted - r0) / (r1 - r0) if np.isfinite(r1) else 0.5
            more = m0 + min(max(part, 0.05), 0.95) * (m1 - m0)
    return reached
