"""A second overlay engine for tests: Vatti's algorithm on an integer grid (pyclipper), no code of GEOS in it.

Shapes in metres are scaled to a grid of 1e-7 m. Polygons that are valid, wound the right way and filled by
winding number, overlap as one would expect; areas come back in square metres.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pyclipper
import shapely

PER_M = 1e7

Paths = list[Any]


def paths(geoms: Any) -> Paths:
    """Rings of polygons on the grid: shells one way round, holes the other."""
    shapes = shapely.orient_polygons(np.atleast_1d(np.asarray(geoms, dtype=object)))
    rings = shapely.get_rings(shapely.get_parts(shapes))
    out = []
    for ring in rings:
        grid = np.round(shapely.get_coordinates(ring)[:-1] * PER_M).astype(np.int64)
        if len(grid) >= 3:
            out.append(grid.tolist())
    return out


def _run(kind: int, subject: Paths, clip: Paths) -> Paths:
    engine = pyclipper.Pyclipper()
    for rings, role in ((subject, pyclipper.PT_SUBJECT), (clip, pyclipper.PT_CLIP)):
        for ring in rings:
            try:
                engine.AddPath(ring, role, True)
            except pyclipper.ClipperException:
                continue  # a ring that the grid has made a line
    return list(engine.Execute(kind, pyclipper.PFT_NONZERO, pyclipper.PFT_NONZERO))


def union(subject: Paths) -> Paths:
    """Ground of any of the paths."""
    return _run(pyclipper.CT_UNION, subject, []) if subject else []


def intersection(subject: Paths, clip: Paths) -> Paths:
    """Ground of both."""
    return _run(pyclipper.CT_INTERSECTION, subject, clip) if subject and clip else []


def difference(subject: Paths, clip: Paths) -> Paths:
    """Ground of the first that is none of the second."""
    if not subject or not clip:
        return subject
    return _run(pyclipper.CT_DIFFERENCE, subject, clip)


def area_m2(of: Iterable[Any]) -> float:
    """Area of paths that an operation gave: holes count against their shells."""
    total = 0.0
    for ring in of:
        xy = (np.array(ring, dtype=np.int64) - np.array(ring[0], dtype=np.int64)) / PER_M
        x, y = xy.T
        total += 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    return total


def common_m2(a: Any, b: Any) -> float:
    """Area that two shapes share."""
    return area_m2(intersection(union(paths(a)), union(paths(b))))
