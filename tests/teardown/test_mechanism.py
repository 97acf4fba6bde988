"""Mechanism from evidence: hand-worked Bayes, signs that were not looked for, families, own verdicts, survivors."""

import numpy as np
import pandas as pd
import pytest

from tests.teardown.builders import records, small_table
from workbench.errors import UsageError
from workbench.lives import Lives
from workbench.log.dictionary.evidence import read_evidence_table
from workbench.log.season_log.reading import read_log
from workbench.teardown.ends import units_next
from workbench.teardown.mechanisms.likelihood import mechanism_weights
from workbench.teardown.mechanisms.mechanism import suggest_from_records, suggest_mechanism
from workbench.teardown.sheets import units_to_open


def probability(suggestions, row, mechanism):
    return suggestions.probabilities[row, suggestions.mechanisms.index(mechanism)]


def test_two_mechanisms_by_hand():
    # ring seen: 0.80 under leak, 0.08 under bite; puddle is of the same family and weaker, so it adds nothing;
    # marks not seen: 1 - 0.20 under leak, 1 - 0.80 under bite; prior 1 to 1
    s = suggest_from_records(records({"ring": "yes", "puddle": "yes", "marks": "no"}), table=small_table())
    leak, bite = 0.80 * 0.80, 0.08 * 0.20
    assert probability(s, 0, "leak") == pytest.approx(leak / (leak + bite), rel=1e-12)
    assert s.probabilities.sum(axis=1) == pytest.approx([1.0], abs=1e-12)


def test_confirmed_teardowns_add_counts_by_hand():
    # one sure leak with ring seen and marks not seen: ring (3.2 + 1)/5 = 0.84, marks 0.8/5 = 0.16 under leak, prior 2:1
    log = records(
        {"ring": "yes", "marks": "no"},
        {"ring": "yes", "marks": "no", "mechanism": "leak", "confidence": "sure", "analyst": "bench"},
    )
    s = suggest_from_records(log, table=small_table())
    leak, bite = 2 * 0.84 * 0.84, 1 * 0.08 * 0.20
    assert probability(s, 0, "leak") == pytest.approx(leak / (leak + bite), rel=1e-12)


def test_own_verdict_never_trains_its_own_probability():
    rows = [{"ring": "yes", "marks": "no"}, {"marks": "yes", "mechanism": "bite", "confidence": "sure"}]
    without = suggest_from_records(records(*rows), table=small_table())
    rows[0] |= {"mechanism": "bite", "confidence": "sure"}
    with_own = suggest_from_records(records(*rows), table=small_table())
    assert with_own.probabilities[0] == pytest.approx(without.probabilities[0], rel=1e-12)
    assert with_own.probabilities[1] != pytest.approx(without.probabilities[1], rel=1e-3)


def test_only_sure_verdicts_of_people_on_failures_train():
    base = suggest_from_records(records({"ring": "yes"}, {"marks": "yes"}), table=small_table())
    for extra in ({"confidence": "likely"}, {"confidence": "sure", "analyst": "program"}, {}):
        log = records({"ring": "yes"}, {"marks": "yes", "mechanism": "bite"} | extra)
        assert suggest_from_records(log, table=small_table()).probabilities == pytest.approx(base.probabilities)


def test_unchecked_signs_change_nothing():
    told = {"ring": "yes", "marks": "no"}
    plain = suggest_from_records(records(told), table=small_table())
    for blank in ("not_checked", None, np.nan):
        more = suggest_from_records(records(told | {"puddle": blank, "dents": blank}), table=small_table())
        assert more.probabilities == pytest.approx(plain.probabilities, rel=1e-12)
        assert more.table["mechanism"].tolist() == plain.table["mechanism"].tolist()


def test_a_family_counts_once_by_its_strongest_sign():
    ring = suggest_from_records(records({"ring": "yes"}), table=small_table())
    both = suggest_from_records(records({"ring": "yes", "puddle": "yes"}), table=small_table())
    apart = small_table().assign(family=lambda t: t["sign"])
    counted_twice = suggest_from_records(records({"ring": "yes", "puddle": "yes"}), table=apart)
    assert both.probabilities == pytest.approx(ring.probabilities, rel=1e-12)
    assert probability(counted_twice, 0, "leak") > probability(both, 0, "leak") + 0.01


def test_undetermined_on_one_sign_and_under_sixty_per_cent():
    s = suggest_from_records(
        records(
            {"ring": "yes", "puddle": "yes", "marks": "no", "dents": "no"},  # 98 %, and one family only
            {"marks": "yes", "dents": "yes", "ring": "no"},  # two families
            {"ring": "no", "marks": "no"},
            {},
        ),
        table=small_table(),
    )
    assert s.table["mechanism"].tolist() == ["undetermined", "bite", "undetermined", "undetermined"]
    assert s.table["probability"].iloc[0] > 0.9
    assert "one sign only" in s.table["note"].iloc[0]
    assert "no sign was checked" in s.table["note"].iloc[3]
    assert s.table["for"].iloc[1] == "marks, dents"
    assert s.table["against"].iloc[0] == ""
    assert s.table["probability"].iloc[3] == pytest.approx(0.5)


def test_next_check_separates_the_two_best():
    s = suggest_from_records(records({"ring": "yes"}), table=small_table())
    assert "marks" in s.table["next_check"].iloc[0]  # 0.80 against 0.20; dents only 0.50 against 0.20
    assert "jacket" in s.table["next_check"].iloc[0]


def test_a_sign_that_survivors_show_as_often_is_no_evidence_and_this_is_said():
    failed = [{"ring": "yes" if n < 5 else "no", "marks": "yes"} for n in range(10)]
    alive = [{"ring": "yes" if n < 4 else "no", "marks": "no", "outcome": "working"} for n in range(8)]
    s = suggest_from_records(records(*failed, *alive), table=small_table())
    alone = suggest_from_records(records(*failed), table=small_table())
    assert any("'ring' is no evidence" in note and "4 of 8" in note and "5 of 10" in note for note in s.notes)
    assert "ring" not in s.table["for"].iloc[0]
    assert probability(s, 0, "leak") < probability(alone, 0, "leak")
    # it speaks for nothing, so it leaves leak no better than where the sign was not looked for
    unseen = suggest_from_records(records({"marks": "yes"}, *failed[1:], *alive), table=small_table())
    assert probability(s, 0, "leak") <= probability(unseen, 0, "leak") * 1.3
    assert not any("'marks' is no evidence" in note for note in s.notes)


def test_without_opened_survivors_it_says_so():
    s = suggest_from_records(records({"ring": "yes"}, {"outcome": "working"}), table=small_table())
    assert any("No survivor was opened" in note for note in s.notes)


def test_prior_weights_are_one_each_plus_counts_until_many_are_confirmed():
    assert mechanism_weights(np.array([3.0, 0, 0])).tolist() == [4, 1, 1]
    many = mechanism_weights(np.array([9.0, 5, 1, *np.zeros(20)]))
    assert many[:3].tolist() == [10, 6, 2]
    assert 0 < many[3:].sum() < 3 and len(set(many[3:])) == 1
    singles = mechanism_weights(np.array([1.0] * 12 + [0.0] * 3))  # every kind met once: many more are to be expected
    assert singles[12:].tolist() == [1, 1, 1]


def test_shuffling_records_changes_no_digit():
    rows = [{"ring": "yes", "marks": "no"}, {"marks": "yes", "dents": "yes"}, {"ring": "no"}]
    rows[1] |= {"mechanism": "bite", "confidence": "sure"}
    log = records(*rows)
    a, b = (
        suggest_from_records(log, table=small_table()),
        suggest_from_records(log.iloc[[2, 0, 1]], table=small_table()),
    )
    assert np.array_equal(a.probabilities[[2, 0, 1]], b.probabilities)


def test_takers_of_away_and_honest_blanks_are_never_suggested():
    s = suggest_from_records(records({"tide_line": "yes"}))
    assert not {"theft_vandalism", "flood_swept", "no_cause_found", "unknown", "undetermined"} & set(s.mechanisms)
    assert {"lid_seal_leak", "battery_exhausted", "animal_bite"} <= set(s.mechanisms)


def test_wrong_table_is_refused_by_name():
    with pytest.raises(UsageError, match=r"strength in row 0.*'very'"):
        suggest_from_records(records({}), table=small_table().assign(strength="very"))
    with pytest.raises(UsageError, match="family"):
        suggest_from_records(records({}), table=small_table().drop(columns="family"))


def log_file(tmp_path, rows):
    frame = pd.DataFrame(
        [{"unit_id": f"U{n}", "deployed_on": "2025-03-01", "site": "Mirefold Bog"} | row for n, row in enumerate(rows)]
    )
    path = tmp_path / "log.xlsx"
    frame.to_excel(path, index=False)
    return read_log(path, {"window": ["2025-01-01", "2025-12-31"]})


def test_troubles_of_the_teardown_are_named_by_cell_and_never_touch_the_lives(tmp_path):
    died = {"outcome": "failed", "last_good_on": "2025-05-01", "found_on": "2025-06-01"}
    rows = [
        died | {"opened_on": "2025-05-20", "tide_line": "yes", "gasket_pinched_or_dirty": "yes"},
        died | {"condition_found": "dry", "standing_clear_water": "yes", "tide_line": "no"},
        {"outcome": "working", "found_on": "2025-06-01", "mechanism": "lid_seal_leak"},
        died | {"tide_line": "yes"},
    ]
    log = log_file(tmp_path, rows)
    s = suggest_mechanism(log)
    columns = list(pd.read_excel(tmp_path / "log.xlsx").columns)
    cell = {name: "ABCDEFGHIJKLMNOP"[number] for number, name in enumerate(columns)}
    named = dict(zip(s.problems["cell"], s.problems["reason"], strict=True))
    assert "before" in named[f"{cell['opened_on']}2"]
    assert "contradict" in named[f"{cell['standing_clear_water']}3"]
    assert "mechanism" in named[f"{cell['mechanism']}4"]
    assert s.table["note"].str.contains("opened before").tolist() == [True, False, False]
    assert "Contradictory" in s.table["note"].iloc[1]
    assert not s.table["for"].iloc[0]
    assert log.used == 4 and len(log.lives()) == 4 and log.lives().failures == 3


def test_a_declared_sign_that_the_table_lacks_is_named(tmp_path):
    frame = pd.DataFrame(
        {
            "unit_id": ["U1"],
            "deployed_on": ["2025-03-01"],
            "outcome": ["failed"],
            "found_on": ["2025-06-01"],
            "slime": ["yes"],
        }
    )
    log = read_log(frame, {"window": ["2025-01-01", "2025-12-31"], "roles": {"evidence": ["slime"]}})
    problems = suggest_mechanism(log).problems
    assert problems["field"].tolist() == ["slime"]
    assert "does not know" in problems["reason"].iloc[0]
    table = pd.concat(
        [read_evidence_table(), small_table().assign(sign="slime", family="growth").iloc[:1]], ignore_index=True
    )
    assert suggest_mechanism(log, table=table).problems.empty


def test_nobody_is_sent_to_a_unit_that_the_safety_check_stopped():
    rows = [
        {"unit_id": "A", "safety_check": "stopped"},
        {"unit_id": "B", "swollen_cell": "yes", "tide_line": "no"},
        {"unit_id": "C", "swollen_cell": "yes", "condition_found": "wet"},  # taken out by somebody since
        {"unit_id": "D"},
    ]
    suggestions = suggest_from_records(records(*rows))
    checks = suggestions.table["next_check"].tolist()
    assert [check.startswith("leave it shut") for check in checks] == [True, True, False, False]
    lives = Lives.from_arrays(time=np.arange(1.0, 5.0), failed=np.ones(4, dtype=bool))
    assert {unit.unit_id for unit in units_next(suggestions, lives)} == {"C", "D"}
    opened = suggestions.teardowns.opened
    assert units_to_open(records(*rows), opened)["unit_id"].tolist() == ["D"]
    assert units_to_open(records(*rows), opened, units=["A"])["unit_id"].tolist() == ["A"]


def test_nobody_is_sent_to_look_for_what_cannot_be_there():
    """Inside was written down as wet, so nothing inside is dry and clean: common practice, no source."""
    seen = {"condition_found": "wet", "standing_clear_water": "yes", "gasket_pinched_or_dirty": "yes"}
    teardowns = suggest_from_records(records(seen, {"tide_line": "no"})).teardowns
    out = {sign: teardowns.ruled_out()[:, number].tolist() for number, sign in enumerate(teardowns.signs)}
    assert out["dry_and_clean_inside"] == [True, False] and out["gasket_intact_even_mark"] == [True, False]
    assert out["black_film_no_water"] == [True, False] and out["tooth_marks"] == [False, False]

    known = {sign: "no" for sign in teardowns.signs if sign != "dry_and_clean_inside"}
    check = suggest_from_records(records(known | seen)).table["next_check"][0]
    assert "dry and clean" not in check and check.startswith("no unchecked sign")
