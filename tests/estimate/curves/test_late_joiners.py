"""Units that come under observation late: what is not known then, what exact bounds rest on, limits of ages."""

import numpy as np
import pytest
from scipy.stats import binomtest

from workbench import Lives, cumulative_incidence, restricted_mean, survival_curve

REASON = "late: no unit was watched before 60 days"


def two_groups(kind="exact", seed=1, n=120):
    """One exponential life in both groups; of the second only units that lasted to day 60 were seen, from then on."""
    rng = np.random.default_rng(seed)
    life, group = np.ceil(rng.exponential(120.0, n)), np.where(np.arange(n) % 2, "late", "early")
    entry = np.where(group == "late", 60.0, 0.0)
    failed = life <= 180
    lower = upper = np.minimum(life, 180.0)
    if kind == "grid":
        upper = np.ceil(life / 30) * 30
        lower = upper - 30
    if kind == "spans":
        first = rng.integers(1, 31, n)
        upper = np.where(life <= first, first, first + np.ceil((life - first) / 30) * 30)
        lower = np.where(life <= first, 0, upper - 30)
    lower, upper = np.where(failed, lower, 180.0), np.where(failed, upper, np.inf)
    seen = np.maximum(lower, np.minimum(life, 180.0) if kind == "exact" else lower) > entry
    seen |= failed & (upper > entry) & (life > entry)
    cause = np.where(failed, "water", "")
    return Lives.from_arrays(
        lower=np.maximum(lower, entry)[seen], upper=upper[seen], entry=entry[seen], cause=cause[seen],
        covariates={"group": group[seen]},
    )  # fmt: skip


@pytest.mark.parametrize("kind", ["exact", "grid", "spans"])
def test_a_group_first_seen_late_has_no_curve_from_day_0_and_the_reason_is_said(kind):
    lives = two_groups(kind)
    curve = survival_curve(lives, "group")
    columns = ["survival", "lower", "upper"]
    late = curve.table["group"] == "late"

    assert curve.table.loc[late, columns].isna().all(axis=None)
    assert curve.table.loc[~late, "survival"].notna().any()
    at = curve.at([0, 30, 90, 150]).set_index("group")
    assert at.loc["late", columns].isna().all(axis=None)
    assert at.loc["early", columns].notna().all(axis=None)
    assert curve.difference(120)[["difference", "lower", "upper", "p_value"]].isna().all(axis=None)
    ages = curve.quantile(0.5)
    assert ages.set_index("group").loc["late", ["time", "lower", "upper"]].isna().all()
    assert "nothing that counts from day 0 is known" in ages.attrs["notes"][0]
    assert any(note.startswith(REASON) for note in curve.notes)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["exact", "grid", "spans"])
def test_a_group_first_seen_late_has_no_mean_and_no_incidence(kind):
    lives = two_groups(kind)
    means, incidence = restricted_mean(lives, 120, "group"), cumulative_incidence(lives, "group")

    assert means.table.set_index("group").loc["late"].isna().all()
    assert np.isfinite(means.table.set_index("group").loc["early", "restricted_mean"])
    assert means.difference[["difference", "lower", "upper", "p_value"]].isna().all(axis=None)
    at = incidence.at([0, 120]).set_index("group")
    assert at.loc["late", ["incidence", "lower", "upper"]].isna().all(axis=None)
    assert at.loc["early", "incidence"].notna().all()
    assert incidence.test["p_value"].isna().all()
    for result in (means, incidence):
        assert any(note.startswith(REASON) for note in result.notes)


def test_a_gap_without_watched_units_ends_the_curve():
    lives = Lives.from_arrays([10, 30, 80, 90], [True, False, True, False], entry=[0, 0, 60, 60])
    curve = survival_curve(lives)

    assert curve.at(30)["survival"][0] == 0.5
    assert curve.at([31, 85, 90])["survival"].isna().all()
    assert any("between 30 and 60" in note for note in curve.notes)


def test_one_late_curve_alone_keeps_the_table_from_its_first_entry():
    curve = survival_curve(Lives.from_arrays([6, 7, 9], [False, True, True], entry=[2, 3, 1]))
    assert curve.table["survival"].tolist() == [1, 0.5, 0]
    assert curve.at([5, 7])["survival"].isna().all()


def test_an_exact_bound_rests_on_units_watched_all_the_time():
    """Three from day 0, 47 from day 100, none failed: Clopper & Pearson (1934) for 0 of 3, before and after."""
    lives = Lives.from_arrays([200.0] * 50, [False] * 50, entry=[0] * 3 + [100] * 47)
    bound = binomtest(3, 3).proportion_ci().low

    assert survival_curve(lives).at([99, 100, 101, 200])["lower"].tolist() == pytest.approx([bound] * 4)
    assert survival_curve(lives).table["lower"].tolist() == pytest.approx([bound])
    assert restricted_mean(lives, 150).table["lower"][0] == pytest.approx(150 * bound)


def test_an_exact_bound_of_spans_rests_on_units_watched_all_the_time():
    lives = Lives.from_arrays(
        lower=[150, 140, 120, 200, *[200] * 46], upper=[170, 165, 175, *[np.inf] * 47], entry=[0] * 3 + [100] * 47
    )
    curve = survival_curve(lives)
    assert curve.kind == "npmle"
    assert curve.at([90, 110])["lower"].tolist() == pytest.approx([0.025 ** (1 / 3)] * 2)
    assert (np.diff(curve.at([90, 110, 166, 180])["lower"]) <= 0).all()
    assert restricted_mean(lives, 115).table["lower"][0] == pytest.approx(115 * 0.025 ** (1 / 3))


def test_a_refitted_unit_was_watched_all_the_time():
    """Of ten units five are refitted on day 60: a row ends, the next of the same unit begins."""
    lives = Lives.from_arrays(
        [180.0] * 5 + [60.0] * 5 + [180.0] * 5, [False] * 15, entry=[0] * 10 + [60] * 5,
        cluster=[f"U{i}" for i in (*range(10), *range(5, 10))],
    )  # fmt: skip
    assert survival_curve(lives).at([50, 61, 180])["lower"].tolist() == pytest.approx([0.025 ** (1 / 10)] * 3)


@pytest.mark.parametrize("seed", range(20))
def test_a_lower_limit_never_rises(seed):
    rng = np.random.default_rng(seed)
    time, entry = np.ceil(rng.exponential(80.0, 40)), rng.integers(0, 60, 40).astype(float)
    entry[: 1 + seed % 5] = 0
    seen = time > entry
    lives = Lives.from_arrays(np.minimum(time, 100)[seen], (time <= 100)[seen], entry=entry[seen])
    lower = survival_curve(lives).at(np.arange(0, 101, 0.5))["lower"].dropna().to_numpy()

    assert (np.diff(lower) <= 1e-12).all()


def test_few_units_before_others_join_are_said():
    lives = Lives.from_arrays(
        [50.0, 90.0, 180.0, *[180.0] * 40], [True, True, False] + [False] * 40, entry=[0] * 3 + [60] * 40
    )
    notes = restricted_mean(lives, 150).notes
    assert any("only 2 units at risk when others joined at 60 days" in n and "about 46 of 100" in n for n in notes)


def test_a_cause_that_has_not_struck_counts_units_lost_to_another_cause():
    """18 of 20 lost to salt, all watched to the end: none of 20 was lost to water, not none of 2."""
    lives = Lives.from_arrays(
        [*range(1, 19), 30, 30],
        [True] * 18 + [False] * 2,
        cause=["salt"] * 18 + [""] * 2,
        covariates={"seal": ["a"] * 20},
    )
    more = Lives.from_arrays([5.0], [True], cause=["wet"], covariates={"seal": ["b"]})
    both = Lives.from_arrays(
        np.append(lives.time, more.time), np.append(lives.failed, True), cause=[*lives.cause, "wet"],
        covariates={"seal": ["a"] * 20 + ["b"]},
    )  # fmt: skip
    at = cumulative_incidence(both, "seal").at([0, 10, 30]).set_index(["group", "cause"]).loc[("a", "wet")]

    assert at["upper"].to_numpy() == pytest.approx([binomtest(0, 20).proportion_ci().high] * 3)


@pytest.mark.parametrize("units", [5, 10, 15, 25, 35])
def test_with_few_units_an_age_has_no_lower_limit_above_day_0(units):
    """Before the first failure n units allow a share surviving of .025^(1/n), which is under 90 % up to 35 units."""
    found = survival_curve(Lives.from_arrays(np.arange(1.0, units + 1) * 10, [True] * units)).quantile(0.1)
    assert found["lower"][0] == 0


def test_the_lower_limit_of_an_age_counts_units_that_left_before_the_first_failure():
    """40 units allow .912 at first; after ten left on day 20 the other 30 allow .884, which is under 90 %."""
    lives = Lives.from_arrays([20.0] * 10 + [60.0 + i for i in range(30)], [False] * 10 + [True] * 30)
    assert survival_curve(lives).quantile(0.1)["lower"][0] == 20


@pytest.mark.parametrize("kind", ["exact", "grid", "spans"])
@pytest.mark.parametrize("share", [0.1, 0.3, 0.5])
def test_limits_of_an_age_invert_the_pointwise_limits(kind, share):
    lives = two_groups(kind)
    lives = lives.take(lives.entry == 0)
    curve = survival_curve(lives)
    days = np.arange(0, 180, 0.25)
    reached = curve.at(days)["lower"].to_numpy() <= 1 - share + 1e-9
    found = curve.quantile(share)["lower"][0]

    assert days[reached][0] - 0.25 <= found <= days[reached][0]
