"""Whether the layers of a survey lie where they belong: coordinates that fit, axes in order, nothing far off."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pyproj
import shapely

from weedzone.base.errors import CrsError, Finding, SurveyError
from weedzone.base.units import FT_PER_M
from weedzone.ground.edges import straight, unrolled
from weedzone.ground.frame import MAX_SITE_DEGREES, to_degrees
from weedzone.ground.shapes import Array, Floats, Ints

METRES_PER_DEGREE = 111_000.0
DOUBTFUL_DEGREES = 0.05  # about 5 km from its site a feature is worth a second look


def in_degrees(
    present: dict[str, gpd.GeoDataFrame], base: pyproj.CRS, file: str | None
) -> tuple[dict[str, Array], list[Finding]]:
    """Each layer in longitude/latitude of the base; refused where its coordinates do not fit its system.

    Coordinates that fit it only if they are feet stated as metres are a finding.
    """
    degrees = {}
    for name, layer in present.items():
        shapes = layer.geometry.to_numpy()
        found = _drawn(layer, shapes, base, name, file)
        xy, owner = shapely.get_coordinates(found, return_index=True)
        wild = ~np.isfinite(xy).all(axis=1) | (np.abs(xy[:, 1]) > 90.0) | (np.abs(xy[:, 0]) > 540.0)
        if wild.any():
            _refuse_coordinates(layer, shapes, int(owner[wild][0]), name, file)
        degrees[name] = found
    _refuse_swapped(present, degrees, base, file)
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


def _drawn(layer: gpd.GeoDataFrame, shapes: Array, base: pyproj.CRS, name: str, file: str | None) -> Array:
    """Shapes in degrees, edges straight as they were drawn, and past 180 degrees where they cross the antimeridian."""
    whole = np.isfinite(shapely.bounds(shapes)).all(axis=1)
    bad = np.zeros(len(shapes), dtype=bool)
    if layer.crs.is_geographic:
        shapes, bad = unrolled(shapes)
    degrees = shapes
    if not bad.any():
        degrees = shapes.copy()
        degrees[whole] = straight(shapes[whole], layer.crs)
        degrees, bad = unrolled(to_degrees(degrees, layer.crs, base))
        if (
            not layer.crs.is_geographic
        ):  # there the antimeridian may be the edge of the map, an edge across it all of it
            west, _, east, _ = shapely.bounds(degrees).T
            bad |= east - west > 180.0
    if bad.any():
        raise SurveyError(
            "an edge spans the globe, or a ring a pole",
            file=file,
            layer=name,
            feature=int(layer["feature"].iloc[int(np.flatnonzero(bad)[0])]),
            mend="draw the feature where it is, and cut what crosses the antimeridian there",
        )
    return degrees


def _refuse_coordinates(
    layer: gpd.GeoDataFrame, shapes: Array, row: int, name: str, file: str | None
) -> None:
    x, y = shapely.get_coordinates(shapes[row])[0]
    swapped = layer.crs.is_geographic and abs(x) <= 90 < abs(y) <= 180
    raise CrsError(
        f"the coordinates ({x:.6g}, {y:.6g}) do not fit the coordinate system {layer.crs.name!r}"
        + (": latitude and longitude look swapped" if swapped else ""),
        file=file,
        layer=name,
        feature=int(layer["feature"].iloc[row]),
        mend="store longitude first, then latitude" if swapped else "state the system they were drawn in",
    )


def _refuse_swapped(
    present: dict[str, gpd.GeoDataFrame], degrees: dict[str, Array], base: pyproj.CRS, file: str | None
) -> None:
    """Refuse layers whose extent makes sense only with the axes exchanged."""
    boxes = {name: shapely.total_bounds(shapes) for name, shapes in degrees.items() if len(shapes)}
    for name, box in boxes.items():
        layer = present[name]
        # No turf grows beyond 78 degrees; longitudes of that size are common.
        polar = layer.crs.is_geographic and abs(box[[1, 3]]).min() > 78 and abs(box[[0, 2]]).max() <= 78
        others = [other for key, other in boxes.items() if key != name]
        astray = not layer.crs.is_geographic and not _in_use(layer.crs, box)
        agrees = not others or any(_close(box, other) for other in others)
        if not polar and not astray and agrees:
            continue
        turned = shapely.transform(layer.geometry.to_numpy(), lambda xy: xy[:, ::-1])
        back = to_degrees(turned, layer.crs, base)
        xy = shapely.get_coordinates(back)
        sensible = np.isfinite(xy).all() and (np.abs(xy[:, 1]) <= 90).all()
        turned_box = shapely.total_bounds(back)
        fits = polar or (astray and _in_use(layer.crs, turned_box))
        joins = not agrees and any(_close(turned_box, other) for other in others)
        if polar and not joins:
            raise CrsError(
                f"it lies at {box[1]:.4g} to {box[3]:.4g} degrees of latitude, where no turf grows",
                file=file,
                layer=name,
                mend="check the coordinates; if latitude and longitude are swapped, store longitude first",
            )
        if sensible and (fits or joins):
            raise CrsError(
                "latitude and longitude (or northing and easting) look swapped",
                file=file,
                layer=name,
                mend="store longitude (easting) first, then latitude (northing)",
            )


def _in_use(crs: pyproj.CRS, box: Floats) -> bool:
    """Whether an extent [degrees] meets the area that the registry gives a projected system for."""
    area = crs.area_of_use
    if area is None or area.west > area.east:  # the latter runs across the antimeridian
        return True
    return _close(box, np.array([area.west, area.south, area.east, area.north]))


def _close(box: Floats, other: Floats, margin: float = 1.0) -> bool:
    return bool(
        (box[:2] - margin <= other[2:]).all() and (box[2:] + margin >= other[:2]).all()
    )  # wide of the mark by a degree is another place


def far_off(
    layer: gpd.GeoDataFrame,
    degrees: Array,
    site: Ints,
    boxes: Floats,
    sites: Array,
    name: str,
    file: str | None,
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
    lost = np.flatnonzero(away > MAX_SITE_DEGREES)
    if len(lost):
        whose = f"site {sites[site[lost[0]]]!r}" if site[lost[0]] >= 0 else "every site"
        raise SurveyError(
            f"it lies more than 100 km from {whose}",
            file=file,
            layer=name,
            feature=int(layer["feature"].iloc[lost[0]]),
            mend="check its coordinates (a sign dropped, axes exchanged?), or delete it",
        )
    return [
        Finding(
            "warning",
            name,
            str(layer["feature"].iloc[at]),
            f"it lies {away[at] * METRES_PER_DEGREE / 1000.0:.0f} km from the infested ground: is it in its place?",
        )
        for at in np.flatnonzero(away > DOUBTFUL_DEGREES)
    ]
