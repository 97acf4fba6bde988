"""The evidence table: built in, extended by a file, and every mistake refused with its line."""

import csv

import pytest

from workbench.errors import LogError, UsageError
from workbench.log.dictionary.columns import log_columns
from workbench.log.dictionary.evidence import STRENGTHS, TABLE_COLUMNS, mechanism_names, read_evidence_table, sign_names

ROW = ["slime", "wet", "floor", "lid_seal_leak", "+", "", "smell it", "common practice, no source"]


def written(tmp_path, *rows, heading=TABLE_COLUMNS, delimiter=",", encoding="utf-8"):
    path = tmp_path / "own.csv"
    with path.open("w", newline="", encoding=encoding) as lines:
        csv.writer(lines, delimiter=delimiter).writerows([heading, *rows])
    return path


def changed(column, value):
    row = list(ROW)
    row[TABLE_COLUMNS.index(column)] = value
    return row


def test_built_in_table_is_whole_and_every_sign_is_a_column_of_the_log():
    table = read_evidence_table()
    assert tuple(table.columns) == TABLE_COLUMNS
    assert set(table["strength"]) <= set(STRENGTHS)
    assert not table.duplicated(["sign", "mechanism"]).any()
    assert (table[["where", "next_check", "source", "confounder"]] != "").all().all()
    assert (table.groupby("sign")[["family", "where", "source"]].nunique() == 1).all().all()
    evidence = [column.name for column in log_columns() if column.role == "evidence"]
    assert evidence == list(sign_names()) == list(dict.fromkeys(table["sign"]))


def test_trade_facts_without_source_say_so():
    sources = read_evidence_table()["source"]
    assert (sources == "common practice, no source").sum() > 50
    vague = sources[sources.str.contains("common practice|memory")]
    assert vague.str.fullmatch("(.+; the rest )?common practice, no source|from memory").all()


def test_leaks_can_be_told_by_signs_of_more_than_one_family():
    table = read_evidence_table()
    families = table[table["strength"].isin(["++", "+"])].groupby("mechanism")["family"].nunique()
    for mechanism in ("lid_seal_leak", "gland_or_connector_leak", "vapour_condensation", "battery_exhausted"):
        assert families[mechanism] >= 2
    assert {"theft_vandalism", "flood_swept"} <= set(mechanism_names())


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_a_file_adds_signs_and_replaces_those_it_names(tmp_path, delimiter):
    ring = ["tide_line", "wet", "wall", "vapour_condensation", "++", "", "look", "ours"]
    table = read_evidence_table(written(tmp_path, ROW, ring, delimiter=delimiter))
    assert table[table["sign"] == "tide_line"]["mechanism"].tolist() == ["vapour_condensation"]
    assert table[table["sign"] == "slime"]["next_check"].tolist() == ["smell it"]
    assert set(sign_names()) < set(table["sign"])
    only = read_evidence_table(written(tmp_path, ROW, ring), only=True)
    assert set(only["sign"]) == {"slime", "tide_line"}
    assert "lid_seal_leak" in set(read_evidence_table()[read_evidence_table()["sign"] == "tide_line"]["mechanism"])


def test_byte_order_mark_and_column_order_do_not_matter(tmp_path):
    turned = written(tmp_path, ROW[::-1], heading=TABLE_COLUMNS[::-1], encoding="utf-8-sig")
    assert read_evidence_table(turned, only=True).iloc[0].tolist() == ROW


@pytest.mark.parametrize(
    ("row", "says"),
    [
        (changed("strength", "+++"), "line 3: strength is '\\+\\+\\+'"),
        (changed("sign", "Slime here"), "line 3: sign is 'Slime here'"),
        (changed("mechanism", "lid_seal_leek"), "line 3: mechanism 'lid_seal_leek'.*did you mean 'lid_seal_leak'"),
        (changed("source", ""), "line 3: source is empty"),
        (
            [*changed("family", "cold")[:3], "vapour_condensation", *ROW[4:]],
            "line 3: family of slime is 'cold' but 'wet' in line 2",
        ),
        (ROW[:-1], "line 3 has 7 fields for 8 columns"),
        (ROW, "line 3: slime and lid_seal_leak stand in line 2"),
    ],
)
def test_every_mistake_names_its_line(tmp_path, row, says):
    with pytest.raises(LogError, match=f"own.csv {says}"):
        read_evidence_table(written(tmp_path, ROW, row))


def test_new_mechanisms_are_taken_as_they_are(tmp_path):
    row = changed("mechanism", "snow_creep")
    assert "snow_creep" in set(read_evidence_table(written(tmp_path, row))["mechanism"])


def test_wrong_headings_empty_files_and_missing_paths(tmp_path):
    with pytest.raises(LogError, match="unknown column 'strenght'; did you mean 'strength'"):
        read_evidence_table(
            written(tmp_path, ROW, heading=["strenght" if c == "strength" else c for c in TABLE_COLUMNS])
        )
    with pytest.raises(LogError, match="column 'source' is missing"):
        read_evidence_table(written(tmp_path, ROW[:-1], heading=TABLE_COLUMNS[:-1]))
    with pytest.raises(LogError, match="holds no sign"):
        read_evidence_table(written(tmp_path))
    with pytest.raises(UsageError, match="no evidence table at"):
        read_evidence_table(tmp_path / "nowhere.csv")


def test_other_encodings_and_broken_quotes_name_the_line(tmp_path):
    path = written(tmp_path, ROW)
    path.write_bytes(path.read_bytes() + "slim\u00e9,wet,a,b,+,,c,d\n".encode("cp1252"))
    with pytest.raises(LogError, match="line 3 is not UTF-8"):
        read_evidence_table(path)
    path.write_text(",".join(TABLE_COLUMNS) + '\n"slime"x,wet,a,b,+,,c,d\n')
    with pytest.raises(LogError, match="line 2 cannot be read"):
        read_evidence_table(path)
