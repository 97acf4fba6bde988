"""What a form saved is held against the log before it is written, never rewrites the log, and can be taken back."""

import json

import pytest

from workbench.cli import main
from workbench.log.season_log.reading import read_log

LOG = """unit_id,deployment,deployed_on,last_good_on,found_on,outcome,tooth_marks
A,1,2025-03-01,2025-04-01,2025-05-01,failed,no
B,1,2025-03-01,2025-04-01,2025-05-01,failed,
"""


@pytest.fixture
def enter(tmp_path, capsys):
    (tmp_path / "log.csv").write_text(LOG)

    def entering(text, *more):
        (tmp_path / "form.csv").write_text(text)
        code = main(["enter", str(tmp_path / "log.csv"), str(tmp_path / "form.csv"), "--json", *more])
        streams = capsys.readouterr()
        return code, json.loads(streams.out) if code == 0 else streams.err

    return tmp_path, entering


def test_new_changed_and_contradicting_values_are_told_apart(enter):
    folder, entering = enter
    _, first = entering("unit_id,deployment,tide_line,tooth_marks\nA,1,yes,yes\nB,1,no,\n")
    assert first["new"] == ["A 1: tide_line yes", "A 1: tooth_marks yes", "B 1: tide_line no"] and not first["changed"]
    assert len(first["contradictions"]) == 1 and "differs from no in log.csv, row 2" in first["contradictions"][0]
    _, second = entering("unit_id,deployment,tide_line,mechanism\nB,1,yes,lid_seal_leak\n")
    assert second["changed"] == ["B 1: tide_line no, now yes"] and second["new"] == ["B 1: mechanism lid_seal_leak"]
    assert second["verdicts"][0].startswith("B: you say lid seal leak; the signs suggest")

    records = read_log(folder / "log.csv").records
    assert records["tide_line"].tolist() == ["yes", "yes"] and records["tooth_marks"][0] == "no"
    assert (folder / "log.csv").read_text() == LOG


def test_an_entry_is_taken_back_to_what_stood_before(enter, capsys):
    folder, entering = enter
    entering("unit_id,deployment,tide_line\nA,1,yes\n")
    first = (folder / "teardowns.csv").read_bytes()
    entering("unit_id,deployment,tide_line\nA,1,no\n")
    undo = ["enter", str(folder / "log.csv"), "--undo"]
    assert main(undo) == 0 and (folder / "teardowns.csv").read_bytes() == first
    assert main(undo) == 2 and "there is nothing to undo" in capsys.readouterr().err
    (folder / "teardowns.csv").unlink()
    entering("unit_id,deployment,tide_line\nA,1,no\n")
    assert main(undo) == 0 and not (folder / "teardowns.csv").exists()


@pytest.mark.parametrize(
    ("text", "words", "code"),
    [
        ("unit_id,deployment,tide_line\n", "holds no row", 1),
        ("box,colour\nA,red\n", "is no table of a teardown or visit form", 1),
        ("", "is empty", 1),
    ],
)
def test_a_file_that_is_no_form_is_refused_and_nothing_is_written(enter, text, words, code):
    folder, entering = enter
    assert entering(text)[0] == code and words in entering(text)[1]
    assert not (folder / "teardowns.csv").exists()


def test_unknown_units_and_words_are_named_and_the_rest_is_used(enter):
    _, entering = enter
    code, told = entering("unit_id,deployment,tide_line\nZ,1,yes\nA,1,perhaps\nB,1,yes\n")
    said = "\n".join(told["contradictions"])
    assert code == 0 and "the log has no unit Z" in said and "perhaps" in said


def test_a_table_that_a_person_changed_is_not_replaced_unasked(enter):
    folder, entering = enter
    entering("unit_id,deployment,tide_line\nA,1,yes\n")
    (folder / "teardowns.csv").write_text("unit_id,deployment,tide_line\nA,1,no\n")
    code, said = entering("unit_id,deployment,tide_line\nB,1,yes\n")
    assert code == 2 and "was changed since it was written" in said
    assert entering("unit_id,deployment,tide_line\nB,1,yes\n", "--replace")[0] == 0
    assert (folder / "teardowns.csv").read_text().splitlines()[1:] == ["A,1,no", "B,1,yes"]


def test_what_a_person_changed_since_is_not_taken_back_and_a_refusal_changes_nothing(enter, capsys):
    folder, entering = enter
    entering("unit_id,deployment,tide_line\nA,1,yes\n")
    (folder / "teardowns.csv").write_text("unit_id,deployment,tide_line\nA,1,no\n")
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert main(["enter", str(folder / "log.csv"), "--undo"]) == 2
    assert "was changed since it was written" in capsys.readouterr().err
    assert main(["enter", str(folder / "log.csv"), str(folder / "form.csv")]) == 2
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_what_is_read_with_the_log_is_no_form(enter, capsys):
    folder, entering = enter
    entering("unit_id,deployment,tide_line\nA,1,yes\n")
    for name in ("log.csv", "teardowns.csv"):
        assert main(["enter", str(folder / "log.csv"), str(folder / name)]) == 2
        assert "is read with this log already" in capsys.readouterr().err


def test_a_contradiction_names_the_line_of_the_table_as_it_is_written(enter):
    folder, entering = enter
    _, told = entering("unit_id,deployment,tide_line\nB,1,yes\nA,1,perhaps\n")
    line = int(told["contradictions"][0].split("row ")[1].split(",")[0])
    assert "perhaps" in (folder / "teardowns.csv").read_text().splitlines()[line - 1]


def test_one_of_a_file_and_undo_is_given(enter, capsys):
    folder, _ = enter
    assert main(["enter", str(folder / "log.csv")]) == 2
    assert main(["enter", str(folder / "log.csv"), "form.csv", "--undo"]) == 2
    assert "one of the three" in capsys.readouterr().err


NOTED = """unit_id,deployment,deployed_on,last_good_on,found_on,outcome,tooth_marks,notes
A,1,2025-03-01,2025-04-01,2025-05-01,failed,no,"puddle under the board; mouse ate the cable"
B,1,2025-03-01,2025-04-01,2025-05-01,failed,,"no puddle, screws loose"
C,1,2025-03-01,2025-04-01,,missing,,chewed
"""


@pytest.fixture
def noted(tmp_path, capsys):
    """A log with notes, and a function that runs `enter` on it: code, what it printed."""
    (tmp_path / "log.csv").write_text(NOTED)

    def run(*more):
        code = main(["enter", str(tmp_path / "log.csv"), *map(str, more)])
        return code, capsys.readouterr()

    return tmp_path, run


def test_notes_propose_with_the_words_quoted_and_count_for_nothing_unconfirmed(noted):
    folder, run = noted
    code, said = run("--notes")
    assert code == 0 and "2 signs; none counts until a person confirms it" in said.out
    assert "A: “puddle”: clear standing water" in said.out and "B: “screws loose”: loose screws" in said.out
    assert "mouse" not in said.out and "chewed" not in said.out  # answered with no; never came back
    assert not (folder / "teardowns.csv").exists()
    assert "standing_clear_water" not in read_log(folder / "log.csv").records


@pytest.mark.parametrize(("typed", "kept"), [("y", ["yes", None]), ("yes", ["yes", None]), ("n", None), ("", None)])
def test_a_person_confirms_each_proposal_in_a_terminal(noted, monkeypatch, typed, kept):
    folder, run = noted
    answers, asked = iter(["perhaps", typed, ""]), []
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    monkeypatch.setattr("builtins.input", lambda prompt: asked.append(prompt) or next(answers))
    code, said = run("--notes")
    assert code == 0 and len(asked) == 3 and "'perhaps' is none of the choices" in said.out
    assert "1 of 2  A: “puddle”: clear standing water?" in said.out
    if kept is None:
        assert "Nothing was confirmed" in said.out and not (folder / "teardowns.csv").exists()
    else:
        signs = read_log(folder / "log.csv").records["standing_clear_water"]
        assert signs.astype(object).where(signs.notna(), None).tolist()[:2] == kept


def test_proposals_are_answered_in_a_table_and_entered(noted):
    folder, run = noted
    target = folder / "notes.csv"
    code, said = run("--notes", "--list", target)
    assert code == 0 and "2 proposals written" in said.err and not (folder / "teardowns.csv").exists()
    assert run(target)[0] == 1 and not (folder / "teardowns.csv").exists()  # nothing answered yet
    lines = target.read_text().splitlines()
    target.write_text("\n".join([lines[0], f"{lines[1]}no", f"{lines[2]}Yes"]) + "\n")
    code, said = run(target)
    assert code == 0 and "B 1: loose_screws_polished_threads yes" in said.out
    records = read_log(folder / "log.csv").records
    assert records["loose_screws_polished_threads"][1] == "yes" and "standing_clear_water" not in records
    assert run(target)[0] == 1  # settled already
    for spoilt, words in ((lines[1] + "perhaps", "row 2: confirmed is 'perhaps'"), ("A,1,tide_line,x,y,yes", "row 2")):
        target.write_text(f"{lines[0]}\n{spoilt}\n")
        code, said = run(target)
        assert code == 1 and words in said.err and "Traceback" not in said.err


def test_what_notes_propose_of_units_just_entered_is_said(enter, capsys):
    folder, entering = enter
    (folder / "log.csv").write_text(NOTED)
    _, told = entering("unit_id,deployment,tide_line\nA,1,yes\n")
    assert [(p["unit_id"], p["sign"]) for p in told["proposals"]] == [("A", "standing_clear_water")]


def test_only_one_way_of_entering_at_a_time(noted):
    _, run = noted
    assert run("--notes", "--undo")[0] == 2 and run("--list", "x.csv", "--undo")[0] == 2
