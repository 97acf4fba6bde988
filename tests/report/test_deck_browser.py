"""The review in a headless browser: no errors, nothing cut off, as many printed pages as slides, keys that work."""

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

pytestmark = pytest.mark.browser

SIZES = [(1280, 720), (1920, 1080), (390, 844)]

OVERLAPS = """() => {
  const slide = document.querySelector('.slide.current');
  const footer = slide.querySelector('footer').getBoundingClientRect();
  let bottom = 0, right = 0;
  slide.querySelectorAll('.content *').forEach(part => {
    const box = part.getBoundingClientRect();
    if (box.height) { bottom = Math.max(bottom, box.bottom); }
    if (!part.closest('.wide')) { right = Math.max(right, box.right); }
  });
  return {id: slide.id, below: bottom - footer.top, beside: right - window.innerWidth,
          cut: slide.scrollHeight - slide.clientHeight};
}"""


def executable():
    """The browser; a machine without one fails these tests, it does not pass them over."""
    for name in ("chromium", "chromium-browser", "google-chrome"):
        found = shutil.which(name)
        if found:
            return found
    pytest.fail("no chromium was found on the path; install it, or leave these tests out with -m 'not browser'")


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=executable(), args=["--no-sandbox"])
        yield opened
        opened.close()


def opened(browser, path, size, **more):
    page = browser.new_context(viewport={"width": size[0], "height": size[1]}, **more).new_page()
    page.troubles = []
    page.on("console", lambda message: page.troubles.append(message.text))
    page.on("pageerror", lambda error: page.troubles.append(str(error)))
    page.on(
        "request", lambda request: page.troubles.append(request.url) if re.match("(https?|ws)", request.url) else None
    )
    page.goto(Path(path).as_uri())
    return page


@pytest.mark.parametrize(("which", "size"), [("plain_review", SIZES[0]), *[("hostile_review", size) for size in SIZES]])
def test_every_slide_fits_its_screen_without_errors(browser, which, size, request):
    page = opened(browser, request.getfixturevalue(which).html, size)
    slides = page.locator(".slide").count()
    for _ in range(slides):
        seen = page.evaluate(OVERLAPS) if page.locator(".slide.current .content").count() else None
        if seen is not None:
            assert seen["below"] <= 1, seen
            assert seen["beside"] <= 1, seen
            assert seen["cut"] <= 1, seen
        page.keyboard.press("ArrowRight")

    assert page.troubles == []
    page.context.close()


def test_keys_move_through_the_deck_and_show_all_of_it(browser, plain_review):
    page = opened(browser, plain_review.html, SIZES[0])
    slides = page.locator(".slide").count()

    def place():
        return int(page.locator(".slide.current").get_attribute("data-place"))

    page.keyboard.press("PageDown")
    assert place() == 2
    page.keyboard.press("End")
    assert place() == slides
    page.keyboard.press("ArrowRight")
    assert place() == slides
    page.keyboard.press("Home")
    assert place() == 1
    page.keyboard.press("o")
    assert all(slide.is_visible() for slide in page.locator(".slide").all())
    page.locator(".slide").nth(4).click()
    assert place() == 5
    assert page.url.endswith("#slide-5")
    assert page.locator(".slide:visible").count() == 1
    page.context.close()


def test_a_swipe_moves_to_the_next_slide(browser, plain_review):
    page = opened(browser, plain_review.html, SIZES[2], has_touch=True)
    page.evaluate("""() => {
          const touch = x => new Touch({identifier: 1, target: document.body, clientX: x, clientY: 300});
          document.dispatchEvent(new TouchEvent('touchstart', {touches: [touch(300)], changedTouches: [touch(300)]}));
          document.dispatchEvent(new TouchEvent('touchend', {touches: [], changedTouches: [touch(100)]}));
        }""")

    assert page.locator(".slide.current").get_attribute("data-place") == "2"
    page.context.close()


def test_without_script_all_slides_stand_in_sequence(browser, plain_review):
    page = opened(browser, plain_review.html, SIZES[0], java_script_enabled=False)

    slides = page.locator(".slide")
    assert slides.count() > 10
    tops = [slide.bounding_box()["y"] for slide in slides.all()]
    assert tops == sorted(tops)
    assert len(set(tops)) == len(tops)
    page.context.close()


def printed_pages(path, target, **options):
    command = [executable(), "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"]
    subprocess.run(
        [*command, f"--print-to-pdf={target}", Path(path).as_uri()], check=True, capture_output=True, timeout=120,
        env=os.environ | {"HOME": str(target.parent)},
    )  # fmt: skip
    return len(re.findall(rb"/Type\s*/Page[^s]", target.read_bytes()))


@pytest.mark.parametrize("which", ["plain_review", "hostile_review"])
def test_the_deck_prints_one_slide_a_page(which, request, tmp_path):
    path = request.getfixturevalue(which).html
    slides = path.read_text(encoding="utf-8").count('<section class="slide')

    assert printed_pages(path, tmp_path / "deck.pdf") == slides


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("which", ["plain_review", "hostile_review"])
def test_the_summary_prints_on_one_sheet(browser, which, paper, request):
    page = opened(browser, request.getfixturevalue(which).summary, SIZES[0])
    pages = len(re.findall(rb"/Type\s*/Page[^s]", page.pdf(format=paper)))
    page.context.close()

    assert pages == 1
