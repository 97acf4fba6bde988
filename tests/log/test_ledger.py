"""From record to life: a second, independently written table of the rules, over every combination of dates."""

import datetime as dt
import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.log.rules.ledger import Life, LifeRefusal, life_of

START = dt.date(2025, 3, 1)
INF = float("inf")


def on(day):
    return None if day is None else START + dt.timedelta(days=day)


def values(outcome, good=None, failed=None, found=None, basis=None, entered=None):
    given_ = {"outcome": outcome, "deployed_on": START, "last_good_on": on(good), "failed_on": on(failed)}
    given_ |= {"found_on": on(found), "time_basis": basis, "observed_from": on(entered)}
    return {k: v for k, v in given_.items() if v is not None}


def oracle(outcome, good, failed, found, basis, entered):
    """The rules as a flat list of cases, first match wins; None where the row tells of no life."""
    entry = entered or 0
    usable = failed is not None and basis != "guess"
    cases = [
        (outcome == "missing" and good is None, (0, INF)),
        (outcome == "missing", (good, INF)),
        (outcome != "failed" and good is None and found is None, None),
        (outcome != "failed", (max(d for d in (good, found, 0) if d is not None), INF)),
        (usable and failed == 0, (0, 1)),
        (usable, (failed, failed)),
        (good is not None and good == found and found == 0, (0, 1)),
        (good is not None and good == found, (found - 1 if found else 0, found)),
        (good is not None and basis == "last_record", (good, (good or 0) + 1)),
        (good is not None and found is not None, (good, found)),
        (good is not None, None),
        (found == 0, (0, 1)),
        (found is not None, (0, found)),
        (True, None),
    ]
    ends = next(answer for holds, answer in cases if holds)
    if ends is None or (entry > 0 and ends[1] <= entry):
        return None
    lower, upper = ends
    return entry, lower if lower == upper else max(lower, entry), upper


BASES = (None, "telemetry", "last_record", "visit", "guess")
OUTCOMES = ("failed", "working", "missing", "withdrawn")
DAYS = (None, 0, 3, 40, 60)
COMBINATIONS = list(itertools.product(OUTCOMES, DAYS, DAYS, DAYS, BASES, (None, 2, 40)))


def in_order(*dates):
    known = [d for d in dates if d is not None]
    return known == sorted(known)


@pytest.mark.parametrize("outcome", ["failed", "working", "missing", "withdrawn"])
def test_every_combination_of_dates_gives_the_life_of_the_table(outcome):
    checked = 0
    for combination in COMBINATIONS:
        if combination[0] != outcome or not in_order(*combination[1:4]):
            continue  # rows with dates out of order are set aside before a life is made of them
        life, expected = life_of(values(*combination)), oracle(*combination)
        if expected is None:
            assert isinstance(life, LifeRefusal), combination
        else:
            assert isinstance(life, Life), (combination, life)
            assert (life.entry, life.lower, life.upper) == expected, combination
        checked += 1
    assert checked > 200


days = st.one_of(st.none(), st.integers(0, 400))


@given(outcome=st.sampled_from(OUTCOMES), dates=st.tuples(days, days, days), entered=days, basis=st.sampled_from(BASES))
def test_ordered_dates_agree_with_the_table_and_make_possible_lives(outcome, dates, entered, basis):
    good, failed, found = dates
    failed = failed if outcome == "failed" else None
    last = max((d for d in (good, found) if d is not None), default=None)
    if not in_order(good, failed, found) or (outcome in ("working", "withdrawn") and not in_order(entered, last)):
        return  # such rows are set aside before a life is made of them
    case = (outcome, good, failed, found, basis, entered)
    life, expected = life_of(values(*case)), oracle(*case)
    assert (expected is None) == isinstance(life, LifeRefusal)
    if expected is not None:
        assert (life.entry, life.lower, life.upper) == expected
        assert 0 <= life.lower <= life.upper and (life.entry == 0 or life.upper > life.entry)
        assert life.kind == ("suspended" if life.upper == INF else "exact" if life.lower == life.upper else "interval")


@pytest.mark.parametrize(
    ("row", "ends", "kind", "rule"),
    [
        (values("failed", failed=50, basis="telemetry"), (50, 50), "exact", "failed_on known to the day"),
        (
            values("failed", good=10, failed=50, found=60, basis="guess"),
            (10, 60),
            "interval",
            "the guessed failed_on is not used",
        ),
        (values("failed", good=20, basis="last_record"), (20, 21), "interval", "memory read to its end"),
        (values("failed", good=20, found=60), (20, 60), "interval", "failed after last_good_on, by found_on"),
        (values("failed", found=60), (0, 60), "interval", "failed between deployment and found_on"),
        (values("failed", good=60, found=60), (59, 60), "interval", "failed on that day"),
        (values("failed", failed=0, basis="visit"), (0, 1), "interval", "dead on arrival"),
        (
            values("working", good=80, found=70),
            (80, INF),
            "suspended",
            "working when last seen: followed to last_good_on",
        ),
        (values("withdrawn", found=70), (70, INF), "suspended", "withdrawn when last seen: followed to found_on"),
        (values("missing", good=30, found=70), (30, INF), "suspended", "missing: followed to last_good_on"),
        (values("missing", found=70), (0, INF), "suspended", "missing and never seen after deployment"),
    ],
)
def test_each_rule_says_itself_in_words(row, ends, kind, rule):
    life = life_of(row)
    assert (life.lower, life.upper) == ends and life.kind == kind and rule in life.rule


def test_delayed_entry_raises_the_lower_end_and_is_said():
    life = life_of(values("failed", good=10, found=60, entered=30))
    assert life[:3] == (30, 30, 60) and "at risk from day 30" in life.rule


@pytest.mark.parametrize(
    ("row", "field", "reason"),
    [
        (values("failed", good=10), "last_good_on", "nothing says by when"),
        (values("failed", failed=10, basis="guess"), "failed_on", "is a guess, and without found_on"),
        (values("failed"), "outcome", "a failed unit without any date of its end"),
        (values("working"), "outcome", "a working unit without a date"),
        (
            values("failed", failed=20, entered=20),
            "observed_from",
            "it had failed by day 20, and came under observation only on day 20",
        ),
    ],
)
def test_rows_that_tell_of_no_life_say_which_cell_to_mend(row, field, reason):
    refusal = life_of(row)
    assert refusal.field == field and reason in refusal.refusal.reason and refusal.refusal.advice


def test_the_best_date_of_the_end_is_the_one_that_disagrees_with_a_late_entry():
    assert life_of(values("failed", good=5, failed=10, found=12, entered=20)).others == ("failed_on",)
    assert life_of(values("failed", good=5, found=12, entered=20)).others == ("found_on",)


def test_only_the_day_of_deployment_is_dead_on_arrival():
    first = life_of(values("failed", failed=1))
    assert (first.lower, first.upper, first.kind) == (1, 1, "exact") and "dead on arrival" not in first.rule
    found = life_of(values("failed", found=1))
    assert (found.lower, found.upper) == (0, 1) and "dead on arrival" not in found.rule
    assert "dead on arrival" in life_of(values("failed", found=0)).rule
