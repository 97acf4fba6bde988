"""Which files hold the readings of which unit, and which of their columns are understood?"""

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

from workbench.errors import LogError, UsageError
from workbench.log.cells import cell_text, shown
from workbench.log.dictionary import Settings, Vocabulary, record_columns, word_key
from workbench.log.sources import best_delimiter, encodings_of

__all__ = ["ENDINGS", "RECORDS_FOLDER", "UNIT_PATTERN", "DataFile", "find_data_files"]

ENDINGS = (".csv", ".tsv", ".txt", ".parquet")
RECORDS_FOLDER = "records"
"""Name of the folder beside a log that is looked into when none is named."""

UNIT_PATTERN = "{unit}"
"""What the name of a data file is, without its ending, when the settings do not say."""

_HEAD = 1 << 16


@dataclass(frozen=True, kw_only=True)
class DataFile:
    """One file of readings.

    Attributes
    ----------
    path : Path
        Where it lies.
    unit : str
        The unit whose readings it holds; "" where a column says so.
    headings : mapping of str to str
        Understood column to its heading in the file.
    delimiter, encoding : str
        Of a text table.
    """

    path: Path
    unit: str
    headings: Mapping[str, str]
    delimiter: str = ","
    encoding: str = "utf-8"


def find_data_files(
    folder: str | Path, settings: Settings, units: Collection[str]
) -> tuple[list[DataFile], list[str], int]:
    """Return the files that can be read, what is wrong with the others as sentences, and how many there were."""
    place = Path(folder)
    try:
        inside = [place] if place.is_file() else sorted(p for p in place.iterdir() if p.is_file())
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise UsageError(f"{shown(str(folder))} cannot be opened ({why}); name the folder of the data files") from None
    named = [p for p in inside if p.suffix.lower() in ENDINGS and not p.name.startswith((".", "~"))]
    if not named:
        raise UsageError(f"{shown(str(folder))} holds no data file (looked for {', '.join(ENDINGS)})")
    found: list[DataFile] = []
    troubles: list[str] = []
    for path in named:
        try:
            found.append(_understood(path, settings, units))
        except LogError as error:
            troubles.append(str(error))
    return found, troubles, len(named)


def _understood(path: Path, settings: Settings, units: Collection[str]) -> DataFile:
    words = _vocabulary(settings)
    if path.suffix.lower() == ".parquet":
        delimiter, encoding, names = ",", "utf-8", _parquet_names(path)
    else:
        with path.open("rb") as data:
            head = data.read(_HEAD)
        encoding, text = _decoded(head, path.name)
        delimiter = best_delimiter(text, path.name, lambda sheet: _fit(sheet.rows[0][1] if sheet.rows else (), words))
        names = [name.strip().strip('"') for name in (text.splitlines() or [""])[0].split(delimiter)]
    fields = {words.field_of(name): name for name in reversed(names) if words.field_of(name)}
    if "recorded_at" not in fields:
        listed = ", ".join(shown(n, 24) for n in names[:6])
        advice = 'name it in the settings, such as [records] time = "Logged at"'
        raise LogError(f"{path.name}: no column of times among {listed}; {advice}")
    unit = "" if "unit_id" in fields else _unit_of(path, settings, units)
    return DataFile(path=path, unit=unit, headings=fields, delimiter=delimiter, encoding=encoding)


def _vocabulary(settings: Settings) -> Vocabulary:
    """The dictionary's headings, and before them those that the settings name."""
    columns = {c.name: c for c in record_columns()}
    keys = {key: c.name for c in reversed(record_columns()) for key in c.heading_keys}
    fields = {"unit": "unit_id", "time": "recorded_at"} | {
        c.removesuffix("_v").removesuffix("_inside"): c for c in columns
    }
    for name, heading in settings.records.items():
        if name in fields:
            keys = {k: f for k, f in keys.items() if f != fields[name]} | {word_key(heading): fields[name]}
    return Vocabulary(columns=columns, keys=keys)


def _fit(cells: tuple[object, ...], words: Vocabulary) -> int:
    return len({words.field_of(cell_text(cell)) for cell in cells if isinstance(cell, str)} - {""})


def _decoded(head: bytes, name: str) -> tuple[str, str]:
    for encoding in encodings_of(head):
        try:
            return encoding, head.decode("utf-8-sig" if encoding == "UTF-8" else encoding)
        except UnicodeDecodeError as error:
            if encoding == "UTF-8" and error.start > len(head) - 4:  # a character cut in two where the head ends
                return encoding, head.decode("utf-8-sig", "ignore")
    raise LogError(f"{name} is no text that can be read; save it as UTF-8")


def _parquet_names(path: Path) -> list[str]:
    from pyarrow import ArrowException, parquet

    try:
        return list(parquet.read_schema(path).names)
    except (ArrowException, OSError, ValueError):
        raise LogError(f"{path.name} is no whole Parquet file; copy it again from where it was made") from None


def _unit_of(path: Path, settings: Settings, units: Collection[str]) -> str:
    pattern = settings.records.get("file_name", UNIT_PATTERN)
    parts = [re.escape(part).replace(r"\*", ".*") for part in pattern.split(UNIT_PATTERN)]
    found = re.fullmatch("(?P<unit>.+?)".join(parts), path.stem, re.IGNORECASE)
    if found is None:
        raise LogError(f"{path.name} does not fit the pattern {pattern!r}; correct file_name under [records]")
    name = found["unit"]
    known = {unit.casefold(): unit for unit in units}
    if name.casefold() in known:
        return known[name.casefold()]
    inside = [u for u in units if re.search(rf"(?<![A-Za-z0-9]){re.escape(u)}(?![A-Za-z0-9])", name, re.IGNORECASE)]
    if len(inside) != 1:
        raise LogError(
            f"{path.name}: the log has no unit {shown(name)}; correct it, or say in the settings where it stands: "
            f'[records] file_name = "dump_{UNIT_PATTERN}_*"'
        )
    return inside[0]
