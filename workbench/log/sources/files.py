"""Files: which files a path stands for, and the tables that each of them holds."""

import hashlib
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from os import PathLike
from pathlib import Path

from workbench.errors import LogError, UsageError
from workbench.filing import is_own_output
from workbench.log.cells import RawSheet, shown
from workbench.log.sources.columnar import read_parquet
from workbench.log.sources.opendocument import read_opendocument
from workbench.log.sources.textfiles import read_text_file
from workbench.log.sources.workbooks import read_workbook
from workbench.printing import visible

__all__ = ["SUFFIXES", "TEXT_SUFFIXES", "file_names", "find_files", "read_file", "refuse_other_kind"]

TEXT_SUFFIXES = (".csv", ".tsv", ".txt")
SUFFIXES = (*TEXT_SUFFIXES, ".xlsx", ".xlsm", ".ods", ".parquet")
"""Endings of the files that can be a log."""

_NOT_LOGS = ("requirements.txt",)
"""Names of files that lie in a season folder with the ending of a log and are none."""

_SIGNATURES = (
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"GIF8", "a picture"),
    (b"BM", "a picture"),
    (b"II*\0", "a picture"),
    (b"MM\0*", "a picture"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a zip archive, perhaps a workbook"),
    (b"\xd0\xcf\x11\xe0", "a workbook of the old .xls kind, or one protected by a password"),
    (b"PAR1", "a Parquet file"),
    (b"\x1f\x8b", "a compressed file"),
)
_EXPECTED = {".xlsx": b"PK", ".xlsm": b"PK", ".ods": b"PK", ".parquet": b"PAR1"}

PathInput = str | PathLike[str]


def find_files(path: PathInput | Iterable[PathInput]) -> tuple[list[Path], bool]:
    """Return the files that a path, a folder or a list of both stands for."""
    named = [path] if isinstance(path, str | PathLike) or not isinstance(path, Iterable) else list(path)
    for one in named:
        if not isinstance(one, str | PathLike):
            raise UsageError(f"a log is named by its path, or several by a list of paths; got {one!r}")
    given = [Path(one) for one in named]
    if not given:
        raise UsageError("no log was named; give a file, a folder or a list of files")
    found = [_inside(one) for one in given]
    return list(dict.fromkeys(file for files in found for file in files)), any(p.is_dir() for p in given)


def file_names(paths: Sequence[Path]) -> list[str]:
    """Return a name for each file to be read by: its own, with as many folders before it as tell it from the others."""
    names = [path.name for path in paths]
    for depth in range(2, 1 + max((len(path.absolute().parts) for path in paths), default=0)):
        count = Counter(names)
        longer = ["/".join(path.absolute().parts[-depth:]) for path in paths]
        names = [more if count[name] > 1 else name for name, more in zip(names, longer, strict=True)]
    return names


def _inside(path: Path) -> list[Path]:
    """The files that one path stands for."""
    try:
        if not path.is_dir():
            if path.exists():
                return [path]
            raise UsageError(f"there is no file or folder {path}; check the path")
        inside = sorted(p for p in path.iterdir() if p.suffix.lower() in SUFFIXES and not p.name.startswith((".", "~")))
        inside = [p for p in inside if p.name not in _NOT_LOGS]
    except OSError as error:
        raise UsageError(
            f"{shown(str(path))} cannot be opened ({error.strerror or error}); check the path and the right to read it"
        ) from None
    if not any(p.is_file() for p in inside):
        raise UsageError(f"the folder {path} holds no log; put one there ({', '.join(SUFFIXES)})")
    kept = [p for p in inside if p.is_file() and not is_own_output(p)]
    if not kept:
        raise UsageError(f"the folder {visible(path)} holds no log, only what this workbench wrote there")
    return kept


def read_file(path: Path, fit: Callable[[RawSheet], int]) -> tuple[list[RawSheet], str]:
    """Read the tables of one file."""
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise LogError(
            f"{path.name} ends in {suffix or 'nothing'}; a log is a file of {', '.join(SUFFIXES)}: save it as such"
        )
    try:
        data = path.read_bytes()
    except PermissionError:
        raise LogError(
            f"{path.name} cannot be opened; close it in the spreadsheet program, or ask for the right to read it"
        ) from None
    except OSError as error:
        raise LogError(f"{path.name} cannot be read ({error.strerror}); copy it to this machine and retry") from None
    refuse_other_kind(path.name, suffix, data)
    notes: tuple[str, ...] = ()
    if (path.parent / f"~${path.name}").exists() or (path.parent / f".~lock.{path.name}#").exists():
        notes = (f"{path.name} is open in a spreadsheet program; what is not saved there was not read.",)
    if suffix in TEXT_SUFFIXES:
        sheets = [read_text_file(path, data, fit)]
    elif suffix == ".parquet":
        sheets = [read_parquet(path, data)]
    else:
        sheets = (read_opendocument if suffix == ".ods" else read_workbook)(path, data)
    if not sheets:
        raise LogError(f"{path.name} is empty; a log needs a row of headings and one row per deployment")
    return [_with_notes(sheet, notes) for sheet in sheets], hashlib.sha256(data).hexdigest()


def _with_notes(sheet: RawSheet, notes: tuple[str, ...]) -> RawSheet:
    return replace(sheet, notes=(*notes, *sheet.notes)) if notes else sheet


def refuse_other_kind(name: str, suffix: str, data: bytes) -> None:
    """Refuse a file that is empty or not of the kind that its ending says."""
    if not data:
        raise LogError(f"{name} is empty; a log needs a row of headings and one row per deployment")
    expected = _EXPECTED.get(suffix)
    if expected and data.startswith(expected):
        return
    kind = next((kind for signature, kind in _SIGNATURES if data.startswith(signature)), "")
    if expected:
        raise LogError(f"{name} is not what its ending {suffix} says: it seems to be {kind or 'something else'}")
    if kind and (kind != "a picture" or b"\0" in data[:512]):
        raise LogError(f"{name} is no text table: it seems to be {kind}; give the log itself, with its right ending")
