"""Run one notebook under nbval and write as JSON what each cell put out: `-m workbench.notebook.recorder NB OUT`."""

import json
import os
import sys
from pathlib import Path
from typing import Any

import pytest

__all__ = ["record"]


class _Recorder:
    """A pytest plugin that keeps the outputs of every notebook cell and whether it ran."""

    def __init__(self) -> None:
        self.cells: list[dict[str, Any]] = []

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_makereport(self, item: Any, call: Any) -> Any:
        """Keep the outputs of a cell when it has run; takes and returns what pytest's hook does; raises nothing."""
        yield
        if call.when != "call" or not hasattr(item, "cell_num"):
            return
        failure = str(call.excinfo.value.args[1]) if call.excinfo and len(call.excinfo.value.args) > 1 else ""
        if call.excinfo and not failure:
            failure = str(call.excinfo.value)
        outputs = [json.loads(json.dumps(output)) for output in (item.test_outputs or [])]
        self.cells.append({"number": item.cell_num + 1, "failure": failure, "outputs": outputs})


def record(notebook: str, target: str) -> int:
    """Run a notebook under nbval."""
    recorder = _Recorder()
    # the caller's own pytest settings must not reach in here, nor anything be written beside the log
    options = ["-q", "-c", os.devnull, "--rootdir", str(Path(notebook).parent), "-p", "no:cacheprovider"]
    code = pytest.main([*options, "--nbval", "--nbval-cell-timeout", "120", notebook], plugins=[recorder])
    Path(target).write_text(json.dumps({"exit": int(code), "cells": recorder.cells}), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(record(sys.argv[1], sys.argv[2]))
