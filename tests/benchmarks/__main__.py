"""Benchmarks, run on demand: `python -m tests.benchmarks [word ...]` prints one table; words pick tasks by name.

Per task and size it prints seconds of processor time of each way (fastest and median of some runs, each library on one
thread, so that what else runs on the machine counts little), how many times slower than ours each is by either, the
largest difference of the answers, whether the bar was met, and the load of the machine. Ways whose library is not
installed are "absent". R times itself by the clock.

`python -m tests.benchmarks --quick` takes the tasks for less than a minute, without R, and fails below half a bar.

To add tasks, put a file `bench_<topic>.py` beside this one with a module-level list `TASKS` of
`tests.benchmarks.task.Task`. A task has a name, sizes, `make(size) -> data`, and `ways`: name -> function of the data
that returns a flat array of floats. The first way is ours, others are called "lifelines", "scikit-survival" and so on;
import the other library inside the function, so that its absence only skips that way. Answers of all ways are compared
with those of the first. R, where `Rscript` exists, runs `r_script` on `data`, and must set `seconds` and `answer`:

    TASKS = [
        Task(
            name="median of a curve",
            sizes=(400, 1_000_000),
            make=make_lives,
            ways={"ours": our_median, "lifelines": lifelines_median},
            bar={"ours": 20.0},
            r_script="seconds <- system.time(fit <- survfit(Surv(time, failed) ~ 1, data))[['elapsed']]; answer <- ...",
            r_data=lambda data: data.frame,
        )
    ]
"""

import importlib
import os
import pkgutil
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

import tests.benchmarks
from tests.benchmarks.task import Task

__all__ = ["main"]


def main(words: list[str]) -> int:
    """Run the tasks whose name holds one of the words (all without words).

    Parameters
    ----------
    words : list of str
        Parts of names; "--quick" for the short run.

    Returns
    -------
    int
        1 if a bar was missed, else 0.

    Raises
    ------
    Nothing.
    """
    quick, words = "--quick" in words, [word for word in words if word != "--quick"]
    print(
        f"{'task':48} {'size':>9}  {'way':24} {'seconds':>9} {'median':>9} {'ratio':>7} {'median':>7} "
        f"{'difference':>10} {'load':>5}  bar"
    )
    missed = 0
    for task in _tasks():
        if (not words or any(word in task.name for word in words)) and (task.is_quick or not quick):
            for size in task.sizes:
                missed += _run(task, size, quick=quick)
    return int(missed > 0)


def _tasks() -> list[Task]:
    modules = sorted(m.name for m in pkgutil.iter_modules(tests.benchmarks.__path__) if m.name.startswith("bench_"))
    return [task for name in modules for task in importlib.import_module(f"tests.benchmarks.{name}").TASKS]


def _run(task: Task, size: int, *, quick: bool) -> int:
    data = task.make(size)
    seconds: dict[str, tuple[float, float]] = {}
    answers: dict[str, np.ndarray] = {}
    for way, function in task.ways.items():
        if size > task.slow_ways.get(way, size):
            continue
        try:
            seconds[way], answers[way] = _timed(function, data, task.repeats)
        except ImportError:
            print(f"{task.name:48} {size:>9,}  {way:24} {'absent':>9}")
    if task.r_script and task.r_data is not None and not quick and shutil.which("Rscript"):
        once, answers["R"] = _timed_in_r(task, data)
        seconds["R"] = (once, once)
    others = [value for way, value in seconds.items() if not way.startswith("ours") and way != "R"]
    first, missed = next(iter(task.ways)), 0
    for way, value in seconds.items():
        difference = float(np.nanmax(np.abs(answers[way] - answers[first]), initial=0.0))
        verdict, ratios = "", [own / ours for own, ours in zip(value, seconds[first], strict=True)]
        if way.startswith("ours"):
            ratios = [min(o[k] for o in others) / value[k] if others else float("nan") for k in (0, 1)]
            wanted = task.bar.get(way)
            if wanted is not None and others:
                missed += ratios[0] < (wanted / 2 if quick else wanted)
                verdict = f"{'met' if ratios[0] >= wanted else 'MISSED'} (at least {wanted:g})"
        print(
            f"{task.name:48} {size:>9,}  {way:24} {value[0]:>9.4f} {value[1]:>9.4f} {ratios[0]:>7.1f} "
            f"{ratios[1]:>7.1f} {difference:>10.1e} {os.getloadavg()[0]:>5.1f}  {verdict}"
        )
    return missed


def _timed(function: Any, data: Any, repeats: int) -> tuple[tuple[float, float], np.ndarray]:
    """Fastest and median processor time of some runs on one thread, and the answer."""
    runs = []
    with threadpool_limits(limits=1):
        for _ in range(repeats):
            start = time.process_time()
            answer = function(data)
            runs.append(time.process_time() - start)
    return (min(runs), float(np.median(runs))), np.asarray(answer, dtype=float)


def _timed_in_r(task: Task, data: Any) -> tuple[float, np.ndarray]:
    assert task.r_data is not None
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "data.csv"
        task.r_data(data).to_csv(table, index=False)
        code = (
            f"suppressMessages(library(survival)); data <- read.csv('{table.as_posix()}'); {task.r_script.strip()}\n"
            "cat(seconds, format(answer, digits = 15), sep = '\\n')"
        )
        run = subprocess.run(["Rscript", "-e", code], capture_output=True, text=True, check=True)
    numbers = [float(line) for line in run.stdout.split()]
    return numbers[0], np.array(numbers[1:])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
