"""Parquet and DataFrames: typed columns are taken as they are, never guessed."""

import datetime as dt

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.log.builders import TODAY, row
from workbench.errors import LogError
from workbench.log.season_log.reading import read_log


def test_typed_parquet_columns(tmp_path):
    table = pa.table(
        {
            "unit_id": pa.array([7, 8, None], pa.int64()),
            "deployed_on": pa.array([dt.date(2025, 3, 1)] * 3, pa.date32()),
            "outcome": pa.array(["failed", "working", "failed"]).dictionary_encode(),
            "last_good_on": pa.array([dt.datetime(2025, 5, 1), None, None], pa.timestamp("ns")),
            "found_on": pa.array(
                [dt.datetime(2025, 6, 1, 10), dt.datetime(2025, 9, 1), None], pa.timestamp("us", tz="UTC")
            ),
            "elevation_m": pa.array([1.5, None, 3.0], pa.float32()),
            "shade": pa.array([True, False, None]),
        }
    )
    pq.write_table(table, tmp_path / "log.parquet")
    log = read_log(tmp_path / "log.parquet", today=TODAY)
    assert log.records["unit_id"].tolist() == ["7", "8"] and log.ledger["row"].tolist() == [1, 2]
    assert log.ledger["lower"].tolist() == [61, 184] and log.records["shade"].tolist() == ["yes", "no"]
    assert log.records["elevation_m"].tolist()[0] == 1.5 and log.set_aside["row"].unique().tolist() == [3]
    assert log.set_aside["cell"].unique().tolist() == [""]


def test_dataframes_with_gaps_keep_whole_numbers_whole():
    frame = pd.DataFrame([row("x"), row("y")])
    frame["unit_id"] = [1.0, 2.0]
    frame["found_on"] = pd.to_datetime(frame["found_on"])
    frame["site"] = pd.Series([np.nan, "a"], dtype="category")
    before = frame.copy()
    log = read_log(frame, today=TODAY)
    assert log.records["unit_id"].tolist() == ["1", "2"] and log.records["site"].tolist() == ["not recorded", "a"]
    pd.testing.assert_frame_equal(frame, before)


def test_a_damaged_parquet_file_is_refused(tmp_path):
    (tmp_path / "log.parquet").write_bytes(b"PAR1" + bytes(20))
    with pytest.raises(LogError, match=r"log\.parquet cannot be read as a Parquet file"):
        read_log(tmp_path / "log.parquet")
    (tmp_path / "log.parquet").write_bytes(b"unit_id,outcome")
    with pytest.raises(LogError, match=r"is not what its ending \.parquet says"):
        read_log(tmp_path / "log.parquet")


def test_an_empty_frame_is_refused():
    with pytest.raises(LogError, match="holds no row with the headings of a log"):
        read_log(pd.DataFrame())
    with pytest.raises(LogError, match="no row below them"):
        read_log(pd.DataFrame([row()]).iloc[:0])


@pytest.mark.parametrize(
    "odd", [["cord", "o_ring"], {"seal": "cord"}, [], b"\xff\x00"], ids=["list", "object", "empty", "bytes"]
)
def test_cells_that_hold_several_values_are_refused_with_row_and_column(tmp_path, odd):
    kind = type(odd)(["cord"] if isinstance(odd, list) else {"seal": "cord"} if isinstance(odd, dict) else b"cord")
    rows = [row("A"), row("B")]
    table = pa.table(
        {**{name: [r[name] for r in rows] for name in rows[0] if name != "lid_seal"}, "lid_seal": [kind, odd]}
    )
    pq.write_table(table, tmp_path / "log.parquet")
    log = read_log(tmp_path / "log.parquet", today=TODAY)
    problems = [(p.row, p.column, p.scope) for p in log.all_problems]
    assert problems == [(1, "lid_seal", "value"), (2, "lid_seal", "value")] and log.used == 2
    assert all("not one value" in p.reason and p.advice == "write one plain value per cell" for p in log.all_problems)
    assert log.records["lid_seal"].isna().all()


@pytest.mark.parametrize("odd", [np.array([1, 2]), {"a"}, ("cord",)], ids=["array", "set", "tuple"])
def test_such_cells_of_a_dataframe_are_refused_too(odd):
    frame = pd.DataFrame([row("A"), row("B")])
    frame["unit_id"] = pd.Series([odd, "B"], dtype=object)
    log = read_log(frame, today=TODAY)
    (problem,) = log.all_problems
    assert (problem.row, problem.column, problem.scope) == (1, "unit_id", "row") and log.used == 1
