"""Shapes of a survey's layers in local metres: repaired, and given the ground that a radius or width says.

Ground that is drawn under two sites belongs to the first of them by name, so that it is never dosed twice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from weedzone.base.errors import Finding
from weedzone.base.units import FT2_PER_M2
from weedzone.ground.cells import arrange
from weedzone.ground.frame import Ground
from weedzone.ground.overlay import cut
from weedzone.ground.shapes import (
    QUAD_SEGS,
    Array,
    Floats,
    Ints,
    areal,
    collect,
    mean_width,
    pairs,
    parts_of,
    repair,
    union_overlapping,
)
from weedzone.survey.whereabouts import meetings

THREAD_M = 1e-5  # a polygon no wider is a line that rounding opened
# A polygon with as many sides has the circle's own area, so that a radius gives pi r2 and not a little less.
_SIDES = 4 * QUAD_SEGS
CIRCLE_SCALE = float(np.sqrt(2.0 * np.pi / (_SIDES * np.sin(2.0 * np.pi / _SIDES))))
SEAM_M = 1e-3  # what two sites share is no ground of theirs if it is no wider, but the seam between them
MORE_M = 1e-5  # so much further what is taken reaches, lest threads of ground are left along common edges


@dataclass(frozen=True)
class Laid:
    """Shapes of one layer in local metres.

    Attributes
    ----------
    geoms : ndarray of geometry
        Valid polygons and multipolygons (of a keep-out: possibly empty).
    site : ndarray of int
        Number of each shape's site.
    row : ndarray of int
        Row of the survey's layer that each came from.
    outline : ndarray of geometry or None
        Of keep-outs: what a buffer is measured from; holds lines and points, and the edges of what was
        repaired, so that a repair never narrows a buffer.
    """

    geoms: Array
    site: Ints
    row: Ints
    outline: Array | None = None

    def only(self, first: int, stop: int) -> Laid:
        """Copies of the shapes of sites `first` to `stop`, numbered from 0.

        Copies, since sites may hold one and the same object: the engine readies a shape for many questions as it
        asks, and two threads that ask one shape at once crash the process.
        """
        mine = np.flatnonzero((self.site >= first) & (self.site < stop))
        outline = None if self.outline is None else shapely.force_2d(self.outline[mine])
        return Laid(shapely.force_2d(self.geoms[mine]), self.site[mine] - first, self.row[mine], outline)


@dataclass(frozen=True)
class Shared:
    """Shapes that hold for every site they come near, in longitude/latitude.

    Attributes
    ----------
    degrees : ndarray of geometry
    row : ndarray of int
        Row of the survey's layer that each came from.
    site : ndarray of int
        The site that each belongs to, where it is laid already; -1 for none.
    """

    degrees: Array
    row: Ints
    site: Ints

    def only(self, first: int, stop: int) -> Shared:
        """The same shapes, with the sites `first` to `stop` numbered from 0."""
        mine = (self.site >= first) & (self.site < stop)
        return Shared(self.degrees, self.row, np.where(mine, self.site - first, -1))


def with_reach(local: Array, reach_m: Floats) -> Array:
    """Polygons as they are; points become discs of the true area, lines strips with square ends."""
    out = local.copy()
    dimension = shapely.get_dimensions(local)
    for wanted, cap, scale in ((0, "round", CIRCLE_SCALE), (1, "flat", 1.0)):
        rows = dimension == wanted
        if rows.any():
            out[rows] = shapely.buffer(local[rows], reach_m[rows] * scale, quad_segs=QUAD_SEGS, cap_style=cap)
    return out


def areas(local: Array, site: Ints, row: Ints, feature: Any, layer: str) -> tuple[Laid, list[Finding]]:
    """Repair the shapes of one layer, with a finding for each that changed or vanished."""
    findings = []
    collections = np.flatnonzero(shapely.get_type_id(local) == 7)
    parts, owner = parts_of(local[collections])
    if layer != "keep_out":
        message = "a collection of several kinds: only its polygons are used"
        mixed = collections[np.unique(owner[shapely.get_dimensions(parts) < 2])]
        findings += [Finding("warning", layer, str(one), message) for one in feature[mixed]]
    solid = shapely.get_type_id(parts) == 3
    shapes = local.copy()
    shapes[collections] = collect(parts[solid], owner[solid], len(collections))
    fixed, changed, drawn = repair(areal(shapes))
    found = shapely.area(fixed)
    for at in np.flatnonzero(changed):
        change = f"drawn {drawn[at]:.3f} m2, now {found[at]:.3f} m2"
        message = f"its outline crosses or repeats itself: repaired, {change}"
        findings.append(Finding("warning", layer, str(feature[at]), message))
    vanished = shapely.is_empty(fixed) | (mean_width(fixed) < THREAD_M)
    if layer == "keep_out":
        outline = local.copy()
        # The edges as drawn stay in force where a repair took a spike or a fold away.
        for at in np.flatnonzero(changed | (vanished & (shapely.get_dimensions(local) == 2))):
            outline[at] = shapely.geometrycollections([fixed[at], *_edges(local[at])])
        return Laid(fixed, site, row, outline), findings
    findings += [Finding("warning", layer, str(one), "dropped: it has no area") for one in feature[vanished]]
    kept = ~vanished
    return Laid(fixed[kept], site[kept], row[kept]), findings


def _edges(shape: Any) -> list[Any]:
    """Rings, lines and points of one shape, each by itself."""
    parts, _ = parts_of(np.array([shape], dtype=object))
    solid = shapely.get_type_id(parts) == 3
    rings = shapely.get_rings(parts[solid])
    return [*[shapely.linestrings(shapely.get_coordinates(ring)) for ring in rings], *parts[~solid]]


def clippable(degrees: Array) -> Array:
    """Shared shapes made valid, so that they can be cut to a site's surroundings."""
    bad = ~shapely.is_valid(degrees)
    if not bad.any():
        return degrees
    out = degrees.copy()
    for at in np.flatnonzero(bad):
        fixed = shapely.make_valid(degrees[at], method="structure", keep_collapsed=True)
        out[at] = shapely.geometrycollections([*shapely.get_parts(fixed), *_edges(degrees[at])])
    return out


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
    findings = []
    for (site, taker), area in zip(both, area_ft2, strict=True):
        message = (
            f"{area:,.1f} ft2 of its infested ground is drawn under {str(sites[taker])!r} too: "
            "it belongs to that site, and is left out here"
        )
        findings.append(Finding("warning", "infestations", str(sites[site]), message))
    return findings


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
    met = meetings(boxes_degrees[real], boxes_degrees[real])
    i, j = real[met[0]], real[met[1]]
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
