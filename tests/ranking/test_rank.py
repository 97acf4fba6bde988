"""Ranking: recovery of a known truth, laws that any ranking obeys, awkward seasons and errors of impossible ones."""

import sys

import numpy as np
import pandas as pd
import pytest

from workbench.errors import EstimateError, LivesError, UsageError
from workbench.estimate.likelihood import fit_batch
from workbench.lives import Lives
from workbench.ranking.choices.rank import rank_choices

from .seasons import make_lives

FITTING = sys.modules["workbench.ranking.model.fitting"]
CONTRACT = [
    *("choice", "level", "reference", "units", "failures", "mission_survival", "survival_gain", "lower", "upper"),
    *("days_gained", "days_lower", "days_upper", "time_ratio", "better_share", "first_share", "p_value", "p_adjusted"),
    *("extrapolated", "grade", "note"),
]
NUMBERS = [c for c in CONTRACT if c not in ("choice", "level", "reference", "grade", "note")]
GRADES = {"clear", "likely", "unclear", "cannot be told apart"}


def rank(lives, choices=("seal", "vent"), **options):
    settings = {"adjust": "environment", "mission": 180, "resamples": 200} | options
    return rank_choices(lives, list(choices) if not isinstance(choices, str) else choices, **settings)


def shuffled(lives: Lives, seed: int = 0) -> Lives:
    return lives.take(np.random.default_rng(seed).permutation(len(lives)))


@pytest.fixture(scope="module")
def season():
    return make_lives(11, 200)


@pytest.fixture(scope="module")
def ranking(season):
    return rank(season)


def test_columns_are_those_agreed_in_order(ranking):
    assert ranking.table.columns.tolist()[: len(CONTRACT)] == CONTRACT
    assert set(ranking.table.grade) <= GRADES | {"reference"}
    assert all(isinstance(n, str) and n.endswith(".") for n in ranking.notes)


def test_rows_stand_in_order_and_count_every_unit(season, ranking):
    table = ranking.table
    for name in ("seal", "vent"):
        part = table[table.choice == name]
        assert part.mission_survival.is_monotonic_decreasing
        assert part.units.sum() == len(season)
        assert part.failures.sum() == season.failures
        assert part.first_share.sum() == pytest.approx(1.0)
        assert part.p_value.nunique() == 1
    assert table.drop_duplicates("choice").p_value.is_monotonic_increasing


def test_the_reference_has_a_row_of_its_own(season, ranking):
    table = ranking.table
    base = table[table.level == table.reference]
    assert len(base) == 2
    assert (base.survival_gain == 0).all() and (base.time_ratio == 1).all() and (base.days_gained == 0).all()
    assert base[["lower", "upper", "better_share", "days_lower", "days_upper"]].isna().all(axis=None)
    counts = season.covariates.seal.value_counts()
    assert counts[ranking.of("seal").reference[0]] == counts.max()


def test_gains_are_differences_and_limits_hold_them(ranking):
    for _, part in ranking.table.groupby("choice"):
        base = part[part.level == part.reference].iloc[0]
        assert part.survival_gain.to_numpy() == pytest.approx(part.mission_survival - base.mission_survival)
        others = part[part.level != part.reference]
        assert (others.lower < others.survival_gain).all() and (others.survival_gain < others.upper).all()
        assert np.sign(others.survival_gain).equals(np.sign(others.days_gained))
        assert np.sign(others.survival_gain).equals(np.sign(np.log(others.time_ratio)))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_strong_effect_is_recovered_although_the_best_seals_went_to_the_worst_places(seed):
    effects = {"seal": {"flat": 0.0, "cord": 0.35, "ring": 0.9}, "vent": {"none": 0.0, "membrane": 0.0}}
    lives = make_lives(seed, 300, effects, confounding=0.5)
    seal = rank(lives, reference={"seal": "flat"}).of("seal").set_index("level")
    assert seal.index[0] == "ring"
    assert seal.grade["ring"] in ("clear", "likely")
    assert seal.lower["ring"] > 0
    assert seal.lower["ring"] < 0.5 and seal.time_ratio["ring"] == pytest.approx(np.exp(0.9), rel=0.45)


@pytest.mark.slow
def test_without_any_effect_nothing_is_clear():
    effects = {"seal": {"flat": 0.0, "cord": 0.0, "ring": 0.0}, "vent": {"none": 0.0, "membrane": 0.0}}
    clear = [("clear" in set(rank(make_lives(seed, 150, effects)).table.grade)) for seed in range(12)]
    assert sum(clear) <= 2  # each with chance 1 in 20 at most: three or more happen once in 50 such tests


def test_no_model_is_fitted_twice(season, monkeypatch):
    """Figures and checks share the fit of the ranking's own model, the season's clock included."""
    fitted = []

    def counted(problem, weights, *args, **options):
        cells, weights = problem.cells, np.atleast_2d(weights)
        times = [x.tobytes() for x in (cells.lower, cells.upper, cells.entry, problem.layout.design, weights)]
        if len(weights) == 1:
            fitted.append((problem.family.name, problem.precision.tobytes(), *times))
        return fit_batch(problem, weights, *args, **options)

    monkeypatch.setattr(FITTING, "fit_batch", counted)
    put_out = pd.Timestamp("2025-03-01") + pd.to_timedelta(np.arange(len(season)) % 90, unit="D")
    rank(season.replace(covariates=season.covariates.assign(deployed_on=put_out)))
    assert len(fitted) == len(set(fitted)) > 6


def test_shuffling_the_rows_changes_no_digit(season, ranking):
    pd.testing.assert_frame_equal(*(_apart_from_row_numbers(r.table) for r in (rank(shuffled(season)), ranking)))


def _apart_from_row_numbers(table: pd.DataFrame) -> pd.DataFrame:
    """The table without the units that are named by their row."""
    return table.drop(columns="weakest_unit")


def test_names_of_levels_sites_and_environments_do_not_matter(season, ranking):
    frame = season.covariates.copy()
    seals = {"flat": "zz", "cord": "mm", "ring": "aa"}
    frame["seal"] = frame.seal.map(seals)
    frame["site"] = frame.site.map(lambda s: "x" + s[::-1])
    frame["environment"] = frame.environment.map({"marsh": "2", "bog": "3", "lane": "1"})
    renamed = rank(season.replace(covariates=frame)).table
    back = renamed.replace({"level": {v: k for k, v in seals.items()}, "reference": {v: k for k, v in seals.items()}})
    pd.testing.assert_frame_equal(
        back[["choice", "level", *NUMBERS, "grade"]], ranking.table[["choice", "level", *NUMBERS, "grade"]]
    )


def test_exchanging_two_levels_exchanges_their_rows(season, ranking):
    frame = season.covariates.assign(vent=season.covariates.vent.map({"none": "membrane", "membrane": "none"}))
    turned = rank(season.replace(covariates=frame), reference={"vent": "none"}).of("vent").set_index("level")
    straight = rank(season, reference={"vent": "membrane"}).of("vent").set_index("level")
    assert turned.survival_gain["membrane"] == pytest.approx(straight.survival_gain["none"])
    assert turned.p_value["none"] == straight.p_value["none"]


def test_the_choice_of_reference_changes_no_survival(season, ranking):
    other = rank(season, reference={"seal": "cord"})
    for level in ("flat", "cord", "ring"):
        mine, theirs = (r.of("seal").set_index("level").loc[level] for r in (ranking, other))
        assert mine.mission_survival == pytest.approx(theirs.mission_survival, abs=1e-12)
        assert mine.first_share == theirs.first_share


def test_weights_equal_repeated_rows():
    lives = make_lives(4, 120)
    weight = np.random.default_rng(0).integers(1, 4, len(lives))
    weighted = lives.replace(weight=weight)
    repeated = lives.take(np.repeat(np.arange(len(lives)), weight))
    pd.testing.assert_frame_equal(*(_apart_from_row_numbers(rank(x).table) for x in (weighted, repeated)))


def test_without_site_exposures_and_with_every_kind_of_record():
    rng = np.random.default_rng(0)
    n = 90
    lives = Lives.from_arrays(
        lower=np.where(np.arange(n) % 3 == 0, 50.0, rng.integers(60, 200, n)),
        upper=np.where(np.arange(n) % 3 == 0, 90.0, np.where(np.arange(n) % 3 == 1, np.inf, 230.0)),
        entry=np.where(np.arange(n) % 5 == 0, 20.0, 0.0),
        covariates={"seal": rng.choice(["a", "b"], n), "bonded": rng.random(n) < 0.5},
    )
    got = rank_choices(lives, ["seal", "bonded"], mission=150, resamples=100)
    assert set(got.of("bonded").level) == {"True", "False"}
    assert any("No site is recorded" in n for n in got.notes) and any("No environment" in n for n in got.notes)
    assert (got.table.extrapolated == 0).all()


def test_exact_lives_agree_with_lives_known_to_the_day():
    rng = np.random.default_rng(3)
    n = 150
    seal = rng.choice(["a", "b"], n)
    life = np.ceil(np.exp(5.2 + 0.4 * (seal == "b") + 0.6 * np.log(rng.exponential(size=n))))
    failed = life <= 200
    exact = Lives.from_arrays(np.minimum(life, 200), failed, covariates={"seal": seal})
    days = Lives.from_arrays(
        lower=np.where(failed, life - 1, 200), upper=np.where(failed, life, np.inf), covariates={"seal": seal}
    )
    one, two = (rank_choices(x, "seal", mission=150, resamples=100).table for x in (exact, days))
    assert one.survival_gain.to_numpy() == pytest.approx(two.survival_gain.to_numpy(), abs=0.004)


def test_a_number_counts_as_levels_and_an_exposure_may_be_a_number(season):
    frame = season.covariates.assign(
        grams=np.array([0.0, 5.0, 10.0])[np.arange(len(season)) % 3], salt=np.linspace(-1, 1, len(season))
    )
    got = rank(season.replace(covariates=frame), ["seal", "grams"], adjust=["environment", "salt"])
    assert set(got.of("grams").level) == {"0", "5", "10"}


def test_few_units_are_pooled_and_blanks_are_a_level_that_is_not_ranked(season):
    seal = season.covariates.seal.to_numpy(dtype=object).copy()
    seal[:3], seal[3:5], seal[5:20] = "wax", "tape", None
    got = rank(season.replace(covariates=season.covariates.assign(seal=seal)))
    assert set(got.of("seal").level) == {"flat", "cord", "ring"}
    assert any("seal: levels under 5 units (tape 2, wax 3) are pooled as 'other'" in n for n in got.notes)
    assert not any("not recorded" in n for n in got.notes)


def test_many_blanks_make_a_choice_likely_at_most():
    effects = {"seal": {"flat": 0.0, "ring": 1.2}, "vent": {"none": 0.0, "membrane": 0.0}}
    lives = make_lives(5, 300, effects)
    assert rank(lives).of("seal").grade[0] == "clear"
    seal = lives.covariates.seal.to_numpy(dtype=object).copy()
    seal[np.random.default_rng(0).random(300) < 0.3] = None
    got = rank(lives.replace(covariates=lives.covariates.assign(seal=seal)))
    row = got.of("seal").iloc[0]
    assert row.grade == "likely" and "not recorded for" in row.note
    assert any("so it can be likely at most" in n for n in got.notes)


def test_aliased_choices_cannot_be_told_apart_and_name_each_other(season):
    frame = season.covariates.assign(batch=season.covariates.seal.map({"flat": "B1", "cord": "B2", "ring": "B3"}))
    got = rank(season.replace(covariates=frame)).of("seal")
    others = got[got.level != got.reference]
    assert (others.grade == "cannot be told apart").all()
    assert others.note.str.contains("and batch = B").all()
    assert got.survival_gain.notna().all()


def test_a_choice_that_never_varies_within_a_site_is_not_told_apart_from_it(season):
    by_site = {f"site {i}": ("flat", "cord", "ring")[i % 3] for i in range(9)}
    frame = season.covariates.assign(seal=season.covariates.site.map(by_site))
    got = rank(season.replace(covariates=frame)).of("seal")
    others = got[got.level != got.reference]
    assert (others.grade == "cannot be told apart").all() and others.p_value.isna().all()
    assert others.note.str.contains("never varied within a site").all()


def test_a_level_outside_of_most_environments_cannot_be_told_apart(season):
    frame = season.covariates.copy()
    frame.loc[(frame.environment != "bog") & (frame.seal == "ring"), "seal"] = "flat"
    row = rank(season.replace(covariates=frame)).of("seal").set_index("level").loc["ring"]
    assert row.extrapolated > 0.5 and row.grade == "cannot be told apart"
    assert "where seal = ring never was" in row.note


def test_a_level_not_observed_up_to_the_mission_is_unknown(season):
    short = (season.covariates.seal == "ring").to_numpy()
    lower = np.where(short, np.minimum(season.lower, 100), season.lower)
    upper = np.where(short & (season.upper > 100), np.inf, season.upper)
    got = rank(season.replace(lower=lower, upper=upper)).of("seal").set_index("level")
    row = got.loc["ring"]
    assert np.isnan(row.mission_survival) and np.isnan(row.survival_gain) and np.isnan(row.days_gained)
    assert row.grade == "cannot be told apart" and "nothing is known of seal = ring after day 100" in row.note
    assert np.isfinite(got.mission_survival.drop("ring")).all()


def test_only_some_mechanisms_count(season):
    cause = np.where(season.failed, np.where(np.arange(len(season)) % 2 == 0, "water", "battery"), "")
    named = season.replace(cause=cause)
    all_causes, water = rank(named), rank(named, cause="water")
    assert water.failures == (cause == "water").sum() < all_causes.failures
    assert water.table.mission_survival.min() > all_causes.table.mission_survival.min()
    assert any("not lost to water" in n for n in water.notes)
    lost = water.of("seal").set_index("level").lost_to_anything
    raw = 1 - all_causes.of("seal").set_index("level").raw_survival
    assert lost.to_dict() == pytest.approx(raw.to_dict())
    with pytest.raises(LivesError, match="none of the causes"):
        rank(named, cause="lightning")


def test_choices_tried_and_left_out_count_in_the_correction(ranking, season):
    more = rank(season, tried=["seal", "vent", "shade", "screws"])
    p = ranking.of("seal").p_value[0]
    first = min(p, ranking.of("vent").p_value[0])
    assert more.table.p_adjusted.iloc[0] == pytest.approx(min(1.0, 4 * first))
    with pytest.raises(UsageError, match="tried takes a list"):
        rank(season, tried="seal")


def test_pooled_seasons_add_a_shrunken_season(season):
    two = season.replace(
        covariates=season.covariates.assign(season=np.where(np.arange(len(season)) % 2, "2024", "2025"))
    )
    assert any("2 seasons are pooled" in n for n in rank(two).notes)


def test_clusters_across_sites_are_taken(season):
    clustered = season.replace(cluster=np.arange(len(season)) // 2)
    got, plain = rank(clustered).table, rank(season).table
    assert got.survival_gain.tolist() == pytest.approx(plain.survival_gain.tolist())
    assert not np.allclose(got.lower.dropna(), plain.lower.dropna())


def test_more_levels_than_failures_is_said():
    rng = np.random.default_rng(0)
    n = 60
    failed = np.arange(n) < 3
    frame = {f"c{i}": rng.choice(["a", "b", "c"], n) for i in range(3)}
    got = rank_choices(
        Lives.from_arrays(np.where(failed, 50, 200), failed, covariates=frame), list(frame), mission=180, resamples=100
    )
    assert any("more levels than failures" in n for n in got.notes)
    assert "clear" not in set(got.table.grade)


@pytest.mark.parametrize(
    ("change", "error", "message"),
    [
        ({"mission": 400}, EstimateError, "longest mission that these lives support is 220 days"),
        ({"mission": 0}, UsageError, "mission must be a finite number above 0"),
        ({"choices": "sael"}, UsageError, "did you mean 'seal'"),
        ({"choices": []}, UsageError, "name at least one protection choice"),
        ({"choices": ["seal", "seal"]}, UsageError, "named twice"),
        ({"adjust": ["seal"]}, UsageError, "named twice"),
        ({"site": "place"}, UsageError, "unknown site column 'place'"),
        ({"reference": {"seal": "wax"}}, UsageError, "reference level 'wax' of seal"),
        ({"reference": {"shade": "no"}}, UsageError, "'shade', which is not among the choices"),
        ({"resamples": 5}, UsageError, "resamples must be a whole number of at least 20"),
        ({"confidence": 95}, UsageError, "confidence must lie between 0 and 1"),
    ],
)
def test_impossible_questions_are_refused_in_one_sentence(season, change, error, message):
    options = {"choices": "seal"} | change
    with pytest.raises(error, match=message) as caught:
        rank(season, **options)
    assert "\n" not in str(caught.value)


def test_impossible_seasons_are_refused_in_one_sentence(season):
    alive = season.replace(lower=np.full(len(season), 200.0), upper=np.full(len(season), np.inf))
    with pytest.raises(EstimateError, match="none of the 200 units is known to have failed"):
        rank(alive)
    one = season.replace(covariates=season.covariates.assign(shade="no"))
    with pytest.raises(EstimateError, match=r"shade has one level only \(no\)"):
        rank(one, ["seal", "shade"])
    blank = season.covariates.assign(shade=np.where(np.arange(len(season)) < 20, None, "no"))
    with pytest.raises(EstimateError, match=r"shade has one level only \(no\)"):
        rank(season.replace(covariates=blank), ["shade"])
    numbers = season.replace(covariates=season.covariates.assign(x=np.arange(len(season))))
    with pytest.raises(EstimateError, match="x is a number with 200 different values; band it"):
        rank(numbers, "x")
    gap = season.replace(covariates=season.covariates.assign(salt=[np.nan, *range(len(season) - 1)]))
    with pytest.raises(LivesError, match="salt is missing or infinite in row 0"):
        rank(gap, adjust="salt")
    tiny = make_lives(1, 8)
    with pytest.raises(EstimateError, match="has two levels of at least 5 units"):
        rank(tiny, "seal")
    dead = season.replace(
        lower=np.where(np.arange(len(season)) == 7, 0, season.lower),
        upper=np.where(np.arange(len(season)) == 7, 0, season.upper),
    )
    with pytest.raises(EstimateError, match="row 7: the failure is at time 0"):
        rank(dead)


def test_failures_all_on_one_day_hold_the_shape_instead_of_failing():
    """Failures and suspensions all fell on day 100 exactly: the likelihood grows without end with the Weibull shape."""
    rng = np.random.default_rng(4)
    n = 80
    seal = rng.choice(["a", "b"], n)
    failed = rng.random(n) < np.where(seal == "a", 0.5, 0.1)
    lives = Lives.from_arrays(np.full(n, 100.0), failed, covariates={"seal": seal})
    got = rank_choices(lives, "seal", mission=100, resamples=100)
    table = got.table.set_index("level")
    assert any("shape is held at 10" in note for note in got.notes)
    assert table.mission_survival["b"] > table.mission_survival["a"]
    assert table[["mission_survival", "restricted_mean"]].notna().all(axis=None)


def test_units_looked_at_only_when_they_came_back_leave_the_shape_to_an_assumption_that_is_said():
    """Weibull lives of shape 1.5; nobody looked before day 180, so day 120 rests on the assumed shape alone."""
    rng, held = np.random.default_rng(9), []
    for seed in range(6):
        seal, site = rng.integers(0, 2, 160), rng.integers(0, 8, 160)
        scale = 260 * np.exp(0.5 * seal + rng.normal(0, 0.4, 8)[site])
        end = 180.0 + rng.integers(0, 21, 8)[site]
        failed = np.ceil(scale * rng.weibull(1.5, 160)) <= end
        lives = Lives.from_arrays(
            lower=np.where(failed, 0, end),
            upper=np.where(failed, end, np.inf),
            covariates={"seal": np.where(seal == 1, "o_ring", "flat"), "site": site.astype(str)},
        )
        got = rank_choices(lives, "seal", mission=120, resamples=200, seed=seed)
        table = got.table.set_index("level")
        better, worse = (np.mean(np.exp(-((120 / (scale * np.exp(0.5 * (k - seal)))) ** 1.5))) for k in (1, 0))
        gap = table.mission_survival["o_ring"] - table.mission_survival["flat"]
        assert abs(table.mission_survival["o_ring"] - better) < 0.12
        held.append(abs(gap - (better - worse)) < 0.12)
        assert any("a shape near 1" in note for note in got.notes)
    assert sum(held) >= 5


def test_a_site_with_all_the_failures_can_be_left_out_without_failing(season):
    only = (season.covariates.site == "site 4").to_numpy()
    lives = season.replace(
        lower=np.where(only | ~season.failed, season.lower, 220.0), upper=np.where(only, season.upper, np.inf)
    )
    got = rank(lives)
    assert any("Left without a single failure, and so not made: without site site 4" in note for note in got.notes)


def test_environments_outside_of_the_model_still_count_in_the_overlap(season):
    with_it, without_it = rank(season), rank(season, adjust=())
    pd.testing.assert_frame_equal(with_it.overlap.table, without_it.overlap.table)
    assert without_it.table.units.sum() == with_it.table.units.sum()


def test_a_choice_with_all_levels_pooled_is_fitted_and_not_ranked(season):
    rare = np.array([f"kind {i // 4}" for i in range(len(season))], dtype=object)
    got = rank(season.replace(covariates=season.covariates.assign(rare=rare)), ["seal", "rare"])
    assert set(got.table.choice) == {"seal"}
    assert any("rare is fitted but not ranked" in note for note in got.notes)
