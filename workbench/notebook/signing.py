"""Were a notebook's code and outputs made here, or did they come from elsewhere?

A signature is a digest of the whole notebook with a secret that never leaves this person's Jupyter data folder.
JupyterLab signs what is run and saved in it the same way; runs by the workbench stand apart, in a store of their own.
"""

import logging
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from workbench.errors import UsageError, WorkbenchError
from workbench.notebook.building import is_own_story
from workbench.notebook.private import PRIVATE_FOLDER
from workbench.printing import visible

__all__ = ["is_from_run", "refuse_foreign", "sign_made", "sign_run"]

_MADE, _RUNS = "nbsignatures.db", "workbench_runs.db"


def sign_made(notebook: Any) -> None:
    """Remember a notebook as one that was made here."""
    _sign(notebook, _MADE)


def sign_run(notebook: Any) -> None:
    """Remember a notebook as one whose outputs come from a run of the workbench."""
    for store in (_MADE, _RUNS):
        _sign(notebook, store)


def is_from_run(notebook: Any) -> bool:
    """Whether a notebook, as it was read, is one that a run of the workbench left, to the last character."""
    return _is_signed(notebook, _RUNS)


def refuse_foreign(notebooks: Iterable[tuple[Path, Any]]) -> None:
    """Refuse to run notebooks that were not made, run or saved here; the package's own programs are not foreign."""
    foreign = [
        path.name
        for path, notebook in notebooks
        if not is_own_story(notebook, path.name) and not _is_signed(notebook, _MADE)
    ]
    if foreign:
        more = f" and {len(foreign) - 1} more" if len(foreign) > 1 else ""
        raise UsageError(
            f"{visible(foreign[0])}{more} came from elsewhere or changed outside JupyterLab; a notebook is a program "
            "and can do whatever you can on this machine: read its code first, then say --trust"
        )


def _sign(notebook: Any, store: str) -> None:
    import nbformat

    with _notary(store) as notary:
        notary.sign(nbformat.reads(nbformat.writes(notebook), as_version=4))


def _is_signed(notebook: Any, store: str) -> bool:
    with _notary(store) as notary:
        return bool(notary.check_signature(notebook))


@contextmanager
def _notary(store: str) -> Iterator[Any]:
    from jupyter_core.paths import jupyter_data_dir
    from nbformat.sign import NotebookNotary

    folder = Path(jupyter_data_dir())
    log = logging.getLogger("workbench.signing")
    log.disabled = True  # a store that cannot be opened makes notebooks foreign, which is said
    try:
        folder.mkdir(mode=PRIVATE_FOLDER, parents=True, exist_ok=True)
        with NotebookNotary(data_dir=str(folder), db_file=str(folder / store), log=log) as notary:
            yield notary
    except (OSError, sqlite3.Error) as error:
        raise WorkbenchError(
            f"what was made here is remembered in {visible(folder)}, which cannot be used "
            f"({getattr(error, 'strerror', None) or error}); make room, or set JUPYTER_DATA_DIR to another folder"
        ) from None
