"""How does a file reach the disk whole, and which files may be replaced?

A file is written aside, flushed to the disk and moved into place, by one run at a time in a folder. What this workbench
wrote is listed, with its digest, in a file `.workbench.json` beside it: only such a file, unchanged since, is replaced
without being asked. What a command reads is never replaced.
"""

import hashlib
import json
import os
import shutil
import stat
import tempfile
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from workbench.errors import UsageError, WorkbenchError
from workbench.one_writer import writing_alone
from workbench.printing import visible

__all__ = [
    "BESIDE_A_LOG",
    "MANIFEST",
    "Permit",
    "check_folder",
    "check_target",
    "files_read",
    "home_of",
    "is_own_output",
    "new_file",
    "own_files",
    "path_named",
    "write_file",
    "write_together",
]

MANIFEST = ".workbench.json"
BESIDE_A_LOG = ("records.csv", "teardowns.csv", "visits.csv")
"""Tables that are read with every log beside which they lie."""

_ASIDE = ".workbench-"
_LEFT_BEHIND = 3600.0
_PRIVATE = 0o600


@dataclass(frozen=True)
class Permit:
    """What may be replaced: never an input, one's own files always, others when `replace` says so.

    Attributes
    ----------
    inputs : tuple of Path
        Files that this run reads.
    replace : bool
        Whether files that this workbench did not write may be replaced.
    private : bool
        Whether new files are their owner's alone.
    feeds : bool
        Whether what is written is meant to be read as a log (a blank log, a table of records), not passed over.
    listed : bool
        Whether what is written is listed as this workbench's own; a copy of a person's file is not.
    """

    inputs: tuple[Path, ...] = ()
    replace: bool = False
    private: bool = False
    feeds: bool = False
    listed: bool = True


def own_files(folder: Path) -> dict[str, str]:
    """Return the names and digests of the files in a folder that this workbench wrote."""
    return _listed(folder, "files")


def is_own_output(path: Path) -> bool:
    """Whether a file is an answer of this workbench, unchanged, and so no part of a log."""
    if path.name in _listed(path.parent, "feeds"):
        return False
    try:
        return path.name in own_files(path.parent) and _is_unchanged(path)
    except OSError:
        return False


def _is_unchanged(path: Path) -> bool:
    """Whether a listed file is as it was written, or, where a run was killed before it moved, as the time before."""
    known = [_listed(path.parent, part).get(path.name) for part in ("files", "earlier")]
    return path.is_file() and not path.is_symlink() and _digest(path) in known


def _listed(folder: Path, part: str) -> dict[str, str]:
    try:
        listed = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    files = listed.get(part) if isinstance(listed, dict) else None
    return {str(k): str(v) for k, v in files.items()} if isinstance(files, dict) else {}


def home_of(log: str | os.PathLike[str]) -> Path:
    """Return the folder in which a log lies, with its pictures, data files and what was entered beside it."""
    place = Path(log)
    return place if place.is_dir() else place.parent


def files_read(*named: Any) -> tuple[Path, ...]:
    """Return the files that a run reads, with what folders hold and the settings beside a log; mappings are none."""
    found: list[Path] = []
    for value in named:
        for one in value if isinstance(value, list | tuple) else [value]:
            if not isinstance(one, str | os.PathLike):
                continue
            path = Path(one)
            with suppress(OSError, ValueError):  # whoever reads the path says what is wrong with it
                folder = home_of(path)
                if path.is_dir():
                    found += [p for p in sorted(path.iterdir()) if p.is_file() and not is_own_output(p)]
                found += [path, folder / "season.toml", path.with_suffix(".toml")]
                found += [folder / name for name in BESIDE_A_LOG]
    return tuple(found)


def path_named(given: Any, what: str) -> Path:
    """Return what was given as a path, when it is one."""
    if not isinstance(given, str | os.PathLike):
        raise UsageError(f"{what} is named by its path; got a value of type {type(given).__name__}")
    return Path(given)


def check_target(target: Any, endings: Iterable[str], permit: Permit) -> Path:
    """Return the path to write to, when it may be written."""
    path, endings = path_named(target, "a file to write"), tuple(endings)
    if path.suffix.lower() not in endings:
        raise UsageError(f"{visible(path)} must end in {' or '.join(endings)}")
    try:
        if not path.parent.is_dir():
            raise UsageError(f"there is no folder {visible(path.parent)}; make it first")
        if path.is_dir():
            raise UsageError(f"{visible(path)} is a folder; name a file in it")
        with tempfile.TemporaryFile(dir=path.parent):
            pass
        _refuse_replacing(path, permit)
    except UsageError:
        raise
    except (OSError, ValueError) as error:
        raise UsageError(f"{_shortened(path)} cannot be written ({_reason(error)}); name another file") from None
    return path


def check_folder(out: Any, names: Iterable[str], permit: Permit) -> Path:
    """Return the output folder when the named files can be written there; nothing is left behind by asking."""
    folder = path_named(out, "a folder to write to")
    try:
        if folder.exists() and not folder.is_dir():
            raise UsageError(f"{visible(folder)} is a file; give a folder to write to")
        there = next(place for place in (folder, *folder.absolute().parents) if place.exists())
        with tempfile.TemporaryFile(dir=there):
            pass
        for name in names:
            if (folder / name).is_dir():
                raise UsageError(f"{visible(folder / name)} is a folder; choose another folder to write to")
            _refuse_replacing(folder / name, permit)
    except UsageError:
        raise
    except (OSError, ValueError) as error:
        raise UsageError(f"cannot write to {_shortened(folder)}: {_reason(error)}; choose another folder") from None
    return folder


def write_file(path: Path, data: bytes, permit: Permit) -> Path:
    """Write a file whole or not at all, and list it as written here."""
    with new_file(path, permit) as aside, open(aside, "wb") as stream:
        stream.write(data)
    return path


@contextmanager
def new_file(path: Path, permit: Permit) -> Iterator[Path]:
    """Hand out a file aside to write to; it moves into place when the block ends well."""
    aside = None
    try:
        _refuse_replacing(path, permit)
        aside = _made_aside(path, permit)
        yield aside
        _flush(aside)
        with writing_alone(path.parent):
            _refuse_replacing(path, permit)
            if permit.listed:
                _list(path.parent, {path.name: _digest(aside)}, feeds=permit.feeds)
            os.replace(aside, path)
    except OSError as error:
        raise UsageError(
            f"{_shortened(path)} cannot be written ({_reason(error)}); what was there before is unchanged: close it "
            "where it is open, or name another place"
        ) from None
    finally:
        if aside is not None:
            with suppress(OSError):  # a disk that refuses this too must not hide why
                aside.unlink(missing_ok=True)


def write_together(folder: Path, contents: Mapping[str, bytes], permit: Permit) -> dict[str, Path]:
    """Write all files aside, then move them into place; what was there comes back if a move fails."""
    aside = None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _sweep(folder)
        for name in contents:
            _refuse_replacing(folder / name, permit)
        aside = Path(tempfile.mkdtemp(prefix=_ASIDE, dir=folder))
        for name, data in contents.items():
            _write_through(aside / name, data)
        digests = {name: hashlib.sha256(data).hexdigest() for name, data in contents.items()}
        with writing_alone(folder):
            for name in contents:
                _refuse_replacing(folder / name, permit)
            # the list first: it knows the old files and the new ones, whatever a killed run leaves
            _write_through(aside / MANIFEST, _manifest(folder, digests, feeds=False))
            _move_into_place(aside, folder, [MANIFEST, *contents])
    except OSError as error:
        raise WorkbenchError(
            f"nothing could be written to {_shortened(folder)}: {_reason(error)}; what was there before is unchanged"
        ) from None
    finally:
        if aside is not None:
            shutil.rmtree(aside, ignore_errors=True)
    return {name: folder / name for name in contents}


def _refuse_replacing(path: Path, permit: Permit) -> None:
    """Refuse to replace an input, or what somebody else wrote or changed."""
    if not path.exists():
        return
    if any(other.exists() and path.samefile(other) for other in permit.inputs):
        raise UsageError(f"{visible(path)} is read by this command and is never replaced; name another file")
    if permit.replace:
        return
    if path.name not in own_files(path.parent):
        raise UsageError(
            f"{visible(path)} exists already and was not written by this workbench; name another place, move it away, "
            "or say --replace"
        )
    if not _is_unchanged(path):
        raise UsageError(
            f"{visible(path)} was changed since it was written; name another place, move it away, or say --replace"
        )


def _made_aside(path: Path, permit: Permit) -> Path:
    mode = stat.S_IMODE(path.stat().st_mode) if path.exists() else (_PRIVATE if permit.private else 0o666)
    _sweep(path.parent)
    aside = path.with_name(f"{_ASIDE}{os.urandom(6).hex()}{path.suffix}")
    # the system takes from these rights what the person's own mask forbids
    os.close(os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode))
    if path.exists():
        with suppress(PermissionError):  # a disk may know no permissions
            aside.chmod(mode)
    return aside


def _write_through(path: Path, data: bytes) -> None:
    """Write a file until it is on the disk itself."""
    with open(path, "wb") as target:
        target.write(data)
        target.flush()
        os.fsync(target.fileno())


def _flush(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _manifest(folder: Path, digests: Mapping[str, str], *, feeds: bool) -> bytes:
    before = _listed(folder, "files")
    parts = {"earlier": {name: before[name] for name in digests if name in before}}
    for part, new in (("files", digests), ("feeds", digests if feeds else {})):
        known = {n: d for n, d in _listed(folder, part).items() if n not in digests and (folder / n).exists()}
        parts[part] = {**known, **new}
    return json.dumps({"written by": "workbench", **parts}, indent=1, sort_keys=True).encode()


def _list(folder: Path, digests: Mapping[str, str], *, feeds: bool) -> None:
    """List what was written; where that fails the files stand all the same, and are asked about next time."""
    aside = folder / f"{_ASIDE}{os.urandom(6).hex()}.json"
    with suppress(OSError):
        aside.write_bytes(_manifest(folder, digests, feeds=feeds))
        os.replace(aside, folder / MANIFEST)
    with suppress(OSError):
        aside.unlink(missing_ok=True)


def _sweep(folder: Path) -> None:
    """Remove what a run left behind that was killed; one that may still be running is let alone."""
    for left in folder.glob(f"{_ASIDE}*"):
        with suppress(OSError):  # another run may be sweeping too
            if time.time() - left.stat().st_mtime <= _LEFT_BEHIND:
                continue
            if left.is_dir():
                shutil.rmtree(left, ignore_errors=True)
            else:
                left.unlink(missing_ok=True)


def _move_into_place(aside: Path, folder: Path, names: list[str]) -> None:
    """Replace each file in one step, so that none is ever missing; what was there is copied before the first."""
    kept = aside / "before"
    kept.mkdir()
    for name in names:
        if (folder / name).exists():
            shutil.copy2(folder / name, kept / name)
    done = False
    try:
        for name in names:
            os.replace(aside / name, folder / name)
        done = True
    finally:  # also after an interruption from the keyboard
        for name in () if done else names:
            if (aside / name).exists():  # never moved
                continue
            if (kept / name).exists():
                os.replace(kept / name, folder / name)
            else:
                (folder / name).unlink(missing_ok=True)


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _reason(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error)


def _shortened(path: Path) -> str:
    text = visible(path)
    return text if len(text) <= 120 else f"{text[:60]}…{text[-40:]}"
