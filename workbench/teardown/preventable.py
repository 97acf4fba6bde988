"""Preventable: the failures that a seal can prevent, apart from those that it cannot."""

from collections.abc import Sequence
from typing import Any

from workbench.errors import EstimateError
from workbench.lives import UNDETERMINED, Lives
from workbench.ranking.rank import Ranking, rank_choices
from workbench.teardown.families import SEAL_PREVENTS

__all__ = ["OTHERS", "PREVENTABLE", "preventable_causes", "rank_preventable", "two_classes"]

PREVENTABLE = "what a seal can prevent"
OTHERS = "other mechanisms"


def preventable_causes(lives: Lives, names: Sequence[str] = ()) -> tuple[str, ...]:
    """Return the mechanisms among the lives' causes that a seal can prevent.

    Parameters
    ----------
    lives : Lives
        n lives with causes.
    names : sequence of str
        Mechanisms that count instead of the built-in list, such as `mechanisms_of_interest` of the settings.

    Returns
    -------
    tuple of str
        Sorted; empty when none occurs.

    Raises
    ------
    Nothing.
    """
    if lives.cause is None:
        return ()
    wanted = set(names) or set(SEAL_PREVENTS)
    return tuple(sorted({str(c) for c in lives.cause} & wanted))


def two_classes(causes: Sequence[str], preventable: Sequence[str]) -> dict[str, str]:
    """Return for each mechanism whether a seal can prevent it, in the two words used for classes.

    Parameters
    ----------
    causes : sequence of str
        Mechanisms; "undetermined" and the empty word are left out.
    preventable : sequence of str
        Those that a seal can prevent.

    Returns
    -------
    dict of str to str
        Mechanism to `PREVENTABLE` or `OTHERS`.

    Raises
    ------
    Nothing.
    """
    named = {str(c) for c in causes} - {"", UNDETERMINED}
    return {cause: PREVENTABLE if cause in preventable else OTHERS for cause in sorted(named)}


def rank_preventable(lives: Lives, choices: Sequence[str] | str, **options: Any) -> Ranking:
    """Rank choices by the failures that a seal can prevent; all other failures count as suspensions.

    Sentences about the result say "not lost to water", never "lasted": what the others took stands beside it.

    Parameters
    ----------
    lives : Lives
        n lives with causes.
    choices : sequence of str, or str
        Protection choices.
    **options
        As for `rank_choices`: mission, adjust, resamples, seed and so on.

    Returns
    -------
    Ranking
        As from `rank_choices(..., cause=...)`.

    Raises
    ------
    EstimateError
        If no failure is of a kind that a seal can prevent.
    """
    causes = preventable_causes(lives)
    if not causes:
        raise EstimateError("no failure has a mechanism that a seal can prevent, so there is nothing to rank seals by")
    return rank_choices(lives, choices, cause=causes, **options)
