"""Season folder: a log, its settings and the six notebooks set to it; made once, never overwritten."""

import os
import subprocess
import sys
from pathlib import Path

from workbench.errors import UsageError
from workbench.notebook.building import build_notebooks
from workbench.notebook.private import PRIVATE_FOLDER, PRIVATE_UMASK, write_private
from workbench.notebook.running import kernel_problem, write_notebook
from workbench.notebook.season_folder import SETTINGS_NAME, find_log, find_settings

__all__ = ["jupyter_command", "make_season_folder", "serve_folder"]


def make_season_folder(folder: Path, *, log: str | None = None, settings: str | None = None) -> list[str]:
    """Make a season folder, or complete one; nothing that is there already is touched."""
    source = Path(log) if log is not None else None
    if source is not None and not source.is_file():
        raise UsageError(f"{source} does not exist or is no file")
    if source is None and not folder.is_dir():
        raise UsageError(f"{folder} does not exist; give a log with --log to make a season folder of it")
    said = []
    if not folder.exists():
        try:
            folder.parent.mkdir(parents=True, exist_ok=True)
            folder.mkdir(mode=PRIVATE_FOLDER)
        except OSError as error:
            raise UsageError(f"{folder} cannot be made ({error.strerror or error}); choose another folder") from None
        said.append(f"made {folder}")
    if source is not None:
        said += _copy_once(source, folder / source.name, folder)
    kept = find_log(folder)
    found = Path(settings) if settings is not None else find_settings(source) if source is not None else None
    if found is not None and not found.is_file():
        raise UsageError(f"{found} does not exist or is no file")
    if found is not None and not (folder / SETTINGS_NAME).exists():
        write_private(folder / SETTINGS_NAME, _content(found))
        said.append(f"copied {found.name} as {SETTINGS_NAME}")
    for name, notebook in build_notebooks(kept.name).items():
        if not (folder / name).exists():
            write_notebook(notebook, folder / name)
            said.append(f"made {name}")
    return said


def _copy_once(source: Path, target: Path, folder: Path) -> list[str]:
    data = _content(source)
    if target.exists():
        if _content(target) == data:
            return []
        raise UsageError(
            f"{folder} already holds another {target.name}; work there is not overwritten, use a new folder"
        )
    write_private(target, data)
    return [f"copied {source.name}"]


def _content(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise UsageError(f"{path} cannot be read ({error.strerror or error}); close it where it is open") from None


def jupyter_command(folder: Path, *, port: int, browser: bool) -> list[str]:
    """Return the command that serves a folder on this machine only, with JupyterLab's token kept."""
    command = [sys.executable, "-m", "jupyterlab", f"--ServerApp.root_dir={folder.resolve()}"]
    command += ["--ServerApp.ip=127.0.0.1", f"--ServerApp.port={port}", "--ServerApp.allow_remote_access=False"]
    if os.name == "posix" and os.geteuid() == 0:
        command.append("--allow-root")
    return command if browser else [*command, "--no-browser"]


def serve_folder(folder: Path, *, port: int, browser: bool) -> int:
    """Run JupyterLab on a season folder until it is stopped."""
    missing = kernel_problem()
    if missing:
        raise UsageError(missing)
    command = jupyter_command(folder, port=port, browser=browser)
    return subprocess.run(command, check=False, umask=PRIVATE_UMASK).returncode
