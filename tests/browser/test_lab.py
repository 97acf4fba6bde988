"""JupyterLab as the practitioner uses it: a season folder is opened, run through, and the panel operated."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from urllib.parse import urlsplit

import pytest

pytestmark = pytest.mark.browser

SAMPLE = Path(__file__).parents[2] / "sample_data"
PATIENCE = 120


def chromium():
    """Path of Debian's browser; its absence is a failure, since everything else here rests on it."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    assert found, "Chromium is needed for the browser tests: apt-get install chromium"
    return found


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


@pytest.fixture(scope="module")
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


@pytest.fixture(scope="module")
def page():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        view = browser.new_page(viewport={"width": 1280, "height": 900})
        view.set_default_timeout(PATIENCE * 1000)
        yield view
        browser.close()


def _await_kernel(page):
    """Wait until the kernel idles; on a slow start JupyterLab asks for the kernel, with the right one picked."""
    deadline = time.monotonic() + PATIENCE
    while time.monotonic() < deadline:
        if page.locator(".jp-Dialog button.jp-mod-accept").count():
            page.locator(".jp-Dialog button.jp-mod-accept").first.click()
        if page.locator("text=/Python 3.*Idle/").count():
            return
        time.sleep(0.3)
    raise AssertionError("the kernel did not start")


def _run_all(page, address, name):
    page.goto(address.format(name))
    page.wait_for_selector(".jp-Notebook .jp-Cell")
    _await_kernel(page)
    _run_cells(page)


def _run_cells(page):
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
    page.wait_for_selector("text=/[0-9]+ of [0-9]+ checks hold/")
    page.wait_for_selector("text=/Python 3.*Idle/")
    assert page.locator(".jp-OutputArea-output[data-mime-type='application/vnd.jupyter.error']").count() == 0
    assert page.locator(".jp-OutputArea-output[data-mime-type='application/vnd.jupyter.stderr']").count() == 0


def test_a_season_runs_through_in_jupyterlab_and_the_panel_answers(lab, page, tmp_path):
    address, folder = lab
    problems, asked = [], set()
    page.on("pageerror", lambda error: problems.append(str(error)))
    page.on("request", lambda request: asked.add(urlsplit(request.url).hostname))
    root, _, token = address.partition("lab/workspaces")[0], *address.rpartition("?")[1:]
    page.goto(f"{root}?{token}")
    page.wait_for_selector(
        ".jp-Notebook h1:has-text('season at a glance')"
    )  # the opening page, not the launcher, and no question
    _await_kernel(page)
    assert page.locator("text=/Jupyter news/").count() == 0
    _run_cells(page)
    assert page.locator("text=/code cell 1 was not executed/").count() >= 7
    _run_all(page, address, "02_compare.ipynb")
    panel = page.locator(".jp-OutputArea-output .widget-vbox").first
    panel.scroll_into_view_if_needed()
    sentence = panel.locator("[role=status]")
    assert "Not adjusted" in sentence.inner_text()
    panel.locator("select").first.select_option(label="vent")
    page.wait_for_function(
        "() => [...document.querySelectorAll('[role=status]')].some(e => /vent/.test(e.textContent))"
    )
    panel.locator("input[type=checkbox]").check()
    page.wait_for_function(
        "() => [...document.querySelectorAll('[role=status]')].some(e => /places held equal/.test(e.textContent))"
    )
    assert "choices equal too, here only places are" in sentence.inner_text()
    code = panel.locator("textarea").last.input_value()
    assert code.startswith("workbench.rank_choices(")
    assert json.loads((folder / ".panel.json").read_text())["by"] == "vent"
    panel.scroll_into_view_if_needed()
    page.screenshot(path=str(tmp_path / "panel.png"))
    assert (tmp_path / "panel.png").stat().st_size > 20_000
    assert problems == []
    assert asked - {None} == {"127.0.0.1"}
    assert not (folder.parent / "called.txt").exists()
    assert not any(p.stat().st_mode & 0o077 for p in [folder])


def test_code_is_hidden_and_stays_editable(lab, page):
    address, _ = lab
    page.goto(address.format("01_intake.ipynb"))
    page.wait_for_selector(".jp-Notebook .jp-CodeCell")
    page.wait_for_function("() => document.querySelectorAll('.jp-CodeCell .jp-Placeholder').length >= 4")
    page.locator(".jp-CodeCell .jp-Placeholder").first.click()
    page.wait_for_selector(".jp-CodeCell .cm-content[contenteditable=true]")
