"""Trial sizes by formula against published worked examples."""

import pytest

from workbench.errors import UsageError
from workbench.planning.trial import failures_to_detect, units_with_dropout

SCHOENFELD = {1.25: (630.5, 844.1), 1.5: (191.0, 255.7), 1.75: (100.3, 134.2), 2: (65.3, 87.5), 2.5: (37.4, 50.1)}


@pytest.mark.parametrize("ratio", SCHOENFELD)
def test_failures_by_schoenfeld(ratio):
    """Schoenfeld (1981, 1983); ratio 2 at 90 % read in a public clinical-trial library, the rest computed."""
    found = tuple(failures_to_detect(ratio, power=p) for p in (0.8, 0.9))
    assert found == pytest.approx(SCHOENFELD[ratio], abs=0.06)


def test_a_protective_ratio_needs_as_many_as_its_inverse():
    assert failures_to_detect(0.5) == pytest.approx(failures_to_detect(2.0), rel=1e-12)


def test_failures_with_a_correlated_term():
    """Latouche, Porcher & Chevret (2004), Stat. Med. 23, 3263, section 5.2 (inputs); result computed."""
    needed = failures_to_detect(2, share=0.39, explained=0.017424)
    assert needed == pytest.approx(69.887, abs=0.0006)


def test_units_with_dropout_by_lachin_and_foulkes():
    """Lachin & Foulkes (1986), Biometrics 42, 507; worked example as printed by a public design library: 430 and 91."""
    assert units_with_dropout(0.2, 0.1, dropout_hazard=0.1, length=2, entry_spread=0.5, power=0.9) == (430, 91)


def test_no_spread_is_the_limit_of_a_short_one():
    args = {"dropout_hazard": 0.1, "length": 2, "power": 0.9}
    assert units_with_dropout(0.2, 0.1, **args) == units_with_dropout(0.2, 0.1, entry_spread=1e-6, **args)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: failures_to_detect(1.0), "hazard_ratio must differ from 1"),
        (lambda: failures_to_detect(-2.0), "hazard_ratio must be a finite number above 0"),
        (lambda: failures_to_detect(2.0, power=1.0), "power must lie between 0 and 1"),
        (lambda: failures_to_detect(2.0, share=0.0), "share must lie between 0 and 1"),
        (lambda: failures_to_detect(2.0, explained=1.0), "explained must lie from 0"),
        (lambda: units_with_dropout(0.2, 0.1, dropout_hazard=0.1, length=1, entry_spread=1), "shorter than length"),
    ],
)
def test_impossible_targets_are_refused_in_words(call, message):
    with pytest.raises(UsageError, match=message):
        call()
