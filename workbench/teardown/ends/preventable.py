"""Which failures are moisture-related, and which of them are leaks, the part that a seal can prevent?"""

from collections.abc import Sequence
from typing import Any

from workbench.errors import EstimateError
from workbench.lives import UNDETERMINED, Lives
from workbench.ranking.choices import Ranking, rank_choices
from workbench.teardown.mechanisms import LEAKS, MOISTURE_RELATED

__all__ = ["OTHERS", "PREVENTABLE", "preventable_causes", "rank_preventable", "two_classes"]

PREVENTABLE = "moisture-related"
"""Leaks, vapour that comes through plastic whatever the seal, and what moisture does once inside."""

OTHERS = "other mechanisms"


def preventable_causes(lives: Lives, names: Sequence[str] = ()) -> tuple[str, ...]:
    """Return the mechanisms among the lives' causes that are moisture-related, or are among `names`."""
    if lives.cause is None:
        return ()
    wanted = set(names) or set(MOISTURE_RELATED)
    return tuple(sorted({str(c) for c in lives.cause} & wanted))


def two_classes(causes: Sequence[str], preventable: Sequence[str]) -> dict[str, str]:
    """Return for each mechanism whether it is moisture-related, in the two words used for classes."""
    named = {str(c) for c in causes} - {"", UNDETERMINED}
    return {cause: PREVENTABLE if cause in preventable else OTHERS for cause in sorted(named)}


def rank_preventable(lives: Lives, choices: Sequence[str] | str, **options: Any) -> Ranking:
    """Rank choices by leaks, the failures that a seal can prevent; all other failures count as suspensions.

    Sentences about the result say "not lost to leaks", never "lasted": what the others took stands beside it.
    """
    causes = preventable_causes(lives, LEAKS)
    if not causes:
        raise EstimateError("no failure is a leak, which a seal can prevent, so there is nothing to rank seals by")
    return rank_choices(lives, choices, cause=causes, **options)
