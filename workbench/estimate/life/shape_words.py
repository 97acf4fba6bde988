"""What a fitted shape means in words, and when there are too few failures to speak of one."""

from collections.abc import Sequence

import numpy as np

from workbench.estimate.life.distribution_fit import DistributionFit
from workbench.wording import count_of, round_sense

__all__ = ["LEAST_FAILURES_FOR_A_SHAPE", "shape_statement"]

LEAST_FAILURES_FOR_A_SHAPE = 5
"""Under this many failures no shape is printed (a judgement, no source)."""


def shape_statement(fit: DistributionFit, fixed: Sequence[DistributionFit] = ()) -> tuple[str, ...]:
    """Say in sentences what the shape of a fit tells about the way units fail.

    Examples
    --------
    >>> from workbench.estimate.life.distributions import fit_distribution
    >>> from workbench.lives import Lives
    >>> few = Lives.from_arrays([40, 90, 120], [True, False, False])
    >>> shape_statement(fit_distribution(few))
    ('Too few failures for a shape: 1 failure in 3 units, at least 5 are needed.',)
    """
    if fit.fixed_shape is not None:
        return (_line(fit),)
    if fit.failures < LEAST_FAILURES_FOR_A_SHAPE:
        counts = f"{count_of(fit.failures, 'failure')} in {count_of(fit.units, 'unit')}"
        needed = f"at least {LEAST_FAILURES_FOR_A_SHAPE} are needed"
        return (f"Too few failures for a shape: {counts}, {needed}.", *(_line(f) for f in fixed))
    if "shape" not in fit.parameters or fit.distribution == "loglogistic":
        return (f"The {fit.distribution} form has no shape that tells early-life failures from wear-out.",)
    row = list(fit.columns["parameter"]).index("shape")
    shape, low, high = (float(fit.columns[c][row]) for c in ("estimate", "lower", "upper"))
    if not np.isfinite(shape):
        return ("The shape cannot be estimated from these lives.",)
    limits = f"{_figure(low, 'no lower limit')} to {_figure(high, 'no upper limit')}"
    head = f"Shape {_figure(shape, '')} ({100 * fit.confidence:g} % limits {limits}, {fit.failures} failures): "
    if high < 1:
        return (head + "failures come early and grow rarer with age (early-life), as from faults built or carried in.",)
    if low > 1:
        return (head + "failures grow more frequent with age (wear-out).",)
    return (
        head + "1 lies within the limits, so these lives cannot tell early-life failures, a steady rate and wear-out "
        "apart.",
    )


def _figure(value: float, missing: str) -> str:
    return f"{round_sense(value):g}" if np.isfinite(value) else missing


def _line(fit: DistributionFit) -> str:
    b10 = fit.quantile(0.1)
    time, low, high = (float(b10[c].iloc[0]) for c in ("time", "lower", "upper"))
    assumed = (
        f"With an assumed shape of {fit.fixed_shape:g} (not estimated)" if fit.fixed_shape else "With a steady rate"
    )
    if not np.isfinite(time):
        if not np.isfinite(low):
            return f"{assumed} nothing can be said of the age by which 10 % have failed."
        level = f"{100 * fit.confidence:g} % one-sided bound, no failures in {count_of(fit.units, 'unit')}"
        return f"{assumed}, the age by which 10 % fail is at least {_figure(low, '')} {fit.unit} ({level})."
    limits = f"{_figure(low, 'no lower limit')} to {_figure(high, 'no upper limit')}"
    counts = f"{100 * fit.confidence:g} % limits {limits}, {count_of(fit.failures, 'failure')}"
    return f"{assumed}, 10 % have failed by {_figure(time, '')} {fit.unit} ({counts})."
