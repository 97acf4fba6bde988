"""Law of complete lives: where every failure is known, what is estimated is a plain share or a plain mean.

Their errors are then those of a share, sqrt(p (1 - p) / n), and of a mean, the root of its variance over n; a test of
units that were all looked at once is the chi-square of a table of counts, times (n - 1) / n.
"""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2, chi2_contingency, norm
from statsmodels.stats.multitest import multipletests

from tests.laws.comparing import answer, holds, same
from tests.laws.data import INF, Rows, rows_of
from tests.laws.test_spans import is_exact

CLOSE = {"rtol": 1e-6, "atol": 1e-9}
SETS = ("ties", "heavy weights", "all failed", "day 0")


def completed(rows: Rows) -> Rows:
    """The rows as failures on known days, watched from day 0 on."""
    cause = np.where(rows.table["cause"] == "", "battery", rows.table["cause"])
    return rows.rewritten(rows.table.assign(upper=rows.table["lower"], entry=0.0, cause=cause))


def groups_in(rows: Rows):
    """Each choice with its table and its number of units."""
    for group, of in rows.table.dropna(subset=["choice"]).groupby("choice"):
        yield group, of, of["weight"].to_numpy(float)


def _is_share(shown: pd.DataFrame, column: str, share: np.ndarray, units: float, where: str) -> None:
    np.testing.assert_allclose(shown[column], share, err_msg=where, **CLOSE)
    inside = (share > 1e-9) & (share < 1 - 1e-9)
    error = np.sqrt(share * (1 - share) / units)
    np.testing.assert_allclose(shown["std_error"][inside], error[inside], err_msg=where, **CLOSE)


def law_of_shares(name: str, rows: Rows) -> None:
    rows = completed(rows)
    found = answer(name, rows)
    for group, of, weight in groups_in(rows):
        at = found["at"][found["at"]["group"] == group]
        for cause, shown in at.groupby("cause") if "cause" in at else [("", at)]:
            counts = weight * (of["cause"] == cause if cause else True)
            gone = np.array([counts[of["lower"] <= t].sum() for t in shown["time"]]) / weight.sum()
            share, column = (gone, "incidence") if cause else (1 - gone, "survival")
            _is_share(shown.reset_index(drop=True), column, share, weight.sum(), f"{group} {cause}")


def law_of_ages(name: str, rows: Rows) -> None:
    """An age by which a share has failed is the first day by which so many have."""
    rows = completed(rows)
    shown = answer(name, rows)["quantile"]
    for group, of, weight in groups_in(rows):
        days = np.sort(of["lower"].unique())
        gone = np.array([weight[of["lower"] <= day].sum() for day in days]) / weight.sum()
        for _, row in shown[shown["group"] == group].iterrows():
            assert row["time"] == pytest.approx(days[np.argmax(gone >= row["p"] - 1e-9)]), f"{group} {row['p']}"


def law_of_plain_means(name: str, rows: Rows) -> None:
    rows = completed(rows)
    found = answer(name, rows)
    shown = found["table"].set_index("group")
    for group, of, weight in groups_in(rows):
        lasted = np.minimum(of["lower"], rows.horizon)
        mean = np.average(lasted, weights=weight)
        error = np.sqrt(np.average((lasted - mean) ** 2, weights=weight) / weight.sum())
        assert shown.loc[group, "restricted_mean"] == pytest.approx(mean), group
        if error > 1e-9 * mean and np.isfinite(shown.loc[group, "std_error"]):
            assert shown.loc[group, "std_error"] == pytest.approx(error, rel=1e-6), group
    errors = shown["std_error"]
    for _, row in found["difference"].iterrows():
        both = np.hypot(errors[row["group_a"]], errors[row["group_b"]])
        np.testing.assert_allclose(row["std_error"], both, **CLOSE)


@pytest.mark.parametrize("name", ["curve", "incidence"])
def test_without_suspensions_a_curve_is_a_share(name):
    holds(law_of_shares, name, sets=SETS, kinds=("exact",))


@pytest.mark.parametrize("name", ["curve"])
def test_without_suspensions_an_age_is_an_order_statistic(name):
    holds(law_of_ages, name, sets=SETS, kinds=("exact",))


@pytest.mark.parametrize("name", ["mean"])
def test_without_suspensions_a_restricted_mean_is_a_mean(name):
    holds(law_of_plain_means, name, sets=SETS, kinds=("exact",))


@pytest.mark.parametrize("name", ["mean"])
def test_on_one_grid_a_restricted_mean_is_that_of_the_middles(name):
    """Failures in spans that do not overlap lie on average in the middles, whose spread is the error."""
    for seed in range(3):
        rows = rows_of(20, seed, "grid", failed=True, choice="a")
        rows = Rows(rows.table, horizon=float(rows.table["upper"].max()) + 1.0)
        shown = answer(name, rows)["table"].iloc[0]
        middle = (rows.table["lower"] + rows.table["upper"]) / 2
        assert shown["restricted_mean"] == pytest.approx(middle.mean(), rel=1e-5)
        assert shown["std_error"] == pytest.approx(middle.std(ddof=0) / np.sqrt(len(middle)), rel=1e-3)


def seen_once(rows: Rows, *, in_span: bool) -> Rows:
    """The rows as units that were all looked at on one day: failed on it, or by it, or still working."""
    failed = np.isfinite(rows.table["upper"])
    table = rows.table.assign(lower=np.where(failed & in_span, 0.0, 30.0), upper=np.where(failed, 30.0, INF), entry=0.0)
    return rows.rewritten(table.assign(cause=np.where(failed, "battery", "")), horizon=20.0)


def law_of_tables(name: str, rows: Rows) -> None:
    for in_span in (False, True):
        once = seen_once(rows, in_span=in_span).rewritten(seen_once(rows, in_span=in_span).table.dropna())
        failed = np.isfinite(once.table["upper"])
        counts = once.table.assign(failed=failed).pivot_table("weight", "choice", "failed", "sum", fill_value=0)
        if min(counts.shape) < 2:
            continue
        units = counts.to_numpy().sum()
        plain = chi2_contingency(counts, correction=False).statistic * (units - 1) / units
        found = answer(name, once)
        frame, column = ("test", "statistic") if name == "incidence" else ("statistic", "value")
        np.testing.assert_allclose(found[frame][column], plain, rtol=1e-6, atol=1e-9, err_msg=f"in span: {in_span}")


@pytest.mark.parametrize("name", ["test", "incidence"])
def test_units_looked_at_once_are_a_table_of_counts(name):
    holds(law_of_tables, name, sets=("ties", "heavy weights"))


def law_of_tails(name: str, rows: Rows) -> None:
    """A p value is the upper tail of chi-square, with one degree fewer than groups that can be compared."""
    found = answer(name, rows)
    if isinstance(found, str):
        return
    if name == "incidence":
        tested = found["test"].dropna()
        np.testing.assert_allclose(tested["p_value"], chi2.sf(tested["statistic"], tested["degrees_of_freedom"]))
        return
    statistic, degrees = found["statistic"]["value"][0], found["degrees_of_freedom"]["value"][0]
    if np.isnan(statistic):
        return
    assert degrees <= (1 if name == "trend" else len(found["table"]) - 1)
    np.testing.assert_allclose(found["p_value"]["value"], chi2.sf(statistic, degrees))
    pairs = found["pairwise"].dropna()
    np.testing.assert_allclose(pairs["p_value"], chi2.sf(pairs["statistic"], 1))
    if len(pairs):
        np.testing.assert_allclose(pairs["p_adjusted"], multipletests(pairs["p_value"], method="holm")[1])
    expected = found["table"]["expected"].sum()
    np.testing.assert_allclose(expected, found["table"]["failures"].sum(), rtol=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["test", "test within", "trend", "incidence"])
def test_a_p_value_is_the_tail_of_its_statistic(name):
    holds(law_of_tails, name, sets=("season, exact", "season, mixed", "ties"))


def law_of_arrangements(name: str, rows: Rows) -> None:
    """A p value by permutation counts the arrangement seen among the others, so it is never 0."""
    found = answer(name, rows)
    if not isinstance(found, str):
        for p in (*found["p_value"]["value"], *found["pairwise"]["p_value"]):
            assert np.isnan(p) or (p * 20 == pytest.approx(round(p * 20)) and 1 / 20 <= p <= 1), p


@pytest.mark.parametrize("name", ["test, permuted"])
def test_a_p_value_by_permutation_counts_what_was_seen(name):
    holds(law_of_arrangements, name, sets=("exact", "spans", "season, exact"))


def law_of_copies(name: str, rows: Rows) -> None:
    """Groups that are copies of each other do not differ at all."""
    once = rows.table.dropna(subset=["choice"])
    twice = rows.rewritten(pd.concat([once.assign(choice=level) for level in "ab"]))
    found = answer(name, twice)
    if isinstance(found, str):
        return
    if name == "incidence":
        assert (found["test"]["statistic"].dropna() < 1e-9).all()
        return
    assert not found["statistic"]["value"][0] > 1e-9
    np.testing.assert_allclose(found["table"]["expected"], found["table"]["failures"], rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("name", ["test", "test within", "incidence"])
def test_copies_do_not_differ(name):
    holds(law_of_copies, name, sets=("late entry", "season, mixed"))


def law_of_one_cause(name: str, rows: Rows) -> None:
    """Where one cause ends all, its incidence is what survival leaves, limits and errors with it."""
    failed = np.isfinite(rows.table["upper"])
    rows = rows.rewritten(rows.table.assign(cause=np.where(failed, "battery", "")))
    lost, alive = answer(name, rows), answer("curve", rows)
    if isinstance(lost, str):
        return
    both = lost["at"].merge(alive["at"], on=["group", "time"], suffixes=("", "_alive")).dropna(subset=["incidence"])
    both = both[(both["incidence"] > 0) & (both["survival"] > 0)]
    if not is_exact(rows):
        np.testing.assert_allclose(both["incidence"], 1 - both["survival"], atol=1e-3)
        return
    for one, other in (("incidence", "survival"), ("lower", "upper_alive"), ("upper", "lower_alive")):
        np.testing.assert_allclose(both[one], 1 - both[other], err_msg=one, **CLOSE)
    np.testing.assert_allclose(both["std_error"], both["std_error_alive"], err_msg="std_error", **CLOSE)
    ranks = answer("test", rows)
    if not isinstance(ranks, str) and not (rows.table["entry"] > 0).any():  # Gray's variance is not quite Mantel's
        tested = lost["test"]["statistic"].dropna()
        np.testing.assert_allclose(tested, ranks["statistic"]["value"][0], rtol=0.1, atol=0.05)


@pytest.mark.parametrize("name", ["incidence"])
def test_the_incidence_of_one_cause_is_what_survival_leaves(name):
    holds(law_of_one_cause, name, sets=("exact", "season, exact", "late spans", "season, mixed"))


def law_of_the_horizon(name: str, rows: Rows) -> None:
    """What happens on the horizon's day or later changes no mean up to it."""
    if not is_exact(rows):
        return
    days = np.unique(rows.table["lower"])
    for horizon in {float(days[0]), float(days[len(days) // 2])} - {0.0}:
        late = rows.table["lower"] >= horizon
        seen = rows.table.assign(upper=np.where(late, INF, rows.table["upper"]))
        seen = seen.assign(lower=np.where(late, horizon, seen["lower"]), cause=np.where(late, "", seen["cause"]))
        found = [answer(name, rows.rewritten(table, horizon=horizon)) for table in (rows.table, seen)]
        same(name, *found)


@pytest.mark.parametrize("name", ["mean"])
def test_what_happens_at_the_horizon_changes_no_mean(name):
    holds(law_of_the_horizon, name, sets=("ties", "all failed", "exact"), kinds=("exact",))


def law_of_counts(name: str, rows: Rows) -> None:
    """At risk on a day are those that entered before it and had not left before it."""
    if not is_exact(rows):
        return
    table = answer(name, rows)["table"]
    for group, of, weight in groups_in(rows):
        shown = table[table["group"] == group]
        since = np.where(of["entry"] > 0, of["entry"], -1.0)
        for _, row in shown.iterrows():
            there = (since < row["time"]) & (of["lower"] >= row["time"])
            ended = (of["lower"] == row["time"]) & np.isfinite(of["upper"])
            assert row["at_risk"] == weight[there].sum(), f"{group} {row['time']}"
            assert row["failures"] == weight[ended].sum(), f"{group} {row['time']}"


@pytest.mark.parametrize("name", ["curve"])
def test_units_at_risk_are_those_between_entry_and_end(name):
    holds(law_of_counts, name, sets=("joiners", "late entry", "ties", "day 0"), kinds=("exact",))


def test_who_enters_on_the_day_of_a_failure_was_not_at_risk_on_it():
    rows = rows_of(
        6, 1, "exact", time=[10.0, 10, 20, 20, 30, 30], failed=True, choice="a", entry=[0.0, 0, 10, 10, 0, 20]
    )
    law_of_counts("curve", rows)


def law_of_levels(name: str, rows: Rows) -> None:
    """Limits of steps are as many standard errors away as their level says, without failures an exact bound."""
    found = answer(name, rows)
    if isinstance(found, str) or not is_exact(rows):
        return
    z = norm.ppf(0.975)
    if name == "mean":
        of = found["table"].query("std_error > 0 and lower > 0 and upper < @rows.horizon * (1 - 1e-9)")
        np.testing.assert_allclose(of["upper"] - of["lower"], 2 * z * of["std_error"], rtol=1e-6)
        return
    if (rows.table["entry"] > 0).any():
        return
    at = found["at"].dropna(subset=["survival", "lower"])
    none = at.query("survival == 1 and at_risk > 0 and time > 0")
    np.testing.assert_allclose(none["lower"] ** none["at_risk"], 0.025, rtol=1e-6)
    some = at.query("0 < survival < 1 and std_error > 0")
    apart = np.log(np.log(some["lower"]) / np.log(some["survival"])) * -np.log(some["survival"])
    np.testing.assert_allclose(apart * some["survival"] / some["std_error"], z, rtol=1e-6)


@pytest.mark.parametrize("name", ["curve", "mean"])
def test_limits_are_as_wide_as_their_level_says(name):
    holds(law_of_levels, name, sets=("season, exact", "exact", "none failed"), kinds=("exact",))


def law_of_strata(name: str, rows: Rows) -> None:
    """Strata that are copies of each other say the same twice."""
    once = rows.rewritten(rows.table.dropna(subset=["choice"]).assign(place="x"))
    twice = rows.rewritten(pd.concat([once.table.assign(place=place) for place in "xy"]))
    one, two = answer(name, once), answer(name, twice)
    if isinstance(one, str) or isinstance(two, str):
        assert one == two
        return
    frame, column = ("test", "statistic") if name == "incidence within" else ("statistic", "value")
    np.testing.assert_allclose(two[frame][column], 2 * one[frame][column], rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize("name", ["test within", "incidence within"])
def test_strata_that_are_copies_double_a_statistic(name):
    holds(law_of_strata, name, sets=("season, exact", "exact"), kinds=("exact",))
