"""Placing labels on a map: none over another, in or beside what it names, a leader where it stands off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from weedzone.ground.shapes import Array, Bools, Floats, Ints

_RINGS = (0.7, 1.1, 1.6, 2.3, 3.2, 4.4, 6.0, 8.0)
_DIRECTIONS = 16


@dataclass(frozen=True)
class Wanted:
    """One label to place.

    Attributes
    ----------
    shape : geometry
        What it names, in pixels.
    sizes : sequence of (width, height)
        Sizes of its texts in pixels, the fullest first; a later one is used where there is no room.
    must : bool
        Whether it may stand off with a leader line; otherwise it is left out where it does not fit beside.
    """

    shape: shapely.Geometry
    sizes: Sequence[tuple[float, float]]
    must: bool = True


@dataclass(frozen=True)
class Placed:
    """Where a label stands: its middle, the text used, and the point that its leader comes from."""

    x: float
    y: float
    text: int
    anchor: tuple[float, float] | None


def place(
    wanted: Sequence[Wanted], frame: tuple[float, float, float, float], pad: float, filled: Array
) -> list[Placed | None]:
    """Place labels one by one, the first with the first choice.

    Parameters
    ----------
    wanted : sequence of Wanted
    frame : left, bottom, right, top
        Pixels within which labels stand.
    pad : float
        Least distance between two labels [pixels].
    filled : ndarray of geometry
        Single polygons that labels had better not cover [pixels].

    Returns
    -------
    list of Placed or None
        None where there is no room.
    """
    ground = _Ground(filled)
    boxes: list[shapely.Geometry] = []
    leaders: list[shapely.Geometry] = []
    out: list[Placed | None] = []
    for one in wanted:
        found = None
        for number, (width, height) in enumerate(one.sizes):
            found = _spot(one, number, width + pad, height + pad, frame, ground, boxes, leaders)
            if found is not None:
                break
        out.append(found)
    return out


def _spot(
    one: Wanted,
    number: int,
    width: float,
    height: float,
    frame: tuple[float, float, float, float],
    ground: _Ground,
    boxes: list[shapely.Geometry],
    leaders: list[shapely.Geometry],
) -> Placed | None:
    """The best place for one label, taken at once."""
    anchors = _anchors(one.shape)
    if not len(anchors):
        return None
    centres = _candidates(anchors, width, height, far=one.must, onto=shapely.get_dimensions(one.shape) > 0)
    x, y = centres[:, 0], centres[:, 1]
    left, bottom, right, top = frame
    inside = (
        (x - width / 2 >= left)
        & (x + width / 2 <= right)
        & (y - height / 2 >= bottom)
        & (y + height / 2 <= top)
    )
    anchor = anchors[centres[:, 2].astype(np.intp)]
    apart = ~((abs(anchor[:, 0] - x) <= width / 2) & (abs(anchor[:, 1] - y) <= height / 2))
    spots = shapely.box(x - width / 2, y - height / 2, x + width / 2, y + height / 2)
    lines = shapely.linestrings(np.stack([np.column_stack([x, y]), anchor], axis=1))
    free = np.flatnonzero(inside & ~_taken(spots, lines, apart, boxes, leaders))
    if not len(free):
        return None
    x, y, anchor, apart, spots, lines = x[free], y[free], anchor[free], apart[free], spots[free], lines[free]
    within = shapely.covers(one.shape, spots)
    cost = np.hypot(anchor[:, 0] - x, anchor[:, 1] - y) / height + 0.5 * centres[free, 2]
    cost += (6.0 * ground.covered(x, y, width, height) + 4.0 * ground.hidden(spots)) * ~within + 1.5 * apart
    cost[within] *= 0.2
    best = int(np.argmin(cost))
    boxes.append(spots[best])
    tip = None
    if apart[best]:
        tip = (float(anchor[best, 0]), float(anchor[best, 1]))
        leaders.append(lines[best])
    return Placed(float(x[best]), float(y[best]), number, tip)


def _taken(
    spots: Array, lines: Array, apart: Bools, boxes: list[shapely.Geometry], leaders: list[shapely.Geometry]
) -> Bools:
    """Which spots lie on a label or leader that stands, or would send their own leader across a label."""
    taken = np.zeros(len(spots), dtype=bool)
    for standing in (boxes, leaders):
        if standing:
            taken[shapely.STRtree(standing).query(spots, predicate="intersects")[0]] = True
    if boxes:
        crossing = shapely.STRtree(boxes).query(lines, predicate="intersects")[0]
        taken[crossing] |= apart[crossing]
    return taken


class _Ground:
    """Shapes that labels had better not cover."""

    def __init__(self, filled: Array) -> None:
        self.tree = shapely.STRtree(filled)
        self.pins = shapely.STRtree(shapely.point_on_surface(filled))
        self.area = shapely.area(filled)

    def covered(self, x: Floats, y: Floats, width: float, height: float) -> Floats:
        """Share of each box that lies on shapes, by a lattice of points: no overlay, so nothing to fail."""
        across, up = np.meshgrid(np.linspace(-0.45, 0.45, 7) * width, np.linspace(-0.45, 0.45, 3) * height)
        points = shapely.points(
            (x[:, np.newaxis] + across.ravel()).ravel(), (y[:, np.newaxis] + up.ravel()).ravel()
        )
        hit = np.zeros(len(points), dtype=bool)
        hit[self.tree.query(points, predicate="intersects")[0]] = True
        return np.asarray(hit.reshape(len(x), -1).mean(axis=1))

    def hidden(self, spots: Array) -> Ints:
        """How many shapes no larger than a label each box would hide the middle of."""
        at, member = self.pins.query(spots, predicate="contains")
        small = self.area[member] < 2.0 * shapely.area(spots[at])
        return np.bincount(at[small], minlength=len(spots))


def _anchors(shape: shapely.Geometry) -> Floats:
    """Points well inside the three largest parts, or the point itself."""
    parts = shapely.get_parts(shape)
    parts = parts[~shapely.is_empty(parts)]
    if not len(parts):
        return np.empty((0, 2))
    size = np.where(shapely.get_dimensions(parts) == 2, shapely.area(parts), shapely.length(parts))
    largest = parts[np.argsort(-size, kind="stable")[:3]]
    points = [_deep_point(part) for part in largest]
    return np.array([(point.x, point.y) for point in points])


def _deep_point(part: shapely.Geometry) -> shapely.Point:
    if part.geom_type == "LineString":
        return part.interpolate(0.5, normalized=True)
    if part.geom_type != "Polygon":
        return shapely.point_on_surface(part)
    width = min(part.bounds[2] - part.bounds[0], part.bounds[3] - part.bounds[1])
    radius = shapely.maximum_inscribed_circle(part, tolerance=max(width / 20.0, 0.1))
    return shapely.Point(radius.coords[0])


def _candidates(anchors: Floats, width: float, height: float, *, far: bool, onto: bool) -> Floats:
    """Middles to try: x, y and the number of the anchor."""
    angles = np.arange(_DIRECTIONS) * 2.0 * np.pi / _DIRECTIONS
    round_about = np.column_stack([np.cos(angles), np.sin(angles)])
    rings = _RINGS if far else _RINGS[:1]
    steps = np.concatenate(
        [
            np.zeros((int(onto), 2)),
            *(round_about * [width / 2 + r * height, height / 2 + r * height] for r in rings),
        ]
    )
    return np.concatenate(
        [np.column_stack([anchor + steps, np.full(len(steps), at)]) for at, anchor in enumerate(anchors)]
    )
