"""Shapes of a survey's layers in local metres: repaired, and given the ground that a radius or width says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from weedzone.base.errors import Finding
from weedzone.ground.shapes import EMPTY, QUAD_SEGS, Array, Floats, Ints, areal, mean_width, repair

TURN = np.array([1.0, 0.0, 1.0, 0.0])  # the columns of a box that are longitudes
THREAD_M = 1e-5  # a polygon no wider is a line that rounding opened
# A polygon with as many sides has the circle's own area, so that a radius gives pi r2 and not a little less.
_SIDES = 4 * QUAD_SEGS
CIRCLE_SCALE = float(np.sqrt(2.0 * np.pi / (_SIDES * np.sin(2.0 * np.pi / _SIDES))))


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
        """The shapes of sites `first` to `stop`, numbered from 0."""
        mine = np.flatnonzero((self.site >= first) & (self.site < stop))
        outline = None if self.outline is None else self.outline[mine]
        return Laid(self.geoms[mine], self.site[mine] - first, self.row[mine], outline)


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
    kind = shapely.get_type_id(local)
    keep_out = layer == "keep_out"
    if not keep_out:
        for at in np.flatnonzero(kind == 7):
            lost = shapely.get_parts(local[at])
            if (shapely.get_dimensions(lost) < 2).any():
                message = "a collection of several kinds: only its polygons are used"
                findings.append(Finding("warning", layer, str(feature[at]), message))
    parts_only = _polygons(local)
    fixed, changed, drawn = repair(parts_only)
    found = shapely.area(fixed)
    for at in np.flatnonzero(changed):
        change = f"drawn {drawn[at]:.3f} m2, now {found[at]:.3f} m2"
        message = f"its outline crosses or repeats itself: repaired, {change}"
        findings.append(Finding("warning", layer, str(feature[at]), message))
    vanished = shapely.is_empty(fixed) | (mean_width(fixed) < THREAD_M)
    if keep_out:
        outline = local.copy()
        # The edges as drawn stay in force where a repair took a spike or a fold away.
        for at in np.flatnonzero(changed | (vanished & (shapely.get_dimensions(local) == 2))):
            outline[at] = shapely.geometrycollections([fixed[at], *_edges(local[at])])
        return Laid(fixed, site, row, outline), findings
    gone = "dropped: it has no area"
    findings += [Finding("warning", layer, str(one), gone) for one in feature[vanished]]
    kept = ~vanished
    return Laid(fixed[kept], site[kept], row[kept]), findings


def _polygons(local: Array) -> Array:
    """Polygons of collections as multipolygons, valid or not; all else as it is, if it is areal."""
    out = local.copy()
    kind = shapely.get_type_id(local)
    for at in np.flatnonzero(kind == 7):
        parts = shapely.get_parts(local[at])
        while (shapely.get_type_id(parts) > 3).any():
            parts = shapely.get_parts(parts)
        parts = parts[shapely.get_type_id(parts) == 3]
        out[at] = shapely.multipolygons(parts) if len(parts) else EMPTY
    return areal(out)


def _edges(shape: Any) -> list[Any]:
    """Rings, lines and points of one shape, each by itself."""
    parts = shapely.get_parts(shape)
    while (shapely.get_type_id(parts) > 3).any():
        parts = shapely.get_parts(parts)
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
