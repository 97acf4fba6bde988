"""Small seasons for the tests of the review: a plain one, and one whose names try to break out of the page."""

from workbench.log.dictionary import log_columns
from workbench.simulate import simulate_season

SETTINGS = {
    "season": "2025",
    "mission_days": 150,
    "failure_means": "no usable record",
    "decision": [
        {"ask": "Fit O-rings to all units?", "rests_on": "lid_seal", "owner": "bench lead", "due": "2099-01-31"},
        {"ask": "Which spares?", "rests_on": "spares", "due": "2001-01-31"},
        {"ask": "Visit more often?", "answer": "every three weeks", "due": "2001-01-31"},
    ],
    "decisions": ["Anything else?"],
    "currency": "EUR",
    "levels": {"lid_seal": {"labels": {"o_ring": "O-ring"}}},
}

HOSTILE = {
    "script": '<script>alert("x")</script>',
    "formula": "=1+1",
    "quotes": "\"'&<b>",
    "backwards": "\u202eesrever\u200f",
    "long": "L" * 300,
    "emoji": "seal 😀 ☠ 防水",
    "link": "https://bad.example/x?y=<z>",
    "maths": "$\\frac{1}{0}$ %s {0}",
}
"""Texts that a spreadsheet, a browser, a figure or a template could act on."""

COLUMNS = (
    "unit_id", "deployment", "site", "latitude", "longitude", "deployed_on", "last_good_on", "failed_on", "found_on",
    "observed_from", "time_basis", "outcome", "environment", "lid_seal", "vent", "mechanism", "notes",
)  # fmt: skip


def few_columns(log):
    """A log of a simulated season with two protection choices and no measures of the bench, quick to review."""
    return log[[column for column in COLUMNS if column in log.columns]].copy()


def few_choices(log):
    """A log of a simulated season with three protection choices, and with all that the bench found."""
    dropped = {c.name for c in log_columns() if c.role == "protection"} - {"lid_seal", "vent", "fasteners"}
    return log.drop(columns=[column for column in log.columns if column in dropped])


def plain_season(units=72, seed=5):
    log = few_columns(simulate_season(units, seed=seed, season="2025")[0])
    log["latitude"] = "51.23456"
    log["longitude"] = "-3.98765"
    log["notes"] = "handed in by a walker"
    return log


def write_plain_log(path):
    plain_season().to_csv(path, index=False)
    return path


def write_hostile_log(path):
    log = plain_season()
    seals = {
        "flat_gasket": HOSTILE["script"],
        "cord": HOSTILE["formula"],
        "o_ring": HOSTILE["backwards"] + HOSTILE["long"],
    }
    log["lid_seal"] = log["lid_seal"].replace(seals)
    log["vent"] = log["vent"].replace({"none": HOSTILE["emoji"], "membrane": HOSTILE["maths"]})
    sites = sorted(log["site"].unique())
    log["site"] = log["site"].replace(
        {sites[0]: HOSTILE["script"], sites[1]: HOSTILE["link"], sites[2]: HOSTILE["quotes"]}
    )
    log["notes"] = HOSTILE["formula"]
    log.loc[3, "outcome"] = HOSTILE["script"]
    log.loc[4, "unit_id"] = HOSTILE["formula"]
    log.to_csv(path, index=False)
    return path


def small_seasons():
    """Logs that lack what a talk is usually built on, by what they lack; each is to be told with fewer slides."""
    log = few_choices(simulate_season(60, seed=11, season="2025")[0])
    inside = [c.name for c in log_columns() if c.role in ("verdict", "condition", "evidence")]
    return {
        "twelve units": log.iloc[:12],
        "no teardown": log.drop(columns=[c for c in inside if c in log.columns]),
        "no sites": log.drop(columns=["site", "environment", "latitude", "longitude"], errors="ignore"),
        "only failures": log[log["outcome"] == "failed"],
    }
