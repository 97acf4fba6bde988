"""Published curves, limits, rank tests and means; data and sources stand in curve_cases.json."""

import json
from pathlib import Path

import numpy as np
import pytest

from workbench import Lives, compare_groups, proportion_interval, restricted_mean, survival_curve
from workbench.estimate.rank_tests.comparisons import compare_trend

CASES = json.loads((Path(__file__).parent / "curve_cases.json").read_text(encoding="utf-8"))


def case(name):
    return CASES[name]["data"], CASES[name]["expected"]


def lives_of(time, failed, **covariates):
    return Lives.from_arrays(time, failed, covariates=covariates or None)


def two_samples(data):
    arms = ["6-MP"] * len(data["treat_time"]) + ["placebo"] * len(data["control_time"])
    return lives_of(data["treat_time"] + data["control_time"], data["treat_event"] + data["control_event"], arm=arms)


def at_failures(curve):
    table = curve.table
    return table[table["failures"] > 0].reset_index(drop=True)


def test_multicensored_life_test_of_the_handbook():
    """NIST/SEMATECH e-Handbook 8.2.1.5: products of fractions, so to rounding."""
    data, expected = case("km-nist-8215")
    rows = at_failures(survival_curve(lives_of(data["time"], data["event"])))
    assert rows["survival"].to_numpy() == pytest.approx(expected["R"], abs=1e-9)


def test_remission_curve_with_errors_hazard_and_medians():
    """Freireich et al. (1963), Gehan (1965); Klein & Moeschberger (2003), Tables 4.1 and 4.2."""
    data, expected = case("km-6mp")
    curve = survival_curve(two_samples(data), "arm")
    rows = at_failures(curve)[lambda t: t["group"] == "6-MP"]

    assert rows["time"].tolist() == expected["time"]
    assert rows["survival"].to_numpy() == pytest.approx(expected["S"], abs=6e-4)
    assert rows["std_error"].to_numpy() == pytest.approx(expected["SE_greenwood"], abs=6e-5)
    assert rows["cumulative_hazard"].to_numpy() == pytest.approx(expected["NA"], abs=6e-5)
    assert curve.quantile(0.5)["time"].tolist() == expected["median"]


@pytest.mark.parametrize(("interval", "prefix"), [("log", "log"), ("log-log", "loglog")])
def test_limits_of_the_remission_curve(interval, prefix):
    """Data Gehan (1965), figures computed with R survival 3.5.3."""
    data, expected = case("km-6mp-ci")
    rows = at_failures(survival_curve(lives_of(data["treat_time"], data["treat_event"]), interval=interval))

    assert rows["lower"].to_numpy() == pytest.approx(expected[f"{prefix}_lower"], abs=6e-4)
    assert rows["upper"].to_numpy() == pytest.approx(expected[f"{prefix}_upper"], abs=6e-4)


def test_maintained_remissions():
    """Embury et al. (1977); Miller, Survival Analysis (1981), p. 49."""
    data, expected = case("km-aml")
    lives = lives_of(data["time"], data["status"], x=data["x"])
    curve, test = survival_curve(lives, "x"), compare_groups(lives, "x")
    rows = at_failures(curve)
    kept, other = rows[rows["group"] == "Maintained"], rows[rows["group"] == "Nonmaintained"]

    assert kept["survival"].to_numpy() == pytest.approx(expected["S_maintained"], abs=5.1e-4)
    assert kept["std_error"].to_numpy() == pytest.approx(expected["SE_maintained"], abs=6e-5)
    assert other["survival"].to_numpy() == pytest.approx(expected["S_nonmaintained"], abs=5.1e-5)
    assert curve.quantile(0.5)["time"].tolist() == expected["median"]
    assert test.table["failures"].tolist() == expected["logrank_observed"]
    assert test.table["expected"].to_numpy() == pytest.approx(expected["logrank_expected"], abs=5.1e-3)
    assert test.statistic == pytest.approx(expected["logrank_chisq"][0], abs=5.1e-4)
    assert test.p_value == pytest.approx(expected["p"][0], abs=6e-5)


def test_two_small_samples_with_ties():
    """Figures of the statsmodels test suite, made there with R survival."""
    data, expected = case("km-tiny-two")
    for number in "12":
        rows = at_failures(survival_curve(lives_of(data[f"time{number}"], data[f"event{number}"])))
        assert rows["survival"].to_numpy() == pytest.approx(expected[f"S{number}"], abs=6e-6)
        assert rows["std_error"].to_numpy()[:3] == pytest.approx(expected[f"SE{number}"][:3], abs=6e-6)
        assert np.isnan(rows["std_error"].to_numpy()[3])
    sample = ["1"] * len(data["time1"]) + ["2"] * len(data["time2"])
    test = compare_groups(
        lives_of(data["time1"] + data["time2"], data["event1"] + data["event2"], sample=sample), "sample"
    )
    assert (test.statistic, test.p_value) == pytest.approx((expected["chisq"][0], expected["p"][0]), abs=6e-6)


def test_ovarian_trial():
    """Edmunson et al. (1979); saved outputs of R survival (ovarian.Rout.save, survival-Ex.Rout.save)."""
    data, expected = case("km-ovarian")
    lives = lives_of(data["futime"], data["fustat"], rx=data["rx"])
    rows, test = at_failures(survival_curve(lives, interval="log")), compare_groups(lives, "rx")

    assert rows["time"].tolist() == expected["time"]
    for column, name in (("survival", "S"), ("std_error", "SE"), ("lower", "lower"), ("upper", "upper")):
        assert rows[column].to_numpy() == pytest.approx(expected[name], abs=5.1e-4)
    assert test.table["failures"].tolist() == expected["observed"]
    assert test.table["expected"].to_numpy() == pytest.approx(expected["expected"], abs=5.1e-3)
    assert (test.statistic, test.p_value) == pytest.approx((expected["chisq"][0], expected["p"][0]), abs=5.1e-4)


def test_generator_fans():
    """Nelson, Applied Life Data Analysis (1982), ch. 4 (data); figures computed with R survival 3.5.3."""
    data, expected = case("km-fan")
    rows = at_failures(survival_curve(lives_of(data["hours"], data["status"])))

    assert rows["time"].tolist() == expected["time"]
    assert 1 - rows["survival"].to_numpy() == pytest.approx(expected["F"], abs=6e-5)
    assert rows["std_error"].to_numpy() == pytest.approx(expected["SE"], abs=6e-5)
    assert rows["cumulative_hazard"].to_numpy() == pytest.approx(expected["cum_hazard"], abs=6e-5)


def test_shock_absorbers():
    """Meeker & Escobar (1998), ch. 3 (data); figures computed with R survival 3.5.3."""
    data, expected = case("par-shock-absorber-km")
    rows = at_failures(survival_curve(lives_of(data["km"], np.array(data["mode_0cens"]) > 0)))

    assert rows["time"].tolist() == expected["km"]
    assert 1 - rows["survival"].to_numpy() == pytest.approx(expected["F"], abs=6e-5)
    assert rows["std_error"].to_numpy() == pytest.approx(expected["SE"], abs=6e-5)


def test_log_limits_of_the_handbook_code():
    """R code published with NIST/SEMATECH e-Handbook 8.4.1.3 (first failure 55)."""
    data, expected = case("par-nist-weibull-55")
    rows = at_failures(survival_curve(lives_of(data["time"], data["event"]), interval="log"))

    assert rows["lower"].to_numpy() == pytest.approx(expected["km_lower"], abs=6e-4)
    assert rows["upper"].to_numpy() == pytest.approx(expected["km_upper"], abs=6e-4)


def test_heat_exchanger_tubes_on_one_grid():
    """Meeker & Escobar (1998), ch. 1 and 3: inspections yearly, so the product-limit curve on the later inspection."""
    data, expected = case("grouped-heat-exchanger")
    lives = Lives.from_arrays(
        lower=data["lower"] + data["right_censored_at"],
        upper=data["upper"] + [np.inf] * 3,
        weight=data["cracked"] + data["right_censored_count"],
        unit="years",
    )
    curve = survival_curve(lives, interval="logit")
    table = curve.table

    assert curve.kind == "product-limit"
    assert 1 - table["survival"].to_numpy() == pytest.approx(expected["F"], abs=6e-5)
    assert table["std_error"].to_numpy() == pytest.approx(expected["SE"], abs=6e-5)
    lower, upper = expected["logit_ci_year1"]
    assert (1 - table["upper"][0], 1 - table["lower"][0]) == pytest.approx((lower, upper), abs=6e-4)


def test_doubly_censored_lives():
    """Turnbull (1974), J. Am. Stat. Assoc. 69, 169-173."""
    data, expected = case("int-turnbull-1974")
    time, kind, count = (np.array(data[k]) for k in ("time", "kind_1exact_0right_2left", "count"))
    used = count > 0
    lives = Lives.from_arrays(
        lower=np.where(kind == 2, 0, time)[used], upper=np.where(kind == 0, np.inf, time)[used], weight=count[used]
    )
    curve = survival_curve(lives)

    assert curve.kind == "npmle"
    assert curve.at([1, 2, 3, 4])["survival"].to_numpy() == pytest.approx(expected["S"], abs=6e-4)


def cosmesis():
    data, expected = case("int-cosmesis-npmle")
    left, right = (np.array([float(v) for v in data[k]]) for k in ("left", "right"))
    return Lives.from_arrays(lower=left, upper=right, covariates={"arm": data["treatment"]}), expected


def test_breast_cosmesis_masses():
    """Finkelstein & Wolfe (1985); Fay & Shaw (2010), J. Stat. Softw. 36(2), sec. 4.1."""
    lives, expected = cosmesis()
    table = survival_curve(lives, "arm").table

    for arm, prefix in (("Rad", "rad"), ("RadChem", "radchem")):
        rows = table[table["group"] == arm]
        assert rows["from"].tolist() == expected[f"{prefix}_left"]
        assert rows["to"].tolist() == expected[f"{prefix}_right"]
        assert rows["mass"].to_numpy() == pytest.approx(expected[f"{prefix}_mass"], abs=6e-5)


def test_breast_cosmesis_score_test():
    """Fay & Shaw (2010), sec. 4: Z = -2.6684, p = 0.007622 with Sun's scores (figures from memory, met here)."""
    lives, _ = cosmesis()
    test = compare_groups(lives, "arm")

    assert test.weight == "sun"
    assert np.sqrt(test.statistic) == pytest.approx(2.6684, abs=6e-5)
    assert test.p_value == pytest.approx(0.007622, abs=6e-7)


@pytest.mark.parametrize("name", ["trunc-small-1", "trunc-small-2"])
def test_delayed_entry_curve(name):
    """Figures of the scikit-survival test suite; entry counts as at risk only after the entry time."""
    data, expected = case(name)
    table = survival_curve(Lives.from_arrays(data["exit"], data["event"], entry=data["entry"])).table

    assert table["time"].tolist() == expected["time"]
    assert table["survival"].to_numpy() == pytest.approx(expected["S"], abs=1e-6)
    for column in ("lower", "upper"):
        known = [i for i, value in enumerate(expected[column]) if value is not None]
        wanted = [expected[column][i] for i in known]
        assert table[column].to_numpy()[known] == pytest.approx(wanted, abs=1e-6)


def test_five_weights_on_the_remissions():
    """Gehan (1965); Kleinbaum & Klein, Survival Analysis, 3rd ed. (2012), ch. 2."""
    data, expected = case("tests-6mp")
    lives = two_samples(data)
    plain = compare_groups(lives, "arm")

    assert plain.p_value == pytest.approx(expected["p_logrank"][0], rel=2e-3)
    assert plain.table["failures"].tolist() == expected["observed"]
    assert plain.table["expected"].to_numpy() == pytest.approx(expected["expected"], abs=6e-3)
    for weight, name in (("logrank", "logrank"), ("gehan", "gehan"), ("tarone-ware", "tarone_ware"), ("peto", "peto")):
        assert compare_groups(lives, "arm", weight=weight).statistic == pytest.approx(expected[name][0], rel=4e-5)
    weighted = compare_groups(lives, "arm", weight="fleming-harrington", rho=1)
    assert weighted.statistic == pytest.approx(expected["fh_rho1"][0], rel=4e-5)
    assert weighted.table["expected"].to_numpy() == pytest.approx(plain.table["expected"].to_numpy(), abs=1e-12)


def test_gehan_with_permutation_variance():
    """Gehan (1965), Biometrika 52, 203-223, with Mantel's (1967) variance: z = 3.61."""
    data, expected = case("tests-6mp-gehan-permutation")
    test = compare_groups(two_samples(data), "arm", weight="gehan", method="permutation", resamples=99)
    assert np.sqrt(test.statistic) == pytest.approx(expected["z"][0], abs=6e-3)


@pytest.mark.parametrize("method", ["permutation", "asymptotic"])
def test_myeloma(method):
    """Leton & Zuluaga (2005), Table 9 (permutation variance); data Collett (2003), Table 1.3."""
    data, expected = case("tests-myeloma-permutation" if method == "permutation" else "tests-myeloma-hypergeometric")
    lives = lives_of(data["time"], data["event"], high=np.array(data["Hb"]) > 11)
    kinds = {
        "gehan": {"weight": "gehan"},
        "logrank": {},
        "tarone_ware": {"weight": "tarone-ware"},
        "peto_km_left" if method == "permutation" else "fh_rho1": {"weight": "fleming-harrington", "rho": 1},
    }
    for name, arguments in kinds.items():
        test = compare_groups(lives, "high", method=method, **arguments)
        assert test.statistic == pytest.approx(expected[name][0], abs=6e-5 if method == "permutation" else 1e-5)
        assert test.p_value == pytest.approx(expected[name][1], abs=6e-3 if method == "permutation" else 6e-6)


def test_exact_small_sample_p():
    """Documentation of R package coin (SurvivalTests): 2 of 2,002 arrangements."""
    data, expected = case("tests-lung14-exact")
    lives = lives_of(data["time"], data["event"], group=data["group"])

    assert compare_groups(lives, "group", method="exact").p_value == pytest.approx(2 / 2002, abs=1e-12)
    rough = compare_groups(lives, "group")
    assert rough.statistic == pytest.approx(expected["chisq_asymptotic"][0], abs=6e-5)
    assert rough.p_value == pytest.approx(expected["p_asymptotic"][0], abs=6e-6)


def test_veterans_by_cell_type():
    """Kalbfleisch & Prentice (1980), App. I; figures of the scikit-survival test suite."""
    data, expected = case("tests-veteran")
    lives = lives_of(data["time"], data["status"], cell=data["celltype"], trt=data["trt"])
    test = compare_groups(lives, "cell")
    table = test.table.set_index("group").loc[["squamous", "smallcell", "adeno", "large"]]

    assert table["failures"].tolist() == expected["observed_sq_small_adeno_large"]
    assert table["expected"].to_numpy() == pytest.approx(expected["expected"], abs=6e-6)
    assert test.degrees_of_freedom == 3
    assert test.statistic == pytest.approx(expected["chisq"][0], abs=6e-5)
    assert test.p_value == pytest.approx(expected["p"][0], rel=1e-6)
    assert compare_groups(lives, "trt").statistic == pytest.approx(expected["chisq_trt"][0], abs=6e-8)


def test_larynx_trend_over_stages():
    """Kardaun (1983); Klein & Moeschberger, 2nd ed., Example 7.6."""
    data, expected = case("tests-larynx-trend")
    lives = lives_of(data["time"], data["event"], stage=data["stage"])
    trend = compare_trend(lives, "stage")

    assert trend.z == pytest.approx(expected["trend_Z"][0], abs=6e-3)
    assert trend.degrees_of_freedom == 1
    assert compare_groups(lives, "stage").statistic == pytest.approx(expected["chisq"][0], abs=6e-3)


def test_rats_within_litters():
    """Mantel, Bohidar & Ciminera (1977), the copy of R survival."""
    data, expected = case("tests-rats-litter")
    lives = lives_of(data["time"], data["event"], rx=data["rx"], litter=data["litter"])
    assert compare_groups(lives, "rx", within="litter").statistic == pytest.approx(
        expected["stratified_chisq"][0], abs=6e-4
    )


@pytest.mark.parametrize(("column", "name"), [("event_all", "all"), ("event_cens", "censored")])
def test_six_lives(column, name):
    """Figures of the lifelines test suite (R survdiff)."""
    data, expected = case("tests-tiny-logrank")
    test = compare_groups(lives_of(data["time"], data[column], group=data["group"]), "group")
    assert (test.statistic, test.p_value) == pytest.approx(tuple(expected[name]), abs=1e-6)


@pytest.mark.parametrize(("name", "tolerance"), [("bin-cp-nist", 2e-6), ("bin-cp-conover", 6e-4)])
def test_exact_limits_of_a_share(name, tolerance):
    """NIST/SEMATECH e-Handbook 7.2.4.2; Conover (1999)."""
    data, expected = case(name)
    found = proportion_interval(data["x"], data["n"], confidence=data["confidence"])
    assert found == pytest.approx(tuple(expected["ci"]), abs=tolerance)


def test_restricted_means_of_the_remissions():
    """Data Gehan (1965), figures computed with R survival 3.5.3; no factor m / (m - 1) in the variance."""
    data, expected = case("rmst-6mp")
    means = restricted_mean(two_samples(data), data["tau"], "arm")
    table = means.table

    assert table[["restricted_mean", "std_error"]].to_numpy()[0] == pytest.approx(expected["treat"], rel=1e-4)
    assert table[["restricted_mean", "std_error"]].to_numpy()[1] == pytest.approx(expected["control"], rel=1e-4)
