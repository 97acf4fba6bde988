"""Law of confidence: a higher level has wider limits around the same figure."""

import numpy as np
import pytest

from tests.laws.comparing import answer, holds
from tests.laws.data import Rows
from tests.laws.registry import QUESTIONS

WIDE = 0.99
LIMITS = (
    ("lower", "upper"),
    ("days_lower", "days_upper"),
    ("losses_lower", "losses_upper"),
    ("data_days_lower", "data_days_upper"),
)
ASKED = [n for n, q in QUESTIONS.items() if q.takes_confidence and n not in ("visits", "imputed incidence")]
SEARCHED = 1e-5


def law(name: str, rows: Rows) -> None:
    narrow, wide = answer(name, rows), answer(name, rows, options={"confidence": WIDE})
    if isinstance(narrow, str) or isinstance(wide, str):
        assert narrow == wide
        return
    for frame, one in narrow.items():
        for low, high in LIMITS:
            if low in one.columns and len(one) == len(wide[frame]):
                _enclosed(one, wide[frame], low, high, frame)


def _enclosed(one, two, low: str, high: str, frame: str) -> None:
    for column, sign in ((low, 1.0), (high, -1.0)):
        a, b = one[column].to_numpy(float), two[column].to_numpy(float)
        slack = SEARCHED * np.maximum(np.abs(a), 1e-9)
        assert not np.any(sign * (b - a) > slack), f"{frame}.{column}: {a} then {b}"


@pytest.mark.parametrize("name", ASKED)
def test_limits_are_nested(name):
    holds(law, name)
