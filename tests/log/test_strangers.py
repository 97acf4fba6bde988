"""Logs kept as tired people keep them: adopted with only Enter pressed, rows say what truly happened."""

import csv
import datetime as dt
import os
import select
import shutil
import sys
import time
import tomllib
from collections import defaultdict
from pathlib import Path

import pytest

from workbench.log.adoption import adopt_log, answer_to, take_proposal
from workbench.log.dictionary.settings import read_settings
from workbench.log.season_log import read_log, said_first
from workbench.report.making import review
from workbench.report.words import shown_name

pytestmark = pytest.mark.slow

HERE = Path(__file__).parent / "strangers"
LOGS = (
    "boxes 2025.csv", "Season log FINAL v2.xlsx", "two people", "Einsaetze 2025.xlsx", "boitiers_2025.csv",
    "Temporada 2025.xlsx", "Kaesten25.csv", "deployments_v3.csv", "field notes.txt",
)  # fmt: skip
TODAY = dt.date(2026, 1, 31)


def truth(name):
    """What each row truly is, by file name, sheet (where a file has several) and row."""
    with (HERE / "truth.csv").open(encoding="utf-8", newline="") as lines:
        rows = [row for row in csv.DictReader(lines) if row["file"].split("/")[0] == name]
    return {(Path(row["file"]).name, row["sheet"], int(row["row"])): row for row in rows}


def _sheet(name):
    """The sheet as the truth names it, which names none where a file has but one."""
    return name if name in ("Moor", "Klippe", "Dünen") else ""


def day(text):
    return dt.date.fromisoformat(text) if text else None


def press_enter(question):
    return answer_to(question, "")


@pytest.mark.parametrize("ask", [press_enter, take_proposal], ids=["Enter pressed", "guesses taken"])
@pytest.mark.parametrize("name", LOGS)
def test_nine_rows_in_ten_are_used_and_each_says_what_happened(name, ask):
    adoption = adopt_log(HERE / name, ask)
    log = read_log(HERE / name, read_settings(tomllib.loads(adoption.text)), today=TODAY)
    known = truth(name)
    units = [place for place, row in known.items() if row["unit_id"]]
    assert log.rows == len(known) and log.used >= 0.9 * len(units)
    aside = {(p.source, _sheet(p.sheet), p.row) for p in log.all_problems if p.scope == "row"}
    assert aside == {place for place, row in known.items() if row["can_be_used"] == "no"}
    for record, life in zip(log.records.to_dict("records"), log.ledger.to_dict("records"), strict=True):
        row = known[record["source"], _sheet(record["sheet"]), record["row"]]
        assert (record["unit_id"], record["outcome"]) == (row["unit_id"], row["outcome"])
        assert record["deployed_on"].date() == day(row["deployed_on"])
        if row["outcome"] == "failed":
            age = max(1, (day(row["failed_on"]) - day(row["deployed_on"])).days)
            assert life["lower"] < age <= life["upper"]
        else:
            assert life["upper"] == float("inf")
            if row["last_good_on"]:
                assert life["lower"] == (day(row["last_good_on"]) - day(row["deployed_on"])).days
    assert adoption.guesses == 0 if ask is press_enter else adoption.guesses > 5
    assert log.settings.last_good_is == "last record"


@pytest.mark.parametrize("name", LOGS[:7])
def test_choices_of_these_logs_get_their_levels(name):
    log = read_log(HERE / name, tomllib.loads(adopt_log(HERE / name, press_enter).text), today=TODAY)
    seals = set(log.records["lid_seal"].dropna())
    assert {"flat_gasket", "o_ring"} <= seals and not seals & {"O ring", "oring", "Flat", "round cord"}
    named = {
        LOGS[0]: "drying_bag",
        LOGS[2]: "coated",
        LOGS[3]: "trockenbeutel",
        LOGS[4]: "presse_étoupe",
        LOGS[5]: "bolsa_secante",
        LOGS[6]: "trockenbeutel",
    }
    further = named.get(name, "bag_in")
    assert log.roles[further] == "protection" and set(log.records[further].dropna().str.lower()) == {"yes", "no"}


def test_adopting_again_keeps_what_was_confirmed_and_asks_nothing_of_it():
    first = adopt_log(HERE / LOGS[0], press_enter)
    asked = []

    def ask(question):
        asked.append(question.about)
        return answer_to(question, "")

    again = adopt_log(HERE / LOGS[0], ask, before=first.text)
    assert again.text == first.text and again.changes == ()
    assert [about.split("'")[1] for about in asked] == ["Batt V"]  # what was left open is asked again


def test_guesses_are_asked_again_and_own_lines_stay():
    guessed = adopt_log(HERE / LOGS[0], take_proposal)
    mine = guessed.text.replace('season = "2025" # guess: confirm or correct', 'season = "2025"  # as the board says')
    mine = "mission_days = 150   # agreed\n" + mine
    asked = defaultdict(list)

    def ask(question):
        asked[question.about.split()[0]].append(question)
        typed = {"Word 'moved'": "s", "Column 'Where": "2"}.get(question.about[:12], "")
        return answer_to(question, typed)

    again = adopt_log(HERE / LOGS[0], ask, before=mine)
    assert again.guesses == 0 and "mission_days = 150   # agreed" in again.text and "# as the board says" in again.text
    assert not asked["Name"] and len(asked["Column"]) > 5 and len(asked["Word"]) > 3
    assert tomllib.loads(again.text)["mission_days"] == 150


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are not there")
@pytest.mark.parametrize(("name", "most"), [*zip(LOGS, (25, 20, 25, 32, 32, 32, 27, 20, 20), strict=True)])
def test_a_terminal_with_only_enter_pressed(name, most, tmp_path):
    """Type Enter at every prompt of the real command in a pseudo-terminal; the log then reads by itself."""
    import pty

    log_path = tmp_path / "season" / name
    (shutil.copytree if (HERE / name).is_dir() else shutil.copyfile)(HERE / name, _folder_for(log_path))
    target = (log_path if log_path.is_dir() else log_path.parent) / "season.toml"
    process, terminal = pty.fork()
    if process == 0:
        os.execv(sys.executable, [sys.executable, "-m", "workbench", "adopt", str(log_path)])
    said, answered, deadline = "", 0, time.monotonic() + 240
    while time.monotonic() < deadline:
        ready, _, _ = select.select([terminal], [], [], 5)
        try:
            part = os.read(terminal, 65536).decode("utf-8", "replace") if ready else ""
        except OSError:  # Linux: the other end is closed
            break
        said += part
        while said.count("[Enter:") > answered and said.rstrip(" ").endswith("]"):
            os.write(terminal, b"\n")
            answered += 1
    _, status = os.waitpid(process, 0)
    assert os.waitstatus_to_exitcode(status) == 0, said
    assert 5 < answered <= most
    written = target.read_text(encoding="utf-8")
    assert "guess: confirm" not in written and tomllib.loads(written)["rename"]
    log = read_log(log_path, today=TODAY)
    assert log.used >= 0.84 * log.rows and log.notes[0].startswith("settings: season.toml")
    assert f"{log.used} of {log.rows} rows can be used" in " ".join(said.split())


def _folder_for(path):
    path.parent.mkdir(parents=True)
    return path


def test_a_folder_goes_from_adopt_to_review(tmp_path):
    """Two logs of two people, Enter at every question, then the review of the same folder."""
    folder = tmp_path / "season"
    shutil.copytree(HERE / LOGS[2], folder)
    (folder / "season.toml").write_text(adopt_log(folder, press_enter).text, encoding="utf-8")
    written = review(folder, tmp_path / "out", mission=150)
    rows = next(claim for claim in written.claims if claim.id == "outcome.rows")
    assert rows.estimate == 43 and written.rows_set_aside == 1
    ends = next(claim for claim in written.claims if claim.id == "outcome.ends")
    assert ends.failures == 27 and ends.caveats[0].startswith("1 of 44 rows is set aside")


def test_sheets_of_one_file_are_one_log_and_each_is_a_site():
    log = read_log(HERE / LOGS[3], tomllib.loads(adopt_log(HERE / LOGS[3], press_enter).text), today=TODAY)
    assert log.records["site"].value_counts().to_dict() == {"Moor": 13, "Klippe": 13, "Dünen": 12}
    assert set(log.records["sheet"]) == {"Moor", "Klippe", "Dünen"}
    assert any("no sheet has a column for it" in note for note in log.notes)


def test_units_that_went_out_again_are_several_spells_of_one_unit():
    log = read_log(HERE / LOGS[6], tomllib.loads(adopt_log(HERE / LOGS[6], press_enter).text), today=TODAY)
    assert log.used == 36 and log.records["unit_id"].nunique() == 30
    assert set(log.records["fasteners"]) == {"a2", "a4", "zinc_plated"}


def test_rows_that_only_a_colour_tells_dead_are_left_out_and_that_is_said_first():
    """Three red rows have no outcome: the shares that lasted may be too high, and every answer says so."""
    log = read_log(HERE / LOGS[5], tomllib.loads(adopt_log(HERE / LOGS[5], press_enter).text), today=TODAY)
    assert said_first(log)[1] == (
        "3 rows set aside are filled like the failed ones; until the outcome is written, shares that lasted may be too "
        "high."
    )
    assert [end for end, _ in log.unsaid_ends] == ["failed"] * 3
    assert all(said.endswith("but its outcome is empty") for _, said in log.unsaid_ends)


def test_a_span_of_days_is_named_with_what_to_write():
    log = read_log(HERE / LOGS[8], tomllib.loads(adopt_log(HERE / LOGS[8], press_enter).text), today=TODAY)
    spans = [problem for problem in log.all_problems if "names a span of days" in problem.reason]
    assert len(spans) == 2 and all("the last of them for a unit found failed" in problem.advice for problem in spans)
    assert set(log.records["board_protection"]) == {"yes", "none"}


def test_a_choice_is_called_without_its_answers_in_brackets():
    log = read_log(HERE / LOGS[7], tomllib.loads(adopt_log(HERE / LOGS[7], press_enter).text), today=TODAY)
    assert log.roles["o_ring_y_n"] == "protection" and shown_name("o_ring_y_n") == "o ring"
    assert set(log.records["site"]) == {"A", "B", "C", "D"}
