"""What does every talk slide start from: the season, its findings by id, and the comparison that the talk is about?"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from workbench.log.dictionary import known_label
from workbench.report.basis import Drawing, Finding, SeasonData
from workbench.report.findings import RankedRow, main_row, ranked_rows
from workbench.report.talk.decisions import Decision, decisions_of
from workbench.report.words import as_headline, short_name, shown_name
from workbench.wording import Grade, count_of

__all__ = ["GRADE_WORDS", "TOPICS", "Told"]

TOPICS: Mapping[str, str] = {
    "asked": "What we ask",
    "sent": "What went out and what came back",
    "where": "Where they stood",
    "lasted": "How long they lasted",
    "ended": "What ended them",
    "signs": "The evidence",
    "inside": "Inside when opened",
    "places": "Why plain counts mislead",
    "steps": "The comparison in three steps",
    "untold": "The other choices: what stays open",
    "worked": "What last season's change did",
    "next": "Next season",
    "proof": "What proof would take",
    "decide": "Decide",
}
"""Slides of the talk in their order: the last part of the finding's id, and the topic above its headline."""

GRADE_WORDS: Mapping[str, str] = {
    Grade.CLEAR: "Clear: every check agrees; chance alone gives a clear result in about 1 season of 20.",
    Grade.LIKELY: "Likely: most checks agree; chance alone gives a likely result in about 1 season of 6.",
    Grade.UNCLEAR: "Unclear: chance alone could explain it.",
    Grade.NOT_APART: "Cannot be told apart: the two levels never stood side by side well enough.",
}
"""What a grade means, in the one line that stands where the first grade appears."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Told:
    """A season with its findings, as the builders of talk slides take it.

    Attributes
    ----------
    data : SeasonData
        The season.
    findings : mapping of str to Finding
        Those that a second computation did not contradict, by id.
    """

    data: SeasonData
    findings: Mapping[str, Finding]

    @cached_property
    def rows(self) -> list[RankedRow]:
        """Every ranked comparison, in the order of the ranking."""
        shown = self.findings.get("ranking")
        if self.data.ranking is None or shown is None or shown.kind == "withheld":
            return []
        return ranked_rows(self.data, self.data.ranking)

    @cached_property
    def main(self) -> RankedRow | None:
        """The comparison that the talk is about."""
        return main_row(self.data, self.rows)

    @cached_property
    def decisions(self) -> list[Decision]:
        """What is to be decided, with the answers typed or supported."""
        return decisions_of(self.data, self.rows, self.findings)

    def name(self, choice: str, level: str) -> str:
        """A level's label for a headline, with its choice where nobody labelled it; a "no ..." is quoted."""
        label, what = self.data.label(choice, level), shown_name(choice, 24)
        labels = (self.data.settings.get("levels") or {}).get(choice, {}).get("labels") or {}
        labelled = level in labels or known_label(choice, level) is not None
        name = short_name(label if labelled or what.casefold() in label.casefold() else f"{label} {what}")
        return f"“{name}”" if name.casefold().startswith("no ") else name

    def many(self, number: int) -> str:
        """A count in the one unit of counting of this review.

        Examples
        --------
        The talk says 165 units where each was out once, and 173 deployments where some were out twice.
        """
        return count_of(number, self.data.counted)

    def result_of(self, finding: str) -> Any:
        """What a finding draws, or None where there is no such finding or nothing drawn."""
        found = self.findings.get(finding)
        return None if found is None or found.figure is None else found.figure.result

    def slide(
        self,
        key: str,
        headline: str,
        *,
        points: Sequence[str],
        say: str,
        behind: Sequence[str],
        figure: Drawing | None = None,
        **more: Any,
    ) -> Finding:
        """A talk slide as a finding; `more` are further fields of it, such as its estimate, table or facts."""
        kept = tuple(name for name in behind if name in self.findings)
        source = [self.findings[name] for name in kept[:1]]
        given: dict[str, Any] = {
            "kind": "talk",
            "statement": " ".join(points) or headline,
            "method": source[0].method if source else "Typed in the settings.",
            "units": source[0].units if source else None,
            "failures": source[0].failures if source else None,
        }
        fields = given | more
        if fields["units"] is not None:
            behind_it = self.data.counts_text(fields["units"], fields["failures"])
            fields["statement"] = f"{fields['statement']} Behind it: {behind_it}."
        return Finding(
            id=f"talk.{key}",
            section="talk",
            order=list(TOPICS).index(key),
            headline=as_headline(headline),
            points=tuple(points),
            say=say,
            behind=kept,
            figure=figure,
            **fields,
        )
