"""Law of the reference: which level others are compared with changes no contrast."""

import itertools

import numpy as np
import pandas as pd
import pytest

from tests.laws.comparing import answer, holds
from tests.laws.data import Rows
from tests.laws.registry import QUESTIONS

RATIOS = {
    "time ratios": "log_time_ratio",
    "time ratios, shrunken": "log_time_ratio",
    "hazard ratios": "log_hazard_ratio",
    "hazard ratios within": "log_hazard_ratio",
}
CLOSE = {"rtol": 1e-5, "atol": 1e-6}


def in_order(rows: Rows, levels: list[str]) -> Rows:
    """The rows with the choice as categories in this order: the first is the reference."""
    return rows.rewritten(rows.table.assign(choice=pd.Categorical(rows.table["choice"], categories=levels)))


def both_ways(name: str, rows: Rows):
    levels = sorted(set(rows.table["choice"].dropna()))
    if not 2 <= len(levels) <= 5:
        return None
    found = [answer(name, in_order(rows, order)) for order in (levels, levels[::-1])]
    if any(isinstance(f, str) for f in found):
        assert type(found[0]) is type(found[1])
        return None
    return found


def law_of_ratios(name: str, rows: Rows) -> None:
    if (found := both_ways(name, rows)) is None:
        return
    effects = []
    for of in found:
        table = of["table"][of["table"]["term"] == "choice"].set_index("level")[RATIOS[name]]
        effects.append(table)
    levels = sorted(set(effects[0].index) | set(effects[1].index))
    # a level that is not estimable takes its contrasts along
    first, second = ([e.get(level, 0.0) for level in levels] for e in effects)
    for a, b in itertools.combinations(range(len(levels)), 2):
        one, two = first[a] - first[b], second[a] - second[b]
        if np.isfinite(one) and np.isfinite(two):
            np.testing.assert_allclose(one, two, err_msg=f"{levels[a]} - {levels[b]}", **CLOSE)
    np.testing.assert_allclose(found[0]["log_likelihood"], found[1]["log_likelihood"], rtol=1e-6)


@pytest.mark.parametrize("name", RATIOS)
def test_reference_changes_no_contrast_of_a_model(name):
    holds(law_of_ratios, name)


def law_of_tests(name: str, rows: Rows) -> None:
    if (found := both_ways(name, rows)) is None:
        return
    for value in ("statistic", "degrees_of_freedom", "p_value"):
        np.testing.assert_allclose(found[0][value], found[1][value], err_msg=value, **CLOSE)
    pairs = [
        {
            frozenset((r["group_a"], r["group_b"])): (r["statistic"], r["p_adjusted"])
            for _, r in f["pairwise"].iterrows()
        }
        for f in found
    ]
    assert pairs[0].keys() == pairs[1].keys()
    for pair, values in pairs[0].items():
        np.testing.assert_allclose(values, pairs[1][pair], err_msg=str(pair), **CLOSE)


@pytest.mark.parametrize("name", ["test", "test within", "trend"])
def test_order_of_groups_changes_no_test(name):
    holds(law_of_tests, name)


def law_of_differences(name: str, rows: Rows) -> None:
    if (found := both_ways(name, rows)) is None:
        return
    if "difference" not in found[0]:
        return
    # every pair stands there or follows from two others; signs and limits turn with the order
    seen = [{(r["group_a"], r["group_b"]): r for _, r in f["difference"].iterrows()} for f in found]
    for (a, b), row in seen[0].items():
        if (b, a) in seen[1]:
            turned = seen[1][(b, a)]
            one, two = row[["difference", "lower", "upper"]], turned[["difference", "upper", "lower"]]
            np.testing.assert_allclose(
                one.to_numpy(float), -two.to_numpy(float), err_msg=f"{a} - {b}", rtol=1e-5, atol=1e-6 * rows.horizon
            )


@pytest.mark.parametrize("name", ["curve", "mean"])
def test_a_difference_turns_with_its_reference(name):
    holds(law_of_differences, name)


def law_of_rankings(name: str, rows: Rows) -> None:
    if (found := both_ways(name, rows)) is None:
        return
    tables = [f["table"].set_index(["choice", "level"]).sort_index() for f in found]
    for column in ("mission_survival", "restricted_mean"):
        np.testing.assert_allclose(tables[0][column], tables[1][column], err_msg=column, **CLOSE)


@pytest.mark.parametrize("name", ["ranking"])
def test_reference_changes_no_ranking(name):
    assert QUESTIONS[name].slow
    holds(law_of_rankings, name)
