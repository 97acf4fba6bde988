"""What to check before deployment, when to visit, and which spares to carry?"""

import math
from collections.abc import Mapping

import numpy as np

from workbench.lives import UNDETERMINED
from workbench.planning import (
    PreChecks,
    RoundPlan,
    SpareKit,
    plan_checks,
    plan_rounds,
    plan_spares,
)
from workbench.report.basis import Finding, SeasonData
from workbench.report.words import shown_name
from workbench.teardown.mechanisms import mechanism_words
from workbench.wording import count_of, join_words, percent_text

__all__ = ["plan_prices", "round_findings"]

EARLY_DAYS = 14
"""A first visit after one or two weeks finds what fails by then; common practice, no source."""


def plan_prices(data: SeasonData) -> Mapping[str, float]:
    """Return the prices and times typed under [plan] in the settings."""
    return dict(data.settings.get("plan") or {})


def round_findings(data: SeasonData) -> list[Finding]:
    """Return the findings on checks before deployment, rounds of visits and field spares."""
    prices = plan_prices(data)
    units = max(data.lives.units, 1)
    life = min(prices.get("battery_days", math.inf), prices.get("desiccant_days", math.inf))
    rounds = plan_rounds(
        data.lives,
        mission=data.mission,
        units=units,
        longest=life,
        prices=(prices.get("visit_cost", math.nan), prices.get("data_day_value", math.nan)),
    )
    kit = plan_spares(rounds, lead_days=prices.get("lead_days", 60.0), repair_days=prices.get("repair_days", 21.0))
    return [
        _before(data, plan_checks(data.lives, units=units)),
        _rounds(data, rounds, prices),
        _kit(data, kit),
    ]


_SOAK = {
    "called for": "is called for",
    "cannot be ruled out": "is worth its days, since early failures cannot be ruled out",
    "not called for": "is not called for, since failures grow with age",
}


def _before(data: SeasonData, checks: PreChecks) -> Finding:
    table = checks.columns
    steps = zip(table["check"], table["how"], table["why"], strict=True)
    return Finding(
        id="plan.before",
        headline="What to check before deployment",
        kind="plan",
        section="plan",
        order=6,
        statement=(
            f"Before deployment: leak-test every unit; a logging soak of 48 to 72 hours with temperature cycles"
            f" {_SOAK[checks.soak]}; {checks.lot} units tested without a failure show 90 % at 90 % confidence."
        ),
        units=data.lives.units,
        failures=data.lives.failures,
        method="Shape of the Weibull fit with 95 % limits; success-run theorem for the lot.",
        caveats=(*(f"{check[:1].upper()}{check[1:]}. {how} {why}" for check, how, why in steps), *checks.notes),
        table={name: table[name].tolist() for name in ("check", "units", "source")},
    )


def _rounds(data: SeasonData, plan: RoundPlan, prices: Mapping[str, float]) -> Finding:
    table, best = plan.table, plan.table.iloc[plan.best]
    lost = (
        f"{best['days_lost']:,.0f} of {plan.units * plan.mission:,.0f} data-days ({percent_text(best['share_lost'])})"
    )
    when = f"after {best['first']:.0f} days and then every {best['spacing']:.0f}"
    money = f", {data.money(best['cost'])} in visits and lost data" if np.isfinite(best["cost"]) else ""
    shown = {
        "first visit, day": [f"{x:.0f}" for x in table["first"]],
        "then every, days": [f"{x:.0f}" for x in table["spacing"]],
        "rounds": [f"{x:.0f}" for x in table["visits"]],
        "data-days lost": [f"{x:,.0f}" for x in table["days_lost"]],
        "swaps": [f"{x:.0f}" for x in table["swaps"]],
    }
    if table["visit_cost"].notna().all():
        shown["cost of visits"] = [data.money(x) for x in table["visit_cost"]]
    if table["cost"].notna().all():
        shown["cost with lost data"] = [data.money(x) for x in table["cost"]]
    caveats = [*plan.notes]
    if "visit_cost" in prices:
        caveats.append("The price of a round is the one typed in the settings; it should hold labour and travel.")
    caveats.append("Go again after a storm or high water, whatever the day: they end several units at once.")
    if not {"battery_days", "desiccant_days"} & set(prices):
        caveats.append("battery_days and desiccant_days under [plan] in the settings keep rounds within their life.")
    return Finding(
        id="plan.rounds",
        headline="When to make rounds",
        kind="visits",
        section="plan",
        order=7,
        statement=f"Visits {when} lose about {lost}{money}.{_what_fails_early(data)}",
        estimate=float(best["days_lost"]),
        unit="days",
        units=data.lives.units,
        failures=data.lives.failures,
        method="Renewal at the visits: days from each failure to the visit that swaps the unit, by the Weibull fit.",
        caveats=tuple(caveats),
        table=shown,
    )


def _what_fails_early(data: SeasonData) -> str:
    """Name what was seen to end units by the day of a first visit."""
    lives = data.lives
    early = lives.failed & (lives.upper <= EARLY_DAYS)
    if not early.any():
        return f" No failure is known to have come in the first {EARLY_DAYS} days."
    causes = sorted({str(c) for c in np.asarray(lives.cause)[early] if c and str(c) != UNDETERMINED})
    number = int(lives.weight[early].sum())
    named = f" ({join_words([shown_name(mechanism_words(c)) for c in causes])})" if causes else ""
    return f" In the first {EARLY_DAYS} days {count_of(number, data.counted)} failed{named}."


def _kit(data: SeasonData, kit: SpareKit) -> Finding:
    table = kit.columns
    hold = dict(zip(table["item"].tolist(), table["hold"].tolist(), strict=True))
    return Finding(
        id="plan.spares",
        headline="What to carry and keep at the bench",
        kind="plan",
        section="plan",
        order=8,
        statement=(
            f"Carry {count_of(hold['units carried on a round'], 'ready unit')} on a round to swap dead ones,"
            f" and count on {hold['units waiting for repair']} more at the bench; each suffices"
            f" {10 * kit.confidence:.0f} times in 10."
        ),
        estimate=float(hold["units carried on a round"] + hold["units waiting for repair"]),
        confidence=kit.confidence,
        unit="units",
        units=data.lives.units,
        failures=data.lives.failures,
        method="Poisson demand over a round, the time of a repair and the lead time (IEC 62550; formula from memory).",
        caveats=(*kit.notes, "Use of consumables per visit and swap is common practice, no source."),
        table={
            "item": table["item"].tolist(),
            "held as": table["kind"].tolist(),
            "needed on average": [f"{x:.1f}" for x in table["mean"]],
            "hold": [int(x) for x in table["hold"]],
        },
    )
