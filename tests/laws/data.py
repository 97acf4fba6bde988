"""The lives that laws are tried on: small ones drawn by hypothesis, and fixed awkward sets."""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from hypothesis import strategies as st

from workbench.lives import Lives

__all__ = ["AWKWARD", "ENOUGH", "KINDS", "Rows", "rows_drawn", "rows_of"]

COVARIATES = ("choice", "vent", "place", "site", "size")
CAUSES = ("water_ingress", "battery", "")
INF = float("inf")
KINDS = ("exact", "spans", "grid", "mixed")


@dataclass(frozen=True, eq=False)
class Rows:
    """Lives as plain rows, which a law rewrites before lives are made of them.

    `table` has lower, upper, entry, weight, cause and the covariates; `horizon` is a time to ask about.
    """

    table: pd.DataFrame
    horizon: float
    unit: str = "days"

    @cached_property
    def key(self) -> str:
        """The same text for the same rows."""
        return f"{self.table.to_csv(index=False)} {self.table.dtypes.tolist()} {self.horizon} {self.unit}"

    def lives(self, **changes: Any) -> Lives:
        """Lives of the rows, some arguments of `from_arrays` changed."""
        given = {name: self.table[name].to_numpy(float) for name in ("lower", "upper", "entry")}
        given |= {"weight": self.table["weight"].to_numpy(np.int64), "cause": self.table["cause"].tolist()}
        given |= {"covariates": self.table[list(COVARIATES)].reset_index(drop=True), "unit": self.unit}
        return Lives.from_arrays(**(given | changes))

    def rewritten(self, table: pd.DataFrame, **changes: Any) -> "Rows":
        """The same question about other rows."""
        return replace(self, table=table.reset_index(drop=True), **changes)


def _ends(kind: str, time: np.ndarray, failed: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    # first and last possible time of failure
    if kind == "grid":
        end = np.ceil(time / 25) * 25
        return np.where(failed, end - 25, end), np.where(failed, end, INF)
    wide = failed & (rng.random(len(time)) < {"exact": 0.0, "mixed": 0.6, "spans": 1.0}[kind])
    width = rng.integers(1, 40, len(time))
    lower = np.where(wide, np.maximum(time - width, 0), time)
    return lower, np.where(failed, np.where(wide, lower + width, time), INF)


def rows_of(n: int, seed: int, kind: str = "mixed", **given: Any) -> Rows:
    """Lives of a kind (exact, spans, grid or mixed); columns given, with `time` and `failed`, replace those drawn."""
    rng = np.random.default_rng(seed)
    time, failed = np.ceil(rng.weibull(1.5, n) * 100), rng.random(n) < 0.6
    levels = {name: rng.choice(list(of), n) for name, of in zip(COVARIATES, ("abc", "uw", "xy", "klmn"), strict=False)}
    time = np.broadcast_to(given.pop("time", time), n).astype(float)
    failed = np.broadcast_to(given.pop("failed", failed), n)
    lower, upper = _ends(kind, time, failed, rng)
    table = pd.DataFrame({"lower": lower, "upper": upper, "entry": 0.0, "weight": 1, **levels})
    table["size"] = rng.integers(1, 5, n) / 2.0
    table["cause"] = np.where(failed, rng.choice(CAUSES, n), "")
    table = table.assign(**given)
    table["lower"] = np.where(failed & (upper == lower), lower, np.maximum(lower, table["entry"]))
    return Rows(table, horizon=float(np.median(time)) or 5.0)


def _scaled(rows: Rows, by: float) -> Rows:
    columns = {name: rows.table[name] * by for name in ("lower", "upper", "entry")}
    return rows.rewritten(rows.table.assign(**columns), horizon=rows.horizon * by)


_LATE, _JOINERS = np.tile([0.0, 30.0], 6), np.repeat([0.0, 40.0], 6)

AWKWARD: dict[str, Rows] = {
    "exact": rows_of(16, 1, "exact"),
    "spans": rows_of(7, 2, "spans"),
    "grid": rows_of(16, 3, "grid"),
    "mixed": rows_of(8, 4, "mixed"),
    "one group": rows_of(10, 5, "exact", choice="a"),
    "none failed": rows_of(8, 6, "exact", failed=False),
    "all failed": rows_of(6, 7, "spans", failed=True, cause="battery"),
    "one unit": rows_of(1, 8, "exact", failed=True),
    "one unit, in a span": rows_of(1, 9, "spans", failed=True),
    "ties": rows_of(15, 10, "exact", time=np.repeat([10.0, 20.0, 30.0], 5)),
    "late entry": rows_of(12, 11, "exact", time=np.arange(31.0, 43.0), entry=_LATE),
    "joiners": rows_of(12, 12, "exact", time=np.r_[30.0:42.0:2, 41.0:47.0], entry=_JOINERS, choice=["a", "b"] * 6),
    "late spans": rows_of(8, 13, "spans", time=np.arange(70.0, 78.0), entry=_LATE[:8]),
    "a group that joins late": rows_of(
        12, 14, "exact", time=np.arange(41.0, 53.0), entry=_JOINERS, choice=np.repeat(["a", "b"], 6)
    ),
    "forty levels": rows_of(42, 15, "exact", choice=[f"v{k % 40:02d}" for k in range(42)]),
    "heavy weights": rows_of(16, 16, "exact", weight=np.tile([1, 1000, 10**6, 7], 4)),
    "heavy spans": rows_of(8, 17, "spans", weight=np.tile([1, 100, 10**6, 7], 2)),
    "short times": _scaled(rows_of(8, 18, "mixed"), 1.01e-5),
    "long times": _scaled(rows_of(8, 19, "mixed"), 1.01e4),
    "blank levels": rows_of(12, 20, "exact", choice=["a", "b", None, "c"] * 3),
    "day 0": rows_of(15, 21, "exact", time=np.repeat([0.0, 3.0, 5.0], 5)),
    "never at risk": rows_of(  # the only unit of c was last seen on the day of its entry
        8,
        22,
        "exact",
        time=np.arange(20.0, 28.0),
        failed=[True] * 6 + [False] * 2,
        entry=[0.0] * 7 + [27.0],
        choice=list("abbaabac"),
    ),
}
"""One small set for each thing that has gone wrong somewhere."""

ENOUGH: dict[str, Rows] = {"season, mixed": rows_of(30, 31, "mixed"), "season, exact": rows_of(30, 30, "exact")}
"""Lives enough for a ranking, a plan and a classifier to answer."""

_ONE = st.tuples(
    st.integers(1, 60),  # time
    st.integers(1, 25),  # width of a span
    st.integers(0, 2),  # 0: still working
    st.integers(0, 40),  # entry
    st.integers(1, 3),  # weight
    st.sampled_from("abc"),
    st.sampled_from("uw"),
    st.sampled_from("xy"),
    st.sampled_from("klmn"),
    st.integers(0, 4),  # size and cause
)


@st.composite
def rows_drawn(draw: st.DrawFn, kinds: tuple[str, ...] = KINDS) -> Rows:
    """A few lives of one kind, whole or decimal, some with late entries."""
    kind, late, scale = draw(st.sampled_from(kinds)), draw(st.booleans()), draw(st.sampled_from((1.0, 0.37)))
    found = []
    for time, width, end, entry, weight, *levels, size in draw(st.lists(_ONE, min_size=2, max_size=7)):
        lower, upper = float(time), (float(time) if end else INF)
        if kind == "grid":
            lower, upper = 10.0 * (time // 10), (10.0 * (time // 10) + 10.0 if end else INF)
        elif end and (kind == "spans" or (kind == "mixed" and width % 2)):
            upper = float(time + width)
        begun = float(entry) if late and kind != "grid" and entry < lower else 0.0
        cause = CAUSES[size % 3] if end else ""
        found.append((lower * scale, upper * scale, begun * scale, weight, cause, *levels, size / 2.0))
    table = pd.DataFrame(found, columns=["lower", "upper", "entry", "weight", "cause", *COVARIATES])
    return Rows(table, horizon=25.0 * scale)
