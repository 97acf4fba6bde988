"""Injected faults: a disk on which one step fails, tried for each step of what is done, on a fresh copy each time."""

import builtins
import io
import os
import shutil
from pathlib import Path

import pandas as pd
import pytest

from tests.report.seasons import few_columns
from workbench.errors import WorkbenchError
from workbench.filing import MANIFEST
from workbench.notebook import notebook_folder

__all__ = ["DAMAGED", "FULL", "INTERRUPT", "READ_ONLY", "Failing", "few_notebooks", "inject", "small_log", "tree"]

FULL = OSError(28, "No space left on device")
READ_ONLY = OSError(30, "Read-only file system")
DAMAGED = OSError(5, "Input/output error")
INTERRUPT = KeyboardInterrupt()


class Failing:
    """Lets the n-th step in a folder fail (to open, write, move, make or sync), or all from it on."""

    def __init__(self, monkeypatch, folder, at, error, *, lasting=False, reading=False):
        self.folder, self.at, self.error, self.steps = str(folder), at, error, []
        self.lasting, self.reading, self.opened = lasting, reading, {}
        self.real_open = io.open
        monkeypatch.setattr(builtins, "open", self.open)
        monkeypatch.setattr(io, "open", self.open)
        for name in ("replace", "rename", "mkdir", "fsync"):
            monkeypatch.setattr(os, name, self.wrap(name, getattr(os, name)))
        monkeypatch.setattr(os, "open", self.wrap_os_open(os.open))

    def step(self, name, *paths):
        if not any(str(p).startswith(self.folder) for p in paths):
            return
        self.steps.append(name)
        if len(self.steps) == self.at or (self.lasting and len(self.steps) > self.at):
            raise self.error

    def wrap(self, name, real):
        def call(*arguments, **named):
            path = self.folder if name == "fsync" else arguments[-1] if name in ("replace", "rename") else arguments[0]
            self.step(f"os.{name}", path)
            return real(*arguments, **named)

        return call

    def wrap_os_open(self, real):
        def call(path, flags, *arguments, **named):
            writing = flags & (os.O_WRONLY | os.O_RDWR)
            if writing:
                self.step("open for writing", path)
            number = real(path, flags, *arguments, **named)
            if writing:
                self.opened[number] = path
            return number

        return call

    def open(self, file, mode="r", *arguments, **named):
        if isinstance(file, int) and set(mode) & set("wax+") and file in self.opened:
            return self.watched(self.real_open(file, mode, *arguments, **named), self.opened.pop(file))
        if not set(mode) & set("wax+") or not isinstance(file, str | os.PathLike):
            if self.reading and isinstance(file, str | os.PathLike):
                self.step("open for reading", file)
            return self.real_open(file, mode, *arguments, **named)
        self.step("open for writing", file)
        return self.watched(self.real_open(file, mode, *arguments, **named), file)

    def watched(self, stream, file):
        real, failing = stream.write, self

        class Stream:
            def __getattr__(self, name):
                return getattr(stream, name)

            def __enter__(self):
                return self

            def __exit__(self, *_):
                stream.close()

            def write(self, data):
                if len(failing.steps) + 1 == failing.at:
                    real(data[: len(data) // 2])  # the disk fills up half way
                failing.step("write", file)
                return real(data)

        return Stream()


def tree(folder):
    """What lies in a folder, but for the list of files written there, which a test of its own looks at."""
    files = [p for p in sorted(Path(folder).rglob("*")) if p.is_file() and p.name != MANIFEST]
    return {str(p.relative_to(folder)): p.read_bytes() for p in files}


def few_notebooks(patch):
    """Let a season folder get its first three notebooks: each of the eight is written the same way."""
    every = notebook_folder.build_notebooks
    patch.setattr(notebook_folder, "build_notebooks", lambda log: dict(list(every(log).items())[:3]))


def inject(folder, act, error, **how):
    """Run `act` with each step failing in turn, on a fresh copy each time; yield copy, error raised and steps."""
    for at in range(1, 200):
        copy = folder.with_name(f"{folder.name}-{at}")
        shutil.copytree(folder, copy)
        with pytest.MonkeyPatch.context() as patch:
            failing = Failing(patch, copy, at, error, **how)
            raised = None
            try:
                act(copy)
            except (OSError, WorkbenchError, KeyboardInterrupt) as found:
                raised = found
        yield copy, raised, failing.steps
        shutil.rmtree(copy)
        if len(failing.steps) < at:
            return
    raise AssertionError("more steps than expected")


def small_log(folder):
    """Write the first rows of a sample season as a log that is read in no time."""
    sample = Path(__file__).parents[1] / "sample_data" / "lantern_moor_2024.csv"
    path = folder / "season.csv"
    few_columns(pd.read_csv(sample, dtype=str, keep_default_na=False, nrows=8)).to_csv(path, index=False)
    return path
