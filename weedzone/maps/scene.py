"""What a map shows, as shapes in metres: shared by the drawn and the interactive map."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pyproj
import shapely

from weedzone.base.errors import InputError, refuse_unless
from weedzone.base.names import nearest
from weedzone.ground.frame import to_degrees
from weedzone.ground.shapes import Array, Floats, Ints, parts_of, union_overlapping
from weedzone.maps.style import USE_WORDS, short
from weedzone.sizing import Sized, zone_order
from weedzone.zones import OUTCOMES


@dataclass(frozen=True)
class Scene:
    """Shapes of the sites of one map [m], all in one frame.

    Attributes
    ----------
    names : ndarray of str
        Names of the sites shown.
    hulls : ndarray of geometry, shape (sites,)
        Convex hull of the turf, infested ground and boundary of each.
    turf, turf_name : ndarray
    zones : ndarray of geometry
    zone_row : ndarray of int
        Row of ``job.zones`` of each.
    parts : ndarray of geometry
        Infested ground that is not treated.
    part_row : ndarray of int
        Row of ``job.ground`` of each.
    outcome : ndarray of str
        Why each is not treated.
    features, feature_kind : ndarray
        Keep-out features: polygons, lines and points.
    feature_reach_m : ndarray of float
        Widest distance that a product shown keeps from each.
    buffers : dict of product to ndarray of geometry
        Ground that each product shown has to stay out of.
    boundary : ndarray of geometry
    """

    names: Array
    hulls: Array
    turf: Array
    turf_name: Array
    zones: Array
    zone_row: Ints
    parts: Array
    part_row: Ints
    outcome: Array
    features: Array
    feature_kind: Array
    feature_reach_m: Floats
    buffers: dict[str, Array]
    boundary: Array

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


def scene(job: Sized, site: str | Iterable[str] | None = None) -> Scene:
    """Gather what a map of some sites shows.

    Parameters
    ----------
    job : Sized
    site : str or several, optional
        Sites to show; all if not given.

    Raises
    ------
    InputError
        A site that the survey lacks.
    """
    chosen = _numbers(job, site)
    place = _Place(job, chosen)
    local, zoned, reach = job.survey.local, job.zoned, job.reach
    order = zone_order(zoned)
    zone_site = zoned.zone_site[order]
    zone_row = np.flatnonzero(place.shown[zone_site])
    idle = np.flatnonzero((zoned.zone < 0) & place.shown[zoned.parts.site])
    turf = np.flatnonzero(place.shown[local.turf.site])
    feature = np.flatnonzero(place.shown[reach.features.site])
    used = _products_shown(job, zone_row)
    outline = reach.features.outline
    assert outline is not None
    boundary = local.boundary
    edge = np.flatnonzero(place.shown[boundary.site]) if boundary is not None else np.empty(0, np.intp)
    products = np.array(list(used.values()), dtype=np.intp)
    widest = reach.widest_m[np.ix_(feature, products)].max(axis=1, initial=0.0)
    return Scene(
        names=local.sites[chosen],
        hulls=_hulls(job, place, chosen),
        turf=place(local.turf.geoms[turf], local.turf.site[turf]),
        turf_name=job.survey.turf["turf"].to_numpy(dtype=object)[local.turf.row[turf]],
        zones=place(zoned.zone_geoms[order[zone_row]], zone_site[zone_row]),
        zone_row=zone_row,
        parts=place(zoned.parts.geoms[idle], zoned.parts.site[idle]),
        part_row=idle,
        outcome=np.array(OUTCOMES, dtype=object)[zoned.outcome[idle]],
        features=place(_drawn(reach.features.geoms[feature], outline[feature]), reach.features.site[feature]),
        feature_kind=reach.kind[feature],
        feature_reach_m=widest,
        buffers={name: _buffers(job, place, feature, p) for name, p in used.items()},
        boundary=np.empty(0, dtype=object)
        if boundary is None
        else place(boundary.geoms[edge], boundary.site[edge]),
    )


def heading(job: Sized, shown: Scene) -> str:
    """Title of a map: site, day and use."""
    name = f"{len(shown.names)} sites" if shown.overview else short(shown.names[0], 40)
    return f"{name}, {job.on.isoformat()}, {USE_WORDS[job.use]}"


class _Place:
    """Moves shapes from about their site's origin to the frame of the map."""

    def __init__(self, job: Sized, chosen: Ints) -> None:
        self.shown = np.zeros(len(job.survey.local.sites), dtype=bool)
        self.shown[chosen] = True
        self.shift = np.zeros((len(self.shown), 2))
        if len(chosen) > 1:
            self.shift[chosen] = _origins(job, chosen)

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


def _products_shown(job: Sized, zone_row: Ints) -> dict[str, int]:
    """Products of the zones shown, or all where nothing is treated, with their numbers."""
    used = set(job.zones["product"].iloc[zone_row])
    return {name: p for p, name in enumerate(job.plans) if name in used or not used}


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
    site = np.concatenate([one.site for one in laid])
    geoms = np.concatenate([one.geoms for one in laid])
    rows = np.flatnonzero(place.shown[site])
    xy, of = shapely.get_coordinates(place(geoms[rows], site[rows]), return_index=True)
    order = np.argsort(site[rows][of], kind="stable")
    sites, member = np.unique(site[rows][of][order], return_inverse=True)
    hulls = shapely.convex_hull(shapely.multipoints(xy[order], indices=member.ravel()))
    found = dict(zip(sites.tolist(), hulls, strict=True))
    # A site of which nothing could be drawn still has a place.
    return np.array(
        [found.get(int(one), shapely.Point(*place.shift[one]).buffer(1.0)) for one in chosen], dtype=object
    )


def seamless(shapes: Array) -> Array:
    """Shapes united where they overlap."""
    if not len(shapes):
        return shapes
    return union_overlapping(shapes, np.zeros(len(shapes), dtype=np.intp))[0]
