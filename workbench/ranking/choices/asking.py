"""Asking: which choices of a log can be ranked, and which exposures are worth holding equal, by one stated rule."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.estimate.shared import text_levels
from workbench.lives import Lives
from workbench.log.season_log import Log
from workbench.ranking.model import LEAST_UNITS
from workbench.wording import join_words

__all__ = ["RankingQuestion", "question_of"]


@dataclass(frozen=True)
class RankingQuestion:
    """What to ask of a log: choices, exposures, reference levels, and sentences on what was left out and why."""

    choices: tuple[str, ...]
    adjust: tuple[str, ...]
    reference: Mapping[str, str]
    notes: tuple[str, ...]


def question_of(log: Log, lives: Lives, choices: Sequence[str] = (), *, adjust: Sequence[str] = ()) -> RankingQuestion:
    """Return the choices and exposures to rank a log by, where none are named.

    Choices: protection columns of which two levels are carried by at least 5 units each. Numbers among the protection
    columns (a thickness, a torque) have no levels to rank and are held equal, as numbers. Exposures: the environment,
    and every other exposure that differs between units of one site; what is the same for a whole site is in the term of
    the site. A number that is not recorded for every unit is left out. References are those declared in the settings.
    """
    notes: list[str] = []
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
            notes.append(f"Held equal as numbers, not ranked: {join_words(counted)}.")
    declared = log.settings.as_dict().get("reference") or {}
    reference = {}
    for name in wanted:
        base = declared.get(name)
        if base is None or name not in frame.columns:
            continue
        if _units(lives, name).get(str(base), 0) >= LEAST_UNITS:
            reference[name] = str(base)
        else:
            notes.append(
                f"{name}: the declared reference {base} is carried by fewer than {LEAST_UNITS} units, so the level "
                "carried by most units takes its place."
            )
    return RankingQuestion(tuple(wanted), tuple(held), reference, tuple(notes))


def _units(lives: Lives, name: str) -> dict[str, int]:
    levels, codes = text_levels(lives.covariates[name])
    counts = np.bincount(codes[codes >= 0], lives.weight[codes >= 0], len(levels))
    return {level: int(count) for level, count in zip(levels, counts, strict=True)}


def _rankable(lives: Lives, protections: Sequence[str], notes: list[str]) -> list[str]:
    known = [c for c in protections if c in lives.covariates.columns]
    enough = {c: sum(units >= LEAST_UNITS for units in _units(lives, c).values()) >= 2 for c in known}
    lone = [c for c in known if not enough[c]]
    if lone:
        notes.append(f"Not ranked for want of two levels of at least {LEAST_UNITS} units: {join_words(lone)}.")
    return [c for c in known if enough[c]]


def _worth_holding(lives: Lives, exposures: Sequence[str], notes: list[str]) -> list[str]:
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
        notes.append(f"Not held equal because some units lack it: {join_words(incomplete)}.")
    if of_site:
        notes.append(f"The same for all units of a site, and so part of its term: {join_words(of_site)}.")
    return held


def _is_number(column: pd.Series) -> bool:
    return pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column)


def _same_within_sites(frame: pd.DataFrame, name: str) -> bool:
    return bool((frame.groupby("site", observed=True)[name].nunique() <= 1).all())
