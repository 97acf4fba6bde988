"""Allocation of a fair trial: levels mixed within every site, balanced within one unit, drawn by a stated seed."""

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.checks import check_columns, check_whole
from workbench.errors import UsageError
from workbench.lives import Lives
from workbench.log.writing import inert_text
from workbench.results import Result

__all__ = ["Allocation", "allocate_season", "allocate_trial", "allocation_log"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Allocation(Result):
    """Which unit gets which level at which site. Table: unit_id, site and the choice, one row a unit."""

    choice: str
    levels: tuple[str, ...]
    seed: int


def allocate_trial(
    choice: str,
    levels: Sequence[str],
    units_by_site: Mapping[str, int],
    *,
    seed: int,
    prefix: str = "U-",
    first_number: int = 1,
) -> Allocation:
    """Draw which unit carries which level, so that every site has each level as evenly as its units allow.

    Within a site no level is carried by two units more than another. Which level gets the odd unit is drawn, but so
    that over all sites levels stay within one unit of each other as well.

    References
    ----------
    Permuted blocks within strata: Pocock (1983), Clinical Trials: A Practical Approach, ch. 5.
    """
    names = [str(level) for level in levels]
    if len(names) < 2 or len(set(names)) != len(names):
        raise UsageError(f"levels must be at least two different ones; got {', '.join(names) or 'none'}")
    if not units_by_site:
        raise UsageError("units_by_site names no site")
    rng = np.random.default_rng(check_whole("seed", seed))
    carried = np.zeros(len(names), dtype=np.int64)
    unit_ids, sites, drawn = [], [], []
    number = check_whole("first_number", first_number)
    last = number + sum(int(n) for n in units_by_site.values()) - 1
    for site, units in units_by_site.items():
        count = check_whole(f"units at {site}", units, least=1)
        block = _balanced_block(count, carried, rng)
        carried += np.bincount(block, minlength=len(names))
        for level in block:
            unit_ids.append(f"{prefix}{number:0{max(3, len(str(last)))}d}")
            sites.append(str(site))
            drawn.append(names[level])
            number += 1
    few = [str(site) for site, units in units_by_site.items() if units < len(names)]
    notes = [
        f"Drawn with seed {seed}: within each site levels of {choice.replace('_', ' ')} differ by one unit at most."
    ]
    if few:
        notes.append(f"{', '.join(few)}: fewer units than levels, so not every level can be there.")
    return Allocation(
        columns={"unit_id": np.array(unit_ids), "site": np.array(sites), choice: np.array(drawn)},
        choice=choice,
        levels=tuple(names),
        seed=seed,
        notes=tuple(notes),
    )


def _balanced_block(count: int, carried: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    levels = len(carried)
    whole, odd = divmod(count, levels)
    # odd units go to the levels carried least so far; chance decides among equals
    order = np.lexsort([rng.random(levels), carried])
    block = np.concatenate([np.repeat(np.arange(levels), whole), order[:odd]])
    return rng.permutation(block)


def allocation_log(allocation: Allocation) -> str:
    """Return an allocation as the start of next season's log, unit ids, sites and levels filled in."""
    blank = ("deployed_on", "last_good_on", "found_on", "outcome")
    names = ["unit_id", "deployment", "site", allocation.choice, *blank]
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(names)
    table = allocation.columns
    for unit, site, level in zip(table["unit_id"], table["site"], table[allocation.choice], strict=True):
        writer.writerow([inert_text(unit), "1", inert_text(site), inert_text(level), *("" for _ in blank)])
    return buffer.getvalue()


def allocate_season(
    lives: Lives, choice: str, *, levels: Sequence[str] = (), units: int | None = None, seed: int = 0
) -> Allocation:
    """Draw a trial at the sites of a season, of the two levels most carried if none are named."""
    check_columns([choice, "site"], lives.covariates.columns, "column")
    carried = _units_by(lives, choice).sort_values(ascending=False, kind="stable")
    sites = _units_by(lives, "site")
    shares = sites / sites.sum() * (int(sites.sum()) if units is None else units)
    by_site = {str(site): max(1, round(float(number))) for site, number in shares.items()}
    return allocate_trial(choice, [*levels] or list(carried.index[:2]), by_site, seed=seed)


def _units_by(lives: Lives, name: str) -> pd.Series:
    column = lives.covariates[name].astype(object)
    return pd.Series(lives.weight, index=column.index).groupby(column.map(str, na_action="ignore")).sum()
