"""Seen shape: the Weibull life of the season seen, from which next season's trial and visits are planned."""

import math

from workbench.errors import EstimateError
from workbench.estimate.life import fit_distribution
from workbench.lives import Lives

__all__ = ["LEAST_FAILURES", "seen_weibull"]

LEAST_FAILURES = 5
"""Fewer failures give no shape to plan from (a judgement, no source)."""


def seen_weibull(lives: Lives, what: str) -> tuple[float, float]:
    """Fit the Weibull life of the lives seen."""
    if lives.failures < LEAST_FAILURES:
        raise EstimateError(
            f"{lives.failures} failures are too few to plan {what} from; {LEAST_FAILURES} are needed for a shape"
        )
    fit = fit_distribution(lives)
    if not math.isfinite(fit.log_likelihood):
        raise EstimateError(f"these lives tell no shape to plan {what} from ({fit.notes[0].rstrip('.')})")
    return math.log(fit.parameters["scale"]), 1.0 / fit.parameters["shape"]
