"""Cumulative incidence: a case by hand, a second implementation, laws, awkward lives, intervals and errors."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from statsmodels.duration.survfunc import CumIncidenceRight

from workbench.errors import EstimateError, UsageError
from workbench.estimate.curves.curves import survival_curve
from workbench.estimate.curves.incidence import cumulative_incidence
from workbench.estimate.rank_tests.comparisons import compare_groups
from workbench.lives import Lives

CAUSES = np.array(["bite", "water", "wear"])
GRAY_PLAIN = [8.474622, 1.644455]
GRAY_STRATA = [9.495778, 2.119941]


def _season(n=150, seed=4, *, late=False):
    rng = np.random.default_rng(seed)
    life = np.ceil(120 * rng.weibull(1.3, n))
    end = rng.integers(60, 150, n).astype(float)
    entry = np.where(rng.random(n) < 0.4, rng.integers(1, 25, n), 0.0) if late else np.zeros(n)
    time, failed, cause = np.minimum(life, end), life <= end, rng.choice(CAUSES, n)
    keep = time > entry
    frame = pd.DataFrame({"seal": rng.choice(["cord", "flat", "ring"], n), "site": rng.choice(["bog", "cliff"], n)})
    return time[keep], failed[keep], entry[keep], np.where(failed, cause, "")[keep], frame[keep].reset_index(drop=True)


def _lives(season, **more):
    time, failed, entry, cause, frame = season
    return Lives.from_arrays(time, failed, entry=entry, cause=cause, covariates=frame, **more)


def test_four_lives_by_hand():
    lives = Lives.from_arrays([1, 2, 3, 4], [1, 1, 0, 1], cause=["water", "bite", "", "water"])
    table = cumulative_incidence(lives).table
    names = ["group", "cause", "time", "incidence", "std_error", "lower", "upper"]
    assert table.columns[:7].tolist() == names
    water = table[table.cause == "water"]
    np.testing.assert_allclose(water.incidence, [0.25, 0.25, 0.25, 0.75])
    np.testing.assert_allclose(water.std_error[:1], np.sqrt(0.25 * 0.75 / 4))
    bite = table[table.cause == "bite"].iloc[0]
    # nobody bitten by day 1: 0 to 1 - 0.025^(1/4)
    assert (bite.incidence, bite.lower) == (0.0, 0.0)
    assert bite.upper == pytest.approx(1 - 0.025**0.25)


def test_agrees_with_statsmodels():
    time, failed, entry, cause, frame = _season()
    result = cumulative_incidence(_lives((time, failed, entry, cause, frame)))
    codes = np.searchsorted(CAUSES, cause) + 1
    other = CumIncidenceRight(time, np.where(failed, codes, 0))
    for k, name in enumerate(CAUSES):
        mine = result.at(other.times)
        mine = mine[mine.cause == name]
        np.testing.assert_allclose(mine.incidence, other.cinc[k], atol=1e-12)
        np.testing.assert_allclose(mine.std_error, other.cinc_se[k], rtol=1e-6)


@pytest.mark.parametrize("late", [False, True])
def test_sums_with_survival_to_one_in_every_group(late):
    lives = _lives(_season(late=late))
    times = [0, 10, 33, 59]
    lost = cumulative_incidence(lives, "seal").at(times).groupby(["group", "time"])["incidence"].sum()
    alive = survival_curve(lives, "seal").at(times).set_index(["group", "time"])["survival"]
    np.testing.assert_allclose(lost + alive, 1.0, atol=1e-12)


def test_one_cause_is_the_complement_of_survival_with_greenwood():
    time, failed, entry, _, frame = _season(late=True)
    lives = Lives.from_arrays(time, failed, entry=entry, cause=np.where(failed, "any", ""), covariates=frame)
    lost, alive = cumulative_incidence(lives).table, survival_curve(lives).table
    np.testing.assert_allclose(lost.incidence, 1 - alive.survival, atol=1e-12)
    inside = alive.survival > 0
    np.testing.assert_allclose(lost.std_error[inside], alive.std_error[inside], rtol=1e-9)
    np.testing.assert_allclose(lost.lower, 1 - alive.upper, atol=1e-9)
    np.testing.assert_allclose(lost.upper, 1 - alive.lower, atol=1e-9)


def test_weights_equal_repeated_rows_and_order_does_not_matter():
    time, failed, entry, cause, frame = _season(late=True)
    rng = np.random.default_rng(0)
    weight = rng.integers(1, 4, time.size)
    one = cumulative_incidence(_lives((time, failed, entry, cause, frame), weight=weight), "seal", within="site")
    rows = rng.permutation(np.repeat(np.arange(time.size), weight))
    many = cumulative_incidence(
        _lives((time[rows], failed[rows], entry[rows], cause[rows], frame.iloc[rows])), "seal", within="site"
    )
    pd.testing.assert_frame_equal(one.table, many.table)
    pd.testing.assert_frame_equal(one.test, many.test)


def test_gray_with_four_groups_and_strata():
    """Figures computed with cmprsk 2.2.11 (R 4.2.2): cuminc on the veteran data, causes by the parity of diagtime."""
    path = Path(__file__).parents[2] / "published" / "cox.json"
    data = next(c for c in json.loads(path.read_text(encoding="utf-8")) if c["id"] == "cox-veteran")["data"]
    status, even = np.array(data["status"]) == 1, np.array(data["diagtime"]) % 2 == 0
    cause = np.where(~status, "", np.where(even, "1", "2"))
    lives = Lives.from_arrays(data["time"], status, cause=cause, covariates=pd.DataFrame(data))
    plain = cumulative_incidence(lives, "celltype").test
    np.testing.assert_allclose(plain["statistic"], GRAY_PLAIN, rtol=1e-6)
    assert plain["degrees_of_freedom"].tolist() == [3, 3]
    strata = cumulative_incidence(lives, "celltype", within="prior").test
    np.testing.assert_allclose(strata["statistic"], GRAY_STRATA, rtol=1e-6)


def test_gray_without_competing_causes_equals_the_log_rank_to_first_order():
    time, failed, _, _, frame = _season()
    lives = Lives.from_arrays(time, failed, cause=np.where(failed, "any", ""), covariates=frame)
    gray = cumulative_incidence(lives, "seal").test["statistic"][0]
    assert gray == pytest.approx(compare_groups(lives, "seal").statistic, rel=0.1)


def test_look_ups_before_between_and_after():
    lives = Lives.from_arrays([10, 20, 30], [1, 0, 0], cause=["water", "", ""])
    frame = cumulative_incidence(lives).at([5, 10, 29, 30, 31])
    np.testing.assert_allclose(frame.incidence, [0, 1 / 3, 1 / 3, 1 / 3, np.nan])
    assert frame.upper[0] == pytest.approx(1 - 0.025 ** (1 / 3))
    everyone = Lives.from_arrays([10, 20], [1, 1], cause=["water", "bite"])
    np.testing.assert_allclose(cumulative_incidence(everyone).at(99).incidence, [0.5, 0.5])


def test_undetermined_is_a_cause_and_groups_without_it_get_a_bound():
    lives = Lives.from_arrays(
        [3, 5, 9, 9], [1, 1, 0, 0], cause=["water", None, "", ""], covariates={"seal": ["a", "a", "b", "b"]}
    )
    result = cumulative_incidence(lives, "seal")
    assert result.causes == ("undetermined", "water")
    b = result.table[result.table.group == "b"]
    assert (b.incidence == 0).all() and b.upper.tolist() == pytest.approx([1 - 0.025**0.5] * 2)
    assert result.test.shape == (2, 4)


def test_an_emptied_risk_set_is_said():
    lives = Lives.from_arrays([2, 2, 9], [1, 1, 1], entry=[0, 0, 5], cause=["water"] * 3)
    result = cumulative_incidence(lives)
    assert any("every unit at risk at 2 days had failed" in note for note in result.notes)
    assert result.table.incidence.tolist() == [1.0, 1.0]


def test_entrants_after_everyone_had_failed_are_outside_the_test():
    """Both groups are empty on day 6: who enters later was never at risk beside a known survival."""
    time, entry = [2, 3, 4, 5, 6, 6, 12, 14, 15, 16], [0] * 6 + [10] * 4
    cause, frame = ["water", "bite"] * 3 + ["water"] * 4, {"seal": list("abbabaabab")}
    everyone = Lives.from_arrays(time, [1] * 10, entry=entry, cause=cause, covariates=frame)
    early = cumulative_incidence(everyone.take(np.arange(6)), "seal").test
    pd.testing.assert_frame_equal(cumulative_incidence(everyone, "seal").test, early)


def test_no_test_where_only_one_group_was_at_risk():
    lives = Lives.from_arrays(
        [3, 5, 9, 9], [0, 0, 1, 1], cause=["", "", "water", "water"], covariates={"seal": ["a", "a", "b", "b"]}
    )
    result = cumulative_incidence(lives, "seal")
    assert np.isnan(result.test["p_value"][0]) and any("only one group was at risk" in note for note in result.notes)
    assert cumulative_incidence(lives).test.empty


def test_errors_say_what_is_missing():
    with pytest.raises(EstimateError, match="carry no causes"):
        cumulative_incidence(Lives.from_arrays([1], [1]))
    with pytest.raises(EstimateError, match="none of the 2 units failed"):
        cumulative_incidence(Lives.from_arrays([1, 2], [0, 0], cause=["", ""]))
    with pytest.raises(EstimateError, match="there are no lives"):
        cumulative_incidence(Lives.from_arrays([], [], cause=[]))
    with pytest.raises(UsageError, match="unknown covariate 'seal'"):
        cumulative_incidence(_lives(_season()).replace(covariates={"x": np.zeros(150)}), "seal")
    with pytest.raises(UsageError, match="confidence"):
        cumulative_incidence(_lives(_season()), confidence=1.5)
    with pytest.raises(UsageError, match="times must be numbers of at least 0"):
        cumulative_incidence(_lives(_season())).at(-1)
