"""Shapes as matplotlib paths."""

from __future__ import annotations

import numpy as np
import shapely
from matplotlib.path import Path

from weedzone.shapes import Array, Floats


def area_path(shapes: Array) -> Path:
    """One path of many polygons, holes left open."""
    polygons = shapely.get_parts(shapes)
    while (shapely.get_type_id(polygons) > 3).any():
        polygons = shapely.get_parts(polygons)
    polygons = polygons[(shapely.get_type_id(polygons) == 3) & ~shapely.is_empty(polygons)]
    # Outer rings run one way and holes the other, so that filling by winding leaves the holes.
    rings = shapely.get_rings(shapely.orient_polygons(polygons))
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    if not len(xy):
        return Path(np.empty((0, 2)), np.empty(0, dtype=Path.code_type))
    codes = np.full(len(xy), Path.LINETO, dtype=Path.code_type)
    first = np.append(True, ring[1:] != ring[:-1])
    codes[first] = Path.MOVETO
    codes[np.append(first[1:], True)] = Path.CLOSEPOLY
    return Path(xy, codes)


def line_xy(shapes: Array) -> tuple[Floats, Floats]:
    """Coordinates of many lines, a gap between each two."""
    lines = shapely.get_parts(shapes)
    xy, line = shapely.get_coordinates(lines, return_index=True)
    gaps = np.flatnonzero(line[1:] != line[:-1]) + 1
    spaced = np.insert(xy.astype(float), gaps, np.nan, axis=0)
    return spaced[:, 0], spaced[:, 1]
