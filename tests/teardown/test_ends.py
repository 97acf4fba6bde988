"""What ended units, its shape with age, the condition inside, and verdicts beside suggestions."""

import numpy as np
import pytest

from tests.teardown.builders import records, small_table
from workbench.errors import EstimateError, UsageError
from workbench.estimate.shared.proportions import proportion_interval
from workbench.lives import Lives
from workbench.report.figures.style import new_axes
from workbench.report.figures.teardown import draw_ends
from workbench.teardown.ends.inside import inside_condition
from workbench.teardown.ends.pareto import ends_of_units
from workbench.teardown.ends.preventable import OTHERS, PREVENTABLE, preventable_causes, rank_preventable, two_classes
from workbench.teardown.ends.shapes import shapes_by_mechanism
from workbench.teardown.mechanisms.agreement import compare_verdicts
from workbench.teardown.mechanisms.mechanism import suggest_from_records
from workbench.teardown.mechanisms.opened import read_teardowns
from workbench.teardown.mechanisms.sign_families import ACCEPTED_ANSWERS, FAMILY_OF, MOISTURE_RELATED, sign_family_of


def fleet(**more):
    return Lives.from_arrays(
        lower=[10, 40, 20, 100, 50, 100, 120],
        upper=[10, 40, np.inf, 100, np.inf, np.inf, 120],
        cause=["leak", "leak", "", "bite", "", "", "undetermined"],
        covariates={
            "outcome": ["failed", "failed", "missing", "failed", "withdrawn", "working", "failed"],
            "environment": ["bog", "bog", "bog", "dunes", "dunes", "dunes", "dunes"],
        },
        **more,
    )


def test_ends_by_hand():
    # mission 100: leaks lose 90 and 60, the bite 0, the missing unit 80, the failure on day 120 nothing
    table = ends_of_units(fleet(), 100).table.set_index("end")
    assert list(table.index) == ["leak", "missing", "bite", "undetermined"]
    assert table["lost_days"].tolist() == [150, 80, 0, 0]
    assert table.loc["leak", "share_of_failures"] == pytest.approx(2 / 4)
    assert table.loc["leak", "share_of_units"] == pytest.approx(2 / 7)
    assert table.loc["leak", "share_of_lost_days"] == pytest.approx(150 / 230)
    assert np.isnan(table.loc["missing", "share_of_failures"])
    assert table["cumulative_share"].iloc[-1] == pytest.approx(1.0)
    assert table["share_of_failures"].sum() == pytest.approx(1.0)


def test_a_mechanism_may_be_called_what_units_that_never_came_back_are_called():
    lives = fleet()
    ends = ends_of_units(lives.replace(cause=np.where(lives.cause == "leak", "missing", lives.cause)), 100)
    assert ends.table["end"].tolist() == ["missing", "missing (not back)", "bite", "undetermined"]
    assert ends.never_back.tolist() == [False, True, False, False]
    assert ends.named.tolist() == [True, False, True, False]
    ax = new_axes(8, 4)
    draw_ends(ends, ax)
    assert [bar.get_hatch() for bar in ax.patches] == [None, "///", None, None]


def test_ends_by_group_count_within_the_group():
    table = ends_of_units(fleet(), 100, "environment").table
    bog = table[table["group"] == "bog"].set_index("end")
    assert bog.loc["leak", "share_of_units"] == pytest.approx(2 / 3)
    assert bog.loc["leak", "share_of_failures"] == pytest.approx(1.0)


def test_ends_of_weighted_rows_equal_repeated_rows():
    weight = np.array([1, 2, 3, 1, 1, 2, 1])
    rows = np.repeat(np.arange(7), weight)
    a, b = ends_of_units(fleet(weight=weight), 100).table, ends_of_units(fleet().take(rows), 100).table
    assert a["units"].tolist() == b["units"].tolist()
    assert a["lost_days"].to_numpy() == pytest.approx(b["lost_days"].to_numpy())


def test_an_interval_loses_between_its_ends_and_a_lone_one_loses_its_middle():
    lives = Lives.from_arrays(lower=[20, 60], upper=[40, np.inf], cause=["leak", ""])
    row = ends_of_units(lives, 100).table.iloc[0]
    assert (row["lost_days_low"], row["lost_days_high"]) == (60, 80)
    assert row["lost_days"] == pytest.approx(70, abs=0.5)  # one flat cell: the middle
    early = Lives.from_arrays(lower=[20, 0, 60], upper=[40, 25, np.inf], cause=["leak", "bite", ""])
    shared = ends_of_units(early, 100).table.set_index("end").loc["leak", "lost_days"]
    assert shared > 75  # the curve puts the drop into days 20 to 25, where both may have failed


def test_losses_never_fall_below_nothing():
    lives = Lives.from_arrays(lower=[90, 150, 10], upper=[130, 170, np.inf], cause=["leak", "bite", ""])
    table = ends_of_units(lives, 100).table.set_index("end")
    assert table.loc["bite", "lost_days"] == 0
    assert 0 <= table.loc["leak", "lost_days"] <= 10


def test_nothing_ended_and_no_causes_are_refused():
    with pytest.raises(EstimateError, match="none of the 2 units"):
        ends_of_units(Lives.from_arrays([5, 6], [False, False], cause=["", ""]), 100)
    with pytest.raises(EstimateError, match="carry no causes"):
        ends_of_units(Lives.from_arrays([5, 6], [True, False]), 100)
    with pytest.raises(UsageError, match="mission"):
        ends_of_units(fleet(), 0)


def test_shapes_need_five_failures_and_speak_of_wear_out_only_when_clear():
    rng = np.random.default_rng(1)
    wear, early = 100 * rng.weibull(6.0, 40), 300 * rng.weibull(0.5, 40)
    days = np.ceil(np.minimum(np.minimum(wear, early), 90)).clip(1)
    failed = np.minimum(wear, early) < 90
    cause = np.where(failed, np.where(wear < early, "worn", "infant"), "")
    shapes = shapes_by_mechanism(Lives.from_arrays(days, failed, cause=cause)).table.set_index("mechanism")
    assert shapes.loc["worn", "lower"] > 1 and "wear-out" in shapes.loc["worn", "statement"]
    assert shapes.loc["infant", "upper"] < 1 and "early-life" in shapes.loc["infant", "statement"]
    few = shapes_by_mechanism(fleet()).table
    assert few["shape"].isna().all() and few["statement"].str.contains("too few").all()
    assert few["mechanism"].tolist() == ["leak", "bite"]


def inside_log():
    rows = [{"lid_seal": "cord", "outcome": "failed", "condition_found": "wet"}] * 3
    rows += [{"lid_seal": "cord", "outcome": "working", "condition_found": "wet"}]
    rows += [{"lid_seal": "cord", "outcome": "failed", "condition_found": "dry"}] * 2
    rows += [{"lid_seal": "cord", "outcome": "working", "condition_found": "damp"}]
    rows += [{"lid_seal": "cord", "outcome": "working"}, {"lid_seal": "cord", "outcome": "missing"}]
    rows += [{"lid_seal": "o_ring", "outcome": "working", "standing_clear_water": "yes"}]
    rows += [{"lid_seal": "foam_strip", "outcome": "working"}]
    return records(*rows)


def test_wet_and_working_by_seal_with_exact_limits():
    teardowns = read_teardowns(inside_log(), ("standing_clear_water",))
    result = inside_condition(teardowns)
    table = result.table.set_index("group")
    cord = table.loc["cord"]
    assert (cord["opened"], cord["wet"], cord["wet_working"], cord["wet_failed"]) == (7, 4, 1, 3)
    assert (cord["damp"], cord["dry_failed"], cord["not_opened"], cord["missing"]) == (1, 2, 1, 1)
    assert (cord["lower"], cord["upper"]) == pytest.approx(proportion_interval(4, 7))
    assert table.loc["o_ring", "wet_working"] == 1  # seen as standing water, no condition written down
    assert np.isnan(table.loc["foam_strip", "share_wet"])
    assert table.loc["all", "opened"] == 8 and table.index[-1] == "all"
    assert "2 units that came back were not opened" in result.notes[0]
    with pytest.raises(UsageError, match="lid_seel"):
        inside_condition(teardowns, "lid_seel")


def test_a_unit_whose_signs_were_answered_no_was_opened_and_one_not_checked_was_not():
    """A survivor found without a sign says as much of that sign as one found with it."""
    log = records(
        {"ring": "no"},
        {"ring": "not_checked"},
        {"outcome": "working", "ring": "no", "puddle": "not_checked"},
        {"outcome": "working"},
    )
    teardowns = read_teardowns(log, ("ring", "puddle"))
    assert teardowns.opened.tolist() == [True, False, True, False]
    assert not any("No survivor was opened" in note for note in suggest_from_records(log, table=small_table()).notes)


def test_agreement_counts_and_second_looks():
    clear = {"marks": "yes", "dents": "yes", "ring": "no"}
    log = records(
        clear | {"mechanism": "bite", "confidence": "likely"},
        clear | {"mechanism": "leak", "confidence": "likely"},
        clear,
        {"mechanism": "leak", "confidence": "unsure"},
        clear | {"mechanism": "dead"},
        {"ring": "yes", "cause": "lid_seal_leak"},
    )
    result = compare_verdicts(suggest_from_records(log, table=small_table()))
    assert (result.compared, result.agreed) == (3, 1)
    assert (result.lower, result.upper) == pytest.approx(proportion_interval(1, 3))
    assert result.table["units"].sum() == 6
    again = result.look_again.set_index("unit_id")["reason"]
    assert "the signs speak for bite" in again["U-1"]
    assert "no mechanism named" in again["U-2"]
    assert "without any sign" in again["U-3"]
    assert "is a mode" in again["U-4"]
    assert "is a mechanism; a cause is the circumstance" in again["U-5"]
    assert "U-0" not in again.index


def test_families_are_the_six_by_name_only():
    assert set(FAMILY_OF.values()) == {
        "mechanical",
        "material",
        "instrument",
        "electrical",
        "external influence",
        "miscellaneous",
    }
    assert sign_family_of("corrosion_contacts") == "material" and sign_family_of("lid_seal_leak") == "mechanical"
    assert sign_family_of("undetermined") == "miscellaneous"
    assert not any(character.isdigit() for word in FAMILY_OF.values() for character in word)
    assert set(MOISTURE_RELATED) <= set(ACCEPTED_ANSWERS)


def test_what_a_seal_can_prevent_is_ranked_with_the_rest_competing():
    rng = np.random.default_rng(4)
    n = 160
    seal = np.where(rng.random(n) < 0.5, "o_ring", "flat_gasket")
    water = np.where(seal == "o_ring", 400.0, 120.0) * rng.weibull(1.5, n)
    bite = 200 * rng.weibull(1.0, n)
    time = np.ceil(np.minimum(np.minimum(water, bite), 150)).clip(1)
    failed = np.minimum(water, bite) < 150
    cause = np.where(failed, np.where(water < bite, "lid_seal_leak", "animal_bite"), "")
    lives = Lives.from_arrays(
        time, failed, cause=cause, covariates={"lid_seal": seal, "site": rng.choice(["a", "b", "c"], n)}
    )
    assert preventable_causes(lives) == ("lid_seal_leak",)
    assert two_classes(cause, ["lid_seal_leak"]) == {"lid_seal_leak": PREVENTABLE, "animal_bite": OTHERS}
    ranking = rank_preventable(lives, "lid_seal", mission=120, resamples=40)
    table = ranking.table.set_index("level")
    assert ranking.failures == int((cause == "lid_seal_leak").sum())
    gain = table["mission_survival"]["o_ring"] - table["mission_survival"]["flat_gasket"]
    assert 0.2 < gain < 0.7
    assert any("not lost to" in note for note in ranking.notes)
    with pytest.raises(EstimateError, match="no failure is a leak"):
        rank_preventable(lives.replace(cause=np.where(failed, "animal_bite", "")), "lid_seal", mission=120)
