"""The ground that a boom sweeps along its passes, and the ground that it sweeps more than once.

A *piece* is what the boom sweeps along a stretch of half a swath or a little more: a rectangle for each
straight bit, square at the ends of the pass, and a round wedge on the outer side of each bend. Pieces of
different passes, or of one pass with two others or more between them, are separate visits, and what they
share is covered twice: within a pass that takes 1 to 1.5 swaths of travel. Nearer pieces share the inner side
of a bend only.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from weedzone.base.errors import InputError
from weedzone.ground.shapes import (
    EMPTY,
    Array,
    Floats,
    Ints,
    areal,
    clusters,
    collect,
    mean_width,
    parts_of,
    repair,
    union_rows,
)
from weedzone.records.covered.tracks import LAYER

PIECE = 0.5  # length of a piece, in swaths: two of them span the inner square of a right-angled bend
APART = 3  # difference in number from which two pieces of a pass are separate visits
FAN = 16  # chords of the arc round a sharp bend; half a turn falls 0.5 % short of the circle at worst
GENTLE = 0.2  # radians; a bend up to this needs one chord
MAX_PIECES = 400_000
MAX_PAIRS = 3_000_000
BATCH = 50_000
GRID_M = 1e-6
HAIR_M = 1e-5  # parts narrower than this are the seam of two passes laid edge to edge, not ground


def swept_ground(passes: list[Floats], swath_m: float) -> tuple[Any, Any]:
    """Ground covered by the passes, and the part of it covered at least twice.

    Parameters
    ----------
    passes : list of ndarray of float, shape (n >= 2, 2)
        Lines without repeated points [m].
    swath_m : float
        Width across the travel that the boom covers.

    Returns
    -------
    covered, twice : Polygon or MultiPolygon

    Raises
    ------
    InputError
        If the track is too long, or crosses itself too often, for one call.
    """
    pieces, of_pass, number = _all_pieces(passes, swath_m)
    covered, twice = _union(pieces), _union(_shared(pieces, of_pass, number))
    return covered, without_hairs(np.array([twice], dtype=object))[0]


def _union(pieces: Array) -> Any:
    """Union, cluster by cluster: an engine that loses its way in one cluster leaves the others alone."""
    pieces = pieces[mean_width(pieces) > HAIR_M]
    if not len(pieces):
        return EMPTY
    label = clusters(len(pieces), *shapely.STRtree(pieces).query(pieces, predicate="intersects"))
    order = np.argsort(label, kind="stable")
    parts = parts_of(_checked_unions(pieces[order], label[order]))[0]
    return collect(parts, np.zeros(len(parts), dtype=np.intp), 1)[0]


def _checked_unions(shapes: Array, row: Ints) -> Array:
    """Union of the shapes of each row, valid and holding a point of every one of them.

    Unions of thousands of slim shapes were seen to come out invalid, or short of ground without a word.
    """
    united = repair(union_rows(shapes, row))[0]
    thick = np.flatnonzero(mean_width(shapes) > HAIR_M)
    points = shapely.point_on_surface(shapes[thick])
    shapely.prepare(united)
    out = ~shapely.intersects_xy(united[row[thick]], shapely.get_x(points), shapely.get_y(points))
    if (shapely.distance(united[row[thick[out]]], points[out]) > 10 * GRID_M).any():
        what = "the swept ground could not be put together"
        raise InputError(what, layer=LAYER, mend="give the track in parts")
    return united


def without_hairs(geoms: Array) -> Array:
    """Polygons without parts that are mere seams."""
    parts, owner = parts_of(areal(geoms))
    wide = mean_width(parts) > HAIR_M
    return collect(parts[wide], owner[wide], len(geoms))


def _all_pieces(passes: list[Floats], swath_m: float) -> tuple[Array, Ints, Ints]:
    travel = sum(float(np.hypot(*np.diff(line, axis=0).T).sum()) for line in passes)
    if travel / swath_m > MAX_PIECES * PIECE:
        raise InputError(
            f"the track is {travel / 1000:.0f} km long, too much for a swath of {swath_m:.2g} m in one call",
            layer=LAYER,
            mend="give it in parts, and check the swath",
        )
    shapes, owners, counts = zip(*(_pieces(line, swath_m) for line in passes), strict=True)
    first = np.append(0, np.cumsum(counts))
    owner = np.concatenate(owners) + np.repeat(first[:-1], list(map(len, owners)))
    order = np.argsort(owner, kind="stable")
    number = np.arange(first[-1]) - np.repeat(first[:-1], counts)
    united = _checked_unions(np.concatenate(shapes)[order], owner[order])
    return united, np.repeat(np.arange(len(passes)), counts), number


def _pieces(line: Floats, swath_m: float) -> tuple[Array, Ints, int]:
    """Rectangles and wedges of one pass, the piece that each belongs to, and the number of pieces."""
    step = np.diff(line, axis=0)
    length = np.hypot(*step.T)
    way = np.append(0.0, np.cumsum(length))
    heading = step / length[:, np.newaxis]
    count = max(1, int(way[-1] / (PIECE * swath_m) + 1e-9))
    size = way[-1] / count

    # Straight bits between corners and ends of pieces, each with the heading of its segment.
    cuts = np.arange(1, count) * size
    after = np.searchsorted(way, cuts)  # cuts lie within the way: there is a corner before and one after
    nearest = np.minimum(np.abs(way[after] - cuts), np.abs(way[after - 1] - cuts))
    stops = np.sort(np.concatenate([way, cuts[nearest > 1e-9 * size]]))
    middle = (stops[:-1] + stops[1:]) / 2
    segment = np.clip(np.searchsorted(way, middle, side="right") - 1, 0, len(length) - 1)
    along = heading[segment]
    half = along[:, ::-1] * (-swath_m / 2, swath_m / 2)  # to the left
    base, offset = line[segment], way[segment]
    near = base + along * (stops[:-1] - offset)[:, np.newaxis]
    far = base + along * (stops[1:] - offset)[:, np.newaxis]
    boxes = shapely.polygons(np.stack([near + half, near - half, far - half, far + half], axis=1))
    owner = np.clip((middle / size).astype(np.intp), 0, count - 1)

    wedges, corner = _wedges(line[1:-1], heading, swath_m / 2)
    place = way[1:-1][corner] / size
    # A corner at the very end of a piece belongs to both, so that the direction of travel does not matter.
    before = np.clip(np.ceil(place - 1e-6).astype(np.intp) - 1, 0, count - 1)
    after = np.clip(np.floor(place + 1e-6).astype(np.intp), 0, count - 1)
    both = before != after
    shapes = np.concatenate([boxes, wedges, wedges[both]])
    return shapes, np.concatenate([owner, before, after[both]]), count


def _wedges(corners: Floats, heading: Floats, radius_m: float) -> tuple[Array, Ints]:
    """Round joins on the outer side of each bend, and the corner of each."""
    first, second = heading[:-1], heading[1:]
    turn = np.arctan2(first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0], (first * second).sum(axis=1))
    outer = np.where(turn > 0, 1.0, -1.0)[:, np.newaxis] * first[:, ::-1] * (1.0, -1.0)
    made, of_corner = [], []
    size = np.abs(turn)
    for bends, chords in (((size > 1e-6) & (size <= GENTLE), 1), (size > GENTLE, FAN)):
        rows = np.flatnonzero(bends)
        angle = turn[rows, np.newaxis] * np.linspace(0.0, 1.0, chords + 1)
        cos, sin = np.cos(angle), np.sin(angle)
        x, y = outer[rows, 0, np.newaxis], outer[rows, 1, np.newaxis]
        arc = corners[rows, np.newaxis] + radius_m * np.stack([x * cos - y * sin, x * sin + y * cos], axis=2)
        made.append(shapely.polygons(np.concatenate([corners[rows, np.newaxis], arc], axis=1)))
        of_corner.append(rows)
    return np.concatenate(made), np.concatenate(of_corner)


def _shared(pieces: Array, of_pass: Ints, number: Ints) -> Array:
    """What pairs of separate visits have in common."""
    i, j = shapely.STRtree(pieces).query(pieces)
    apart = (i < j) & ((of_pass[i] != of_pass[j]) | (np.abs(number[i] - number[j]) >= APART))
    i, j = i[apart], j[apart]
    if len(i) > MAX_PAIRS:
        raise InputError(
            "the track crosses itself too often for one call",
            layer=LAYER,
            mend="give it in parts, check the swath, and mark with on/off where the sprayer ran",
        )
    found = [np.empty(0, dtype=object)]
    for start in range(0, len(i), BATCH):
        a, b = pieces[i[start : start + BATCH]], pieces[j[start : start + BATCH]]
        try:
            common = areal(shapely.intersection(a, b))
        except shapely.errors.GEOSException:
            common = areal(shapely.intersection(a, b, grid_size=GRID_M))
        found.append(common[shapely.area(common) > 0])
    return np.concatenate(found)
