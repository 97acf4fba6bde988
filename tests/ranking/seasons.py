"""Small seasons with a known truth for the tests of the ranking, drawn from the ranking's own kind of model."""

import numpy as np
import pandas as pd

from workbench.estimate.turnbull import pseudo_shares
from workbench.lives import Lives
from workbench.ranking.checks import SecondEstimate, Sensitivity, season_clock, second_estimates, sensitivity_of
from workbench.ranking.model import Design, fitted_design

EFFECTS = {"seal": {"flat": 0.0, "cord": 0.3, "ring": 0.6}, "vent": {"none": 0.0, "membrane": 0.0}}


def make_lives(
    seed: int,
    n: int = 160,
    effects: dict = EFFECTS,
    *,
    confounding: float = 0.0,
    scale: float = 0.6,
    missing: float = 0.08,
    last_day: int = 220,
) -> Lives:
    """Return lives of n units at nine sites, visited every 30 days; confounded: the best seals at the worst sites."""
    rng = np.random.default_rng(seed)
    site = rng.integers(0, 9, n)
    environment = np.array(["marsh", "bog", "lane"])[site // 3]
    harsh = np.array([-0.45, -0.1, 0.35])[site // 3] + rng.normal(0, 0.2, 9)[site]
    columns: dict = {"site": np.array([f"site {s}" for s in site], dtype=object), "environment": environment}
    location = 5.6 + harsh
    for name, levels in effects.items():
        names = list(levels)
        code = rng.integers(0, len(names), n)
        if name == "seal" and confounding:
            follows = rng.random(n) < confounding
            code = np.where(follows, len(names) - 1 - site // 3 * (len(names) - 1) // 2, code)
        columns[name] = np.array(names, dtype=object)[code]
        location = location + np.array([levels[v] for v in names])[code]
    life = np.exp(location + scale * np.log(rng.exponential(size=n)))
    end = np.where(rng.random(n) < missing, rng.uniform(10, last_day, n), last_day).round()
    visit = np.floor(life / 30) * 30
    failed = visit + 30 <= end
    columns["outcome"] = np.where(failed, "failed", np.where(end < last_day, "missing", "working"))
    columns["followed_to"] = np.full(n, float(last_day))
    lower = np.where(failed, visit, end)
    return Lives.from_arrays(lower=lower, upper=np.where(failed, visit + 30, np.inf), covariates=pd.DataFrame(columns))


def season_of_gone_rings(gone: float, failing: tuple[float, float]) -> Lives:
    """Return 240 units of which only rings go missing; of the others a share fails, of rings and of flat seals."""
    rng = np.random.default_rng(2)
    n = 240
    ring = rng.random(n) < 0.5
    lost = ring & (rng.random(n) < gone)
    failed = ~lost & (rng.random(n) < np.where(ring, *failing))
    frame = {
        "seal": np.where(ring, "ring", "flat"),
        "outcome": np.where(lost, "missing", np.where(failed, "failed", "working")),
        "followed_to": np.full(n, 200.0),
    }
    time = np.where(lost, 20.0, np.where(failed, rng.integers(30, 180, n), 200.0))
    return Lives.from_arrays(time, failed, covariates=pd.DataFrame(frame))


def second_of(design: Design, mission: float) -> dict[tuple[str, str], SecondEstimate]:
    """Return the second estimates of a design."""
    return dict(second_estimates(design, pseudo_shares(design.lives, mission)))


def sensitivity_at(design: Design, mission: float) -> Sensitivity:
    """Return the sensitivity of a design."""
    return sensitivity_of(fitted_design(design), mission, season_clock(design))
