"""A log and settings whose every text is hostile, through every output: nothing runs, loads, spoofs or names a file."""

import csv
import io
import json
import re
import sys
import unicodedata
import zipfile
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pytest

from workbench import apart
from workbench.cli import main
from workbench.filing import MANIFEST
from workbench.log.dictionary.settings import read_settings
from workbench.log.season_log.reading import read_log
from workbench.notebook.showing import mimebundle
from workbench.report.making.assembly import review
from workbench.simulate import simulate_season

pytestmark = pytest.mark.slow

MARK = "zq9"
PAYLOADS = (
    "=zq9+1", "@zq9(1)", "+zq9", "-zq9+1", " =zq9(2)", "\t=zq9(3)", "<script>zq9()</script>",
    "<img src=x onerror=zq9()>", '" onmouseover="zq9()', "javascript:zq9()", "https://zq9.example/?a=<b>",
    "../../zq9/evil", "/etc/zq9", "C:\\zq9\\evil", "\u202ezq9", "z\u200bq9 zero", "\u2066zq9\u2069", "{zq9} %s {0}",
    "$\\frac{zq9}{0}$", "$zq9", "&lt;zq9&gt;", "]]>zq9", "<!--zq9", "</style></script>zq9", "\x1b[31mzq9",
    "zq9\x07bell",
    "'; zq9 --", "zq9" * 80, "zq9\u0301\u0301\u0301", "CON zq9.txt", "zq9\u2028line", "| zq9 | `zq9` |",
)  # fmt: skip
HEADINGS = ("=zq9head", "<script>zq9head()</script>", "../zq9head/x", "\u202ezq9head")
CHOICE = "=zq9 choice <b>"
OPEN = (
    "batch", "firmware", "seal_material", "fasteners", "closure", "board_protection", "desiccant", "cable_entry",
    "environment", "sun", "animal_pressure", "foot_traffic", "cause", "confidence", "analyst", "vent", "lid_seal",
)  # fmt: skip
SPOOFS = re.compile("[\u200b-\u200f\u202a-\u202e\u2066-\u2069\ufeff\x00-\x08\x0b\x0c\x0e-\x1f]")
SETTINGS = {
    "season": PAYLOADS[6],
    "mission_days": 150,
    "failure_means": PAYLOADS[7],
    "decisions": list(PAYLOADS[:12]),
    "mechanisms_of_interest": ["lid_seal_leak"],
    "roles": {"protection": [CHOICE]},
    "levels": {"lid_seal": {"labels": {"o_ring": PAYLOADS[6], "=zq9+1": PAYLOADS[14]}, "words": {"zz": PAYLOADS[0]}}},
    "action": [
        {"what": PAYLOADS[6], "choice": "lid_seal", "from": "flat_gasket", "to": "o_ring", "owner": PAYLOADS[0]}
    ],
}


def hostile_rows():
    """A simulated season whose open words are payloads, each level its own, and a few closed words too."""
    frame, _ = simulate_season(90, seed=8, season="2025")
    number = 0
    for column in [*OPEN, "site"]:
        for level in sorted(set(frame[column].dropna()) - {""})[1:]:
            frame[column] = frame[column].replace(level, PAYLOADS[number % len(PAYLOADS)])
            number += 1
    frame[CHOICE] = [PAYLOADS[i % 2] for i in range(len(frame))]
    frame["notes"] = [PAYLOADS[i % len(PAYLOADS)] for i in range(len(frame))]
    frame["photo_1"] = [PAYLOADS[(i + 11) % len(PAYLOADS)] for i in range(len(frame))]
    for i, heading in enumerate(HEADINGS):
        frame[heading] = [PAYLOADS[(i + j) % len(PAYLOADS)] for j in range(len(frame))]
    for i, payload in enumerate(PAYLOADS):
        frame.loc[i, "unit_id"] = f"{payload} {i}"
    for i, column in enumerate(("outcome", "time_basis", "found_on", "enclosure_rating", "elevation_m", "mechanism")):
        frame[column] = frame[column].astype(object)
        frame.loc[[i, 40 + i], column] = PAYLOADS[i], PAYLOADS[6 + i]
    return frame


class Opened:
    """Paths that Python opened, made or moved while it is on (an audit hook cannot be taken away again)."""

    def __init__(self):
        self.on, self.paths, self.calls = False, [], []
        sys.addaudithook(self.hear)

    def hear(self, event, arguments):
        if self.on and event in ("open", "os.mkdir", "os.rename", "os.remove", "shutil.copyfile"):
            self.paths += [str(a) for a in arguments[:2] if isinstance(a, str | bytes | Path)]
        if self.on and event.split(".")[0] in ("socket", "subprocess", "urllib", "webbrowser", "ctypes"):
            self.calls.append(f"{event} {arguments}")


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    """Every output that can be written of the hostile log, in one folder, and every path opened meanwhile."""
    base = tmp_path_factory.mktemp("hostile")
    log, out = base / "season.csv", base / "out"
    hostile_rows().to_csv(log, index=False)
    toml = base / "settings.toml"
    quoted = json.dumps
    toml.write_text(
        f"season = {quoted(SETTINGS['season'])}\nfailure_means = {quoted(SETTINGS['failure_means'])}\n"
        "mission_days = 150\n"
        f"[roles]\nprotection = [{quoted(CHOICE)}]\n",
        encoding="utf-8",
    )
    (base / "records").mkdir()
    with (base / "records" / "table.csv").open("w", newline="", encoding="utf-8") as lines:
        rows = [(f"{p} {i}", "2025-04-01 12:00", p) for i, p in enumerate(PAYLOADS)]
        csv.writer(lines).writerows([("unit", "time", "battery_v"), *rows])
    heard, said = Opened(), {}
    heard.on = True
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(apart, "_has_room", lambda: False)  # what another process opened would not be heard
        written = review(log, out, settings=SETTINGS)
    capture = io.StringIO()
    before, sys.stdout = sys.stdout, capture
    try:
        common = ["--settings", str(toml)]
        for name, arguments in {
            "check": ["check", str(log), "--marked", str(base / "marked.xlsx"), *common],
            "check_json": ["check", str(log), "--json", *common],
            "blank": ["blank", str(base / "blank.xlsx"), *common],
            "teardown": ["teardown", str(log), "--sheets", str(base / "sheets.html"), "--pages",
                         str(base / "pages.html"), "--form", str(base / "form.html"), "--field-form",
                         str(base / "field.html"), *common],
            "records": ["records", str(log), "--records", str(base / "records"), "--write",
                        str(base / "more.csv"), *common],
            "compare": ["compare", str(log), "--by", "lid_seal", "--figure", str(base / "curves.png"), *common],
            "plan": ["plan", str(log), "--allocate", str(base / "next.csv"), "--choice", "vent", "--no-trial", *common],
        }.items():  # fmt: skip
            assert main(arguments) == 0, name
            said[name] = capture.getvalue()
            capture.seek(0)
            capture.truncate()
    finally:
        sys.stdout = before
        heard.on = False
    return base, written, said, heard.paths


class Page(HTMLParser):
    """The tags of a page with their attributes, and its visible text."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.text = [], ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text += data


def assert_harmless_page(text, scripts):
    page = Page(text)
    assert MARK in page.text
    assert sum(tag == "script" for tag, _ in page.tags) == scripts
    for tag, values in page.tags:
        assert tag not in {"iframe", "object", "embed", "link", "form", "base"}, tag
        assert not [name for name in values if name.startswith("on") or MARK in name], values
        for name in ("src", "href", "action"):
            assert (values.get(name) or "data:").startswith(("data:", "#")), values
    body = (
        re.sub(r"(?s)<script>.*?</script>|base64,[^\"]+", "", text) if scripts else re.sub(r"base64,[^\"]+", "", text)
    )
    assert not SPOOFS.search(body), SPOOFS.search(body)


def test_pages_run_load_and_spoof_nothing(world):
    base, written, _, _ = world
    assert_harmless_page(written.html.read_text(encoding="utf-8"), 1)
    for path in (written.summary, base / "sheets.html", base / "pages.html"):
        assert_harmless_page(path.read_text(encoding="utf-8"), 0)
    for path in (base / "form.html", base / "field.html"):
        assert_harmless_page(path.read_text(encoding="utf-8"), 2)


def test_no_cell_of_a_list_runs_as_a_formula(world):
    base, written, _, _ = world
    for path in (written.set_aside, written.ledger, base / "next.csv", base / "more.csv"):
        text = path.read_text(encoding="utf-8-sig")
        assert MARK in text
        for row in csv.reader(io.StringIO(text, newline="")):
            for cell in row:
                number = re.fullmatch(r"-?[\d.]+(e[+-]\d+)?", cell)
                assert number or not cell.lstrip().startswith(("=", "+", "-", "@")), (path.name, cell)
                assert not cell.startswith(("\t", "\r", "\n"))


def test_workbooks_hold_text_and_no_links(world):
    base, _, _, _ = world
    for name in ("marked.xlsx", "blank.xlsx"):
        book = openpyxl.load_workbook(base / name)
        cells = [cell for sheet in book.worksheets for row in sheet.iter_rows() for cell in row]
        assert any(MARK in str(cell.value) for cell in cells), name
        assert not [c.value for c in cells if c.data_type == "f" or c.hyperlink], name
        with zipfile.ZipFile(base / name) as archive:
            assert not [part for part in archive.namelist() if "externalLink" in part or "vba" in part.lower()]


def test_slides_hold_no_outside_link_and_no_spoofing_marks(world):
    _, written, _, _ = world
    with zipfile.ZipFile(written.pptx) as archive:
        parts = {
            name: archive.read(name).decode("utf-8") for name in archive.namelist() if name.endswith((".xml", ".rels"))
        }
    text = "".join(v for name, v in parts.items() if "/slides/" in name)
    assert MARK in text
    assert not SPOOFS.search(text)
    for name, content in parts.items():
        assert 'TargetMode="External"' not in content, name
        assert "hlinkClick" not in content and "<zq9" not in content, name


def test_findings_are_json_without_spoofing_marks(world):
    _, written, said, _ = world
    document = json.loads(written.findings.read_text(encoding="utf-8"))
    statements = " ".join(f["statement"] + " ".join(f["caveats"]) for f in document["findings"])
    assert MARK in statements
    assert not SPOOFS.search(statements)
    json.loads(said["check_json"])


def test_what_the_terminal_shows_moves_no_cursor(world):
    _, _, said, _ = world
    for name, text in said.items():
        assert text.strip(), name
        odd = {c for c in text if unicodedata.category(c) == "Cc" and c != "\n"}
        assert not odd, (name, odd)
        if name != "check_json":
            assert not re.search("[\u202a-\u202e\u2066-\u2069]", text), name


def test_names_in_the_log_never_reach_the_file_system(world):
    base, _, _, opened = world
    made = {str(p.relative_to(base)) for p in base.rglob("*")}
    assert made == {
        "season.csv", "settings.toml", "marked.xlsx", "blank.xlsx", "sheets.html", "pages.html", "curves.png",
        "form.html", "field.html", "more.csv", "records", "records/table.csv",
        "next.csv", "out", MANIFEST, f"out/{MANIFEST}", "out/review.html", "out/summary.html", "out/review.pptx",
        "out/findings.json",
        "out/set_aside.csv", "out/ledger.csv",
    }  # fmt: skip
    assert any("season.csv" in path for path in opened)
    assert not [path for path in opened if MARK in path]


KIND = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
OUTSIDE = {
    "xl/externalLinks/externalLink1.xml": (
        '<externalLink xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
        f'<externalBook xmlns:r="{KIND}" r:id="rId1"/></externalLink>'
    ),
    "xl/externalLinks/_rels/externalLink1.xml.rels": (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        f'<Relationship Id="rId1" Type="{KIND}/externalLinkPath" Target="TARGET" TargetMode="External"/>'
        "</Relationships>"
    ),
}


def test_a_workbook_is_read_without_following_its_links_to_other_files(tmp_path):
    """A link part, a formula that points through it, a picture and a link elsewhere: nothing but the log is opened."""
    secret, log = tmp_path / "secret.xlsx", tmp_path / "log.xlsx"
    openpyxl.Workbook().save(secret)
    book = openpyxl.Workbook()
    book.active.append(["unit_id", "deployed_on", "outcome", "found_on", "notes"])
    book.active.append(["A", "2025-03-01", "working", "2025-09-01", "=[1]Sheet!A1"])
    book.active["A2"].hyperlink = "https://zq9.example/"
    book.save(log)
    with zipfile.ZipFile(log) as archive:
        parts = {name: archive.read(name).decode() for name in archive.namelist()}
    link = f'<Relationship Id="rId99" Type="{KIND}/externalLink" Target="externalLinks/externalLink1.xml"/>'
    parts["xl/_rels/workbook.xml.rels"] = parts["xl/_rels/workbook.xml.rels"].replace(
        "</Relationships>", f"{link}</Relationships>"
    )
    reference = f'<externalReferences><externalReference xmlns:r="{KIND}" r:id="rId99"/></externalReferences>'
    parts["xl/workbook.xml"] = re.sub("(?=<definedNames|<calcPr)", reference, parts["xl/workbook.xml"], count=1)
    assert reference in parts["xl/workbook.xml"]
    part = '<Override PartName="/xl/externalLinks/externalLink1.xml" ContentType="application/vnd.openxmlformats-'
    part += 'officedocument.spreadsheetml.externalLink+xml"/>'
    parts["[Content_Types].xml"] = parts["[Content_Types].xml"].replace("</Types>", f"{part}</Types>")
    for target in (secret.as_uri(), "https://zq9.example/book.xlsx", r"\\\\zq9.example\\share\\book.xlsx"):
        with zipfile.ZipFile(log, "w") as archive:
            for name, content in (parts | {n: c.replace("TARGET", target) for n, c in OUTSIDE.items()}).items():
                archive.writestr(name, content)
        heard = Opened()
        heard.on = True
        read = read_log(log)
        heard.on = False
        assert read.used == 1 and any("log.xlsx" in path for path in heard.paths)
        assert not [path for path in heard.paths if "secret" in path or MARK in path] and not heard.calls
        reasons = " ".join(problem.reason for problem in read.all_problems)
        assert "is a formula without a stored value" in reasons


def test_notebook_outputs_escape_every_text(world):
    base, _, _, _ = world
    log = read_log(base / "season.csv", base / "settings.toml")
    data, _ = mimebundle(title=PAYLOADS[6], table=log.set_aside.head(40), sentences=[*log.notes, *PAYLOADS])
    assert_harmless_page(data["text/html"], 0)


def test_starter_settings_of_hostile_headings_can_be_read(world, capsys):
    base, _, _, _ = world
    target = base / "adopted"
    target.mkdir()
    (target / "season.csv").write_bytes((base / "season.csv").read_bytes())
    assert main(["adopt", str(target / "season.csv")]) == 0
    made = sorted(p.name for p in target.iterdir())
    assert made == [MANIFEST, "season.csv", "season.toml"]
    read_settings(target / "season.toml")
    assert not SPOOFS.search((target / "season.toml").read_text(encoding="utf-8"))
    for path in target.iterdir():
        path.unlink()
    target.rmdir()
