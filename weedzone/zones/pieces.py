"""Treated ground in pieces as wide as the spray, and joined to zones.

The treated parts of one product at one dose on a site, across turf, make up connected pieces. A piece is thin if no
circle as wide as the spray fits in it. Thin and small pieces give each of their parts to the adjoining sound piece's
product that has the longest common edge and may go there, all at once, again until nothing moves. Nothing is cut: necks
and tails of a sound piece stay. A zone is one product at one dose on one turf of one site, without the seams between
its parts. See docs/plan.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

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
    pairs,
    parts_of,
    union_rows,
)
from weedzone.zones.assign import Given, Least, Means, States, give
from weedzone.zones.choice import Worth
from weedzone.zones.parts import Parts

SEAM_M = 1e-6
BATCH = 32  # rows handed to the engine at once: one that it refuses makes these be tried one by one
_TOUCH_M = 1e-5  # parts this near share an edge
_EDGE_M = 1e-3  # a shorter common edge is a corner
_SLIP_M, _SLIP_M2 = 0.02, 0.005
_SAME_DOSE = 1.0 - 1e-9


@dataclass(frozen=True)
class Worked:
    """What each part gets once pieces are as wide as the spray.

    Attributes
    ----------
    given : Given
    thin, second_thin : ndarray of bool, shape (parts,)
        Parts of the first and of the second pass that are too thin for boom or spreader: treated by wand.
    too_thin : ndarray of int, shape (parts,)
        Product of the parts that are left as too thin; -1 elsewhere.
    planned : ndarray of int, shape (parts,)
        Product of each part before pieces were handed over.
    dropped : mapping of int to int
        Sites that were planned again, and the product that they lost.
    """

    given: Given
    thin: Bools
    second_thin: Bools
    too_thin: Ints
    planned: Ints
    dropped: Mapping[int, int]


@dataclass(frozen=True)
class _Pieces:
    """The treated ground by piece, as seen from its parts.

    Attributes
    ----------
    mix : ndarray of int, shape (parts,)
        Number of each part's site, product and dose; -1 where it is not treated.
    poor, thin, slip : ndarray of bool, shape (parts,)
        In a thin or small piece; in a thin one; in one that nothing could spray.
    """

    mix: Ints
    poor: Bools
    thin: Bools
    slip: Bools


def give_workable(
    parts: Parts, able: Bools, found: States, means: Means, spots: tuple[Array, Ints]
) -> Worked:
    """Give products to parts, then the pieces that are no work for one to their neighbours.

    A product that is left with less ground than makes a mix worth it is dropped and its site planned again, once.

    Parameters
    ----------
    able : ndarray of bool, shape (parts, products)
        Whether the product may go on the part, by labels, limits and the caller's wishes.
    found : States
    means : Means
    spots : (ndarray of geometry, ndarray of int)
        The mapped infestations and their sites: a piece that holds a whole thin or small one is sound.
    """
    given = give(parts, able, found, means)
    least, worth = means.rules.least, means.rules.worth
    no = np.zeros(len(parts.geoms), dtype=bool)
    if not least.asks:
        return Worked(given, no, no, np.full(len(no), -1), given.product, {})
    product, dose, pieces = hand_over(parts, given, able, found.dose, spots, least)
    dropped: dict[int, int] = {}
    if not (worth.obeyed or worth.any_ground):
        dropped = _too_little(parts, able, given.product, product, worth)
    if dropped:
        able = able.copy()
        for site, p in dropped.items():
            able[parts.site == site, p] = False
        given = give(parts, able, found, means)
        product, dose, pieces = hand_over(parts, given, able, found.dose, spots, least)
    left = pieces.slip if least.by_wand else pieces.thin
    too_thin = np.where(left, product, -1)
    product, dose = np.where(left, -1, product), np.where(left, 0.0, dose)
    stays = (product == given.product) & (product >= 0)
    second, second_dose = np.where(stays, given.second, -1), np.where(stays, given.second_dose, 0.0)
    again = _pieces(parts, second, second_dose, spots, least)
    gone = again.slip if least.by_wand else again.thin
    second, second_dose = np.where(gone, -1, second), np.where(gone, 0.0, second_dose)
    planned = given.product
    given = replace(given, product=product, dose=dose, second=second, second_dose=second_dose)
    return Worked(given, pieces.thin & ~left, again.thin & ~gone, too_thin, planned, dropped)


def hand_over(
    parts: Parts, given: Given, able: Bools, most: Floats, spots: tuple[Array, Ints], least: Least
) -> tuple[Ints, Floats, _Pieces]:
    """Give the parts of thin and small pieces to the sound pieces beside them.

    Parameters
    ----------
    given : Given
        As planned.
    able : ndarray of bool, shape (parts, products)
        Whether the product may go on the part.
    most : ndarray of float, shape (parts, products)
        Highest dose of each product that the part's limits leave.

    Returns
    -------
    product, dose : ndarray, shape (parts,)
    pieces : _Pieces
        What is still thin or small.
    """
    product, dose = given.product.copy(), given.dose.copy()
    whole = pieces = _pieces(parts, product, dose, spots, least)
    while True:
        moved, taker = _takers(parts, pieces, product, dose, able, most)
        if not len(moved):
            return product, dose, whole
        product[moved], dose[moved] = product[taker], dose[taker]
        changed = np.isin(parts.site, parts.site[moved])
        pieces = _pieces(parts, np.where(changed, product, -1), dose, spots, least)
        for flags, anew in ((whole.poor, pieces.poor), (whole.thin, pieces.thin), (whole.slip, pieces.slip)):
            flags[changed] = anew[changed]


def _pieces(parts: Parts, product: Ints, dose: Floats, spots: tuple[Array, Ints], least: Least) -> _Pieces:
    made = _Pieces(
        np.full(len(product), -1, dtype=np.intp), *(np.zeros(len(product), dtype=bool) for _ in range(3))
    )
    rows = np.flatnonzero(product >= 0)
    if not len(rows):
        return made
    keys = np.column_stack([parts.site[rows], product[rows], np.round(dose[rows], 12)])
    made.mix[rows] = np.unique(keys, axis=0, return_inverse=True)[1].ravel()
    geoms, of = parts.geoms[rows], made.mix[rows]
    # A circle fits where area over perimeter is at least its radius: few pieces need a closer look.
    proved = (mean_width(geoms) >= least.width_m) & (parts.area_m2[rows] >= least.area_m2)
    meagre = np.flatnonzero(~proved)
    if not len(meagre):
        return made
    i, j = _segment_in_common(geoms, of, np.flatnonzero(np.isin(of, of[meagre])))
    label, doubtful = _joined(i, j, proved)
    # Where no corner tells, the engine does: of the few that are still no sound piece.
    left = np.flatnonzero(doubtful[label])
    at, other = near_pairs(geoms[left], of[left], geoms, of, np.full(len(geoms), _TOUCH_M))
    at = left[at]
    new = (label[at] != label[other]) & ((at < other) | ~doubtful[label[other]])
    at, other = at[new], other[new]
    touching = common_edge(geoms[at], geoms[other]) > _EDGE_M
    label, doubtful = _joined(np.concatenate([i, at[touching]]), np.concatenate([j, other[touching]]), proved)
    members = np.flatnonzero(doubtful[label])
    if not len(members):
        return made
    members = members[np.argsort(label[members], kind="stable")]
    _, first, piece = np.unique(label[members], return_index=True, return_inverse=True)
    piece = piece.ravel()
    whole = union_rows(geoms[members], piece, disjoint=True)
    lean = _is_thin(whole, least.width_m)
    weak = lean | (shapely.area(whole) < least.area_m2)
    at = np.flatnonzero(weak)
    kept = _holds_a_spot(whole[at], parts.site[rows[members[first[at]]]], spots)
    weak[at[kept]] = lean[at[kept]] = False
    part = rows[members]
    made.poor[part], made.thin[part], made.slip[part] = (
        weak[piece],
        lean[piece],
        (lean & _is_slip(whole))[piece],
    )
    return made


def _is_thin(shapes: Array, width_m: float) -> Bools:
    """Whether no circle of the width fits in each shape."""
    thin = np.zeros(len(shapes), dtype=bool)
    if width_m > 0.0:
        narrow = np.flatnonzero(mean_width(shapes) < width_m)
        thin[narrow] = shapely.is_empty(shapely.buffer(shapes[narrow], -width_m / 2.0 * (1.0 - 1e-9)))
    return thin


def _is_slip(shapes: Array) -> Bools:
    """Whether each shape is thinner or smaller than anything that is walked or sprayed: a slip of the pen."""
    return np.asarray((mean_width(shapes) < _SLIP_M) | (shapely.area(shapes) < _SLIP_M2))


def _holds_a_spot(pieces: Array, site: Ints, spots: tuple[Array, Ints]) -> Bools:
    """Whether each piece holds the whole of a mapped infestation, which then is as thin or small as the piece."""
    shapes, of = spots
    i, j = pairs(pieces, site, shapes, of)
    area = shapely.area(shapes) * (1.0 - 1e-6)
    fits = (area[j] <= shapely.area(pieces)[i]) & ~_is_slip(shapes)[j]
    i, j = i[fits], j[fits]
    inside = shapely.area(shapely.intersection(pieces[i], shapes[j]))
    holds = np.zeros(len(pieces), dtype=bool)
    holds[i[inside >= area[j]]] = True
    return holds


def _takers(
    parts: Parts, pieces: _Pieces, product: Ints, dose: Floats, able: Bools, most: Floats
) -> tuple[Ints, Ints]:
    """Parts that go to another mix, and for each a part that has it."""
    poor, sound = np.flatnonzero(pieces.poor), np.flatnonzero((pieces.mix >= 0) & ~pieces.poor)
    i, j = near_pairs(
        parts.geoms[poor],
        parts.site[poor],
        parts.geoms[sound],
        parts.site[sound],
        np.full(len(sound), _TOUCH_M),
    )
    i, j = poor[i], sound[j]
    fits = (
        able[i, product[j]] & (most[i, product[j]] >= dose[j] * _SAME_DOSE) & (pieces.mix[i] != pieces.mix[j])
    )
    i, j = i[fits], j[fits]
    edge = common_edge(parts.geoms[i], parts.geoms[j])
    pair, row, at = np.unique(
        np.column_stack([i, pieces.mix[j]]), axis=0, return_index=True, return_inverse=True
    )
    total = np.round(np.bincount(at.ravel(), edge, len(pair)), 6)
    touching = total > _EDGE_M
    pair, row, total = pair[touching], row[touching], total[touching]
    order = np.lexsort((pair[:, 1], -total, pair[:, 0]))
    _, best = np.unique(pair[order, 0], return_index=True)
    best = order[best]
    return pair[best, 0], j[row[best]]


def _joined(i: Ints, j: Ints, proved: Bools) -> tuple[Ints, Bools]:
    """Piece of each part, and whether none of a piece's parts proves that a circle fits in it."""
    label = clusters(len(proved), i, j)
    doubtful = np.ones(int(label.max()) + 1, dtype=bool)
    doubtful[label[proved]] = False
    return label, doubtful


def _segment_in_common(geoms: Array, group: Ints, rows: Ints) -> tuple[Ints, Ints]:
    """Pairs of `rows` in one group with a segment in common, corner for corner, as pieces of one cut have."""
    xy, of = shapely.get_coordinates(geoms[rows], return_index=True)
    own = of[1:] == of[:-1]
    start, end = xy[:-1][own], xy[1:][own]
    long = np.hypot(*(end - start).T) > _EDGE_M
    start, end, of = start[long], end[long], rows[of[:-1][own][long]]
    turned = (start[:, 0] > end[:, 0]) | ((start[:, 0] == end[:, 0]) & (start[:, 1] > end[:, 1]))
    segment = np.where(turned[:, np.newaxis], np.hstack([end, start]), np.hstack([start, end]))
    order = np.lexsort((*segment.T, group[of]))
    segment, of = segment[order], of[order]
    twice = np.flatnonzero((segment[1:] == segment[:-1]).all(axis=1) & (group[of[1:]] == group[of[:-1]]))
    return of[twice], of[twice + 1]


def common_edge(a: Array, b: Array) -> Floats:
    """Length of the edge that each pair of polygons has in common [m]; ends of some hundredths of a mm come on top."""
    near = shapely.buffer(b, _TOUCH_M, quad_segs=1, join_style="mitre", mitre_limit=2.0)
    return np.asarray(shapely.length(shapely.intersection(shapely.boundary(a), near)))


def _too_little(parts: Parts, able: Bools, before: Ints, product: Ints, worth: Worth) -> dict[int, int]:
    """Sites of several mixes, and the one with the least ground where handing over left it too little."""
    n_sites = int(parts.site.max(initial=-1)) + 1
    allowed = np.bincount(parts.site, parts.area_m2 * able.any(axis=1), n_sites)
    ground, had = np.zeros((n_sites, able.shape[1])), np.zeros((n_sites, able.shape[1]), dtype=bool)
    now, was = np.flatnonzero(product >= 0), np.flatnonzero(before >= 0)
    np.add.at(ground, (parts.site[now], product[now]), parts.area_m2[now])
    had[parts.site[was], before[was]] = True
    poorest = np.where(had, ground, np.inf).argmin(axis=1)
    short = (had.sum(axis=1) > 1) & (ground[np.arange(n_sites), poorest] < worth.on(allowed))
    return {int(site): int(poorest[site]) for site in np.flatnonzero(short)}


def zone_numbers(parts: Parts, chosen: Ints, dose: Floats, by_wand: Bools) -> Ints:
    """Number of each treated part's zone: one product at one dose on one turf of one site, worked in one way."""
    zone = np.full(len(chosen), -1, dtype=np.intp)
    rows = np.flatnonzero(chosen >= 0)
    if len(rows):
        keys = np.column_stack(
            [parts.site[rows], chosen[rows], parts.turf[rows], np.round(dose[rows], 12), by_wand[rows]]
        )
        zone[rows] = np.unique(keys, axis=0, return_inverse=True)[1].ravel()
    return zone


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
