"""OpenedSeason: the log of a season folder, read and checked once, with everything that a notebook starts from."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from workbench.errors import UsageError
from workbench.lives import Lives
from workbench.log.season_log import read_log
from workbench.log.sources import find_files, settings_beside
from workbench.notebook.page import page_of
from workbench.notebook.publishing import publish
from workbench.notebook.self_checks import CheckList
from workbench.notebook.showing import Answers, show_results_by_themselves
from workbench.ranking.choices import RankingQuestion, question_of
from workbench.report.basis import Finding, SeasonData, season_choice
from workbench.report.making import season_data

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
    check : CheckList
        Called with a statement and whether it holds; `check.show()` counts them.
    """

    log: Any
    mission: int
    mission_note: str
    path: Path
    settings_path: Path | None
    check: CheckList = field(default_factory=CheckList)

    @cached_property
    def lives(self) -> Lives:
        """The lives of the log."""
        known: Lives = self.log.lives()
        return known

    @cached_property
    def data(self) -> SeasonData:
        """What builders of findings take."""
        return season_data(self.log)

    @cached_property
    def choice(self) -> str:
        """The protection choice that this season is about: named in the settings, else first in the ranking."""
        return season_choice(self.data)

    def answers(self, builder: Callable[..., Sequence[Finding]], *more: Any, **options: Any) -> Answers:
        """Return the findings that a builder makes of this season, by their ids."""
        return Answers(builder(self.data, *more, **options))

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
        {"text/plain": text, "text/html": page_of(sentences=[text])},
        {"workbench": {"inputs": digests, "rows": checked.rows, "settings": _digest(found), "mission": days}},
    )
    return OpenedSeason(log=checked, mission=days, mission_note=note, path=path, settings_path=found)


def _digest(path: Path | None) -> str:
    import hashlib

    return hashlib.sha256(path.read_bytes()).hexdigest() if path is not None else "none"
