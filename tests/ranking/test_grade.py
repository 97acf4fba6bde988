"""Grades: each rule in its order, the correction for choices, and the words."""

import math
from dataclasses import replace

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from workbench.mentions import Mention, Sentence
from workbench.ranking.choices.grade import Evidence, adjusted_for_choices, comparisons_sentence, grade_of

SECOND = {"second_gain": 0.18, "second_error": 0.07, "second_lower": 0.03, "second_upper": 0.33}
MIRRORED = {"second_gain": -0.18, "second_error": 0.07, "second_lower": -0.33, "second_upper": -0.03}
STRONG = Evidence(
    gain=0.2,
    lower=0.05,
    upper=0.3,
    better_share=0.99,
    p_adjusted=0.01,
    strengths=(0.15, 0.2, 0.22),
    same_sign=(("by hazard ratios", 0.4), ("with all missing units failed", 0.1)),
    **SECOND,
)


def test_a_second_estimate_that_bears_it_out_leaves_a_clear_one_clear():
    assert grade_of(replace(STRONG, **SECOND)).grade == "clear"
    found = grade_of(replace(STRONG, **SECOND | {"second_lower": 0.21}))
    assert found.grade == "clear" and found.note.endswith("(+21 to +33), which differs beyond chance")
    down = {
        "gain": -0.2,
        "lower": -0.3,
        "upper": -0.05,
        "better_share": 0.01,
        "strengths": (-0.1, -0.2),
        "same_sign": (),
    }
    assert grade_of(replace(STRONG, **MIRRORED | down)).grade == "clear"
    assert grade_of(replace(STRONG, **SECOND | down)).grade == "unclear"


def test_everything_pointing_one_way_is_clear():
    assert grade_of(STRONG).grade == "clear"
    mirrored = Evidence(
        gain=-0.2,
        lower=-0.3,
        upper=-0.05,
        better_share=0.01,
        p_adjusted=0.01,
        strengths=(-0.15, -0.2, -0.22),
        same_sign=(("by hazard ratios", -0.4),),
        **MIRRORED,
    )
    assert grade_of(mirrored).grade == "clear"


def test_without_a_second_estimate_nothing_is_clear():
    none = dict.fromkeys(SECOND, math.nan)
    found = grade_of(replace(STRONG, **none))
    assert (
        found.grade == "likely"
        and found.note == "not clear: the second estimate, without time ratios, could not be made"
    )


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"p_adjusted": 0.06}, "p = 0.06 after correction"),
        ({"lower": -0.01}, "the limits include zero"),
        ({"same_sign": (("by hazard ratios", -0.1),)}, "the sign differs by hazard ratios"),
        ({"at_most_likely": [Sentence("seal is not recorded for 25 % of the units")]}, "not recorded for 25 %"),
        (SECOND | {"second_lower": -0.01}, "without time ratios +18 points (−1 to +33)"),
    ],
)
def test_one_thing_against_it_makes_clear_likely_and_is_named(changes, words):
    found = grade_of(replace(STRONG, **changes))
    assert found.grade == "likely" and len(found.reasons) == 1
    assert words in found.note


@pytest.mark.parametrize(
    "changes",
    [
        {"p_adjusted": 0.20},
        {"better_share": 0.89, "lower": -0.02},
        {"strengths": (-0.01, 0.2, 0.25)},
        {"p_adjusted": math.nan},
        SECOND | {"second_gain": 0.08, "second_lower": -0.1},
        {"at_most_unclear": [Sentence("units with seal = ring are missing more often")]},
    ],
)
def test_anything_weaker_is_unclear(changes):
    assert grade_of(replace(STRONG, **changes)).grade == "unclear"


@pytest.mark.parametrize(
    ("changes", "grade", "words"),
    [
        ({"p_adjusted": 0.05}, "likely", "not clear: p = 0.05 after correction"),
        ({"same_sign": (("by hazard ratios", 0.0),)}, "likely", "not clear: the sign differs by hazard ratios"),
        ({"lower": 0.0}, "likely", "not clear: the limits include zero"),
        ({"better_share": 0.10, "lower": -0.1}, "likely", "not clear: the limits include zero"),
        ({"p_adjusted": 0.20}, "unclear", "p = 0.2 after correction"),
        ({"p_adjusted": math.nan}, "unclear", "could not be tested within sites"),
        ({"better_share": 0.89, "p_adjusted": 0.06}, "unclear", "too often the other way in the replicates"),
    ],
)
def test_a_figure_exactly_at_its_bound_and_the_whole_reason(changes, grade, words):
    found = grade_of(replace(STRONG, **changes))
    assert found.grade == grade
    assert found.note == words


@pytest.mark.parametrize("strengths", [(0.0, 0.2, 0.25), (0.15, 0.2, 0.0)])
def test_a_gain_of_nought_at_one_strength_is_not_steady(strengths):
    assert grade_of(replace(STRONG, strengths=strengths)).grade == "unclear"


@pytest.mark.parametrize("strength", [1e-200, -1e-200])
def test_the_sign_of_the_smallest_gain_counts(strength):
    assert grade_of(replace(STRONG, strengths=(strength, 0.2, 0.25))).grade == ("clear" if strength > 0 else "unclear")


def test_better_in_exactly_nine_of_ten_replicates_is_enough_for_likely():
    assert grade_of(replace(STRONG, better_share=0.90, lower=-0.1)).grade == "likely"


def test_what_cannot_be_told_apart_comes_before_everything():
    apart = [Sentence("seal = ring and batch = B3 cannot be told apart"), Sentence("so are seal = ring and the site")]
    found = grade_of(replace(STRONG, apart=apart))
    assert found.grade == "cannot be told apart"
    assert found.reasons == tuple(apart)
    assert found.note == "seal = ring and batch = B3 cannot be told apart; so are seal = ring and the site"


def test_reasons_stay_apart_whatever_stands_in_them():
    """A name that holds the sign between two reasons makes no reason more."""
    bars = [Sentence("it rests on ", Mention("site", "Weir; Lock", alone=True)), Sentence("a second")]
    found = grade_of(replace(STRONG, p_adjusted=0.06, at_most_likely=bars))
    assert found.reasons == ("not clear: p = 0.06 after correction", *bars)
    assert found.reasons[1].parts[1] == Mention("site", "Weir; Lock", alone=True)


def test_a_check_that_was_not_made_does_not_stand_against_clear():
    assert grade_of(replace(STRONG, same_sign=(("with all missing units failed", math.nan),))).grade == "clear"


@pytest.mark.slow
def test_correction_agrees_with_a_second_program_and_counts_what_was_tried():
    """Holm (1979), Scand. J. Stat. 6, 65-70; statsmodels.stats.multitest as second program."""
    p = np.array([0.004, 0.3, 0.02, 0.011])
    assert adjusted_for_choices(p) == pytest.approx(multipletests(p, method="holm")[1])
    padded = multipletests(np.append(p, [1.0, 1.0, 1.0]), method="holm")[1][:4]
    assert adjusted_for_choices(p, tried=7) == pytest.approx(padded)
    with_gap = adjusted_for_choices(np.array([0.01, np.nan, 0.02]))
    assert with_gap[[0, 2]] == pytest.approx([0.03, 0.04])  # the untestable one counts as looked at
    assert np.isnan(with_gap[1])


def test_the_sentence_about_the_number_of_comparisons():
    assert comparisons_sentence(19) == (
        "19 comparisons were looked at; under no effect at all a season shows a clear one in about 1 of 20 "
        "and a likely one in about 1 of 6."
    )
    assert comparisons_sentence(1).startswith("1 comparison was looked at;")
