"""Second opinions: hazard ratios with the same terms, and raw curves, beside the ranking; where they disagree."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.errors import EstimateError
from workbench.estimate.cox import fit_hazard_ratios
from workbench.lives import Lives
from workbench.mentions import Mention, Sentence, joined, listed
from workbench.ranking.model import CHOICE_SD, Design
from workbench.wording import count_of, percent_text

__all__ = ["OpinionAgreement", "agreement_of", "log_hazard_ratios"]


@dataclass(frozen=True)
class OpinionAgreement:
    """OpinionAgreement of the ranking with another view of the same comparisons.

    Attributes
    ----------
    view : str
        What it is compared with.
    share : float
        Share of comparisons that point the same way; NaN when none could be made.
    disagreeing : tuple of (choice, level)
        Comparisons that do not.
    sentence : Sentence
        Both in words.
    """

    view: str
    share: float
    disagreeing: tuple[tuple[str, str], ...]
    sentence: Sentence


def log_hazard_ratios(design: Design) -> tuple[dict[tuple[str, str], float], tuple[Sentence, ...]]:
    """Return each ranked level's log hazard ratio to its reference, by proportional hazards with the same terms.

    Where that fit cannot be made the ratios are NaN, and a note says why: no ranking is refused for a second opinion.
    """
    columns: dict[str, object] = {}
    for number, block in enumerate(design.blocks):
        name = f"term {number}"
        if block.codes is not None and len(block.levels) < 2:
            continue  # all of its levels are pooled: nothing to compare
        if block.codes is None:
            columns[name] = block.values
        else:
            order = list(block.levels)
            if block.reference:
                order.remove(block.reference)
                order.insert(0, block.reference)
            texts = np.array(block.levels, dtype=object)[block.codes]
            columns[name] = pd.Categorical(texts, categories=order)
    lives = design.lives
    same = Lives.from_arrays(
        lower=lives.lower, upper=lives.upper, entry=lives.entry, weight=lives.weight, covariates=pd.DataFrame(columns)
    )
    found: dict[tuple[str, str], float] = {}
    notes: tuple[Sentence, ...] = ()
    try:
        table = fit_hazard_ratios(same, list(columns), shrink=1.0 / CHOICE_SD**2).table
    except EstimateError as error:
        notes = (Sentence(f"Hazard ratios could not be set beside the gains: {error}."),)
    else:
        found = {(t, v): float(x) for t, v, x in zip(table.term, table.level, table.log_hazard_ratio, strict=True)}
    result = {}
    for number, block in enumerate(design.blocks):
        for level in block.ranked:
            result[block.name, level] = (
                0.0 if level == block.reference else found.get((f"term {number}", level), np.nan)
            )
    return result, notes


def agreement_of(
    view: str, gains: Mapping[tuple[str, str], float], other: Mapping[tuple[str, str], float]
) -> OpinionAgreement:
    """Return how often another view points the same way as the ranking."""
    known = [p for p in gains if np.isfinite(gains[p]) and np.isfinite(other.get(p, np.nan))]
    against = tuple(p for p in known if gains[p] * other[p] < 0)
    if not known:
        return OpinionAgreement(view, float("nan"), (), Sentence(f"No comparison could be made with {view}."))
    share = 1.0 - len(against) / len(known)
    head = (
        f"The ranking points the same way as {view} in {len(known) - len(against)} of "
        f"{count_of(len(known), 'comparison')} ({percent_text(share)})"
    )
    return OpinionAgreement(view, share, against, Sentence(head, _exceptions(against), "."))


def _exceptions(against: Sequence[tuple[str, str]]) -> Sentence:
    if not against:
        return Sentence()
    shown = [Mention(choice, level) for choice, level in against[:6]]
    if len(against) > len(shown):
        return Sentence("; not for ", joined(", ", map(Sentence, shown)), f" and {len(against) - len(shown)} more")
    return Sentence("; not for ", listed(shown))
