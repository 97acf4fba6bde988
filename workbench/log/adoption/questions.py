"""Questions: what adoption asks, and how an answer is got: from a person, or by taking every proposal as a guess."""

from collections.abc import Callable
from dataclasses import dataclass

from workbench.printing import TOGETHER

__all__ = ["Answer", "Ask", "Query", "answer_to", "prompt_text", "question_text", "take_proposal"]


@dataclass(frozen=True, kw_only=True)
class Query:
    """One thing to settle: Enter takes the proposal (None: leaves it open), a number picks an option, s skips.

    Where the answer is itself a number (`is_number`), a number beyond those of the options is the answer. Words that
    are `also` answers may be typed and are not listed.
    """

    about: str
    proposal: str | None = None
    options: tuple[str, ...] = ()
    also: tuple[str, ...] = ()
    is_number: bool = False

    @property
    def choices(self) -> tuple[str, ...]:
        """The options, the proposal first."""
        first = () if self.proposal is None else (self.proposal,)
        return tuple(dict.fromkeys((*first, *self.options)))


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What was chosen, None for nothing, and whether a person saw it."""

    value: str | None
    is_confirmed: bool


Ask = Callable[[Query], Answer]


def take_proposal(question: Query) -> Answer:
    """Answer with the proposal, as a guess that nobody has confirmed."""
    return Answer(value=question.proposal, is_confirmed=False)


def question_text(question: Query) -> str:
    """Return a question with its numbered choices."""
    listed = "  ".join(f"{number}{TOGETHER}{choice}" for number, choice in enumerate(question.choices, start=1))
    listed += "  or type another word" if question.also else ""
    return "\n".join([question.about, *([f"    {listed}"] if len(question.choices) > 1 else [])])


def prompt_text(question: Query) -> str:
    """Return what stands before the place to type: what Enter does."""
    return f"  [Enter: {question.proposal if question.proposal is not None else 'leave it open'}] "


def answer_to(question: Query, typed: str) -> Answer | None:
    """Return the answer that a line typed by a person gives; None when it gives none."""
    text = typed.strip()
    if not text:
        return Answer(value=question.proposal, is_confirmed=True)
    if text.casefold() in ("s", "skip"):
        return Answer(value=None, is_confirmed=True)
    if text.isdigit() and 1 <= int(text) <= len(question.choices):
        return Answer(value=question.choices[int(text) - 1], is_confirmed=True)
    if question.is_number and text.isdecimal() and int(text) > len(question.choices):
        return Answer(value=str(int(text)), is_confirmed=True)
    return Answer(value=text, is_confirmed=True) if text in (*question.choices, *question.also) else None
