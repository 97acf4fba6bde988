"""Findings on checks, rounds and spares: prices of the settings reach them, labour included."""

import pytest

from tests.report.seasons import SETTINGS, plain_season
from workbench.report.findings.findings_planning import level_costs, planning_findings, unit_cost
from workbench.report.making import season_data

pytestmark = pytest.mark.slow


def _data(tmp_path, plan=None):
    log = plain_season(units=90)
    log["unit_cost"] = "60.00"
    log.to_csv(tmp_path / "log.csv", index=False)
    seals = {"cost": {"flat_gasket": 0.0, "o_ring": 2.4}, "hours": {"o_ring": 0.25}}
    return season_data(
        tmp_path / "log.csv", settings=SETTINGS | {"levels": {"lid_seal": seals}} | ({"plan": plan} if plan else {})
    )


def test_prices_include_labour(tmp_path):
    bare = _data(tmp_path)
    paid = _data(tmp_path, {"labour_per_hour": 40.0, "build_hours": 1.5})

    assert level_costs(bare)["lid_seal"]["o_ring"] == pytest.approx(2.4)
    assert level_costs(paid)["lid_seal"]["o_ring"] == pytest.approx(2.4 + 0.25 * 40)
    assert paid.log.settings.cost("lid_seal", "o_ring") == pytest.approx(2.4 + 0.25 * 40)
    assert unit_cost(paid, ["lid_seal"]) - unit_cost(bare, ["lid_seal"]) == pytest.approx(60.0)


def test_rounds_checks_and_spares_are_findings(tmp_path):
    plan = {"visit_cost": 300.0, "data_day_value": 2.0, "battery_days": 50.0, "lead_days": 30.0, "repair_days": 14.0}
    findings = {f.id: f for f in planning_findings(_data(tmp_path, plan), trial=None)}

    rounds = findings["plan.rounds"]
    assert "cost with lost data" in rounds.table and "84" not in rounds.table["then every, days"]
    assert any("after a storm" in c for c in rounds.caveats)
    assert "leak-test every unit" in findings["plan.before"].statement
    assert findings["plan.before"].table["units"][2] in (22, "22")
    assert "Carry" in findings["plan.spares"].statement and "30 days from order" in " ".join(
        findings["plan.spares"].caveats
    )
