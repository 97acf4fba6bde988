"""Setting keys: every key of season.toml with its meaning, its default and an example, read from settings.csv."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from workbench.log.dictionary.data_rows import data_rows

__all__ = ["SettingKey", "example_of", "setting_keys", "settings_reference"]


@dataclass(frozen=True, kw_only=True)
class SettingKey:
    """One key of season.toml; COLUMN in its name stands for any column."""

    key: str
    meaning: str
    default: str
    example: str


@cache
def setting_keys() -> tuple[SettingKey, ...]:
    """Return every key in the order in which a settings file holds them."""
    return tuple(SettingKey(**row) for row in data_rows("settings.csv"))


def example_of(key: str) -> str:
    """Return the example of a key on one line, for a sentence."""
    return " ".join(next(k for k in setting_keys() if k.key == key).example.split())


def settings_reference(keys: Sequence[SettingKey] | None = None) -> str:
    """Return the reference of some keys, all when not given, as text for people."""
    lines = ["Settings stand in season.toml beside the log. Every key may be left out.", ""]
    for key in setting_keys() if keys is None else keys:
        lines += [key.key, f"    {key.meaning}", f"    Default: {key.default}."]
        first, *more = key.example.split("\n")
        lines += [f"    Example: {first}", *(f"             {line}" for line in more)]
        lines.append("")
    return "\n".join(lines).rstrip() + "\n"
