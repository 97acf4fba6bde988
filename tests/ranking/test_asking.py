"""What is asked of a log by itself: levels are ranked, numbers among the choices are held equal as numbers."""

import numpy as np
import pandas as pd
import pytest

from workbench.errors import SettingsError, UsageError
from workbench.log.dictionary import read_settings
from workbench.log.season_log.reading import read_log
from workbench.ranking.checks.permute import choice_p_values, level_p_value
from workbench.ranking.choices.asking import choices_at_hand, question_of
from workbench.ranking.choices.rank import rank_choices
from workbench.ranking.model import build_design, fitted_design

from .seasons import make_lives


def a_log(settings=None, **columns):
    rng = np.random.default_rng(2)
    n = 40
    frame = pd.DataFrame(
        {
            "unit_id": [f"U{i}" for i in range(n)],
            "site": np.tile(["a", "b", "c", "d"], n // 4),
            "deployed_on": "2025-03-01",
            "found_on": "2025-09-01",
            "outcome": np.where(rng.random(n) < 0.4, "failed", "working"),
            "lid_seal": rng.choice(["o_ring", "cord"], n),
        }
    )
    return read_log(frame.assign(**columns), settings)


def test_a_numeric_choice_enters_as_a_number_and_is_said_not_to_be_ranked():
    log = a_log(coating_thickness_um=np.random.default_rng(3).integers(20, 90, 40))
    lives = log.lives()
    question = question_of(log, lives)
    assert question.choices == ("lid_seal",) and "coating_thickness_um" in question.adjust
    assert pd.api.types.is_numeric_dtype(lives.covariates["coating_thickness_um"])
    assert "Held equal as numbers, not ranked: coating_thickness_um." in question.notes


def test_a_numeric_choice_that_some_units_lack_is_left_out_and_said():
    values = np.where(np.arange(40) % 3 == 0, np.nan, np.arange(40))
    log = a_log(lid_torque_nm=values)
    question = question_of(log, log.lives())
    assert "lid_torque_nm" not in question.adjust
    assert any("some units lack it" in note and "lid_torque_nm" in note for note in question.notes)


def two_choices(**question):
    vent = np.random.default_rng(5).choice(["none", "membrane"], 40)
    return a_log({"season": "2025", "question": question} if question else None, vent=vent)


def test_all_choices_of_the_log_count_as_looked_at_whichever_are_asked():
    log = two_choices()
    lives = log.lives()
    question = question_of(log, lives, ["lid_seal"])
    assert question.choices == ("lid_seal",) and set(question.tried) == {"lid_seal", "vent"}
    assert set(choices_at_hand(lives)) == {"lid_seal", "vent"}
    alone = rank_choices(lives, "lid_seal", mission=100, resamples=20)
    row = alone.table.iloc[0]
    assert row.p_adjusted == pytest.approx(min(1.0, 2 * row.p_value))
    assert any("corrected for 2 choices looked at, not for 1 alone" in note for note in alone.notes)
    named = rank_choices(lives, "lid_seal", mission=100, resamples=20, tried=[])
    assert named.table.p_adjusted[0] == named.table.p_value[0]


@pytest.mark.parametrize(
    ("question", "words"),
    [
        ({"since": "2025"}, "stands since 2025, before these lives, so it is tested first and alone"),
        ({"since": "2025-02-28"}, "stands since 2025-02-28, before these lives"),
        ({"since": "2025-03-02"}, "corrected like all others: it stands since 2025-03-02, and units were put out from"),
        ({"since": "2026"}, "corrected like all others: it stands since 2026, and lives of 2025 are among those asked"),
        ({}, "corrected like all others: the settings do not say since when it stands"),
    ],
)
def test_a_question_counts_as_declared_only_from_before_the_lives(question, words):
    log = two_choices(choice="vent", **question)
    asked = question_of(log, log.lives())
    assert any(words in note for note in asked.notes), asked.notes
    assert asked.declared == ({"vent": ""} if "first and alone" in words or "02-28" in words else {})


def test_a_declared_choice_comes_first_without_correction_and_the_others_stay_corrected():
    lives = make_lives(3, 120)
    both = rank_choices(lives, ["seal", "vent"], mission=180, resamples=40)
    asked = rank_choices(lives, ["seal", "vent"], mission=180, resamples=40, declared={"vent": ""})
    assert both.table.choice[0] == "seal" and asked.table.choice[0] == "vent"
    vent, before = (r.of("vent").iloc[0] for r in (asked, both))
    assert vent.p_adjusted == vent.p_value == before.p_value
    assert asked.of("seal").p_adjusted.tolist() == both.of("seal").p_adjusted.tolist()


def test_a_declared_level_is_tested_against_its_reference_alone():
    """With two levels the test of the one level and the test of the choice are the same question."""
    lives = make_lives(3, 120)
    design = build_design(lives, ["seal", "vent"], ["environment"])
    of_choice = choice_p_values(fitted_design(design), 0)["vent"]
    other = next(v for v in design.block("vent").ranked if v != design.block("vent").reference)
    assert level_p_value(design, "vent", other, seed=0) == pytest.approx(of_choice, abs=0.03)
    options = {"reference": {"seal": "flat"}, "declared": {"seal": "ring"}}
    got = rank_choices(lives, ["seal", "vent"], mission=180, resamples=40, **options).of("seal")
    got = got.set_index("level")
    base = got.reference.iloc[0]
    third = next(v for v in got.index if v not in ("ring", base))
    assert got.p_adjusted["ring"] == got.p_value["ring"] != got.p_value[third]
    assert got.p_adjusted[third] == min(1.0, 2 * got.p_value[third])


def test_a_declared_level_that_most_units_carry_is_set_against_the_others():
    frame = two_choices().lives().covariates
    common = frame.vent.value_counts().index[0]
    log = two_choices(choice="vent", level=common, since="2025")
    asked = question_of(log, log.lives())
    assert asked.declared == {"vent": common} and asked.reference["vent"] != common
    told = read_log(log.records, {"season": "2025", "reference": {"vent": common}, "question": log.settings.question})
    asked = question_of(told, told.lives())
    assert asked.declared == {"vent": ""} and any("is the reference" in note for note in asked.notes)


def test_levels_alike_are_found_different_by_chance_alone():
    """Under no effect p of a declared level is uniform: Freedman & Lane (1983)."""
    none = {"seal": {"flat": 0.0, "cord": 0.0, "ring": 0.0}}
    p = [
        level_p_value(
            build_design(make_lives(s, 90, none), ["seal"], reference={"seal": "flat"}), "seal", "ring", seed=s
        )
        for s in range(60)
    ]
    assert np.mean(p) == pytest.approx(0.5, abs=0.12)
    assert np.mean(np.array(p) < 0.05) <= 0.15


def test_impossible_questions_are_refused_in_a_sentence():
    lives = make_lives(3, 80)
    for declared, words in (
        ({"seal": "", "vent": ""}, "one question can be tested alone"),
        ({"lid": ""}, "not among the ranked choices: seal"),
        ({"seal": "wax"}, r"level 'wax' of seal \(there are: "),
    ):
        with pytest.raises(UsageError, match=words):
            rank_choices(lives, ["seal"], mission=180, resamples=20, declared=declared)
    for question, words in (
        ({"level": "o_ring"}, "question has no 'choice'"),
        ({"choice": "lid_seel"}, "question names the column .lid_seel."),
        ({"choice": "lid_seal", "sinse": "2025"}, "unknown key 'sinse'"),
        ("lid_seal", "question"),
    ):
        with pytest.raises(SettingsError, match=words):
            read_settings({"question": question})
