"""The review as a whole: nothing from elsewhere, every number in findings.json, equal bytes, counts that reconcile."""

import csv
import html
import json
import os
import re
import socket
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from markupsafe import escape

from tests.report.seasons import HOSTILE, SETTINGS, plain_season
from workbench import apart
from workbench.errors import LogError, UsageError, WorkbenchError
from workbench.filing import MANIFEST, Permit, write_together
from workbench.report.basis.exports import csv_text, is_private, set_aside_frame
from workbench.report.basis.finding import JSON_FIELDS, SECTIONS
from workbench.report.making.assembly import gather_findings, review, season_data
from workbench.report.talk import TOPICS

pytestmark = pytest.mark.slow

FILES = ("html", "summary", "pptx", "findings", "set_aside", "ledger")


class Slides(HTMLParser):
    """Text of each slide, and every image with its description."""

    def __init__(self, page):
        super().__init__()
        self.slides, self.images, self.tags, self._inside = [], [], [], False
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        values = dict(attrs)
        self.tags.append((tag, values))
        if tag == "section":
            assert "slide" in values["class"].split()
            self.slides.append("")
            self._inside = True
        if tag == "img":
            self.images.append(values)

    def handle_endtag(self, tag):
        self._inside = self._inside and tag != "section"

    def handle_data(self, data):
        if self._inside:
            self.slides[-1] += " " + data


def test_findings_gathered_in_two_processes_are_those_gathered_in_one(plain_log, monkeypatch):
    """With a season before, so that every builder is asked."""
    said, ended, end = [], [], apart._ended
    monkeypatch.setattr(apart, "_ended", lambda *begun: ended.append(end(*begun)) or ended[-1])
    for room in (True, False):
        monkeypatch.setattr(apart, "_has_room", lambda room=room: room)
        data = season_data(plain_log, settings=SETTINGS)
        claims, withheld = gather_findings(replace(data, previous=data))
        tables = [{name: list(cells) for name, cells in (claim.table or {}).items()} for claim in claims]
        figures = [type(claim.figure.result).__name__ for claim in claims if claim.figure is not None]
        said.append(([claim.as_json() for claim in claims], tables, figures, withheld))
    assert said[0] == said[1] and len(said[0][0]) > 20
    assert ended and None not in ended, "a copy failed, and its work was done a second time"


def without_links(page):
    """A page without the numbers of slides that it leads to."""
    return re.sub(r'(?s)<nav.*?</nav>|<a href="#slide-\d+">\d+</a>', "", page)


def numbers_of(text):
    return set(re.findall(r"\d[\d,]*(?:\.\d+)?", text))


def text_of(path):
    return Path(path).read_text(encoding="utf-8")


@pytest.mark.parametrize("which", ["plain_review", "hostile_review"])
def test_no_output_holds_a_link(which, request):
    written = request.getfixturevalue(which)

    for name in ("html", "summary", "findings"):
        assert "http" not in text_of(getattr(written, name)).lower(), name


def test_six_files_stand_where_the_result_says(plain_review):
    names = [Path(getattr(plain_review, name)).name for name in FILES]

    assert names == ["review.html", "summary.html", "review.pptx", "findings.json", "set_aside.csv", "ledger.csv"]
    assert sorted(os.listdir(plain_review.html.parent)) == sorted([*names, MANIFEST])


def test_findings_json_follows_the_schema(plain_review, plain_log):
    document = json.loads(text_of(plain_review.findings))

    assert list(document) == ["schema", "log", "settings", "versions", "findings"]
    assert document["schema"] == 1
    assert list(document["log"]) == ["file", "sha256", "rows", "used", "set_aside"]
    assert document["log"]["file"] == plain_log.name
    assert len(document["log"]["sha256"]) == 64
    assert document["settings"]["mission_days"] == 150
    assert document["versions"]["workbench"]
    assert all(tuple(finding) == JSON_FIELDS for finding in document["findings"])
    ids = [finding["id"] for finding in document["findings"]]
    assert len(set(ids)) == len(ids)


def test_counts_reconcile_from_log_to_findings(plain_review, plain_log):
    document = json.loads(text_of(plain_review.findings))
    log, by_id = document["log"], {f["id"]: f for f in document["findings"]}
    with open(plain_log, encoding="utf-8") as source:
        rows = list(csv.DictReader(source))
    with open(plain_review.ledger, encoding="utf-8-sig") as source:
        lives = list(csv.DictReader(source))
    outcomes = [row["outcome"] for row in rows]

    assert log["rows"] == len(rows) == log["used"] + log["set_aside"]
    assert len(lives) == log["used"]
    assert by_id["outcome.ends"]["estimate"] == outcomes.count("failed")
    ends = [f["statement"] for f in document["findings"] if f["id"].startswith("outcome.ends/")]
    for words, name in (("failed", "failed"), ("still working", "working"), ("missing", "missing")):
        assert any(line.startswith(f"end: {words}; deployments: {outcomes.count(name)};") for line in ends)
    lives_row = [f["statement"] for f in document["findings"] if f["id"].startswith("outcome.rows/")]
    assert f"what: lives made of them; number: {log['used']}" in lives_row


@pytest.mark.parametrize("which", ["plain_review", "hostile_review"])
def test_every_number_on_a_slide_stands_in_findings_json(which, request):
    written = request.getfixturevalue(which)
    known = numbers_of(text_of(written.findings))
    deck = Slides(without_links(text_of(written.html)))

    assert len(deck.slides) > 10
    for slide in deck.slides:
        assert numbers_of(slide) <= known, slide[:200]


def test_every_number_of_the_summary_stands_in_findings_json(plain_review):
    body = re.sub(r"(?s)<style>.*?</style>", "", text_of(plain_review.summary))
    text = html.unescape(re.sub(r"<[^>]+>", " ", body))

    assert numbers_of(text) <= numbers_of(text_of(plain_review.findings))


@pytest.mark.parametrize("which", ["plain_review", "hostile_review"])
def test_every_picture_is_described_in_words(which, request):
    deck = Slides(text_of(request.getfixturevalue(which).html))

    assert len(deck.images) >= 5
    for image in deck.images:
        assert len(image["alt"].split()) >= 5
        assert not re.search(r"\.(png|svg|jpe?g)\b", image["alt"])
        assert image["src"].startswith("data:image/png;base64,")


def test_slides_stand_in_the_order_of_a_review(plain_review):
    text = text_of(plain_review.html)
    parts = re.findall(r'<section class="slide (talk|appendix)[^>]*>\s*<p class="section">([^<]*)</p>', text)[1:]
    topics = [list(TOPICS.values()).index(html.unescape(h)) for part, h in parts if part == "talk"]
    order = [list(SECTIONS.values()).index(html.unescape(h)) for part, h in parts if part == "appendix"]

    assert topics == sorted(set(topics)) and len(topics) >= 9
    assert order == sorted(order)
    assert {1, 3, 10} <= set(order)
    assert [part for part, _ in parts] == sorted((part for part, _ in parts), reverse=True), "the talk comes first"


def test_nothing_is_loaded_and_no_text_of_the_log_becomes_markup(hostile_review):
    page = text_of(hostile_review.html)
    deck = Slides(page)

    assert HOSTILE["script"] not in page
    assert str(escape(HOSTILE["script"])) in page
    assert sum(tag == "script" for tag, _ in deck.tags) == 1
    for tag, values in deck.tags:
        assert tag not in {"link", "iframe", "object", "embed"}, tag
        assert not {"onclick", "onload", "onerror", "style"} & set(values)
        assert values.get("src", "data:").startswith("data:")
    assert "\u202e" not in page
    assert "L" * 60 not in re.sub(r"base64,[^\"]+", "", page)


def test_formulas_in_lists_of_rows_stay_text(hostile_review):
    for path in (hostile_review.set_aside, hostile_review.ledger):
        with open(path, encoding="utf-8-sig") as source:
            for row in csv.reader(source):
                assert not any(cell.lstrip().startswith(("=", "@")) for cell in row)


def test_positions_and_notes_are_withheld_unless_asked_for(plain_review):
    for name in FILES:
        content = Path(getattr(plain_review, name)).read_bytes()
        assert b"51.23456" not in content, name
        assert b"handed in by a walker" not in content, name


def test_private_cells_are_withheld_in_the_list_of_rows():
    import pandas as pd

    class Aside:
        set_aside = pd.DataFrame(
            {
                "source": ["a.csv"], "sheet": [""], "row": [2], "column": ["Lat"], "field": ["latitude"], "cell": [""],
                "value": ["991.5"], "reason": ["latitude 991.5 is beyond 90"], "advice": ["check 991.5"],
                "scope": ["row"],
            }
        )  # fmt: skip

    assert "991.5" not in set_aside_frame(Aside()).to_string()
    assert "991.5" in set_aside_frame(Aside(), locations=True).to_string()

    class Shifted:
        set_aside = Aside.set_aside.assign(column="", field="", value="'LM-1 | -31.17 | -18.29 | nest by the path | x'")

    assert "-31.17" not in set_aside_frame(Shifted()).to_string(), "a row with a cell too many shows its positions"
    assert "nest by the path" in set_aside_frame(Shifted(), locations=True).to_string()
    assert is_private("photo_3")
    assert is_private("", "Notes")
    assert not is_private("site", "Site")


def test_csv_text_escapes_headings_too_and_keeps_numbers():
    import pandas as pd

    text = csv_text(pd.DataFrame({"=A1": ["+x", "plain"], "n": [-2.5, float("nan")]}))

    assert text == "'=A1,n\r\n'+x,-2.5\r\nplain,\r\n"


def test_a_second_build_needs_no_network_and_gives_the_same_bytes(plain_log, plain_review, tmp_path, monkeypatch):
    def refuse(*args, **kwargs):
        raise AssertionError("a socket was opened")

    monkeypatch.setattr(socket, "socket", refuse)
    monkeypatch.setattr(socket, "create_connection", refuse)
    again = review(plain_log, tmp_path / "again", settings=SETTINGS)

    for name in FILES:
        first, second = (Path(getattr(r, name)).read_bytes() for r in (plain_review, again))
        assert first == second, name


def test_an_earlier_review_survives_a_failed_move(tmp_path, monkeypatch):
    old = {"a.txt": b"old a", "b.txt": b"old b"}
    write_together(tmp_path, old, Permit(replace=True))
    real, calls = os.replace, []

    def failing(source, target):
        calls.append(target)
        if Path(source).name == "b.txt" and Path(source).parent != tmp_path:
            raise OSError(28, "No space left on device")
        real(source, target)

    # the forward move of b fails, after the list and a were moved; the moves back go through
    monkeypatch.setattr("workbench.filing.os.replace", lambda s, t: (failing if len(calls) < 3 else real)(s, t))
    with pytest.raises(WorkbenchError, match=r"No space left.*what was there before is unchanged"):
        write_together(tmp_path, {"a.txt": b"new a", "b.txt": b"new b"}, Permit(replace=True))

    assert {p.name: p.read_bytes() for p in tmp_path.iterdir() if p.name != MANIFEST} == old


def test_an_interruption_leaves_the_earlier_review_whole(tmp_path, monkeypatch):
    write_together(tmp_path, {"a.txt": b"old a"}, Permit(replace=True))
    monkeypatch.setattr("workbench.filing.os.fsync", lambda _: (_ for _ in ()).throw(KeyboardInterrupt))

    with pytest.raises(KeyboardInterrupt):
        write_together(tmp_path, {"a.txt": b"new a"}, Permit(replace=True))

    assert sorted(p.name for p in tmp_path.iterdir()) == [MANIFEST, "a.txt"]
    assert (tmp_path / "a.txt").read_bytes() == b"old a"


def test_what_cannot_be_written_to_is_named(plain_log, tmp_path):
    taken = tmp_path / "file"
    taken.write_text("x", encoding="utf-8")

    with pytest.raises(UsageError, match="is a file; give a folder"):
        review(plain_log, taken)
    with pytest.raises(UsageError, match="cannot write to"):
        review(plain_log, taken / "below")


def test_a_log_without_rows_leaves_nothing_behind(tmp_path):
    log = tmp_path / "empty.csv"
    log.write_text("unit_id,deployed_on,outcome,found_on\n", encoding="utf-8")

    with pytest.raises(LogError):
        review(log, tmp_path / "out")
    assert not list((tmp_path / "out").glob("*"))


def test_a_season_without_failures_still_gives_a_review(tmp_path):
    season = plain_season(40)
    season = season[season["outcome"] == "working"]
    season.to_csv(tmp_path / "quiet.csv", index=False)

    written = review(tmp_path / "quiet.csv", tmp_path / "out", mission=150)
    text = text_of(written.findings)

    assert "up to" in text
    assert "Infinity" not in text
    assert "NaN" not in text
