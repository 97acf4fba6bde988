"""Law of glimpses: a unit that was watched for next to no time says next to nothing, whenever that was.

So entries count: without them such a unit would have lived from day 0 on.
"""

import numpy as np
import pandas as pd
import pytest

from tests.laws.comparing import answer, holds
from tests.laws.data import INF, Rows

GLIMPSE = 1e-7
"""Of the day of entry."""
SHOWN = {
    "curve": (("at", ("survival", "std_error", "lower", "upper")), ("difference", ("difference", "p_value"))),
    "incidence": (("at", ("incidence", "std_error", "lower", "upper")), ("test", ("statistic", "p_value"))),
    "mean": (("table", ("restricted_mean", "std_error", "lower", "upper")),),
    "test": (("statistic", ("value",)), ("pairwise", ("statistic", "p_adjusted")), ("table", ("expected",))),
    "test within": (("statistic", ("value",)), ("pairwise", ("statistic", "p_adjusted"))),
    "trend": (("statistic", ("value",)),),
    "hazard ratios": (("table", ("log_hazard_ratio", "std_error")),),
    "time ratios": (("table", ("log_time_ratio", "std_error")),),
    "weibull": (("table", ("estimate", "std_error", "lower", "upper")), ("log_likelihood", ("value",))),
    "lognormal": (("table", ("estimate", "std_error", "lower", "upper")),),
    "gamma": (("table", ("estimate", "std_error", "lower", "upper")),),
    "weibull, shape given": (("table", ("estimate", "std_error", "lower", "upper")),),
}
"""The figures of each question that do not count the units there were."""
FITS = ("weibull", "lognormal", "gamma", "weibull, shape given", "time ratios")


def glimpsed(rows: Rows) -> Rows | None:
    """The rows and units of every choice that were seen for a moment between two of the days that count."""
    ends = rows.table[["lower", "upper", "entry"]].to_numpy(float)
    days = np.unique(np.append(ends[np.isfinite(ends)], rows.horizon * np.array([0.0, 0.13, 0.5, 0.77, 1.0])))
    if len(days) < 3:
        return None
    gap = int(np.argmax(np.diff(days[: 1 + len(days) // 2])))
    when = days[gap] + 0.4 * (days[gap + 1] - days[gap])
    each = rows.table.dropna(subset=["choice"]).groupby("choice", sort=False).head(1)
    more = each.assign(entry=when, lower=when * (1 + GLIMPSE), upper=INF, weight=3, cause="")
    return rows.rewritten(pd.concat([rows.table, more]))


def law(name: str, rows: Rows) -> None:
    more = glimpsed(rows)
    if more is None or (name not in FITS and rows.table.eval("upper != lower and upper < inf").any()):
        return
    one, two = answer(name, rows), answer(name, more)
    if isinstance(one, str) or isinstance(two, str):
        return
    for frame, columns in SHOWN[name]:
        for column in columns if frame in one else ():
            a, b = (found[frame][column].to_numpy(float) for found in (one, two))
            if np.isnan(a).all():  # a line through all points is no longer one where a glimpse lies beside it
                continue
            largest = np.max(np.abs(a[np.isfinite(a)]), initial=1e-9)
            np.testing.assert_allclose(b, a, rtol=1e-4, atol=1e-5 * largest, err_msg=f"{frame}.{column}")


@pytest.mark.parametrize("name", SHOWN)
def test_a_glimpse_of_a_unit_says_nothing(name):
    holds(law, name, sets=("ties", "season, exact"), kinds=("exact", "mixed") if name in FITS else ("exact",))
