"""Sentences that go with time ratios: what was assumed, and why a row has no figure."""

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from workbench.estimate.likelihood import null_space
from workbench.estimate.shared import ModelMatrix, Term
from workbench.lives import Lives
from workbench.wording import count_of, join_words

__all__ = ["assumption_notes", "beyond_sense_notes", "missing_row_notes", "no_maximum_note", "nothing_to_fit_note"]


def assumption_notes(lives: Lives, shrink: float) -> list[str]:
    """What the reader of any such table has to know."""
    notes = []
    if shrink > 0:
        sd = 1.0 / np.sqrt(shrink)
        notes.append(
            f"Effects are drawn towards 0 by a normal prior with standard deviation {sd:.3g} on the log time ratio of "
            "each level (of a number: per standard deviation); limits come from the penalised information, there are "
            "no p values and no AIC, and the log-likelihood is that of the lives alone."
        )
    if 0 < lives.failures < 5:
        notes.append(
            f"Only {count_of(lives.failures, 'failure')} in {count_of(lives.units, 'unit')}: limits from large-sample "
            "theory are rough."
        )
    if lives.cluster is not None:
        shared = len(lives) - len(set(lives.cluster))
        if shared:
            notes.append(
                f"{count_of(len(lives), 'life', 'lives')} belong to {count_of(len(lives) - shared, 'cluster')}; "
                "standard errors take lives as independent of each other."
            )
    return notes


def beyond_sense_notes(columns: Mapping[str, np.ndarray], ratio: str = "time_ratio") -> list[str]:
    """Say which ratios or limits are not shown because they lie beyond all sense."""
    hidden = np.isnan(columns[ratio] + columns["lower"] + columns["upper"])
    hidden &= np.isfinite(columns[f"log_{ratio}"])
    if not hidden.any():
        return []
    named = [f"{t} = {v}" for t, v in zip(columns["term"][hidden], columns["level"][hidden], strict=True)]
    return [
        f"{join_words(named)}: ratios or limits beyond a million times, or under a millionth, are not shown; these "
        "lives cannot show them, or the number is measured in too large a unit."
    ]


def nothing_to_fit_note(lives: Lives) -> str:
    """Why nothing can be fitted at all."""
    if not lives.failures:
        return f"No failures in {count_of(lives.units, 'unit')}: no time ratio can be estimated."
    return (
        f"The {count_of(lives.failures, 'failure')} say too little for this model: a line runs through all that is "
        "known, so the scale cannot be estimated; use fewer terms or a fixed shape."
    )


def no_maximum_note(lives: Lives) -> str:
    """Why a fit that was begun has no answer."""
    return (
        f"The likelihood of {count_of(lives.units, 'unit')} with {count_of(lives.failures, 'failure')} has no maximum "
        "at finite values, so nothing is estimated (as when the share found failed does not grow with age)."
    )


def missing_row_notes(terms: Sequence[Term], lives: Lives, design: ModelMatrix, *, known: np.ndarray) -> list[str]:
    """Why rows of the table have no figure.

    Shapes: known (r,).
    """
    if known.all():
        return []
    open_rows = {(t, v) for t, v, k in zip(design.term, design.level, known, strict=True) if not k}
    notes = []
    for term, level, sentence in _empty_levels(terms, lives):
        concerned = term.rows if level == term.levels[0] else (level,)
        hit = open_rows & {(term.name, v) for v in concerned}
        if hit:
            notes.append(sentence)
            open_rows -= hit
    aliased = _aliased_rows(design) & open_rows
    if aliased:
        named = [f"{t} = {v}" for t, v in zip(design.term, design.level, strict=True) if (t, v) in aliased]
        what = join_words(named) if len(named) > 1 else f"{named[0]} and the other terms"
        notes.append(f"{what} cannot be told apart: their columns add up to each other in these units.")
    if open_rows - aliased:
        named = [f"{t} = {v}" for t, v in zip(design.term, design.level, strict=True) if (t, v) in open_rows - aliased]
        notes.append(
            f"{join_words(named)}: failures occurred only on one side of a combination of terms, so no finite ratio "
            "fits; the other rows are the values in that limit."
        )
    return notes


def _empty_levels(terms: Sequence[Term], lives: Lives) -> Iterator[tuple[Term, str, str]]:
    seen_good = ~lives.failed | (lives.lower > 0)
    for term in terms:
        if term.codes is None:
            continue
        size = len(term.levels)
        failures = np.bincount(term.codes, lives.weight * lives.failed, size)
        good = np.bincount(term.codes, lives.weight * seen_good, size)
        units = np.bincount(term.codes, lives.weight, size)
        for number, level in enumerate(term.levels):
            if failures[number] == 0:
                why = f"{term.name}: no failures with {level} ({count_of(int(units[number]), 'unit')})"
            elif good[number] == 0:
                why = f"{term.name}: every unit with {level} had failed before it was first looked at"
            else:
                continue
            what = "the reference, so no ratio to it" if number == 0 else "so no time ratio of it"
            yield term, level, f"{why}, {what} can be estimated; the other rows are the values in that limit."


def _aliased_rows(design: ModelMatrix) -> set[tuple[str, str]]:
    silent = null_space(np.column_stack([np.ones(len(design.columns)), design.columns]))
    if not silent.shape[1]:
        return set()
    contrasts = np.column_stack([np.zeros(len(design.contrasts)), design.contrasts])
    lost = np.abs(contrasts @ silent).max(axis=1) > 1e-6
    return {(t, v) for t, v, x in zip(design.term, design.level, lost, strict=True) if x}
