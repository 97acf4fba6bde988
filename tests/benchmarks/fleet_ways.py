"""Ways to read a fleet and answer: ours to a ranking; ours, lifelines, scikit-survival and R to curves, test and Cox.

Each runs in a process of its own (`alone`), so that its peak memory is its own. What the other libraries get is a plain
table of the few columns they need, which nobody checked.
"""

import json
import re
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from pyarrow import parquet

__all__ = ["CHOICES", "STEP", "WAYS", "alone", "plain_table"]

CHOICES = ["lid_seal", "vent", "board_protection"]
TERMS = [*CHOICES, "environment"]
MISSION, STEP = 180, 30
AT = [90.0, 180.0, 360.0, 720.0]


class _Stages:
    """Seconds stage by stage; seconds of processor time and peak megabytes of all so far, imports included."""

    def __init__(self) -> None:
        self.figures: dict[str, Any] = {}
        self._clock = time.perf_counter()

    def done(self, name: str) -> None:
        self.figures[f"{name} s"] = time.perf_counter() - self._clock
        # what getrusage says would count the memory of the process that started this one
        peak = re.search(r"VmHWM:\s+(\d+)", Path("/proc/self/status").read_text(encoding="ascii"))
        self.figures |= {"MB": int(peak[1]) / 1024, "cpu s": time.process_time()}
        self._clock = time.perf_counter()


def to_a_ranking(path: Path) -> dict[str, Any]:
    """Read a file, draw curves with a rank test, rank three choices.

    Parameters
    ----------
    path : Path
        Parquet or csv, as `write_fleet` makes it.

    Returns
    -------
    dict
        Seconds by stage, peak megabytes and counts.

    Raises
    ------
    Nothing.
    """
    from workbench.estimate.curves.curves import survival_curve
    from workbench.estimate.rank_tests.comparisons import compare_groups
    from workbench.fleet.fleets import read_fleet
    from workbench.ranking.choices.rank import rank_choices

    stages = _Stages()
    fleet = read_fleet(path, covariates=[*TERMS, "site"], step=STEP)
    lives = fleet.lives()
    stages.done("read")
    survival_curve(lives, by="lid_seal")
    compare_groups(lives, "lid_seal")
    stages.done("curves")
    rank_choices(lives, CHOICES, adjust=["environment"], mission=MISSION)
    stages.done("rank")
    return stages.figures | {"rows": fleet.rows, "used": fleet.used, "lives": len(lives)}


def by_workbench(path: Path) -> dict[str, Any]:
    """Curves by seal, log-rank test and Cox fit from checked counts.

    Parameters
    ----------
    path : Path
        Parquet file of exact and right-censored rows.

    Returns
    -------
    dict
        Seconds by stage, peak megabytes, answers.

    Raises
    ------
    Nothing.
    """
    from workbench.estimate.cox.hazard_ratios import fit_hazard_ratios
    from workbench.estimate.curves.curves import survival_curve
    from workbench.estimate.rank_tests.comparisons import compare_groups
    from workbench.fleet.fleets import read_fleet

    stages = _Stages()
    lives = read_fleet(path, covariates=TERMS).lives()
    stages.done("read")
    curves = survival_curve(lives, by="lid_seal").at(AT).sort_values(["group", "time"])["survival"]
    test = compare_groups(lives, "lid_seal").statistic
    stages.done("curves")
    table = fit_hazard_ratios(lives, TERMS).table
    stages.done("cox")
    ratios = {f"{row.term}={row.level}": row.log_hazard_ratio for row in table.itertuples()}
    return stages.figures | {"curves": [*curves], "test": test, "cox": ratios}


def plain_table(path: Path) -> pd.DataFrame:
    """Days, whether failed, and the terms, in the plainest way from the file.

    Parameters
    ----------
    path : Path
        Parquet file of exact and right-censored rows.

    Returns
    -------
    pandas.DataFrame
        time, failed and the terms.

    Raises
    ------
    Nothing.
    """
    days = ["deployed_on", "failed_on", "last_good_on"]
    read = parquet.read_table(path, columns=[*days, "outcome", *TERMS], read_dictionary=TERMS)
    table = read.to_pandas(date_as_object=False)
    failed = table["outcome"].to_numpy() == "failed"
    end = np.where(failed, table["failed_on"], table["last_good_on"]).astype("datetime64[D]")
    life = (end - table["deployed_on"].to_numpy().astype("datetime64[D]")).astype(float)
    terms = {n: table[n].cat.reorder_categories(sorted(table[n].cat.categories)) for n in TERMS}
    return pd.DataFrame({"time": life, "failed": failed, **terms})


def _indicators(table: pd.DataFrame) -> pd.DataFrame:
    return pd.get_dummies(table[TERMS], prefix_sep="=", drop_first=True, dtype=float)


def by_lifelines(path: Path) -> dict[str, Any]:
    """The same by lifelines.

    Parameters
    ----------
    path : Path
        As `by_workbench`.

    Returns
    -------
    dict
        As `by_workbench`.

    Raises
    ------
    Nothing.
    """
    from lifelines import CoxPHFitter, KaplanMeierFitter
    from lifelines.statistics import multivariate_logrank_test

    stages = _Stages()
    table = plain_table(path)
    stages.done("read")
    curves: list[float] = []
    for seal in table["lid_seal"].cat.categories:
        mine = table[table["lid_seal"] == seal]
        curves += list(KaplanMeierFitter().fit(mine["time"], mine["failed"]).survival_function_at_times(AT))
    test = multivariate_logrank_test(table["time"], table["lid_seal"], table["failed"]).test_statistic
    stages.done("curves")
    fit = CoxPHFitter().fit(_indicators(table).assign(time=table["time"], failed=table["failed"]), "time", "failed")
    stages.done("cox")
    return stages.figures | {"curves": curves, "test": float(test), "cox": fit.params_.to_dict()}


def by_scikit_survival(path: Path) -> dict[str, Any]:
    """The same by scikit-survival.

    Parameters
    ----------
    path : Path
        As `by_workbench`.

    Returns
    -------
    dict
        As `by_workbench`.

    Raises
    ------
    Nothing.
    """
    from sksurv.compare import compare_survival
    from sksurv.functions import StepFunction
    from sksurv.linear_model import CoxPHSurvivalAnalysis
    from sksurv.nonparametric import kaplan_meier_estimator
    from sksurv.util import Surv

    stages = _Stages()
    table = plain_table(path)
    stages.done("read")
    curves: list[float] = []
    for seal in table["lid_seal"].cat.categories:
        mine = table[table["lid_seal"] == seal]
        curves += StepFunction(*kaplan_meier_estimator(mine["failed"], mine["time"]))(AT).tolist()
    outcome = Surv.from_arrays(table["failed"], table["time"])
    test = compare_survival(outcome, table["lid_seal"].cat.codes)[0]
    stages.done("curves")
    columns = _indicators(table)
    fit = CoxPHSurvivalAnalysis(ties="efron").fit(columns, outcome)
    stages.done("cox")
    ratios = dict(zip(columns, fit.coef_.tolist(), strict=True))
    return stages.figures | {"curves": curves, "test": float(test), "cox": ratios}


_R = """
suppressMessages(library(survival))
clock <- function(work) system.time(work)[["elapsed"]]
read <- clock(data <- read.csv("{table}", stringsAsFactors = TRUE))
curves <- clock({{
    fit <- survfit(Surv(time, failed) ~ lid_seal, data)
    test <- survdiff(Surv(time, failed) ~ lid_seal, data)
}})
cox <- clock(ratios <- coef(coxph(Surv(time, failed) ~ {terms}, data)))
peak <- sub("\\\\D*(\\\\d+).*", "\\\\1", grep("VmHWM", readLines("/proc/self/status"), value = TRUE))
cat(read, curves, cox, sum(proc.time()[1:2]), peak, format(test$chisq, digits = 15), "\\n")
cat(format(summary(fit, times = c({at}))$surv, digits = 15), "\\n")
cat(format(ratios, digits = 15), "\\n")
"""


def by_r(path: Path) -> dict[str, Any]:
    """The same by R's survival package; its table is written as csv outside the clock, since it reads no Parquet here.

    Parameters
    ----------
    path : Path
        As `by_workbench`.

    Returns
    -------
    dict
        As `by_workbench`.

    Raises
    ------
    OSError, CalledProcessError
        If R is not installed, or fails.
    """
    table = plain_table(path)
    text = path.with_suffix(".csv")
    table.assign(failed=table["failed"].astype(int)).to_csv(text, index=False)
    names = [*_indicators(table.head(0))]
    script = _R.format(table=text.as_posix(), terms=" + ".join(TERMS), at=", ".join(map(str, AT)))
    run = subprocess.run(["Rscript", "-e", script], capture_output=True, text=True, check=True)
    times, curves, ratios = ([float(x) for x in line.split()] for line in run.stdout.splitlines())
    figures = dict(zip(("read s", "curves s", "cox s", "cpu s"), times, strict=False))
    found = {"curves": curves, "test": times[5], "cox": dict(zip(names, ratios, strict=True))}
    return figures | {"MB": times[4] / 1024, **found}


WAYS: dict[str, Callable[[Path], dict[str, Any]]] = {
    "ranking": to_a_ranking,
    "ours": by_workbench,
    "lifelines": by_lifelines,
    "scikit-survival": by_scikit_survival,
    "R": by_r,
}
"""By the name that `alone` takes."""


def alone(way: str, path: Path, seconds: float | None = None) -> dict[str, Any]:
    """Run a way in a process of its own.

    Parameters
    ----------
    way : str
        One of `WAYS`.
    path : Path
        File to read.
    seconds : float, optional
        Stopped when it takes longer.

    Returns
    -------
    dict
        What the way returns; a single entry "failed" when it takes too long or the system ends it for want of memory.

    Raises
    ------
    RuntimeError
        If it fails otherwise.
    """
    command = [sys.executable, "-W", "ignore", "-m", "tests.benchmarks.fleet_ways", way, str(path)]
    try:
        out = subprocess.run(command, capture_output=True, text=True, check=False, timeout=seconds)
    except subprocess.TimeoutExpired:
        return {"failed": f"over {seconds:g} s"}
    if out.returncode < 0:
        return {"failed": "not enough memory"}
    if out.returncode:
        raise RuntimeError(f"{way}: {out.stderr}")
    return dict(json.loads(out.stdout.splitlines()[-1]))


if __name__ == "__main__":
    print(json.dumps(WAYS[sys.argv[1]](Path(sys.argv[2]))))
