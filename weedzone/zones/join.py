"""Parts joined to zones: one product at one dose on one turf of one site, without slivers and seams."""

from __future__ import annotations

import numpy as np
import shapely

from weedzone.ground.shapes import (
    Array,
    Bools,
    Floats,
    Ints,
    areal,
    close_pairs,
    clusters,
    collect,
    mean_width,
    near_pairs,
    parts_of,
    union_rows,
)
from weedzone.zones.parts import Parts

SEAM_M = 1e-6
BATCH = 32  # rows handed to the engine at once: one that it refuses makes these be tried one by one


def zone_numbers(parts: Parts, chosen: Ints, dose: Floats) -> Ints:
    """Number of each treated part's zone: one product at one dose on one turf of one site."""
    zone = np.full(len(chosen), -1, dtype=np.intp)
    rows = np.flatnonzero(chosen >= 0)
    if len(rows):
        keys = np.column_stack([parts.site[rows], chosen[rows], parts.turf[rows], np.round(dose[rows], 12)])
        zone[rows] = np.unique(keys, axis=0, return_inverse=True)[1].ravel()
    return zone


def drop_slivers(parts: Parts, zone: Ints, min_width_m: float, min_area_m2: float) -> tuple[Ints, Bools]:
    """Take out of each zone what is too thin or too small once its parts are joined."""
    thin = np.zeros(len(zone), dtype=bool)
    rows = np.flatnonzero(zone >= 0)
    geoms, of = parts.geoms[rows], zone[rows]
    meagre = np.flatnonzero((mean_width(geoms) < min_width_m) | (parts.area_m2[rows] < min_area_m2))
    if not len(meagre):
        return zone, thin
    i, j = near_pairs(geoms[meagre], of[meagre], geoms, of, np.full(len(geoms), SEAM_M))
    label = clusters(len(geoms), meagre[i], j)
    lean = np.ones(int(label.max()) + 1, dtype=bool)
    sound = np.ones(len(geoms), dtype=bool)
    sound[meagre] = False
    lean[label[sound]] = False
    members = np.flatnonzero(lean[label])
    order = np.argsort(label[members], kind="stable")
    _, dense = np.unique(label[members][order], return_inverse=True)
    joined = union_rows(geoms[members[order]], dense.ravel(), disjoint=True)
    poor = (mean_width(joined) < min_width_m) | (shapely.area(joined) < min_area_m2)
    thin[rows[members[order[poor[dense.ravel()]]]]] = True
    return np.where(thin, -1, zone), thin


def dissolve(geoms: Array, zone: Ints, fresh: Bools) -> Array:
    """One valid shape a zone, without the seams between its parts.

    Parameters
    ----------
    fresh : ndarray of bool
        Parts that a cut has made; only these meet others along a seam.
    """
    rows = np.flatnonzero(zone >= 0)
    if not len(rows):
        return np.empty(0, dtype=object)
    parts, of = geoms[rows], zone[rows]
    n_zones = int(of.max()) + 1
    seamed = np.flatnonzero(fresh[rows])
    i, j = close_pairs(parts[seamed], of[seamed], SEAM_M)
    label = clusters(len(parts), seamed[i], seamed[j])
    order = np.argsort(label, kind="stable")
    _, start, dense = np.unique(label[order], return_index=True, return_inverse=True)
    count = np.bincount(dense.ravel())
    joined = parts[order[start]].copy()
    many = count > 1
    if many.any():
        member = many[dense.ravel()]
        row = (np.cumsum(many) - 1)[dense.ravel()[member]]
        joined[many] = _without_seams(parts[order[member]], row)
    pieces, owner = parts_of(joined)
    whole = collect(pieces, of[order[start]][owner], n_zones)
    truth = np.bincount(of, shapely.area(parts), n_zones)
    off = np.abs(shapely.area(whole) - truth) > 1e-6 * truth + 1e-6 * shapely.length(whole)
    for at in np.flatnonzero(~shapely.is_valid(whole) | off):
        members = parts[of == at]
        again = areal(np.array([shapely.union_all(members, grid_size=1e-6)]))[0]
        # Seams are only a matter of looks: where they cannot be taken out truthfully they stay.
        slack = 1e-6 * truth[at] + 1e-5 * sum(shapely.length(members))
        loose = shapely.make_valid(
            collect(members, np.zeros(len(members), dtype=np.intp), 1)[0], method="structure"
        )
        whole[at] = again if abs(again.area - truth[at]) <= slack else loose
    return whole


def _without_seams(parts: Array, row: Ints) -> Array:
    """Union of the parts of each row, which share no ground; `row` is sorted and has no gaps.

    Parts that one cut has made have the same corners along their seam, and the edges that they share only
    need to be dropped. Where rounding has set corners apart, the plain union has to find them.
    """
    gathered = shapely.geometrycollections(parts, indices=row)
    joined = np.concatenate(
        [_edges_dropped(gathered[first : first + BATCH]) for first in range(0, len(gathered), BATCH)]
    )
    holes, of = shapely.get_rings(joined, return_index=True)
    hole = np.diff(of, prepend=-1) == 0
    slits = hole & (mean_width(shapely.polygons(holes)) < SEAM_M) if hole.any() else hole
    poor = shapely.get_type_id(joined) != 3
    poor[of[slits]] = True
    again = np.flatnonzero(poor)
    if len(again):
        mine = poor[row]
        joined[again] = union_rows(parts[mine], np.searchsorted(again, row[mine]), disjoint=True)
    return joined


def _edges_dropped(gathered: Array) -> Array:
    """Coverage union of each collection; empty where the engine refuses it."""
    try:
        return np.asarray(shapely.coverage_union_all(gathered[:, np.newaxis], axis=1))
    except shapely.errors.GEOSException:
        if len(gathered) == 1:
            return np.array([shapely.MultiPolygon()], dtype=object)
    return np.concatenate([_edges_dropped(gathered[i : i + 1]) for i in range(len(gathered))])
