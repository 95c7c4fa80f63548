"""Buffers on the safe side: never narrower than their distance, and hardly wider."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import shapely

from weedzone.ground.shapes import (
    EMPTY,
    QUAD_SEGS,
    SAFE_SCALE,
    Array,
    Bools,
    Floats,
    Ints,
    areal,
    parts_of,
    union_rows,
)

# The engine leaves out vertices of inward bends shallower than this share of the distance: its buffer then
# reaches too far there and, where lines cross themselves, was seen to fall short by 2 %.
SHALLOW = 0.0101
WIDEST = 1.0045  # a buffer that reaches further than this share of the distance is drawn again, run by run
# Two tips this share of the distance apart: discs about them meet where the straight line between the tips would
# lie sqrt(scale^2 + (share/2)^2) of the distance away, which is 1.0048.
RUN = 0.13
# No point beside so short a line is too far from both of its ends.
SHORT = 2.0 * math.sqrt(WIDEST**2 - SAFE_SCALE**2)
TOGETHER = 64  # runs united at a time
LARGE = 2000  # vertices; above it the engine may fall back on a coarse grid, and comes out short by as much


def safe_buffer(geoms: Array, distance_m: Floats) -> Array:
    """Buffers that hold every point within the distance, and none further than 0.5 % beyond it.

    A distance of zero gives the polygon itself, and nothing for lines and points.
    """
    geoms = _opened(np.asarray(geoms, dtype=object))
    distance = np.asarray(distance_m, dtype=float)
    out = geoms.copy()
    wide = np.flatnonzero(distance > 0)
    if not len(wide):
        return areal(out)
    out[wide] = shapely.buffer(geoms[wide], distance[wide] * SAFE_SCALE, quad_segs=QUAD_SEGS)
    large = shapely.get_num_coordinates(geoms[wide]) > LARGE
    doubt = wide[large | _bent(geoms[wide], distance[wide])]
    again = doubt[_astray(out[doubt], geoms[doubt], distance[doubt])]
    if len(again):
        out[again] = _run_by_run(geoms[again], distance[again])
    return areal(out)


def _opened(geoms: Array) -> Array:
    """Features with closed lines cut in two.

    The engine takes a closed line for the outline of an area. Where it crosses itself, as a fence may, the
    buffer then lacks ground on the line itself.
    """
    lined = np.flatnonzero(np.isin(shapely.get_type_id(geoms), (1, 2, 5, 7)))
    parts, owner = parts_of(geoms[lined])
    line = np.isin(shapely.get_type_id(parts), (1, 2)) & (shapely.get_num_coordinates(parts) > 2)
    closed = np.flatnonzero(line & shapely.is_closed(parts))
    if not len(closed):
        return geoms
    halves, half_of = [], []
    for at in closed:
        xy = shapely.get_coordinates(parts[at])
        middle = len(xy) // 2
        halves += [shapely.linestrings(xy[: middle + 1]), shapely.linestrings(xy[middle:])]
        half_of += [owner[at]] * 2
    rows = np.unique(half_of)
    left = np.setdiff1d(np.flatnonzero(np.isin(owner, rows)), closed)
    every = np.concatenate([parts[left], np.array(halves, dtype=object)])
    row = np.searchsorted(rows, np.concatenate([owner[left], half_of]))
    order = np.argsort(row, kind="stable")
    out = geoms.copy()
    out[lined[rows]] = shapely.geometrycollections(every[order], indices=row[order])
    return out


def _bent(geoms: Array, distance: Floats) -> Bools:
    """Features with an inward bend so shallow that the engine may leave it out."""
    row, before, at, after = _corners(geoms)
    first, second = at - before, after - at
    cross = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
    across = np.hypot(*(after - before).T)
    depth = np.divide(np.abs(cross), across, out=np.full(len(cross), np.inf), where=across > 0)
    # Rings run with the solid on their left: there a turn to the right is inward. A line has two sides.
    solid = shapely.get_dimensions(geoms) == 2
    inward = (cross < 0) | ~solid[row]
    shallow = inward & (depth < SHALLOW * SAFE_SCALE * distance[row]) & (depth > 1e-4 * distance[row])
    bent = np.zeros(len(geoms), dtype=bool)
    bent[row[shallow]] = True
    return bent


def _corners(geoms: Array) -> tuple[Ints, Floats, Floats, Floats]:
    """Each vertex between two edges: the feature's row, the vertex before it, itself, and the one after."""
    parts, owner = parts_of(geoms)
    lines, row = _outlines(shapely.orient_polygons(parts), owner)
    n_rings = int((shapely.get_type_id(lines) == 2).sum())
    xy, of = shapely.get_coordinates(lines, return_index=True)
    middle = np.flatnonzero((of[2:] == of[1:-1]) & (of[1:-1] == of[:-2])) + 1
    start = np.searchsorted(of, np.arange(n_rings))
    end = np.searchsorted(of, np.arange(n_rings), side="right")
    # A ring's last vertex is its first: the corner there lies between the last edge and the first.
    before = np.concatenate([middle - 1, end - 2])
    at, after = np.concatenate([middle, start]), np.concatenate([middle + 1, start + 1])
    return row[of[at]], xy[before], xy[at], xy[after]


def _astray(buffers: Array, geoms: Array, distance: Floats) -> Bools:
    """Buffers with a corner or the middle of an edge that lies too near to the feature, or too far from it."""
    parts, part_of = shapely.get_parts(buffers, return_index=True)
    rings, ring_of = shapely.get_rings(parts, return_index=True)
    xy, of = shapely.get_coordinates(rings, return_index=True)
    row = part_of[ring_of][of]
    along = np.flatnonzero(of[1:] == of[:-1])
    shapely.prepare(geoms)
    bad = np.zeros(len(geoms), dtype=bool)
    doubtful = along[_may_be_far(xy, of, np.diff(ring_of, prepend=-1) != 0, along, distance[row])]
    middle = shapely.points((xy[doubtful] + xy[doubtful + 1]) / 2.0)
    far = ~shapely.dwithin(geoms[row[doubtful]], middle, WIDEST * distance[row[doubtful]])
    bad[row[doubtful[far]]] = True
    # Only lines and large features were seen to fall short.
    checked = ~np.isin(shapely.get_type_id(geoms), (3, 6)) | (shapely.get_num_coordinates(geoms) > LARGE)
    checked &= ~bad
    along = along[checked[row[along]]]
    corners = np.flatnonzero(checked[row])
    points = shapely.points(np.concatenate([(xy[along] + xy[along + 1]) / 2.0, xy[corners]]))
    row = row[np.concatenate([along, corners])]
    bad[row[shapely.dwithin(geoms[row], points, (1.0 - 1e-9) * distance[row])]] = True
    return bad


def _may_be_far(xy: Floats, of: Ints, shell: Bools, along: Ints, distance: Floats) -> Bools:
    """Edges of buffers, from the corners `along` to the next, that may lie too far from the feature.

    What the engine leaves out of an outline it bridges by a straight line, and the edge drawn along that line may
    lie too far. A short line does no harm: all of it is near its ends, which are the feature's own. Nor does a chord
    of an arc, as the arc is about a corner of the feature. A short edge is one of these unless others cut it off,
    and where two cross, the outline bends inward.

    Parameters
    ----------
    xy : ndarray of float, shape (corners, 2)
    of : ndarray of int
        Ring of each corner.
    shell : ndarray of bool, shape (rings,)
    distance : ndarray of float
        Of each corner's buffer.
    """
    run = xy[along + 1] - xy[along]
    ring = of[along]
    # The edge before: a ring's first has its last before it.
    last = np.searchsorted(ring, np.arange(len(shell)), side="right") - 1
    before = np.arange(len(along)) - 1
    first = np.diff(ring, prepend=-1) != 0
    before[first] = last[ring[first]]
    turn = run[before, 0] * run[:, 1] - run[before, 1] * run[:, 0]
    place = xy[along] - xy[along[first]][np.cumsum(first) - 1]
    twice = np.bincount(ring, place[:, 0] * run[:, 1] - place[:, 1] * run[:, 0], len(shell))
    # Shells that run with the ground on their left, and holes that do so too, turn left where they bend outward.
    inward = turn * np.where((twice > 0) == shell, 1.0, -1.0)[ring] <= 0
    ends = inward.copy()
    ends[before] |= inward
    long = np.hypot(*run.T) > SHORT * distance[along]
    return np.asarray(long | ends)


def _outlines(parts: Array, owner: Ints) -> tuple[Array, Ints]:
    """Rings of polygons first, then the lines and points as they are; and the feature that each is of."""
    solid = shapely.get_type_id(parts) == 3
    rings, ring_of = shapely.get_rings(parts[solid], return_index=True)
    return np.concatenate([rings, parts[~solid]]), np.concatenate([owner[solid][ring_of], owner[~solid]])


def _run_by_run(geoms: Array, distance: Floats) -> Array:
    """Buffers as the union of those of the convex hulls of short runs of edges: no bend, nothing to leave out.

    Of a notch between two tips closer than `RUN` times the distance the hull hides nothing that matters,
    however deep it is; a long edge is a run by itself.
    """
    parts, owner = parts_of(geoms)
    solid = shapely.get_type_id(parts) == 3
    lines, row = _outlines(parts, owner)
    xy, of = shapely.get_coordinates(lines, return_index=True)
    start = np.flatnonzero(of[1:] == of[:-1])
    length = np.hypot(*(xy[start + 1] - xy[start]).T)
    line, step = of[start], RUN / 2.0 * distance[row[of[start]]]
    # A run begins in one stretch of half the greatest length, and its edges are no longer than that.
    along = np.cumsum(length) - length
    along -= along[np.searchsorted(line, line)]
    stretch, long = np.floor(along / step), length > step
    new = (np.diff(line, prepend=-1) != 0) | (np.diff(stretch, prepend=-1.0) != 0) | long
    new[1:] |= long[:-1]
    run = np.cumsum(new) - 1
    of_corner = np.concatenate([run, run])
    order = np.argsort(of_corner, kind="stable")
    corners = np.concatenate([xy[start], xy[start + 1]])[order]
    hulls = shapely.convex_hull(shapely.linestrings(corners, indices=of_corner[order]))
    points = ~solid & (shapely.get_type_id(parts) == 0)
    spread = np.concatenate([hulls, parts[points]])
    of_each = np.concatenate([row[line[new]], owner[points]])
    capsules = shapely.buffer(spread, distance[of_each] * SAFE_SCALE, quad_segs=QUAD_SEGS)
    # Neighbours first: what they share falls away before all are united.
    order = np.argsort(of_each, kind="stable")
    capsules, of_each = capsules[order], of_each[order]
    number = np.arange(len(of_each)) - np.searchsorted(of_each, of_each)
    groups = np.flatnonzero((np.diff(of_each, prepend=-1) != 0) | (number % TOGETHER == 0))
    united = union_rows(capsules, np.repeat(np.arange(len(groups)), np.diff(groups, append=len(capsules))))
    members = np.concatenate([united, parts[solid]])
    of_member = np.concatenate([of_each[groups], owner[solid]])
    order = np.argsort(of_member, kind="stable")
    return union_rows(members[order], of_member[order])


def sweep(geoms: Array, distance_m: Floats, toward_deg: float, spread_deg: float) -> Array:
    """Ground from which a feature is reached by moving at most a distance within a sector of directions.

    The Minkowski sum of each feature with the circular sector of radius `distance_m` about the compass
    bearing `toward_deg`, `spread_deg` to either side; on the safe side, as arcs are circumscribed. It is the
    union of the feature and, for each of its edges and each convex half of the sector, the convex hull of
    the sector set at both ends of the edge.

    Parameters
    ----------
    geoms : ndarray of geometry
        Features of any kind [m].
    distance_m : ndarray of float
    toward_deg : float
        Bearing of the sector's axis [degrees clockwise from north].
    spread_deg : float
        Half-angle of the sector [degrees], above 0; from 180 on it is the plain buffer.
    """
    if spread_deg >= 180.0:
        return safe_buffer(geoms, distance_m)
    lines, row = _outlines(*parts_of(geoms))
    xy, line_of = shapely.get_coordinates(lines, return_index=True)
    follows = np.append(line_of[1:] == line_of[:-1], False)
    lone = ~follows & ~np.append(False, follows[:-1])
    start = np.flatnonzero(follows | lone)
    end = np.where(follows[start], start + 1, start)
    edge_row = row[line_of[start]]
    swept = []
    pieces = math.ceil(2.0 * spread_deg / 180.0)
    edges = np.linspace(toward_deg - spread_deg, toward_deg + spread_deg, pieces + 1)
    for first, last in pairwise(edges):
        sector = _sector(first, last)
        reach = sector[np.newaxis] * np.asarray(distance_m, dtype=float)[edge_row][:, np.newaxis, np.newaxis]
        corners = np.concatenate([xy[start][:, np.newaxis] + reach, xy[end][:, np.newaxis] + reach], axis=1)
        swept.append(shapely.convex_hull(shapely.multipoints(corners)))
    members = np.concatenate([*swept, geoms])
    of = np.concatenate([*([edge_row] * pieces), np.arange(len(geoms))])
    keep = shapely.get_dimensions(members) == 2
    members, of = members[keep], of[keep]
    out = np.full(len(geoms), EMPTY, dtype=object)
    if len(members):
        order = np.argsort(of, kind="stable")
        rows, dense = np.unique(of[order], return_inverse=True)
        out[rows] = union_rows(members[order], dense.ravel())
    return out


def _sector(first_deg: float, last_deg: float) -> Floats:
    """Unit sector between two compass bearings, its arc circumscribed: corners, shape (k, 2)."""
    steps = max(2, math.ceil((last_deg - first_deg) / 2.0))
    bearing = np.radians(np.linspace(first_deg, last_deg, steps + 1))
    # Chords between corners at 1/cos(half a step) touch the unit circle from outside.
    radius = 1.0 / math.cos(math.radians((last_deg - first_deg) / steps / 2.0))
    return np.concatenate([[[0.0, 0.0]], np.column_stack([np.sin(bearing), np.cos(bearing)]) * radius])
