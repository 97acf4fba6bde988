"""Where do the sites lie, in kilometres from each other?"""

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from workbench.report.basis.season_data import SeasonData

__all__ = ["site_positions"]

DEGREE = 111.195
"""Kilometres of a degree of latitude on a sphere of radius 6,371 km."""


def site_positions(data: "SeasonData") -> dict[str, tuple[float, float]]:
    """Return kilometres east and north of the sites' middle, for each site that has a position in the log.

    A site's position is the mean of those written down for it; on so few kilometres the earth is taken as flat.
    """
    records = getattr(data.log, "records", None)
    if records is None or not {"site", "latitude", "longitude"} <= set(records.columns):
        return {}
    known = records[["site", "latitude", "longitude"]].dropna()
    if known.empty:
        return {}
    means = known.astype({"latitude": float, "longitude": float}).groupby(known["site"].astype(str), sort=True)
    places = means[["latitude", "longitude"]].mean()
    middle = places.mean()
    north = DEGREE * (places["latitude"] - middle["latitude"])
    east = DEGREE * np.cos(np.radians(middle["latitude"])) * (places["longitude"] - middle["longitude"])
    return {str(site): (float(east[site]), float(north[site])) for site in places.index}
