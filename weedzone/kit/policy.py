"""Policy: local rules beside the labels, read from one TOML file.

::

    name = "Mill County"

    [buffers]                        # by keep-out kind; "default" for the rest
    pond = "50 ft"
    [buffers.broadcast]              # only for one use
    creek = "25 ft"

    [[district]]                     # holds in a part of the county only
    name = "well field"
    shape = "well_field.geojson"     # polygons, beside this file
    [district.buffers]
    well = "200 ft"

    [weather]                        # limits of the house, see weedzone.weather_limits
    wind_max = "8 mph"

    [nitrogen]                       # most nitrogen that turf may get
    per_year = "4 lb/ksqft"

    [kinds]                          # what your own words for keep-out features mean
    lagoon = "pond"
    trampoline = "other"

    [plan]                           # what is worked on its own, see weedzone.size_job; arguments go before it
    worth = "150 ft2"                # or "prices": what pays for another mix by the price list
    max_products = 2
    min_width = "18 in"
    min_area = "10 ft2"

A policy only ever widens what the labels ask for.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import shapely

from weedzone.base.errors import InputError
from weedzone.base.names import chief_name, known_kinds, slip_of
from weedzone.base.toml import Table, read_toml
from weedzone.ground.edges import straight, unrolled
from weedzone.ground.frame import checked_crs, to_degrees
from weedzone.ground.shapes import Array, Floats
from weedzone.kit.label import KEYS, Limits, widest
from weedzone.kit.label_file import distances_by_use

# Longest degree of a meridian, at the pole (WGS 84, from memory: 111,694 m), rounded up.
_DEGREE_M = 111_800.0
_SLACK = 1.01  # the flat degrees below are never shorter than the ground they stand for


@dataclass(frozen=True)
class Buffers:
    """Distances to keep by kind [m], in general and for one use."""

    general: Mapping[str, float] = field(default_factory=dict)
    by_use: Mapping[str, Mapping[str, float]] = field(default_factory=dict)

    def metres(self, kind: str, use: str) -> float:
        """Largest distance for a kind; NaN where no rule speaks of it."""
        found = widest(kind, self.general, self.by_use.get(use, {}))
        return float("nan") if found is None else found[0]

    def widest_m(self, use: str) -> float:
        """Largest distance for any kind at all, for kinds that nobody knows; NaN where there is none."""
        return max([*self.general.values(), *self.by_use.get(use, {}).values()], default=float("nan"))

    @property
    def kinds(self) -> frozenset[str]:
        """Kinds that are named, for whatever use."""
        return frozenset().union(self.general, *self.by_use.values()) - {"default"}


@dataclass(frozen=True)
class District:
    """A part of the county with distances of its own.

    Attributes
    ----------
    name : str
    shape : geometry
        Polygons in longitude/latitude (WGS 84).
    buffers : Buffers
    """

    name: str
    shape: Any
    buffers: Buffers


@dataclass(frozen=True)
class Policy:
    """Local rules.

    Attributes
    ----------
    name : str
        Named in the ledger; may be empty.
    buffers : Buffers
        Hold everywhere.
    districts : tuple of District
    weather : mapping of str to text
        Limits of the house on the weather, as `weedzone.weather.strictest` takes them.
    nitrogen : Limits
        Most nitrogen in one application and in a year [kg/m2]; None where not limited.
    plan : mapping of str to text or int
        ``worth``, ``max_products``, ``min_width`` and ``min_area`` where the caller of `weedzone.size_job` gives none.
    known_as : mapping of str to str
        Keep-out kinds that nobody else knows, and the kind that each is.
    file : str
    """

    name: str = ""
    buffers: Buffers = field(default_factory=Buffers)
    districts: tuple[District, ...] = ()
    weather: Mapping[str, Any] = field(default_factory=dict)
    nitrogen: Limits = field(default_factory=Limits)
    plan: Mapping[str, Any] = field(default_factory=dict)
    known_as: Mapping[str, str] = field(default_factory=dict)
    file: str = ""

    def distances_m(self, keep_out: gpd.GeoDataFrame, use: str) -> Floats:
        """Distance to keep from each row of a keep-out layer [m]; NaN where no rule applies.

        Parameters
        ----------
        keep_out : GeoDataFrame
            With the columns ``kind`` and ``geometry``.
        use : {"spot", "broadcast", "granular"}

        Returns
        -------
        ndarray of float
            A distance for each row [m].
        """
        return self.rules(keep_out, use)[0]

    @property
    def kinds(self) -> frozenset[str]:
        """Kinds that are named, here or for a district."""
        return self.buffers.kinds.union(*(district.buffers.kinds for district in self.districts))

    def rules(
        self, keep_out: gpd.GeoDataFrame, use: str, strange: Collection[str] = ()
    ) -> tuple[Floats, Array]:
        """Distance to keep from each keep-out feature, and the rule that sets it.

        A district's rule holds for every feature that its distance reaches from the district, so that no ground
        inside the district is sprayed closer than the rule says, also where the feature lies across the line. Kinds
        that are `strange`, which nobody knows, get the widest distance that holds for any kind.

        Parameters
        ----------
        keep_out : GeoDataFrame
            With the columns ``kind`` and ``geometry``.
        use : {"spot", "broadcast", "granular"}
        strange : collection of str, optional
            Kinds that nobody knows.

        Returns
        -------
        distance_m : ndarray of float
            NaN where no rule applies.
        name : ndarray of str
        """
        kinds = keep_out["kind"].to_numpy(dtype=object).astype(str)
        distance = _by_kind(self.buffers, kinds, use, strange)
        name = np.where(np.isnan(distance), "", self.name).astype(object)
        for district in self.districts:
            far = _by_kind(district.buffers, kinds, use, strange)
            rows = np.flatnonzero(np.nan_to_num(far, nan=-1.0) > np.nan_to_num(distance, nan=-1.0))
            rows = rows[_reached(keep_out.iloc[rows], district.shape, far[rows])]
            distance[rows], name[rows] = far[rows], district.name
        return distance, name


def _by_kind(buffers: Buffers, kinds: Array, use: str, strange: Collection[str]) -> Floats:
    widest = buffers.widest_m(use)
    far = [widest if kind in strange else buffers.metres(str(kind), use) for kind in kinds]
    return np.array(far, dtype=float)


def _reached(features: gpd.GeoDataFrame, shape: Any, far_m: Floats) -> Array:
    """Whether a district lies within a distance of each feature; in doubt it does."""
    if not len(features):
        return np.zeros(0, dtype=bool)
    degrees = _in_degrees(features.geometry.to_numpy(), features.crs)
    # Degrees of longitude as short as they get anywhere among the features: what is near is never missed.
    polar = min(89.0, float(np.abs(shapely.bounds(degrees)[:, [1, 3]]).max()))
    scale = np.array([np.cos(np.radians(polar)), 1.0])
    flat = shapely.transform(degrees, lambda xy: xy * scale)
    # The district may lie on the other side of the antimeridian, a whole turn away in longitude.
    turned = [shapely.affinity.translate(shape, turn) for turn in (-360.0, 0.0, 360.0)]
    near = [
        shapely.dwithin(flat, shapely.transform(each, lambda xy: xy * scale), far_m / _DEGREE_M)
        for each in turned
    ]
    return np.asarray(np.logical_or.reduce(near))


def _in_degrees(shapes: Array, crs: pyproj.CRS) -> Array:
    """Shapes in longitude and latitude with edges where they were drawn; one that spans the globe stays as it is."""
    plain = crs.is_geographic
    drawn = straight(unrolled(shapes)[0] if plain else shapes, crs)
    return unrolled(to_degrees(drawn, crs, checked_crs("EPSG:4326", layer="keep_out")))[0]


def read_policy(path: str | Path) -> Policy:
    """Read a policy; see `weedzone.kit.policy` for the file.

    Parameters
    ----------
    path : path
        A TOML file.

    Returns
    -------
    Policy

    Raises
    ------
    InputError, UnitError
        No such file, an unknown key, a value that is none, a shape that cannot be read.
    """
    top = Table(read_toml(path, InputError), str(path), "", InputError)
    said = top.read(KEYS["policy"])
    nitrogen = Limits(**top.table("nitrogen").read(KEYS["limit"]))
    # What others read themselves is checked here, and handed on as it was written.
    plan, weather = top.table("plan"), top.table("weather")
    plan.read(KEYS["plan"])
    if plan.values.get("worth") != "prices":
        plan.si("worth", "area", allow_zero=True)
    weather.read(KEYS["house_weather"])
    districts = tuple(_district(table, Path(path).parent) for table in top.tables("district"))
    names = [district.name for district in districts]
    if len(set(names)) < len(names):
        top.fail("[[district]]", "two districts of one name", "give each a name of its own")
    kinds = top.table("kinds")
    known_as = {chief_name(kind, "kind"): chief_name(kinds.text(kind), "kind") for kind in kinds.values}
    for kind, meant in known_as.items():
        if kind in known_kinds():
            mend = "leave it out, or state its distance under [buffers]"
            kinds.fail(kind, "this kind is known already", mend)
        if (slip := slip_of(meant, known_kinds())) is not None:
            kinds.fail(kind, f"the kind {meant!r} is not known", f"did you mean {slip!r}?")
    return Policy(
        **said,
        buffers=Buffers(*distances_by_use(top.table("buffers"))),
        districts=districts,
        weather=dict(weather.values),
        nitrogen=nitrogen,
        plan=dict(plan.values),
        known_as=known_as,
        file=str(path),
    )


def _district(table: Table, folder: Path) -> District:
    said = table.read(KEYS["district"])
    name, file = said["name"], folder / said["shape"]
    if not file.is_file():
        table.fail("shape", f"there is no file {file}", "put the polygons beside the policy file")
    try:
        read = gpd.read_file(file)
    except Exception as problem:  # whatever the driver stumbles over, it is the file that cannot be read
        what = f"{file} cannot be read ({type(problem).__name__})"
        table.fail("shape", what, "give GeoJSON or a GeoPackage")
    if not isinstance(read, gpd.GeoDataFrame) or not len(read) or read.geometry.isna().any():
        table.fail("shape", f"{file} holds no polygon, or a row without one", "draw the district")
    shapes = read.geometry.to_numpy()
    if (shapely.get_dimensions(shapes) < 2).any() or shapely.is_empty(shapes).any():
        table.fail("shape", f"{file} holds something that is no polygon", "draw the district as polygons")
    crs = checked_crs(read.crs, layer=name, file=str(file))
    degrees = _in_degrees(shapely.force_2d(shapes), crs)
    west, _, east, _ = shapely.bounds(degrees).T
    if (crs.is_geographic and unrolled(shapely.force_2d(shapes))[1].any()) or (east - west > 180.0).any():
        table.fail("shape", f"an edge of {file} spans the globe", "cut what crosses the antimeridian there")
    if not np.isfinite(shapely.get_coordinates(degrees)).all():
        table.fail("shape", f"the coordinates of {file} do not fit its coordinate system", "check the file")
    whole = shapely.union_all(shapely.make_valid(degrees, method="structure"))
    return District(name, whole, Buffers(*distances_by_use(table.table("buffers"))))
