"""What did last season's change do, what will next season lose and cost, and what would proof take?"""

import math

import numpy as np

from workbench.planning import LAST_SEASON, SUPPORTED, SeasonPlan, TrialPlan, supported_levels, worth_of_levels
from workbench.report.basis import Drawing, Finding
from workbench.report.findings import level_costs
from workbench.report.talk.decisions import OVERDUE, Decision, action_state, decision_columns
from workbench.report.talk.told import Told
from workbench.report.words import limits_words, short_name, shown_name
from workbench.wording import Grade, by_number, count_of, join_words, percent_text, range_text, signed_points

__all__ = ["decide_slide", "next_slide", "proof_slide", "worked_slide"]

MOST_ROWS = 6
RARELY = 0.1


def worked_slide(told: Told) -> Finding | None:
    """What last season's action did, where both levels can be compared, and which actions are overdue."""
    data = told.data
    actions = list(data.settings.get("action") or ())
    found = [(n, told.findings.get(f"previous.action_{n + 1}")) for n in range(len(actions))]
    shown = [(n, f) for n, f in found if f is not None and f.figure is not None]
    if not shown:
        return None
    number, finding = shown[0]
    action = actions[number]
    new, old = (told.name(str(action["choice"]), str(action[key])) for key in ("to", "from"))
    if finding.grade == Grade.NOT_APART or finding.lower is None or finding.upper is None:
        headline = f"Whether {new} worked cannot be told apart from the season"
    elif finding.lower > 0 or finding.upper < 0:
        life = "longer" if finding.lower > 0 else "shorter"
        equal = ", place and season equal" if finding.held_equal else ""
        headline = f"Last season's change: {new} goes with {life} life{equal}"
    else:
        headline = f"Whether {new} instead of {old} worked could not be shown"
    points = [f"The change: {shown_name(action['what'], 70)}."]
    if finding.estimate is not None and finding.lower is not None and finding.upper is not None:
        points.append(_worked_gain(told, finding))
    points += _late(told)
    return told.slide(
        "worked",
        headline,
        points=points,
        say=(
            f"Last season we decided: {shown_name(action['what'], 90)}. {headline}. "
            "Compare the two of this season with each other; from season to season the weather changes too."
        ),
        behind=[finding.id, "previous.numbers"],
        figure=finding.figure,
        estimate=finding.estimate,
        lower=finding.lower,
        upper=finding.upper,
        confidence=finding.confidence,
        unit=finding.unit,
        grade=finding.grade,
    )


def _worked_gain(told: Told, finding: Finding) -> str:
    """What the change goes with, and on which basis: not that of the comparison in three steps."""
    estimate, lower, upper = (math.nan if v is None else v for v in (finding.estimate, finding.lower, finding.upper))
    more = by_number(int(estimate >= 0), "more", "fewer")
    limits = limits_words(signed_points(lower), signed_points(upper), told.data.confidence)
    basis = "Both seasons, place and season equal" if told.data.previous is not None else "Place equal"
    if not finding.held_equal:
        basis = "Plain counts of this season"
    return f"{basis}: {abs(100 * estimate):.0f} {more} of 100 ({limits}); other choices may differ."


def _late(told: Told) -> list[str]:
    """Actions whose day has passed without a unit that carries the new level."""
    late = [a for a in told.data.settings.get("action") or () if action_state(told.data, a) == OVERDUE]
    return [f"Overdue since {a['due']}: {shown_name(a['what'], 50)}." for a in late[:2]]


def next_slide(told: Told) -> Finding | None:
    """Next season as built and with the change: losses, spares, money."""
    plan = told.result_of("plan.builds")
    if not isinstance(plan, SeasonPlan):
        return None
    data, table = told.data, plan.table.set_index("build")
    last = table.loc[LAST_SEASON]
    if not math.isfinite(last["expected_losses"]):
        return None
    units, losses = int(last["units"]), round(float(last["expected_losses"]))
    headline = f"Built the same, we expect about {losses} of {count_of(units, 'unit')} lost in {data.mission_text}"
    best = table.loc[SUPPORTED] if SUPPORTED in table.index else None
    limits = range_text(last["losses_lower"], last["losses_upper"])
    points = [f"As built: {losses} lost ({limits}), {last['spares']:.0f} spares."]
    names = {LAST_SEASON: "as last season"}
    if best is not None and math.isfinite(best["expected_losses"]) and data.ranking is not None:
        chosen = [told.name(c, level) for c, level in supported_levels(data.ranking, data.asked_levels).items()]
        with_change = short_name(join_words(chosen[:2]), 30) if len(chosen) <= 2 else f"{len(chosen)} changes"
        fewer = round(float(best["expected_losses"]))
        headline = f"With {with_change}, expect about {fewer} of {units} lost instead of {losses}"
        ends = range_text(best["losses_lower"], best["losses_upper"])
        points.append(
            f"With {join_words(chosen)}: {fewer} lost ({ends}), {best['spares']:.0f} spares, if that is why they last."
        )
        names[SUPPORTED] = f"with {join_words(chosen)}"
    points += [*_money(told), *_lost_this_season(told)]
    points.append("Spares cover the losses 9 times in 10.")
    return told.slide(
        "next",
        headline,
        points=points,
        say=(
            f"If next season is like this one: {points[0][:1].lower()}{points[0][1:]} "
            f"{points[1] if best is not None else 'No change is supported well enough to plan on.'} "
            f"Lost means failed or missing by day {data.mission:g}."
        ),
        behind=["plan.builds", "plan.worth", "plan.spares", "plan.rounds"],
        figure=Drawing(
            result=plan,
            alt=f"Units expected to be alive by day up to {data.mission_text}, a falling line and band for each build.",
            options={"labels": names},
        ),
        estimate=float(last["expected_losses"]),
        lower=float(last["losses_lower"]),
        upper=float(last["losses_upper"]),
        confidence=plan.confidence,
        unit="units",
        facts={"losses as built": str(losses), "units next season": str(units)},
    )


def _lost_this_season(told: Told) -> list[str]:
    """How many were lost this season, and how many of them later, or perhaps later, than a plan counts."""
    lives, mission = told.data.lives, told.data.mission
    missing = (
        lives.covariates["outcome"].astype(str).to_numpy() == "missing" if "outcome" in lives.covariates else False
    )
    gone = lives.failed | missing
    later = gone & (lives.lower >= mission)
    either = lives.failed & (lives.lower < mission) & (lives.upper > mission)
    lost, late, open_ones = (int(lives.weight[part].sum()) for part in (gone, later, either))
    after = f", {late} later than day {mission:g}" if late else ""
    after += f", {open_ones} before or after {'it' if late else f'day {mission:g}'}" if open_ones else ""
    return [f"This season {lost} of {lives.units:,} {by_number(lost, 'was', 'were')} lost{after}."]


def _money(told: Told) -> list[str]:
    """What the change costs for each unit that it keeps alive."""
    data = told.data
    if data.ranking is None or "plan.worth" not in told.findings:
        return []
    sure = worth_of_levels(data.ranking, level_costs(data), data.lives.units_among()).sure
    if sure.empty:
        return []
    main = ("", "") if told.main is None else (told.main.choice, told.main.level)
    wanted = sure[(sure["choice"] == main[0]) & (sure["level"] == main[1])]
    best = (sure if wanted.empty else wanted).iloc[0]
    name, base = (data.label(best["choice"], best[key]) for key in ("level", "reference"))
    return [
        f"{name[:1].upper()}{name[1:]} alone, in the {best['units_switched']:.0f} units that have {base}: "
        f"{best['units_saved']:.0f} more alive, {data.money(best['cost_per_unit_saved'], 2)} for each."
    ]


def proof_slide(told: Told) -> Finding | None:
    """What proof would take, and what the fleet at hand can show."""
    plan = told.result_of("plan.trial")
    if not isinstance(plan, TrialPlan):
        return None
    fleet = told.data.lives.units_among()
    units, power = plan.columns["units"], plan.columns["power"]
    change = (
        "a halving of the failure rate" if plan.hazard_ratio == 0.5 else f"a rate {plan.hazard_ratio:g} times as high"
    )
    if math.isfinite(plan.enough):
        headline = f"Proof takes a fair trial of about {plan.enough:.0f} units"
    else:
        headline = f"Even {int(units[-1])} units in a fair trial would often prove nothing"
    points = [f"Proof: seeing {change}, 8 times in 10."]
    near = int(np.argmin(np.abs(units - fleet)))
    if abs(units[near] - fleet) <= 0.25 * fleet:
        times = round(10 * float(power[near]))
        often = "almost never" if power[near] < RARELY else f"{times} {by_number(times, 'time', 'times')} in 10"
        points.append(f"A trial of {int(units[near])}, about this fleet, would see it {often}.")
    shown = told.findings.get("plan.shown")
    if shown is not None and shown.lower is not None:
        points.append(
            f"Shown so far, with {percent_text(shown.confidence or 0.9)} confidence: at least "
            f"{percent_text(shown.lower)} last {told.data.mission_text}."
        )
    points.append("Fair: both levels at every site, assigned at random.")
    return told.slide(
        "proof",
        headline,
        points=points,
        say=(
            "What we know now goes together; proof needs a trial in which chance decides which unit gets what. "
            f"{headline}. {points[1]}"
        ),
        behind=["plan.trial", "plan.shown", "ranking.mix"],
        figure=Drawing(
            result=plan,
            alt="Rising line: the chance that a fair trial sees the difference, by its number of units.",
            options={"fleet": float(fleet)},
        ),
        units=None,
        failures=None,
    )


def decide_slide(told: Told) -> Finding | None:
    """The last slide: decision, answer, grade, cost, owner, due."""
    decisions = told.decisions
    if not decisions:
        return None
    shown = decisions[:MOST_ROWS]
    table = decision_columns(shown, "decision") | {"due": [d.shown_due for d in shown]}
    late = sum(d.overdue for d in decisions)
    points = [f"{count_of(late, 'decision')} {by_number(late, 'is', 'are')} overdue."] if late else []
    return told.slide(
        "decide",
        _to_decide(decisions),
        points=points,
        say=(
            f"Back to what we asked. {shown[0].ask} {shown[0].shown_answer}. "
            "Please decide each line, or say what is missing to decide it."
        ),
        behind=[d.behind for d in decisions],
        table={heading: cells for heading, cells in table.items() if any(cells)},
        statement=" ".join([*(f"{d.ask} {d.shown_answer}." for d in decisions), *points]),
        facts={"decisions": str(len(decisions))},
        units=None,
        failures=None,
    )


def _to_decide(decisions: list[Decision]) -> str:
    ready = sum(d.is_ready for d in decisions)
    whole = len(decisions)
    if ready == whole:
        return {1: "Decide: the answer is ready", 2: "Decide: both answers are ready"}.get(
            whole, f"Decide: all {whole} answers are ready"
        )
    if ready == 0:
        return "Decide: this season's evidence answers none of it yet"
    return (
        f"Decide: {ready} of {whole} can be answered now, the rest {by_number(whole - ready, 'needs', 'need')} evidence"
    )
