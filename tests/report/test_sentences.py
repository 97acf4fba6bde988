"""Sentences: singular and plural, zero failures, not reached, limits that hold zero, and no word of cause."""

import math
import pickle
import re

import pytest

from workbench.report.words.naming import first_sentence, id_words, limits_words, shown_name
from workbench.report.words.sentences import (
    Pairs,
    ShareOfGroup,
    association_words,
    days_sentence,
    detectable_sentence,
    difference_sentence,
    median_sentence,
    missing_flip_sentence,
    share_sentence,
    test_sentence,
)
from workbench.wording import percent_text, points_text

NAN = math.nan


def group(**changes):
    plain = {"name": "cord", "units": 40, "failures": 8, "share": 0.8, "lower": 0.64, "upper": 0.9, "at_risk": 20.0}
    return ShareOfGroup(**(plain | changes))


REFERENCE = group(name="flat gasket", share=0.6, lower=0.44, upper=0.73, failures=16)


def test_a_share_comes_with_limits_and_counts():
    assert share_sentence(group(), "180 days", 0.95) == (
        "With cord 80 % lasted 180 days (95 % limits 64 to 90 %; 8 failures in 40 units)."
    )


def test_one_failure_in_one_unit_is_singular():
    text = share_sentence(group(units=1, failures=1, share=0.0, lower=0.0, upper=0.9), "180 days", 0.95)

    assert "1 failure in 1 unit)" in text


def test_zero_failures_say_how_many_could_have_failed():
    """0 of 10, all still observed: Clopper-Pearson upper limit 1 - 0.025^(1/10) = 0.3085; with 4 left, 0.6024."""
    ten = group(units=10, failures=0, share=1.0, lower=0.025 ** (1 / 10), upper=1.0, at_risk=10.0)
    four = group(units=10, failures=0, share=1.0, lower=0.025 ** (1 / 4), upper=1.0, at_risk=4.0)

    assert "with 10 still observed at 180 days up to 31 % could have" in share_sentence(ten, "180 days", 0.95)
    assert "with 4 still observed at 180 days up to 60 % could have" in share_sentence(four, "180 days", 0.95)
    assert share_sentence(group(units=1, failures=0), "180 days", 0.95).startswith("The only unit with cord did not")


def test_an_unknown_share_is_said_to_be_unknown():
    text = share_sentence(group(share=NAN, lower=NAN, upper=NAN), "300 days", 0.95)

    assert "is not known" in text
    assert "nan" not in text.lower()


@pytest.mark.parametrize(
    ("lower", "upper", "words"),
    [
        (0.02, 0.4, "goes with longer life"),
        (-0.4, -0.02, "goes with shorter life"),
        (-0.1, 0.3, "could not be told apart"),
        (0.0, 0.3, "could not be told apart"),
        (NAN, NAN, "could not be told apart"),
    ],
)
def test_association_follows_the_limits_alone(lower, upper, words):
    assert association_words(lower, upper) == words


def test_a_difference_gives_both_shares_first_and_names_the_reference():
    text = difference_sentence(group(), REFERENCE, (0.2, 0.03, 0.37), mission="180 days", confidence=0.95)

    assert text == (
        "With cord 80 % lasted 180 days, with flat gasket (reference) 60 %: +20 points (95 % limits +3 to +37 points)."
    )
    assert text.index("80 %") < text.index("points")


def test_limits_that_hold_zero_are_said_to_hold_it():
    text = difference_sentence(group(), REFERENCE, (0.2, -0.03, 0.37), mission="180 days", confidence=0.95)

    assert "include no difference at all" in text


def test_a_difference_that_is_not_known_says_where_nothing_is_known():
    text = difference_sentence(group(share=NAN), REFERENCE, (NAN, NAN, NAN), mission="300 days", confidence=0.95)

    assert text == "cord and flat gasket cannot be compared at 300 days: nothing is known that late with cord."


def test_days_are_signed_in_the_limits_and_plain_in_the_sentence():
    assert "worked 12 days less on average than with flat gasket (95 % limits −20 to −4.0 days)" in days_sentence(
        group(name="cord"), group(name="flat gasket"), (-12.0, -20.0, -4.0), horizon="180 days", confidence=0.95
    )
    assert "include no difference at all" in days_sentence(
        group(name="cord"), group(name="flat gasket"), (3.0, -2.0, 9.0), horizon="180 days", confidence=0.95
    )
    assert "worked as long on average as with flat" in days_sentence(
        group(name="cord"), group(name="flat"), (0.0, -2.0, 2.0), horizon="9 days", confidence=0.95
    )
    assert "cannot be compared" in days_sentence(
        group(name="cord"), group(name="flat gasket"), (NAN, NAN, NAN), horizon="180 days", confidence=0.95
    )


def overall(p_value, levels=3, differing=(), told=False):
    pairs = Pairs(base="flat gasket", differing=differing, told=told)
    return test_sentence(p_value, levels=levels, pairs=pairs, mission="180 days")


def test_a_test_that_shows_nothing_is_no_proof_of_likeness():
    text = overall(0.3)

    assert "could not be told apart" in text
    assert "not proof" in text
    assert "rarely" in overall(0.01, levels=2, told=True)
    assert "could not be tested" in overall(NAN, levels=2)


def test_levels_that_differ_while_no_pair_does_are_told_so():
    assert "Taken together the three levels differ" in overall(0.014)
    assert overall(0.014).endswith("which of them cannot be said yet.")
    named = overall(0.014, differing=("cord", "O-ring"))
    assert ": cord and O-ring from flat gasket. By the share lasting 180 days alone none can be told apart" in named
    assert "cord" not in overall(0.014, levels=2, differing=("cord",))


def test_what_the_season_could_show_follows_schoenfeld():
    """Schoenfeld (1981), Biometrika 68, 316-319: D = (1.96 + 0.84)^2 / (p (1 - p) log(HR)^2); for D = 100, p = 1/2
    the ratio is exp(2.80 / sqrt(25)) = 1.75."""
    assert "hazard ratio of 1.8 or more" in detectable_sentence(100, 0.5)
    assert "could hardly show any" in detectable_sentence(2, 0.5)
    assert "could not show any" in detectable_sentence(0, 0.5)


def test_a_median_that_is_not_reached_is_said_so():
    reached = median_sentence((142.0, 97.0, NAN), NAN, "day 180", confidence=0.95)
    assert reached == "Half had failed by day 142 (95 % limits 97 to not reached)."
    assert median_sentence((NAN, NAN, NAN), 0.62, "day 180", confidence=0.95).endswith(
        "by day 180 (62 % still working)."
    )
    assert "inf" not in median_sentence((NAN, NAN, NAN), NAN, "day 180", confidence=0.95)


@pytest.mark.parametrize(
    ("flips", "missing", "text"),
    [
        (None, 0, "No unit with cord is missing."),
        (1, 1, "would change sign if the missing unit with cord had failed"),
        (2, 5, "if 2 of the 5 missing units with cord had failed"),
        (None, 5, "keep its sign even if all 5 missing units with cord had failed"),
        (None, 1, "keep its sign even if the missing unit with cord had failed"),
    ],
)
def test_missing_units_that_turn_the_sign_are_counted(flips, missing, text):
    assert text in missing_flip_sentence("cord", flips, missing)


def test_no_sentence_speaks_of_cause():
    texts = [
        share_sentence(group(), "180 days", 0.95),
        difference_sentence(group(), REFERENCE, (0.2, 0.03, 0.37), mission="180 days", confidence=0.95),
        days_sentence(
            group(name="cord"), group(name="flat gasket"), (12.0, 2.0, 20.0), horizon="180 days", confidence=0.95
        ),
        overall(0.001, levels=2, told=True),
        overall(0.001),
        overall(0.001, differing=("cord",)),
        association_words(0.1, 0.2),
    ]

    assert not re.search(r"caus|because|due to|thanks to|prevent|improv|effect", " ".join(texts), re.IGNORECASE)


@pytest.mark.parametrize(
    ("raw", "shown"),
    [
        ("flat_gasket", "flat gasket"),
        ("a\u202eb\u200fc", "abc"),
        ("two\nlines\there", "two lines here"),
        ("see https://bad.example now", "see (link) bad.example now"),
        ("\x00\x07", "(no name)"),
        ("x" * 300, "x" * 43 + "…"),
    ],
)
def test_names_from_a_log_are_made_fit_to_be_shown(raw, shown):
    assert shown_name(raw) == shown


def test_first_sentences_end_where_sentences_end():
    assert first_sentence("Of 9 units 3.5 % failed. No more.") == ("Of 9 units 3.5 % failed.", "No more.")
    assert first_sentence("One only.") == ("One only.", "")


def test_ids_never_fall_together():
    words = id_words(["O-ring", "o ring", "防水", "cord"])

    assert len(set(words.values())) == 4
    assert all(re.fullmatch("[a-z0-9_]+", word) for word in words.values())


def test_limits_name_their_unit_once():
    assert limits_words(points_text(0.03), points_text(0.37), 0.9) == "90 % limits +3 to +37 points"
    assert limits_words(points_text(0.01), points_text(0.37), 0.9) == "90 % limits +1 to +37 points"
    assert limits_words(percent_text(0.03), points_text(0.37), 0.9) == "90 % limits 3 % to +37 points"


def test_an_amount_that_went_through_another_process_still_knows_its_unit():
    again = pickle.loads(pickle.dumps(points_text(-0.01)))
    assert (again, again.number, again.unit) == ("−1 point", "−1", "point")
