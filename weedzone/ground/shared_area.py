"""The area that two polygons share, by a sum over pairs of edges: a second figure that no overlay has touched.

Each edge stands for the ground below it, counted up for edges that run west and down for edges that run east
(shells being wound counter-clockwise), so that a polygon is the sum of its edges. The ground common to two
polygons is then the sum over all pairs of edges that share a stretch of x,

    area(A and B) = sum over i, j of  s_i s_j  integral of min(y_i(x), y_j(x)) dx

and the minimum of two straight lines has a closed integral. Nothing is noded, sorted into rings or classified,
so nothing can fall on the wrong side. Edges of one polygon that lie wholly below the other add nothing, as
there the signs of the other's edges cancel, and are left out. The only error is rounding, of the order of
1e-16 times the square of the site's extent. (Own derivation: the trapezoid rule of areas, applied to a product
of indicators.)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

Array = npt.NDArray[Any]
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

CHUNK = 1_000_000  # pairs of edges held in memory at once


@dataclass(frozen=True)
class _Edges:
    """Edges of many polygons, by polygon and then by their western end; none stands upright."""

    west: Floats  # x
    east: Floats
    y: Floats  # at the western end
    slope: Floats
    y_east: Floats
    top: Floats
    sign: Floats
    first: Ints  # where each polygon's edges begin; one more entry than polygons
    longest: Floats  # greatest extent in x of each polygon's edges
    lowest: Floats  # of each polygon


def common_area(a: Array, b: Array, i: Ints, j: Ints) -> Floats:
    """Area that ``a[i]`` and ``b[j]`` share [m2], for each pair.

    Parameters
    ----------
    a, b : ndarray of geometry
        Valid polygons and multipolygons [m].
    i, j : ndarray of int
    """
    used_a, at_a = np.unique(i, return_inverse=True)
    used_b, at_b = np.unique(j, return_inverse=True)
    at_a, at_b = at_a.ravel(), at_b.ravel()
    a, b = a[used_a], b[used_b]
    box_a, box_b = shapely.bounds(a), shapely.bounds(b)
    one = _edges(a, box_a, _window(box_b[at_b], at_a, len(a)))
    other = _edges(b, box_b, _window(box_a[at_a], at_b, len(b)))
    out = np.zeros(len(i))
    if not len(one.west) or not len(other.west):
        return out
    lo, hi, pair, mine = _candidates(one, other, at_a, at_b)
    floor = one.lowest[at_a]
    count = hi - lo
    ends = np.cumsum(count)
    begin = 0
    while begin < len(count):
        done = ends[begin - 1] if begin else 0
        stop = max(begin + 1, int(np.searchsorted(ends, done + CHUNK, side="right")))
        some = slice(begin, stop)
        row = np.repeat(np.arange(begin, stop), count[some])
        f = np.arange(len(row)) + np.repeat(lo[some] - ends[some] + count[some] + done, count[some])
        e, of = mine[row], pair[row]
        x0, x1 = np.maximum(one.west[e], other.west[f]), np.minimum(one.east[e], other.east[f])
        keep = np.flatnonzero((x1 > x0) & (other.top[f] > floor[of]))
        out += np.bincount(of[keep], _shared(one, other, e[keep], f[keep], x0[keep], x1[keep]), len(out))
        begin = stop
    return out


def work(a: Array, b: Array) -> Floats:
    """Pairs of edges of each row of `a` and `b`: what `common_area` costs at most."""
    return np.asarray(shapely.get_num_coordinates(a) * shapely.get_num_coordinates(b).astype(float))


def _window(boxes: Floats, at: Ints, n: int) -> Floats:
    """West and east of all the boxes that each of `n` polygons is paired with, and the lowest of them."""
    window = np.tile([np.inf, -np.inf, np.inf], (n, 1))
    np.fmin.at(window[:, 0], at, boxes[:, 0])
    np.fmax.at(window[:, 1], at, boxes[:, 2])
    np.fmin.at(window[:, 2], at, boxes[:, 1])
    return window


def _edges(shapes: Array, bounds: Floats, window: Floats) -> _Edges:
    """Edges of shapes that may share a stretch of x with, and do not lie wholly below, what is in the window."""
    rings, owner, shell = _rings(shapes)
    xy, of_ring = shapely.get_coordinates(rings, return_index=True)
    joined = np.flatnonzero(of_ring[1:] == of_ring[:-1])
    begins = np.searchsorted(of_ring, np.arange(len(rings)))
    of_ring = of_ring[joined]
    first, second = xy[joined], xy[joined + 1]
    # Twice the area by the ring's own first corner, so that nothing but the way it is wound is asked for.
    corner = xy[begins[of_ring]]
    turn = (first[:, 0] - corner[:, 0]) * (second[:, 1] - corner[:, 1])
    turn -= (second[:, 0] - corner[:, 0]) * (first[:, 1] - corner[:, 1])
    westward = (np.bincount(of_ring, turn, len(rings)) > 0) == shell
    owner_of = owner[of_ring]
    n_edges = np.maximum(np.bincount(owner_of, minlength=len(shapes)), 1)
    eastward = second[:, 0] > first[:, 0]
    west, east = np.minimum(first[:, 0], second[:, 0]), np.maximum(first[:, 0], second[:, 0])
    begin, end, low = window[owner_of].T
    # What stands upright has no ground below it.
    kept = np.flatnonzero(
        (west < east) & (west < end) & (east > begin) & (np.maximum(first[:, 1], second[:, 1]) > low)
    )
    first, second, eastward, owner_of = first[kept], second[kept], eastward[kept], owner_of[kept]
    sign = np.where(eastward == westward[of_ring[kept]], -1.0, 1.0)
    west, east = (
        np.where(eastward[:, np.newaxis], first, second),
        np.where(eastward[:, np.newaxis], second, first),
    )
    # One long edge would draw every short one near it into the search: no edge is longer than a few mean ones.
    longest = 4.0 * (bounds[:, 2] - bounds[:, 0]) / n_edges
    x0, x1, y0, y1, of = _split(west, east, longest[owner_of])
    slope = ((east[:, 1] - west[:, 1]) / (east[:, 0] - west[:, 0]))[of]
    sign, owner_of = sign[of], owner_of[of]
    order = np.lexsort((x0, owner_of))
    west_x, east_x, y, rise, y_east, top, way = (
        column[order] for column in (x0, x1, y0, slope, y1, np.maximum(y0, y1), sign)
    )
    starts = np.searchsorted(owner_of[order], np.arange(len(shapes) + 1))
    spread = longest * (1.0 + 1e-9)
    return _Edges(west_x, east_x, y, rise, y_east, top, way, starts, spread, bounds[:, 1])


def _rings(shapes: Array) -> tuple[Array, Ints, npt.NDArray[np.bool_]]:
    """Rings of polygons, the row each is of, and whether it is a shell; a polygon without holes is its own ring."""
    plain = (shapely.get_type_id(shapes) == 3) & (shapely.get_num_interior_rings(shapes) == 0)
    simple, rest = np.flatnonzero(plain), np.flatnonzero(~plain)
    if not len(rest):
        return shapes, simple, np.ones(len(simple), dtype=bool)
    parts, part_of = shapely.get_parts(shapes[rest], return_index=True)
    rings, ring_of = shapely.get_rings(parts, return_index=True)
    return (
        np.concatenate([shapes[simple], rings]),
        np.concatenate([simple, rest[part_of[ring_of]]]),
        np.concatenate([np.ones(len(simple), dtype=bool), np.diff(ring_of, prepend=-1) != 0]),
    )


def _split(west: Floats, east: Floats, longest: Floats) -> tuple[Floats, Floats, Floats, Floats, Ints]:
    """Edges cut to at most the given extent in x: their ends' x and y, and the edge each came from."""
    pieces = np.ceil((east[:, 0] - west[:, 0]) / longest).astype(np.intp)
    of = np.repeat(np.arange(len(west)), pieces)
    number = np.arange(len(of)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    start, run, n = west[of], (east - west)[of], pieces[of][:, np.newaxis]
    low = start + run * (number[:, np.newaxis] / n)
    high = start + run * ((number + 1)[:, np.newaxis] / n)
    last = number + 1 == pieces[of]
    high[last] = east[of[last]]  # exactly, so that edges go on meeting at their ends
    return low[:, 0], high[:, 0], low[:, 1], high[:, 1], of


def _candidates(one: _Edges, other: _Edges, at_a: Ints, at_b: Ints) -> tuple[Ints, Ints, Ints, Ints]:
    """For each edge of each pair's first polygon, the range of the second's edges that may share its x.

    The second polygons are laid side by side along x, so that one search serves them all.
    """
    n_edges = np.diff(one.first)[at_a]
    pair = np.repeat(np.arange(len(at_a)), n_edges)
    mine = np.arange(len(pair)) + np.repeat(one.first[at_a] - np.cumsum(n_edges) + n_edges, n_edges)
    high = one.top[mine] > other.lowest[at_b[pair]]
    pair, mine = pair[high], mine[high]
    reach = max(float(np.abs(x).max()) for x in (one.west, one.east, other.west, other.east))
    span = 4.0 * reach + 1.0
    polygon = np.repeat(np.arange(len(other.first) - 1), np.diff(other.first))
    placed = other.west + polygon * span
    second = at_b[pair]
    # A hair outweighs the rounding of the placing; edges that share no x after all add nothing.
    hair = 1e-15 * span * len(other.first)
    lo = np.searchsorted(placed, one.west[mine] - other.longest[second] + second * span - hair)
    hi = np.searchsorted(placed, one.east[mine] + second * span + hair)
    lo, hi = np.maximum(lo, other.first[second]), np.minimum(hi, other.first[second + 1])
    some = hi > lo
    return lo[some], hi[some], pair[some], mine[some]


def _shared(one: _Edges, other: _Edges, e: Ints, f: Ints, x0: Floats, x1: Floats) -> Floats:
    """Signed integral of the lower of two edges over the x from `x0` to `x1`, which they share."""
    b0, b1 = _heights(other, f, x0, x1)
    a0, a1 = _heights(one, e, x0, x1)
    d0, d1 = a0 - b0, a1 - b1
    low, high = np.minimum(d0, d1), np.maximum(d0, d1)
    # Where they cross, the triangle in which the first runs below the second.
    under = np.minimum(low, 0.0)
    share = np.divide(under, under - np.maximum(high, 0.0), out=np.zeros(len(low)), where=under < 0.0)
    below = np.where(high <= 0.0, low + high, low * share)
    return np.asarray(one.sign[e] * other.sign[f] * (x1 - x0) * 0.5 * (b0 + b1 + below))


def _heights(edges: _Edges, rows: Ints, x0: Floats, x1: Floats) -> tuple[Floats, Floats]:
    """Heights of edges at two places, each from the nearer end."""
    slope = edges.slope[rows]
    return (
        edges.y[rows] + slope * (x0 - edges.west[rows]),
        edges.y_east[rows] - slope * (edges.east[rows] - x1),
    )
