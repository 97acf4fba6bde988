"""A review of a fleet: the same slides from counts as from single rows, teardowns left out."""

import json

import polars as pl
import pytest

from tests.benchmarks.fleet_rows import fleet_rows
from workbench.fleet.fleets import read_fleet
from workbench.report.making.assembly import review

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def fleet():
    frame = pl.DataFrame(fleet_rows(1200, dirt=3.0))
    return read_fleet(frame, {"mission_days": 180}, covariates=["vent", "environment", "site", "season"], step=60)


def test_a_fleet_is_reviewed_with_its_counts(fleet, tmp_path):
    made = review(fleet, tmp_path / "review")
    claims = {claim.id: claim for claim in made.claims}
    outcome = fleet.lives().covariates["outcome"].astype(str)
    counts = {name: int(fleet.lives().weight[outcome == name].sum()) for name in ("failed", "missing")}
    assert f"Of {fleet.used:,} units put out, {counts['failed']} failed" in claims["outcome.ends"].statement
    assert claims["outcome.lasting"].units == fleet.used == fleet.lives().units
    assert claims["outcome.lasting"].failures == counts["failed"]
    assert claims["outcome.missing"].statement.startswith(f"Whatever became of the {counts['missing']} missing units")
    assert claims["ranking.vent.membrane"].estimate > 0
    said = json.loads(made.findings.read_text(encoding="utf-8"))["log"]
    assert (said["rows"], said["used"], said["set_aside"]) == (1200, fleet.used, fleet.rows_set_aside)
    assert fleet.set_aside["reason"][0] in made.set_aside.read_text(encoding="utf-8-sig")
    assert f"{fleet.rows_set_aside} rows were set aside" in claims["appendix.set_aside"].statement


def test_the_ledger_of_a_fleet_holds_every_deployment(fleet):
    ledger = fleet.ledger
    assert ledger["deployments"].sum() == fleet.used
    assert set(ledger["kind"]) == {"interval", "suspended"}
    assert not ledger.duplicated(["entry", "lower", "upper"]).any()
