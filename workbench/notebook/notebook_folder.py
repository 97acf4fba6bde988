"""Season folder: a log, its settings and the notebooks set to it; made once, never overwritten."""

import json
import os
import shlex
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from workbench.errors import LogError, SettingsError, UsageError
from workbench.log.dictionary import NO_SETTINGS
from workbench.log.season_log import read_log
from workbench.log.sources import SETTINGS_NAME, find_files, settings_beside
from workbench.notebook.building import build_notebooks, is_own_story
from workbench.notebook.private import PRIVATE_FOLDER, PRIVATE_UMASK, write_private
from workbench.notebook.running import (
    GLANCE,
    NotebookRun,
    find_notebooks,
    kernel_problem,
    readable_notebooks,
    run_new_notebooks,
    run_notebooks,
    write_notebook,
)
from workbench.notebook.season_folder import season_log
from workbench.notebook.signing import refuse_foreign, sign_made

__all__ = ["jupyter_command", "make_season_folder", "open_notebooks", "serve_folder"]


def make_season_folder(folder: Path, *, log: str | None = None, settings: str | None = None) -> list[str]:
    """Make a season folder, or complete one; nothing there is touched, nothing is copied that cannot be read."""
    source = Path(log) if log is not None else None
    if source is not None and not source.exists():
        raise UsageError(f"{source} does not exist")
    if source is None and not folder.is_dir():
        raise UsageError(f"{folder} does not exist; give a log with --log to make a season folder of it")
    new = find_files(source)[0] if source is not None else []
    found = _settings_of(folder, source, settings)
    _refuse_unread(folder, new, found)
    said = []
    if not folder.exists():
        try:
            folder.parent.mkdir(parents=True, exist_ok=True)
            folder.mkdir(mode=PRIVATE_FOLDER)
        except OSError as error:
            raise UsageError(f"{folder} cannot be made ({error.strerror or error}); choose another folder") from None
        said.append(f"made {folder}")
    for path in new:
        said += _copy_once(path, folder / path.name)
    if found is not None and not (folder / SETTINGS_NAME).exists():
        write_private(folder / SETTINGS_NAME, _content(found))
        said.append(f"copied {found.name} as {SETTINGS_NAME}")
    kept = season_log(folder)
    for name, notebook in build_notebooks("." if kept == folder else kept.name).items():
        if not (folder / name).exists():
            sign_made(notebook)
            write_notebook(notebook, folder / name)
            said.append(f"made {name}")
    return said


def open_notebooks(
    folder: Path, *, say: Callable[[str], None] = lambda _: None, trust: bool = False
) -> list[NotebookRun]:
    """Run the notebooks of a folder that were never run, and the page at a glance, so that it says how things stand."""
    runs = run_new_notebooks(folder, say=say, trust=trust)
    glance = folder / GLANCE
    if GLANCE in [run.name for run in runs] or not glance.is_file():
        return runs
    own = [name for path, notebook in readable_notebooks([glance]) if is_own_story(notebook, name := path.name)]
    return [*runs, *(run_notebooks(folder, say=say, only=own) if own else [])]


def _settings_of(folder: Path, source: Path | None, named: str | None) -> Path | None:
    """The settings that the folder has, or will have: its own, else those named, else those beside the log."""
    if named is not None and named != NO_SETTINGS and not Path(named).is_file():
        raise UsageError(f"{named} does not exist or is no file")
    if (folder / SETTINGS_NAME).is_file():
        return folder / SETTINGS_NAME
    if named is not None:
        return None if named == NO_SETTINGS else Path(named)
    return settings_beside(source if source is not None else folder)


def _refuse_unread(folder: Path, new: Sequence[Path], settings: Path | None) -> None:
    """Refuse logs that the notebooks could not read, once, before anything is copied."""
    kept = {path.name: path for path in _logs_in(folder)}
    for path in new:
        other, data = kept.get(path.name), _content(path)
        if other is not None and _content(other) != data:
            raise UsageError(
                f"{folder} already holds another {path.name}; work there is not overwritten, use a new folder"
            )
    logs = [*kept.values(), *(path for path in new if path.name not in kept)]
    first = str(new[0].parent if len(new) > 1 else new[0]) if new else str(folder)
    if not logs:
        raise UsageError(f"{folder} holds no log; put one there, or give one with --log")
    try:
        log = read_log(logs if len(logs) > 1 else logs[0], settings if settings is not None else NO_SETTINGS)
        log.lives()
    except (LogError, SettingsError) as error:
        adopt = f"workbench adopt {shlex.quote(first)}"
        raise LogError(f"{error}; if its headings or words are its own, adopt it first: {adopt}") from None


def _logs_in(folder: Path) -> list[Path]:
    """The logs that a folder holds already, which may be none."""
    try:
        return find_files(folder)[0] if folder.is_dir() else []
    except UsageError:
        return []


def _copy_once(source: Path, target: Path) -> list[str]:
    if target.exists():
        return []
    write_private(target, _content(source))
    return [f"copied {source.name}"]


def _content(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise UsageError(f"{path} cannot be read ({error.strerror or error}); close it where it is open") from None


_QUIET = (
    "--LabApp.news_url=None",
    "--LabApp.check_for_updates_class=jupyterlab.handlers.announcements.NeverCheckForUpdate",
    "--LabApp.extension_manager=readonly",
    # formulas are set by what JupyterLab brings along; the address of an older setter would else lie outside
    "--ServerApp.tornado_settings={'mathjax_url': 'static/none.js'}",
)
"""What keeps JupyterLab from asking anything of other machines, and from installing anything."""
_OVERRIDES = {
    "@jupyterlab/apputils-extension:notification": {
        "fetchNews": "false",
        "checkForUpdates": False,
        "doNotDisturbMode": True,
    }
}
"""Defaults of the pages, as JupyterLab names them."""


def jupyter_command(folder: Path, *, port: int, browser: bool, terminals: bool = False) -> list[str]:
    """Return the command that serves a folder on this machine only, with JupyterLab's token kept."""
    # -P: a program that lies in the present folder is not taken for a part of JupyterLab
    command = [sys.executable, "-P", "-m", "jupyterlab", f"--ServerApp.root_dir={folder.resolve()}"]
    command += ["--ServerApp.ip=127.0.0.1", f"--ServerApp.port={port}", "--ServerApp.allow_remote_access=False"]
    command += [*_QUIET, f"--ServerApp.terminals_enabled={terminals}"]
    command.append(f"--LabApp.app_settings_dir={_lab_settings()}")
    if (folder / GLANCE).is_file():
        command.append(f"--LabApp.default_url=/lab/tree/{GLANCE}")
    if os.name == "posix" and os.geteuid() == 0:
        command.append("--allow-root")
    return command if browser else [*command, "--no-browser"]


def _lab_settings() -> Path:
    """Write the settings of this server alone, which ask nobody about news; a person's own settings stay theirs."""
    from jupyter_core.paths import jupyter_data_dir

    place = Path(jupyter_data_dir()) / "workbench_lab"
    try:
        place.mkdir(mode=PRIVATE_FOLDER, parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(
            f"{place} cannot be made ({error.strerror or error}); set JUPYTER_DATA_DIR elsewhere"
        ) from None
    write_private(place / "overrides.json", json.dumps(_OVERRIDES).encode())
    return place


def serve_folder(folder: Path, *, port: int, browser: bool, terminals: bool = False, trust: bool = False) -> int:
    """Run JupyterLab on a season folder until it is stopped; notebooks from elsewhere when they are trusted."""
    missing = kernel_problem()
    if missing:
        raise UsageError(missing)
    if not trust:
        refuse_foreign(readable_notebooks(find_notebooks(folder)))
    command = jupyter_command(folder, port=port, browser=browser, terminals=terminals)
    return subprocess.run(command, check=False, umask=PRIVATE_UMASK).returncode
