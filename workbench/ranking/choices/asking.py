"""Asking: which choices of a log can be ranked, which count as looked at, and which was asked before the season?"""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from workbench.estimate.shared import text_levels
from workbench.lives import Lives
from workbench.log.dictionary import log_columns
from workbench.log.season_log import Log
from workbench.mentions import Mention, Sentence, listed
from workbench.ranking.model import LEAST_UNITS
from workbench.wording import join_words

__all__ = ["RankingQuestion", "choices_at_hand", "question_of"]


@dataclass(frozen=True)
class RankingQuestion:
    """What to ask of a log: choices, exposures, reference levels, and sentences on what was left out and why.

    `tried` are all choices that the log could be asked of, which count in the correction of p; `declared` is the choice
    whose question stood before the season, with its level or "", or empty.
    """

    choices: tuple[str, ...]
    adjust: tuple[str, ...]
    reference: Mapping[str, str]
    notes: tuple[Sentence, ...]
    tried: tuple[str, ...] = ()
    declared: Mapping[str, str] = field(default_factory=dict)


def question_of(log: Log, lives: Lives, choices: Sequence[str] = (), *, adjust: Sequence[str] = ()) -> RankingQuestion:
    """Return the choices and exposures to rank a log by, where none are named.

    Choices: protection columns of which two levels are carried by at least 5 units each. Numbers among the protection
    columns (a thickness, a torque) have no levels to rank and are held equal, as numbers. Exposures: the environment,
    and every other exposure that differs between units of one site; what is the same for a whole site is in the term of
    the site. A number that is not recorded for every unit is left out. References are those declared in the settings.
    """
    notes: list[Sentence] = []
    frame = lives.covariates
    protections = [c for c in log.columns_of("protection") if c in frame.columns]
    numbers = [c for c in protections if _is_number(frame[c])]
    wanted = list(choices) or _rankable(lives, [c for c in protections if c not in numbers], notes)
    held = list(adjust)
    if not held:
        exposures = [c for c in (*log.columns_of("exposure"), *numbers) if c in frame.columns and c not in wanted]
        held = _worth_holding(lives, exposures, notes)
        counted = [c for c in numbers if c in held]
        if counted:
            notes.append(_said_of("Held equal as numbers, not ranked", counted))
    declared = log.settings.as_dict().get("reference") or {}
    reference = {}
    for name in wanted:
        base = declared.get(name)
        if base is None or name not in frame.columns:
            continue
        if _units(lives, name).get(str(base), 0) >= LEAST_UNITS:
            reference[name] = str(base)
        else:
            few = f" is carried by fewer than {LEAST_UNITS} units, so the level carried by most units takes its place."
            declared_level = Mention(name, str(base), alone=True)
            notes.append(Sentence(Mention(name), ": the declared reference ", declared_level, few))
    tried = tuple(dict.fromkeys([*wanted, *_rankable(lives, [c for c in protections if c not in numbers], [])]))
    declared = _declared(log, lives, wanted, notes=notes)
    reference |= _set_against(lives, declared, reference)
    return RankingQuestion(tuple(wanted), tuple(held), reference, tuple(notes), tried, declared)


def choices_at_hand(lives: Lives) -> tuple[str, ...]:
    """Return the protection choices of the dictionary that lives could be ranked by, whether or not anybody asks.

    Whoever has the lives can look at all of them, so all count in the correction of p.
    """
    known = [c.name for c in log_columns() if c.role == "protection" and c.name in lives.covariates.columns]
    return tuple(_rankable(lives, [c for c in known if not _is_number(lives.covariates[c])], []))


def _said_of(words: str, columns: Sequence[str]) -> Sentence:
    return Sentence(f"{words}: ", listed([Mention(column) for column in columns]), ".")


def _declared(log: Log, lives: Lives, choices: Sequence[str], *, notes: list[Sentence]) -> dict[str, str]:
    """The choice that the settings declare, with its level, where it is ranked and stood before the season began."""
    asked = log.settings.question
    if not asked or asked["choice"] not in choices:
        return {}
    choice, level = asked["choice"], asked.get("level", "")
    named = Mention(choice, level)
    if level and _units(lives, choice).get(level, 0) < LEAST_UNITS:
        few = f" cannot be asked: fewer than {LEAST_UNITS} units carry that level."
        notes.append(Sentence("The question of ", named, few))
        return {}
    if level and log.settings.reference.get(choice) == level:
        of_all = Mention(choice)
        notes.append(Sentence(named, " is the reference, so the question is asked of all levels of ", of_all, "."))
        level, named = "", of_all
    late = _too_late(log, lives, asked.get("since", ""))
    if late:
        notes.append(Sentence("The question of ", named, f" is corrected like all others: {late}."))
        return {}
    alone = (
        f" stands since {asked['since']}, before these lives, so it is tested first and alone; all other choices are "
        "corrected for everything looked at."
    )
    notes.append(Sentence("The question of ", named, alone))
    return {choice: level}


def _set_against(lives: Lives, declared: Mapping[str, str], reference: Mapping[str, str]) -> dict[str, str]:
    """What a declared level is compared with where most units carry it: the level carried by most of the others."""
    found = {}
    for choice, level in declared.items():
        others = {v: n for v, n in _units(lives, choice).items() if v != level}
        if level and choice not in reference and _units(lives, choice)[level] >= max(others.values(), default=0):
            found[choice] = max(sorted(others), key=lambda v: others[v])
    return found


def _too_late(log: Log, lives: Lives, since: str) -> str:
    """Why a question may have been drawn from the lives that are to answer it, or ""."""
    if not since:
        return "the settings do not say since when it stands"
    frame = lives.covariates
    try:
        day = dt.date.fromisoformat(since)
    except ValueError:
        own = frame["season"].dropna().astype(str).unique().tolist() if "season" in frame.columns else []
        seasons = sorted(own or filter(None, [log.settings.season]))
        if not seasons:
            return "no season is recorded to compare it with"
        before = [s for s in seasons if s != since and not (s.isdigit() and since.isdigit() and int(s) > int(since))]
        return f"it stands since {since}, and lives of {join_words(before)} are among those asked" if before else ""
    first = frame["deployed_on"].min() if "deployed_on" in frame.columns else None
    if first is None or first != first:
        return "no day of deployment is recorded to compare it with"
    return "" if day <= first.date() else f"it stands since {since}, and units were put out from {first.date()} on"


def _units(lives: Lives, name: str) -> dict[str, int]:
    levels, codes = text_levels(lives.covariates[name])
    counts = np.bincount(codes[codes >= 0], lives.weight[codes >= 0], len(levels))
    return {level: int(count) for level, count in zip(levels, counts, strict=True)}


def _rankable(lives: Lives, protections: Sequence[str], notes: list[Sentence]) -> list[str]:
    known = [c for c in protections if c in lives.covariates.columns]
    enough = {c: sum(units >= LEAST_UNITS for units in _units(lives, c).values()) >= 2 for c in known}
    lone = [c for c in known if not enough[c]]
    if lone:
        notes.append(_said_of(f"Not ranked for want of two levels of at least {LEAST_UNITS} units", lone))
    return [c for c in known if enough[c]]


def _worth_holding(lives: Lives, exposures: Sequence[str], notes: list[Sentence]) -> list[str]:
    frame = lives.covariates
    held, incomplete, of_site = [], [], []
    for name in exposures:
        column = frame[name]
        if column.nunique() < 2:
            continue
        if _is_number(column) and column.isna().any():
            incomplete.append(name)
        elif name != "environment" and "site" in frame.columns and _same_within_sites(frame, name):
            of_site.append(name)
        else:
            held.append(name)
    if incomplete:
        notes.append(_said_of("Not held equal because some units lack it", incomplete))
    if of_site:
        notes.append(_said_of("The same for all units of a site, and so part of its term", of_site))
    return held


def _is_number(column: pd.Series) -> bool:
    return pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column)


def _same_within_sites(frame: pd.DataFrame, name: str) -> bool:
    return bool((frame.groupby("site", observed=True)[name].nunique() <= 1).all())
