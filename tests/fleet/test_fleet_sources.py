"""Sources of fleets: files, folders and dataframes of several engines; what cannot be read is said in one line."""

import sys
from contextlib import contextmanager
from pathlib import Path

import duckdb
import narwhals as nw
import pandas as pd
import polars as pl
import pyarrow as pa
import pytest
from pyarrow import parquet

from tests.benchmarks.fleet_rows import fleet_rows, write_as_csv, write_fleet
from tests.fleet.fleets import counted
from tests.log.builders import TODAY, row, write_csv
from workbench.errors import LogError, UsageError
from workbench.filing import MANIFEST
from workbench.fleet import fleet_reading
from workbench.fleet.fleet_files import Workspace, open_source
from workbench.fleet.fleets import read_fleet
from workbench.log.season_log.reading import read_log

pytestmark = pytest.mark.slow

needs_a_folder_nobody_can_write_to = pytest.mark.skipif(
    not Path("/proc").is_dir(),
    reason="a superuser may write to every folder but /proc, which other systems do not have",
)

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


SITE = row()["site"].encode()


def spoilt(data, change):
    """A table of a head line and four rows with one fault."""
    lines = data.splitlines()
    lines[2] = {
        "cp1252": lines[2].replace(SITE, "Ölde €".encode("cp1252")),
        "utf-16": lines[2],
        "line break": lines[2].replace(SITE, b'"Hollow\nWood"'),
        "inch": lines[2].replace(SITE, b'3" pipe'),
        "short": lines[2].rsplit(b",", 2)[0],
        "long": lines[2] + b",x",
        "never closed": b'"' + lines[2],
        "goes on": lines[2].replace(SITE, b'"Hollow" Wood'),
        "nul": lines[2].replace(SITE, b"\0"),
        "endless": lines[2].replace(SITE, b"x" * 200_000 + b'"'),
        "no text": lines[2].replace(SITE, b"\x81"),
    }.get(change, lines[2])
    text = b"\r\n".join(lines) + b"\r\n"
    return text.decode().encode("utf-16") if change == "utf-16" else text


@pytest.mark.parametrize("change", ["cp1252", "utf-16", "line break", "inch", "short", "long"])
def test_text_is_read_as_in_a_log(tmp_path, change):
    path = write_csv(tmp_path / "log.csv", [row(name) for name in "ABCD"])
    path.write_bytes(spoilt(path.read_bytes(), change))
    log, fleet = read_log(path, today=TODAY), read_fleet(path, today=TODAY)
    assert (fleet.rows, fleet.used) == (log.rows, log.used) == (4, 3 if change == "long" else 4)
    pd.testing.assert_frame_equal(counted(fleet.lives()), counted(log.lives()))
    assert fleet.notes[0] == log.notes[0]


@pytest.mark.parametrize("change", ["never closed", "goes on", "nul", "no text"])
def test_text_that_cannot_be_split_is_refused_in_the_words_of_a_log(tmp_path, change):
    path = write_csv(tmp_path / "log.csv", [row(name) for name in "ABCD"])
    path.write_bytes(spoilt(path.read_bytes(), change))
    with pytest.raises(LogError) as said:
        read_log(path, today=TODAY)
    with pytest.raises(LogError) as caught:
        read_fleet(path, today=TODAY, spill=tmp_path)
    assert str(caught.value) == str(said.value)
    assert [p.name for p in tmp_path.iterdir()] == ["log.csv"]


def test_a_cell_without_end_in_a_large_file_loses_no_row_in_silence(tmp_path):
    frame = fleet_rows(20_000, dirt=0)
    frame.loc[9_000, "unit_id"] = "MARK"
    path = tmp_path / "large.csv"
    frame.to_csv(path, index=False)
    text = path.read_text()
    path.write_text(text.replace("MARK", 'inch 3"'))
    assert read_fleet(path, covariates=["vent"]).rows == 20_000
    path.write_text(text.replace("MARK", '"X'))
    with pytest.raises(LogError, match=r"large\.csv, line 9002: a cell is longer than 131,072 characters; a quotation"):
        read_fleet(path, covariates=["vent"])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda lines: [line + b",x" if i else line for i, line in enumerate(lines)], "every row has a cell too many"),
        (lambda lines: [lines[0] + b",", *lines[1:]], "column 9 has no heading; give it one"),
        (lambda lines: [lines[0] + b",vent,vent", *lines[1:]], "two columns are headed 'vent'; rename one"),
        (lambda lines: [b"", *lines], "line 1 holds no heading of a log"),
        (lambda lines: [b"Lantern Moor", *lines], "line 1 holds no heading of a log"),
        (lambda lines: [b"  ", b""], "is empty; a log needs a line of headings"),
    ],
)
def test_headings_that_do_not_fit_are_named(tmp_path, change, words):
    path = write_csv(tmp_path / "log.csv", [row("A"), row("B")])
    path.write_bytes(b"\n".join(change(path.read_bytes().splitlines())) + b"\n")
    with pytest.raises(LogError, match=words):
        read_fleet(path, today=TODAY)


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
    assert [p.name for p in tmp_path.iterdir() if p.name != MANIFEST] == [target.name]


def test_rows_set_aside_replace_no_file_of_somebody_else_and_hold_no_formula(tmp_path):
    source, target = tmp_path / "log.csv", tmp_path / "aside.csv"
    head = "unit_id,deployed_on,found_on,outcome,site"
    source.write_text(f"{head}\n=1+1,31/02/2025,2025-09-01,failed,@SUM(1)\nA,2025-03-01,2025-09-01,failed,a\n")
    target.write_text("mine")
    with pytest.raises(UsageError, match="was not written by this workbench"):
        read_fleet(source, set_aside_to=target)
    assert target.read_text() == "mine"
    with pytest.raises(UsageError, match="never replaced"):
        read_fleet(source, set_aside_to=source, replace_others=True)
    read_fleet(source, set_aside_to=target, replace_others=True)
    assert target.read_text().splitlines()[1].startswith("'=1+1,31/02/2025,2025-09-01,failed,'@SUM(1),")


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


@pytest.mark.parametrize("lacking", [0, 1])
def test_a_column_that_one_file_lacks_is_named(tmp_path, lacking):
    for number in (0, 1):
        rows = pd.DataFrame([row("A")] if number == lacking else [row("A", crate="7")])
        rows.to_parquet(tmp_path / f"p{number}.parquet", index=False)
    with pytest.raises(
        LogError, match=rf"p{lacking}\.parquet has no column 'crate', which p{1 - lacking}\.parquet has"
    ):
        read_fleet(tmp_path)


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


@pytest.mark.parametrize("change", ["a row more", "other bytes of the same length", "gone"])
@pytest.mark.parametrize("ending", [".parquet", ".csv"])
def test_a_file_that_changes_while_it_is_read_is_refused(tmp_path, monkeypatch, change, ending):
    path = write_fleet(tmp_path / "moving.parquet", 200)
    path = path if ending == ".parquet" else write_as_csv(path)
    target, plain = tmp_path / "aside.csv", fleet_reading.judge_shapes

    def slow(*arguments):
        data = path.read_bytes()
        if change == "gone":
            path.unlink()
        else:
            path.write_bytes(data + data[-90:] if change == "a row more" else data[::-1])
        return plain(*arguments)

    monkeypatch.setattr(fleet_reading, "judge_shapes", slow)
    with pytest.raises(LogError, match=rf"moving\{ending} changed while it was read, so nothing was kept"):
        read_fleet(path, covariates=KEPT, set_aside_to=target, spill=tmp_path)
    assert not [p.name for p in tmp_path.iterdir() if not p.name.startswith("moving")]


@contextmanager
def no_file_larger_than(size):
    """As on a disk with so much room left; the tests' own output is smaller."""
    resource = pytest.importorskip("resource")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.parametrize("ending", [".parquet", ".csv"])
def test_no_room_for_spilling_is_said_and_nothing_is_left(tmp_path, ending):
    path = write_fleet(tmp_path / "wide.parquet", 30_000)
    path = path if ending == ".parquet" else write_as_csv(path)
    spill = tmp_path / "spill"
    spill.mkdir()
    with (
        no_file_larger_than(50_000),
        pytest.raises(LogError, match=r"no room for what of wide\..* give a folder with more room as spill=") as caught,
    ):
        read_fleet(path, covariates=KEPT, spill=spill)
    assert "\n" not in str(caught.value) and not [*spill.iterdir()]


@pytest.mark.parametrize("ending", [".parquet", ".csv"])
def test_no_room_for_the_rows_set_aside_leaves_no_part_of_them(tmp_path, ending):
    frame = pl.DataFrame(fleet_rows(20_000))
    target = tmp_path / f"aside{ending}"
    with (
        no_file_larger_than(20_000),
        pytest.raises(LogError, match=rf"aside\{ending} cannot be written \(.*nothing was kept"),
    ):
        read_fleet(frame, {"window": ["2023-01-01", "2023-02-01"]}, covariates=KEPT, set_aside_to=target)
    assert not [*tmp_path.iterdir()]


def test_memory_that_runs_out_is_said(tmp_path):
    path = write_fleet(tmp_path / "wide.parquet", 30_000)
    with open_source(path, Workspace(memory=3, threads=1, folder=tmp_path), lambda sheet: 1) as source:
        unique = source.frame.group_by("unit_id", "found_on", "last_good_on").agg(nw.len().alias("n"))
        with pytest.raises(LogError, match=r"no room for what of wide\.parquet .*spill=, more memory_mb="):
            source.collect(unique.sort("unit_id"))
    assert [p.name for p in tmp_path.iterdir()] == ["wide.parquet"]


HEADINGS = ["unit_id", "deployed_on", "outcome", "found_on"]


def no_days(folder):
    return write_csv(folder / "a.csv", [row()], head=["unit_id", "outcome", "found_on"])


def folder_named(folder):
    (folder / "a.csv").mkdir()
    return folder


def two_values_in_a_cell(folder):
    return pl.DataFrame({**{name: [value] for name, value in row().items()}, "site": [["a", "b"]]})


@pytest.mark.parametrize(
    ("make", "error", "words"),
    [
        (lambda folder: folder / "none.parquet", UsageError, "there is no file or folder"),
        (lambda folder: folder, UsageError, "holds no file of a fleet"),
        (lambda folder: [], UsageError, "no file was named"),
        (lambda folder: folder_named(folder), LogError, "cannot be opened"),
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
        ({"set_aside_to": "nowhere/aside.csv"}, "there is no folder nowhere; make it first"),
        pytest.param(
            {"set_aside_to": "/proc/aside.csv"},
            "aside.csv cannot be written",
            marks=needs_a_folder_nobody_can_write_to,
        ),
        ({"covariates": "notes"}, "unknown covariate 'notes'"),
    ],
)
def test_wrong_options_are_named(options, words):
    with pytest.raises(UsageError, match=words):
        read_fleet(pl.DataFrame([row()]), **options)


@needs_a_folder_nobody_can_write_to
def test_a_spill_folder_that_cannot_be_written_to_is_named(fleet_file):
    with pytest.raises(
        LogError, match=r"nothing can be written in the folder /proc \(.*\); name another one as spill="
    ):
        read_fleet(fleet_file, spill="/proc")


def test_too_many_combinations_ask_for_fewer(monkeypatch, fleet_file):
    monkeypatch.setattr("workbench.fleet.fleet_groups.MOST_GROUPS", 50)
    with pytest.raises(LogError, match=r"over 50 rows differ in days or covariates.*fewer columns apart .*step"):
        read_fleet(fleet_file, covariates=KEPT)


def test_an_engine_that_is_not_installed_is_named(monkeypatch, fleet_file):
    monkeypatch.setitem(sys.modules, "duckdb", None)
    with pytest.raises(UsageError, match=r"needs duckdb, which is not installed; install it with .*workbench\[fleet\]"):
        read_fleet(fleet_file)
