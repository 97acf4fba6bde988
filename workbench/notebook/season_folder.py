"""OpenedSeason: the log of a season folder, read and checked once, with everything that a notebook starts from."""

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from workbench.errors import UsageError
from workbench.lives import Lives
from workbench.log.season_log import read_log
from workbench.log.sources import find_files, settings_beside
from workbench.notebook.publishing import publish
from workbench.notebook.showing import show_results_by_themselves
from workbench.ranking.choices import RankingQuestion, question_of

__all__ = ["OpenedSeason", "open_season", "season_log"]


@dataclass(frozen=True, eq=False)
class OpenedSeason:
    """A checked log with the mission and, on demand, its lives.

    Attributes
    ----------
    log : Log
        As `workbench.read_log` returns it.
    mission : int
        Days a unit must last.
    mission_note : str
        Where the mission comes from.
    path, settings_path : Path
        The files; None where there are no settings.
    """

    log: Any
    mission: int
    mission_note: str
    path: Path
    settings_path: Path | None

    @cached_property
    def lives(self) -> Lives:
        """The lives of the log."""
        known: Lives = self.log.lives()
        return known

    @cached_property
    def question(self) -> RankingQuestion:
        """Which choices can be ranked, and which exposures are held equal."""
        return question_of(self.log, self.lives)

    @property
    def choices(self) -> list[str]:
        """Protection choices that can be ranked."""
        return list(self.question.choices)

    @property
    def exposures(self) -> list[str]:
        """Exposures that the ranking holds equal."""
        return list(self.question.adjust)


def season_log(folder: Path) -> Path:
    """Return what stands for the log of a season folder: its one log, or the folder where it holds several."""
    if not folder.is_dir():
        raise UsageError(f"{folder} is no folder")
    logs, _ = find_files(folder)
    return logs[0] if len(logs) == 1 else folder


def open_season(log: str | Path | None = None, *, settings: str | Path | None = None) -> OpenedSeason:
    """Read and check the log of this folder, and make results show themselves in the notebook."""
    path = Path(log) if log is not None else season_log(Path.cwd())
    found = Path(settings) if settings is not None else settings_beside(path)
    checked = read_log(path, found)
    days, note = checked.mission()
    show_results_by_themselves()
    text = f"{path.name}: {checked.rows} rows read, {checked.used} used, {checked.rows - checked.used} set aside. "
    text += f"Mission: {days} days" + (f" ({note})" if note else "") + "."
    digests = {name: digest for name, digest in checked.files}
    publish(
        {"text/plain": text},
        {"workbench": {"inputs": digests, "rows": checked.rows, "settings": _digest(found), "mission": days}},
    )
    return OpenedSeason(log=checked, mission=days, mission_note=note, path=path, settings_path=found)


def _digest(path: Path | None) -> str:
    import hashlib

    return hashlib.sha256(path.read_bytes()).hexdigest() if path is not None else "none"
