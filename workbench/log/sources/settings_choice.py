"""Settings choice: which settings belong to a log when none are named, and what to say about it."""

from collections.abc import Mapping
from contextlib import suppress
from os import PathLike
from pathlib import Path
from typing import Any

from workbench.log.dictionary import NO_SETTINGS, Settings, read_settings

__all__ = ["SETTINGS_NAME", "settings_beside", "settings_for"]

SETTINGS_NAME = "season.toml"


def settings_beside(log: Any) -> Path | None:
    """Return the settings that lie beside a log or in its folder: of the log's own name, else season.toml.

    Of several logs only settings that belong to each of them; those of one alone would judge the others.
    """
    if isinstance(log, list | tuple):
        found = {settings_beside(one) for one in log}
        return found.pop() if len(found) == 1 else None
    if not isinstance(log, str | PathLike):
        return None
    path = Path(log)
    with suppress(OSError, ValueError):  # whoever reads the path says what is wrong with it
        places = (path / SETTINGS_NAME,) if path.is_dir() else (path.with_suffix(".toml"), path.parent / SETTINGS_NAME)
        return next((place for place in places if place.is_file() and place != path), None)
    return None


def settings_for(
    log: Any, source: Settings | Mapping[str, Any] | str | PathLike[str] | None
) -> tuple[Settings, tuple[str, ...]]:
    """Return the settings to read a log with, and what to say when they were found beside it."""
    beside = settings_beside(log) if source is None else None
    if beside is None:
        return read_settings(source), ()
    return read_settings(beside), (f"settings: {beside.name} beside the log ('--settings {NO_SETTINGS}' ignores it).",)
