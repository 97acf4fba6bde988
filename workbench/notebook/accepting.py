"""Verify and accept: compare notebooks with outputs accepted earlier, and make present outputs the accepted ones."""

import copy
import shutil
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from workbench.errors import UsageError, WorkbenchError
from workbench.notebook.comparing import (
    Differences,
    compare_outputs,
    inputs_of,
    outputs_of,
    versions_of,
    versions_sentence,
)
from workbench.notebook.log_changes import ACCEPTED, KEPT_LOG, LogChange, log_files
from workbench.notebook.private import PRIVATE_FOLDER, write_private
from workbench.notebook.running import (
    find_notebooks,
    kernel_problem,
    kernels,
    outputs_problem,
    read_notebook,
    run_new_notebooks,
    write_notebook,
)
from workbench.notebook.signing import is_from_run, refuse_foreign, sign_made

__all__ = ["NotebookVerdict", "accept_notebooks", "single_unit_sentence", "verify_notebooks"]

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
        """The verdict as sentences; the inputs come first, then conclusions, then numbers."""
        if self.same:
            return (f"{self.name}: every number and text is as accepted.",)
        found = self.differences
        said = [*found.inputs]
        said += [f"It did not run through: {self.problem}."] if self.problem else []
        said += [f"Grade changed: {grade}." for grade in found.grades]
        said += [*found.conclusions, *found.outputs] + ([self.versions] if self.versions else [])
        return tuple(f"{self.name}: {sentence}" for sentence in said)


def verify_notebooks(
    folder: Path, *, say: Callable[[str], None] = lambda _: None, trust: bool = False
) -> list[NotebookVerdict]:
    """Run the accepted notebooks again, against the folder's log of today, and compare; nothing is written."""
    missing = kernel_problem()
    if missing:
        raise UsageError(missing)
    _restore_accepted(folder)
    source = folder / ACCEPTED if (folder / ACCEPTED).is_dir() else folder
    paths = find_notebooks(source)
    if not trust:
        refuse_foreign((path, read_notebook(path)) for path in paths)
    started = []
    verdicts = []
    with kernels(folder) as start:
        for path in reversed(paths):  # the later ones ask more of the season and take longer
            accepted = read_notebook(path)
            untested = outputs_problem(accepted)
            present = _cleared(accepted)
            started.append((path, accepted, present, untested or start(present)))
        for path, accepted, present, run in started:
            say(f"verifying {path.name}")
            if isinstance(run, str):
                verdicts.append(NotebookVerdict(name=path.name, differences=Differences(), problem=run))
            else:
                verdicts.append(_compared_run(path.name, accepted, present, problem=run.result()[0]))
    return sorted(verdicts, key=lambda verdict: verdict.name)


def _cleared(notebook: Any) -> Any:
    cleared = copy.deepcopy(notebook)
    for cell in cleared.cells:
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    return cleared


def _compared_run(name: str, accepted: Any, present: Any, *, problem: str) -> NotebookVerdict:
    """Compare a run with what was accepted, as far as it got."""
    problem = problem and (outputs_problem(present) or problem)
    before, after = outputs_of(accepted), outputs_of(present)
    if problem:
        ran = sum(cell.cell_type == "code" and cell.execution_count is not None for cell in present.cells)
        before, after = before[: max(ran - 1, 0)], after[: max(ran - 1, 0)]
    versions = versions_sentence(accepted.metadata.get("workbench", {}).get("versions", {}), versions_of())
    problem = problem or outputs_problem(present)
    return NotebookVerdict(name=name, differences=compare_outputs(before, after), problem=problem, versions=versions)


def single_unit_sentence(changes: Sequence[LogChange], verdicts: Sequence[NotebookVerdict]) -> str:
    """Say that one single unit moves a grade, where it does."""
    units = {change.unit_id for change in changes}
    grades = {grade for verdict in verdicts for grade in verdict.differences.grades}
    if len(units) != 1 or not grades:
        return ""
    moved = "a grade" if len(grades) == 1 else f"{len(grades)} grades"
    return f"One single unit, {next(iter(units))}, moves {moved}: such a conclusion stands on thin ground."


def accept_notebooks(
    folder: Path, *, say: Callable[[str], None] = lambda _: None, trust: bool = False
) -> list[NotebookVerdict]:
    """Make the present outputs of a folder's notebooks the accepted ones; those never run are run first."""
    for run in run_new_notebooks(folder, say=say, trust=trust):
        if run.problem:
            raise WorkbenchError(f"{run.name} cannot be accepted: {run.problem}")
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
            differences = compare_outputs(outputs_of(read_notebook(before)), outputs_of(notebook))
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
            stored = dict(inputs_of(outputs_of(notebook)))
            known = notebook.metadata.get("workbench", {})
            notebook.metadata["workbench"] = {**known, **stored, "versions": versions_of()}
            sign_made(notebook)
            write_notebook(notebook, aside / path.name)
            _copy_permissions(path, aside / path.name)
        for log in log_files(folder):
            (aside / KEPT_LOG).mkdir(mode=PRIVATE_FOLDER, exist_ok=True)
            write_private(aside / KEPT_LOG / log.name, log.read_bytes())
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
