"""Edges as they were drawn: straight in their own coordinate system, and the short way across the antimeridian.

Only vertices are brought from one system to another. An edge of length s that is straight in degrees, or on a map
whose lines of latitude are straight, bends on the ground by s^2 tan(latitude) / 8R in its middle (the curvature of a
parallel is tan(latitude) / R; own derivation). Edges are therefore cut to pieces of at most `PIECE_M` first, which
bends each by less than 0.8 mm up to 75 degrees of latitude.
"""

from __future__ import annotations

import numpy as np
import pyproj
import shapely

from weedzone.ground.shapes import Array, Bools, Floats, parts_of

PIECE_M = 100.0
MOST_PIECES = 2_000  # of one shape: 200 km of long edges; beyond it pieces are longer
EARTH_M = 6_371_000.0
MOST_BEND_M = 0.003  # that is allowed for; jumps between the parts of a feature are no edges
# Of a straight edge on the maps of a zone, 300 km from its middle (own estimate).
LEAST_CURVE = 0.07 / EARTH_M
# An edge across the antimeridian; a longer one spans the globe, and is no edge of a map of turf.
FURTHEST_DEGREES = 5.0


def straight(geoms: Array, crs: pyproj.CRS) -> Array:
    """Shapes with vertices along their long edges, so that these stay where they are straight in their own system.

    Parameters
    ----------
    geoms : ndarray of geometry
        In `crs`.
    crs : pyproj.CRS

    Returns
    -------
    ndarray of geometry
        The same points whichever way round an edge was drawn, so that shared edges stay shared.
    """
    unit = crs.axis_info[0].unit_conversion_factor * (EARTH_M if crs.is_geographic else 1.0)
    step = PIECE_M / unit
    length = shapely.length(geoms)
    out = geoms.copy()
    for row in np.flatnonzero((longest_edge(geoms) > step) & np.isfinite(length)):
        # What is as long as a continent, or nonsense, gets no more vertices than memory holds.
        out[row] = _divided(geoms[row], max(step, length[row] / MOST_PIECES))
    return out


def _divided(shape: shapely.Geometry, step: float) -> shapely.Geometry:
    """A shape, valid or not, with its long edges divided; the engine's own way drops what crosses itself."""
    if shape.geom_type == "Point" or shape.is_empty:
        return shape
    if shape.geom_type == "Polygon":
        shell, *holes = [_more(shapely.get_coordinates(ring), step) for ring in shapely.get_rings(shape)]
        return shapely.Polygon(shell, holes)
    if not hasattr(shape, "geoms"):
        return type(shape)(_more(shapely.get_coordinates(shape), step))
    return type(shape)([_divided(part, step) for part in shape.geoms])


def _more(xy: Floats, step: float) -> Floats:
    """Vertices of a line with those between, reckoned from the same end whichever way round an edge is drawn."""
    first, last = xy[:-1], xy[1:]
    count = np.maximum(np.ceil(np.hypot(*(last - first).T) / step), 1.0).astype(np.intp)
    turned = (first[:, 0] > last[:, 0]) | ((first[:, 0] == last[:, 0]) & (first[:, 1] > last[:, 1]))
    start, end = np.where(turned, [last.T, first.T], [first.T, last.T]).transpose(0, 2, 1)
    edge = np.repeat(np.arange(len(count)), count)
    along = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    share = np.where(turned[edge], count[edge] - along, along) / count[edge]
    between = start[edge] + share[:, np.newaxis] * (end - start)[edge]
    between[along == 0] = first
    return np.concatenate([between, xy[-1:]])


def bends_m(outlines: Array, latitude: Floats) -> Floats:
    """What the edges of shapes may bend away from where they were drawn.

    Parameters
    ----------
    outlines : ndarray of geometry
        In local metres.
    latitude : ndarray of float
        Of each [degrees].

    Returns
    -------
    ndarray of float
        Metres.
    """
    curve = np.maximum(np.abs(np.tan(np.radians(latitude))) / EARTH_M, LEAST_CURVE)
    return np.minimum(longest_edge(outlines) ** 2 * curve / 8.0, MOST_BEND_M)


def longest_edge(geoms: Array) -> Floats:
    """Length of the longest edge of each shape, in its own units; jumps from part to part may count as edges.

    Parameters
    ----------
    geoms : ndarray of geometry

    Returns
    -------
    ndarray of float
    """
    xy, owner = shapely.get_coordinates(geoms, return_index=True)
    length = np.hypot(*np.diff(xy, axis=0).T)
    same = owner[1:] == owner[:-1]
    longest = np.zeros(len(geoms))
    np.fmax.at(longest, owner[1:][same], length[same])
    return longest


def unrolled(degrees: Array) -> tuple[Array, Bools]:
    """Shapes across the antimeridian with longitudes that run on past 180 instead of jumping.

    Parameters
    ----------
    degrees : ndarray of geometry
        In longitude and latitude.

    Returns
    -------
    unrolled : ndarray of geometry
    bad : ndarray of bool
        Shapes with an edge that spans the globe.
    """
    bounds = shapely.bounds(degrees)
    bad = np.zeros(len(degrees), dtype=bool)
    wide = np.flatnonzero(bounds[:, 2] - bounds[:, 0] > 180.0)
    if not len(wide):
        return degrees, bad
    out = degrees.copy()
    for row in wide:
        shape = degrees[row]
        parts, _ = parts_of(degrees[[row]])
        lines = [line for part in parts[~shapely.is_empty(parts)] for line in _lines(part)]
        turns = [_turns(shapely.get_coordinates(line)) for line in lines]
        if any(turn is None for turn in turns):
            bad[row] = True
            continue
        first = shapely.get_coordinates(lines[0])[0, 0]
        moved = []
        for line, turn in zip(lines, turns, strict=True):
            assert turn is not None
            x = shapely.get_coordinates(line)[0, 0]
            moved.append(turn + 360.0 * np.round((first - x - turn[0]) / 360.0))
        shift = np.concatenate(moved)
        out[row] = shapely.transform(shape, lambda xy, shift=shift: xy + np.column_stack([shift, 0 * shift]))
    return out, bad


def _lines(part: shapely.Geometry) -> list[shapely.Geometry]:
    return list(shapely.get_rings(part)) if part.geom_type == "Polygon" else [part]


def _turns(xy: Floats) -> Floats | None:
    """Whole turns to add to the longitudes of one line; None where an edge spans the globe or a ring a pole."""
    jump = np.diff(xy[:, 0])
    far = np.abs(jump) > 180.0
    short = 360.0 - np.abs(jump[far])
    if ((short > FURTHEST_DEGREES) | (short <= 0)).any():
        return None
    turns = np.concatenate([[0.0], np.cumsum(np.where(far, -360.0 * np.sign(jump), 0.0))])
    closed = len(xy) > 1 and (xy[0] == xy[-1]).all()
    return None if closed and turns[-1] != 0.0 else turns
