"""Figures of mean counts and of the proportional-hazards check show the numbers they are given."""

import numpy as np
import pandas as pd

from workbench.estimate.cox.proportionality import proportionality_of
from workbench.estimate.curves.recurrence import mean_cumulative_count
from workbench.lives import Lives
from workbench.report.figures import draw
from workbench.report.figures.style import new_axes


def test_mean_counts_are_drawn_as_steps_to_the_last_value():
    rows = pd.DataFrame(
        {"unit": list("aabbcc"), "time": [3, 9, 5, 8, 4, 9], "event": [True, False] * 3, "seal": list("xxxxyy")}
    )
    ax = draw(mean_cumulative_count(rows, "seal"), new_axes(), title="x wears more", subtitle="3 units, 3 events")
    assert [line.get_ydata()[-1] for line in ax.lines] == [1.0, 1.0]
    assert "events per unit" in ax.get_ylabel() and "days" in ax.get_xlabel()
    assert {text.get_text() for text in ax.texts} >= {"x", "y"}


def test_residuals_are_drawn_with_the_constant_ratio():
    rng = np.random.default_rng(0)
    lives = Lives.from_arrays(
        rng.weibull(1.5, 60) * 100,
        rng.random(60) < 0.7,
        covariates={"salt": rng.normal(size=60), "seal": rng.choice(["a", "b"], 60)},
    )
    check = proportionality_of(lives, ["salt", "seal"])
    ax = draw(check, new_axes(), row=1)
    assert "seal: b" in ax.get_ylabel().replace("\n", " ")
    assert ax.collections[0].get_offsets().shape[0] == lives.failures
    assert ax.lines[1].get_ydata()[0] == check.estimate_columns["log_hazard_ratio"][1]
