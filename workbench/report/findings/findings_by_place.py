"""Does anything support a build that differs by place, and what would it save and cost beside one build everywhere?"""

import math
from collections.abc import Mapping
from typing import Any

from workbench.planning import EVERYWHERE, builds_by_place
from workbench.ranking.checks import DIFFERING_P
from workbench.ranking.choices import Ranking
from workbench.report.basis import Finding, SeasonData
from workbench.report.words import as_headline, shown_name
from workbench.wording import join_words, percent_text, range_text

__all__ = ["by_place_findings", "nothing_by_place"]


def nothing_by_place(ranking: Ranking) -> str:
    """One sentence where no choice is shown to work differently by place, else nothing."""
    known = ranking.table["place_p"].dropna()
    if known.empty or (known < DIFFERING_P).any():
        return ""
    return "Nothing supports a build that differs by place."


def by_place_findings(data: SeasonData, ranking: Ranking, costs: Mapping[str, Mapping[str, float]]) -> list[Finding]:
    """Return what levels that help here and not there would save and cost, put in everywhere or only where they help.

    `costs`: extra cost of each level, by choice.
    """
    table = ranking.table
    differing = list(dict.fromkeys(table[table["place_p"] < DIFFERING_P]["choice"]))
    if not differing or data.where is None:
        return []
    where, units = data.where, data.lives.units_among()
    result = builds_by_place(where, costs, scale=units / max(ranking.units, 1))
    rows = result.table.to_dict("records")
    common: dict[str, Any] = {
        "id": "plan.by_place",
        "kind": "plan",
        "section": "plan",
        "order": 2.5,
        "units": data.lives.units,
        "failures": data.lives.failures,
        "method": "Gain of each level in each kind of place, with limits for all together, times the units there.",
    }
    if not rows:
        named = join_words([shown_name(choice) for choice in differing])
        statement = (
            f"By {where.place} {named} {'works' if len(differing) == 1 else 'work'} differently, but no level is told "
            "to help in one place and not in another, so nothing supports a build that differs by place."
        )
        return [Finding(statement=statement, headline="No build by place is supported", **common)]
    pairs = [(rows[n + 1], rows[n]) for n in range(0, len(rows), 2)]
    best, everywhere = max(pairs, key=lambda pair: float(pair[0]["lower"]))
    name, base = (data.label(best["choice"], best[key]) for key in ("level", "reference"))
    here, anywhere = (_worth(data, row, base=base, units=units) for row in (best, everywhere))
    name = f"{name[:1].upper()}{name[1:]}"
    statement = f"{name} only in {_places(data, where.place, best)}: {here}. Everywhere: {anywhere}."
    return [
        Finding(
            statement=statement,
            headline=as_headline(f"{name} only where it helps"),
            estimate=float(best["units_saved"]),
            lower=float(best["lower"]),
            upper=float(best["upper"]),
            confidence=data.confidence,
            unit="units",
            caveats=("A level that goes with longer life need not be its cause; a trial would tell.", *result.notes),
            table=_table(data, where.place, rows, units=units),
            **common,
        )
    ]


def _places(data: SeasonData, place: str, row: Mapping[str, Any]) -> str:
    return join_words([data.label(place, name) for name in row["places"]])


def _worth(data: SeasonData, row: Mapping[str, Any], *, base: str, units: int) -> str:
    """Units that get the level, how many more live, and the money where it is known."""
    limits = f"{percent_text(data.confidence)} limits {range_text(row['lower'], row['upper'])}"
    saved = (
        f"{abs(row['units_saved']):.0f} {'more' if row['units_saved'] >= 0 else 'fewer'} alive at {data.mission_text}"
    )
    text = f"in the {row['units_switched']:.0f} of {units} units that have {base} about {saved} ({limits})"
    each = row["cost_per_unit_saved"]
    if math.isfinite(row["cost"]):
        text += f" for {data.money(row['cost'])}"
    return text + (f", {data.money(each, 2)} for each" if math.isfinite(each) else "")


def _table(data: SeasonData, place: str, rows: list[dict[str, Any]], *, units: int) -> dict[str, list[str]]:
    shown = {
        "level": [data.label(r["choice"], r["level"]) for r in rows],
        "put in": [EVERYWHERE if r["build"] == EVERYWHERE else f"only in {_places(data, place, r)}" for r in rows],
        "units changed": [f"{r['units_switched']:.0f}" for r in rows],
        f"more alive of {units}": [f"{r['units_saved']:.0f}" for r in rows],
        "limits": [range_text(r["lower"], r["upper"]) for r in rows],
    }
    if any(math.isfinite(r["cost"]) for r in rows):
        shown["cost"] = [data.money(r["cost"]) for r in rows]
        shown["cost for each"] = [data.money(r["cost_per_unit_saved"], 2) for r in rows]
    return shown
