"""What of a season waits for somebody, where does each notebook stand, what is claimed, and how are answers read?"""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from workbench.errors import WorkbenchError
from workbench.estimate.shared import proportion_interval
from workbench.lives import UNDETERMINED
from workbench.log.dictionary import setting_keys
from workbench.notebook.comparing import compare_outputs, inputs_of, outputs_of
from workbench.notebook.log_changes import ACCEPTED
from workbench.notebook.page import page_of, table_text
from workbench.notebook.publishing import publish
from workbench.notebook.running import GLANCE, find_notebooks, outputs_problem, read_notebook
from workbench.notebook.season_folder import OpenedSeason
from workbench.ranking.choices import Ranking
from workbench.ranking.mission import MissionSkill
from workbench.report.basis import Finding
from workbench.report.figures import Dots, Stacks
from workbench.report.words import shown_name
from workbench.wording import (
    NOT_KNOWN,
    SUPPORTED_GRADES,
    Amount,
    Grade,
    count_of,
    interval_text,
    join_words,
    percent_text,
)

__all__ = [
    "attention",
    "claims_shown",
    "curve_in_words",
    "grades_counted",
    "known_of_rows",
    "limits_by_units",
    "settings_shown",
    "skill_in_words",
    "skill_shown",
    "standings",
]

KINDS = {"exact": "failed on a known day", "interval": "failed between two days", "suspended": "not seen to fail"}
"""Kinds of lives in words."""


def attention(season: OpenedSeason) -> pd.DataFrame:
    """Return what of a season waits for somebody, with the notebook that shows it; empty when nothing does."""
    log, lives = season.log, season.lives
    values = sum(problem.scope == "value" for problem in log.all_problems)
    failed, opened = log.records["outcome"].astype(str) == "failed", pd.Series(False, index=log.records.index)
    if "opened_on" in log.records.columns:
        opened = log.records["opened_on"].notna()
    missing = int((log.records["outcome"].astype(str) == "missing").sum())
    unknown = 0 if lives.cause is None else int((pd.Series(lives.cause)[lives.failed] == UNDETERMINED).sum())
    found = [
        (log.rows_set_aside, "row set aside", "rows set aside", "correct the spreadsheet", "01_intake"),
        (values, "cell not used", "cells not used", "correct the spreadsheet", "01_intake"),
        (
            int((failed & ~opened).sum()),
            "failed unit not opened",
            "failed units not opened",
            "open them",
            "04_teardown",
        ),
        (unknown, "failure without a mechanism", "failures without a mechanism", "look again", "04_teardown"),
        (missing, "unit missing", "units missing", "they widen every limit", "01_intake"),
    ]
    rows = [(count_of(n, one, many), remedy, place) for n, one, many, remedy, place in found if n]
    said = [(sentence, "say it in season.toml", "01_intake") for sentence in season.data.last_good_said[:1]]
    return pd.DataFrame([*said, *rows], columns=["what waits", "what to do", "notebook"])


def known_of_rows(log: Any) -> Stacks:
    """Return how many rows of a log say what of a life, and how many say nothing."""
    kinds = log.ledger["kind"].value_counts()
    told = {words: int(kinds.get(kind, 0)) for kind, words in KINDS.items()} | {"set aside": log.rows_set_aside}
    columns = {"label": np.array(list(told), dtype=object), "rows": np.array(list(told.values()), dtype=float)}
    return Stacks(columns=columns, notes=(), axis="rows of the log")


def standings(season: OpenedSeason) -> None:
    """Show where each notebook beside this one stands; what is shown here is not compared between runs."""
    here = Path.cwd()
    digests = dict(season.log.files)
    rows = [(path.name, _standing(path, here, digests)) for path in find_notebooks(here) if path.name != GLANCE]
    frame = pd.DataFrame(rows, columns=["notebook", "where it stands"])
    text = {"text/plain": table_text(frame), "text/html": page_of(frame=frame)}
    publish(text, {"workbench": {"compared": False}})


def _standing(path: Path, folder: Path, digests: dict[str, str]) -> str:
    try:
        notebook = read_notebook(path)
        problem = outputs_problem(notebook)
        if problem:
            return problem
        present = outputs_of(notebook)
        read = inputs_of(present)
        if read and read["inputs"] != digests:
            return "the log changed since it was run: run it again"
        accepted = folder / ACCEPTED / path.name
        if not accepted.is_file():
            return "run, not accepted"
        same = compare_outputs(outputs_of(read_notebook(accepted)), present).none
    except WorkbenchError as error:
        return str(error)
    return "accepted" if same else "changed since it was accepted"


def claims_shown(claims: Sequence[Finding]) -> pd.DataFrame:
    """Return claims as a table to read: what is claimed, its figure with limits, counts and grade."""
    rows = [
        (claim.statement, _figure(claim), _counts(claim), claim.grade or "") for claim in claims if claim.kind != "row"
    ]
    return pd.DataFrame(rows, columns=["claim", "figure and limits", "units / failed", "grade"])


def _figure(claim: Finding) -> str:
    if claim.estimate is None:
        return ""

    def say(value: Any) -> Amount:
        if value is None:
            return Amount(NOT_KNOWN)
        return percent_text(value) if claim.unit == "share" else Amount(f"{value:.3g}")

    limits = "" if claim.lower is None else f" ({interval_text(say(claim.lower), say(claim.upper))})"
    unit = "" if claim.unit in (None, "share") else f" {claim.unit}"
    return f"{say(claim.estimate)}{limits}{unit}"


def _counts(claim: Finding) -> str:
    return "" if claim.units is None else f"{claim.units:,} / {claim.failures if claim.failures is not None else '–'}"


def curve_in_words(curve: Any, day: float) -> list[str]:
    """Return how the curve of all units is read at one day."""
    there = curve.at([day]).iloc[0]
    if not np.isfinite(there["survival"]):
        return [f"What happens by day {day:g} was not observed, so the line ends before it."]
    said = [
        f"At day {day:g} the line stands at {percent_text(there['survival'])}: of 100 units like these about "
        f"{100 * there['survival']:.0f} still work then."
    ]
    if np.isfinite([there["lower"], there["upper"]]).all():
        span = interval_text(percent_text(there["lower"]), percent_text(there["upper"]))
        said.append(f"The band there reaches from {span}: that much chance alone leaves open.")
    return [*said, "The numbers below the picture say how many units were watched; where few are left, trust it less."]


def limits_by_units(share: float, units: Sequence[int]) -> Dots:
    """Return the limits of one share of failures, counted in fleets of several sizes."""
    failed = [round(share * n) for n in units]
    ends = [proportion_interval(k, n) for k, n in zip(failed, units, strict=True)]
    columns = {
        "label": np.array([f"{k:,} of {n:,} failed" for k, n in zip(failed, units, strict=True)], dtype=object),
        "value": np.array([k / n for k, n in zip(failed, units, strict=True)]),
        "lower": np.array([low for low, _ in ends]),
        "upper": np.array([high for _, high in ends]),
        "note": np.array([interval_text(percent_text(low), percent_text(high)) for low, high in ends], dtype=object),
    }
    return Dots(columns=columns, notes=(), axis="per cent that may fail in truth", percent=True)


def grades_counted(ranking: Ranking | None) -> Stacks:
    """Return how many comparisons of a ranking have each grade."""
    table = pd.DataFrame(columns=["level", "reference", "grade"]) if ranking is None else ranking.table
    grades = table.loc[table["level"] != table["reference"], "grade"].astype(str)
    counts = {str(grade): int((grades == grade).sum()) for grade in Grade}
    sure = sum(counts[grade] for grade in SUPPORTED_GRADES)
    said = f"{sure} of {count_of(len(grades), 'comparison')} of this season are clear or likely."
    said = said if len(grades) else "Nothing could be ranked this season."
    columns = {"label": np.array(list(counts), dtype=object), "comparisons": np.array(list(counts.values()), float)}
    return Stacks(columns=columns, notes=(said,), axis="comparisons")


def skill_in_words(skill: MissionSkill) -> str:
    """Return whether held-out predictions are worth anything, in one sentence."""
    worth = skill.skill
    if worth["verdict"] == "no skill can be shown":
        return f"It cannot be said: {skill.why_not[:1].lower()}{skill.why_not[1:]}"
    if worth["verdict"] == "no skill":
        return "No: for places held out, the choices predict no better than the plain share that failed."
    span = interval_text(percent_text(worth["lower"]), percent_text(worth["upper"]))
    return f"In part: for places held out, {percent_text(worth['skill'])} of the error is taken away ({span})."


def skill_shown(skill: MissionSkill) -> pd.DataFrame:
    """Return what each choice adds to held-out predictions, in words and points of the squared error."""
    rows = [
        (
            join_words([shown_name(name) for name in (row.choice, *partners)]),
            100 * row.importance,
            100 * row.noise,
            row.counts,
        )
        for row, partners in zip(skill.table.itertuples(), skill.partners, strict=True)
    ]
    return pd.DataFrame(rows, columns=["choice", "error without it, points", "by chance alone", "counts"])


def settings_shown() -> list[tuple[str, pd.DataFrame]]:
    """Return the reference of all settings as titled tables: those that stand alone, and those of tables."""
    parts: dict[bool, list[tuple[str, str, str, str]]] = {False: [], True: []}
    for key in setting_keys():
        parts["." in key.key].append((key.key, key.meaning, key.default, key.example))
    titles = {False: "Keys that stand alone", True: "Keys that stand in a table"}
    columns = ["key", "meaning", "default", "example"]
    return [(titles[part], pd.DataFrame(rows, columns=columns)) for part, rows in parts.items()]
