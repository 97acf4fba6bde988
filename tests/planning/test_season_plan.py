"""Losses, spares and cost of builds: a case by hand, laws, and what must not be promised."""

import numpy as np
import pandas as pd
import pytest
from lifelines import KaplanMeierFitter
from scipy.stats import betabinom

from workbench import Lives, plan_season
from workbench.errors import EstimateError, UsageError
from workbench.planning import season_plan


def _season(n=160, seed=1, missing=0.08):
    """Weibull lives of shape 1.6 with one good seal, three environments, nine sites, watched for 200 days."""
    rng = np.random.default_rng(seed)
    seal, place = rng.choice(["flat", "cord", "ring"], n), rng.choice(["marsh", "wood", "ridge"], n)
    site = np.array([e + str(k) for e, k in zip(place, rng.integers(3, size=n), strict=True)])
    log_life = 5.4 + 0.5 * (seal == "ring") - 0.3 * (place == "marsh") + np.log(rng.weibull(1.6, n))
    life = np.ceil(np.exp(log_life))
    time, failed = np.minimum(life, 200), life <= 200
    lost = rng.random(n) < missing
    time = np.where(lost, rng.integers(1, 150, n), time)
    outcome = np.where(lost, "missing", np.where(failed, "failed", "working"))
    covariates = pd.DataFrame({"lid_seal": seal, "environment": place, "site": site, "outcome": outcome})
    return Lives.from_arrays(time, failed & ~lost, covariates=covariates)


BUILD = pd.DataFrame(
    {"build": ["plain", "better"], "lid_seal": ["flat", "ring"], "units": [60, 60], "unit_cost": [50, 62]}
)


def test_a_plan_has_one_row_a_build_and_adds_up_rows_of_one_name():
    split = pd.DataFrame(
        {"build": ["plain", "plain"], "lid_seal": ["flat", "flat"], "units": [20, 40], "unit_cost": [50, 50]}
    )
    table = plan_season(_season(), split, mission=180).table
    assert table["units"].tolist() == [60]
    assert table["cost"].tolist() == [3000.0]
    alone = plan_season(_season(), BUILD.head(1), mission=180).table
    assert table["expected_losses"][0] == pytest.approx(alone["expected_losses"][0], abs=0.5)


def test_the_better_seal_loses_fewer_units_and_costs_less_a_survivor():
    table = plan_season(_season(), BUILD, mission=180).table.set_index("build")
    assert table.loc["better", "expected_losses"] < table.loc["plain", "expected_losses"]
    assert table.loc["better", "cost_per_survivor"] < table.loc["plain", "cost_per_survivor"]
    assert table.loc["better", "cost_per_survivor"] == pytest.approx(
        62 * 60 / (60 - table.loc["better", "expected_losses"])
    )
    assert (table["losses_lower"] <= table["spares"]).all() and (table["spares"] <= table["losses_upper"]).all()


def test_one_kind_of_unit_without_censoring_agrees_with_the_exact_binomial_mixture():
    """40 units, all watched to day 100, 10 failed at a steady rate: beta-binomial is the textbook answer."""
    rng = np.random.default_rng(5)
    time = np.full(400, 100.0)
    failed = np.zeros(400, dtype=bool)
    time[:100], failed[:100] = np.sort(rng.uniform(1, 100, 100)), True
    plan = plan_season(Lives.from_arrays(time, failed), pd.DataFrame({"units": [40]}), mission=100).table
    exact = betabinom(40, 100.5, 300.5)
    assert plan["expected_losses"][0] == pytest.approx(exact.mean(), abs=0.5)
    assert plan["losses_lower"][0] == pytest.approx(exact.ppf(0.05), abs=1)
    assert plan["losses_upper"][0] == pytest.approx(exact.ppf(0.95), abs=1)
    assert plan["spares"][0] == pytest.approx(exact.ppf(0.9), abs=1)


def test_missing_units_are_losses_too_and_said():
    lives = _season()
    without = lives.replace(covariates=lives.covariates.drop(columns="outcome"))
    with_missing = plan_season(lives, BUILD, mission=180)
    only_failures = plan_season(without, BUILD, mission=180)
    assert (with_missing.table["expected_losses"] > only_failures.table["expected_losses"]).all()
    assert any("went missing" in note for note in with_missing.notes)
    assert any("do not say which units went missing" in note for note in only_failures.notes)


def test_the_fan_starts_whole_ends_at_the_table_and_never_rises():
    plan = plan_season(_season(), BUILD, mission=180)
    fan = pd.DataFrame(dict(plan.fan))
    for name, part in fan.groupby("build"):
        row = plan.table.set_index("build").loc[name]
        assert part["alive"].iloc[0] == row["units"]
        assert part["alive"].iloc[-1] == pytest.approx(row["units"] - row["expected_losses"])
        assert part["alive"].is_monotonic_decreasing
        assert (part["lower"] <= part["alive"]).all() and (part["alive"] <= part["upper"]).all()


def test_rows_in_another_order_change_no_digit():
    lives = _season()
    shuffled = lives.take(np.random.default_rng(3).permutation(len(lives)))
    pd.testing.assert_frame_equal(
        plan_season(lives, BUILD, mission=180).table, plan_season(shuffled, BUILD, mission=180).table
    )


def test_a_level_never_fielded_is_not_promised_and_leaves_other_builds_alone():
    build = pd.concat([BUILD, pd.DataFrame({"build": ["new"], "lid_seal": ["foam"], "units": [60]})], ignore_index=True)
    plan = plan_season(_season(), build, mission=180)
    table = plan.table.set_index("build")
    assert np.isnan(table.loc["new", "expected_losses"])
    assert np.isfinite(table.loc["plain", "expected_losses"])
    assert "new: no record of lid_seal = foam, so nothing is promised for it." in plan.notes


def test_without_costs_the_money_part_is_left_out_and_said():
    plan = plan_season(_season(), BUILD.drop(columns="unit_cost"), mission=180)
    assert plan.table["cost_per_survivor"].isna().all()
    assert any("cost is left out" in note for note in plan.notes)


def test_environments_and_unseen_sites():
    lives = _season()
    build = pd.DataFrame({"build": ["wet", "dry"], "lid_seal": ["flat", "flat"], "units": [60, 60]})
    plan = plan_season(lives, build.assign(environment=["marsh", "ridge"]), mission=180)
    losses = plan.table.set_index("build")["expected_losses"]
    assert losses["wet"] > losses["dry"]
    unseen = plan_season(lives, BUILD.head(1).assign(site=["far away"]), mission=180)
    assert any("a site not seen before" in note for note in unseen.notes)
    known = plan_season(lives, BUILD.head(1).assign(site=["wood1"]), mission=180)
    wide, narrow = (p.table["losses_upper"] - p.table["losses_lower"] for p in (unseen, known))
    assert wide[0] >= narrow[0] - 2


def _known_fleet(n=1800, seed=2):
    """Weibull lives of shape 1.6 whose levels, environments and sites act strongly; site `marsh2` lives longest."""
    rng = np.random.default_rng(seed)
    seal, place = rng.choice(["flat", "ring"], n), rng.choice(["marsh", "ridge"], n)
    number = rng.choice([1, 2], n, p=[0.7, 0.3])
    location = _location(seal, place, number)
    life = np.ceil(np.exp(location) * rng.weibull(1.6, n))
    sites = np.char.add(place.astype(str), number.astype(str))
    frame = pd.DataFrame({"lid_seal": seal, "environment": place, "site": sites})
    return Lives.from_arrays(np.minimum(life, 200), life <= 200, covariates=frame)


def _location(seal, place, number):
    return 5.0 + 0.6 * (seal == "ring") - 0.3 * (place == "marsh") + 0.8 * ((place == "marsh") & (number == 2))


def _truth(seal, place, shares=(0.7, 0.3)):
    fall = [-np.expm1(-((180 / np.exp(_location(seal, place, k + 1))) ** 1.6)) for k in range(2)]
    return float(np.dot(shares, fall))


def test_losses_are_those_of_the_known_truth_by_level_environment_and_site():
    """Shares failing by day 180 by the formula the lives were drawn from; sampling error of 200 units is .035."""
    rows = [(s, e, None, (0.7, 0.3)) for s in ("flat", "ring") for e in ("marsh", "ridge")]
    rows += [
        ("ring", "marsh", "marsh1", (1, 0)),
        ("ring", "marsh", "marsh2", (0, 1)),
        ("flat", "ridge", "ridge2", (0, 1)),
    ]
    build = pd.DataFrame(
        [
            {"build": f"{s} {e} {site}", "lid_seal": s, "environment": e, "site": site, "units": 100}
            for s, e, site, _ in rows
        ]
    )
    plan = plan_season(_known_fleet(), build, mission=180)
    expected = [100 * _truth(s, e, shares) for s, e, _, shares in rows]
    assert plan.table["expected_losses"].to_numpy() == pytest.approx(expected, abs=7)
    assert not any("not seen before" in note for note in plan.notes)


def test_a_row_without_environment_stands_where_units_stood():
    build = pd.DataFrame(
        {"build": ["wet", "dry", "any"], "lid_seal": "flat", "units": 100, "environment": ["marsh", "ridge", None]}
    )
    losses = plan_season(_known_fleet(600), build, mission=180).table.set_index("build")["expected_losses"]
    assert min(losses["wet"], losses["dry"]) < losses["any"] < max(losses["wet"], losses["dry"])
    build = pd.DataFrame({"build": ["named", "bare"], "lid_seal": "flat", "units": 100, "environment": ["marsh", None]})
    there = plan_season(_known_fleet(600), build.assign(site="marsh2"), mission=180).table["expected_losses"]
    assert there[1] == pytest.approx(there[0], abs=0.5)  # a site stands in its own environment; only the draws differ


@pytest.mark.parametrize("varying", [True, False])
def test_an_environment_not_on_record_is_not_promised_even_where_only_one_is(varying):
    lives = _known_fleet(300)
    lives = lives.take(np.flatnonzero(lives.covariates["environment"] == "marsh"))
    if not varying:
        lives = lives.take(np.flatnonzero(lives.covariates["lid_seal"] == "flat"))
    build = pd.DataFrame({"build": ["a", "b"], "lid_seal": "flat", "units": 50, "environment": ["marsh", "ridge"]})
    plan = plan_season(lives, build, mission=100)
    assert np.isfinite(plan.table["expected_losses"]).tolist() == [True, False]
    assert "b: no record of the environment ridge, so nothing is promised there." in plan.notes


def test_two_seasons_are_averaged_by_their_units_and_weights_equal_repeated_rows():
    """Nearly all units belong to the worse season: losses lie near its own, also where rows carry weights."""
    one = _known_fleet(500)
    season = np.where(np.arange(500) % 10 == 0, "2025", "2024")
    later = (season == "2025") & one.failed
    time = np.where(later, np.minimum(3 * one.time, 200), one.time)
    frame = one.covariates[["lid_seal"]].assign(season=season)
    weight = np.where(season == "2024", 3, 1)
    lives = Lives.from_arrays(np.ceil(time), one.failed & ~(later & (time >= 200)), covariates=frame, weight=weight)
    rows = lives.take(np.repeat(np.arange(500), weight)).replace(weight=None)
    build = pd.DataFrame({"lid_seal": ["flat"], "units": [100]})
    joined, spread = (plan_season(x, build, mission=150).table["expected_losses"][0] for x in (lives, rows))
    assert joined == pytest.approx(spread, abs=0.5)
    flat = (frame["lid_seal"] == "flat").to_numpy() & (season == "2024")
    seen = np.mean(one.failed[flat] & (one.time[flat] <= 150))
    assert joined == pytest.approx(100 * seen, abs=5)


def test_missing_units_come_on_top_at_their_share():
    """1 - (1 - F)(1 - m): F without missing units, m by lifelines' product limit of going missing by the mission."""
    lives = _season(300, missing=0.25)
    gone = (lives.covariates["outcome"] == "missing").to_numpy()
    working = lives.covariates.assign(outcome="working")
    there, none = (plan_season(x, BUILD, mission=180).table for x in (lives, lives.replace(covariates=working)))
    share = 1.0 - KaplanMeierFitter().fit(lives.time, gone).predict(180)
    kept = 1 - none["expected_losses"] / 60
    kept /= 1 - 0.5 / 200  # the posterior of no missing unit is not nothing
    assert there["expected_losses"].to_numpy() == pytest.approx(60 * (1 - kept * (1 - share)), abs=0.5)


def _missing_fleet(rng, n, season=210):
    """Ages of failure (Weibull of shape 1.6) and of going missing (a steady rate, 20 % in 210 days)."""
    life = 400 * rng.weibull(1.6, n)
    return life, rng.exponential(season / -np.log(0.8), n)


@pytest.mark.parametrize("mission", [30, 90, 210])
def test_losses_charge_only_the_units_missing_by_the_mission(mission):
    """100 units of a known truth, 1 - exp(-(t / 400)^1.6) 0.8^(t / 210); by the season's share day 30 loses 21."""
    life, lost = _missing_fleet(np.random.default_rng(8), 1500)
    end = np.ceil(np.minimum(np.minimum(life, lost), 210))
    outcome = np.where(end >= 210, "working", np.where(life <= lost, "failed", "missing"))
    lives = Lives.from_arrays(end, outcome == "failed", covariates=pd.DataFrame({"outcome": outcome}))
    table = plan_season(lives, pd.DataFrame({"units": [100]}), mission=mission).table
    losses = 100 * (1 - np.exp(-((mission / 400) ** 1.6)) * 0.8 ** (mission / 210))
    assert table["expected_losses"][0] == pytest.approx(losses, abs=2.5)


@pytest.mark.parametrize(("unit", "day"), [("hours", 24.0), ("years", 1 / 365.25)])
def test_losses_and_days_of_data_are_the_same_in_another_unit_of_time(unit, day):
    lives = _season()
    other = Lives.from_arrays(lower=lives.lower * day, upper=lives.upper * day, covariates=lives.covariates, unit=unit)
    days, scaled = plan_season(lives, BUILD, mission=180).table, plan_season(other, BUILD, mission=180 * day).table
    np.testing.assert_allclose(scaled["expected_losses"], days["expected_losses"], atol=0.01)
    np.testing.assert_allclose(scaled["data_days"] / day, days["data_days"], rtol=1e-3)


def test_numbers_are_levels_of_choices_and_environments_beside_blanks_too():
    """A bolt count kept as a number in the log and beside a blank row in the build, and environments by number."""
    lives = _known_fleet(300)
    frame = lives.covariates
    bolts = np.where(frame["lid_seal"] == "ring", 8, 4)
    numbered = frame.assign(bolts=bolts, environment=np.where(frame["environment"] == "marsh", 1, 2))
    build = pd.DataFrame({"build": ["a", "b"], "bolts": [8, 4], "environment": [1, 2], "units": 50})
    words = pd.DataFrame(
        {"build": ["a", "b"], "lid_seal": ["ring", "flat"], "environment": ["marsh", "ridge"], "units": 50}
    )
    plan = plan_season(lives.replace(covariates=numbered[["bolts", "environment", "site"]]), build, mission=150)
    same = plan_season(lives, words, mission=150)
    np.testing.assert_allclose(plan.table["expected_losses"], same.table["expected_losses"], atol=0.01)
    blank = pd.DataFrame({"build": ["a", "b", "c"], "bolts": [8, 4, None], "units": 50})
    holed = numbered.assign(bolts=np.where(np.arange(300) % 3 == 0, np.nan, bolts))
    plan = plan_season(lives.replace(covariates=holed), blank, mission=150)
    assert plan.table["expected_losses"].notna().all()
    constant = plan_season(lives.replace(covariates=frame.assign(bolts=8.0)), blank.head(1), mission=150)
    assert np.isfinite(constant.table["expected_losses"][0])


def test_clusters_widen_the_limits_where_no_choice_varies_too():
    """Twelve units of forty deployments that end alike know as much as twelve lives, not as 480."""
    rng = np.random.default_rng(2)
    life = np.repeat(np.ceil(200 * rng.weibull(1.6, 12)), 40)
    lives = Lives.from_arrays(np.minimum(life, 250), life <= 250, cluster=np.repeat(np.arange(12), 40))
    build = pd.DataFrame({"units": [1000]})
    width = [
        float((t["losses_upper"] - t["losses_lower"])[0])
        for t in (plan_season(x, build, mission=150).table for x in (lives, lives.replace(cluster=None)))
    ]
    assert width[0] > 2.5 * width[1]


@pytest.mark.parametrize(
    ("build", "message"),
    [
        (pd.DataFrame(), "at least one row"),
        (pd.DataFrame({"lid_seal": ["ring"]}), "no column units"),
        (pd.DataFrame({"units": [10], "lid_seel": ["ring"]}), "did you mean 'lid_seal'"),
        (pd.DataFrame({"units": [0]}), "units is 0"),
        (pd.DataFrame({"units": [2.5]}), "units is 2.5"),
        (pd.DataFrame({"units": [10], "unit_cost": [-3.0]}), "unit_cost is -3.0"),
    ],
)
def test_impossible_builds_are_refused_in_words(build, message):
    with pytest.raises(UsageError, match=message):
        plan_season(_season(), build, mission=180)


def test_a_mission_beyond_what_was_seen_is_refused_with_the_longest_supported():
    with pytest.raises(EstimateError, match="longest mission these lives support is 200 days"):
        plan_season(_season(), BUILD, mission=365)


def test_lives_without_failures_predict_nothing():
    lives = Lives.from_arrays([100, 120], [False, False])
    with pytest.raises(EstimateError, match="no unit failed"):
        plan_season(lives, pd.DataFrame({"units": [5]}), mission=90)


def test_very_many_rows_drawn_as_one_give_the_losses_of_rows_drawn_one_by_one(monkeypatch):
    """Nine rows of 60 units; the chance of the mean row is a little wider (Jensen), its mean the same."""
    places = [(seal, place) for seal in ("flat", "cord", "ring") for place in ("marsh", "wood", "ridge")]
    build = pd.DataFrame(
        [{"build": "all", "lid_seal": seal, "environment": place, "units": 60} for seal, place in places]
    )
    lives = _season(400)
    one_by_one = plan_season(lives, build, mission=180).table.iloc[0]
    monkeypatch.setattr(season_plan, "MOST_ROWS", len(places) - 1)
    together = plan_season(lives, build, mission=180).table.iloc[0]
    width = one_by_one["losses_upper"] - one_by_one["losses_lower"]
    assert width > 40
    for name in ("expected_losses", "losses_lower", "losses_upper", "spares"):
        assert together[name] == pytest.approx(one_by_one[name], abs=0.06 * width), name
    assert together["expected_losses"] != one_by_one["expected_losses"], "both were drawn one by one"
