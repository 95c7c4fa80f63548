"""Geometry kernels on arrays of shapes in local metres, over many groups (sites) at once.

Nothing here knows a name of the trade, a table or a coordinate system. Shapes of different groups share the
same coordinates (each site has its own origin), so every kernel takes the group of each shape and never
compares shapes across groups.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from weedzone.ground.shared_area import common_area, work

Array = npt.NDArray[Any]
Floats = npt.NDArray[Any]  # floats: the stubs type some sums of floats as whole numbers
Ints = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

EMPTY = shapely.Polygon()
QUAD_SEGS = 16
# GEOS rounds the number of arc steps at a corner, so one step may span 1.5 times the nominal angle
# (pi/2)/QUAD_SEGS; the chord of such a step falls short of the circle by 1 - cos(half the step).
SAFE_SCALE = 1.0 / math.cos(3.0 * math.pi / (8.0 * QUAD_SEGS))
BIG_GROUP = 2000  # members; above it the cascaded union of the whole group is cheaper than finding clusters
MOST_EDGE_PAIRS = 1e4  # of a union; beyond these points of its members are looked up in it instead
NEAR_M = 1e-6
MOST_BOX_PAIRS = 50  # looked at for each box; above it a search tree is quicker
MOST_BOXES = 2_000_000  # pairs of boxes held in memory at once
GRIDS_M = (1e-6, 1e-5, 1e-4)
DUST_M2 = 1e-9  # parts below a thousandth of a square millimetre are rounding, not ground


def areal(geoms: Array) -> Array:
    """Polygon parts of each geometry; lines, points, dust and None become an empty polygon."""
    geoms = np.asarray(geoms, dtype=object)
    kind = shapely.get_type_id(geoms)
    odd = np.flatnonzero((kind != 3) & (kind != 6))
    if not len(odd):
        return geoms
    out = geoms.copy()
    out[odd] = EMPTY
    mixed = odd[kind[odd] == 7]
    if len(mixed):
        parts, owner = parts_of(geoms[mixed])
        keep = (shapely.get_type_id(parts) == 3) & (shapely.area(parts) > DUST_M2)
        out[mixed] = collect(parts[keep], owner[keep], len(mixed))
    return out


def parts_of(geoms: Array) -> tuple[Array, Ints]:
    """Single parts of each geometry, however deep they are nested, and the row each came from."""
    parts, owner = np.asarray(geoms, dtype=object), np.arange(len(geoms))
    # The engine copies every part that it is asked for: only what has several is taken apart.
    while len(several := np.flatnonzero((kind := shapely.get_type_id(parts)) > 3)):
        inner, of = shapely.get_parts(parts[several], return_index=True)
        single = np.flatnonzero(kind <= 3)
        order = np.argsort(np.concatenate([single, several[of]]), kind="stable")
        parts = np.concatenate([parts[single], inner])[order]
        owner = np.concatenate([owner[single], owner[several[of]]])[order]
    real = shapely.get_type_id(parts) >= 0
    return (parts, owner) if real.all() else (parts[real], owner[real])


def collect(polygons: Array, owner: Ints, n_rows: int) -> Array:
    """One polygon or multipolygon a row from its parts; rows without parts are empty."""
    out = np.full(n_rows, EMPTY, dtype=object)
    if not len(polygons):
        return out
    order = np.argsort(owner, kind="stable")
    rows, start, count = np.unique(owner[order], return_index=True, return_counts=True)
    single = count == 1
    out[rows[single]] = polygons[order[start[single]]]
    if not single.all():
        many = np.repeat(~single, count)
        dense = np.repeat(np.cumsum(~single) - 1, count)[many]
        out[rows[~single]] = shapely.multipolygons(polygons[order[many]], indices=dense)
    return out


def repair(geoms: Array) -> tuple[Array, Bools, Floats]:
    """Make polygons valid, so that ground drawn twice stays ground.

    The ``structure`` method keeps doubly wound ground; the even-odd method would turn it into a hole, and a
    hole in a no-spray feature would be sprayed.

    Returns
    -------
    fixed : ndarray of geometry
        Valid polygons or multipolygons, two-dimensional; empty where nothing areal was left.
    changed : ndarray of bool
        The rows that were not valid.
    drawn_m2 : ndarray of float
        Area of each row as drawn, before the repair.
    """
    drawn = shapely.area(geoms)
    changed = ~shapely.is_valid(geoms)
    fixed = np.asarray(geoms, dtype=object).copy()
    if changed.any():
        fixed[changed] = shapely.make_valid(fixed[changed], method="structure", keep_collapsed=False)
    return areal(fixed), changed, drawn


def pairs(
    a: Array, a_group: Ints, b: Array, b_group: Ints, reach_m: Floats | float = 0.0
) -> tuple[Ints, Ints]:
    """Rows of `a` and `b` of the same group whose bounding boxes, those of `b` widened, meet.

    Groups are laid side by side in one search tree, far enough apart never to meet.

    Parameters
    ----------
    reach_m : float or ndarray of float
        By how much the box of each `b` is widened [m].
    """
    if not len(a) or not len(b):
        none = np.empty(0, dtype=np.intp)
        return none, none
    boxes_a = shapely.bounds(a)
    boxes_b = shapely.bounds(b) + np.multiply.outer(np.broadcast_to(reach_m, len(b)), [-1.0, -1.0, 1.0, 1.0])
    n_groups = int(max(a_group.max(), b_group.max())) + 1
    low, high = np.full(n_groups, np.inf), np.full(n_groups, -np.inf)
    for boxes, group in ((boxes_a, a_group), (boxes_b, b_group)):
        np.fmin.at(low, group, boxes[:, 0])
        np.fmax.at(high, group, boxes[:, 2])
    width = np.where(high >= low, high - low, 0.0)
    shift = np.concatenate([[0.0], np.cumsum(width + 1.0)[:-1]]) - np.where(np.isfinite(low), low, 0.0)
    # A hair of padding outweighs the rounding of the shift; the exact tests come after.
    pad = [-1e-4, -1e-4, 1e-4, 1e-4]
    placed_a = boxes_a + np.multiply.outer(shift[a_group], [1.0, 0.0, 1.0, 0.0]) + pad
    placed_b = boxes_b + np.multiply.outer(shift[b_group], [1.0, 0.0, 1.0, 0.0]) + pad
    return _meeting(placed_a, placed_b, a_group, b_group)


def _meeting(a: Floats, b: Floats, a_group: Ints, b_group: Ints) -> tuple[Ints, Ints]:
    """Pairs of boxes of the same group that meet, by the order of the first and then of the second.

    The boxes of groups lie apart in x. Boxes are found by their western edge, which is quicker than a search
    tree unless one box is so wide that it would draw too many into the search.
    """
    real_a, real_b = np.flatnonzero(~np.isnan(a[:, 0])), np.flatnonzero(~np.isnan(b[:, 0]))
    order = real_b[np.argsort(b[real_b, 0], kind="stable")]
    widest = np.zeros(int(max(a_group.max(), b_group.max())) + 1)
    np.maximum.at(widest, b_group[real_b], b[real_b, 2] - b[real_b, 0])
    start = np.searchsorted(b[order, 0], a[real_a, 0] - widest[a_group[real_a]])
    count = np.searchsorted(b[order, 0], a[real_a, 2], side="right") - start
    if count.sum() > min(MOST_BOX_PAIRS * (len(a) + len(b)), MOST_BOXES):
        i, j = shapely.STRtree(shapely.box(*b.T)).query(shapely.box(*a.T))
    else:
        i = np.repeat(real_a, count)
        j = order[np.arange(len(i)) - np.repeat(np.cumsum(count) - count - start, count)]
    one, other = a[i], b[j]
    meet = (
        (a_group[i] == b_group[j])
        & (one[:, 0] <= other[:, 2]) & (one[:, 2] >= other[:, 0])
        & (one[:, 1] <= other[:, 3]) & (one[:, 3] >= other[:, 1])
    )  # fmt: skip
    i, j = i[meet], j[meet]
    first = np.lexsort((j, i))
    return i[first], j[first]


def extents(boxes: Floats, group: Ints, n_groups: int) -> Floats:
    """Box about the boxes of each group, shape (groups, 4); NaN where there are none."""
    out = np.full((n_groups, 4), np.nan)
    np.fmin.at(out[:, :2], group, boxes[:, :2])
    np.fmax.at(out[:, 2:], group, boxes[:, 2:])
    return out


def near_pairs(a: Array, a_group: Ints, b: Array, b_group: Ints, reach_m: Floats) -> tuple[Ints, Ints]:
    """Rows of `a` and `b` of the same group that lie within each `b`'s reach."""
    i, j = pairs(a, a_group, b, b_group, reach_m * 1.01)
    near = shapely.dwithin(a[i], b[j], reach_m[j] * 1.01)
    return i[near], j[near]


def close_pairs(geoms: Array, group: Ints, reach_m: float) -> tuple[Ints, Ints]:
    """Pairs (i < j) of shapes in one group that lie within reach of each other."""
    i, j = _own_pairs(geoms, group, reach_m)
    near = shapely.dwithin(geoms[i], geoms[j], reach_m)
    return i[near], j[near]


def _own_pairs(geoms: Array, group: Ints, reach_m: float = 0.0) -> tuple[Ints, Ints]:
    """Pairs (i < j) of shapes in one group whose bounding boxes lie within reach of each other."""
    i, j = pairs(geoms, group, geoms, group, reach_m)
    first = i < j
    return i[first], j[first]


def overlapping(geoms: Array, group: Ints) -> tuple[Ints, Ints]:
    """Pairs (i < j) of shapes in one group whose interiors meet."""
    i, j = _own_pairs(geoms, group)
    shapely.prepare(geoms)
    meet = shapely.intersects(geoms[i], geoms[j])
    i, j = i[meet], j[meet]
    inner = ~shapely.touches(geoms[i], geoms[j])
    return i[inner], j[inner]


def clusters(n: int, i: Ints, j: Ints) -> Ints:
    """Connected cluster number of each of `n` rows joined by pairs (i, j)."""
    if not len(i):
        return np.arange(n)
    from scipy.sparse import coo_array  # half of the time that importing weedzone would take
    from scipy.sparse.csgraph import connected_components

    joined = coo_array((np.ones(len(i), dtype=np.int8), (i, j)), shape=(n, n))
    return np.asarray(connected_components(joined, directed=False)[1], dtype=np.intp)


def union_overlapping(geoms: Array, group: Ints) -> tuple[Array, Ints]:
    """Union of each cluster of overlapping polygons within a group.

    Polygons that only touch stay apart: a union over a shared seam gains nothing here and is where
    floating overlays are known to go wrong.

    Returns
    -------
    merged : ndarray of geometry
    row : ndarray of int
        For each merged shape one of the rows it came from.
    """
    return unite(geoms, group)[:2]


def unite(geoms: Array, group: Ints) -> tuple[Array, Ints, Ints]:
    """As `union_overlapping`, and for each row given the merged shape that holds it."""
    sizes = np.bincount(group) if len(group) else np.zeros(0, dtype=np.intp)
    big = sizes[group] > BIG_GROUP
    small = np.flatnonzero(~big)
    i, j = overlapping(geoms[small], group[small])
    label = np.empty(len(geoms), dtype=np.intp)
    label[small] = clusters(len(small), i, j)
    label[big] = label[small].max(initial=-1) + 1 + group[big]
    order = np.argsort(label, kind="stable")
    _, start, count = np.unique(label[order], return_index=True, return_counts=True)
    merged = geoms[order[start]].copy()
    many = np.flatnonzero(count > 1)
    if len(many):
        member = np.repeat(count > 1, count)
        dense = np.repeat(np.cumsum(count > 1) - 1, count)[member]
        merged[many] = union_rows(geoms[order[member]], dense)
    of = np.empty(len(geoms), dtype=np.intp)
    of[order] = np.repeat(np.arange(len(merged)), count)
    return merged, order[start], of


def union_rows(geoms: Array, row: Ints, *, disjoint: bool = False) -> Array:
    """Union of the shapes of each row 0..n-1; `row` is sorted and has no gaps.

    Floating unions of nearly touching polygons are known to lose whole members in silence. A row that the
    engine refuses, that is larger than its members' sum, or that does not hold every member whole (by
    `weedzone.ground.shared_area.common_area`, which is no overlay) is done again on a grid of a micrometre.

    Parameters
    ----------
    geoms : ndarray of geometry
    row : ndarray of int
    disjoint : bool
        The members share no ground: that their areas add up is check enough.
    """
    gathered = shapely.geometrycollections(geoms, indices=row)
    n_rows = len(gathered)
    total = np.bincount(row, shapely.area(geoms), n_rows)
    slack = 1e-6 * np.bincount(row, shapely.length(geoms), n_rows)
    try:
        united = areal(shapely.union_all(gathered[:, np.newaxis], axis=1))
        found = shapely.area(united)
        bad = found > total * (1 + 1e-9)
        if disjoint:
            bad |= found < total * (1 - 1e-9) - slack
        else:
            bad |= _lost(united, geoms, row, total - found) > 1e-9 * total + 1e-6
        doubt = np.flatnonzero(bad)
    except shapely.errors.GEOSException:
        united, doubt = np.full(n_rows, EMPTY, dtype=object), np.arange(n_rows)
    for at in doubt:
        united[at] = _union_on_grid(geoms[row == at], float(total[at]), float(slack[at]))
    return united


def _lost(united: Array, members: Array, row: Ints, short_m2: Floats | None = None) -> Floats:
    """Ground of each row's members that their union lacks [m2].

    Of large unions, at least: members of which a point inside or amid an edge is lost count whole.

    Parameters
    ----------
    short_m2 : ndarray of float, optional
        By how much each union is smaller than its members' sum. Where two members share as much, nothing is
        lost, and that is quicker to find. (Of three and more it would prove nothing: what all of them share
        could be lost instead.)
    """
    lacking = np.zeros(len(members))
    edges = np.bincount(row, work(united[row], members), len(united))
    large = edges > MOST_EDGE_PAIRS
    small, heavy = np.flatnonzero(~large[row]), np.flatnonzero(large[row])
    if short_m2 is not None and len(small):
        first = np.searchsorted(row, np.arange(len(united)))
        two = np.flatnonzero((np.bincount(row) == 2) & ~large)
        shared = common_area(members, members, first[two], first[two] + 1)
        tight = np.zeros(len(united), dtype=bool)
        tight[two] = np.abs(shared - short_m2[two]) <= 1e-9 * short_m2[two] + 1e-6
        small = small[~tight[row[small]]]
    lacking[small] = shapely.area(members[small]) - common_area(united, members, row[small], small)
    if len(heavy):
        shapely.prepare(united)
        inner = shapely.get_coordinates(shapely.point_on_surface(members[heavy]))
        xy, of = shapely.get_coordinates(members[heavy], return_index=True)
        along = np.flatnonzero(of[1:] == of[:-1])
        amid, of = (xy[along] + xy[along + 1]) / 2.0, of[along]
        # A little inward, as on the edge itself rounding decides.
        amid += 1e-3 * (inner[of] - amid)
        points, of = np.concatenate([inner, amid]), heavy[np.concatenate([np.arange(len(heavy)), of])]
        out = np.flatnonzero(~shapely.intersects_xy(united[row[of]], *points.T))
        out = out[shapely.intersects_xy(members[of[out]], *points[out].T)]
        off = shapely.distance(united[row[of[out]]], shapely.points(points[out])) > NEAR_M
        lost = np.unique(of[out[off]])
        lacking[lost] = shapely.area(members[lost])
    return np.bincount(row, np.maximum(lacking, 0.0), len(united))


def _union_on_grid(members: Array, total_m2: float, slack_m2: float) -> Any:
    """Union on the finest grid that loses none of the members; if all do, the one that loses least."""
    row = np.zeros(len(members), dtype=np.intp)
    best, least = EMPTY, math.inf
    for grid in GRIDS_M:
        try:
            on_grid = areal(shapely.set_precision(members, grid))
            one = areal(np.array([shapely.union_all(on_grid, grid_size=grid)]))
        except shapely.errors.GEOSException:
            continue
        lost = float(_lost(one, members, row)[0])
        if lost < least and one[0].area <= total_m2 + slack_m2 * grid / GRIDS_M[0]:
            best, least = one[0], lost
        if least <= 1e-9 * total_m2 + 1e-6 + slack_m2 * grid / GRIDS_M[0]:
            break
    if best.is_empty:
        together = shapely.multipolygons(parts_of(members)[0])
        best = areal(np.array([shapely.make_valid(together, method="structure", keep_collapsed=False)]))[0]
    return best


def mean_width(polygons: Array) -> Floats:
    """Twice the area over the perimeter [m]: the width of a long strip, the radius of a disc."""
    perimeter = shapely.length(polygons)
    twice = 2.0 * np.asarray(shapely.area(polygons))
    return np.asarray(np.divide(twice, perimeter, out=np.zeros(len(polygons)), where=perimeter > 0))
