"""check: what holds is shown, what does not stops, and nothing passes by accident."""

import numpy as np
import pytest

from workbench.errors import WorkbenchError
from workbench.notebook import CheckFailed, check


def test_what_holds_is_shown(capsys):
    check("one is less than two", 1 < 2)
    check("numpy's truth counts as well", np.True_)
    assert capsys.readouterr().out == "Checked: one is less than two.\nChecked: numpy's truth counts as well.\n"


def test_what_does_not_hold_stops_with_the_statement():
    with pytest.raises(CheckFailed, match=r"does not hold: rows add up \(3 and 4\)"):
        check("rows add up", False, detail="3 and 4")
    assert issubclass(CheckFailed, WorkbenchError)


@pytest.mark.parametrize("value", [(False, "a message"), "no", 1, None, np.array([False, True])])
def test_a_value_that_is_no_truth_value_is_refused(value):
    with pytest.raises(TypeError, match="needs True or False"):
        check("something", value)
