"""The forms in a real browser: filled in, closed, opened again, saved, entered and read; by keys alone; on a phone."""

import csv
import shutil
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image

from workbench.cli import main
from workbench.log.season_log.reading import read_log

pytestmark = pytest.mark.browser

LOG = """unit_id,deployment,deployed_on,last_good_on,found_on,outcome,lid_seal,notes
A-1,1,2025-03-01,2025-04-01,2025-05-01,failed,o_ring,"mouse ate the cable, no puddle, screws loose"
B-2,1,2025-03-01,2025-04-01,2025-05-01,failed,cord,
"<b onclick=""x()"">C</b>",1,2025-03-01,2025-08-01,2025-08-01,working,cord,
"""
WIDTH = "() => document.documentElement.scrollWidth - window.innerWidth"


@pytest.fixture
def season(tmp_path):
    (tmp_path / "log.csv").write_text(LOG)
    (tmp_path / "season.toml").write_text('window = ["2025-01-01", "2025-12-31"]\n')
    assert main(["teardown", str(tmp_path / "log.csv"), "--form", str(tmp_path / "form.html")]) == 0
    return tmp_path


@pytest.fixture
def phone(tmp_path):
    """A browser that keeps what pages store, in a folder; called, it opens a page of a given width."""
    from playwright.sync_api import sync_playwright

    place = shutil.which("chromium") or shutil.which("chromium-browser")
    assert place, "Chromium is needed for the browser tests: apt-get install chromium"
    troubles, kept = [], []
    with sync_playwright() as driver:

        def opened(path, width=1000):
            context = driver.chromium.launch_persistent_context(
                str(tmp_path / "profile"), executable_path=place, args=["--no-sandbox"], accept_downloads=True,
                viewport={"width": width, "height": 800},
            )  # fmt: skip
            kept.append(context)
            page = context.new_page()
            page.on("console", lambda message: troubles.append(message.text))
            page.on("pageerror", lambda error: troubles.append(str(error)))
            page.on("request", lambda request: troubles.append(request.url) if request.url.startswith("http") else None)
            page.goto(Path(path).as_uri())
            return page

        yield opened
        for context in kept:
            context.close()
    assert troubles == []


def _saved(page, act):
    with page.expect_download() as download:
        act()
    target = Path(download.value.path())
    return download.value.suggested_filename, target.read_bytes()


def test_what_is_filled_in_survives_closing_and_reaches_the_log(season, phone, capsys):
    page = phone(season / "form.html")
    assert page.locator("#export").is_disabled()  # the cautions come first, and are to be ticked
    page.check("#read")
    page.check("[data-sign=tide_line][value=yes]")
    page.check("[data-sign=tooth_marks][value=no]")
    page.click("[data-noted=loose_screws_polished_threads]")  # what the note tells of counts once it is confirmed
    assert page.is_checked("[data-sign=loose_screws_polished_threads][value=yes]")
    page.select_option("#f-condition_found", "wet")
    page.fill("#f-weight_found_g", "684.5")
    picture = BytesIO()
    exif = Image.Exif()
    exif[0x8825] = {1: "N", 2: (47.0, 6.0, 0.0)}  # where it was taken
    Image.new("RGB", (2400, 900), "grey").save(picture, "JPEG", exif=exif)
    name, data = _saved(page, lambda: page.set_input_files(
        "#f-photo_1", {"name": "x.jpg", "mimeType": "image/jpeg", "buffer": picture.getvalue()}))  # fmt: skip
    taken = Image.open(BytesIO(data))
    assert (name, taken.size, dict(taken.getexif())) == ("A-1_1_photo_1.jpg", (1600, 600), {})
    page.select_option("#f-mechanism", "lid_seal_leak")
    page.select_option("#f-confidence", "sure")
    page.select_option("#unit", index=1)
    assert not page.is_checked("[data-sign=tide_line][value=yes]")  # each unit has its own
    page.check("[data-sign=tide_line][value=not_checked]")
    page.wait_for_timeout(6000)  # a browser writes what a page keeps to the disk some seconds later
    page.context.close()

    page = phone(season / "form.html", width=390)
    assert page.locator("#read").is_checked() and page.locator("#unit").evaluate("u => u.selectedIndex") == 1
    page.select_option("#unit", index=0)
    assert page.is_checked("[data-sign=tide_line][value=yes]") and page.input_value("#f-weight_found_g") == "684.5"
    assert page.evaluate(WIDTH) <= 0 and page.locator("b[onclick]").count() == 0
    name, data = _saved(page, lambda: page.click("#export"))
    (season / "saved.csv").write_bytes(data)
    rows = list(csv.DictReader(data.decode().splitlines()))
    assert name.startswith("teardowns_") and [r["unit_id"] for r in rows] == ["A-1", "B-2"]

    before = (season / "log.csv").read_bytes()
    capsys.readouterr()
    assert main(["enter", str(season / "log.csv"), str(season / "saved.csv")]) == 0
    out = capsys.readouterr().out
    assert "you say lid seal leak; the signs suggest" in out and "A-1 1: tide_line yes" in out
    log = read_log(season / "log.csv")
    row = log.records.iloc[0]
    assert (row["tide_line"], row["tooth_marks"], row["condition_found"]) == ("yes", "no", "wet")
    assert row["loose_screws_polished_threads"] == "yes" and "standing_clear_water" not in row
    assert (row["weight_found_g"], row["mechanism"], row["photo_1"]) == (684.5, "lid_seal_leak", "A-1_1_photo_1.jpg")
    assert (season / "log.csv").read_bytes() == before and not len(log.problems)


def test_the_form_is_filled_in_with_keys_alone(season, phone):
    page = phone(season / "form.html")
    keys = page.keyboard
    keys.press("Tab")
    keys.press("Space")
    assert page.locator("#export").is_enabled()
    keys.press("Tab")
    keys.press("ArrowDown")
    assert page.locator("#unit").evaluate("u => u.selectedIndex") == 1
    for _ in range(200):
        keys.press("Tab")
        if page.evaluate("() => document.activeElement.dataset.sign") == "tide_line":
            break
    keys.press("Space")
    keys.press("ArrowRight")
    assert page.is_checked("[data-sign=tide_line][value=no]")
    for _ in range(400):
        keys.press("Tab")
        if page.evaluate("() => document.activeElement.id") == "export":
            break
    _, data = _saved(page, lambda: keys.press("Enter"))
    (row,) = csv.DictReader(data.decode().splitlines())
    assert (row["unit_id"], row["tide_line"]) == ("B-2", "no")


def test_a_round_of_visits_reaches_the_log(season, phone):
    form = season / "field.html"
    assert main(["teardown", str(season / "log.csv"), "--field-form", str(form)]) == 0
    page = phone(form, width=390)
    page.check("#read")
    page.fill("#f-visited_on", "2025-10-02")
    page.select_option("#f-state", "working")
    assert page.evaluate(WIDTH) <= 0
    name, data = _saved(page, lambda: page.click("#export"))
    assert name.startswith("visits_") and data.decode().startswith("unit_id,visited_on,state")
    (season / "saved.csv").write_bytes(data.replace(b"2025-10-02", b"2025-08-01"))
    assert main(["enter", str(season / "log.csv"), str(season / "saved.csv")]) == 0
    assert (season / "visits.csv").is_file() and read_log(season / "log.csv").used == 3
