"""A season whose vent helps in dunes and harms in bogs plans by place; one without such a difference says so."""

import numpy as np
import pandas as pd
import pytest

from workbench.ranking.choices import where_it_helps
from workbench.report.basis import ranked
from workbench.report.findings import planning_findings, ranking_findings
from workbench.report.making import season_data

pytestmark = pytest.mark.slow

COSTS = {"levels": {"vent": {"cost": {"membrane": 2.0, "none": 0.0}}}, "currency": "EUR"}


def _season(tmp_path, shift, *, seed=8, **settings):
    """480 units at six sites, known to the day; `shift` is the vent's effect on log life in dunes and in bogs."""
    rng = np.random.default_rng(seed)
    n = 480
    site = rng.integers(0, 6, n)
    place = np.where(site % 2 == 0, "dunes", "bog")
    vent = rng.choice(["none", "membrane"], n)
    scale = 190 * np.exp(np.where(vent == "membrane", np.where(place == "dunes", *shift), 0.0))
    life = np.ceil(scale * rng.weibull(1.6, n))
    out = pd.Timestamp("2025-03-01")
    failed = life <= 210
    last = out + pd.to_timedelta(np.minimum(life, 210), unit="D")
    log = pd.DataFrame(
        {
            "unit_id": [f"U{i}" for i in range(n)],
            "site": [f"S{s}" for s in site],
            "environment": place,
            "deployed_on": out,
            "outcome": np.where(failed, "failed", "working"),
            "failed_on": pd.Series(last).where(failed),
            "last_good_on": pd.Series(last).where(~failed),
            "vent": vent,
        }
    )
    log.to_csv(tmp_path / "log.csv", index=False, date_format="%Y-%m-%d")
    return season_data(tmp_path / "log.csv", settings={"season": "2025", "mission_days": 150} | settings)


def _findings(tmp_path, shift, **options):
    return {f.id: f for f in planning_findings(_season(tmp_path, shift, **options), trial=None)}


def test_what_helps_in_dunes_and_harms_in_bogs_is_planned_by_place(tmp_path):
    findings = _findings(tmp_path, (0.9, -0.7), **COSTS)
    told = findings["plan.by_place"]
    only, everywhere = told.statement.split(" Everywhere: ")
    assert " only in dunes: in the " in only and "more alive at 150 days" in only and " for each" in only
    assert "EUR" in everywhere and " for each" not in everywhere
    assert told.lower > 0 and told.lower < told.estimate < told.upper
    table = {key: list(column) for key, column in told.table.items()}
    assert table["put in"] == ["everywhere", "only in dunes"]
    changed = [int(x) for x in table["units changed"]]
    assert told.estimate <= changed[1] < changed[0] < 480
    assert "by place" not in findings["plan.builds"].statement


def test_what_the_vent_does_where_is_asked_once_for_slide_and_plan(tmp_path, monkeypatch):
    asked = []

    def counted(*args, **options):
        asked.append(options["only"])
        return where_it_helps(*args, **options)

    monkeypatch.setattr(ranked, "where_it_helps", counted)
    data = _season(tmp_path, (0.9, -0.7))
    found = {f.id: f for f in (*ranking_findings(data), *planning_findings(data, trial=None))}
    assert {"ranking.where", "plan.by_place"} <= set(found) and asked == [["vent"]]


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.6, 0.6)])
def test_a_level_that_works_alike_everywhere_supports_no_build_by_place(tmp_path, shift):
    findings = _findings(tmp_path, shift, seed=1)
    assert "plan.by_place" not in findings
    assert findings["plan.builds"].statement.endswith("Nothing supports a build that differs by place.")
