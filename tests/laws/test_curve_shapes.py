"""Law of curves: survival falls, incidence rises, together they are one, limits enclose.

Lower limits of survival never turn back, nor do upper ones but those of steps, which follow published formulas by the
standard error and rise where few are left. Those of incidence never do on interval curves, nor before a cause strikes.
"""

import numpy as np
import pandas as pd
import pytest

from tests.laws.comparing import answer, holds
from tests.laws.data import Rows
from tests.laws.test_spans import is_exact

LATE = ("joiners", "late entry", "late spans", "a group that joins late", "day 0", "grid")
CURVES = ("curve", "curve of all, logit", "curve, two columns", "curve, failed when found")
ROUNDING = 1e-9
SEARCHED = 2e-4
"""Limits by likelihood ratio are searched for."""


def _steps(frame: pd.DataFrame, column: str) -> np.ndarray:
    values = frame[column].to_numpy(float)
    return np.diff(values[np.isfinite(values)])


def law_of_survival(name: str, rows: Rows) -> None:
    found = answer(name, rows)
    if isinstance(found, str):
        return
    for frame in ("table", "at"):
        for group, of in found[frame].groupby("group", sort=False):
            where = f"{frame} of {group}"
            assert of["survival"].dropna().between(0, 1).all(), where
            # the limits of steps are those of published formulas
            for column in ("survival", "lower", "upper")[: 3 if "mass" in found["table"] or is_exact(rows) else 2]:
                assert (_steps(of, column) <= ROUNDING).all(), f"{where}: {column} rises: {of[column].tolist()}"
            known = of.dropna(subset=["survival", "lower", "upper"])
            assert (known["lower"] <= known["survival"] + ROUNDING).all(), where
            assert (known["survival"] <= known["upper"] + ROUNDING).all(), where
    shares = found["quantile"].dropna(subset=["time"])
    assert not (shares["lower"] > shares["time"]).any(), "quantile lower"
    assert not (shares["upper"] < shares["time"]).any(), "quantile upper"


def law_of_inverted_limits(name: str, rows: Rows) -> None:
    """The lower limit of a quantile comes no later than the lower limit of the curve reaches its share."""
    found = answer(name, rows)
    if isinstance(found, str):
        return
    for frame in ("at", "table"):
        days = found[frame]
        when = days["time"] if "time" in days else days["to"]
        for _, row in found["quantile"].dropna(subset=["lower"]).iterrows():
            early = (days["group"] == row["group"]) & (when < row["lower"] * (1 - ROUNDING))
            assert (days["lower"][early & days["lower"].notna()] > 1 - row["p"] - SEARCHED).all(), (
                f"{row.tolist()} {frame}"
            )


@pytest.mark.parametrize("name", CURVES)
def test_survival_falls_inside_its_limits(name):
    holds(law_of_survival, name, sets=LATE)


@pytest.mark.parametrize("name", CURVES)
def test_limits_of_quantiles_invert_those_of_the_curve(name):
    holds(law_of_inverted_limits, name, sets=LATE)


def law_of_incidence(name: str, rows: Rows) -> None:
    found = answer(name, rows)
    if isinstance(found, str):
        return
    for frame in ("table", "at"):
        for key, of in found[frame].groupby(["group", "cause"], sort=False):
            assert (_steps(of, "incidence") >= -ROUNDING).all(), f"{frame} of {key}: {of['incidence'].tolist()}"
            if "mass" in found["table"]:
                for column in ("lower", "upper"):
                    assert (_steps(of, column) >= -ROUNDING).all(), f"{frame} of {key}: {column} {of[column].tolist()}"
            before = of[of["incidence"] == 0]["upper"].max()
            later = of[of["incidence"] > 0]["upper"].iloc[:1].min()
            assert not before > later + ROUNDING, f"{frame} of {key}: {of['upper'].tolist()}"
            known = of.dropna(subset=["incidence", "lower", "upper"])
            assert (known["lower"] <= known["incidence"] + ROUNDING).all(), key
            assert (known["incidence"] <= known["upper"] + ROUNDING).all(), key
    assert (found["at"].groupby(["group", "time"])["incidence"].sum() <= 1 + 1e-6).all()
    if not is_exact(rows):  # with causes known, the most likely masses of spans are not those of the curve of all
        return
    curve = answer("curve", rows)
    lost = found["at"].groupby(["group", "time"], sort=False)["incidence"].sum(min_count=1).reset_index()
    both = lost.merge(curve["at"][["group", "time", "survival"]]).dropna()
    np.testing.assert_allclose(both["incidence"] + both["survival"], 1.0, atol=1e-6)


@pytest.mark.parametrize("name", ["incidence", "incidence within"])
def test_incidence_rises_and_fills_what_survival_leaves(name):
    holds(law_of_incidence, name, sets=LATE)


def law_of_means(name: str, rows: Rows) -> None:
    found = answer(name, rows)
    if isinstance(found, str):
        return
    of = found["table"].dropna(subset=["restricted_mean", "lower", "upper"])
    assert (of["lower"] <= of["restricted_mean"] + ROUNDING * rows.horizon).all()
    assert (of["restricted_mean"] <= of["upper"] + ROUNDING * rows.horizon).all()
    assert of[["lower", "restricted_mean", "upper"]].stack().between(0, rows.horizon * (1 + ROUNDING)).all()
    means = found["table"].set_index("group")["restricted_mean"]
    for _, row in found["difference"].dropna().iterrows():
        assert row["difference"] == pytest.approx(means[row["group_a"]] - means[row["group_b"]])
        assert row["lower"] <= row["difference"] <= row["upper"]


def test_means_lie_between_their_limits_and_differences_between_means():
    holds(law_of_means, "mean", sets=LATE)


def law_of_late_groups(name: str, rows: Rows) -> None:
    """A group with nobody at risk before some day says nothing from day 0."""
    found = answer(name, rows)
    late = rows.table.dropna(subset=["choice"]).groupby("choice")["entry"].min()
    if isinstance(found, str) or not (late > 0).any():
        return
    frame = found.get("at", found["table"])
    column = {"curve": "survival", "incidence": "incidence", "mean": "restricted_mean"}[name]
    shown = frame[frame["group"].isin(late[late > 0].index) & (frame.get("time", 1.0) > 0)]
    shown = shown[shown["time"] > shown["group"].map(late)] if "time" in shown else shown
    assert shown[column].isna().all(), shown.to_string()


@pytest.mark.parametrize("name", ["curve", "incidence", "mean"])
def test_a_group_first_seen_late_is_not_shown_from_day_0(name):
    holds(law_of_late_groups, name, sets=("a group that joins late", "late spans"))
