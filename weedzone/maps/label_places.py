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
    sheet = _Sheet(frame, filled)
    out = []
    for one in wanted:
        spots = (
            sheet.spot(one, number, width + pad, height + pad)
            for number, (width, height) in enumerate(one.sizes)
        )
        out.append(next((spot for spot in spots if spot is not None), None))
    return out


class _Sheet:
    """What labels keep off: the rim of the map, one another, and shapes that they had better not cover."""

    def __init__(self, frame: tuple[float, float, float, float], filled: Array) -> None:
        self.frame = frame
        self.tree = shapely.STRtree(filled)
        self.pins = shapely.STRtree(shapely.point_on_surface(filled))
        self.area = shapely.area(filled)
        self.boxes: list[shapely.Geometry] = []
        self.leaders: list[shapely.Geometry] = []

    def spot(self, one: Wanted, number: int, width: float, height: float) -> Placed | None:
        """The best place for one label, taken at once."""
        anchors = _anchors(one.shape)
        if not len(anchors):
            return None
        onto = shapely.get_dimensions(one.shape) > 0
        middles, turn = _candidates(len(anchors), width, height, far=one.must, onto=onto)
        middles, anchor = middles + anchors[turn], anchors[turn]
        half = np.array([width, height]) / 2
        low, high = middles - half, middles + half
        inside = (low >= self.frame[:2]).all(axis=1) & (high <= self.frame[2:]).all(axis=1)
        apart = np.any(abs(anchor - middles) > half, axis=1)
        spots = shapely.box(*low.T, *high.T)
        lines = shapely.linestrings(np.stack([middles, anchor], axis=1))
        free = inside & ~self._taken(spots, lines, apart)
        if not free.any():
            return None
        within = shapely.covers(one.shape, spots)
        cost = np.hypot(*(anchor - middles).T) / height + 0.5 * turn
        cost += (6.0 * self._covered(low, high) + 4.0 * self._hidden(spots)) * ~within + 1.5 * apart
        cost[within] *= 0.2
        best = int(np.argmin(np.where(free, cost, np.inf)))
        self.boxes.append(spots[best])
        if apart[best]:
            self.leaders.append(lines[best])
        tip = tuple(anchor[best].tolist()) if apart[best] else None
        x, y = middles[best].tolist()
        return Placed(x, y, number, tip)

    def _taken(self, spots: Array, lines: Array, apart: Bools) -> Bools:
        """Which spots lie on a label or leader that stands, or would send their own leader across a label."""
        taken = np.zeros(len(spots), dtype=bool)
        standing = shapely.STRtree([*self.boxes, *self.leaders])
        taken[standing.query(spots, predicate="intersects")[0]] = True
        crossing = shapely.STRtree(self.boxes).query(lines, predicate="intersects")[0]
        taken[crossing] |= apart[crossing]
        return taken

    def _covered(self, low: Floats, high: Floats) -> Floats:
        """Share of each box that lies on shapes, by a lattice of points: no overlay, so nothing to fail."""
        steps = np.stack(np.meshgrid(np.linspace(0.05, 0.95, 7), np.linspace(0.05, 0.95, 3)), axis=-1)
        points = low[:, np.newaxis] + steps.reshape(-1, 2) * (high - low)[:, np.newaxis]
        hit = np.zeros(points.shape[:2], dtype=bool)
        hit.flat[self.tree.query(shapely.points(points).ravel(), predicate="intersects")[0]] = True
        return np.asarray(hit.mean(axis=1))

    def _hidden(self, spots: Array) -> Ints:
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


def _candidates(anchors: int, width: float, height: float, *, far: bool, onto: bool) -> tuple[Floats, Ints]:
    """Middles to try, each from its anchor, and the number of the anchor."""
    angles = np.arange(_DIRECTIONS) * 2.0 * np.pi / _DIRECTIONS
    away = np.array(_RINGS if far else _RINGS[:1]) * height
    reach = np.column_stack([width / 2 + away, height / 2 + away])
    steps = (reach[:, np.newaxis] * np.column_stack([np.cos(angles), np.sin(angles)])).reshape(-1, 2)
    steps = np.concatenate([np.zeros((int(onto), 2)), steps])
    return np.tile(steps, (anchors, 1)), np.repeat(np.arange(anchors), len(steps))
