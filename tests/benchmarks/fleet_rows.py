"""Rows of an invented fleet for tests, studies and benchmarks: 20 columns, known effects, and a little dirt."""

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
from pyarrow import parquet

__all__ = ["EFFECTS", "LAST_DAY", "fleet_rows", "write_as_csv", "write_fleet"]

LAST_DAY = np.datetime64("2025-12-31")
FIRST_DAY = np.datetime64("2023-01-01")
EFFECTS = {
    "lid_seal": {"flat_gasket": 0.0, "cord": 0.25, "o_ring": 0.55},
    "vent": {"none": 0.0, "membrane": 0.2},
    "board_protection": {"none": 0.0, "varnish": 0.15, "potting": 0.4},
}
"""True effects on log time."""
SHARES = {"lid_seal": (0.5, 0.3, 0.2), "vent": (0.6, 0.4), "board_protection": (0.5, 0.3, 0.2)}
OTHER = {
    "fasteners": ("zinc_plated", "a2", "a4"),
    "shade": ("no", "yes"),
    "desiccant": ("none", "silica_gel"),
    "batch": ("B1", "B2", "B3"),
    "firmware": ("1.4", "1.5"),
}
SITES = {
    "Gannet Flats": ("tidal_marsh", "C5", 0.6),
    "Saltpan Point": ("sea_cliff", "CX", 0.8),
    "Mirefold Bog": ("bog", "C4", 0.5),
    "Hollow Wood": ("forest", "C3", 0.2),
    "Upper Tarn": ("lake_shore", "C3", 0.1),
    "Cinder Ridge": ("mountain", "C2", -0.2),
    "Weir Lock": ("river", "C3", 0.3),
    "Sandgate Dunes": ("dunes", "C5", 0.4),
    "Orchard Lane": ("farmland", "C2", -0.3),
}
"""Environment, corrosivity and hardship on log time."""
SPELLINGS = {"flat_gasket": "Flat gasket", "cord": "round cord", "o_ring": "O-ring"}


def fleet_rows(size: int, *, seed: int = 1, first: int = 0, dirt: float = 1.0) -> pd.DataFrame:
    """Draw rows, one a deployment.

    Half of the failures are known to the day by telemetry, the others between visits 30 days apart. Per 1,000 rows
    there are about 26 other spellings of the seal, 2 of the outcome, 1 outcome empty or misspelled, 1 date before
    another, and 1 unit named twice.

    Parameters
    ----------
    size : int
        Number of rows.
    seed : int
        Of everything drawn.
    first : int
        Number of the first unit.
    dirt : float
        Multiplies the shares of dirt; 0 for none.

    Returns
    -------
    pandas.DataFrame
        Headings of the data dictionary; days as datetime64.

    Raises
    ------
    Nothing.
    """
    rng = np.random.default_rng([seed, first])
    site = rng.integers(0, len(SITES), size)
    places = list(SITES.values())
    data: dict[str, object] = {"unit_id": np.char.add("LM-", np.char.zfill((first + np.arange(size)).astype(str), 8))}
    data["site"] = np.array(list(SITES))[site]
    data["environment"] = np.array([p[0] for p in places])[site]
    data["corrosivity"] = np.array([p[1] for p in places])[site]
    location = np.log(500.0) - np.array([p[2] for p in places])[site]
    for choice, levels in EFFECTS.items():
        drawn = rng.choice(len(levels), size, p=SHARES[choice])
        data[choice] = np.array(list(levels))[drawn]
        location = location + np.array(list(levels.values()))[drawn]
    data |= {name: np.array(levels)[rng.integers(0, len(levels), size)] for name, levels in OTHER.items()}
    data |= _ends(rng, location)
    frame = pd.DataFrame(data).assign(season="2023")
    frame["unit_id"] = frame["unit_id"].astype(object)
    return _dirtied(frame, rng, dirt)


def _ends(rng: np.random.Generator, location: np.ndarray) -> dict[str, np.ndarray]:
    """Dates, outcome and mechanism of lives that are followed to the last day at most."""
    size, gap = len(location), 30
    life = np.maximum(np.ceil(np.exp(location) * rng.weibull(1.4, size)), 1).astype(int)
    put_out = rng.integers(0, 365, size)
    reach = (LAST_DAY - FIRST_DAY).astype(int) - put_out
    early = rng.random(size)
    followed = np.where(early < 0.04, (reach * rng.random(size)).astype(int) + 1, reach)
    failed = life <= followed
    outcome = np.select([failed, early < 0.02, early < 0.04], ["failed", "missing", "withdrawn"], "working")
    telemetry = rng.random(size) < 0.5
    start = FIRST_DAY + put_out
    visit = np.minimum(((life - 1) // gap + 1) * gap, reach + 1)
    good = start + np.where(failed, np.maximum(life - 1 - np.where(telemetry, 0, (life - 1) % gap), 0), followed)
    found = start + np.where(failed, np.where(telemetry, np.minimum(life + 5, reach + 1), visit), followed)
    never = np.datetime64("NaT", "D")
    mechanism = np.array(["lid_seal_leak", "vent_or_port_leak", "battery_exhausted"])[rng.integers(0, 3, size)]
    return {
        "deployed_on": start,
        "last_good_on": np.where(failed & telemetry, never, good),
        "failed_on": np.where(failed & telemetry, start + life, never),
        "found_on": np.where(outcome == "missing", never, found),
        "time_basis": np.where(telemetry, "telemetry", "visit"),
        "outcome": outcome,
        "mechanism": np.where(failed, mechanism, None),
    }


def _dirtied(frame: pd.DataFrame, rng: np.random.Generator, dirt: float) -> pd.DataFrame:
    size, draw = len(frame), rng.random(len(frame)) / max(dirt, 1e-9)
    outcome = frame["outcome"].astype(object).to_numpy()
    outcome[draw < 0.0005] = None
    outcome[(draw >= 0.0005) & (draw < 0.001)] = "faild"
    outcome[(draw >= 0.001) & (draw < 0.003) & (outcome == "failed")] = "Dead"
    swapped = (draw >= 0.003) & (draw < 0.0035)
    respelled = (draw >= 0.004) & (draw < 0.03)
    seal = frame["lid_seal"].astype(object).to_numpy()
    seal[respelled] = [SPELLINGS[s] for s in seal[respelled]]
    units = frame["unit_id"].to_numpy()
    repeats = int(size * 0.0005 * dirt)
    units[rng.integers(0, size, repeats)] = units[rng.integers(0, size, repeats)]
    found = frame["found_on"].where(~swapped, frame["deployed_on"] - np.timedelta64(5, "D"))
    return frame.assign(outcome=outcome, lid_seal=seal, unit_id=units, found_on=found)


def write_fleet(
    path: Path, size: int, *, seed: int = 1, at_once: int = 500_000, dirt: float = 1.0, only: str | None = None
) -> Path:
    """Write rows to a Parquet file, a part at a time.

    Parameters
    ----------
    path : Path
        Where to.
    size : int
        Number of rows.
    seed : int
        Of everything drawn.
    at_once : int
        Rows held in memory.
    dirt : float
        As in `fleet_rows`.
    only : str, optional
        Only rows with this time_basis, about half of them.

    Returns
    -------
    Path
        The same.

    Raises
    ------
    Nothing.
    """
    writer = None
    for first in range(0, size, at_once):
        frame = fleet_rows(min(at_once, size - first), seed=seed, first=first, dirt=dirt)
        if only is not None:
            frame = frame[frame["time_basis"] == only]
        days = {n: frame[n].astype("datetime64[s]").dt.date for n in frame if frame[n].dtype.kind == "M"}
        table = pa.Table.from_pandas(frame.assign(**days), preserve_index=False)
        writer = writer or parquet.ParquetWriter(path, table.schema)
        writer.write_table(table.cast(writer.schema), row_group_size=250_000)
    if writer is not None:
        writer.close()
    return path


def write_as_csv(path: Path) -> Path:
    """Write a Parquet file as csv beside it.

    Parameters
    ----------
    path : Path
        The Parquet file.

    Returns
    -------
    Path
        The csv file.

    Raises
    ------
    Nothing.
    """
    import duckdb

    target = path.with_suffix(".csv")
    with duckdb.connect() as connection:
        connection.execute("SET enable_progress_bar = false")
        connection.read_parquet(str(path)).write_csv(str(target))
    return target
