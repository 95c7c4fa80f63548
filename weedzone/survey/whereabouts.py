"""Whether the layers of a survey lie where they belong: coordinates that fit, axes in order, nothing far off."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pyproj
import shapely

from weedzone.base.errors import CrsError, Finding, SurveyError, naming
from weedzone.base.units import FT_PER_M
from weedzone.ground.edges import straight, unrolled
from weedzone.ground.frame import MAX_SITE_DEGREES, to_degrees
from weedzone.ground.shapes import Array, Floats, Ints

METRES_PER_DEGREE = 111_000.0
TURN = np.array([1.0, 0.0, 1.0, 0.0])  # the columns of a box that are longitudes
TURNS = (-360.0, 0.0, 360.0)  # of the globe [degrees]
DOUBTFUL_DEGREES = 0.05  # about 5 km from its site a feature is worth a second look


def in_degrees(
    present: dict[str, gpd.GeoDataFrame], base: pyproj.CRS
) -> tuple[dict[str, Array], list[Finding]]:
    """Each layer in longitude/latitude of the base; refused where its coordinates do not fit its system.

    Coordinates that fit it only if they are feet stated as metres are a finding.
    """
    degrees = {}
    for name, layer in present.items():
        with naming(layer=name):
            degrees[name] = _drawn(layer, base)
            xy, owner = shapely.get_coordinates(degrees[name], return_index=True)
            wild = ~np.isfinite(xy).all(axis=1) | (np.abs(xy[:, 1]) > 90.0) | (np.abs(xy[:, 0]) > 540.0)
            if wild.any():
                raise _unfit(layer, int(owner[wild][0]))
    for name, layer in present.items():
        if len(layer):
            with naming(layer=name):
                _refuse_swapped(name, layer, degrees, base)
    return degrees, _in_feet(present, degrees, base)


def _in_feet(
    present: dict[str, gpd.GeoDataFrame], degrees: dict[str, Array], base: pyproj.CRS
) -> list[Finding]:
    noticed = []
    for name, layer in present.items():
        metric = not layer.crs.is_geographic and layer.crs.axis_info[0].unit_name == "metre"
        if not metric or not len(layer) or _in_use(layer.crs, shapely.total_bounds(degrees[name])):
            continue
        shrunk = shapely.transform(layer.geometry.to_numpy(), lambda xy: xy / FT_PER_M)
        box = shapely.total_bounds(to_degrees(shrunk, layer.crs, base))
        if np.isfinite(box).all() and _in_use(layer.crs, box):
            message = (
                f"it lies outside the area of {layer.crs.name}, and inside it if the coordinates are feet: "
                "are they? Then state a system in feet"
            )
            noticed.append(Finding("warning", name, "", message))
    return noticed


def _drawn(layer: gpd.GeoDataFrame, base: pyproj.CRS) -> Array:
    """Shapes in degrees, edges straight as they were drawn, and past 180 degrees where they cross the antimeridian."""
    shapes = layer.geometry.to_numpy()
    whole = np.isfinite(shapely.bounds(shapes)).all(axis=1)
    bad = np.zeros(len(shapes), dtype=bool)
    if layer.crs.is_geographic:
        shapes, bad = unrolled(shapes)
    degrees = shapes
    if not bad.any():
        degrees = shapes.copy()
        degrees[whole] = straight(shapes[whole], layer.crs)
        degrees, bad = unrolled(to_degrees(degrees, layer.crs, base))
        if not layer.crs.is_geographic:
            # There the antimeridian may be the edge of the map, an edge across it all of it.
            west, _, east, _ = shapely.bounds(degrees).T
            bad |= east - west > 180.0
    if bad.any():
        feature = int(layer["feature"].iloc[int(np.argmax(bad))])
        mend = "draw the feature where it is, and cut what crosses the antimeridian there"
        raise SurveyError("an edge spans the globe, or a ring a pole", feature=feature, mend=mend)
    return np.asarray(degrees)


def _unfit(layer: gpd.GeoDataFrame, row: int) -> CrsError:
    x, y = shapely.get_coordinates(layer.geometry.iloc[row])[0]
    what = f"the coordinates ({x:.6g}, {y:.6g}) do not fit the coordinate system {layer.crs.name!r}"
    mend = "state the system they were drawn in"
    if layer.crs.is_geographic and abs(x) <= 90 < abs(y) <= 180:
        what = f"{what}: latitude and longitude look swapped"
        mend = "store longitude first, then latitude"
    return CrsError(what, feature=int(layer["feature"].iloc[row]), mend=mend)


def _refuse_swapped(name: str, layer: gpd.GeoDataFrame, degrees: dict[str, Array], base: pyproj.CRS) -> None:
    """Refuse a layer whose extent makes sense only with the axes exchanged."""
    box = shapely.total_bounds(degrees[name])
    others = [shapely.total_bounds(shapes) for key, shapes in degrees.items() if key != name and len(shapes)]
    # No turf grows beyond 78 degrees; longitudes of that size are common.
    polar = layer.crs.is_geographic and abs(box[[1, 3]]).min() > 78 and abs(box[[0, 2]]).max() <= 78
    astray = not layer.crs.is_geographic and not _in_use(layer.crs, box)
    agrees = not others or any(_close(box, other) for other in others)
    if not polar and not astray and agrees:
        return
    back = to_degrees(shapely.transform(layer.geometry.to_numpy(), lambda xy: xy[:, ::-1]), layer.crs, base)
    xy, turned_box = shapely.get_coordinates(back), shapely.total_bounds(back)
    sensible = np.isfinite(xy).all() and (np.abs(xy[:, 1]) <= 90).all()
    fits = polar or (astray and _in_use(layer.crs, turned_box))
    joins = not agrees and any(_close(turned_box, other) for other in others)
    if polar and not joins:
        what = f"it lies at {box[1]:.4g} to {box[3]:.4g} degrees of latitude, where no turf grows"
        mend = "check the coordinates; if latitude and longitude are swapped, store longitude first"
        raise CrsError(what, mend=mend)
    if sensible and (fits or joins):
        what = "latitude and longitude (or northing and easting) look swapped"
        raise CrsError(what, mend="store longitude (easting) first, then latitude (northing)")


def _in_use(crs: pyproj.CRS, box: Floats) -> bool:
    """Whether an extent [degrees] meets the area that the registry gives a projected system for."""
    area = crs.area_of_use
    if area is None or area.west > area.east:  # the latter runs across the antimeridian
        return True
    return _close(box, np.array([area.west, area.south, area.east, area.north]))


def _close(box: Floats, other: Floats, margin: float = 1.0) -> bool:
    """Whether extents meet, or nearly so: wide of the mark by a degree is another place."""
    return bool((box[:2] - margin <= other[2:]).all() and (box[2:] + margin >= other[:2]).all())


def far_off(
    layer: gpd.GeoDataFrame, degrees: Array, site: Ints, boxes: Floats, sites: Array, name: str
) -> list[Finding]:
    """Features too far from their site to be where they belong: a pond out of place keeps nothing out.

    Raises
    ------
    SurveyError
        For one more than about 100 km away.
    """
    everywhere = np.array([*np.nanmin(boxes[:, :2], axis=0), *np.nanmax(boxes[:, 2:], axis=0)])
    home = np.where((site >= 0)[:, np.newaxis], boxes[site], everywhere)
    found = shapely.bounds(degrees)
    middle = (home[:, [0]] + home[:, [2]]) / 2.0
    west, east = ((found[:, [0, 2]] - middle + 180.0) % 360.0 - 180.0).T
    half = (home[:, 2] - home[:, 0]) / 2.0
    across = np.maximum(np.maximum(west - half, -half - east), 0.0) * np.cos(np.radians(home[:, 1]))
    up = np.maximum(np.maximum(found[:, 1] - home[:, 3], home[:, 1] - found[:, 3]), 0.0)
    away = np.hypot(across, up)
    feature = layer["feature"].to_numpy()
    for at in np.flatnonzero(away > MAX_SITE_DEGREES):
        whose = f"site {sites[site[at]]!r}" if site[at] >= 0 else "every site"
        mend = "check its coordinates (a sign dropped, axes exchanged?), or delete it"
        raise SurveyError(
            f"it lies more than 100 km from {whose}", layer=name, feature=int(feature[at]), mend=mend
        )
    noticed = []
    for at in np.flatnonzero(away > DOUBTFUL_DEGREES):
        km = away[at] * METRES_PER_DEGREE / 1000.0
        message = f"it lies {km:.0f} km from the infested ground: is it in its place?"
        noticed.append(Finding("warning", name, str(feature[at]), message))
    return noticed


def meetings(boxes: Floats, others: Floats) -> tuple[Ints, Ints, Floats]:
    """Pairs of boxes [degrees] that meet, and the turn of the globe that brings the first of each to the second.

    Boxes to either side of the antimeridian meet a whole turn apart.
    """
    tree = shapely.STRtree(shapely.box(*others.T))
    found = [tree.query(shapely.box(*(boxes + turn * TURN).T)) for turn in TURNS]
    i, j = np.concatenate(found, axis=1)
    return i, j, np.repeat(TURNS, [each.shape[1] for each in found])
