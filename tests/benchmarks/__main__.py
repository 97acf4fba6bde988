"""Benchmarks, run on demand: `python -m tests.benchmarks [word ...]` prints one table; words pick tasks by name.

Per task and size it prints seconds (fastest of some runs) of each way, how many times slower than ours each is, the
largest difference of the answers, and whether the bar was met. Ways whose library is not installed are "absent".

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
import pkgutil
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

import tests.benchmarks
from tests.benchmarks.task import Task

__all__ = ["main"]


def main(words: list[str]) -> int:
    """Run the tasks whose name holds one of the words (all without words).

    Parameters
    ----------
    words : list of str
        Parts of names.

    Returns
    -------
    int
        1 if a bar was missed, else 0.

    Raises
    ------
    Nothing.
    """
    print(f"{'task':44} {'size':>9}  {'way':28} {'seconds':>10} {'ratio':>8} {'difference':>10}  bar")
    missed = 0
    for task in _tasks():
        if not words or any(word in task.name for word in words):
            for size in task.sizes:
                missed += _run(task, size)
    return int(missed > 0)


def _tasks() -> list[Task]:
    modules = sorted(m.name for m in pkgutil.iter_modules(tests.benchmarks.__path__) if m.name.startswith("bench_"))
    return [task for name in modules for task in importlib.import_module(f"tests.benchmarks.{name}").TASKS]


def _run(task: Task, size: int) -> int:
    data = task.make(size)
    seconds: dict[str, float] = {}
    answers: dict[str, np.ndarray] = {}
    for way, function in task.ways.items():
        if size > task.slow_ways.get(way, size):
            continue
        try:
            seconds[way], answers[way] = _timed(function, data, task.repeats)
        except ImportError:
            print(f"{task.name:44} {size:>9,}  {way:28} {'absent':>10}")
    if task.r_script and task.r_data is not None and shutil.which("Rscript"):
        seconds["R"], answers["R"] = _timed_in_r(task, data)
    others = [value for way, value in seconds.items() if not way.startswith("ours")]
    first = next(iter(task.ways))
    missed = 0
    for way, value in seconds.items():
        difference = float(np.nanmax(np.abs(answers[way] - answers[first]), initial=0.0))
        verdict, ratio = "", value / seconds[first]
        if way.startswith("ours"):
            ratio = min(others) / value if others else float("nan")
            wanted = task.bar.get(way)
            if wanted is not None and others:
                missed += ratio < wanted
                verdict = f"{'met' if ratio >= wanted else 'MISSED'} (at least {wanted:g})"
        print(f"{task.name:44} {size:>9,}  {way:28} {value:>10.5f} {ratio:>8.1f} {difference:>10.1e}  {verdict}")
    return missed


def _timed(function: Any, data: Any, repeats: int) -> tuple[float, np.ndarray]:
    best = float("inf")
    for _ in range(repeats):
        start = time.perf_counter()
        answer = function(data)
        best = min(best, time.perf_counter() - start)
    return best, np.asarray(answer, dtype=float)


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
