"""The talk in a browser: letters large enough for a projector, nothing cut or overlapping on two screens, its keys."""

import re

import pytest

from tests.report.test_deck_browser import browser, opened  # noqa: F401
from tests.report.test_talk import SEASONS

pytestmark = pytest.mark.browser

POINT = 1280 / 13.333 / 72
"""Dots per point on a screen of 1,280 dots, where a slide of 13.333 inches fills it."""

MEASURE = """() => {
  const slide = document.querySelector('.slide.current');
  const size = part => parseFloat(getComputedStyle(part).fontSize);
  const seen = part => part.getBoundingClientRect().height > 0 && part.textContent.trim();
  const words = Array.from(slide.querySelectorAll('h2, .section, .side p, .side li, th, td')).filter(seen);
  const foot = slide.querySelector('footer').getBoundingClientRect().top;
  const boxes = ['.section', 'h2', 'figure', '.side'].map(s => slide.querySelector(s)).filter(b => b)
    .map(b => ({name: b.className || b.tagName, box: b.getBoundingClientRect()}));
  const overlap = [];
  boxes.forEach((a, i) => boxes.slice(i + 1).forEach(b => {
    const wide = Math.min(a.box.right, b.box.right) - Math.max(a.box.left, b.box.left);
    const tall = Math.min(a.box.bottom, b.box.bottom) - Math.max(a.box.top, b.box.top);
    if (wide > 1 && tall > 1) { overlap.push(a.name + ' over ' + b.name); }
  }));
  const low = Math.max(...Array.from(slide.querySelectorAll('.content *')).map(p => p.getBoundingClientRect().bottom));
  const right = Math.max(...Array.from(slide.querySelectorAll('.content *')).map(p => p.getBoundingClientRect().right));
  const image = slide.querySelector('img');
  return {
    id: slide.id, headline: slide.querySelector('h2') ? size(slide.querySelector('h2')) : null,
    smallest: words.length ? Math.min(...words.map(size)) : null,
    body: Math.min(...Array.from(slide.querySelectorAll('.side p, .side li')).filter(seen).map(size)),
    below: low - foot, beside: right - window.innerWidth, overlap,
    cut: slide.scrollHeight - slide.clientHeight, picture: image ? image.getBoundingClientRect().height : null,
  };
}"""


@pytest.mark.parametrize("size", [(1280, 720), (1024, 768)], ids=["wide", "tall"])
@pytest.mark.parametrize("name", SEASONS)
def test_every_talk_slide_can_be_read_and_nothing_is_cut(browser, talk_of, name, size):  # noqa: F811
    page = opened(browser, talk_of(name).html, size)
    point = POINT * min(size[0] / 1280, size[1] / 720)
    for _ in range(page.locator(".slide.talk").count()):
        seen = page.evaluate(MEASURE)
        if seen["headline"] is not None:
            assert seen["headline"] >= 28 * point - 0.1, seen
            assert seen["smallest"] >= 14 * point - 0.1, seen
            assert seen["body"] is None or seen["body"] >= 18 * point - 0.1, seen
            assert seen["overlap"] == [], seen
            assert max(seen["below"], seen["beside"], seen["cut"]) <= 1, seen
            assert seen["picture"] is None or seen["picture"] >= 0.35 * size[1], seen
        page.keyboard.press("ArrowRight")
    assert page.troubles == []
    page.context.close()


def test_the_speaker_sees_notes_clock_and_what_comes_next(browser, talk_of):  # noqa: F811
    page = opened(browser, talk_of("plain").html, (1280, 720))
    page.keyboard.press("ArrowRight")
    with page.expect_popup() as shown:
        page.keyboard.press("s")
    speaker = shown.value

    assert re.match(r"\d\d:\d\d\s+\d+:\d\d", speaker.locator("#clock").text_content())
    assert "We are here for" in speaker.locator("#notes").text_content()
    assert speaker.locator("#next").text_content().startswith("Next: 3")
    speaker.keyboard.press("ArrowRight")
    assert page.locator(".slide.current").get_attribute("data-place") == "3"
    assert speaker.locator("#now").text_content().startswith("3")
    page.context.close()


def test_one_jumps_by_number_and_by_section_and_follows_links(browser, talk_of):  # noqa: F811
    page = opened(browser, talk_of("plain").html, (1280, 720))

    def place():
        return int(page.locator(".slide.current").get_attribute("data-place"))

    for key in ("1", "2", "Enter"):
        page.keyboard.press(key)
    assert place() == 12
    page.keyboard.press("j")
    assert page.locator("nav.jump").is_visible()
    page.locator("nav.jump a", has_text="How long they lasted").click()
    page.locator('.slide.current[data-place="4"]').wait_for()  # a browser tells of a new address in its own time
    assert not page.locator("nav.jump").is_visible()
    page.locator(".slide.current footer a").first.click()
    page.locator(".slide.appendix.current").wait_for()
    page.locator(".slide.current footer a").first.click()
    page.locator(".slide.talk.current").wait_for()
    assert place() == 4
    page.context.close()


def test_controls_are_hidden_until_the_mouse_moves(browser, talk_of):  # noqa: F811
    page = opened(browser, talk_of("plain").html, (1280, 720))
    bar = page.locator("nav.bar")

    assert bar.evaluate("part => getComputedStyle(part).opacity") == "0"
    page.mouse.move(300, 300)
    page.mouse.move(320, 320)
    page.wait_for_function("getComputedStyle(document.querySelector('nav.bar')).opacity > 0.9")
    page.context.close()


def test_the_talk_prints_alone_or_with_all(browser, talk_of):  # noqa: F811
    page = opened(browser, talk_of("plain").html, (1280, 720))
    counts = {part: page.locator(f".slide.{part}").count() for part in ("talk", "appendix")}

    def pages():
        return len(re.findall(rb"/Type\s*/Page[^s]", page.pdf(prefer_css_page_size=True)))

    assert pages() == sum(counts.values())
    page.evaluate("document.documentElement.classList.add('talk-alone')")
    assert pages() == counts["talk"]
    page.context.close()


def test_the_picture_of_the_summary_stays_within_its_page(browser, talk_of):  # noqa: F811
    page = opened(browser, talk_of("plain").summary, (794, 1123))
    box, whole = page.locator("img").bounding_box(), page.locator("main").bounding_box()

    assert whole["x"] <= box["x"] and box["x"] + box["width"] <= whole["x"] + whole["width"] + 1
    page.context.close()
