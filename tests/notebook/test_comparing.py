"""Comparing two runs: inputs first, numbers within tolerance, texts last, one sentence a difference."""

import numpy as np
import pandas as pd

from workbench.notebook.comparing import CellOutputs, compare_outputs, versions_of, versions_sentence
from workbench.notebook.showing import mimebundle, numbers_of


def _shown(frame, title="Life by seal", tolerance=1e-6):
    data, metadata = mimebundle(table=frame, title=title, tolerance=tolerance)
    return {"output_type": "display_data", "data": data, "metadata": metadata}


def _opened(digest, rows, settings="none"):
    stored = {"inputs": {"log.csv": digest}, "rows": rows, "settings": settings, "mission": 180}
    return {"output_type": "display_data", "data": {"text/plain": f"{rows} rows"}, "metadata": {"workbench": stored}}


def _cells(*outputs):
    return [CellOutputs(number=n, outputs=(o,)) for n, o in enumerate(outputs, start=1)]


TABLE = pd.DataFrame({"group": ["o-ring", "cord"], "time": [180, 180], "survival": [0.71, 0.52]})


def test_the_same_outputs_make_no_difference():
    assert compare_outputs(_cells(_shown(TABLE)), _cells(_shown(TABLE.copy()))).none


def test_a_changed_number_names_cell_table_row_column_was_is_and_by_how_much():
    changed = TABLE.assign(survival=[0.65, 0.52])
    found = compare_outputs(_cells(_shown(TABLE)), _cells(_shown(changed)))
    assert found.outputs == ("Cell 1: Life by seal, o-ring, time 180, survival was 0.71, is 0.65 (0.06 less).",)


def test_noise_below_the_stored_tolerance_is_no_difference():
    noisy = TABLE.assign(survival=[0.71 * (1 + 4e-7), 0.52])
    assert compare_outputs(_cells(_shown(TABLE)), _cells(_shown(noisy))).none
    strict = compare_outputs(_cells(_shown(TABLE, tolerance=1e-8)), _cells(_shown(noisy, tolerance=1e-8)))
    assert len(strict.outputs) == 1


def test_a_number_that_is_no_longer_known_is_a_difference():
    gone = TABLE.assign(survival=[np.nan, 0.52])
    found = compare_outputs(_cells(_shown(TABLE)), _cells(_shown(gone)))
    assert "survival was 0.71, is not known" in found.outputs[0]


def test_the_order_in_which_a_file_holds_columns_is_no_difference():
    """A notebook's file holds the columns of a table by name, a run in the order of the table."""
    table = pd.DataFrame({"reason": ["empty", "empty"], "value": ["b", "a"], "column": ["x", "x"], "row": [4, 9]})
    by_name = table[sorted(table)]
    told = {"output_type": "display_data", "data": _shown(table)["data"], "metadata": _shown(by_name)["metadata"]}
    assert compare_outputs(_cells(told), _cells(_shown(table))).none
    changed = compare_outputs(_cells(told), _cells(_shown(table.assign(reason=["empty", "full"]))))
    assert changed.outputs == ("Cell 1: Life by seal, a, row 9, reason was “empty”, is “full”.",)


def test_a_changed_log_comes_first_and_is_said_with_its_rows():
    found = compare_outputs(_cells(_opened("aa", 168)), _cells(_opened("bb", 171)))
    assert found.inputs[0].startswith("The log changed (3 rows more)")
    assert found.outputs == ()
    fewer = compare_outputs(_cells(_opened("aa", 168)), _cells(_opened("bb", 167)))
    assert fewer.inputs[0].startswith("The log changed (1 row fewer)")
    same_size = compare_outputs(_cells(_opened("aa", 168)), _cells(_opened("bb", 168, settings="cc")))
    assert "as many rows, other content" in same_size.inputs[0]
    assert same_size.inputs[1].startswith("The settings changed")


def test_rows_are_matched_by_name_whatever_their_order():
    found = compare_outputs(_cells(_shown(TABLE)), _cells(_shown(TABLE.iloc[::-1])))
    assert len(found.outputs) == 1
    assert found.outputs[0].startswith("Cell 1: the text")


def test_rows_and_columns_that_came_or_went_are_named():
    found = compare_outputs(_cells(_shown(TABLE)), _cells(_shown(TABLE.head(1))))
    assert found.outputs == ("Cell 1: Life by seal no longer has cord, time 180.",)
    found = compare_outputs(_cells(_shown(TABLE.head(1))), _cells(_shown(TABLE)))
    assert found.outputs == ("Cell 1: Life by seal now has cord, time 180.",)
    found = compare_outputs(_cells(_shown(TABLE)), _cells(_shown(TABLE.drop(columns="time"))))
    assert found.outputs == ("Cell 1: Life by seal no longer has the column time.",)
    unnamed = pd.DataFrame({"x": [1.0, 1.0], "y": [2.0, 2.0]})
    found = compare_outputs(_cells(_shown(unnamed)), _cells(_shown(unnamed.head(1))))
    assert found.outputs == ("Cell 1: Life by seal had 2 rows and has 1.",)


def test_a_text_that_changed_without_numbers_is_quoted():
    was = {"output_type": "stream", "name": "stdout", "text": "Checked: a.\n"}
    now = {"output_type": "stream", "name": "stdout", "text": "Checked: b.\n"}
    assert compare_outputs(_cells(was), _cells(now)).outputs == (
        "Cell 1: the text “Checked: a.” is now “Checked: b.”.",
    )


def test_many_differences_are_counted_not_listed():
    long = pd.DataFrame({"time": np.arange(50), "survival": np.linspace(1, 0, 50)})
    changed = long.assign(survival=long["survival"] + 1)
    found = compare_outputs(_cells(_shown(long)), _cells(_shown(changed)))
    assert len(found.outputs) == 5
    assert found.outputs[-1] == "Cell 1: 46 more numbers of Life by seal differ."
    several = (
        [_shown(long, title=f"Table {n}") for n in range(4)],
        [_shown(changed, title=f"Table {n}") for n in range(4)],
    )
    found = compare_outputs(_cells(*several[0]), _cells(*several[1]))
    assert len(found.outputs) == 13
    assert found.outputs[-1] == "8 more numbers or texts differ."


def test_changed_library_versions_are_named():
    now = versions_of()
    assert "pandas" in now
    assert versions_sentence(now, now) == ""
    assert (
        versions_sentence({"pandas": "1.0"}, now) == f"Library versions changed since: pandas 1.0 to {now['pandas']}."
    )


def test_stored_numbers_are_json_and_lose_no_count():
    frame = pd.DataFrame({"n": [1], "x": [1 / 3], "end": [np.inf], "word": ["a"], "flag": [True], "none": [None]})
    assert numbers_of(frame) == {
        "n": [1],
        "x": [0.3333333333],
        "end": [None],
        "word": ["a"],
        "flag": [True],
        "none": [None],
    }


def test_cells_of_a_table_are_escaped():
    data, _ = mimebundle(table=pd.DataFrame({"seal": ["<script>alert(1)</script>"]}), title="<b>")
    assert "<script>" not in data["text/html"]
    assert "&lt;b&gt;" in data["text/html"]
