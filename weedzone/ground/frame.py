"""From any coordinate system to local equal-area metres, and back.

Sites are gathered in blocks of at most about 70 km; each block has one Lambert azimuthal equal-area
projection on the survey's own ellipsoid, so that a planar area there *is* the ellipsoidal area. Within a
block's reach (47 km from its centre) the length scale of that projection stays within 1.2e-5 of one, as
measured against geodesic distances. (On a sphere it is cos(c/2) along the radius and 1/cos(c/2) across it,
with c the angular distance from the centre, which is 7e-6; Snyder, Map Projections: A Working Manual, USGS
Professional Paper 1395, 1987, eq. 24-1 to 24-3. The flattening of the earth adds the rest.) A site wider than
about 2 km gets a block of its own, so that its long edges stay geodesics.

Each site is then shifted to an origin of its own, because overlays of coordinates in the millions of metres
are thousands of times less exact than overlays near the origin.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import pyproj
import shapely

from weedzone.base.errors import CrsError, SurveyError, naming
from weedzone.ground.shapes import Array, Floats, Ints

BLOCK_DEGREES = 0.6
MAX_SITE_DEGREES = 0.9  # about 100 km: beyond it a site leaves its block's exact ground
LENGTH_ERROR = 2e-5  # bound on the projection's relative length error (measured 1.2e-5), with room to spare
WIDE_DEGREES = 0.02  # a site wider than this is projected about its own centre


def checked_crs(crs: object, *, layer: str, file: str | None = None) -> pyproj.CRS:
    """Two-dimensional CRS of a layer.

    Raises
    ------
    CrsError
        If the layer states none, or one that is not tied to the earth.
    """
    with naming(file=file, layer=layer):
        if crs is None:
            mend = 'set it in the file, or pass crs="EPSG:..." if you are certain of it'
            raise CrsError("the coordinate system is not stated", mend=mend)
        try:
            found = pyproj.CRS.from_user_input(crs).to_2d()
        except pyproj.exceptions.CRSError as error:
            mend = 'name one such as "EPSG:4326"'
            raise CrsError(f"{crs!r} is no coordinate system that can be read", mend=mend) from error
        if found.geodetic_crs is None:
            what = f"the coordinate system {found.name!r} is not tied to the earth"
            mend = "state the geographic or projected system that the shapes were drawn in"
            raise CrsError(what, mend=mend)
        return found


@lru_cache(maxsize=64)
def geodetic_base(crs: pyproj.CRS) -> pyproj.CRS:
    """Longitude/latitude system of a CRS, in degrees from Greenwich (else WGS 84)."""
    base = crs.geodetic_crs
    plain = (
        base is not None
        and base.is_geographic
        and base.prime_meridian is not None
        and base.prime_meridian.longitude == 0
        and all(axis.unit_name == "degree" for axis in base.axis_info)
    )
    return base.to_2d() if base is not None and plain else pyproj.CRS.from_epsg(4326)


@lru_cache(maxsize=128)
def _transformer(source: pyproj.CRS, target: pyproj.CRS) -> pyproj.Transformer:
    return pyproj.Transformer.from_crs(source, target, always_xy=True)


def _transformed(geoms: Array, source: pyproj.CRS, target: pyproj.CRS) -> Array:
    forward = _transformer(source, target)
    return np.asarray(
        shapely.transform(geoms, lambda xy: np.column_stack(forward.transform(xy[:, 0], xy[:, 1])))
    )


def to_degrees(geoms: Array, crs: pyproj.CRS, base: pyproj.CRS) -> Array:
    """Geometries in longitude/latitude of `base` [degrees]; what cannot be projected becomes infinite."""
    same = crs.is_geographic and geodetic_base(crs) == base and crs == base
    return geoms if same else _transformed(geoms, crs, base)


@dataclass(frozen=True)
class Ground:
    """The local metres of many sites.

    Attributes
    ----------
    crs : pyproj.CRS
        The survey's own system, to which shapes return.
    base : pyproj.CRS
        Its longitude/latitude system.
    lon, lat : ndarray of float, shape (sites,)
        Centre of each site [degrees].
    block : ndarray of int, shape (sites,)
        Block of each site.
    block_lon, block_lat : ndarray of float, shape (blocks,)
        Centre of each block's projection [degrees].
    origin_m : ndarray of float, shape (sites, 2)
        Origin of each site in its block's projection [m], whole metres.
    """

    crs: pyproj.CRS
    base: pyproj.CRS
    lon: Floats
    lat: Floats
    block: Ints
    block_lon: Floats
    block_lat: Floats
    origin_m: Floats

    def only(self, first: int, stop: int) -> Ground:
        """Sites `first` to `stop`, numbered from 0."""
        parts = {name: getattr(self, name)[first:stop] for name in ("lon", "lat", "block", "origin_m")}
        return replace(self, **parts)

    def to_local(self, degrees: Array, site: Ints) -> Array:
        """Geometries in degrees to metres about their site's origin."""
        return self._each_vertex(degrees, site, self._forward)

    def moved(self, local: Array, site: Ints, to: Ints) -> Array:
        """Geometries in metres about one site's origin to metres about another's."""
        out, shift = local.copy(), self.origin_m[site] - self.origin_m[to]
        near = self.block[site] == self.block[to]
        rows, rest = np.flatnonzero(near), np.flatnonzero(~near)
        out[rows] = self._each_vertex(local[rows], rows, lambda xy, row: xy + shift[row])
        out[rest] = self.to_local(self._each_vertex(local[rest], site[rest], self._inverse), to[rest])
        return out

    def to_survey(self, local: Array, site: Ints) -> Array:
        """Geometries in metres about their site's origin to the survey's CRS."""
        degrees = self._each_vertex(local, site, self._inverse)
        return degrees if self.crs == self.base else _transformed(degrees, self.base, self.crs)

    def _each_vertex(self, geoms: Array, site: Ints, convert: Any) -> Array:
        geoms = np.asarray(geoms, dtype=object)
        if not len(geoms):
            return geoms
        owner = np.repeat(np.asarray(site, dtype=np.intp), shapely.get_num_coordinates(geoms))
        return np.asarray(shapely.transform(geoms, lambda xy: convert(xy, owner)))

    def _forward(self, xy: Floats, owner: Ints) -> Floats:
        return self._block_by_block(xy, owner, _projected) - self.origin_m[owner]

    def _inverse(self, xy: Floats, owner: Ints) -> Floats:
        out = self._block_by_block(xy + self.origin_m[owner], owner, _unprojected)
        # Beside the antimeridian a site's longitudes stay together rather than jump by 360 degrees.
        out[:, 0] = self.lon[owner] + _wrapped(out[:, 0] - self.lon[owner])
        return out

    def _block_by_block(self, xy: Floats, owner: Ints, convert: Any) -> Floats:
        out = np.empty_like(xy)
        for block, rows in _by_block(self.block[owner]):
            out[rows] = convert(_laea(self.base, self.block_lon[block], self.block_lat[block]), xy[rows])
        return out


def _projected(proj: pyproj.Proj, degrees: Floats) -> Floats:
    return np.column_stack(proj(degrees[:, 0], degrees[:, 1], errcheck=False))


def _unprojected(proj: pyproj.Proj, xy: Floats) -> Floats:
    """Longitude/latitude of projected points.

    PROJ's inverse of this projection is a short series, good to a millimetre; one step back and forth takes
    its error out.
    """
    return _inverted(proj, 2.0 * xy - _projected(proj, _inverted(proj, xy)))


def _inverted(proj: pyproj.Proj, xy: Floats) -> Floats:
    return np.column_stack(proj(xy[:, 0], xy[:, 1], inverse=True, errcheck=False))


def frame(degrees: Array, site: Ints, n_sites: int, crs: pyproj.CRS, names: Array) -> Ground:
    """Lay the blocks and origins of `n_sites` sites under their shapes.

    Parameters
    ----------
    degrees : ndarray of geometry
        The shapes that define the sites' extents, in longitude/latitude.
    site : ndarray of int
        The site of each shape, 0 to ``n_sites - 1``; every site has at least one.
    n_sites : int
    crs : pyproj.CRS
        The survey's own system.
    names : ndarray of str
        Names of the sites, for messages.

    Raises
    ------
    SurveyError
        If a site is wider than about 100 km: its shapes cannot belong together.
    """
    lon, lat, span = _centres(degrees, site, n_sites)
    wide = np.flatnonzero(span > MAX_SITE_DEGREES)
    if len(wide):
        what = f"the shapes of site {names[wide[0]]!r} lie more than 100 km apart"
        mend = (
            "check the coordinate system and axis order of each layer, or give each place a site of its own"
        )
        raise SurveyError(what, mend=mend)
    band = np.floor(lat / BLOCK_DEGREES)
    middle = np.clip((band + 0.5) * BLOCK_DEGREES, -89.9, 89.9)
    step = 360.0 / np.maximum(1.0, np.ceil(360.0 * np.cos(np.radians(middle)) / BLOCK_DEGREES))
    cell = np.floor(_wrapped(lon) / step)
    centre = np.column_stack([middle, (cell + 0.5) * step])
    alone = span > WIDE_DEGREES
    centre[alone] = np.column_stack([lat, lon])[alone]
    keys, block = np.unique(centre, axis=0, return_inverse=True)
    block = block.ravel()
    base = geodetic_base(crs)
    origin = np.empty((n_sites, 2))
    for index, rows in _by_block(block):
        proj = _laea(base, keys[index, 1], keys[index, 0])
        origin[rows] = np.round(np.column_stack(proj(lon[rows], lat[rows])))
    return Ground(crs, base, lon, lat, block, keys[:, 1], keys[:, 0], origin)


def _centres(degrees: Array, site: Ints, n_sites: int) -> tuple[Floats, Floats, Floats]:
    """Centre [degrees] and span [degrees of arc on the ground] of each site."""
    bounds = shapely.bounds(degrees)
    order = np.argsort(site, kind="stable")
    start = np.searchsorted(site[order], np.arange(n_sites))
    west, south, east, north = bounds[order].T
    anchor = west[start][site[order]]
    west, east = _wrapped(west - anchor), _wrapped(east - anchor)
    # A shape drawn across the antimeridian has bounds that run right round the earth: take the short way.
    flipped = east < west
    west, east = np.where(flipped, east, west), np.where(flipped, west, east)
    low, high = np.minimum.reduceat(west, start), np.maximum.reduceat(east, start)
    bottom, top = np.minimum.reduceat(south, start), np.maximum.reduceat(north, start)
    lat = (bottom + top) / 2
    span = np.maximum((high - low) * np.cos(np.radians(lat)), top - bottom)
    return bounds[order][start, 0] + (low + high) / 2, lat, span


def _wrapped(degrees: Floats) -> Floats:
    return (degrees + 180.0) % 360.0 - 180.0


def _by_block(block: Ints) -> list[tuple[int, Ints]]:
    if not len(block):
        return []
    order = np.argsort(block, kind="stable")
    values, start = np.unique(block[order], return_index=True)
    return [(int(value), rows) for value, rows in zip(values, np.split(order, start[1:]), strict=True)]


@lru_cache(maxsize=4096)
def _laea(base: pyproj.CRS, lon: float, lat: float) -> pyproj.Proj:
    ellipsoid = base.ellipsoid
    if ellipsoid is None:
        raise CrsError(f"the coordinate system {base.name!r} has no ellipsoid", mend="use a geographic one")
    a, b = ellipsoid.semi_major_metre, ellipsoid.semi_minor_metre
    return pyproj.Proj(proj="laea", lon_0=lon, lat_0=lat, a=a, b=b)
