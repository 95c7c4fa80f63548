"""Ground that is drawn under two sites: it belongs to the first by name, and the other leaves it out."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely

from weedzone.base.errors import Finding
from weedzone.base.units import FT2_PER_M2
from weedzone.ground.frame import Ground
from weedzone.ground.shapes import EMPTY, Array, Floats, Ints
from weedzone.survey.laid import TURN, Laid, areas, with_reach
from weedzone.survey.whereabouts import METRES_PER_DEGREE

LEAST_M2 = 1e-4  # what two sites share by rounding along a common edge is less


def doubly_drawn(
    ground: Ground,
    sites: Array,
    drawn: tuple[Array, Array, Floats],
    beside: tuple[Array, gpd.GeoDataFrame] | None = None,
) -> tuple[Laid, Array, list[Finding]]:
    """Infested ground of each site that a site before it by name holds too.

    Parameters
    ----------
    ground : Ground
    sites : ndarray of str
    drawn : (ndarray of geometry, ndarray of str, ndarray of float)
        Infested shapes in degrees, the name of the site of each, and its radius or half width [m].
    beside : (ndarray of geometry, GeoDataFrame), optional
        The same of sites that are sized elsewhere: shapes in degrees, and the layer.

    Returns
    -------
    taken : Laid
        Shapes of the sites before, in the metres of the site that leaves them out; `row` counts in `takers`.
    takers : ndarray of str
        Names of sites that take.
    findings : list of Finding
    """
    degrees, name, reach_m = drawn
    if beside is not None:
        shapes, layer = beside
        degrees = np.concatenate([degrees, shapes])
        name = np.concatenate([name, layer["site"].to_numpy(dtype=object)])
        reach_m = np.concatenate([reach_m, layer["reach_m"].to_numpy(dtype=float)])
    n_own = len(drawn[0])
    nothing = Laid(np.empty(0, dtype=object), np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp))
    takers, rank = np.unique(name.astype(str), return_inverse=True)
    if len(takers) < 2:
        return nothing, takers, []
    number = {str(site): at for at, site in enumerate(sites)}
    first, later = _pairs(degrees, reach_m, rank.ravel(), n_own)
    site = np.array([number[str(name[at])] for at in later], dtype=np.intp)
    theirs, mine = (_laid(ground, degrees[at], reach_m[at], site) for at in (first, later))
    kept = np.flatnonzero(shapely.area(shapely.intersection(theirs, mine)) > LEAST_M2)
    theirs, mine, site, taker = theirs[kept], mine[kept], site[kept], rank.ravel()[first[kept]]
    findings = []
    for place, of in sorted(set(zip(site, taker, strict=True))):
        rows = (site == place) & (taker == of)
        common = shapely.intersection(shapely.union_all(theirs[rows]), shapely.union_all(mine[rows]))
        shared = f"{shapely.area(common) * FT2_PER_M2:,.1f} ft2 of its infested ground"
        message = (
            f"{shared} is drawn under {str(takers[of])!r} too: it belongs to that site, and is left out here"
        )
        findings.append(Finding("warning", "infestations", str(sites[place]), message))
    _, once = np.unique(np.column_stack([first[kept], site]), axis=0, return_index=True)
    return Laid(theirs[once], site[once], taker[once]), takers, findings


def _laid(ground: Ground, degrees: Array, reach_m: Floats, site: Ints) -> Array:
    """Shapes in the metres of a site, whole; what has no area is empty."""
    rows = np.arange(len(degrees))
    local = with_reach(ground.to_local(degrees, site), reach_m)
    laid, _ = areas(local, site, rows, rows, "infestations")
    shapes = np.full(len(degrees), EMPTY, dtype=object)
    shapes[laid.row] = laid.geoms
    return shapes


def _pairs(degrees: Array, reach_m: Floats, rank: Ints, n_own: int) -> tuple[Ints, Ints]:
    """Shapes of different sites whose boxes meet: that of the site before, and the own one that gives way."""
    boxes = shapely.bounds(degrees)
    up = np.nan_to_num(reach_m) * 1.05 / METRES_PER_DEGREE
    across = up / np.maximum(0.01, np.cos(np.radians(np.abs(boxes[:, [1, 3]]).max(axis=1))))
    boxes += np.column_stack([-across, -up, across, up])
    tree = shapely.STRtree(shapely.box(*boxes[:n_own].T))
    # Across the antimeridian the same ground may be a whole turn away in longitude.
    turns = (-360.0, 0.0, 360.0) if np.abs(boxes[:, [0, 2]]).max() > 179.0 else (0.0,)
    found = [tree.query(shapely.box(*(boxes + turn * TURN).T)) for turn in turns]
    first, later = np.unique(np.concatenate(found, axis=1), axis=1)
    gives_way = rank[first] < rank[later]
    return first[gives_way], later[gives_way]
