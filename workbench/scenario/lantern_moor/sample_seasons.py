"""Lantern Moor: the two sample seasons of the invented observatory, made from their seeds and written to a folder."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.errors import UsageError

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["EFFECTS", "SEASONS", "SampleSeason", "make_records", "make_season", "write_samples"]

EFFECTS: dict[str, dict[str, float]] = {
    "enclosure_rating": {"IP67": 0.40},
    "lid_seal": {"cord": 0.65, "o_ring": 1.30},
    "seal_bonded": {"yes": 0.25},
    "vent": {"membrane": 0.25},
    "board_protection": {"varnish": 0.15, "potting": 0.45},
    "cable_entry": {"bottom": 0.20},
    "drip_loop": {"yes": 0.20},
    "fasteners": {"a2": 0.10, "a4": 0.15},
    "animal_guard": {"yes": 0.60},
    "battery_chemistry": {"lithium_iron_disulfide": 0.25},
    "leak_test": {"passed": 0.20},
}
"""True effects on log time in both seasons; seal_material, closure, desiccant and shade have none."""

SITE_EFFECTS: dict[str, float] = {
    "Gannet Flats": -0.12,
    "Saltpan Point": 0.05,
    "Mirefold Bog": 0.10,
    "Hollow Wood": -0.15,
    "Upper Tarn": 0.08,
    "Cinder Ridge": 0.12,
    "Weir Lock": -0.05,
    "Sandgate Dunes": 0.0,
    "Orchard Lane": 0.06,
}
"""True effects of the nine places on log time beyond their environment, the same in both seasons."""


@dataclass(frozen=True, kw_only=True)
class SampleSeason:
    """How one sample season is made.

    Attributes
    ----------
    units : int
        Number of units.
    seed, dirt_seed : int
        Of the season and of its dirt.
    options : mapping
        Options of `simulate_season`.
    dirt : mapping of str to int
        Counts for `dirty`.
    story : str
        What the season was about, for the page beside the file.
    """

    units: int
    seed: int
    dirt_seed: int
    options: Mapping[str, Any]
    dirt: Mapping[str, int]
    story: str


_SHARED: dict[str, Any] = {
    "effects": EFFECTS,
    "site_effects": SITE_EFFECTS,
    "mechanism_shares": {"lid_seal_leak": 0.5},
    "alias": "closure",
    "kit_share": 0.5,
    "redeployed_share": 0.03,
    "refit_share": 0.02,
    "withdrawn_share": 0.035,
}

SEASONS: dict[str, SampleSeason] = {
    "2024": SampleSeason(
        units=96,
        seed=45,
        dirt_seed=1,
        options={
            **_SHARED,
            "start": "2024-03-11",
            "failed_share": 0.38,
            "confounding": 0.75,
            "shares": {"lid_seal": {"flat_gasket": 0.50, "cord": 0.30, "o_ring": 0.20}},
            "batches": {"A1": 0.4, "A2": 0.35, "A3": 0.25},
        },
        dirt={"other_spelling": 4, "decimal_comma": 1, "missing_outcome": 1, "not_recorded": 2, "duplicate": 1},
        story="The first season. The few O-rings went mostly to the coast, so raw curves speak against them.",
    ),
    "2025": SampleSeason(
        units=168,
        seed=32,
        dirt_seed=2,
        options={
            **_SHARED,
            "start": "2025-03-10",
            "failed_share": 0.36,
            "confounding": 0.7,
            "shares": {"lid_seal": {"flat_gasket": 0.30, "cord": 0.30, "o_ring": 0.40}},
            "batches": {"B1": 0.4, "B2": 0.3, "B3": 0.3},
            "first_number": 97,
        },
        dirt={
            "other_spelling": 6,
            "swapped_dates": 1,
            "decimal_comma": 1,
            "future_date": 1,
            "missing_outcome": 1,
            "unknown_word": 1,
            "impossible_code": 1,
            "not_recorded": 3,
            "duplicate": 1,
        },
        story="New units, built after the first review: O-rings in a part of every site, flat gaskets in the rest.",
    ),
}
"""The two seasons of the Lantern Moor Observatory."""


RECORDED = "2025"
"""The season of which some memory files are kept."""


def make_season(name: str) -> "tuple[pd.DataFrame, dict[str, Any], list[dict[str, Any]]]":
    """Make a sample season from its seed."""
    from workbench.scenario.paper import dirty

    log, truth = _undamaged(name)
    season = SEASONS[name]
    worse, damage = dirty(log, seed=season.dirt_seed, counts=season.dirt)
    return worse, truth, damage


def _undamaged(name: str) -> "tuple[pd.DataFrame, dict[str, Any]]":
    from workbench.simulate import simulate_season

    if name not in SEASONS:
        raise UsageError(f"there is no sample season {name!r} (there are: {', '.join(SEASONS)})")
    season = SEASONS[name]
    return simulate_season(season.units, seed=season.seed, **season.options)


def make_records() -> "tuple[dict[str, pd.DataFrame], list[dict[str, Any]]]":
    """Make the memory files of 14 failed units known by visits alone and of 6 survivors that went out once."""
    from workbench.simulate import simulate_records

    log, truth = _undamaged(RECORDED)
    once = ~log["unit_id"].duplicated(keep=False) & log["found_on"].notna() & (log["time_basis"] == "visit")
    units = [
        *log["unit_id"][once & (log["outcome"] == "failed")][:14],
        *log["unit_id"][once & (log["outcome"] == "working")][:6],
    ]
    records, known = simulate_records(log, truth, seed=SEASONS[RECORDED].dirt_seed, units=sorted(units), every_hours=4)
    return {unit: table for (unit, _), table in records.items()}, known


def write_samples(folder: str | Path) -> list[Path]:
    """Write both seasons as text files, 2025 also as a workbook, and memory files, each with its page."""
    from workbench.scenario.lantern_moor.sample_pages import sample_page, workbook_page
    from workbench.scenario.lantern_moor.workbook import write_workbook

    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    written = []
    for name, season in SEASONS.items():
        log, truth, damage = make_season(name)
        path = target / f"lantern_moor_{name}.csv"
        log.to_csv(path, index=False, lineterminator="\n")
        page = path.with_suffix(".md")
        page.write_text(sample_page(path.name, season, log, truth=truth, damage=damage), encoding="utf-8", newline="\n")
        written += [path, page]
        if name == "2025":
            book = target / f"lantern_moor_{name}.xlsx"
            write_workbook(book, log, truth, damage=damage)
            page = target / f"lantern_moor_{name}_xlsx.md"
            page.write_text(workbook_page(book.name, path.name), encoding="utf-8", newline="\n")
            written += [book, page]
    return [*written, *_write_records(target)]


def _write_records(target: Path) -> list[Path]:
    from workbench.scenario.lantern_moor.sample_pages import records_page

    records, known = make_records()
    (target / "records").mkdir(exist_ok=True)
    page = target / "records.md"
    page.write_text(records_page(known), encoding="utf-8", newline="\n")
    written = [page]
    for unit, table in records.items():
        written.append(target / "records" / f"{unit}.csv")
        table.to_csv(written[-1], index=False, lineterminator="\n")
    return written
