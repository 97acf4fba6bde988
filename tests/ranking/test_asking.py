"""What is asked of a log by itself: levels are ranked, numbers among the choices are held equal as numbers."""

import numpy as np
import pandas as pd

from workbench.log.season_log.reading import read_log
from workbench.ranking.choices.asking import question_of


def a_log(**columns):
    rng = np.random.default_rng(2)
    n = 40
    frame = pd.DataFrame(
        {
            "unit_id": [f"U{i}" for i in range(n)],
            "site": np.tile(["a", "b", "c", "d"], n // 4),
            "deployed_on": "2025-03-01",
            "found_on": "2025-09-01",
            "outcome": np.where(rng.random(n) < 0.4, "failed", "working"),
            "lid_seal": rng.choice(["o_ring", "cord"], n),
        }
    )
    return read_log(frame.assign(**columns))


def test_a_numeric_choice_enters_as_a_number_and_is_said_not_to_be_ranked():
    log = a_log(coating_thickness_um=np.random.default_rng(3).integers(20, 90, 40))
    lives = log.lives()
    question = question_of(log, lives)
    assert question.choices == ("lid_seal",) and "coating_thickness_um" in question.adjust
    assert pd.api.types.is_numeric_dtype(lives.covariates["coating_thickness_um"])
    assert "Held equal as numbers, not ranked: coating_thickness_um." in question.notes


def test_a_numeric_choice_that_some_units_lack_is_left_out_and_said():
    values = np.where(np.arange(40) % 3 == 0, np.nan, np.arange(40))
    log = a_log(lid_torque_nm=values)
    question = question_of(log, log.lives())
    assert "lid_torque_nm" not in question.adjust
    assert any("some units lack it" in note and "lid_torque_nm" in note for note in question.notes)
