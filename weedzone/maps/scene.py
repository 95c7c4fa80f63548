"""What a map shows, as shapes in metres: shared by the drawn and the interactive map."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
import pandas as pd
import pyproj
import shapely

from weedzone.base.errors import InputError, refuse_unless
from weedzone.base.names import nearest
from weedzone.base.units import LB_PER_KG
from weedzone.ground.frame import to_degrees
from weedzone.ground.shapes import Array, Floats, Ints, parts_of, union_overlapping
from weedzone.kit import Spreader
from weedzone.maps.style import (
    USE_WORDS,
    Fill,
    area_text,
    fill_text,
    product_fills,
    short,
    turf_fills,
    untreated_fill,
)
from weedzone.sizing import Sized, check_job, plain_amount, zone_order
from weedzone.survey import Laid
from weedzone.zones import OUTCOMES


class Ground(NamedTuple):
    """Shapes of one look: their name, how they are filled, and the row of each in the job's tables."""

    name: str
    shapes: Array
    fill: Fill
    rows: Ints


@dataclass(frozen=True)
class Scene:
    """Shapes of the sites of one map [m], all in one frame.

    Attributes
    ----------
    job : Sized
    system : str
        Units of the areas and amounts told.
    names : ndarray of str
        Names of the sites shown.
    hulls : ndarray of geometry, shape (sites,)
        Convex hull of the turf, infested ground and boundary of each.
    turf : list of Ground
        By its name; no rows.
    zones : ndarray of geometry
    zone_table : DataFrame
        Rows of ``job.zones`` without their shapes, one for each zone shown.
    patches, patch_code : ndarray
        Connected pieces of the zones, and their codes.
    patch_zone : ndarray of int
        Row of ``zone_table`` of each.
    fills : dict of product to Fill
    left : list of Ground
        Infested ground that is not treated, by why; rows are those of ``job.ground``.
    features, feature_kind : ndarray
        Keep-out features: polygons, lines and points.
    feature_reach_m : ndarray of float
        Widest distance that a product shown keeps from each.
    buffers : dict of product to ndarray of geometry
        Ground that each product shown has to stay out of, of those that keep any.
    boundary : ndarray of geometry
    """

    job: Sized
    system: str
    names: Array
    hulls: Array
    turf: list[Ground]
    zones: Array
    zone_table: pd.DataFrame
    patches: Array
    patch_code: Array
    patch_zone: Ints
    fills: dict[str, Fill]
    left: list[Ground]
    features: Array
    feature_kind: Array
    feature_reach_m: Floats
    buffers: dict[str, Array]
    boundary: Array

    @property
    def holder(self) -> str:
        """What is filled."""
        return "hopper" if isinstance(self.job.rig, Spreader) else "tank"

    @cached_property
    def zone_texts(self) -> pd.DataFrame:
        """What is told of each zone, as text, in the order in which it is told."""
        table = self.zone_table
        amounts = zip(table["product_amount"], table["product_unit"], strict=True)
        told = {
            "site": [short(one) for one in table["site"]],
            "zone": list(table["zone"]),
            "product": [short(one) for one in table["product"]],
            "amount": [plain_amount(one, unit, self.system) for one, unit in amounts],
            "area": [area_text(one, self.system) for one in table["area_m2"]],
            "tanks": [fill_text(one, self.holder) for one in table["tanks"]],
            "dose": [short(one) for one in table["dose"]],
            "turf": [short(one, 40) for one in table["turf"]],
            "weeds": [short(one, 80) for one in table["weeds"]],
            "caution": [short(one, 80) if one else "none named" for one in table["caution"]],
        }
        return pd.DataFrame(told, dtype=object)

    @property
    def patch_texts(self) -> list[str]:
        """Code and ground of each patch, and the solution or granules for it where that is not too little to tell."""
        table = self.zone_table.iloc[self.patch_zone]
        granules, metric = isinstance(self.job.rig, Spreader), self.system == "metric"
        column, unit = ("solution_L", "L") if metric else ("solution_gal", "gal")
        filled = table[column]
        if granules:
            filled, unit = table["product_amount"] / (LB_PER_KG if metric else 1.0), "kg" if metric else "lb"
        area = shapely.area(self.patches)
        amount = filled * area / table["area_m2"]
        return [
            f"{code}  {area_text(ground, self.system)}"
            + (f"\n{fill:.1f} {unit}" if fill >= 0.05 else "")
            + (f", pass {turn}" if turn > 1 else "")
            for code, ground, fill, turn in zip(self.patch_code, area, amount, table["pass"], strict=True)
        ]

    @property
    def overview(self) -> bool:
        """Whether it shows several sites."""
        return len(self.names) > 1

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top [m] of all sites."""
        left, bottom, right, top = shapely.total_bounds(self.hulls)
        return float(left), float(bottom), float(right), float(top)

    @property
    def specks(self) -> bool:
        """Whether the sites lie so far apart that each is only a speck."""
        left, bottom, right, top = self.extent
        bounds = shapely.bounds(self.hulls)
        return (
            self.overview
            and float((bounds[:, 2:] - bounds[:, :2]).max()) < max(right - left, top - bottom) / 80
        )


def scene(job: Sized, site: str | Iterable[str] | None = None, system: str = "us") -> Scene:
    """Gather what a map of some sites shows.

    Parameters
    ----------
    job : Sized
    site : str or several, optional
        Sites to show; all if not given.
    system : {"us", "metric"}

    Raises
    ------
    InputError
        No sized job; a site that the survey lacks; an unknown system of units.
    """
    check_job(job)
    if system not in ("us", "metric"):
        raise InputError(f"no system of units {system!r}", field="system", mend='write "us" or "metric"')
    chosen = _numbers(job, site)
    place = _Place(job, chosen)
    local, zoned, reach = job.survey.local, job.zoned, job.reach
    order = zone_order(zoned)
    zone_site = zoned.zone_site[order]
    zone_row = place.rows(zone_site)
    table = job.zones.iloc[zone_row].drop(columns="geometry").reset_index(drop=True)
    pieces, of, codes = job.lettered
    mine = place.rows(zone_site[of])
    fills, products = product_fills(list(job.plans)), list(job.plans)
    used = np.flatnonzero(np.isin(products, list(table["product"])))
    used = used if len(used) else np.arange(len(products))  # all where nothing is treated
    feature = place.rows(reach.features.site)
    outline, boundary = reach.features.outline, local.boundary
    assert outline is not None
    buffers = {products[at]: _buffers(job, place, feature, int(at)) for at in used}
    return Scene(
        job=job,
        system=system,
        names=local.sites[chosen],
        hulls=_hulls(job, place, chosen),
        turf=_turf(job, place),
        zones=place(zoned.zone_geoms[order[zone_row]], zone_site[zone_row]),
        zone_table=table,
        patches=place(pieces[mine], zone_site[of[mine]]),
        patch_code=codes[mine],
        patch_zone=np.searchsorted(zone_row, of[mine]),
        fills=fills,
        left=_left(job, place),
        features=place(_drawn(reach.features.geoms[feature], outline[feature]), reach.features.site[feature]),
        feature_kind=reach.kind[feature].astype(str),
        feature_reach_m=reach.widest_m[np.ix_(feature, used)].max(axis=1, initial=0.0),
        buffers={name: shapes for name, shapes in buffers.items() if len(shapes)},
        boundary=np.empty(0, dtype=object) if boundary is None else place.laid(boundary),
    )


def _turf(job: Sized, place: _Place) -> list[Ground]:
    turf, none = job.survey.local.turf, np.empty(0, dtype=np.intp)
    row = turf.row[place.rows(turf.site)]
    shapes, names = place.laid(turf), job.survey.turf["turf"].to_numpy(dtype=object)[row].astype(str)
    return [
        Ground(name, shapes[names == name], fill, none)
        for name, fill in turf_fills(list(dict.fromkeys(names))).items()
    ]


def _left(job: Sized, place: _Place) -> list[Ground]:
    zoned, parts = job.zoned, job.zoned.parts
    idle = np.flatnonzero((zoned.zone < 0) & place.shown[parts.site])
    rows = {name: idle[zoned.outcome[idle] == number] for number, name in enumerate(OUTCOMES)}
    return [
        Ground(name, place(parts.geoms[mine], parts.site[mine]), untreated_fill(name), mine)
        for name, mine in rows.items()
        if len(mine)
    ]


def heading(shown: Scene, title: str | None) -> str:
    """Title of a map: the one given, or site, day and use."""
    if title is None:
        name = f"{len(shown.names)} sites" if shown.overview else short(shown.names[0], 40)
        title = f"{name}, {shown.job.on.isoformat()}, {USE_WORDS[shown.job.use]}"
    return short(title, 80)


class _Place:
    """Moves shapes from about their site's origin to the frame of the map."""

    def __init__(self, job: Sized, chosen: Ints) -> None:
        self.shown = np.zeros(len(job.survey.local.sites), dtype=bool)
        self.shown[chosen] = True
        self.shift = np.zeros((len(self.shown), 2))
        if len(chosen) > 1:
            self.shift[chosen] = _origins(job, chosen)

    def rows(self, site: Ints) -> Ints:
        """Rows of the sites shown."""
        return np.flatnonzero(self.shown[site])

    def laid(self, layer: Laid) -> Array:
        """Shapes of a layer on the sites shown."""
        mine = self.rows(layer.site)
        return self(layer.geoms[mine], layer.site[mine])

    def __call__(self, geoms: Array, site: Ints) -> Array:
        if not len(geoms) or not self.shift.any():
            return geoms
        owner = np.repeat(site, shapely.get_num_coordinates(geoms))
        return np.asarray(shapely.transform(geoms, lambda xy: xy + self.shift[owner]))


def _origins(job: Sized, chosen: Ints) -> Floats:
    """Origin of each site in one frame about the middle of them all [m]."""
    ground = job.survey.local.ground
    if len(np.unique(ground.block[chosen])) == 1:
        origins = ground.origin_m[chosen]
        return np.asarray(origins - origins.mean(axis=0).round())
    # Across blocks only the origins are projected anew: within a site the frames differ by a hair's turn.
    points = ground.to_survey(np.full(len(chosen), shapely.Point(0.0, 0.0), dtype=object), chosen)
    lon, lat = shapely.get_coordinates(to_degrees(points, ground.crs, ground.base)).T
    lon = lon[0] + (lon - lon[0] + 180.0) % 360.0 - 180.0
    middle = pyproj.Proj(proj="laea", lon_0=float(lon.mean()), lat_0=float(lat.mean()), ellps="WGS84")
    return np.column_stack(middle(lon, lat))


def _numbers(job: Sized, site: str | Iterable[str] | None) -> Ints:
    sites = job.survey.local.sites
    if site is None:
        return np.arange(len(sites))
    refuse_unless(
        isinstance(site, Iterable), site, "a site, or a list of them,", "site", "leave it out for all"
    )
    known = {str(name): number for number, name in enumerate(sites)}
    wanted = [site] if isinstance(site, str) else [str(one) for one in site]
    for name in wanted:
        if name not in known:
            close = nearest(name, known)
            some = ", ".join(list(known)[:5]) + (", ..." if len(known) > 5 else "")
            mend = f"did you mean {close!r}?" if close else f"known: {some}"
            raise InputError(f"the survey has no site {name!r}", field="site", mend=mend)
    if not wanted:
        raise InputError("no site was named", field="site", mend="name one, or leave it out for all")
    return np.array([known[name] for name in dict.fromkeys(wanted)], dtype=np.intp)


def _buffers(job: Sized, place: _Place, feature: Ints, product: int) -> Array:
    far = feature[job.reach.widest_m[feature, product] > 0]
    if not len(far):
        return np.empty(0, dtype=object)
    shapes, site = job.reach.excluded(product, far, 1.0)
    merged, row = union_overlapping(shapes, site)
    return place(merged, site[row])


def _drawn(geoms: Array, outline: Array) -> Array:
    """Features as areas where they have one, else as the lines or points that were drawn."""
    out = np.where(shapely.is_empty(geoms), outline, geoms)
    for at in np.flatnonzero(shapely.get_type_id(out) == 7):
        parts, _ = parts_of(out[[at]])
        parts = parts[~shapely.is_empty(parts)]
        most = int(shapely.get_dimensions(parts).max(initial=0))
        gather = (shapely.multipoints, shapely.multilinestrings, shapely.multipolygons)[most]
        out[at] = gather(parts[shapely.get_dimensions(parts) == most])
    return out


def _hulls(job: Sized, place: _Place, chosen: Ints) -> Array:
    """Hull of the turf, infested ground and boundary of each site."""
    local = job.survey.local
    laid = [one for one in (local.turf, local.infested, local.boundary) if one is not None]
    shapes = np.concatenate([place.laid(one) for one in laid])
    site = np.concatenate([one.site[place.rows(one.site)] for one in laid])
    seat = np.zeros(len(place.shown), dtype=np.intp)
    seat[chosen] = np.arange(len(chosen))
    # A site of which nothing could be drawn still has a place.
    hulls = shapely.buffer(shapely.points(place.shift[chosen]), 1.0)
    order = np.argsort(seat[site], kind="stable")
    order = order[~shapely.is_empty(shapes[order])]
    shapely.geometrycollections(shapes[order], indices=seat[site[order]], out=hulls)
    return np.asarray(shapely.convex_hull(hulls))


def seamless(shapes: Array) -> Array:
    """Shapes united where they overlap."""
    if not len(shapes):
        return shapes
    return union_overlapping(shapes, np.zeros(len(shapes), dtype=np.intp))[0]
