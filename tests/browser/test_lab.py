"""JupyterLab as the practitioner uses it: a season folder is opened, run through, and the panel operated."""

import json
import shutil
import time
from urllib.parse import urlsplit

import pytest

from tests.browser.serving import PATIENCE
from workbench.cli import main

pytestmark = pytest.mark.browser

OTHERS = tuple(f"{number:02d}" for number in range(2, 8))
"""How the notebooks begin that the test of one of them leaves aside."""


def chromium():
    """Path of Debian's browser; its absence is a failure, since everything else here rests on it."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    assert found, "Chromium is needed for the browser tests: apt-get install chromium"
    return found


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


def _picked(panel, position=0):
    """The label that a list of a panel shows."""
    return panel.locator("select").nth(position).evaluate("e => e.options[e.selectedIndex].text")


def test_the_ranking_panel_is_driven_by_keyboard_and_panels_open_as_they_were_left(lab, page, tmp_path):
    """Each pick is a new answer, said in a region that screen readers speak, as words of the picture too."""
    address, folder = lab
    (folder / ".panel.json").write_text(json.dumps({"by": "vent", "causes": [], "mission": 120.0, "adjusted": True}))
    _run_all(page, address, "03_rank.ipynb")
    panel = page.locator(".jp-OutputArea-output .widget-vbox").first
    panel.scroll_into_view_if_needed()
    said = panel.locator("[role=status][aria-live=polite]")
    pick, before, first = panel.get_by_label("Choice"), said.inner_text(), _picked(panel)
    pick.focus()
    for number in range(2):
        for key in ("Space", "ArrowDown", "Enter"):  # an arrow alone would go to the next cell, not to the list
            page.keyboard.press(key)
        page.wait_for_function(
            "([before, sel]) => document.querySelector(sel).innerText !== before",
            arg=[before, ".widget-vbox [role=status]"],
        )
        before = said.inner_text()
        assert _picked(panel) == pick.locator("option").nth(number + 1).inner_text()
    assert "raw" in before and "within places" in before and "all held equal" in before and "_" not in before
    assert panel.locator("img").get_attribute("alt") == before
    assert panel.locator("table").count() == 2 and " of " in panel.locator("table").last.inner_text()
    left = _picked(panel)
    assert (
        left != first and json.loads((folder / ".ranking_panel.json").read_text())["choice"].replace("_", " ") == left
    )
    panel.screenshot(path=str(tmp_path / "ranking_panel.png"))
    page.keyboard.press("Escape")
    _run_cells(page)
    panel = page.locator(".jp-OutputArea-output .widget-vbox").first
    assert _picked(panel) == left and panel.locator("[role=status]").inner_text() == before
    _run_all(page, address, "02_compare.ipynb")
    panel = page.locator(".jp-OutputArea-output .widget-vbox").first
    assert _picked(panel) == "vent" and panel.locator("input[type=checkbox]").is_checked()
    assert "places held equal" in panel.locator("[role=status]").inner_text()


def test_a_cell_of_ones_own_is_run_in_the_page_and_verified_with_the_others(lab, page, monkeypatch, capsys):
    address, folder = lab
    _run_all(page, address, "01_intake.ipynb")
    page.locator(".jp-Notebook h2").last.click()
    page.keyboard.press("Escape")
    page.keyboard.press("b")  # a cell below, as the buttons of JupyterLab make it
    page.keyboard.press("Enter")
    page.wait_for_selector(".jp-Notebook.jp-mod-editMode .jp-CodeCell.jp-mod-active .cm-content")
    page.keyboard.insert_text("print('mine:', season.log.used)")
    page.keyboard.press("Shift+Enter")
    page.wait_for_selector("text=/mine: [0-9]+/")
    page.keyboard.press("Control+s")
    stored = folder / "01_intake.ipynb"
    deadline = time.monotonic() + PATIENCE
    while "mine:', season" not in stored.read_text(encoding="utf-8"):
        assert time.monotonic() < deadline
        time.sleep(0.2)
    monkeypatch.setenv("JUPYTER_DATA_DIR", str(folder.parent / "data"))
    alone = folder.parent / "alone"
    shutil.copytree(folder, alone, ignore=lambda _, names: [n for n in names if n[:2] in ("00", *OTHERS)])
    for more, said in (([], "1 of 1 notebook ran"), (["--accept"], "1 notebook accepted."), (["--verify"], "verified")):
        capsys.readouterr()
        assert main(["notebooks", str(alone), *more]) == 0
        assert said in capsys.readouterr().out


def test_code_is_hidden_and_stays_editable(lab, page):
    address, _ = lab
    page.goto(address.format("01_intake.ipynb"))
    page.wait_for_selector(".jp-Notebook .jp-CodeCell")
    page.wait_for_function("() => document.querySelectorAll('.jp-CodeCell .jp-Placeholder').length >= 4")
    page.locator(".jp-CodeCell .jp-Placeholder").first.click()
    page.wait_for_selector(".jp-CodeCell .cm-content[contenteditable=true]")
