"""Sources of fleets: files, folders and dataframes of several engines; what cannot be read is said in one line."""

import os
import sys

import duckdb
import narwhals as nw
import pandas as pd
import polars as pl
import pyarrow as pa
import pytest
from pyarrow import parquet

from tests.benchmarks.fleet_rows import fleet_rows, write_fleet
from tests.log.builders import TODAY, row, write_csv
from tests.log.fleets import counted
from workbench.errors import LogError, UsageError
from workbench.log import fleet_reading
from workbench.log.fleet import read_fleet
from workbench.log.fleet_files import Workspace, open_source
from workbench.log.reading import read_log

KEPT = ["lid_seal", "vent", "environment", "site", "season"]


@pytest.fixture(scope="module")
def fleet_file(tmp_path_factory):
    return write_fleet(tmp_path_factory.mktemp("fleet") / "fleet.parquet", 1500, at_once=600)


@pytest.fixture(scope="module")
def from_file(fleet_file):
    return read_fleet(fleet_file, covariates=KEPT)


def lazy_of(name, path):
    if name == "polars, lazy":
        return pl.scan_parquet(path)
    if name == "polars":
        return pl.read_parquet(path)
    if name == "duckdb":
        return duckdb.connect().read_parquet(str(path))
    if name == "arrow":
        return parquet.read_table(path)
    return nw.from_native(pd.read_parquet(path, dtype_backend="pyarrow"))


@pytest.mark.parametrize("engine", ["polars, lazy", "polars", "duckdb", "arrow", "pandas"])
def test_every_engine_gives_the_same_lives(engine, fleet_file, from_file):
    fleet = read_fleet(lazy_of(engine, fleet_file), covariates=KEPT)
    assert (fleet.rows, fleet.used) == (from_file.rows, from_file.used)
    assert fleet.set_aside.equals(from_file.set_aside)
    lives, same = fleet.lives(), from_file.lives()
    assert lives.covariates.equals(same.covariates)
    assert (lives.weight == same.weight).all() and (lives.upper == same.upper).all()


def test_a_file_gives_the_lives_of_a_log(fleet_file, from_file):
    log = read_log(fleet_file)
    columns = [*KEPT, "outcome", "followed_to"]
    assert (from_file.rows, from_file.used) == (log.rows, log.used)
    pd.testing.assert_frame_equal(counted(from_file.lives(), columns), counted_as_fleet(log.lives(), columns))


def counted_as_fleet(lives, columns):
    frame = lives.covariates
    gone = frame["outcome"].astype(str) == "missing"
    frame = frame.assign(
        followed_to=frame["followed_to"].where(gone, lives.upper).where(gone | lives.failed, lives.lower)
    )
    return counted(lives.replace(covariates=frame), columns)


def test_text_tables_and_folders_are_read_alike(tmp_path, from_file):
    frame = fleet_rows(600, seed=1, first=0)
    later = [fleet_rows(600, seed=1, first=600), fleet_rows(300, seed=1, first=1200)]
    for kind, delimiter in ((".csv", ","), (".tsv", "\t"), (".txt", ";")):
        folder = tmp_path / kind[1:]
        folder.mkdir()
        for number, part in enumerate([frame, *later]):
            part.to_csv(folder / f"part-{number}{kind}", index=False, sep=delimiter)
        fleet = read_fleet(folder, covariates=KEPT)
        assert (fleet.rows, fleet.used) == (from_file.rows, from_file.used)
        assert fleet.lives().covariates.equals(from_file.lives().covariates)
        assert len(fleet.files) == 3
    listed = read_fleet(sorted((tmp_path / "csv").iterdir()), covariates=KEPT)
    assert listed.set_aside.equals(fleet.set_aside)


def test_a_row_with_too_many_cells_is_set_aside(tmp_path):
    path = write_csv(tmp_path / "log.csv", [row("A"), row("B"), row("C", site="a,b")])
    fleet, log = read_fleet(path, today=TODAY), read_log(path, today=TODAY)
    assert (fleet.rows, fleet.used) == (log.rows, log.used) == (3, 2)
    assert fleet.set_aside["example"][0] == "log.csv, line 4: the row has more cells than the headings"


@pytest.mark.parametrize("ending", [".parquet", ".csv"])
def test_rows_set_aside_go_to_a_file(tmp_path, ending, fleet_file):
    frame = pl.read_parquet(fleet_file).with_columns(latitude=pl.lit(51.5), notes=pl.lit("under the third stone"))
    target = tmp_path / f"aside{ending}"
    fleet = read_fleet(frame, covariates=KEPT, set_aside_to=target)
    table = pd.read_parquet(target) if ending == ".parquet" else pd.read_csv(target)
    assert len(table) == fleet.rows_set_aside > 0
    assert not {"latitude", "notes"} & set(table)
    counts = table["set_aside_because"].value_counts().to_dict()
    lines = fleet.set_aside[fleet.set_aside["rows"] > 0]
    assert counts == {f"{f}: {r}": n for f, r, n in zip(lines["field"], lines["reason"], lines["rows"], strict=True)}
    assert [p.name for p in tmp_path.iterdir()] == [target.name]


def test_a_truncated_file_is_named(tmp_path, fleet_file):
    short = tmp_path / "short.parquet"
    short.write_bytes(fleet_file.read_bytes()[:-4000])
    with pytest.raises(LogError, match=r"short\.parquet cannot be read as a Parquet file .*it may be cut short"):
        read_fleet(short)


def test_damage_in_the_middle_is_named_and_nothing_is_written(tmp_path, fleet_file):
    data = bytearray(fleet_file.read_bytes())
    data[2000:9000] = bytes(7000)
    broken, target = tmp_path / "broken.parquet", tmp_path / "aside.parquet"
    broken.write_bytes(bytes(data))
    with pytest.raises(LogError, match=r"broken\.parquet cannot be read to its end \(.*\); write it again") as caught:
        read_fleet(broken, covariates=KEPT, set_aside_to=target, spill=tmp_path)
    assert "\n" not in str(caught.value)
    assert [p.name for p in tmp_path.iterdir()] == ["broken.parquet"]


def test_one_column_of_two_types_is_named(tmp_path):
    for number, kind in enumerate([pa.string(), pa.int64()]):
        table = pa.Table.from_pandas(pd.DataFrame([row("A")]), preserve_index=False)
        parquet.write_table(
            table.append_column("deployment", pa.array(["1"]).cast(kind)), tmp_path / f"p{number}.parquet"
        )
    with pytest.raises(LogError, match=r"column 'deployment' is string in p0\.parquet and int64 in p1\.parquet"):
        read_fleet(tmp_path)


def test_mixed_types_in_one_column_of_a_dataframe_are_read_cell_by_cell():
    frame = pd.DataFrame([row("A"), row("B"), row("C")]).astype(object)
    frame.loc[1, "found_on"] = 20250601
    fleet, log = read_fleet(frame, today=TODAY), read_log(frame, today=TODAY)
    assert (fleet.rows, fleet.used) == (log.rows, log.used) == (3, 2)
    assert fleet.set_aside["example"][0] == log.set_aside["reason"][0]


def test_a_file_that_changes_while_it_is_read_is_refused(tmp_path, monkeypatch):
    path = write_fleet(tmp_path / "moving.parquet", 200)
    target, plain = tmp_path / "aside.csv", fleet_reading.judge_shapes

    def slow(*arguments):
        os.utime(path, ns=(1, 1))
        return plain(*arguments)

    monkeypatch.setattr(fleet_reading, "judge_shapes", slow)
    with pytest.raises(LogError, match=r"moving\.parquet changed while it was read, so nothing was kept"):
        read_fleet(path, covariates=KEPT, set_aside_to=target)
    assert not target.exists()


def test_no_room_for_what_does_not_fit_is_said(tmp_path):
    path = write_fleet(tmp_path / "wide.parquet", 30_000)
    with open_source(path, Workspace(memory=3, threads=1, folder=tmp_path), lambda sheet: 1) as source:
        unique = source.frame.group_by("unit_id", "found_on", "last_good_on").agg(nw.len().alias("n"))
        with pytest.raises(LogError, match=r"no room for what of wide\.parquet .*spill=, more memory_mb="):
            source.collect(unique.sort("unit_id"))
    assert [p.name for p in tmp_path.iterdir()] == ["wide.parquet"]


HEADINGS = ["unit_id", "deployed_on", "outcome", "found_on"]


def no_days(folder):
    return write_csv(folder / "a.csv", [row()], head=["unit_id", "outcome", "found_on"])


def two_values_in_a_cell(folder):
    return pl.DataFrame({**{name: [value] for name, value in row().items()}, "site": [["a", "b"]]})


@pytest.mark.parametrize(
    ("make", "error", "words"),
    [
        (lambda folder: folder / "none.parquet", UsageError, "there is no file or folder"),
        (lambda folder: folder, UsageError, "holds no file of a fleet"),
        (lambda folder: [], UsageError, "no file was named"),
        (lambda folder: 7, UsageError, "source must be a path or a dataframe"),
        (lambda folder: write_csv(folder / "a.xlsx", [row()]), UsageError, "a.xlsx is no file of a fleet"),
        (lambda folder: write_csv(folder / "a.parquet", [row()]), LogError, "is not what its ending .parquet says"),
        (lambda folder: write_csv(folder / "a.csv", [], head=HEADINGS), LogError, "no row"),
        (no_days, LogError, "no column for deployed_on"),
        (two_values_in_a_cell, LogError, "column 'site' holds List"),
    ],
)
def test_what_is_no_fleet_is_refused_in_one_line(tmp_path, make, error, words):
    with pytest.raises(error, match=words) as caught:
        read_fleet(make(tmp_path))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"step": 0}, "step must be a whole number of at least 1"),
        ({"memory_mb": 5}, "memory_mb must be a whole number of at least 100"),
        ({"spill": "nowhere"}, "spill='nowhere' is no folder"),
        ({"set_aside_to": "aside.xlsx"}, "must end in .parquet or .csv"),
        ({"set_aside_to": "nowhere/aside.csv"}, "there is no folder nowhere"),
        ({"covariates": "notes"}, "unknown covariate 'notes'"),
    ],
)
def test_wrong_options_are_named(options, words):
    with pytest.raises(UsageError, match=words):
        read_fleet(pl.DataFrame([row()]), **options)


def test_too_many_combinations_ask_for_fewer(monkeypatch, fleet_file):
    monkeypatch.setattr("workbench.log.fleet_groups.MOST_GROUPS", 50)
    with pytest.raises(LogError, match=r"over 50 rows differ in days or covariates.*fewer covariates= .*step="):
        read_fleet(fleet_file, covariates=KEPT)


def test_an_engine_that_is_not_installed_is_named(monkeypatch, fleet_file):
    monkeypatch.setitem(sys.modules, "duckdb", None)
    with pytest.raises(UsageError, match=r"needs duckdb, which is not installed; install it with .*workbench\[fleet\]"):
        read_fleet(fleet_file)
