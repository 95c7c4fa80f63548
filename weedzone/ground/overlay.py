"""Guarded overlay: ground cut by cells, with a second figure that does not trust the first.

Floating-point overlay of valid polygons can be silently wrong, and intersection and difference then agree
with each other. Three things keep that out: cells are never united before a cut, so seams do not meet; the
inside (cell by cell) and the outside (a chain of differences) are computed apart and must add up; and every
inside must have the area that a sum over pairs of edges gives, which no overlay has touched (of shapes too
large for that, points of every part are looked up in the shapes that went in). What fails is done again on a
grid of a micrometre, and what fails there too is left whole on the safe side and reported.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from weedzone.ground.shapes import EMPTY, GRIDS_M, Array, Bools, Floats, Ints, areal, pairs, parts_of, unite
from weedzone.ground.shared_area import common_area, work

EDGE_M = 1e-7  # a test point nearer than this to an edge proves nothing
PROBES = 4
CHECKED_PART_M2 = 1e-4
MOST_EDGE_PAIRS = 2000  # beyond these the sum over edges costs more than the overlay itself


@dataclass(frozen=True)
class Cut:
    """Ground cut by cells.

    Attributes
    ----------
    geoms : ndarray of geometry, shape (pieces,)
        Polygons or multipolygons; none is empty.
    source : ndarray of int
        Row of the ground that each piece came from.
    cell : ndarray of int
        Row of the cell that holds the piece; -1 for what lies in no cell.
    redone : ndarray of int
        Rows of the ground whose first overlay did not hold and was done again on a grid.
    failed : ndarray of int
        Rows that could not be cut truthfully: each is left whole, outside every cell or inside the first.
    fresh : ndarray of bool
        Pieces that the cut has made; the others are whole rows, left as they were.
    """

    geoms: Array
    source: Ints
    cell: Ints
    redone: Ints
    failed: Ints
    fresh: Bools


def cut(
    ground: Array,
    ground_group: Ints,
    cells: Array,
    cell_group: Ints,
    *,
    unsure_inside: bool = False,
    alike: bool = False,
) -> Cut:
    """Cut ground by cells of the same group.

    Parameters
    ----------
    ground, cells : ndarray of geometry
        Valid polygons and multipolygons [m]. Cells of a group overlap by no more than rounding, or are alike.
    ground_group, cell_group : ndarray of int
        Group (site) of each.
    unsure_inside : bool
        Where a row that cannot be cut truthfully goes: inside the first cell that it meets (for cells that
        keep spray out), or outside all.
    alike : bool
        Cells may overlap, and it is all one which of them holds a piece: they are united where they cut the
        same ground.
    """
    i, j = pairs(ground, ground_group, cells, cell_group)
    shapely.prepare(cells)
    meets = shapely.intersects(cells[j], ground[i])
    i, j = i[meets], j[meets]
    whole = shapely.covers(cells[j], ground[i])
    settled = np.zeros(len(ground), dtype=bool)
    # The first covering cell takes the row; a second can only be a neighbour sharing rounding dust.
    held, first = np.unique(i[whole], return_index=True)
    settled[held] = True
    held_cell = j[whole][first]
    open_pair = ~settled[i]
    i, j = i[open_pair], j[open_pair]
    untouched = ~settled
    untouched[i] = False
    free = np.flatnonzero(untouched)
    made, joined = j, cells
    if alike:
        i, made, joined, j = _joined_where_shared(i, j, cells, cell_group)

    inner, rest, rows, redone, failed = _cut_pairs(ground, joined, i, made, unsure_inside)
    keep = ~shapely.is_empty(inner)
    left = ~shapely.is_empty(rest)
    n_whole, n_cut = len(held) + len(free), int(keep.sum() + left.sum())
    return Cut(
        np.concatenate([ground[held], ground[free], inner[keep], rest[left]]),
        np.concatenate([held, free, i[keep], rows[left]]),
        np.concatenate([held_cell, np.full(len(free), -1), j[keep], np.full(int(left.sum()), -1)]),
        redone,
        failed,
        np.repeat([False, True], [n_whole, n_cut]),
    )


def _joined_where_shared(i: Ints, j: Ints, cells: Array, group: Ints) -> tuple[Ints, Ints, Array, Ints]:
    """Pairs of ground and cells, where cells that overlap on the same ground are one.

    Returns
    -------
    i : ndarray of int
    made : ndarray of int
        Row in `joined` of each pair's cell.
    joined : ndarray of geometry
    j : ndarray of int
        A cell as it was given, for each pair.
    """
    several = np.bincount(i, minlength=1)[i] > 1
    used = np.unique(j[several])
    merged, _, of = unite(cells[used], group[used])
    if len(merged) == len(used):
        return i, j, cells, j
    made = j.copy()
    inside = np.isin(j, used)
    made[inside] = len(cells) + of[np.searchsorted(used, j[inside])]
    first = np.unique(np.column_stack([i, made]), axis=0, return_index=True)[1]
    return i[first], made[first], np.concatenate([cells, merged]), j[first]


def remainder(
    ground: Array, ground_group: Ints, cells: Array, cell_group: Ints, inside_m2: Floats
) -> tuple[Array, Ints, Bools, Ints]:
    """What cells of the same group leave of the ground, where the cells have been cut by that ground already.

    Parameters
    ----------
    inside_m2 : ndarray of float
        Ground of each row that lies in cells, as found by cutting the cells; what is left must make up the rest.

    Returns
    -------
    geoms : ndarray of geometry
    source : ndarray of int
        Row of the ground that each came from.
    fresh : ndarray of bool
    failed : ndarray of int
        Rows that could not be cut truthfully; nothing of them is left.
    """
    i, j = pairs(ground, ground_group, cells, cell_group)
    meets = shapely.intersects(cells[j], ground[i])
    i, j = i[meets], j[meets]
    order = np.argsort(i, kind="stable")
    rows, start, count = np.unique(i[order], return_index=True, return_counts=True)
    rest, fine = _chained_difference(ground[rows], cells[j[order]], start, count)
    total = shapely.area(ground[rows])
    fine &= np.abs(inside_m2[rows] + shapely.area(rest) - total) <= 1e-8 * total + 1e-6
    failed = []
    for row in np.flatnonzero(~fine):
        members = cells[j[order][start[row] : start[row] + count[row]]]
        again = _on_grid(ground[rows[row]], members)
        rest[row] = EMPTY if again is None else again[1]
        if again is None:
            failed.append(rows[row])
    left = ~shapely.is_empty(rest)
    free = np.setdiff1d(np.arange(len(ground)), rows)
    return (
        np.concatenate([ground[free], rest[left]]),
        np.concatenate([free, rows[left]]),
        np.repeat([False, True], [len(free), int(left.sum())]),
        np.array(failed, dtype=np.intp),
    )


def _cut_pairs(
    ground: Array, cells: Array, i: Ints, j: Ints, unsure_inside: bool
) -> tuple[Array, Array, Ints, Ints, Ints]:
    """Insides of pairs (i, j), remainders of the rows, the rows, those redone and those failed."""
    order = np.argsort(i, kind="stable")
    back = np.argsort(order, kind="stable")
    rows, start, count = np.unique(i[order], return_index=True, return_counts=True)
    a, b = ground[i[order]], cells[j[order]]
    at = np.repeat(np.arange(len(rows)), count)
    whole = ground[rows]

    inner, inner_ok = _tried(shapely.intersection, a, b)
    # Insides that fill a row leave nothing: their own second figure proves them, and no difference is needed.
    total = shapely.area(whole)
    gap = np.abs(np.bincount(at, shapely.area(inner), len(rows)) - total)
    spare = np.flatnonzero(gap > 1e-9 * total + 1e-8)
    rest = np.full(len(rows), EMPTY, dtype=object)
    doubt = np.zeros(len(rows), dtype=bool)
    taken = np.isin(at, spare)
    first = np.concatenate([[0], np.cumsum(count[spare])[:-1]]).astype(np.intp)
    rest[spare], rest_ok = _chained_difference(whole[spare], b[taken], first[: len(spare)], count[spare])
    doubt[spare] = ~rest_ok
    doubt[at[~inner_ok]] = True
    doubt |= ~_adds_up(whole, inner, rest, at, 0.0)
    doubt |= _second_figure_disagrees(whole, inner, rest, b, at, ~doubt, 0.0)
    redone = np.flatnonzero(doubt)
    failed = []
    for row in redone:
        members = slice(int(start[row]), int(start[row] + count[row]))
        again = _on_grid(whole[row], b[members])
        if again is not None:
            inner[members], rest[row] = again
            continue
        failed.append(row)
        inner[members], rest[row] = EMPTY, whole[row]
        if unsure_inside:
            inner[int(start[row])], rest[row] = whole[row], EMPTY
    return inner[back], rest, rows, rows[redone], rows[np.array(failed, dtype=np.intp)]


def _tried(operation: Callable[..., Any], a: Array, b: Array, **options: float) -> tuple[Array, Bools]:
    """Areal result of a binary operation, row by row only where the engine refuses the whole."""
    if not len(a):
        return np.empty(0, dtype=object), np.ones(0, dtype=bool)
    try:
        return areal(operation(a, b, **options)), np.ones(len(a), dtype=bool)
    except shapely.errors.GEOSException:
        if len(a) == 1:
            return np.array([EMPTY], dtype=object), np.zeros(1, dtype=bool)
    # Halves, so that one bad row among thousands costs a dozen calls and not thousands.
    middle = len(a) // 2
    halves = [_tried(operation, a[half], b[half], **options) for half in (slice(middle), slice(middle, None))]
    made, fine = zip(*halves, strict=True)
    return np.concatenate(made), np.concatenate(fine)


def _chained_difference(
    whole: Array, b: Array, start: Ints, count: Ints, **options: float
) -> tuple[Array, Bools]:
    """Each row less its cells, one after the other: no union of neighbours, so no seams."""
    rest, ok = whole.copy(), np.ones(len(whole), dtype=bool)
    for turn in range(int(count.max(initial=0))):
        live = np.flatnonzero(count > turn)
        rest[live], fine = _tried(shapely.difference, rest[live], b[start[live] + turn], **options)
        ok[live] &= fine
    return rest, ok


def _adds_up(whole: Array, inner: Array, rest: Array, at: Ints, grid_m: float) -> Bools:
    total = shapely.area(whole)
    found = np.bincount(at, shapely.area(inner), len(whole)) + shapely.area(rest)
    allowed = 1e-8 * total + 1e-6
    if grid_m:
        edge = np.bincount(at, shapely.length(inner), len(whole)) + shapely.length(rest)
        allowed = allowed + (shapely.length(whole) + edge) * grid_m
    return np.asarray(np.abs(found - total) <= allowed)


def _second_figure_disagrees(
    whole: Array, inner: Array, rest: Array, b: Array, at: Ints, rows: Bools, grid_m: float
) -> Bools:
    """Which of the rows have an inside of another area than the sum over edges gives."""
    bad = np.zeros(len(whole), dtype=bool)
    heavy = np.zeros(len(whole), dtype=bool)
    heavy[at[work(whole[at], b) > MOST_EDGE_PAIRS]] = True
    pair = np.flatnonzero((rows & ~heavy)[at])
    found = shapely.area(inner[pair])
    truth = common_area(whole, b, at[pair], pair)
    allowed = 1e-8 * np.minimum(shapely.area(whole[at[pair]]), shapely.area(b[pair])) + 1e-6
    if grid_m:
        allowed = allowed + grid_m * (shapely.length(whole[at[pair]]) + shapely.length(b[pair]))
    bad[at[pair[np.abs(found - truth) > allowed]]] = True
    probed = np.flatnonzero(rows & heavy)
    if len(probed):
        bad[probed] = _probes_disagree(whole, inner, rest, b, at, probed)
    return bad


def _probes_disagree(whole: Array, inner: Array, rest: Array, b: Array, at: Ints, rows: Ints) -> Bools:
    """Whether test points of the rows lie on another side in the result than in the input.

    The points: one inside every part of every result, one inside every part of every cell, and a few spread
    over each cell's overlap with the row's bounding box.
    """
    wanted = np.zeros(len(whole), dtype=bool)
    wanted[rows] = True
    pair = np.flatnonzero(wanted[at])
    points, pair_of = _pair_points(whole[at[pair]], inner[pair], b[pair])
    pair_of = pair[pair_of]
    row_of = at[pair_of]
    in_both = shapely.intersects_xy(b[pair_of], *points.T) & shapely.intersects_xy(whole[row_of], *points.T)
    wrong = in_both != shapely.intersects_xy(inner[pair_of], *points.T)
    wrong |= in_both & shapely.intersects_xy(rest[row_of], *points.T)

    outer, outer_row = _inner_points(rest[rows])
    outer_row = rows[outer_row]
    outside = ~shapely.intersects_xy(whole[outer_row], *outer.T)

    suspects = np.flatnonzero(wrong)
    near = _near_edge(points[suspects], (b[pair_of[suspects]], whole[row_of[suspects]]))
    lost = np.flatnonzero(outside)
    near_outer = _near_edge(outer[lost], (whole[outer_row[lost]],))
    bad = np.zeros(len(whole), dtype=bool)
    bad[row_of[suspects[~near]]] = True
    bad[outer_row[lost[~near_outer]]] = True
    # A point of the remainder must lie in none of the row's cells.
    held = _points_in_cells(outer, outer_row, b, at, len(whole))
    bad[held] = True
    return np.asarray(bad[rows])


def _points_in_cells(points: Floats, row_of: Ints, b: Array, at: Ints, n_rows: int) -> Ints:
    """Rows of which a point lies in one of the row's cells (and not merely on its edge)."""
    first = np.searchsorted(at, np.arange(n_rows + 1))
    count = first[row_of + 1] - first[row_of]
    point = np.repeat(np.arange(len(points)), count)
    step = np.arange(len(point)) - np.repeat(np.cumsum(count) - count, count)
    cell = first[row_of[point]] + step
    inside = np.flatnonzero(shapely.intersects_xy(b[cell], *points[point].T))
    near = _near_edge(points[point[inside]], (b[cell[inside]],))
    return np.asarray(row_of[point[inside[~near]]])


def _pair_points(whole: Array, inner: Array, cell: Array) -> tuple[Floats, Ints]:
    of_inner, inner_row = _inner_points(inner)
    of_cell, cell_row = _inner_points(cell)
    box_a, box_b = shapely.bounds(whole), shapely.bounds(cell)
    low, high = np.maximum(box_a[:, :2], box_b[:, :2]), np.minimum(box_a[:, 2:], box_b[:, 2:])
    # Multiples of the golden ratios spread evenly without a random state.
    step = (np.arange(1, PROBES + 1)[:, np.newaxis] * np.array([0.7548776662, 0.5698402910])) % 1.0
    spread = low[:, np.newaxis] + (high - low)[:, np.newaxis] * step
    rows = np.concatenate([inner_row, cell_row, np.repeat(np.arange(len(cell)), PROBES)])
    return np.concatenate([of_inner, of_cell, spread.reshape(-1, 2)]), rows


def _inner_points(geoms: Array) -> tuple[Floats, Ints]:
    parts, owner = parts_of(geoms)
    large = shapely.area(parts) > CHECKED_PART_M2
    parts, owner = parts[large], owner[large]
    return shapely.get_coordinates(shapely.point_on_surface(parts)), owner


def _near_edge(points: Floats, shapes: tuple[Array, ...]) -> Bools:
    dots = shapely.points(points)
    apart = [shapely.distance(dots, shapely.boundary(shape)) for shape in shapes]
    return np.asarray(np.min(apart, axis=0) <= EDGE_M)


def _on_grid(whole: Any, cells: Array) -> tuple[Array, Any] | None:
    """Insides and remainder of one row on the finest grid that holds."""
    one, at = np.array([whole], dtype=object), np.zeros(len(cells), dtype=np.intp)
    every, count = np.ones(1, dtype=bool), np.array([len(cells)])
    for grid in GRIDS_M:
        inner, inner_ok = _tried(shapely.intersection, one[at], cells, grid_size=grid)
        rest, rest_ok = _chained_difference(one, cells, at[:1], count, grid_size=grid)
        if (
            inner_ok.all()
            and rest_ok.all()
            and _adds_up(one, inner, rest, at, grid)[0]
            and not _second_figure_disagrees(one, inner, rest, cells, at, every, grid)[0]
        ):
            return inner, rest[0]
    return None
