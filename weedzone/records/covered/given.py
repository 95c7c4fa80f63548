"""What `coverage` is given, checked and brought to SI units and local metres."""

from __future__ import annotations

from math import inf
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import shapely

from weedzone.base import units
from weedzone.base.errors import InputError, UnitError
from weedzone.ground.buffers import safe_buffer
from weedzone.ground.edges import straight
from weedzone.ground.frame import Ground, checked_crs, frame, geodetic_base, to_degrees
from weedzone.ground.shapes import Array, Floats, areal, repair
from weedzone.records.covered.passes import Limits
from weedzone.records.covered.tracks import Track

REACH_M = 100_000.0  # fixes further than this from the zones' middle belong to another place
WIDEST_M = 60.0  # no boom is wider; a swath above it is a slip of units


def read_limits(swath: object, gap: object, min_speed: object, max_speed: object) -> Limits:
    """Swath and limits in SI; the gap may be a time or a distance."""
    width = units.to_si(swath, "length", field="swath")
    if width > WIDEST_M:
        raise InputError(
            f"a swath of {width:.0f} m is wider than any boom", field="swath", mend="check its unit"
        )
    gap_s = gap_m = inf
    try:
        gap_s = units.to_si(gap, "time", field="gap")
    except UnitError as error:
        try:
            gap_m = units.to_si(gap, "length", field="gap")
        except UnitError:
            raise error from None
    slow, fast = (
        units.to_si(value, "speed", field=name)
        for name, value in (("min_speed", min_speed), ("max_speed", max_speed))
    )
    if slow >= fast:
        raise InputError("min_speed is not below max_speed", field="min_speed", mend="give a lower one")
    return Limits(width, gap_s, gap_m, slow, fast)


def read_amount(amount: object) -> tuple[float, str] | None:
    """Amount put out [L or kg] and the kind of its dose per area."""
    if amount is None:
        return None
    try:
        return units.to_si(amount, "volume", field="amount"), "volume_per_area"
    except UnitError as error:
        try:
            return units.to_si(amount, "mass", field="amount"), "mass_per_area"
        except UnitError:
            raise error from None


def read_zones(zones: gpd.GeoDataFrame) -> tuple[pyproj.CRS, Ground, Array, list[str]]:
    """CRS, local frame, shapes in local metres, and names of the zones."""
    _check_frame(zones, "zones")
    if not len(zones):
        raise InputError("there are no zones", mend="give at least one")
    system = checked_crs(zones.crs, layer="zones")
    base = geodetic_base(system)
    drawn = _polygons(zones, "zones")
    degrees = to_degrees(drawn, system, base)
    if not np.isfinite(shapely.bounds(degrees)).all():
        raise InputError("zones lie outside their coordinate system", layer="zones", mend="check the system")
    site = np.zeros(len(drawn), dtype=np.intp)
    ground = frame(degrees, site, 1, system, np.array(["of the zones"]))
    return system, ground, repair(ground.to_local(degrees, site))[0], _row_names(zones, "zone", "zone")


def _check_frame(table: object, layer: str) -> None:
    if not isinstance(table, gpd.GeoDataFrame) or table.active_geometry_name is None:
        raise InputError(
            f"{type(table).__name__} is no table of shapes",
            layer=layer,
            mend="give a GeoDataFrame with a geometry",
        )


def _row_names(table: gpd.GeoDataFrame, column: str, word: str) -> list[str]:
    if column in table:
        sites = (
            table["site"].astype(str).to_numpy() if "site" in table and len(set(table["site"])) > 1 else None
        )
        plain = table[column].astype(str).to_list()
        return plain if sites is None else [f"{site} {name}" for site, name in zip(sites, plain, strict=True)]
    return [f"{word} {number + 1}" for number in range(len(table))]


def _polygons(table: gpd.GeoDataFrame, layer: str) -> Array:
    drawn = shapely.force_2d(table.geometry.to_numpy().astype(object))
    polygons = areal(drawn)
    bad = np.flatnonzero(shapely.is_missing(drawn) | (shapely.area(polygons) <= 0))
    if len(bad):
        raise InputError(
            "the shape is no polygon", layer=layer, feature=int(bad[0]) + 1, mend="drop or redraw it"
        )
    return polygons


def in_metres(log: Track, ground: Ground) -> Floats:
    """Positions of the track in local metres; infinite where they lie nowhere near the zones."""
    degrees = to_degrees(shapely.points(log.xy), log.crs, ground.base)
    local = ground.to_local(degrees, np.zeros(len(log), dtype=np.intp))
    xy = np.column_stack([shapely.get_x(local), shapely.get_y(local)])
    far = ~(np.hypot(*xy.T) < REACH_M)
    if far.all():
        raise InputError(
            "the whole track lies more than 100 km from the zones", layer="track", mend="check both"
        )
    xy[far] = np.inf
    return xy


def read_forbidden(given: Any, ground: Ground) -> tuple[Array, list[str]]:
    """Ground that must not be sprayed, as given, in local metres, and its names."""
    if given is None:
        return np.empty(0, dtype=object), []
    _check_frame(given, "forbidden")
    polygons = _polygons(given, "forbidden")
    local = _local(polygons, checked_crs(given.crs, layer="forbidden"), ground)
    return local, _row_names(given, "kind" if "kind" in given else "feature", "forbidden ground")


def read_keep_out(job: Any, zones: gpd.GeoDataFrame, ground: Ground) -> tuple[Array, list[str]]:
    """Keep-outs of the zones' sites with the widest buffer that any product of the zones asks for."""
    keep_out = None if job is None else job.survey.keep_out
    if keep_out is None or not len(keep_out):
        return np.empty(0, dtype=object), []
    # What the job keeps from each feature: labels, the features' own distances, local rules and the wind.
    named = set(zones["product"]) if "product" in zones else set(job.plans)
    used = [at for at, name in enumerate(job.plans) if name in named]
    far = np.zeros(len(keep_out))
    np.maximum.at(far, job.reach.features.row, job.reach.widest_m[:, used].max(axis=1, initial=0.0))
    if "site" in zones:
        here = (keep_out["site"].isin(set(zones["site"])) | keep_out["site"].isna()).to_numpy()
        keep_out, far = keep_out[here], far[here]
    local = _local(keep_out.geometry.to_numpy(), checked_crs(keep_out.crs, layer="keep_out"), ground)
    return safe_buffer(local, far), keep_out["kind"].astype(str).to_list()


def _local(shapes: Array, crs: pyproj.CRS, ground: Ground) -> Array:
    flat = shapely.force_2d(np.asarray(shapes, dtype=object))
    degrees = to_degrees(straight(flat, crs), crs, ground.base)
    local = ground.to_local(degrees, np.zeros(len(degrees), dtype=np.intp))
    polygonal = np.isin(shapely.get_type_id(local), (3, 6))
    local[polygonal] = repair(local[polygonal])[0]
    return local
