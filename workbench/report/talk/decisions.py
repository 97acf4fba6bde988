"""What is to be decided, and which answer do the findings support where nobody has typed one?"""

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from workbench.log.dictionary import RESTS_ON_SPARES, rests_on_parts
from workbench.planning import LAST_SEASON, SUPPORTED, SeasonPlan
from workbench.report.basis import Finding, SeasonData
from workbench.report.findings import RankedRow, level_costs, main_row
from workbench.report.words import short_name, shown_name
from workbench.wording import SUPPORTED_GRADES, count_of

__all__ = ["OVERDUE", "AnswerKind", "Decision", "action_state", "asks_nothing", "decision_columns", "decisions_of"]

OVERDUE = "overdue"


class AnswerKind(Enum):
    """Where an answer comes from, or what keeps it from being one."""

    TYPED = "typed by a person"
    SUPPORTED = "supported by the findings"
    TRIAL_FIRST = "the findings support that evidence comes first"
    LACKING = "nothing to answer from"


@dataclass(frozen=True, kw_only=True)
class _Answer:
    """What the findings answer, as shown, with how sure it is, what it costs and the finding that it rests on."""

    words: str
    kind: AnswerKind
    grade: str = ""
    cost: str = ""
    behind: str = ""


@dataclass(frozen=True, kw_only=True)
class Decision:
    """One decision: the question, the answer typed or supported, and what goes with it; texts as shown.

    Attributes
    ----------
    ask, answer : str
        The question, and its answer.
    kind : AnswerKind
        Where the answer comes from.
    grade, cost, owner, due : str
        How sure, what it costs, who sees to it, by when; empty where not known.
    overdue : bool
        Whether the day has passed without a typed answer.
    behind : str
        Id of the finding that the answer rests on; empty where there is none.
    """

    ask: str
    answer: str
    kind: AnswerKind
    grade: str = ""
    cost: str = ""
    owner: str = ""
    due: str = ""
    overdue: bool = False
    behind: str = ""

    @property
    def shown_answer(self) -> str:
        """The answer, marked where it is this review's own proposal; without one only what is missing."""
        return f"Proposed: {self.answer}" if self.is_proposed else f"{self.answer[:1].upper()}{self.answer[1:]}"

    @property
    def is_proposed(self) -> bool:
        """Whether this review proposes the answer, as its findings support it."""
        return self.kind in (AnswerKind.SUPPORTED, AnswerKind.TRIAL_FIRST)

    @property
    def is_ready(self) -> bool:
        """Whether there is an answer to decide on."""
        return self.kind in (AnswerKind.TYPED, AnswerKind.SUPPORTED)

    @property
    def shown_due(self) -> str:
        """The day, marked where it has passed."""
        return f"{self.due}, {OVERDUE}" if self.overdue else self.due


def decisions_of(data: SeasonData, rows: Sequence[RankedRow], findings: Mapping[str, Finding]) -> list[Decision]:
    """Return the decisions of the settings, each with the answer typed or what the findings support.

    Settings that ask for none leave the two that every season ends in: the choice that matters most, and the spares.
    """
    blocks = _asked(data)
    if not blocks:
        main = main_row(data, list(rows))
        blocks += [{"ask": f"Which {shown_name(main.choice)} next season?", "rests_on": main.choice}] if main else []
        blocks += [{"ask": "How many spares?", "rests_on": RESTS_ON_SPARES}] if "plan.builds" in findings else []
    return [_decision(data, block, rows, findings=findings) for block in blocks]


def asks_nothing(data: SeasonData) -> bool:
    """Whether the settings hold no decision, so that the questions are the review's own."""
    return not _asked(data)


def _asked(data: SeasonData) -> list[dict[str, str]]:
    """The decisions of the settings, each as a block."""
    blocks = [dict(block) for block in data.settings.get("decision") or ()]
    return blocks + [{"ask": text} for text in data.settings.get("decisions") or ()]


def _decision(
    data: SeasonData, block: Mapping[str, str], rows: Sequence[RankedRow], *, findings: Mapping[str, Finding]
) -> Decision:
    rests, typed = str(block.get("rests_on") or ""), str(block.get("answer") or "")
    found = _Answer(words="no answer yet; nothing says what it rests on", kind=AnswerKind.LACKING)
    if rests == RESTS_ON_SPARES:
        found = _spares(data, findings)
    elif rests:
        found = _level(data, *rests_on_parts(rests), rows=rows)
    due = str(block.get("due") or "")
    return Decision(
        ask=shown_name(block["ask"], 90),
        answer=shown_name(typed, 60) if typed else found.words,
        kind=AnswerKind.TYPED if typed else found.kind,
        grade=found.grade,
        cost=found.cost,
        owner=shown_name(block["owner"], 30) if block.get("owner") else "",
        due=due,
        overdue=bool(due) and not typed and dt.date.fromisoformat(due) < data.today,
        behind=found.behind if found.behind in findings else "",
    )


def _level(data: SeasonData, choice: str, level: str, *, rows: Sequence[RankedRow]) -> _Answer:
    """The answer to a question of a choice, or of one level of it."""
    own = [r for r in rows if r.choice == choice and level in ("", r.level)]
    what = shown_name(choice, 24)
    if not own:
        return _Answer(words=f"not yet; {what} could not be compared", kind=AnswerKind.LACKING)
    sure = [r for r in own if r.grade in SUPPORTED_GRADES]
    better = [r for r in sure if r.gain > 0]
    if better:
        best = max(better, key=lambda r: r.gain)
        name, base = (short_name(data.label(choice, v)) for v in (best.level, best.base))
        words, cost = f"{'yes, ' if level else ''}{name} instead of {base}", _switching(data, best)
        return _Answer(words=words, kind=AnswerKind.SUPPORTED, grade=best.grade, cost=cost, behind="ranking")
    if sure:
        worst = min(sure, key=lambda r: r.gain)
        name = short_name(data.label(choice, worst.level))
        words = f"{'no' if level else 'no change'}, those with {name} lasted less long"
        return _Answer(words=words, kind=AnswerKind.SUPPORTED, grade=worst.grade, behind="ranking")
    trial = "not yet, a fair trial first"
    return _Answer(words=trial, kind=AnswerKind.TRIAL_FIRST, grade=own[0].grade, behind="ranking")


def _switching(data: SeasonData, row: RankedRow) -> str:
    """What it costs to give the level to the units that carry its reference, in a fleet built as this one."""
    costs = level_costs(data).get(row.choice, {})
    if row.level not in costs or row.base not in costs:
        return ""
    units = data.lives.units_among() * row.base_units / max(data.lives.units, 1)
    return f"{data.money((costs[row.level] - costs[row.base]) * units)} for {count_of(round(units), 'unit')}"


def _spares(data: SeasonData, findings: Mapping[str, Finding]) -> _Answer:
    """The answer to a question of spares: those of the build that the season supports, if it does."""
    unplanned = _Answer(words="not yet; next season could not be planned", kind=AnswerKind.LACKING)
    drawn = findings["plan.builds"].figure if "plan.builds" in findings else None
    plan = None if drawn is None else drawn.result
    if not isinstance(plan, SeasonPlan):
        return unplanned
    table = plan.table.set_index("build")
    row, last = (table.loc[name if name in table.index else LAST_SEASON] for name in (SUPPORTED, LAST_SEASON))
    if not math.isfinite(row["spares"]):
        return unplanned
    cost = row["cost"] / row["units"] * row["spares"]
    answer = f"{row['spares']:.0f} spares"
    if SUPPORTED in table.index:
        answer += f" with the supported change, {last['spares']:.0f} without"
    cost_text = data.money(cost) if math.isfinite(cost) else ""
    return _Answer(words=answer, kind=AnswerKind.SUPPORTED, cost=cost_text, behind="plan.builds")


def action_state(data: SeasonData, action: Mapping[str, str]) -> str:
    """Return how an action stands: seen in the log, overdue, due, or not known.

    What was to be done counts as done when a unit of the log carries the new level.
    """
    choice, level, due = (str(action.get(key) or "") for key in ("choice", "to", "due"))
    frame = data.lives.covariates
    if choice in frame and level and (frame[choice].astype(str) == level).any():
        return "seen in the log"
    if due and dt.date.fromisoformat(due) < data.today:
        return OVERDUE
    return "due" if due else "not known"


def decision_columns(decisions: Sequence[Decision], question: str) -> dict[str, list[str]]:
    """Return the columns of a table of decisions; `question` heads what is asked."""
    return {
        question: [d.ask for d in decisions],
        "answer": [d.shown_answer for d in decisions],
        "how sure": [d.grade for d in decisions],
        "cost": [d.cost for d in decisions],
        "owner": [d.owner for d in decisions],
    }
