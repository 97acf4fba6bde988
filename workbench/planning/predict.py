"""Predict: the share of units of a given build that fail by each day, in every replicate of the model behind a plan."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from workbench.errors import EstimateError
from workbench.estimate.likelihood import AftBatch, family_of
from workbench.estimate.shared import levels_with_blank
from workbench.lives import Lives
from workbench.planning.fielded_build import BuildRow
from workbench.ranking.model import (
    SITE_SD,
    Block,
    Design,
    build_design,
    fitted_design,
    level_texts,
    resample_design,
)

__all__ = ["FailureModel", "fit_failure_model"]


@dataclass(frozen=True, kw_only=True, eq=False)
class FailureModel:
    """Replicates of a Weibull time-ratio model and what is needed to predict a build from them.

    Attributes
    ----------
    fits : AftBatch
        B replicates.
    blocks : tuple of Block
        Columns by covariate; none when nothing varies.
    constant : dict of str to str
        Choices that never varied, and their one level.
    places : tuple of (environment, site number, units)
        Where units stood, for spreading a build over the sites seen.
    new_site : np.ndarray of float, shape (B,)
        Effect of a site not seen before, from its prior.
    weight : np.ndarray of float, shape (n,)
        Units of each life behind the blocks.
    environments : tuple of str
        On record, when the build names environments.
    notes : tuple of str
        What the model could not use.
    """

    fits: AftBatch
    blocks: tuple[Block, ...]
    constant: dict[str, str]
    places: tuple[tuple[str, int, int], ...]
    new_site: np.ndarray
    weight: np.ndarray
    environments: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def share_failing(self, row: BuildRow, days: np.ndarray) -> np.ndarray:
        """Share of a row's units that fail by each day.

        Shapes: days (T,), returns (T, B).
        """
        around = next((b for b in self.blocks if b.role == "adjust" and b.codes is not None), None)
        if around is not None and row.environment is None:
            parts = self._surroundings(row, around)
            return sum(
                (part * self.share_failing(replace(row, environment=place), days) for place, part in parts),
                start=np.zeros((len(days), len(self.fits.intercept))),
            )
        location = self.fits.intercept.copy()
        for block in self.blocks:
            if block.role == "choice":
                location += self.fits.coefficients[:, block.start + _level(block, row.levels[block.name])]
            elif block.role == "adjust" and row.environment is not None:
                location += self.fits.coefficients[:, block.start + block.levels.index(row.environment)]
            elif block.role == "season":
                location += self.fits.coefficients[:, block.start : block.stop] @ self._shares(block)
        with np.errstate(divide="ignore"):
            z_days = np.log(days)
        family = family_of("weibull")
        total = np.zeros((len(days), len(location)))
        for effect, part in self._site_effects(row):
            z = (z_days[:, None] - (location + effect)[None, :]) / self.fits.scale[None, :]
            total += part * np.where(np.isfinite(z), 1.0 - family.survival(np.where(np.isfinite(z), z, 0.0)), 0.0)
        return total

    def unknown(self, row: BuildRow) -> list[str]:
        """Sentences about levels that were never fielded; a build with one is not predicted."""
        said = []
        for name, level in row.levels.items():
            block = next((b for b in self.blocks if b.name == name), None)
            constant = bool(level) and level == self.constant.get(name)
            if not (constant if block is None else block.number_of(level) is not None):
                said.append(f"{row.build}: no record of {name} = {level or 'blank'}, so nothing is promised for it.")
        if row.environment is not None and row.environment not in self.environments:
            said.append(f"{row.build}: no record of the environment {row.environment}, so nothing is promised there.")
        return said

    def remarks(self, row: BuildRow) -> list[str]:
        """Sentences about how a row was predicted."""
        said = [
            f"{row.build}: few units carried {b.name} = {row.levels[b.name]}; it is predicted together with its like."
            for b in self.blocks
            if b.role == "choice" and row.levels[b.name] in b.pooled
        ]
        site = next((b for b in self.blocks if b.role == "site"), None)
        if site is not None and row.site is not None and row.site not in site.levels:
            said.append(
                f"{row.build}: {row.site} is a site not seen before; its effect is drawn from how sites differ."
            )
        return said

    def _shares(self, block: Block) -> np.ndarray:
        """Share of the units seen with each level; a number is centred, so its average adds nothing."""
        if block.codes is None:
            return np.zeros(len(block.levels))
        units = np.bincount(block.codes, weights=self.weight, minlength=len(block.levels))
        return np.asarray(units / units.sum())

    def _surroundings(self, row: BuildRow, around: Block) -> list[tuple[str, float]]:
        """Environments where a row that names none may stand, as the units seen did: at its site, or everywhere."""
        site = next((b for b in self.blocks if b.role == "site"), None)
        if site is None or row.site not in site.levels:
            return [(place, share) for place, share in zip(around.levels, self._shares(around), strict=True) if share]
        there = [(place, n) for place, number, n in self.places if number == site.levels.index(row.site)]
        return [(place, n / sum(m for _, m in there)) for place, n in there]

    def _site_effects(self, row: BuildRow) -> list[tuple[np.ndarray, float]]:
        block = next((b for b in self.blocks if b.role == "site"), None)
        if block is None:
            return [(np.zeros(len(self.fits.scale)), 1.0)]
        if row.site is not None:
            seen = row.site in block.levels
            effect = self.fits.coefficients[:, block.start + block.levels.index(row.site)] if seen else self.new_site
            return [(effect, 1.0)]
        there = [(site, n) for place, site, n in self.places if row.environment in (None, place)]
        if not there:
            return [(self.new_site, 1.0)]
        total = sum(n for _, n in there)
        counts: dict[int, int] = {}
        for number, n in there:
            counts[number] = counts.get(number, 0) + n
        return [(self.fits.coefficients[:, block.start + number], n / total) for number, n in counts.items()]


def fit_failure_model(
    lives: Lives, choices: Sequence[str], *, environment: str | None, site: str, replicates: int, seed: int
) -> FailureModel:
    """Fit the model behind a plan to weighted replicates."""
    named = [n for n in (*choices, environment, site) if n is not None and n in lives.covariates.columns]
    texts = {name: level_texts(lives.covariates[name]) for name in named}
    lives = lives.replace(covariates=lives.covariates.assign(**texts))
    levels = {name: lives.levels[name][0] for name in choices}
    varying = [name for name in choices if _rankable(lives, name)]
    constant = {name: levels[name][0] for name in choices if name not in varying and len(levels[name]) == 1}
    notes = [
        f"{name} was not used: no two of its levels have enough units."
        for name in choices
        if name not in varying and name not in constant
    ]
    environments = lives.levels[environment][0] if environment else ()
    adjust = [environment] if environment and len(environments) > 1 else []
    if not varying:
        return FailureModel(
            fits=_plain_fits(lives, replicates, seed),
            blocks=(),
            constant=constant,
            places=(),
            new_site=np.zeros(replicates),
            weight=lives.weight.astype(float),
            environments=environments,
            notes=(*notes, "No choice of the build varied in these lives: one life distribution stands for all units."),
        )
    design = build_design(lives, varying, adjust, site=site)
    rng = np.random.default_rng([seed, 2])
    return FailureModel(
        fits=resample_design(fitted_design(design), replicates, seed),
        blocks=design.blocks,
        constant=constant,
        places=_places(design, environment),
        new_site=rng.normal(0.0, SITE_SD, replicates),
        weight=design.lives.weight.astype(float),
        environments=environments,
        notes=tuple([*notes, *design.notes]),
    )


def _rankable(lives: Lives, name: str) -> bool:
    try:
        return len(build_design(lives, [name], site=None).choices[0].ranked) >= 2
    except EstimateError:
        return False


def _plain_fits(lives: Lives, replicates: int, seed: int) -> AftBatch:
    order = lives.canonical_order()
    bare = Design(lives.take(order), (), np.zeros((len(order), 0)), np.zeros(0), order)
    return resample_design(fitted_design(bare), replicates, seed)


def _places(design: Design, environment: str | None) -> tuple[tuple[str, int, int], ...]:
    sites = next((b for b in design.blocks if b.role == "site"), None)
    if sites is None or sites.codes is None:
        return ()
    names: tuple[str, ...] = ("",)
    codes = np.zeros(len(design.lives), dtype=np.int64)
    if environment is not None:
        names, codes, _ = levels_with_blank(design.lives.covariates[environment])
    counts: dict[tuple[str, int], int] = {}
    for place, number, weight in zip(codes, sites.codes, design.lives.weight, strict=True):
        key = names[int(place)], int(number)
        counts[key] = counts.get(key, 0) + int(weight)
    return tuple((place, number, n) for (place, number), n in sorted(counts.items()))


def _level(block: Block, level: str) -> int:
    number = block.number_of(level)
    if number is None:
        raise EstimateError(f"no record of {block.name} = {level or 'blank'}")
    return number
