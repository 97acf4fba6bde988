"""What of a season waits for somebody, where does each notebook stand, and what is claimed?"""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from workbench.errors import WorkbenchError
from workbench.lives import UNDETERMINED
from workbench.notebook.comparing import compare_outputs, inputs_of, outputs_of
from workbench.notebook.log_changes import ACCEPTED
from workbench.notebook.page import page_of, table_text
from workbench.notebook.publishing import publish
from workbench.notebook.running import GLANCE, find_notebooks, outputs_problem, read_notebook
from workbench.notebook.season_folder import OpenedSeason
from workbench.report.basis import Finding
from workbench.report.figures import Stacks
from workbench.wording import count_of, interval_text, percent_text

__all__ = ["attention", "claims_shown", "known_of_rows", "standings"]

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

    def say(value: Any) -> str:
        if value is None:
            return "not known"
        return percent_text(value) if claim.unit == "share" else f"{value:.3g}"

    limits = "" if claim.lower is None else f" ({interval_text(say(claim.lower), say(claim.upper))})"
    unit = "" if claim.unit in (None, "share") else f" {claim.unit}"
    return f"{say(claim.estimate)}{limits}{unit}"


def _counts(claim: Finding) -> str:
    return "" if claim.units is None else f"{claim.units:,} / {claim.failures if claim.failures is not None else '–'}"
