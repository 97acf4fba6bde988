"""Spoiled tables: what people, programs, disks and attackers do to the cells of a log and to the bytes of its file."""

import re
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from typing import Any

import numpy as np

__all__ = ["ARCHIVE_DAMAGE", "GRID_DAMAGE", "JUNK", "SETTINGS_DAMAGE", "TEXT_DAMAGE", "Chance", "Grid"]

Grid = list[list[Any]]
Chance = np.random.Generator

DEEP_FORMULA = "=" + "IF(" * 3000 + "1" + ",1,0)" * 3000
JUNK: tuple[Any, ...] = (
    "", " ", "-", "?", "NaN", "inf", "-inf", "1e400", "1e-400", "-5", "12,5", "1 000", "50 %", "TRUE", "None", "NULL",
    "31/02/2025", "2025-13-45", "0000-00-00", "10000-01-01", "2025-06-01T25:61:00", "05/09/2025", "45800", "1899-12-31",
    "99999999999999999999", "9" * 5000, "0x1F", "²", "١٢٣", "１２", "½", "IP99", "IP6", "IPX", "IP67K", "C9", "failed?",
    "=1+1", "=cmd|' /C calc'!A0", "@SUM(A1)", '=HYPERLINK("https://bad.example","x")', "#REF!", "#N/A", "+49", "-",
    "<script>alert(1)</script>", "../../etc/passwd", "C:\\Windows\\x", "file:///etc/passwd", "{0}%s$x$", "${HOME}",
    "\u202eesrever", "zero\u200bwidth", "\ufeffmark", "\u2028line", "e\u0301", "😀", "\x07bell", "\x1b[31m", "\x85",
    "\x0b", "total", "Sum", "unit_id", "deployed_on", "EXAMPLE LM-001", "a\nb", 'q"uote', "semi;colon", "tab\there",
    "x" * 40_000, True, False, 0, -1, 10**30, 0.1, -0.0, 1e308, 45_800, 2_958_466, date(2025, 7, 1), date(1, 1, 1),
    datetime(2025, 7, 1, 13, 5), datetime(9999, 12, 31, 23, 59, 59), time(12, 0), timedelta(days=400), None,
    DEEP_FORMULA, "_xD800_", "_x0000_", "lone \ud800 half", "nul \x00 mark", "9999-12-31", "0001-01-01",
)  # fmt: skip


# --- the table, whatever its file -----------------------------------------------------------------------------------


def _place(grid: Grid, chance: Chance, *, head: bool = False) -> tuple[int, int]:
    row = int(chance.integers(0 if head else 1, max(len(grid), 2)))
    row = min(row, len(grid) - 1)
    return row, int(chance.integers(max(len(grid[row]), 1)))


def _put(grid: Grid, row: int, column: int, value: Any) -> None:
    if column < len(grid[row]):
        grid[row][column] = value


def swap_cells(grid: Grid, chance: Chance) -> None:
    for _ in range(int(chance.integers(1, 12))):
        (r, c), (s, d) = _place(grid, chance), _place(grid, chance)
        if c < len(grid[r]) and d < len(grid[s]):
            grid[r][c], grid[s][d] = grid[s][d], grid[r][c]


def wrong_types(grid: Grid, chance: Chance) -> None:
    for _ in range(int(chance.integers(1, 40))):
        _put(grid, *_place(grid, chance), JUNK[chance.integers(len(JUNK))])


def wrong_columns(grid: Grid, chance: Chance) -> None:
    """One kind of rubbish all the way down a column."""
    _, column = _place(grid, chance)
    value = JUNK[chance.integers(len(JUNK))]
    for row in range(1, len(grid)):
        _put(grid, row, column, value)


def odd_headings(grid: Grid, chance: Chance) -> None:
    for _ in range(int(chance.integers(1, 4))):
        _put(grid, 0, int(chance.integers(len(grid[0]))), JUNK[chance.integers(len(JUNK))])


def duplicate_column(grid: Grid, chance: Chance) -> None:
    _, column = _place(grid, chance)
    other = "" if chance.random() < 0.5 else " copy"
    for number, row in enumerate(grid):
        if column < len(row):
            row.insert(int(column), f"{row[column]}{other}" if number == 0 else row[column])


def shift_columns(grid: Grid, chance: Chance) -> None:
    """A cell too many or too few, in the headings, in one row or in all rows."""
    way, where = chance.integers(2), chance.integers(3)
    rows = {0: grid[:1], 1: [grid[_place(grid, chance)[0]]], 2: grid[1:]}[int(where)]
    for row in rows:
        place = int(chance.integers(len(row) + 1))
        if way:
            row.insert(place, "")
        elif len(row) > 1:
            del row[min(place, len(row) - 1)]


def merge_headings(grid: Grid, chance: Chance) -> None:
    column = int(chance.integers(max(len(grid[0]) - 1, 1)))
    if chance.random() < 0.5 and column + 1 < len(grid[0]):
        grid[0][column : column + 2] = [f"{grid[0][column]} {grid[0][column + 1]}", ""]
    else:
        words = [str(h).rpartition("_") for h in grid[0]]
        grid[:1] = [[w[0] for w in words], [w[2] for w in words]]


def titles_above(grid: Grid, chance: Chance) -> None:
    for _ in range(int(chance.integers(1, 45))):
        grid.insert(0, ["Season log", "", "2025"][: chance.integers(1, 4)])


def lose_cells(grid: Grid, chance: Chance) -> None:
    for _ in range(int(chance.integers(1, 100))):
        _put(grid, *_place(grid, chance, head=True), "")


def lose_columns(grid: Grid, chance: Chance) -> None:
    for _ in range(int(chance.integers(1, 4))):
        column = int(chance.integers(len(grid[0]) or 1))
        for row in grid:
            if len(row) > 1 and column < len(row):
                del row[column]


def lose_rows(grid: Grid, chance: Chance) -> None:
    del grid[int(chance.integers(len(grid))) :]


def repeat_rows(grid: Grid, chance: Chance) -> None:
    for _ in range(int(chance.integers(1, 6))):
        row = list(grid[_place(grid, chance, head=True)[0]])
        if chance.random() < 0.5 and row:
            row[int(chance.integers(len(row)))] = JUNK[chance.integers(len(JUNK))]
        grid.insert(int(chance.integers(len(grid) + 1)), row)


def huge_cell(grid: Grid, chance: Chance) -> None:
    size = int(chance.choice([33_000, 131_072, 140_000, 600_000, 1_000_000]))
    _put(grid, *_place(grid, chance, head=True), str(chance.choice(["x", "9", "=", "\n", "é", "="])) * size)


def deep_formulas(grid: Grid, chance: Chance) -> None:
    deep = (DEEP_FORMULA, "=" + "(" * 20_000, "=" + "-" * 30_000 + "1", "={" + ",".join("1" * 9000) + "}")
    for _ in range(int(chance.integers(1, 6))):
        _put(grid, *_place(grid, chance), deep[chance.integers(len(deep))])


def hostile_marks(grid: Grid, chance: Chance) -> None:
    marks = ("\u200b", "\u202e", "\u2066", "\ufeff", "\u00ad", "\x01", "\x7f", "\x9f", "\x00", "\ud7ff", "\u2029")
    for _ in range(int(chance.integers(1, 30))):
        row, column = _place(grid, chance, head=True)
        if column < len(grid[row]):
            text, mark = str(grid[row][column] or ""), marks[chance.integers(len(marks))]
            place = int(chance.integers(len(text) + 1))
            grid[row][column] = text[:place] + mark + text[place:]


def wide_rows(grid: Grid, chance: Chance) -> None:
    row, _ = _place(grid, chance)
    grid[row] += ["x"] * int(chance.choice([1, 50, 3000]))


GRID_DAMAGE: tuple[Callable[[Grid, Chance], None], ...] = (
    *(swap_cells, wrong_types, wrong_types, wrong_columns, odd_headings, duplicate_column, shift_columns),
    *(merge_headings, titles_above, lose_cells, lose_columns, lose_rows, repeat_rows, huge_cell, deep_formulas),
    *(hostile_marks, wide_rows),
)


# --- the bytes of a file --------------------------------------------------------------------------------------------


def truncated(data: bytes, chance: Chance) -> bytes:
    return data[: chance.integers(len(data) + 1)]


def flipped(data: bytes, chance: Chance) -> bytes:
    spoilt = bytearray(data)
    for _ in range(int(chance.integers(1, 30))):
        if spoilt:
            spoilt[chance.integers(len(spoilt))] = chance.integers(256)
    return bytes(spoilt)


def filled(data: bytes, chance: Chance) -> bytes:
    """A block of zeros, as a failing disk leaves it."""
    start = int(chance.integers(len(data) + 1))
    return data[:start] + bytes(min(512, len(data) - start)) + data[start + 512 :]


def other_encoding(data: bytes, chance: Chance) -> bytes:
    encoding = chance.choice(["utf-16", "utf-16-le", "utf-8-sig", "cp1252", "utf-32", "cp437"])
    return data.decode("utf-8", errors="replace").encode(str(encoding), errors="replace")


def other_lines(data: bytes, chance: Chance) -> bytes:
    return data.replace(b"\r\n", [b"\r", b"\n", b"\r\r\n", b"\n\n", b"\x0b", b"\xe2\x80\xa8"][chance.integers(6)])


def mixed_lines(data: bytes, chance: Chance) -> bytes:
    """Each line ends in a way of its own."""
    ends = (b"\r\n", b"\r", b"\n", b"\r\r\n", b"\n\r", b"\x0c", b"\xc2\x85", b"")
    lines = re.split(rb"\r\n|\n", data)
    return b"".join(line + ends[i] for line, i in zip(lines, chance.integers(len(ends), size=len(lines)), strict=True))


def stray_quotes(data: bytes, chance: Chance) -> bytes:
    """A quotation mark that is never closed, doubled, of another kind or in the middle of a cell."""
    place = int(chance.integers(len(data) + 1))
    if chance.random() < 0.5:
        place = data.find(b",", place) + 1 or place
    return data[:place] + [b'"', b'"', b'""', b"'", b'","', b'"a" b'][chance.integers(6)] + data[place:]


def broken_letters(data: bytes, chance: Chance) -> bytes:
    """Halves of letters: lone surrogates, cut and overlong sequences, in UTF-8 and in UTF-16 with its mark."""
    if chance.random() < 0.5:
        wide = bytearray(data.decode("utf-8", errors="replace").encode("utf-16"))
        for _ in range(int(chance.integers(1, 4))):
            place = 2 * int(chance.integers(1, len(wide) // 2 + 1))
            wide[place:place] = [b"\x00\xd8", b"\x00\xdc", b"\x00\x00", b"\xff\xff"][chance.integers(4)]
        return bytes(wide[: len(wide) - int(chance.integers(2))])
    for _ in range(int(chance.integers(1, 4))):
        place = int(chance.integers(len(data) + 1))
        half = [b"\xed\xa0\x80", b"\xc3", b"\xc0\x80", b"\xf5\x80\x80\x80", b"\xe2\x80", b"\x81"][chance.integers(6)]
        data = data[:place] + half + data[place:]
    return data


def nul_bytes(data: bytes, chance: Chance) -> bytes:
    for place in sorted(chance.integers(len(data) + 1, size=int(chance.integers(1, 5)))):
        data = data[:place] + b"\x00" + data[place:]
    return data


def twice(data: bytes, chance: Chance) -> bytes:
    return data + data


TEXT_DAMAGE = (
    *(truncated, flipped, filled, other_encoding, other_encoding, other_lines, mixed_lines, stray_quotes),
    *(broken_letters, nul_bytes, twice),
)
ARCHIVE_DAMAGE = (truncated, flipped, filled)


# --- the text of settings -------------------------------------------------------------------------------------------

TOML_JUNK = (
    "", '""', '" "', "0", "-1", "180.5", "1e400", "nan", "inf", "true", "[]", "{}", '["a"]', "[1, 2]", "2025-03-01",
    "2025-13-01", "07:30:00", "1979-05-27T07:32:00Z", "9" * 5000, "10_000_000_000_000_000_000_000", "[" * 3000,
    '"%d/%m/%Y"', '"%d%d%m%Y"', '"%"', '"%Q"', '"%d/%m"', '"' + "x" * 50_000 + '"', '"\\u0000"', '"\\ud800"',
    "'''a\nb'''", '["2025-03-01", "2025-01-01"]', '["2025-03-01"]', '{ lid_seal = "x" }', "{ a = { b = { c = 1 } } }",
    '";"', "'\u202e'", "[[1]]", '"<script>zq()</script>"', "0x1F", "-0", "unquoted", '"never closed',
)  # fmt: skip
TOML_KEYS = ("", '""', "mission day", "lid_seal", '"\\n"', "a.b.c", "levels.site.words", "roles.protection", "x" * 5000)


def other_value(text: str, chance: Chance) -> str:
    lines = text.split("\n")
    typed = [i for i, line in enumerate(lines) if " = " in line]
    if typed:
        at = typed[chance.integers(len(typed))]
        lines[at] = f"{lines[at].partition(' = ')[0]} = {TOML_JUNK[chance.integers(len(TOML_JUNK))]}"
    return "\n".join(lines)


def other_key(text: str, chance: Chance) -> str:
    lines = text.split("\n")
    at = int(chance.integers(len(lines)))
    key = TOML_KEYS[chance.integers(len(TOML_KEYS))]
    if lines[at].startswith("["):
        lines[at] = f"[{key}]" if chance.random() < 0.5 else f"[[{key}]]"
    else:
        lines[at] = f"{key} = {lines[at].partition(' = ')[2] or 1}"
    return "\n".join(lines)


def moved_lines(text: str, chance: Chance) -> str:
    lines = text.split("\n")
    for _ in range(int(chance.integers(1, 5))):
        line = lines[chance.integers(len(lines))]
        if chance.random() < 0.5:
            lines.remove(line)
        lines.insert(int(chance.integers(len(lines) + 1)), line)
    return "\n".join(lines)


SETTINGS_DAMAGE = (other_value, other_value, other_key, moved_lines)
