"""Ground that is drawn under two sites: it belongs to the first of them by name, so that it is never dosed twice."""

from __future__ import annotations

import numpy as np
import shapely

from weedzone.base.errors import Finding
from weedzone.base.units import FT2_PER_M2
from weedzone.ground.cells import arrange
from weedzone.ground.frame import Ground
from weedzone.ground.overlay import cut
from weedzone.ground.shapes import Array, Floats, Ints, mean_width, pairs, parts_of, union_overlapping
from weedzone.survey.laid import TURN, Laid

SEAM_M = 1e-3  # what two sites share is no ground of theirs if it is no wider, but the seam between them
MORE_M = 1e-5  # so much further what is taken reaches, lest threads of ground are left along common edges
TURNS = (-360.0, 0.0, 360.0)  # of the globe [degrees]


def doubly_drawn(
    ground: Ground,
    sites: Array,
    n_own: int,
    boxes_degrees: Floats,
    infested: Laid,
    limits: tuple[Laid, Laid | None],
) -> tuple[Laid, list[Finding]]:
    """Ground that a site and one before it by name could both spray: infested, on turf and within the boundary.

    Parameters
    ----------
    ground : Ground
    sites : ndarray of str
    n_own : int
        Sites of which it is said what they leave; those behind them are sized elsewhere.
    boxes_degrees : ndarray of float, shape (sites, 4)
        Extent of each site's infested ground; NaN where it has none.
    infested : Laid
    limits : (Laid, Laid or None)
        Turf, and boundaries.

    Returns
    -------
    taken : Laid
        What each site leaves to another, which is its `row` in `sites`, in cells that do not overlap.
    findings : list of Finding
    """
    nothing = np.empty(0, dtype=np.intp)
    none = Laid(np.empty(0, dtype=object), nothing, nothing)
    first, later = earlier_neighbours(sites, boxes_degrees)
    row, pair = _rows_of(infested.site, first)
    moved = ground.moved(infested.geoms[row], first[pair], later[pair])
    other, other_pair = _rows_of(infested.site, later)
    i, j = pairs(moved, pair, infested.geoms[other], other_pair)
    meet = shapely.intersects(moved[i], infested.geoms[other[j]])
    i, j = np.unique(i[meet]), np.unique(j[meet])
    theirs, at = _workable(infested, row[i], limits)
    theirs = ground.moved(theirs, first[pair[i[at]]], later[pair[i[at]]])
    theirs = shapely.buffer(theirs, MORE_M, join_style="mitre")
    mine, mine_at = _workable(infested, other[j], limits)
    made = cut(mine, other_pair[j[mine_at]], theirs, pair[i[at]], unsure_inside=True, alike=True)
    inside = made.cell >= 0
    geoms, of = parts_of(made.geoms[inside])
    of = other_pair[j[mine_at[made.source[inside][of]]]]
    wide = mean_width(geoms) > SEAM_M
    if not wide.any():
        return none, []
    # Of several sites that have the same ground the first takes it.
    order = np.argsort(sites.astype(str), kind="stable")
    cells = arrange(geoms[wide], later[of[wide]], np.argsort(order)[first[of[wide]]])
    taker = order[np.array([members[0] for members in cells.sets])[cells.members]]
    taken = Laid(cells.geoms, cells.group, taker)
    return taken, _said(sites, taken.only(0, n_own))


def with_past(history: Laid, taken: Laid, ground: Ground) -> Laid:
    """Past applications, those of a site that gives ground away also under the site that takes it.

    Parameters
    ----------
    history : Laid
    taken : Laid
        See `doubly_drawn`.
    ground : Ground

    Returns
    -------
    Laid
    """
    i, j = pairs(history.geoms, history.site, taken.geoms, taken.site)
    meet = shapely.intersects(history.geoms[i], taken.geoms[j])
    at, taker = np.unique(np.column_stack([i[meet], taken.row[j[meet]]]), axis=0).T
    moved = ground.moved(history.geoms[at], history.site[at], taker)
    return Laid(
        np.concatenate([history.geoms, moved]),
        np.concatenate([history.site, taker]),
        np.concatenate([history.row, history.row[at]]),
    )


def _said(sites: Array, taken: Laid) -> list[Finding]:
    """What each two sites have in common."""
    both, of = np.unique(np.column_stack([taken.site, taken.row]), axis=0, return_inverse=True)
    area_ft2 = np.bincount(of.ravel(), shapely.area(taken.geoms)) * FT2_PER_M2
    return [
        Finding(
            "warning",
            "infestations",
            str(sites[site]),
            f"{area:,.1f} ft2 of its infested ground is drawn under {str(sites[taker])!r} too: "
            "it belongs to that site, and is left out here",
        )
        for (site, taker), area in zip(both, area_ft2, strict=True)
    ]


def earlier_neighbours(names: Array, boxes_degrees: Floats) -> tuple[Ints, Ints]:
    """Pairs of sites whose boxes meet, the first by name first.

    Parameters
    ----------
    names : ndarray of str
    boxes_degrees : ndarray of float, shape (sites, 4)
        NaN where a site has no ground.

    Returns
    -------
    first, later : ndarray of int
    """
    real = np.flatnonzero(np.isfinite(boxes_degrees).all(axis=1))
    boxes = boxes_degrees[real]
    tree = shapely.STRtree(shapely.box(*boxes.T))
    # Boxes to either side of the antimeridian meet a whole turn apart.
    met = [tree.query(shapely.box(*(boxes + turn * TURN).T)) for turn in TURNS]
    i, j = real[np.concatenate(met, axis=1)]
    rank = np.argsort(np.argsort(names.astype(str), kind="stable"))
    ahead = rank[i] < rank[j]
    pair = np.unique(np.column_stack([j[ahead], i[ahead]]), axis=0)
    return pair[:, 1], pair[:, 0]


def _rows_of(site: Ints, wanted: Ints) -> tuple[Ints, Ints]:
    """Rows of each of the wanted sites, which may repeat, and the place of the site among these."""
    order = np.argsort(site, kind="stable")
    start = np.searchsorted(site[order], wanted)
    count = np.searchsorted(site[order], wanted, side="right") - start
    of = np.repeat(np.arange(len(wanted)), count)
    return order[np.arange(len(of)) - np.repeat(np.cumsum(count) - count - start, count)], of


def _workable(infested: Laid, rows: Ints, limits: tuple[Laid, Laid | None]) -> tuple[Array, Ints]:
    """Infested ground on turf and within the boundary, and the place among `rows` that each piece is of."""
    turf, boundary = limits
    geoms, at, site = infested.geoms[rows], np.arange(len(rows)), infested.site[rows]
    for laid in (turf, boundary):
        if laid is None:
            continue
        near = np.flatnonzero(np.isin(laid.site, site))
        cells, row = union_overlapping(laid.geoms[near], laid.site[near])
        made = cut(geoms, site[at], cells, laid.site[near][row], unsure_inside=True)
        free = (laid is boundary) & ~np.isin(site[at[made.source]], laid.site)
        kept = (made.cell >= 0) | free
        geoms, at = made.geoms[kept], at[made.source[kept]]
    return geoms, at
