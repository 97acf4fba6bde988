"""Likelihood: how probable each sign is under each mechanism, from the evidence table and from confirmed teardowns."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.teardown.mechanisms.opened import Teardowns
from workbench.teardown.mechanisms.sign_families import ABSENCE, NO_MECHANISM, PARTS

__all__ = ["EvidenceModel", "evidence_model", "mechanism_weights"]

PRIOR_MEAN = {"++": 0.80, "+": 0.50, "0": 0.20, "-": 0.08, "--": 0.02}
"""Mean of the prior of P(sign | mechanism) by strength; a judgement, updated by confirmed teardowns."""

PRIOR_WEIGHT = 4.0
"""How many teardowns the prior of one strength counts for."""

LEAST_COMPARED = 5
"""Opened survivors, and failed units, in which a sign must have been checked before the two are compared; judgement."""

MANY_CONFIRMED = 10
"""Confirmed teardowns from which on mechanisms that were never confirmed weigh less; judgement."""

_NOT_SEEN = 2
"""Answer of a sign that was not looked for, beside 0 for no and 1 for yes."""


_LEAST_COUNT = 1e-9


@dataclass(frozen=True, eq=False)
class EvidenceModel:
    """P(sign | mechanism) as beta distributions and P(mechanism) as Dirichlet, with k mechanisms and s signs.

    Attributes
    ----------
    mechanisms : tuple of str
        The k candidates, sorted.
    signs : tuple of str
        The s signs of the evidence table, those of absent units left out.
    families : tuple of str
        Family of each sign; signs of one family count once.
    yes, no : np.ndarray of float, shape (s, k)
        Parameters of the beta distributions: prior and confirmed counts together.
    share : np.ndarray of float, shape (k,)
        Parameters of the Dirichlet distribution, see `mechanism_weights`.
    confirmed : np.ndarray of float, shape (k,)
        Confirmed teardowns of each mechanism.
    against : np.ndarray of bool, shape (s, k)
        Whether the table says that the sign speaks strongly against the mechanism (--).
    silenced : np.ndarray of bool, shape (s,)
        Signs that survivors show just as often: they say nothing, but for what they speak strongly against.
    compared : tuple of str
        One sentence for each silenced sign.
    """

    mechanisms: tuple[str, ...]
    signs: tuple[str, ...]
    families: tuple[str, ...]
    yes: np.ndarray
    no: np.ndarray
    share: np.ndarray
    confirmed: np.ndarray
    against: np.ndarray
    silenced: np.ndarray
    compared: tuple[str, ...]

    @property
    def expected(self) -> np.ndarray:
        """Mean of P(sign | mechanism), shape (s, k)."""
        return np.asarray(self.yes / (self.yes + self.no))

    @property
    def usual(self) -> np.ndarray:
        """Mean chance of each sign under the mechanisms that it does not speak strongly against, shape (s,)."""
        free = ~self.against
        return np.asarray((self.expected * free).sum(axis=1) / np.maximum(free.sum(axis=1), 1))

    def probabilities(self, seen: np.ndarray, own: np.ndarray | None = None) -> np.ndarray:
        """P(mechanism | signs) of each unit by Bayes' rule.

        Shapes: seen (n, s), own (n,), returns (n, k).
        """
        own = np.full(len(seen), -1) if own is None else own
        answers = np.where(np.isnan(seen), _NOT_SEEN, seen).astype(int)
        found = np.empty((len(seen), len(self.mechanisms)))
        for mechanism in np.unique(own).tolist():
            found[own == mechanism] = self._of_verdict(answers[own == mechanism], mechanism)
        return found

    def drawn(self, rng: np.random.Generator) -> "EvidenceModel":
        """The model with its parameters drawn once: probabilities as if known exactly."""
        chance = np.clip(rng.beta(self.yes, self.no), 1e-6, 1 - 1e-6)
        share = np.clip(rng.dirichlet(self.share), 1e-12, None)
        return EvidenceModel(
            mechanisms=self.mechanisms,
            signs=self.signs,
            families=self.families,
            yes=chance,
            no=1 - chance,
            share=share,
            confirmed=self.confirmed,
            against=self.against,
            silenced=self.silenced,
            compared=self.compared,
        )

    def _of_verdict(self, answers: np.ndarray, own: int) -> np.ndarray:
        """P(mechanism | signs) of units of one confirmed verdict, each left out of the counts, or of none (-1).

        Shapes: answers (n, s), returns (n, k).
        """
        says = np.array([self._says(answer, own) for answer in (0, 1, _NOT_SEEN)])
        spread = says.max(axis=2) - says.min(axis=2)
        less = self.confirmed - (np.arange(len(self.confirmed)) == own)
        total = np.tile(np.log(self.share if own < 0 else mechanism_weights(less)), (len(answers), 1))
        for family in dict.fromkeys(self.families):
            members = np.flatnonzero(np.array(self.families) == family)
            strongest = members[np.argmax(spread[answers[:, members], members], axis=1)]
            total += says[answers[np.arange(len(answers)), strongest], strongest]
        weight = np.exp(total - total.max(axis=1, keepdims=True))
        return np.asarray(weight / weight.sum(axis=1, keepdims=True))

    def _says(self, answer: int, own: int) -> np.ndarray:
        """Log of the chance of one answer to each sign under each mechanism, shape (s, k)."""
        if answer == _NOT_SEEN:
            return np.zeros(self.yes.shape)
        yes, no = self.yes.copy(), self.no.copy()
        if own >= 0:
            count = yes if answer else no
            count[:, own] = np.maximum(count[:, own] - 1, _LEAST_COUNT)  # without any such unit: never asked for
        chance = yes / (yes + no)
        usual = np.broadcast_to(self.usual[:, None], chance.shape)
        quiet = self.silenced
        chance[quiet] = np.where(self.against, np.minimum(chance, usual), usual)[quiet]
        return np.asarray(np.log(chance) if answer else np.log1p(-chance))


def evidence_model(teardowns: Teardowns, table: pd.DataFrame) -> EvidenceModel:
    """Join the evidence table with the confirmed teardowns of a log.

    P(sign | mechanism) has a beta prior of weight 4 with mean 0.80 (++), 0.50 (+), 0.20 (0, or not in the table),
    0.08 (-) or 0.02 (--); each confirmed teardown adds one count where its sign was checked. P(mechanism) is 1 each and
    confirmed counts. A sign that opened survivors show at least as often as failed units says nothing, but for the
    mechanisms that it speaks strongly against (dry inside, in a dead unit, speaks against a leak).

    References
    ----------
    Bayes' rule with conjugate beta counts; strengths are common practice, no source.
    """
    confirmed = teardowns.verdict[teardowns.confirmed]
    candidates = {*table["mechanism"], *confirmed} - {*NO_MECHANISM, *ABSENCE}
    mechanisms = tuple(sorted(str(m) for m in candidates))
    taken = table[table["sign"].isin(teardowns.signs) & (table["family"] != "absence")]
    families = dict(zip(taken["sign"], taken["family"], strict=True))
    columns = [column for column, sign in enumerate(teardowns.signs) if sign in families]
    signs = tuple(teardowns.signs[column] for column in columns)
    mean = _prior_means(taken, signs, mechanisms)
    against = mean < (PRIOR_MEAN["-"] + PRIOR_MEAN["--"]) / 2
    seen = teardowns.seen[:, columns]
    member = (confirmed[:, None] == np.array(mechanisms, dtype=object)[None, :]).astype(float)
    trained = seen[teardowns.confirmed]
    yes = (trained == 1).T.astype(float) @ member
    no = (trained == 0).T.astype(float) @ member
    silenced, compared = _compare_with_survivors(seen, teardowns, signs)
    return EvidenceModel(
        mechanisms=mechanisms,
        signs=signs,
        families=tuple(families[sign] for sign in signs),
        yes=PRIOR_WEIGHT * mean + yes,
        no=PRIOR_WEIGHT * (1 - mean) + no,
        share=mechanism_weights(member.sum(axis=0)),
        confirmed=member.sum(axis=0),
        against=against,
        silenced=silenced,
        compared=compared,
    )


def mechanism_weights(confirmed: np.ndarray) -> np.ndarray:
    """Prior weight of each mechanism together with its confirmed teardowns.

    1 each and confirmed counts. From `MANY_CONFIRMED` confirmed teardowns on, the mechanisms that none of them names
    together get the share that is to be expected of kinds not yet met (mechanisms named once over confirmed teardowns,
    one such at least), never more than 1 each: otherwise a long list of mechanisms that this fleet never shows would
    take half of the probability.

    Shapes: confirmed (k,), returns (k,).

    References
    ----------
    Good, Biometrika 40 (1953) 237: the chance of a kind not yet seen is about the share seen once (from memory).
    """
    weights = 1.0 + confirmed
    unnamed = confirmed == 0
    if confirmed.sum() >= MANY_CONFIRMED and unnamed.any():
        unseen = max((confirmed == 1).sum(), 1) / confirmed.sum()
        total = weights[~unnamed].sum() * (unseen / (1 - unseen) if unseen < 1 else np.inf)
        weights[unnamed] = min(1.0, total / unnamed.sum())
    return weights


def _prior_means(table: pd.DataFrame, signs: Sequence[str], mechanisms: Sequence[str]) -> np.ndarray:
    known = {
        (str(sign), str(mechanism)): PRIOR_MEAN[str(strength)]
        for sign, mechanism, strength in zip(table["sign"], table["mechanism"], table["strength"], strict=True)
    }
    in_table = {mechanism for _, mechanism in known}
    mean = np.full((len(signs), len(mechanisms)), PRIOR_MEAN["0"])
    for column, mechanism in enumerate(mechanisms):
        parts = [mechanism] if mechanism in in_table else list(PARTS.get(mechanism, (mechanism,)))
        for row, sign in enumerate(signs):
            mean[row, column] = np.mean([known.get((sign, part), PRIOR_MEAN["0"]) for part in parts])
    return mean


def _compare_with_survivors(
    seen: np.ndarray, teardowns: Teardowns, signs: tuple[str, ...]
) -> tuple[np.ndarray, tuple[str, ...]]:
    """Which signs survivors show at least as often as failed units, with the counts in words.

    A sign in under 20 % of the survivors is left alone: the neutral strength expects as much.
    """
    counts = {}
    for name, rows in (("failed", teardowns.failed), ("survived", teardowns.survived)):
        checked = ~np.isnan(seen[rows])
        counts[name] = (np.nansum(seen[rows], axis=0).astype(int), checked.sum(axis=0))
    (bad, of_bad), (good, of_good) = counts["failed"], counts["survived"]
    enough = (of_bad >= LEAST_COMPARED) & (of_good >= LEAST_COMPARED) & (good >= PRIOR_MEAN["0"] * of_good)
    silenced = enough & (good > 0) & (good * of_bad >= bad * of_good)
    sentences = tuple(
        f"'{signs[i].replace('_', ' ')}' is no evidence for any mechanism here: {good[i]} of {of_good[i]} opened "
        f"survivors show it, and {bad[i]} of {of_bad[i]} failed units."
        for i in np.flatnonzero(silenced).tolist()
    )
    return silenced, sentences
