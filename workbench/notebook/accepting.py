"""Verify and accept: compare notebooks with outputs accepted earlier, and make present outputs the accepted ones."""

import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from workbench.errors import UsageError, WorkbenchError
from workbench.notebook.comparing import (
    CellOutputs,
    Differences,
    compare_outputs,
    inputs_of,
    versions_of,
    versions_sentence,
)
from workbench.notebook.private import PRIVATE_FOLDER, PRIVATE_UMASK
from workbench.notebook.running import find_notebooks, kernel_problem, outputs_problem, read_notebook, write_notebook
from workbench.notebook.signing import is_from_run, refuse_foreign, sign_made

__all__ = ["ACCEPTED", "NotebookVerdict", "accept_notebooks", "verify_notebooks"]

ACCEPTED = "accepted"
"""Folder inside a season folder that holds the accepted copies."""

_PART, _OLD = ".accepted.part", ".accepted.old"
"""Where new copies are written first, and where the earlier ones stand while these are moved into place."""


@dataclass(frozen=True, kw_only=True)
class NotebookVerdict:
    """One notebook compared: its name, what changed, what went wrong ("" when nothing), and which libraries changed."""

    name: str
    differences: Differences
    problem: str = ""
    versions: str = ""

    @property
    def same(self) -> bool:
        """Whether the accepted outputs still stand."""
        return self.differences.none and not self.problem

    @property
    def sentences(self) -> tuple[str, ...]:
        """The verdict as sentences; the inputs come first."""
        if self.same:
            return (f"{self.name}: every number and text is as accepted.",)
        said = [*self.differences.inputs]
        said += [f"It did not run through: {self.problem}."] if self.problem else []
        said += [*self.differences.outputs] + ([self.versions] if self.versions else [])
        return tuple(f"{self.name}: {sentence}" for sentence in said)


def verify_notebooks(
    folder: Path, *, say: Callable[[str], None] = lambda _: None, trust: bool = False
) -> list[NotebookVerdict]:
    """Run the accepted notebooks again under nbval, against the folder's log of today, and compare."""
    missing = kernel_problem()
    if missing:
        raise UsageError(missing)
    _restore_accepted(folder)
    source = folder / ACCEPTED if (folder / ACCEPTED).is_dir() else folder
    verdicts = []
    paths = find_notebooks(source)
    if not trust:
        refuse_foreign((path, read_notebook(path)) for path in paths)
    for path in paths:
        say(f"verifying {path.name}")
        verdicts.append(_verify(path, folder))
    return verdicts


def accept_notebooks(folder: Path) -> list[NotebookVerdict]:
    """Make the present outputs of a folder's notebooks the accepted ones."""
    notebooks = [(path, read_notebook(path)) for path in find_notebooks(folder)]
    _restore_accepted(folder)
    for path, notebook in notebooks:
        problem = outputs_problem(notebook)
        if not problem and not is_from_run(notebook):
            problem = "it was changed since the workbench ran it, or was run elsewhere"
        if problem:
            raise WorkbenchError(f"{path.name} cannot be accepted: {problem}; run 'workbench notebooks {folder}' first")
    verdicts = []
    for path, notebook in notebooks:
        before = folder / ACCEPTED / path.name
        differences = Differences()
        if before.is_file():
            differences = compare_outputs(_stored_cells(read_notebook(before)), _stored_cells(notebook))
        verdicts.append(NotebookVerdict(name=path.name, differences=differences))
    _replace_accepted(folder, notebooks)
    return verdicts


def _restore_accepted(folder: Path) -> None:
    """Bring back the accepted copies that an accept moved away, when it was cut off before the new ones came."""
    target, old = folder / ACCEPTED, folder / _OLD
    if old.is_dir() and not target.exists():
        try:
            old.rename(target)
        except OSError as error:
            raise WorkbenchError(
                f"an earlier accept was cut off and its folder {old} cannot be moved back "
                f"({error.strerror or error}); rename it to {ACCEPTED}"
            ) from None


def _replace_accepted(folder: Path, notebooks: list[tuple[Path, Any]]) -> None:
    target, aside, old = (folder / name for name in (ACCEPTED, _PART, _OLD))
    try:
        for leftover in (aside, old):
            shutil.rmtree(leftover, ignore_errors=True)
        aside.mkdir(mode=PRIVATE_FOLDER)
        for path, notebook in notebooks:
            stored = dict(inputs_of(_stored_cells(notebook)))
            known = notebook.metadata.get("workbench", {})
            notebook.metadata["workbench"] = {**known, **stored, "versions": versions_of()}
            sign_made(notebook)
            write_notebook(notebook, aside / path.name)
            _copy_permissions(path, aside / path.name)
        if target.exists():
            _copy_permissions(target, aside)
            target.rename(old)
        aside.rename(target)
    except OSError as error:
        raise WorkbenchError(
            f"the notebooks of {folder} could not be accepted: {error.strerror or error}; "
            "what was accepted before is unchanged"
        ) from None
    finally:
        _restore_accepted(folder)
        for leftover in (aside, old):
            shutil.rmtree(leftover, ignore_errors=True)


def _copy_permissions(source: Path, target: Path) -> None:
    with suppress(PermissionError):  # a disk may know no permissions
        shutil.copymode(source, target)


def _stored_cells(notebook: Any) -> list[CellOutputs]:
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    return [CellOutputs(number=n, outputs=tuple(cell.outputs)) for n, cell in enumerate(code, start=1)]


def _verify(path: Path, folder: Path) -> NotebookVerdict:
    accepted = read_notebook(path)
    untested = outputs_problem(accepted)
    if untested:
        return NotebookVerdict(name=path.name, differences=Differences(), problem=untested)
    # the copy lies in the season folder, because the notebook finds its log from there
    copy = folder / f".verify-{path.name}"
    try:
        write_notebook(accepted, copy)
        cells, problem = _run_under_nbval(copy)
    finally:
        with suppress(OSError):  # a disk that refuses this too must not hide why
            copy.unlink(missing_ok=True)
    present = [CellOutputs(number=cell["number"], outputs=tuple(cell["outputs"])) for cell in cells]
    differences = compare_outputs(_stored_cells(accepted)[: len(present)], present)
    versions = versions_sentence(accepted.metadata.get("workbench", {}).get("versions", {}), versions_of())
    return NotebookVerdict(name=path.name, differences=differences, problem=problem, versions=versions)


def _run_under_nbval(notebook: Path) -> tuple[list[dict[str, Any]], str]:
    try:
        with tempfile.TemporaryDirectory() as scratch:
            target = Path(scratch) / "cells.json"
            command = [sys.executable, "-m", "workbench.notebook.recorder", str(notebook), str(target)]
            done = subprocess.run(command, capture_output=True, text=True, check=False, umask=PRIVATE_UMASK)
            if not target.is_file():
                raise WorkbenchError(f"nbval could not run {notebook.name}: {' '.join(done.stderr.split())[-300:]}")
            result = json.loads(target.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise WorkbenchError(f"nbval could not run {notebook.name}: {error}") from None
    for cell in result["cells"]:
        stopped = next((o for o in cell["outputs"] if o.get("output_type") == "error"), None)
        if stopped is not None:
            return result["cells"], f"code cell {cell['number']}: {stopped['ename']}: {stopped['evalue']}"
        warned = next((o for o in cell["outputs"] if o.get("name") == "stderr"), None)
        if warned is not None:
            return result["cells"], f"code cell {cell['number']} warned: {warned['text'].strip().splitlines()[-1]}"
        if cell["failure"] and cell["failure"] != "Cell outputs differ":
            return result["cells"], f"code cell {cell['number']}: {cell['failure']}"
    return result["cells"], "" if result["cells"] else "it has no cells"
