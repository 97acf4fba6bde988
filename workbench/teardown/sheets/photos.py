"""Photos: pictures of a unit re-encoded without metadata and made small, so that no place or person travels along."""

import base64
import io
import warnings
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from workbench.errors import LogError, UsageError
from workbench.log.cells import shown
from workbench.log.dictionary import log_columns

__all__ = ["LONGEST_SIDE", "PHOTO_COLUMNS", "Photo", "clean_photo", "missing_photos", "photo_uri", "photos_of"]

LONGEST_SIDE = 1_600
"""Pixels of the longer side at most."""

PHOTO_COLUMNS = ("photo_1", "photo_2", "photo_3", "photo_4")
"""Columns of the log that name picture files beside it."""

MOST_PIXELS = 120_000_000
"""Pictures with more pixels than this are refused: a file can claim to be larger than memory."""

_QUALITY = 82


@dataclass(frozen=True, kw_only=True)
class Photo:
    """A picture of a unit as it may be shown: JPEG without metadata, and in words what it is of."""

    column: str
    words: str
    data: bytes

    @property
    def uri(self) -> str:
        """The picture as a data address for HTML."""
        return "data:image/jpeg;base64," + base64.b64encode(self.data).decode("ascii")


def clean_photo(path: str | Path, *, longest_side: int = LONGEST_SIDE) -> bytes:
    """Read a picture and return it re-encoded as JPEG: upright, small, and without any metadata."""
    from PIL import Image, ImageOps

    place = Path(path)
    if not _is_file(place):
        raise UsageError(f"no picture at {shown(place.name)}; photo columns name files that lie beside the log")
    try:
        # the library warns of what is refused or left out here
        with warnings.catch_warnings(action="ignore"), Image.open(place) as opened:
            pixels = opened.width * opened.height
            if pixels > MOST_PIXELS:
                raise LogError(f"picture {place.name} has {pixels:,} pixels, which is too many; make it smaller")
            opened.draft("RGB", (longest_side, longest_side))
            upright = ImageOps.exif_transpose(opened).convert("RGB")
    except Image.DecompressionBombError:  # told from its header, before anything is decoded
        raise LogError(f"picture {place.name} has more pixels than can be shown; make it smaller") from None
    except (OSError, SyntaxError):
        raise LogError(f"{place.name} cannot be read as a picture; give JPEG, PNG or another common format") from None
    upright.thumbnail((longest_side, longest_side))
    bare = Image.new("RGB", upright.size)
    bare.paste(upright)
    target = io.BytesIO()
    bare.save(target, format="JPEG", quality=_QUALITY, optimize=True)
    return target.getvalue()


def _is_file(place: Path) -> bool:
    """Whether there is such a file; a text too long to be a name, or with a NUL in it, names none."""
    try:
        return place.is_file()
    except (OSError, ValueError):
        return False


def photo_uri(path: str | Path) -> str:
    """Return a picture as a data address for HTML, cleaned as `clean_photo` does."""
    return "data:image/jpeg;base64," + base64.b64encode(clean_photo(path)).decode("ascii")


def missing_photos(records: Iterable[Mapping[str, Any]], folder: str | Path) -> list[str]:
    """Name the photographs that a log names and that do not lie beside it, with the unit and the column."""
    home, found = Path(folder), []
    for record in records:
        for column in PHOTO_COLUMNS:
            name = record.get(column)
            if not isinstance(name, str) or not name.strip():
                continue
            there = False
            with suppress(OSError, ValueError):  # no file can have such a name
                there = (home / name.strip()).is_file()
            if not there:
                found.append(f"unit {record.get('unit_id')}: {column} names {shown(name.strip())}, which is not there.")
    return found


def photos_of(
    record: Mapping[str, Any], folder: str | Path, *, longest_side: int = LONGEST_SIDE
) -> tuple[list[Photo], list[str]]:
    """Return the cleaned pictures that a record names, and what is wrong with the others.

    A picture must lie beside the log or below it; a path that leads elsewhere is refused, so that a log cannot pull
    other files into a report.
    """
    home = Path(folder).resolve()
    pictures, troubles = [], []
    for column in PHOTO_COLUMNS:
        name = record.get(column)
        if not isinstance(name, str) or not name.strip():
            continue
        place = home / name.strip()
        with suppress(OSError, ValueError):  # no file has such a name, which is said below
            place = place.resolve()
        if not place.is_relative_to(home):
            troubles.append(f"{column}: the picture does not lie beside the log, so it is not shown.")
            continue
        try:
            data = clean_photo(place, longest_side=longest_side)
        except (UsageError, LogError) as error:
            troubles.append(f"{column}: {error}.")
        else:
            pictures.append(Photo(column=column, words=_words_of(column), data=data))
    return pictures, troubles


def _words_of(column: str) -> str:
    """What a picture of a column is of, as the dictionary says after its colon."""
    meaning = next(c.meaning for c in log_columns() if c.name == column)
    return meaning.partition(": ")[2].rstrip(".")
