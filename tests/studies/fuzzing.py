"""Study on demand: coverage-guided fuzzing of the cell converters, of text files and of the settings reader.

Run with `python -m tests.studies.fuzzing [SECONDS A TARGET] [TARGET ...]` (needs the package atheris, an extra for
contributors). Each target runs in a process of its own; a broken rule is printed with its input and fuzzing goes on.
Ends with 1 when any rule was broken.
"""

import datetime as dt
import json
import re
import subprocess
import sys
import tempfile
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

import atheris

with atheris.instrument_imports(include=["workbench.log", "workbench.checks", "tomllib", "csv", "_strptime"]):
    from tests.damage import LINE_ENDS
    from tests.spoiling import JUNK, TOML_JUNK
    from workbench.errors import LogError, SettingsError
    from workbench.log.cells.sheets import RawSheet, cell_text
    from workbench.log.dictionary.columns import Column, evidence_column, log_columns, visit_columns
    from workbench.log.dictionary.headings import fit_of, log_vocabulary
    from workbench.log.dictionary.settings import Settings, read_settings
    from workbench.log.rules.cleaning import Cleaned, clean, tidy
    from workbench.log.sources.textfiles import decode, read_text_file

__all__ = ["TARGETS", "main"]

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_data" / "lantern_moor_2025.csv"
FORMS = (None, "%d/%m/%Y", "%m/%d/%y", "%d %b %Y", "%B %d, %Y", "%d.%m.%y", "%Y%m%d", "%d/%m/%Y %H:%M")
PARTS = ["%d", "%m", "%Y", "%y", "%b", "%j", "%H", "%", "/", " ", "(", ""]
WAYS = [
    read_settings({"date_format": form, "decimal": mark, "levels": {"lid_seal": {"words": {"Ring": "o_ring"}}}})
    for form in FORMS
    for mark in ".,"
]
COLUMNS: tuple[Column, ...] = (*log_columns(), *visit_columns(), evidence_column("odd_smell"))
DATES = [c for c in COLUMNS if c.type == "date"][:1]
NUMBERS = [c for c in COLUMNS if c.type in ("number", "whole")]
CODES = [c for c in COLUMNS if c.type == "ip_code"]
WORDS = [c for c in COLUMNS if c.type in ("word", "yes_no", "text")]


# --- cells ----------------------------------------------------------------------------------------------------------


def _cell(data: Any) -> Any:
    """Any cell that a file can hold: mostly text."""
    kind = data.ConsumeIntInRange(0, 9)
    if kind == 0:
        return data.ConsumeInt(16)
    if kind == 1:
        return data.ConsumeFloat()
    if kind == 2:
        return data.ConsumeBool()
    if kind == 3:
        return dt.date.fromordinal(data.ConsumeIntInRange(1, dt.date.max.toordinal()))
    if kind == 4:
        return dt.datetime.min + dt.timedelta(seconds=data.ConsumeIntInRange(0, 315_537_897_599))
    return data.ConsumeUnicode(400) if kind == 5 else data.ConsumeUnicodeNoSurrogates(400)


def _cleaned(data: Any, columns: list[Column]) -> tuple[Any, Column, Settings, Cleaned]:
    settings = data.PickValueInList(WAYS)
    column = data.PickValueInList(columns)
    cell = _cell(data)
    found = clean(cell, column, settings)
    assert found == clean(cell, column, settings), "the same cell twice gives two answers"
    assert found.value is None or found.refusal is None
    if found.refusal:
        for sentence in found.refusal:
            assert sentence and sentence.isprintable() and len(sentence) < 1000, repr(sentence)
    return cell, column, settings, found


def dates(data: Any) -> None:
    """A date lies within the years that can be, is written again as it was read, and never stems from a number."""
    cell, column, settings, found = _cleaned(data, DATES)
    if found.value is None:
        return
    assert type(found.value) is dt.date and 1950 <= found.value.year <= 2200
    assert isinstance(cell, str | dt.date) or settings.date_format == "%Y%m%d"
    assert clean(found.value.isoformat(), column, settings).value == found.value
    if isinstance(cell, str) and not re.match(r"\d{4}-\d{2}-\d{2}", tidy(cell)):
        written = found.value.strftime(settings.date_format)
        assert clean(written, column, settings).value == found.value, written
        assert not tidy(cell).isdigit() or tidy(cell) == written, "digits in a row may be cut in two ways"


def numbers(data: Any) -> None:
    """A number is finite, within its column's limits, and reads again as itself."""
    cell, column, settings, found = _cleaned(data, NUMBERS)
    if found.value is None:
        return
    assert column.low <= found.value <= column.high and abs(found.value) != float("inf")
    assert type(found.value) is (int if column.type == "whole" else float) and not isinstance(cell, bool)
    assert clean(repr(found.value).replace(".", settings.decimal), column, settings).value == found.value


def codes(data: Any) -> None:
    """A code by IEC 60529 reads again as itself and begins with its letters."""
    _, column, settings, found = _cleaned(data, CODES)
    if found.value is not None:
        assert re.fullmatch(r"IP[0-6X][0-9X][A-D]?H?M?S?W?(/IP[0-6X][0-9X][A-D]?H?M?S?W?)*", found.value)
        assert clean(found.value, column, settings).value == found.value


def words(data: Any) -> None:
    """A word of a closed column is one of its words; any word is tidy and reads again as itself."""
    _, column, settings, found = _cleaned(data, WORDS)
    if found.value is None:
        return
    assert found.value and found.value == tidy(found.value)
    assert not column.is_closed or found.value in column.known_words
    if column.type == "yes_no":
        assert found.value in ("yes", "no") or found.value in column.known_words
    if found.value.casefold() not in settings.missing_words:
        assert clean(found.value, column, settings).value == found.value


# --- text files -----------------------------------------------------------------------------------------------------

VOCABULARY = log_vocabulary(Settings())


def texts(data: Any) -> None:
    """Bytes are a table or refused by name; every row has the number of a line, in order."""
    content = data.ConsumeBytes(data.remaining_bytes())
    results = []
    for _ in range(2):
        try:
            sheet: RawSheet | str = read_text_file(Path("log.csv"), content, lambda s: fit_of(s, VOCABULARY)[0])
        except LogError as error:
            sheet = str(error)
            assert sheet.startswith("log.csv") and "\n" not in sheet, repr(sheet)
        results.append(sheet if isinstance(sheet, str) else (sheet.rows, sheet.notes))
    assert results[0] == results[1]
    if isinstance(sheet, RawSheet):
        text, encoding = decode(content, "log.csv")
        assert encoding in ("UTF-8", "UTF-16", "cp1252")
        lines, numbers = len(LINE_ENDS.split(text)), [number for number, _ in sheet.rows]
        assert numbers == sorted(set(numbers)) and all(1 <= n <= lines for n in numbers)
        assert all(cell_text(cell) in text or '"' in text for _, row in sheet.rows for cell in row)


# --- settings -------------------------------------------------------------------------------------------------------


def _checked(read: Callable[[], Settings]) -> None:
    try:
        settings = read()
    except SettingsError as error:
        assert "\n" not in str(error) and len(str(error)) < 1500, repr(error)
        return
    echo = settings.as_dict()
    assert json.loads(json.dumps(echo)) == echo
    assert read_settings({k: v for k, v in echo.items() if v is not None}) == settings
    try:
        read_settings(echo | {"no_such_key": 1})
    except SettingsError:
        return
    raise AssertionError("an unknown key was taken")


def settings_text(data: Any) -> None:
    """A settings file is read, or refused in a sentence."""
    content = data.ConsumeBytes(data.remaining_bytes())
    target = Path(tempfile.gettempdir()) / "fuzzed_settings.toml"
    target.write_bytes(content)
    _checked(lambda: read_settings(target))


_NAMES = [*Settings.__dataclass_fields__, *(c.name for c in log_columns()), "words", "labels", "cost", "what", "choice"]


def _value(data: Any, depth: int = 0) -> Any:
    kind = data.ConsumeIntInRange(0, 12 if depth < 4 else 7)
    if kind >= 10:
        return {_key(data): _value(data, depth + 1) for _ in range(data.ConsumeIntInRange(0, 4))}
    if kind >= 8:
        return [_value(data, depth + 1) for _ in range(data.ConsumeIntInRange(0, 4))]
    makers: list[Callable[[], Any]] = [
        *(lambda: data.ConsumeUnicode(40), lambda: data.PickValueInList(_NAMES), lambda: data.ConsumeInt(8)),
        *(data.ConsumeFloat, data.ConsumeBool, lambda: dt.date.fromordinal(data.ConsumeIntInRange(1, 3_652_059))),
        *(lambda: None, lambda: "".join(data.PickValueInList(PARTS) for _ in range(4))),
    ]
    return makers[kind]()


def _key(data: Any) -> Any:
    return data.PickValueInList(_NAMES) if data.ConsumeProbability() < 0.9 else data.ConsumeUnicode(20)


def settings_table(data: Any) -> None:
    """Settings as a dict are read, or refused in a sentence; what is not a table too."""
    source = {_key(data): _value(data) for _ in range(data.ConsumeIntInRange(1, 4))}
    _checked(lambda: read_settings(source))


TARGETS: dict[str, Callable[[Any], None]] = {
    f.__name__: f for f in (dates, numbers, codes, words, texts, settings_text, settings_table)
}


# --- running --------------------------------------------------------------------------------------------------------


def _seeds(name: str, folder: Path) -> None:
    """What fuzzing starts from: the sample season, and odd cells and values."""
    if name == "settings_text":
        text = SAMPLE.with_suffix(".toml").read_text(encoding="utf-8")
        found = [text, *text.split("\n\n"), *(f"season = {v[:200]}" for v in TOML_JUNK)]
    elif name == "texts":
        lines = SAMPLE.read_text(encoding="utf-8").splitlines()[:6]
        found = ["\n".join(lines), "\n".join(line[:80] for line in lines), 'unit_id;outcome\r"A\n1";failed\r']
    else:
        found = [str(v)[:300] for v in JUNK] * 2 + ["IP67", "IPX5/IPX7", "IP66CH", "O-Ring", "-12.5", "+1,5e3", "no"]
        found += [dt.date(2025, 11, 1).strftime(settings.date_format or "%Y-%m-%d") for settings in WAYS]
    for number, text in enumerate(found):
        content = text.encode("utf-8", "replace")
        if name not in ("settings_text", "texts"):  # first the kind of text; numbers are taken from the end
            content = (
                b"\x01" + content + bytes([6, *([number] if name in ("numbers", "words") else []), number % len(WAYS)])
            )
        (folder / str(number)).write_bytes(content)


def _fuzz(name: str, seconds: int) -> None:
    """Run one target until its time is over; libFuzzer ends the process."""
    target = TARGETS[name]
    known: set[str] = set()

    def once(content: bytes) -> None:
        try:
            target(atheris.FuzzedDataProvider(content))
        except Exception as error:
            at = traceback.extract_tb(error.__traceback__)[-1]
            key = f"{type(error).__name__} {Path(at.filename).name}:{at.lineno}"
            if key not in known:
                known.add(key)
                print(f"FOUND {name}: {key}: {str(error)[:300]!r} with {content[:400]!r}", flush=True)

    with tempfile.TemporaryDirectory() as folder:
        _seeds(name, Path(folder))
        options = [f"-max_total_time={seconds}", "-print_final_stats=1", "-max_len=4096", "-verbosity=0"]
        atheris.Setup([sys.argv[0], *options, f"-artifact_prefix={folder}/", folder], once)
        atheris.Fuzz()


def main(seconds: str = "60", *names: str) -> int:
    """Fuzz each target so many seconds in a process of its own; 1 when a rule was broken."""
    broken = 0
    for name in names or TARGETS:
        command = [sys.executable, "-m", "tests.studies.fuzzing", "--one", name, seconds]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
        runs = re.search(r"number_of_executed_units:\s*(\d+)", done.stderr)
        covered = re.findall(r"cov: (\d+)", done.stderr)
        found = [line for line in done.stdout.splitlines() if line.startswith("FOUND")]
        print(f"{name:16s} {int(runs[1]) if runs else 0:>10,} executions, {len(found)} rules broken", *covered[-1:])
        print("\n".join(found) or (done.stderr[-800:] if done.returncode else ""), flush=True)
        broken += bool(found or done.returncode)
    return 1 if broken else 0


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        _fuzz(sys.argv[2], int(sys.argv[3]))
    sys.exit(main(*sys.argv[1:]))
