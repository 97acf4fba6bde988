"""OpenDocument sheets, written with odfpy as an outside reference."""

import zipfile

import pytest
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import CoveredTableCell, Table, TableCell, TableRow
from odf.text import P

from tests.log.builders import HEAD, TODAY, row
from workbench.errors import LogError
from workbench.log.season_log.reading import read_log


def cell(value="", kind="string", **more):
    named = {"float": "value", "date": "datevalue", "boolean": "booleanvalue"}
    made = TableCell(valuetype=kind, **({named[kind]: value} if kind in named else {}), **more)
    if value != "":
        made.addElement(P(text=str(more.pop("shown", value))))
    return made


def write_ods(path, rows, change=None):
    document = OpenDocumentSpreadsheet()
    table = Table(name="Log")
    for cells in [[cell(n) for n in HEAD], *rows]:
        line = TableRow()
        for one in cells:
            line.addElement(one)
        table.addElement(line)
    if change:
        change(table)
    document.spreadsheet.addElement(table)
    document.save(path)
    return path


def cells_of(one):
    return [cell(one.get(n, ""), "date" if n.endswith("_on") and one.get(n) else "string") for n in HEAD]


def read(path):
    return read_log(path, today=TODAY)


def test_dates_numbers_and_text(tmp_path):
    rows = [cells_of(row("A")), cells_of(row("B", "working")), cells_of(row("C", found_on=""))]
    rows[0][0] = cell(123, "float")
    rows[1][5] = cell("2025-09-01T14:30:00", "date")
    log = read(write_ods(tmp_path / "log.ods", rows))
    assert log.records["unit_id"].tolist() == ["123", "B"] and log.ledger["lower"].tolist() == [61, 184]
    assert log.ledger["row"].tolist() == [2, 3] and log.all_problems[0].cell == "D4"
    assert any("time of day dropped in 'found_on'" in n for n in log.notes)


def test_repeated_rows_and_cells_keep_the_numbering(tmp_path):
    blank = TableRow(numberrowsrepeated=3)
    blank.addElement(TableCell(numbercolumnsrepeated=1024))

    def insert(table):
        table.addElement(blank)
        line = TableRow()
        for one in cells_of(row("B")):
            line.addElement(one)
        table.addElement(line)
        tail = TableRow(numberrowsrepeated=1_048_000)
        tail.addElement(TableCell(numbercolumnsrepeated=16_384))
        table.addElement(tail)

    assert read(write_ods(tmp_path / "log.ods", [cells_of(row("A"))], insert)).ledger["row"].tolist() == [2, 6]


def test_merged_cells_hold_for_all_they_cover(tmp_path):
    rows = [cells_of(row(u)) for u in "ABC"]
    site = HEAD.index("site")
    rows[0][site] = cell("Upper Tarn", numberrowsspanned=3, numbercolumnsspanned=1)
    for later in rows[1:]:
        later[site] = CoveredTableCell()
    log = read(write_ods(tmp_path / "log.ods", rows))
    assert log.records["site"].tolist() == ["Upper Tarn"] * 3 and any("merged cells" in n for n in log.notes)


def test_hidden_rows_formulas_and_booleans(tmp_path):
    hidden = cells_of(row("B"))
    bare = TableCell(formula="of:=[.D2]+30")
    rows = [cells_of(row("A")), hidden, [*cells_of(row("C"))[:5], bare, *cells_of(row("C"))[6:]]]

    def hide(table):
        table.getElementsByType(TableRow)[2].setAttribute("visibility", "collapse")

    log = read(write_ods(tmp_path / "log.ods", rows, hide))
    assert log.used == 2 and any("1 hidden row was read" in n for n in log.notes)
    assert "is a formula without a stored value" in log.all_problems[0].reason and log.all_problems[0].cell == "F4"


def test_an_entry_repeated_without_end_is_refused(tmp_path):
    def repeat(table):
        line = TableRow(numberrowsrepeated=900_000)
        line.addElement(cell("A"))
        table.addElement(line)

    with pytest.raises(LogError, match="one entry is repeated 900,000 times"):
        read(write_ods(tmp_path / "log.ods", [cells_of(row("A"))], repeat))


def test_damaged_files_and_entity_bombs_are_refused(tmp_path):
    bomb = b'<!DOCTYPE a [<!ENTITY b "cccc"><!ENTITY d "&b;&b;">]><a>&d;</a>'
    for content in (b"no xml", bomb):
        with zipfile.ZipFile(tmp_path / "log.ods", "w") as archive:
            archive.writestr("content.xml", content)
        with pytest.raises(LogError, match="cannot be read as an OpenDocument spreadsheet"):
            read(tmp_path / "log.ods")


def test_a_value_that_does_not_fit_its_kind_is_named(tmp_path):
    rows = [cells_of(row("A")), cells_of(row("B"))]
    rows[0][5] = cell("202-06-01", "date")
    log = read(write_ods(tmp_path / "log.ods", rows))
    assert log.used == 1 and log.all_problems[0].cell == "F2"
    assert "holds a value that does not fit its kind" in log.all_problems[0].reason


def test_comments_and_colours_are_read_as_from_other_workbooks(tmp_path):
    """Annotations: OpenDocument 1.3, part 3, 14.1; backgrounds: 20.184."""
    from odf.office import Annotation
    from odf.style import Style, TableCellProperties

    rows = [cells_of(row(name, "failed" if name in "ABC" else "working")) for name in "ABCDEFG"]
    rows.append(
        [cell("", "string") if n == "outcome" else made for n, made in zip(HEAD, cells_of(row("H")), strict=True)]
    )
    note = Annotation()
    note.addElement(P(text="battery was warm"))
    rows[7][0].addElement(note)
    for red in (0, 1, 2, 7):
        for one in rows[red]:
            one.setAttribute("stylename", "dead")
    path = tmp_path / "log.ods"
    document = OpenDocumentSpreadsheet()
    style = Style(name="dead", family="table-cell")
    style.addElement(TableCellProperties(backgroundcolor="#f4b6b0"))
    document.automaticstyles.addElement(style)
    table = Table(name="Log")
    for cells in [[cell(n) for n in HEAD], *rows]:
        line = TableRow()
        for one in cells:
            line.addElement(one)
        table.addElement(line)
    document.spreadsheet.addElement(table)
    document.save(path)
    log = read(path)
    marks = "\n".join([*log.marks, *(said for _, said in log.unsaid_ends)])
    assert "A9 ('unit_id'), comment: 'battery was warm'" in marks
    assert "the row is filled like 3 failed rows, but its outcome is empty" in marks
    assert read(path).set_aside["value"].tolist() == [""]
