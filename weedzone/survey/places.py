"""Where the sites landed and how large they are, so that a person sees a slip; and what is not plausible."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from weedzone.base.errors import Finding
from weedzone.base.units import ACRE_PER_M2, FT2_PER_M2, FT_PER_M
from weedzone.ground.shapes import Array
from weedzone.survey.local import Local

MOST_ACRES = 500.0  # a site beyond it is worth a second look: common practice, no source
_MORE = 1.001  # infested ground drawn along the edge of its turf is no more than the turf


def site_places(local: Local) -> pd.DataFrame:
    """Size and place of each site.

    Parameters
    ----------
    local : Local

    Returns
    -------
    DataFrame
        ``site``, ``turf_ft2``, ``turf_m2``, ``infested_ft2``, ``infested_m2`` (patches added up, so that ground drawn
        twice counts twice), ``east_ft`` and ``north_ft`` (extent of turf and patches), ``lat`` and ``lon`` of the
        middle of the infested ground.
    """
    n = len(local.sites)
    turf, infested = (np.bincount(of.site, shapely.area(of.geoms), n) for of in (local.turf, local.infested))
    box = np.full((n, 4), np.nan)
    for of in (local.turf, local.infested):
        bounds = shapely.bounds(of.geoms)
        np.fmin.at(box[:, :2], of.site, bounds[:, :2])
        np.fmax.at(box[:, 2:], of.site, bounds[:, 2:])
    west, south, east, north = local.boxes_degrees.T
    return pd.DataFrame(
        {
            "site": local.sites,
            "turf_ft2": turf * FT2_PER_M2,
            "turf_m2": turf,
            "infested_ft2": infested * FT2_PER_M2,
            "infested_m2": infested,
            "east_ft": (box[:, 2] - box[:, 0]) * FT_PER_M,
            "north_ft": (box[:, 3] - box[:, 1]) * FT_PER_M,
            "lat": (south + north) / 2.0,
            "lon": ((west + east) / 2.0 + 180.0) % 360.0 - 180.0,
        }
    )


def place_texts(places: pd.DataFrame, most: int) -> list[str]:
    """The places in lines: "Alder Court: turf 6,200 ft², 120 by 90 ft, at 41.60012 N 93.60034 W".

    Parameters
    ----------
    places : DataFrame
        Of `site_places`.
    most : int
        Sites that are named at most; of the others it is said how many they are.

    Returns
    -------
    list of str
    """
    lines = [
        f"{row['site']}: turf {row['turf_ft2']:,.0f} ft², {row['east_ft']:,.0f} by {row['north_ft']:,.0f} ft, "
        f"at {_degrees(row['lat'], 'NS')} {_degrees(row['lon'], 'EW')}"
        for row in places.head(most).to_dict("records")
    ]
    return [*lines, *([f"and {len(places) - most} more sites"] if len(places) > most else [])]


def _degrees(value: float, sides: str) -> str:
    return f"{abs(value):.5f} {sides[int(value < 0)]}"


def implausible(local: Local) -> list[Finding]:
    """What can hardly be meant: sites of hundreds of acres, more infested ground than turf.

    Parameters
    ----------
    local : Local

    Returns
    -------
    list of Finding
    """
    places = site_places(local)
    noticed = []
    acres = places["turf_m2"].to_numpy() * ACRE_PER_M2
    for at in np.flatnonzero(acres > MOST_ACRES):
        message = f"its turf is {acres[at]:,.0f} acres: is the unit of its coordinates right?"
        noticed.append(Finding("warning", "turf", str(local.sites[at]), message))
    turf, infested = (places[name].to_numpy(dtype=float) for name in ("turf_m2", "infested_m2"))
    for at in np.flatnonzero((infested > _MORE * turf) & (turf > 0)):
        once, grown = (_once(of.geoms[of.site == at]) for of in (local.infested, local.turf))
        if once > _MORE * grown:
            message = (
                f"infested ground ({once * FT2_PER_M2:,.0f} ft2) is more than the turf that is mapped "
                f"({grown * FT2_PER_M2:,.0f} ft2): is the turf whole?"
            )
            noticed.append(Finding("warning", "infestations", str(local.sites[at]), message))
    return noticed


def _once(shapes: Array) -> float:
    """Area of shapes, ground that several hold counted once [m2]."""
    return float(shapely.area(shapely.union_all(shapes)))
