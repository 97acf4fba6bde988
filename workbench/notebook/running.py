"""Run the notebooks of a folder in fresh kernels, keeping outputs that hold no time stamps; a failure is a sentence."""

import asyncio
import atexit
import os
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from workbench.errors import UsageError, WorkbenchError
from workbench.notebook.comparing import is_well_stored
from workbench.notebook.private import PRIVATE_UMASK, write_private
from workbench.notebook.signing import refuse_foreign, sign_run
from workbench.threads import SEARCHES

__all__ = [
    "GLANCE",
    "NotebookRun",
    "find_notebooks",
    "kernel_problem",
    "kernels",
    "outputs_problem",
    "read_notebook",
    "readable_notebooks",
    "run_new_notebooks",
    "run_notebooks",
    "write_notebook",
]

_NO_NOTEBOOK = "{} is no notebook that can be read; restore it or make it anew"
_UNREADABLE = (ValueError, TypeError, AttributeError, LookupError, NameError, AssertionError, RecursionError)
"""What the notebook library raises on damaged files, beside errors of its own."""

CELL_SECONDS = 240
GLANCE = "00_season.ipynb"
"""The opening page of a season folder, which says where the other notebooks stand."""
KERNEL = "python3"


@dataclass(frozen=True, kw_only=True)
class NotebookRun:
    """One notebook's run: its name, seconds, number of checks that held, and what went wrong ("" when nothing did)."""

    name: str
    seconds: float
    checks: int
    problem: str


def find_notebooks(folder: Path) -> list[Path]:
    """Return the notebooks of a folder in the order of their names."""
    if not folder.is_dir():
        raise UsageError(f"{folder} is no folder")
    found = sorted(p for p in folder.glob("*.ipynb") if not p.name.startswith("."))
    if not found:
        raise UsageError(f"{folder} holds no notebooks; 'workbench lab {folder}' makes them")
    return found


def read_notebook(path: Path) -> Any:
    """Return a notebook as nbformat's node."""
    import nbformat  # takes longer to import than a kernel to start, which needs none of it

    try:
        text = path.read_bytes().decode("utf-8")
    except OSError as error:
        raise WorkbenchError(f"{path.name} cannot be read ({error.strerror or error}); restore it and retry") from None
    except UnicodeDecodeError:
        raise WorkbenchError(_NO_NOTEBOOK.format(path.name)) from None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # that cells have no names yet, and get them
            notebook = nbformat.reads(text, as_version=4)
            nbformat.validate(notebook)
    except (*_UNREADABLE, nbformat.ValidationError, nbformat.reader.NotJSONError):
        raise WorkbenchError(_NO_NOTEBOOK.format(path.name)) from None
    if not is_well_stored(notebook):
        raise WorkbenchError(
            f"{path.name} holds numbers beside its outputs that the workbench did not store so; clear its outputs"
        )
    return notebook


def write_notebook(notebook: Any, path: Path) -> None:
    """Write a notebook aside and move it into place, so that an interruption leaves the earlier one whole."""
    import nbformat

    write_private(path, f"{nbformat.writes(notebook)}\n".encode())


def kernel_problem() -> str:
    """Return a sentence when the kernel that notebooks need is missing, else an empty text."""
    from jupyter_client.kernelspec import KernelSpecManager, NoSuchKernel

    try:
        KernelSpecManager().get_kernel_spec(KERNEL)
    except NoSuchKernel:
        return f"the kernel {KERNEL!r} is not installed here; install ipykernel in this environment"
    return ""


def outputs_problem(notebook: Any) -> str:
    """Return the first thing that bars a notebook's outputs from being trusted, or an empty text."""
    cells = [cell for cell in notebook.cells if cell.cell_type == "code"]
    for number, cell in enumerate(cells, start=1):
        if not cell.source.strip():
            continue
        if cell.source.rstrip().endswith(";"):
            return f"code cell {number} ends in a semicolon, which hides its output from comparison"
        for output in cell.outputs:
            if output.output_type == "error":
                return f"code cell {number} stopped: {output.ename}: {' '.join(str(output.evalue).split())}"
            if output.output_type == "stream" and output.name == "stderr":
                return f"code cell {number} warned: {output.text.strip().splitlines()[-1]}"
        if cell.execution_count is None:
            return f"code cell {number} was not executed"
    if not any(_checks(cell) or cell.outputs for cell in cells):
        return "it shows nothing and no check(...) in it held, so nothing in it can be compared"
    return ""


def run_notebooks(
    folder: Path, *, say: Callable[[str], None] = lambda _: None, only: Sequence[str] = (), trust: bool = False
) -> list[NotebookRun]:
    """Run the notebooks of a folder in place, each in a fresh kernel, some at a time; the page at a glance last.

    Those from elsewhere run when they are trusted.
    """
    missing = kernel_problem()
    if missing:
        raise UsageError(missing)
    paths = [path for path in find_notebooks(folder) if not only or path.name in only]
    if not trust:
        refuse_foreign(readable_notebooks(paths))
    last = [path for path in paths if path.name == GLANCE]
    runs = [run for batch in ([p for p in paths if p not in last], last) for run in _run_batch(batch, folder, say)]
    return sorted(runs, key=lambda run: run.name)


def _leave_answers(notebook: Any) -> None:
    """Take out controls, which only a living kernel can move, so that the answers beside them are seen."""
    notebook.metadata.pop("widgets", None)
    for cell in notebook.cells:
        for output in cell.get("outputs", ()):
            if "text/html" in output.get("data", {}):
                output["data"].pop("application/vnd.jupyter.widget-view+json", None)


def run_new_notebooks(
    folder: Path, *, say: Callable[[str], None] = lambda _: None, trust: bool = False
) -> list[NotebookRun]:
    """Run those notebooks of a folder that were never run."""
    new = [path.name for path, notebook in readable_notebooks(find_notebooks(folder)) if _never_run(notebook)]
    return run_notebooks(folder, say=say, only=new, trust=trust) if new else []


def _never_run(notebook: Any) -> bool:
    return not any(cell.get("execution_count") or cell.get("outputs") for cell in notebook.cells)


def _run_batch(paths: Sequence[Path], folder: Path, say: Callable[[str], None]) -> Iterator[NotebookRun]:
    started: list[tuple[Path, Any, Future[tuple[str, float]] | None, str]] = []
    with kernels(folder) as start:
        for path in reversed(paths):  # the later ones ask more of the season and take longer
            try:
                notebook = read_notebook(path)
                started.append((path, notebook, start(notebook), ""))
            except WorkbenchError as error:
                started.append((path, None, None, str(error)))
        for path, notebook, future, problem in started:
            say(f"running {path.name}")
            seconds, checks = 0.0, 0
            if future is not None:
                problem, seconds = future.result()
                problem = problem or outputs_problem(notebook)
                checks = sum(_checks(cell) for cell in notebook.cells if cell.cell_type == "code")
                if not problem:
                    _leave_answers(notebook)
                    sign_run(notebook)
                    write_notebook(notebook, path)
            yield NotebookRun(name=path.name, seconds=seconds, checks=checks, problem=problem)


def readable_notebooks(paths: Sequence[Path]) -> Iterator[tuple[Path, Any]]:
    """Return the notebooks that can be read; what is wrong with others is said when their turn comes."""
    for path in paths:
        with suppress(WorkbenchError):
            yield path, read_notebook(path)


@contextmanager
def kernels(folder: Path) -> Iterator[Callable[[Any], "Future[tuple[str, float]]"]]:
    """Start notebooks, each in a kernel of its own and as many at a time as there are processors; all stop at an error.

    Each call gets what went wrong, "" when nothing did, and the seconds that it took.
    """
    stops: list[Callable[[], None]] = []
    with ThreadPoolExecutor(max_workers=max(2, min(4, os.cpu_count() or 2))) as pool:

        def timed(notebook: Any) -> tuple[str, float]:
            begun = time.monotonic()
            return _execute(notebook, folder, stops), time.monotonic() - begun

        through = False
        try:
            yield lambda notebook: pool.submit(timed, notebook)
            through = True
        finally:
            if not through:
                pool.shutdown(wait=False, cancel_futures=True)
                for stop in stops[:]:
                    stop()


def _execute(notebook: Any, folder: Path, stops: list[Callable[[], None]]) -> str:
    from nbclient import NotebookClient
    from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError

    client = NotebookClient(
        notebook,
        timeout=CELL_SECONDS,
        kernel_name=KERNEL,
        record_timing=False,
        extra_arguments=[
            "--log-level=ERROR",  # not that its sockets, which only this machine reaches, are open text
            f"--IPKernelApp.exec_lines=__import__('gc').set_threshold{SEARCHES}",
        ],
        resources={"metadata": {"path": str(folder)}},
    )
    try:
        asyncio.run(_in_kernel(client, stops))
    except CellTimeoutError:
        return f"a cell took longer than {CELL_SECONDS} seconds"
    except DeadKernelError:
        return "its kernel died"
    except CellExecutionError as error:
        return outputs_problem(notebook) or f"{error.ename}: {' '.join(str(error.evalue).split())}"
    except (OSError, RuntimeError) as error:
        return f"its kernel could not be started ({' '.join(str(error).split())})"
    except asyncio.CancelledError:
        return "it was interrupted"
    finally:
        atexit.unregister(client._cleanup_kernel)  # left behind when a kernel does not start; fails at exit
    return ""


async def _in_kernel(client: Any, stops: list[Callable[[], None]]) -> None:
    """Run a client, and let others stop it and its kernel."""
    loop, task = asyncio.get_running_loop(), asyncio.current_task()
    assert task is not None

    def stop() -> None:
        client.shutdown_kernel = "immediate"
        with suppress(RuntimeError):  # it has ended by itself
            loop.call_soon_threadsafe(task.cancel)

    stops.append(stop)
    one = {name: "1" for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")}
    await client.async_execute(umask=PRIVATE_UMASK, env={**os.environ, **one})


def _checks(cell: Any) -> int:
    stored = [output.get("metadata", {}).get("workbench", {}) for output in cell.outputs]
    return sum(("check" in record) + len(record.get("checks", ())) for record in stored)
