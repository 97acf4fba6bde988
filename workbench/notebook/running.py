"""Run the notebooks of a folder in fresh kernels, keeping outputs that hold no time stamps; a failure is a sentence."""

import asyncio
import atexit
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import nbformat

from workbench.errors import UsageError, WorkbenchError
from workbench.notebook.private import PRIVATE_UMASK, write_private
from workbench.notebook.signing import refuse_foreign, sign_run
from workbench.notebook.stored import is_well_stored

__all__ = [
    "NotebookRun",
    "find_notebooks",
    "kernel_problem",
    "outputs_problem",
    "read_notebook",
    "readable_notebooks",
    "run_notebooks",
    "write_notebook",
]

_NO_NOTEBOOK = "{} is no notebook that can be read; restore it or make it anew"
_UNREADABLE = (
    *(ValueError, TypeError, AttributeError, LookupError, NameError, AssertionError, RecursionError),
    *(nbformat.ValidationError, nbformat.reader.NotJSONError),
)
"""What the notebook library raises on damaged files."""

CELL_SECONDS = 120
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
    except _UNREADABLE:
        raise WorkbenchError(_NO_NOTEBOOK.format(path.name)) from None
    if not is_well_stored(notebook):
        raise WorkbenchError(
            f"{path.name} holds numbers beside its outputs that the workbench did not store so; clear its outputs"
        )
    return notebook


def write_notebook(notebook: Any, path: Path) -> None:
    """Write a notebook aside and move it into place, so that an interruption leaves the earlier one whole."""
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
    if not any(_checks(cell) for cell in cells):
        return "no check(...) in it held, so nothing in it is tested"
    return ""


def run_notebooks(
    folder: Path, *, say: Callable[[str], None] = lambda _: None, only: Sequence[str] = (), trust: bool = False
) -> list[NotebookRun]:
    """Run the notebooks of a folder in place, one fresh kernel each; those from elsewhere when they are trusted."""
    missing = kernel_problem()
    if missing:
        raise UsageError(missing)
    runs = []
    paths = [path for path in find_notebooks(folder) if not only or path.name in only]
    if not trust:
        refuse_foreign(readable_notebooks(paths))
    for path in paths:
        say(f"running {path.name}")
        started = time.monotonic()
        problem, checks = _run_one(path, folder)
        runs.append(NotebookRun(name=path.name, seconds=time.monotonic() - started, checks=checks, problem=problem))
    return runs


def readable_notebooks(paths: Sequence[Path]) -> Iterator[tuple[Path, Any]]:
    """Return the notebooks that can be read; what is wrong with others is said when their turn comes."""
    for path in paths:
        with suppress(WorkbenchError):
            yield path, read_notebook(path)


def _run_one(path: Path, folder: Path) -> tuple[str, int]:
    try:
        notebook = read_notebook(path)
    except WorkbenchError as error:
        return str(error), 0
    problem = _execute(notebook, folder) or outputs_problem(notebook)
    if not problem:
        sign_run(notebook)
        write_notebook(notebook, path)
    return problem, sum(_checks(cell) for cell in notebook.cells if cell.cell_type == "code")


def _execute(notebook: Any, folder: Path) -> str:
    from nbclient import NotebookClient
    from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError

    client = NotebookClient(
        notebook,
        timeout=CELL_SECONDS,
        kernel_name=KERNEL,
        record_timing=False,
        extra_arguments=["--log-level=ERROR"],  # not that its sockets, which only this machine reaches, are open text
        resources={"metadata": {"path": str(folder)}},
    )
    try:
        _run_aside(client)
    except CellTimeoutError:
        return f"a cell took longer than {CELL_SECONDS} seconds"
    except DeadKernelError:
        return "its kernel died"
    except CellExecutionError as error:
        return outputs_problem(notebook) or f"{error.ename}: {' '.join(str(error.evalue).split())}"
    except (OSError, RuntimeError) as error:
        return f"its kernel could not be started ({' '.join(str(error).split())})"
    return ""


def _run_aside(client: Any) -> None:
    """Run a client in a thread of its own, so that an interruption reaches this one, and stop its kernel then."""
    running: list[tuple[asyncio.AbstractEventLoop, asyncio.Task[Any]]] = []

    async def execute() -> None:
        task = asyncio.current_task()
        assert task is not None
        running.append((asyncio.get_running_loop(), task))
        await client.async_execute(umask=PRIVATE_UMASK)

    def work() -> None:
        asyncio.run(execute())

    with ThreadPoolExecutor(max_workers=1) as pool:
        done = pool.submit(work)
        try:
            while not wait([done], timeout=1).done:
                continue
        except KeyboardInterrupt:
            client.shutdown_kernel = "immediate"
            for loop, task in running:
                loop.call_soon_threadsafe(task.cancel)
            raise
        finally:
            atexit.unregister(client._cleanup_kernel)  # left behind when a kernel does not start; fails at exit
        done.result()


def _checks(cell: Any) -> int:
    return sum("check" in output.get("metadata", {}).get("workbench", {}) for output in cell.outputs)
