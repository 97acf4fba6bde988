"""Pages: what each sample file is, how it was made and what is wrong in it on purpose, as text beside the file."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from workbench.scenario.lantern_moor.workbook import VISITED_SITES
from workbench.scenario.world import CHOICES

if TYPE_CHECKING:
    import pandas as pd

    from workbench.scenario.lantern_moor.sample_seasons import SampleSeason

__all__ = ["records_page", "sample_page", "workbook_page"]

_LOSS = {"row": "the row is to be set aside", "value": "the value is to be set aside", "": "nothing is lost"}

_COLUMNS = """One row a deployment (one spell of one unit at one site), headings of the data dictionary, dates as
year-month-day, money in one currency, empty where nothing was written.

- identity: unit_id, deployment, batch, firmware, season, site, latitude, longitude (in open sea: nobody's place), notes
- time and outcome: deployed_on, last_good_on, failed_on, found_on, observed_from (a refit), time_basis, outcome
  (failed, working, missing, withdrawn), withdrawn_reason
- exposure: environment, corrosivity (ISO 9223), elevation_m, distance_to_salt_water_m, sun, animal_pressure,
  foot_traffic
- protection: {choices}
- teardown: condition_found, opened_on, days_wet_before_opening and one column a sign (yes, no, not_checked)
- verdict: mechanism, cause, confidence, analyst (people by role only)
- money: unit_cost
"""


def sample_page(
    name: str,
    season: "SampleSeason",
    log: "pd.DataFrame",
    *,
    truth: Mapping[str, Any],
    damage: Sequence[Mapping[str, Any]],
) -> str:
    """Return the page beside a sample log."""
    year = truth["season_days"]
    ends = log["outcome"].value_counts()
    options = {k: v for k, v in season.options.items() if k not in ("effects", "site_effects")}
    lines = [
        f"# {name}",
        "",
        f"{season.story} Invented: the Lantern Moor Observatory does not exist, nor do its nine places.",
        "",
        "## Source",
        "",
        f"Made by `workbench.simulate.simulate_season({season.units}, seed={season.seed}, ...)`, then damaged by",
        f"`workbench.scenario.paper.dirt.dirty(..., seed={season.dirt_seed})`.",
        "`python -m workbench.scenario.lantern_moor sample_data` writes the same file again;",
        "`tests/test_sample_data.py` checks that it does. Among the seeds whose shares of ends come near 30 % failed,",
        "55 % working, 10 % missing and 5 % withdrawn, this one was chosen because its season shows what a review has",
        "to deal with: raw shares that hide what the seal does, a comparison that brings it out, and much that stays",
        "unclear. So its agreement with the truth below is no evidence that the estimates are accurate.",
        "",
        f"Options: {', '.join(f'{k} = {v!r}' for k, v in options.items())}. The season lasts {year} days.",
        "",
        "## Size",
        "",
        f"{log['unit_id'].nunique()} units, {len(log)} rows, {log.shape[1]} columns. Ends as written: "
        f"{', '.join(f'{count} {word}' for word, count in ends.items())}.",
        "",
        "## Columns",
        "",
        _COLUMNS.format(choices=", ".join(CHOICES)),
        f"`{name.replace('.csv', '.toml')}` beside it holds settings for it; the log can be read without them.",
        "",
        "## Known truth",
        "",
        "True effects on log time (a choice acts only on the mechanisms that it can prevent):",
        "",
        *(_effect_line(choice, levels) for choice, levels in truth["effects"].items()),
        "",
        f"True share of the rows that would last {truth['mission_days']} days if every one carried the seal: "
        f"{_shares(truth['mission_survival']['lid_seal'])}. The closure follows the batch exactly.",
        "",
        "## Wrong on purpose",
        "",
        *(_fault_line(fault) for fault in damage),
        "",
    ]
    return "\n".join(lines)


def _effect_line(choice: str, levels: Mapping[str, float]) -> str:
    shown = [f"{level} {effect:+.2f}" for level, effect in levels.items() if effect]
    return f"- {choice}: {', '.join(shown) if shown else 'none'}"


def _shares(levels: Mapping[str, float]) -> str:
    return ", ".join(f"{level} {100 * share:.0f} %" for level, share in levels.items())


def _fault_line(fault: Mapping[str, Any]) -> str:
    cells = [f"{column}: {old or 'empty'} became {new or 'empty'}" for column, (old, new) in fault["columns"].items()]
    what = "; ".join(cells) if cells else "the row stands twice"
    kind = fault["kind"].replace("_", " ")
    return f"- line {fault['row'] + 2}, {fault['unit_id']}, {kind}: {what} ({_LOSS[fault['scope']]})"


def workbook_page(name: str, text_name: str) -> str:
    """Return the page beside the workbook."""
    return f"""# {name}

The rows of `{text_name}` as the spreadsheet that the field team kept; see
`{text_name.replace(".csv", ".md")}` for source, seed, size, columns, codes, known truth and the faults put in on
purpose. `python -m workbench.scenario.lantern_moor sample_data` writes it again.

What differs from the text file:

- three sheets: Remarks (first, no log), Log and Visits; Log has three title rows above the headings
- headings in sentence case with spaces ("Lid seal"), true date cells and true numbers; the decimal comma and the
  impossible values stay text
- units of {" and ".join(VISITED_SITES)} whose state is known from visits alone have no last_good_on and found_on in
  Log: the dates follow from Visits (unit, day, state, by)
- one hidden row (a unit taken out at the wish of the land owner), counted like any other
- one merged cell: the season of the first three rows
"""


def records_page(known: Sequence[Mapping[str, Any]]) -> str:
    """Return the page beside the memory files."""
    lines = [
        "# records/",
        "",
        "What the memories of some units of 2025 held: one file per unit, named for it, one reading every four hours.",
        "Invented. `python -m workbench.scenario.lantern_moor sample_data` writes the files again.",
        "",
        "- time: year-month-day hour:minute, as the unit's own clock showed it",
        "- battery_v: two 1.5 V cells in series, under the load of a reading",
        "- humidity_inside: relative, in percent",
        "- temperature_inside: degrees C",
        "",
        "The files of 14 failed units whose end the log knows from visits alone, and of 6 that came back alive.",
        "",
        "## Known truth",
        "",
        "Ages in days since deployment; a day without an entry did not happen.",
        "",
        "| unit | ended by | last record | failure day | damp from | clock lost | records | missing |",
        "|---|---|---|---|---|---|---|---|",
        *(_record_line(k) for k in known),
        "",
    ]
    return "\n".join(lines)


def _record_line(known: Mapping[str, Any]) -> str:
    cells = [
        known["unit_id"],
        known["mechanism"] or "alive",
        known["last_record"],
        known["failure_day"],
        known["damp_from"],
        known["clock_lost_at"],
        known["records_kept"],
        known["records_missing"],
    ]
    return "| " + " | ".join("" if c is None else str(c) for c in cells) + " |"
