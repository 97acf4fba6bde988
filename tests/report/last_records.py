"""A season whose last_good_on is the last record in memory: the dead were found only when all came home."""

import datetime as dt

import pandas as pd

START = dt.date(2025, 3, 1)
MISSION = 120
COLLECTED = 190
DEAD_AFTER = {
    "flat_gasket": (8, 15, 19, 24, 31, 38, 44, 52, 57, 63, 71, 80, 88, 97, 103, 140),
    "cord": (35, 76, 109, 131, 150, 162),
    "o_ring": (118, 171),
}
"""Days after which the failed units of each seal wrote nothing more; 20 of each were put out."""


def last_record_season():
    rows = []
    for seal, ends in DEAD_AFTER.items():
        for number in range(20):
            dead = number < len(ends)
            rows.append(
                {
                    "unit_id": f"{seal[:2]}{number:02d}",
                    "site": "abc"[number % 3],
                    "environment": "marsh" if number % 3 else "dune",
                    "deployed_on": START,
                    "last_good_on": START + dt.timedelta(ends[number] if dead else COLLECTED),
                    "found_on": START + dt.timedelta(COLLECTED),
                    "outcome": "failed" if dead else "working",
                    "lid_seal": seal,
                }
            )
    return pd.DataFrame(rows).astype({"deployed_on": str, "last_good_on": str, "found_on": str})


def still_working(seal=None, day=MISSION):
    """The truth: the share whose last record is of that day or later."""
    names = [seal] if seal else list(DEAD_AFTER)
    return 1 - sum(end < day for name in names for end in DEAD_AFTER[name]) / (20 * len(names))
