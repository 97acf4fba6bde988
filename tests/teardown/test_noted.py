"""Notes propose signs by phrases, with the words quoted; what is denied, or says nothing of a sign, proposes none."""

import pytest

from workbench.log.dictionary import known_signs, phrase_rows
from workbench.simulate import simulate_season
from workbench.teardown.form.noted import noted_signs


@pytest.mark.parametrize(
    ("note", "signs"),
    [
        ("Puddle under pcb", ["standing_clear_water"]),
        ("mouse ate antenna cable", ["tooth_marks"]),
        ("two screws hardly tight", ["loose_screws_polished_threads"]),
        (
            "screws were very loose; lid side wet all along",
            ["loose_screws_polished_threads", "run_down_below_lid_edge"],
        ),
        ("pudlde under the board", ["standing_clear_water"]),  # a slip of the keyboard
        ("no water, no puddle", []),
        ("cable not chewed", []),
        ("puddle: none", []),
        ("no tooth marks but droppings on the lid", ["droppings_or_hair"]),
        ("never fogged, desiccant pink", ["desiccant_spent"]),
        ("card not full", []),
        ("screws retightened", []),
        ("nest close by, approach from the east", []),
        ("water level low", []),
        ("", []),
    ],
)
def test_a_note_proposes_what_it_says_and_nothing_that_it_denies(note, signs):
    assert [n.sign for n in noted_signs(note)] == signs
    assert all(n.words in note for n in noted_signs(note))


def test_phrases_name_signs_of_the_dictionary_once():
    rows = phrase_rows()
    assert {row["sign"] for row in rows} <= {sign.sign for sign in known_signs()}
    assert len({row["phrase"] for row in rows}) == len(rows) > 50


def test_notes_of_units_that_work_seldom_propose_what_only_failed_ones_show():
    log, _ = simulate_season(2000, seed=3)
    share = log["notes"].dropna().map(lambda note: bool(noted_signs(note))).groupby(log["outcome"]).mean()
    opened = log["notes"][(log["outcome"] == "failed") & log["condition_found"].notna()].dropna()
    assert share["working"] < 0.03 and opened.map(lambda note: bool(noted_signs(note))).mean() > 0.45
