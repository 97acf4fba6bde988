"""A JupyterLab that runs on a new season folder, started once for all tests that look at it."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

SAMPLE = Path(__file__).parents[2] / "sample_data"
PATIENCE = 120
"""Seconds that a loaded machine is given."""

WATCH = """
import sys

def _watch(event, args):
    if event in ("socket.connect", "socket.sendto", "socket.getaddrinfo"):
        place = args[0] if event == "socket.getaddrinfo" else args[1]
        host = place[0] if isinstance(place, tuple) else place
        if str(host) not in ("127.0.0.1", "::1", "localhost", "None", "") and not str(host).startswith("/"):
            with open({target!r}, "a") as told:
                told.write(f"{{event}} {{place}}\\n")

sys.addaudithook(_watch)
"""
"""Python's own report of whom a process calls, in the server and its kernels."""


@pytest.fixture(scope="session")
def lab(tmp_path_factory):
    """A running JupyterLab on a new season folder: its address with token, and the folder."""
    base = tmp_path_factory.mktemp("lab")
    folder, runtime = base / "season", base / "runtime"
    environment = os.environ | {
        "JUPYTER_RUNTIME_DIR": str(runtime),
        "JUPYTER_CONFIG_DIR": str(base / "config"),
        "JUPYTER_DATA_DIR": str(base / "data"),
        "JUPYTERLAB_SETTINGS_DIR": str(base / "settings"),
    }
    (base / "watch").mkdir()
    (base / "watch" / "sitecustomize.py").write_text(WATCH.format(target=str(base / "called.txt")), encoding="utf-8")
    environment["PYTHONPATH"] = os.pathsep.join([str(base / "watch"), os.environ.get("PYTHONPATH", "")])
    # every cell stays in the page, so that the test can see all of them
    tracker = base / "settings" / "@jupyterlab" / "notebook-extension" / "tracker.jupyterlab-settings"
    tracker.parent.mkdir(parents=True)
    tracker.write_text('{"windowingMode": "none"}', encoding="utf-8")
    command = [sys.executable, "-m", "workbench", "lab", str(folder), "--log", str(SAMPLE / "lantern_moor_2025.xlsx")]
    command += ["--settings", str(SAMPLE / "lantern_moor_2025.toml"), "--no-browser", "--no-run"]
    command += ["--port", "8931"]
    with open(base / "server.log", "w") as log:
        server = subprocess.Popen(command, env=environment, stdout=log, stderr=log, start_new_session=True)
    try:
        yield _address(runtime, server, base / "server.log"), folder
    finally:
        os.killpg(server.pid, signal.SIGTERM)
        server.wait(timeout=30)


def _address(runtime, server, log):
    deadline = time.monotonic() + PATIENCE
    while time.monotonic() < deadline:
        assert server.poll() is None, log.read_text()
        for file in runtime.glob("jpserver-*.json"):
            told = json.loads(file.read_text())
            assert told["hostname"] == "127.0.0.1"
            assert len(told["token"]) >= 32
            return f"{told['url']}lab/workspaces/w{{0:.2}}/tree/{{0}}?token={told['token']}"
        time.sleep(0.3)
    raise AssertionError(log.read_text())
