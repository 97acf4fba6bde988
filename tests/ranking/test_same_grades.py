"""Grades of 5,000 lives are the same by steps over score sums and by refits (20,000: `tests/studies/RESULTS.md`)."""

from tests.studies.attacked_seasons import SOME, attacked_season
from tests.studies.steps import ranked


def test_grades_by_steps_are_those_by_refits():
    """Several choices with and without an effect; limits within 8 % of their width, ± 6 % by chance of the draws."""
    lives, _ = attacked_season(SOME, 0, units=5000)
    steps, refits = (ranked(lives, stepwise=stepwise) for stepwise in (True, False))
    refits = refits.loc[steps.index]
    assert set(refits.grade) >= {"clear", "unclear"} and len(refits) == 8
    assert steps.grade.tolist() == refits.grade.tolist()
    assert not steps.lower.equals(refits.lower)
    width = refits.upper - refits.lower
    for limit in ("lower", "upper"):
        assert ((steps[limit] - refits[limit]).abs() < 0.08 * width).all()
