"""Mission folds: whole sites held out together, each fold checked to hold failures and survivors."""

from dataclasses import dataclass

import numpy as np

from workbench.estimate.shared import levels_with_blank
from workbench.lives import Lives
from workbench.ranking.mission.mission_labels import FAILED_BY_MISSION, LASTED

__all__ = ["Folds", "mission_folds"]

_MOST, _FEWEST = 5, 3


@dataclass(frozen=True, eq=False)
class Folds:
    """Which rows are held out together.

    Attributes
    ----------
    fold : np.ndarray of int, shape (n,)
        Number of the fold of every row.
    block : np.ndarray of int, shape (n,)
        Number of the site, unit or row that stays together.
    note : str
        How the folds were made.
    """

    fold: np.ndarray
    block: np.ndarray
    note: str

    @property
    def count(self) -> int:
        """Number of folds."""
        return int(self.fold.max()) + 1


def mission_folds(lives: Lives, labels: np.ndarray, site: str, *, rng: np.random.Generator) -> Folds:
    """Make folds of whole sites, so that every fold holds units that failed and units that lasted.

    Five folds are tried, then four, then three; when none works, each site is a fold of its own and predictions are
    judged together. Without two sites the units, else the rows, take the place of sites.

    Shapes: labels (n,).
    """
    block, noun, plural = _blocks(lives, site)
    count = int(block.max()) + 1
    failed = np.bincount(block, weights=lives.weight * (labels == FAILED_BY_MISSION), minlength=count)
    lasted = np.bincount(block, weights=lives.weight * (labels == LASTED), minlength=count)
    tie = rng.permutation(count)
    for folds in range(min(_MOST, count), _FEWEST - 1, -1):
        of_block = _shared_out(failed, lasted, tie, folds=folds)
        held = [of_block == f for f in range(folds)]
        if all(failed[h].sum() > 0 and lasted[h].sum() > 0 for h in held):
            note = f"{folds} folds of whole {plural}, each with units that failed and units that lasted."
            return Folds(of_block[block], block, note + _why(noun))
    if count <= 30:
        note = f"Each {noun} was held out in turn, because folds with both outcomes could not be made."
        return Folds(block.copy(), block, note + _why(noun))
    return Folds(
        _shared_out(failed, lasted, tie, folds=_MOST)[block], block, f"5 folds of whole {plural}." + _why(noun)
    )


def _why(noun: str) -> str:
    return (
        "" if noun == "site" else f" Two sites at least are needed to hold out sites, so each {noun} stands for itself."
    )


def _blocks(lives: Lives, site: str) -> tuple[np.ndarray, str, str]:
    if site in lives.covariates.columns:
        names, codes, _ = levels_with_blank(lives.covariates[site].astype(object))
        if len(names) > 1:
            return codes, "site", "sites"
    if lives.cluster is not None:
        return np.unique(lives.cluster.astype(str), return_inverse=True)[1], "unit", "units"
    return np.arange(len(lives)), "row", "rows"


def _shared_out(failed: np.ndarray, lasted: np.ndarray, tie: np.ndarray, *, folds: int) -> np.ndarray:
    """Give blocks to folds, most failures first, each to the fold with fewest failures, then with fewest others."""
    of_block = np.empty(len(failed), dtype=np.int64)
    load = np.zeros((folds, 2))
    for block in np.lexsort([tie, -lasted, -failed]):
        chosen = int(np.lexsort([load[:, 1], load[:, 0]])[0])
        of_block[block] = chosen
        load[chosen] += (failed[block], lasted[block])
    return of_block
