"""Trials by simulation beside the formula, visits by expected information, and what they refuse."""

import numpy as np
import pytest

from tests.planning.test_season_plan import _season
from workbench import Lives
from workbench.errors import EstimateError, UsageError
from workbench.estimate.life.distributions import fit_distribution
from workbench.planning.trial_seasons import TrialQuestion, plan_trial
from workbench.planning.visit_plan import plan_visits

TRIAL = {"hazard_ratio": 0.5, "mission": 180, "sites": 6, "visit_spacing": 28}


def test_simulated_power_agrees_with_the_formula_and_false_alarms_with_the_level():
    """Schoenfeld (1983): power from failures; two-sided level 5 %. Shrunken sites and visits cost a few points."""
    plan = plan_trial(_season(), TrialQuestion(**TRIAL), units=(120, 240), seasons=800)
    table = plan.table
    assert table["power"].to_numpy() == pytest.approx(table["power_formula"].to_numpy(), abs=0.08)
    assert table["power"].is_monotonic_increasing
    assert (table["false_alarm"] < 0.08).all() and (table["false_alarm"] > 0.02).all()
    assert plan.enough == 240
    assert 120 < plan.by_formula < 240
    half = 1.96 * np.sqrt(table["power"] * (1 - table["power"]) / 800)  # a share of 800 seasons, normal limits
    assert table["power_lower"].to_numpy() == pytest.approx((table["power"] - half).to_numpy())
    assert table["power_upper"].to_numpy() == pytest.approx(np.minimum(table["power"] + half, 1.0).to_numpy())


def test_the_detectable_ratio_of_a_size_needs_that_many_failures():
    plan = plan_trial(_season(), TrialQuestion(**TRIAL), units=(160,), seasons=100)
    from workbench.planning.trial import failures_to_detect

    ratio, failures = plan.table.loc[0, ["detectable_ratio", "failures"]]
    assert failures_to_detect(ratio) == pytest.approx(failures, rel=1e-3)


def test_a_trial_in_which_nothing_can_fail_is_refused():
    with pytest.raises(EstimateError, match="hardly any unit would fail within 1 days"):
        plan_trial(_season(), TrialQuestion(**TRIAL | {"mission": 1}), units=(24,), seasons=100)


def test_a_trial_too_small_says_so_and_progress_is_told():
    said = []
    plan = plan_trial(_season(), TrialQuestion(**TRIAL), units=(24,), seasons=100, say=said.append)
    assert np.isnan(plan.enough)
    assert any("No size tried reaches" in note for note in plan.notes)
    assert said == ["simulating 100 seasons of 24 units"]


def test_the_same_seed_gives_the_same_plan():
    first, again = (
        plan_trial(_season(), TrialQuestion(**TRIAL), units=(60,), seasons=100, seed=3).table for _ in range(2)
    )
    assert first.equals(again)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"hazard_ratio": 1.0}, "must differ from 1"),
        ({"power": 1.0}, "power must lie between 0 and 1"),
        ({"missing_share": 1.0}, "missing_share must lie"),
        ({"units": (4,)}, "units must be a whole number of at least 12"),
        ({"visit_spacing": 0}, "visit_spacing must be"),
    ],
)
def test_impossible_trials_are_refused_in_words(changes, message):
    changes = dict(changes)
    with pytest.raises(UsageError, match=message):
        sizes = changes.pop("units", (60,))
        plan_trial(_season(), TrialQuestion(**{**TRIAL, **changes}), units=sizes)


def test_too_few_failures_plan_nothing():
    lives = Lives.from_arrays([50, 200, 200], [True, False, False])
    with pytest.raises(EstimateError, match="too few to plan a trial"):
        plan_trial(lives, TrialQuestion(**TRIAL))
    with pytest.raises(EstimateError, match="too few to plan visits"):
        plan_visits(lives, mission=180, units=100)


def test_spans_that_share_one_day_tell_no_shape_to_plan_from():
    """Every failure may have come on day 60, so no finite shape fits best and nothing is planned from a made-up one."""
    lives = Lives.from_arrays(lower=[31, 35, 39, 31, 33, 36], upper=[92, 122, 153, 92, 122, 60])
    with pytest.raises(EstimateError, match="no shape to plan a trial from"):
        plan_trial(lives, TrialQuestion(**TRIAL))
    with pytest.raises(EstimateError, match="no shape to plan visits from"):
        plan_visits(lives, mission=60, units=12)


def test_limits_that_say_nothing_are_not_shown():
    lives = Lives.from_arrays([56, 57, 58, 59, 60, 200, 200], [1, 1, 1, 1, 1, 0, 0])
    plan = plan_visits(lives, mission=60, units=2, spacings=(1, 60))
    numbers = plan.table[["b10", "lower", "upper"]].to_numpy()
    assert not np.isinf(numbers).any() and np.nanmax(numbers) < 1e5
    assert np.isnan(plan.table["upper"].iloc[-1]) and any("could not date" in note for note in plan.notes)


def test_wider_spacing_widens_what_is_known_and_the_widest_good_one_is_named():
    plan = plan_visits(_season(), mission=180, units=100, spacings=(7, 28, 56, 90), visit_cost=120.0)
    table = plan.table
    assert table["widening"].is_monotonic_increasing
    assert table["widening"].iloc[0] == pytest.approx(1.0, abs=0.02)
    assert plan.best == table[table["widening"] <= 1.1]["spacing"].max()
    assert table["visit_cost"].tolist() == [120.0 * n for n in table["visits"]]


def test_limits_to_be_expected_are_those_found_in_simulated_seasons():
    """Spread of the estimated B10 over 300 drawn seasons against the expected information, visits every 28 days."""
    lives = _season(n=400)
    plan = plan_visits(lives, mission=180, units=400, spacings=(28,))
    from workbench.estimate.likelihood import AftProblem, fit_batch

    seen = fit_batch(
        AftProblem.build(lives.lower, lives.upper, lives.entry, columns=np.zeros((400, 0))),
        np.ones(400),
        covariance=True,
    )
    rng = np.random.default_rng(7)
    estimates = []
    for _ in range(300):
        life = np.exp(seen.intercept[0] + seen.scale[0] * np.log(rng.exponential(size=400)))
        upper = np.minimum(np.ceil(life / 28) * 28, 180)
        lower = np.floor(life / 28) * 28
        failed = life <= 180
        fit = fit_batch(
            AftProblem.build(
                np.where(failed, lower, 180.0),
                np.where(failed, upper, np.inf),
                np.zeros(400),
                columns=np.zeros((400, 0)),
            ),
            np.ones(400),
        )
        estimates.append(fit.intercept[0] + fit.scale[0] * np.log(-np.log(0.9)))
    low, high = np.quantile(np.exp(estimates), [0.05, 0.95])
    assert plan.table["lower"][0] == pytest.approx(low, rel=0.05)
    assert plan.table["upper"][0] == pytest.approx(high, rel=0.05)


@pytest.mark.parametrize("spacing", [60, 90])
def test_limits_to_be_expected_are_those_of_the_fisher_information_of_the_visits(spacing):
    """Information of counts in cells with shares p: n times the sum of p' p'^T / p, derivatives by differences."""
    lives, units = _season(n=400), 80
    plan = plan_visits(lives, mission=180, units=units, spacings=(spacing,))
    fit = fit_distribution(lives).parameters
    at = np.array([np.log(fit["scale"]), -np.log(fit["shape"])])
    ends = np.arange(spacing, 181, spacing)

    def shares(location, log_scale):
        alive = np.exp(-np.exp((np.log(ends) - location) / np.exp(log_scale)))
        return -np.diff(np.concatenate([[1.0], alive, [0.0]]))

    steps = [(shares(*(at + h)) - shares(*(at - h))) / 2e-5 for h in 1e-5 * np.eye(2)]
    information = units * np.array([[np.sum(a * b / shares(*at)) for a in steps] for b in steps])
    slope = np.array([1.0, np.exp(at[1]) * np.log(-np.log(0.9))])
    spread = np.sqrt(slope @ np.linalg.inv(information) @ slope)
    row = plan.table.iloc[0]
    assert row["b10"] == pytest.approx(np.exp(at[0] + slope[1]), rel=1e-5)
    assert np.log(row["upper"] / row["b10"]) == pytest.approx(1.6448536 * spread, rel=1e-4)
    assert np.log(row["b10"] / row["lower"]) == pytest.approx(1.6448536 * spread, rel=1e-4)


def test_rounds_of_visits_are_counted_to_the_end_of_the_mission():
    """180 days: every 7 days 25 rounds and one on the last day, every 28 days six and one, every 90 days two."""
    plan = plan_visits(_season(), mission=180, units=1, spacings=(28, 7, 90))
    assert plan.table[["spacing", "visits"]].to_numpy().tolist() == [[7, 26], [28, 7], [90, 2]]


@pytest.mark.parametrize("changes", [{"spacings": ()}, {"widening": 1.0}, {"widening": 0.9}])
def test_spacings_and_widening_that_ask_nothing_are_refused(changes):
    with pytest.raises(UsageError, match="widening must be above 1 and spacings not empty"):
        plan_visits(_season(), mission=180, units=100, **changes)


def test_no_spacing_good_enough_is_said():
    plan = plan_visits(_season(), mission=180, units=100, spacings=(90,), widening=1.01)
    assert np.isnan(plan.best)
    assert any("visit more often than 90 days" in note for note in plan.notes)


@pytest.mark.parametrize(("unit", "day"), [("hours", 24.0), ("years", 1 / 365.25)])
def test_visits_are_planned_alike_in_another_unit_of_time(unit, day):
    lives = _season()
    other = Lives.from_arrays(lower=lives.lower * day, upper=lives.upper * day, unit=unit)
    days, scaled = (plan_visits(x, mission=180 * d, units=100) for x, d in ((lives, 1.0), (other, day)))
    assert days.table["spacing"].tolist() == [7, 14, 21, 28, 42, 56, 84]
    assert scaled.table["widening"].to_numpy() == pytest.approx(days.table["widening"].to_numpy(), rel=1e-6)
    for name in ("spacing", "b10", "lower", "upper"):
        assert scaled.table[name].to_numpy() / day == pytest.approx(days.table[name].to_numpy(), rel=1e-6)
    assert scaled.best / day == pytest.approx(days.best)


def test_lives_in_cycles_have_no_usual_spacing_of_visits():
    lives = _season()
    with pytest.raises(UsageError, match="count cycles, so there is no usual spacing"):
        plan_visits(lives.replace(unit="cycles"), mission=180, units=100)
