"""Shared sites: groups of lives in, one sentence on what their common sites do to limits of curves and means out."""

import math
from collections.abc import Sequence

from workbench.estimate.turnbull import error_ratio
from workbench.lives import Lives

__all__ = ["site_caveat"]

FEW_SITES = 20
"""Below so many the ratio itself is rough: common practice, no source."""

LARGER = 1.05
"""Ratio of standard errors from which it is said in figures."""


def site_caveat(groups: Sequence[tuple[Lives, float]], mission: float, *, days: bool = False) -> tuple[str, ...]:
    """Return the sentence that limits take units as independent while units of one site share its fate."""
    if not all("site" in lives.covariates for lives, _ in groups):
        return ()
    ratio, sites = error_ratio(groups, "site", mission, days=days)
    if sites < 2:
        return ()
    start = "Limits take units as independent, yet units of one site share its fate: "
    if not math.isfinite(ratio):
        return (start + "in simulated seasons with site effects 95 % limits held the truth in about 90 of 100.",)
    few = sites < FEW_SITES
    size = f"{'roughly ' if few else ''}{ratio:.1f} times as large"
    if ratio < LARGER:
        size = "no larger, though so few sites tell little" if few else "no larger"
    return (f"{start}with the {sites} sites as clusters the standard error would be {size}.",)
