"""Build: a season's log in, a whole review out: both decks, the summary page, findings.json and the lists of rows."""

import importlib
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from threadpoolctl import threadpool_limits

from workbench.apart import both
from workbench.checks import check_positive
from workbench.errors import UsageError, WorkbenchError
from workbench.filing import Permit, check_folder, files_read, home_of, path_named, write_together
from workbench.log.dictionary import read_settings
from workbench.log.season_log import read_log
from workbench.log.sources import settings_beside
from workbench.report.basis import (
    Finding,
    SeasonData,
    csv_text,
    findings_from_json,
    findings_json,
    in_slide_order,
    set_aside_frame,
    versions_used,
)

if TYPE_CHECKING:
    from workbench.report.findings import SecondOpinion

__all__ = [
    "BUILDERS",
    "OUTPUTS",
    "Review",
    "gather_findings",
    "read_previous",
    "review",
    "season_data",
    "settle_findings",
    "write_review",
]

OUTPUTS = ("review.html", "summary.html", "review.pptx", "findings.json", "set_aside.csv", "ledger.csv")
"""Files of a review."""

BUILDERS = (
    "findings_last_good.last_good_findings",
    "findings_outcome.outcome_findings",
    "findings_life.life_findings",
    "findings_ranking.ranking_findings",
    "findings_teardown.teardown_findings",
    "previous.previous_findings",
    "findings_planning.planning_findings",
    "findings_aside.set_aside_findings",
)
"""Module and function in the room of findings; each takes a SeasonData and returns findings in their sections."""

WITHOUT_RANKING = ("findings_last_good", "findings_outcome", "findings_life", "previous")
"""Modules that ask nothing of the ranking, and are asked in another process while that is made."""
BESIDE_RANKING = ("findings_teardown", "findings_planning", "findings_aside")
"""Modules that are asked in another process while the ranking is told."""

DRAW_WITH = ("seaborn", "matplotlib.backends.backend_agg", "PIL.Image")
WRITE_WITH = ("pptx",)
"""Libraries of the pictures and the slides, slow to load: loaded while the other process has the longer work."""


@dataclass(frozen=True, kw_only=True)
class Review:
    """Where a review was written, and what it says.

    Attributes
    ----------
    html, summary, pptx, findings, set_aside, ledger : pathlib.Path
        The files.
    claims : tuple of Finding
        In slide order.
    withheld : tuple of str
        Sentences about findings that a second program did not confirm.
    rows_set_aside : int
        Rows of the log that were not used.
    said_first : tuple of str
        What must be known before any number of it is read; empty when there is nothing.
    """

    html: Path
    summary: Path
    pptx: Path
    findings: Path
    set_aside: Path
    ledger: Path
    claims: tuple[Finding, ...]
    withheld: tuple[str, ...]
    rows_set_aside: int
    said_first: tuple[str, ...]

    @property
    def headlines(self) -> tuple[str, ...]:
        """What the talk says, one headline per slide."""
        return tuple(claim.headline for claim in self.claims if claim.section == "talk")


def review(
    path: Any,
    out: Any,
    *,
    settings: Any = None,
    mission: float | None = None,
    seed: int = 0,
    previous: Any = None,
    locations: bool = False,
    replace_others: bool = False,
    progress: Callable[[str], None] | None = None,
) -> Review:
    """Turn a season's log into a review that can be shown.

    Parameters
    ----------
    path : path, list of paths, or Fleet
        Log file, folder, or several files; or a fleet that was read already, with its own settings.
    out : path
        Folder to write to; made when missing. What an earlier review left there is replaced only once all is made.
    settings : path or mapping, optional
        Season settings.
    mission : float, optional
        Days a unit must last; overrides the settings.
    seed : int
        Of everything drawn by chance.
    previous : path, optional
        Last season's log, or the findings.json of its review.
    locations : bool
        Whether positions, notes and names of picture files may appear in the outputs. Photographs of what lay inside
        are shown without the place that is written into them; those of the unit as mounted never are.
    replace_others : bool
        Whether files in the folder that no review wrote may be replaced; what is read never is.
    progress : function of one text, optional
        Called before each step that can take a while.

    Returns
    -------
    Review
        Paths of review.html, summary.html, review.pptx, findings.json, set_aside.csv and ledger.csv.

    Raises
    ------
    UsageError
        If the folder cannot be written to, or a path does not exist.
    LogError
        If the log cannot be read.
    WorkbenchError
        If the disk is full; the earlier review is left whole.
    """
    say = progress or (lambda _: None)
    permit = Permit(inputs=files_read(path, settings, previous), replace=replace_others)
    folder = check_folder(out, OUTPUTS, permit)
    say("reading the log")
    data = replace(season_data(path, settings=settings, mission=mission, seed=seed), locations=locations)
    if previous is not None:
        say("reading last season")
        data = replace(data, previous=read_previous(previous, data))
    claims, withheld = gather_findings(data, say)
    return write_review(data, claims, withheld, out=folder, locations=locations, permit=permit, say=say)


def write_review(
    data: SeasonData,
    claims: Sequence[Finding],
    withheld: Sequence[str],
    *,
    out: Any,
    locations: bool = False,
    permit: Permit | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> Review:
    """Draw and write a review of findings that were gathered already."""
    from workbench.report.decks import cover_slide, deck_html, deck_pptx, slides_of, summary_html, typed_slides

    given = permit or Permit()
    folder, versions = check_folder(out, OUTPUTS, given), versions_used()
    say("drawing figures")
    slides = slides_of(claims, cover_slide(data), typed_slides(data, versions), counts=data.counts_text)
    say("writing the review")
    title = f"{slides[0].section}: {slides[0].title}"

    def pages() -> dict[str, bytes]:
        return {
            "review.html": deck_html(slides, title).encode(),
            "summary.html": summary_html(claims, data).encode(),
            "findings.json": findings_json(data.log, data.settings, versions, findings=claims).encode(),
            "set_aside.csv": csv_text(set_aside_frame(data.log, locations=locations)).encode("utf-8-sig"),
            "ledger.csv": csv_text(data.log.ledger).encode("utf-8-sig"),
        }

    deck, others = both(lambda: deck_pptx(slides, title), pages)
    made = {**others, "review.pptx": deck}
    written = write_together(folder, {name: made[name] for name in OUTPUTS}, given)
    return Review(
        html=written["review.html"],
        summary=written["summary.html"],
        pptx=written["review.pptx"],
        findings=written["findings.json"],
        set_aside=written["set_aside.csv"],
        ledger=written["ledger.csv"],
        claims=tuple(claims),
        withheld=tuple(withheld),
        rows_set_aside=int(data.log.rows) - int(data.log.used),
        said_first=data.said_first,
    )


def season_data(path: Any, *, settings: Any = None, mission: float | None = None, seed: int = 0) -> SeasonData:
    """Read a log into what the builders of findings take."""
    if hasattr(path, "lives"):
        _refuse_late_settings(path, settings)
    log = path if hasattr(path, "lives") else read_log(path, settings)
    first = path[0] if isinstance(path, list | tuple) else path
    days, note = log.mission() if mission is None else (check_positive("mission", mission), "")
    return SeasonData(
        log=log,
        lives=log.lives(),
        mission=float(days),
        mission_note=note or "",
        seed=seed,
        settings=log.settings.as_dict(),
        home=home_of(first) if isinstance(first, str | os.PathLike) else None,
    )


def _refuse_late_settings(log: Any, settings: Any) -> None:
    """Refuse settings that a log already read knows nothing of."""
    if settings is not None and read_settings(settings) != log.settings:
        raise UsageError(
            "settings were given with a log that was read with other settings; read it with them, "
            "read_log(path, settings), or leave them out here"
        )


def gather_findings(data: SeasonData, say: Callable[[str], None] = lambda _: None) -> tuple[list[Finding], list[str]]:
    """Return all findings of a season in slide order, with those withheld that a second program did not confirm."""
    from workbench.report.decks import mission_finding
    from workbench.report.findings import second_opinions

    places = dict(place.split(".") for place in BUILDERS)
    builders = {
        module: getattr(importlib.import_module(f"workbench.report.findings.{module}"), function)
        for module, function in places.items()
    }
    _load(("scipy.stats",))  # of use to either process below, and slow to load in both

    def built(modules: Sequence[str]) -> dict[str, list[Finding]]:
        return {module: builders[module](data) for module in modules}

    def ranked() -> None:
        _load(DRAW_WITH)
        _ = data.ranking  # kept by the season

    def told_and_checked() -> tuple[dict[str, list[Finding]], list["SecondOpinion"]]:
        _load(WRITE_WITH)
        here = [module for module in builders if module not in (*WITHOUT_RANKING, *BESIDE_RANKING)]
        return built(here), second_opinions(data)

    # small matrices: threads cost more than they give, and their number would show in the last digits
    with threadpool_limits(limits=1):
        say("ranking")
        _, found = both(ranked, lambda: built(WITHOUT_RANKING))
        say("ranking, plan and second opinion")
        (told, checks), beside = both(told_and_checked, lambda: built(BESIDE_RANKING))
    found |= told | beside
    findings = [mission_finding(data), *(claim for module in builders for claim in found[module])]
    return settle_findings(data, findings, checks)


def _load(libraries: Sequence[str]) -> None:
    """Load libraries that later steps use."""
    for name in libraries:
        importlib.import_module(name)


def settle_findings(
    data: SeasonData, findings: Sequence[Finding], checks: "Sequence[SecondOpinion] | None" = None
) -> tuple[list[Finding], list[str]]:
    """Return findings in slide order with cautions, those withheld that a second computation does not confirm.

    The second computation is made here where its checks are not given.
    """
    from workbench.report.decks import caution_finding
    from workbench.report.findings import opinion_findings
    from workbench.report.talk import talk_findings

    with threadpool_limits(limits=1):
        kept, withheld = opinion_findings(data, list(findings), checks)
        kept = [*kept, caution_finding(data)]
        return in_slide_order([*talk_findings(data, kept), *kept]), withheld


def read_previous(path: Any, data: SeasonData) -> SeasonData | Sequence[Finding]:
    """Read last season, for the mission of this one."""
    source = path_named(path, "last season's log, or the findings.json of its review,")
    if not source.exists():
        raise UsageError(f"last season's {source} does not exist; give its log, or the findings.json of its review")
    if source.suffix.lower() == ".json":
        try:
            return findings_from_json(source.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError) as error:
            raise WorkbenchError(f"{source} cannot be read as findings.json: {error}") from None
    own = settings_beside(source)
    inherited = {
        k: v for k, v in data.settings.items() if k not in ("season", "window") and v not in (None, "", [], {})
    }
    return season_data(path, settings=own or inherited, mission=data.mission, seed=data.seed)
