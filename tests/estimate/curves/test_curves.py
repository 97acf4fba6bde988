"""Product-limit curves: toys by hand, a second implementation, awkward cases, laws and error messages."""

import numpy as np
import pandas as pd
import pytest
from lifelines import KaplanMeierFitter, NelsonAalenFitter
from statsmodels.duration.survfunc import SurvfuncRight

from workbench import EstimateError, Lives, UsageError, survival_curve
from workbench.estimate.curves.curves import curve_if_failed_when_found
from workbench.estimate.steps.step_limits import INTERVALS, exact_bound

CURVE_COLUMNS = [
    "group",
    "time",
    "at_risk",
    "failures",
    "censored",
    "survival",
    "std_error",
    "lower",
    "upper",
    "cumulative_hazard",
]


def simulated(seed, n=120, whole=True, entry=False):
    rng = np.random.default_rng(seed)
    time, failed = 80.0 * rng.weibull(1.4, n) + 0.5, rng.random(n) < 0.6
    time = np.ceil(time) if whole else time
    start = np.where(rng.random(n) < 0.4, np.floor(0.8 * time * rng.random(n)), 0.0) if entry else None
    seal = np.array(["cord", "gasket", "o-ring"])[rng.integers(0, 3, n)]
    return Lives.from_arrays(time, failed, entry=start, covariates={"seal": seal}, weight=rng.integers(1, 4, n))


def repeated(lives):
    return lives.take(np.repeat(np.arange(len(lives)), lives.weight)).replace(weight=None)


def test_four_lives_by_hand():
    """Deaths at 1, 2 and 4 of four, one leaves at 3: 3/4, 2/4, 2/4, 0; Greenwood at 1: (3/4)^2 / (4 * 3)."""
    curve = survival_curve(Lives.from_arrays([1, 2, 3, 4], [True, True, False, True]))
    table = curve.table

    assert table.columns.tolist() == CURVE_COLUMNS
    assert table["group"].tolist() == ["all"] * 4
    assert table["at_risk"].tolist() == [4, 3, 2, 1]
    assert table["survival"].tolist() == [0.75, 0.5, 0.5, 0.0]
    assert table["cumulative_hazard"].to_numpy() == pytest.approx([1 / 4, 7 / 12, 7 / 12, 19 / 12])
    assert table["std_error"].to_numpy()[0] == pytest.approx(np.sqrt(0.75**2 / 12))
    assert curve.kind == "product-limit"


def test_failures_come_before_suspensions_of_the_same_day():
    table = survival_curve(Lives.from_arrays([5, 5], [True, False])).table
    assert (table["at_risk"][0], table["failures"][0], table["censored"][0], table["survival"][0]) == (2, 1, 1, 0.5)


def test_entry_on_a_day_is_not_at_risk_that_day():
    lives = Lives.from_arrays([4, 4, 6], [True, False, True], entry=[0, 0, 4])
    assert survival_curve(lives).table["at_risk"].tolist() == [2, 1]


def test_failures_on_day_zero_count_everybody_who_was_there_from_the_start():
    table = survival_curve(Lives.from_arrays([0, 0, 3], [True, False, True])).table
    assert table["at_risk"].tolist() == [3, 1]
    assert table["survival"].to_numpy() == pytest.approx([2 / 3, 0.0])


@pytest.mark.parametrize("whole", [True, False])
@pytest.mark.parametrize("entry", [True, False])
def test_lifelines_gives_the_same_curve(whole, entry):
    lives = simulated(3, whole=whole, entry=entry)
    curve = survival_curve(lives, "seal")
    for seal in ("cord", "gasket", "o-ring"):
        mine = (lives.covariates["seal"] == seal).to_numpy()
        arguments = {
            "durations": lives.lower[mine],
            "event_observed": lives.failed[mine],
            "weights": lives.weight[mine],
            "entry": lives.entry[mine] if entry else None,
        }
        other = KaplanMeierFitter().fit(**arguments)
        hazard = NelsonAalenFitter(nelson_aalen_smoothing=False).fit(**arguments)
        rows = curve.table[curve.table["group"] == seal]
        seen = other.survival_function_at_times(rows["time"]).to_numpy()
        band = other.confidence_interval_.loc[rows["time"]].to_numpy()
        inside = (seen > 0) & (seen < 1)

        assert rows["survival"].to_numpy() == pytest.approx(seen, abs=1e-12)
        assert rows["lower"].to_numpy()[inside] == pytest.approx(band[inside, 0], abs=1e-9)
        assert rows["upper"].to_numpy()[inside] == pytest.approx(band[inside, 1], abs=1e-9)
        assert rows["cumulative_hazard"].to_numpy() == pytest.approx(
            hazard.cumulative_hazard_at_times(rows["time"]).to_numpy(), abs=1e-12
        )


def test_statsmodels_gives_the_same_curve_and_error():
    lives = repeated(simulated(5))
    other = SurvfuncRight(lives.lower, lives.failed.astype(int))
    rows = survival_curve(lives).table[lambda t: (t["failures"] > 0) & (t["survival"] > 0)]
    count = len(rows)

    assert rows["survival"].to_numpy() == pytest.approx(other.surv_prob[:count], abs=1e-12)
    assert rows["std_error"].to_numpy() == pytest.approx(other.surv_prob_se[:count], abs=1e-12)


@pytest.mark.parametrize("interval", INTERVALS)
def test_limits_follow_their_formula(interval):
    """One failure of four, three left: S = 3/4, Greenwood sum 1/12; each scale worked out in plain arithmetic."""
    z, s, e = 1.959963984540054, 0.75, np.sqrt(1 / 12)
    formulas = {
        "log-log": (s ** np.exp(z * e / -np.log(s)), s ** np.exp(-z * e / -np.log(s))),
        "log": (s * np.exp(-z * e), min(s * np.exp(z * e), 1)),
        "linear": (max(s - z * s * e, 0), min(s + z * s * e, 1)),
        "logit": tuple(1 / (1 + np.exp(-(np.log(s / (1 - s)) + k * z * e / (1 - s)))) for k in (-1, 1)),
        "arcsine": tuple(
            np.sin(np.clip(np.arcsin(np.sqrt(s)) + k * 0.5 * z * e * np.sqrt(s / (1 - s)), 0, np.pi / 2)) ** 2
            for k in (-1, 1)
        ),
    }
    table = survival_curve(Lives.from_arrays([1, 9, 9, 9], [1, 0, 0, 0]), interval=interval).table
    assert (table["lower"][0], table["upper"][0]) == pytest.approx(formulas[interval], abs=1e-12)


def test_no_failure_among_ten_at_full_follow_up():
    """The exact bound: all ten still out, up to 31 % could have failed; with four left, up to 60 %."""
    full = survival_curve(Lives.from_arrays([180] * 10, [False] * 10))
    early = survival_curve(Lives.from_arrays([60] * 6 + [180] * 4, [False] * 10))

    assert (full.table["lower"][0], full.table["upper"][0]) == pytest.approx((0.025**0.1, 1.0))
    assert early.table["lower"].to_numpy() == pytest.approx([0.025**0.1, 0.025**0.25])
    assert "no unit failed by 180 days" in full.notes[0]
    assert full.at(90)["lower"][0] == pytest.approx(0.025**0.1)


def test_exact_bound_of_one_unit_and_of_none():
    """S^n = alpha / 2: one unit that worked bounds survival by .025, two by its root; of none nothing is known."""
    assert exact_bound(np.array([0, 1, 2]), 0.95) == pytest.approx([0.0, 0.025, np.sqrt(0.025)])


def test_one_failure_and_a_last_suspension():
    curve = survival_curve(Lives.from_arrays([3, 8], [True, False]))
    assert curve.table["survival"].tolist() == [0.5, 0.5]
    assert curve.quantile([0.5, 0.6])["time"].tolist()[0] == 3.0
    assert np.isnan(curve.quantile(0.6)["time"][0])
    assert curve.quantile(0.6).attrs["notes"] == ("all: a share of 0.6 failed is not reached by 8 days.",)


def test_survival_zero_keeps_the_last_upper_limit_and_has_no_error():
    table = survival_curve(Lives.from_arrays([1, 2, 3], [True] * 3)).table
    assert table["lower"].tolist()[-1] == 0.0
    assert table["upper"].tolist()[-1] == table["upper"].tolist()[-2] < 1
    assert np.isnan(table["std_error"].tolist()[-1])


def test_all_failing_on_the_first_day_has_an_exact_upper_limit():
    curve = survival_curve(Lives.from_arrays([7] * 10, [True] * 10))
    assert curve.table["upper"][0] == pytest.approx(1 - 0.025**0.1)


def test_between_and_beyond_the_rows():
    curve = survival_curve(Lives.from_arrays([4, 6, 9], [True, False, False], entry=[0, 0, 5]))
    at = curve.at([0, 3.9, 4, 5, 5.5, 9, 9.1])

    assert at.columns.tolist() == ["group", "time", "survival", "std_error", "lower", "upper", "at_risk"]
    assert at["survival"].tolist()[:6] == [1, 1, 0.5, 0.5, 0.5, 0.5]
    assert at["at_risk"].tolist() == [2, 2, 2, 1, 2, 1, 0]
    assert at.loc[6, ["survival", "std_error", "lower", "upper"]].isna().all()
    assert at["lower"].tolist()[0] == pytest.approx(0.025**0.5)


def test_a_curve_that_reached_zero_stays_there():
    at = survival_curve(Lives.from_arrays([1, 2], [True, True])).at(50)
    assert (at["survival"][0], at["lower"][0]) == (0.0, 0.0)


def test_early_zero_under_delayed_entry_is_said():
    curve = survival_curve(Lives.from_arrays([2, 9], [True, False], entry=[0, 5]))
    assert curve.table["survival"].tolist() == [0.0, 0.0]
    assert any("others entered later" in note for note in curve.notes)


def test_quantile_limits_invert_the_band():
    curve = survival_curve(simulated(11))
    table, found = curve.table, curve.quantile([0.1, 0.25, 0.5])
    for row in found.itertuples():
        for value, column in ((row.time, "survival"), (row.lower, "lower"), (row.upper, "upper")):
            reached = table["time"][table[column] <= 1 - row.p + 1e-9]
            assert (np.isnan(value) and reached.empty) or value == reached.iloc[0]


def test_median_survives_rounding_of_products():
    """Five of ten failing one by one end at 0.5 up to rounding: the median is the fifth failure."""
    curve = survival_curve(Lives.from_arrays(range(1, 11), [True] * 10))
    assert curve.quantile(0.5)["time"][0] == 5.0


def test_median_follow_up_reverses_the_curve():
    """By hand: suspended at 2, 6 and 8, failed at 4: 3/4 at 2, 3/8 at 6."""
    curve = survival_curve(Lives.from_arrays([2, 4, 6, 8], [False, True, False, False]))
    assert curve.median_follow_up == {"all": 6.0}


def test_difference_in_share_surviving():
    """Square-and-add of the groups' own limits (Newcombe 1998), by plain arithmetic."""
    lives = simulated(8)
    curve = survival_curve(lives, "seal")
    at = curve.at(40).set_index("group")
    found = curve.difference(40).set_index("group_a")
    a, b = at.loc["gasket"], at.loc["cord"]
    gap = a["survival"] - b["survival"]
    down = np.hypot(a["survival"] - a["lower"], b["upper"] - b["survival"])
    up = np.hypot(a["upper"] - a["survival"], b["survival"] - b["lower"])

    assert found.index.tolist() == ["gasket", "o-ring"]
    assert found.loc["gasket", ["difference", "lower", "upper"]].tolist() == pytest.approx([gap, gap - down, gap + up])
    assert curve.difference(40, reference="gasket").set_index("group_a").loc["cord", "difference"] == pytest.approx(
        -gap
    )


def test_difference_p_value_is_the_level_at_which_the_limits_reach_zero():
    lives = Lives.from_arrays([10] * 10 + [5] * 6 + [10] * 4, [False] * 10 + [True] * 6 + [False] * 4)
    lives = lives.replace(covariates={"seal": ["a"] * 10 + ["b"] * 10})
    p = survival_curve(lives, "seal").difference(10)["p_value"][0]
    limits = survival_curve(lives, "seal", confidence=1 - p).difference(10)

    assert 0.001 < p < 0.05
    assert min(abs(limits["lower"][0]), abs(limits["upper"][0])) < 1e-6


def test_difference_is_unknown_where_a_group_is():
    lives = Lives.from_arrays([10, 20], [False, False], covariates={"seal": ["a", "b"]})
    assert (
        survival_curve(lives, "seal").difference(15)[["difference", "lower", "upper", "p_value"]].isna().all(axis=None)
    )


def test_differences_of_groups_that_all_failed_or_none_did():
    lives = Lives.from_arrays([10] * 8 + [5] * 8, [False] * 8 + [True] * 8, covariates={"s": ["a"] * 8 + ["b"] * 8})
    row = survival_curve(lives, "s").difference(10).iloc[0]
    assert row["difference"] == -1.0
    assert row["lower"] == pytest.approx(-1.0) and row["upper"] == pytest.approx(-1 + np.hypot(*[1 - 0.025**0.125] * 2))
    assert 0 < row["p_value"] < 0.01


@pytest.mark.parametrize("whole", [True, False])
def test_weights_equal_repeated_rows(whole):
    lives = simulated(21, whole=whole, entry=True)
    pd.testing.assert_frame_equal(survival_curve(lives, "seal").table, survival_curve(repeated(lives), "seal").table)


def test_order_of_rows_changes_nothing():
    lives = simulated(22, entry=True)
    shuffled = lives.take(np.random.default_rng(0).permutation(len(lives)))
    pd.testing.assert_frame_equal(survival_curve(lives, "seal").table, survival_curve(shuffled, "seal").table)


def test_unit_of_time_scales_times_alone():
    lives = simulated(23, entry=True)
    hours = lives.replace(lower=24 * lives.lower, upper=24 * lives.upper, entry=24 * lives.entry)
    a, b = survival_curve(lives).table, survival_curve(hours).table

    assert b["time"].to_numpy() == pytest.approx(24 * a["time"].to_numpy())
    pd.testing.assert_frame_equal(a.drop(columns="time"), b.drop(columns="time"))


def test_whole_days_and_the_same_times_by_sorting_agree():
    """Whole days are counted in a grid, others sorted: a tiny shift of all times must change nothing but them."""
    lives = simulated(24, entry=True)
    moved = lives.replace(
        lower=lives.lower + 0.25, upper=lives.upper + 0.25, entry=np.where(lives.entry > 0, lives.entry + 0.25, 0)
    )
    a, b = survival_curve(lives, "seal").table, survival_curve(moved, "seal").table
    pd.testing.assert_frame_equal(a.drop(columns="time"), b.drop(columns="time"))


def test_groups_follow_categories_and_missing_values_are_counted():
    seal = pd.Categorical(["o-ring", "cord", None, "cord"], categories=["o-ring", "none", "cord"])
    curve = survival_curve(Lives.from_arrays([1, 2, 3, 4], [1, 1, 1, 0], covariates={"seal": seal}), "seal")

    assert curve.labels == ("o-ring", "cord")
    assert curve.table["group"].tolist() == ["o-ring", "cord", "cord"]
    assert curve.notes[0] == "1 of 4 units have no value of seal and are left out here."


def test_the_table_is_a_copy():
    curve = survival_curve(Lives.from_arrays([1, 2], [True, False]))
    table = curve.table
    table.loc[0, "survival"] = 9.0
    assert curve.table["survival"][0] == 0.5


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"by": "sael"}, "unknown covariate 'sael'; did you mean 'seal'?"),
        ({"interval": "loglog"}, "interval must be one of log-log, log, linear, logit, arcsine; got 'loglog'"),
        ({"confidence": 1.0}, "confidence must lie between 0 and 1, both excluded; got 1.0"),
    ],
)
def test_wrong_arguments_are_named(arguments, message):
    with pytest.raises(UsageError, match=message.replace("?", r"\?")):
        survival_curve(simulated(1), **arguments)


def test_no_lives_no_curve():
    with pytest.raises(EstimateError, match="there are no lives, so there is no curve"):
        survival_curve(Lives.from_arrays([], []))


@pytest.mark.parametrize(
    ("call", "error", "message"),
    [
        (lambda c: c.at(-1), UsageError, "times must be numbers of at least 0; got -1"),
        (lambda c: c.at(np.nan), UsageError, "times must be numbers of at least 0; got nan"),
        (lambda c: c.at([[1.0]]), UsageError, "times must be one number or a list of numbers; got 2 dimensions"),
        (lambda c: c.quantile(0), UsageError, "p is the share failed and must lie between 0 and 1"),
        (lambda c: c.difference(5), EstimateError, "a comparison needs at least two groups; there is only 'all'"),
    ],
)
def test_wrong_look_ups_are_named(call, error, message):
    with pytest.raises(error, match=message):
        call(survival_curve(simulated(1)))


def test_reference_must_be_a_group():
    with pytest.raises(UsageError, match="reference must be one of cord, gasket, o-ring; got 'gaskett'; did you mean"):
        survival_curve(simulated(1), "seal").difference(5, reference="gaskett")


@pytest.mark.parametrize("by", [[], 5])
def test_groups_of_nothing_are_refused(by):
    with pytest.raises(UsageError, match=r"by names no covariate|must be named by a text"):
        survival_curve(simulated(1), by)


@pytest.mark.parametrize(
    ("failed", "said"),
    [
        ([True, True, False, False], ()),  # exactly half failed: there is a median
        ([True, False, False, False], ("all: half had not failed by 4 days, so there is no median.",)),
        ([True, True, True, True], ("all: there is no standard error where survival is 0.",)),
    ],
)
def test_notes_say_what_the_end_of_a_curve_does_not_tell(failed, said):
    assert survival_curve(Lives.from_arrays(time=[1, 2, 3, 4], failed=failed)).notes == said


def test_the_shortcut_takes_95_per_cent_unless_told_and_needs_lives():
    lives = Lives.from_arrays(lower=[0, 10, 20, 30], upper=[10, 20, np.inf, np.inf])
    table = curve_if_failed_when_found(lives).table
    same = survival_curve(Lives.from_arrays(time=[10, 20, 20, 30], failed=[True, True, False, False]), confidence=0.95)
    pd.testing.assert_frame_equal(table, same.table)
    with pytest.raises(EstimateError, match="there are no lives, so there is no curve"):
        curve_if_failed_when_found(lives.take(np.zeros(4, dtype=bool)))
