"""A survey's layers laid on the ground: repaired, in local metres, keyed by site number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import shapely

from weedzone.base.errors import Finding, SurveyError
from weedzone.base.names import nearest
from weedzone.ground.frame import Ground, frame, geodetic_base
from weedzone.ground.shapes import EMPTY, QUAD_SEGS, Array, Bools, Floats, Ints, areal, mean_width, repair
from weedzone.survey.layers import ONE_SITE
from weedzone.survey.whereabouts import METRES_PER_DEGREE, far_off, in_degrees

TURN = np.array([1.0, 0.0, 1.0, 0.0])  # the columns of a box that are longitudes
THREAD_M = 1e-5  # a polygon no wider is a line that rounding opened
# A polygon with as many sides has the circle's own area, so that a radius gives pi r2 and not a little less.
_SIDES = 4 * QUAD_SEGS
CIRCLE_SCALE = float(np.sqrt(2.0 * np.pi / (_SIDES * np.sin(2.0 * np.pi / _SIDES))))


@dataclass(frozen=True)
class Laid:
    """Shapes of one layer in local metres.

    Attributes
    ----------
    geoms : ndarray of geometry
        Valid polygons and multipolygons (of a keep-out: possibly empty).
    site : ndarray of int
        Number of each shape's site.
    row : ndarray of int
        Row of the survey's layer that each came from.
    outline : ndarray of geometry or None
        Of keep-outs: what a buffer is measured from; holds lines and points, and the edges of what was
        repaired, so that a repair never narrows a buffer.
    """

    geoms: Array
    site: Ints
    row: Ints
    outline: Array | None = None

    def only(self, first: int, stop: int) -> Laid:
        """The shapes of sites `first` to `stop`, numbered from 0."""
        mine = np.flatnonzero((self.site >= first) & (self.site < stop))
        outline = None if self.outline is None else self.outline[mine]
        return Laid(self.geoms[mine], self.site[mine] - first, self.row[mine], outline)


@dataclass(frozen=True)
class Shared:
    """Shapes that hold for every site they come near, in longitude/latitude.

    Attributes
    ----------
    degrees : ndarray of geometry
    row : ndarray of int
        Row of the survey's layer that each came from.
    site : ndarray of int
        The site that each belongs to, where it is laid already; -1 for none.
    """

    degrees: Array
    row: Ints
    site: Ints

    def only(self, first: int, stop: int) -> Shared:
        """The same shapes, with the sites `first` to `stop` numbered from 0."""
        mine = (self.site >= first) & (self.site < stop)
        return Shared(self.degrees, self.row, np.where(mine, self.site - first, -1))


@dataclass(frozen=True)
class Local:
    """Everything of a survey that the kernels need."""

    ground: Ground
    sites: Array
    turf: Laid
    infested: Laid
    keep_out: Laid
    boundary: Laid | None
    history: Laid | None
    shared_keep_out: Shared
    shared_history: Shared
    boxes_degrees: Floats
    findings: tuple[Finding, ...]

    def only(self, first: int, stop: int) -> Local:
        """Sites `first` to `stop`, numbered from 0."""
        return replace(
            self,
            ground=self.ground.only(first, stop),
            sites=self.sites[first:stop],
            turf=self.turf.only(first, stop),
            infested=self.infested.only(first, stop),
            keep_out=self.keep_out.only(first, stop),
            boundary=None if self.boundary is None else self.boundary.only(first, stop),
            history=None if self.history is None else self.history.only(first, stop),
            shared_keep_out=self.shared_keep_out.only(first, stop),
            shared_history=self.shared_history.only(first, stop),
            boxes_degrees=self.boxes_degrees[first:stop],
        )

    def alone(self, shared: Shared) -> Laid:
        """Shared shapes as rows without a place, for rules that ask only what they are."""
        n = len(shared.row)
        empty = np.full(n, EMPTY, dtype=object)
        return Laid(empty, np.zeros(n, dtype=np.intp), shared.row, empty)

    @staticmethod
    def joined(first: Laid, second: Laid) -> Laid:
        """Keep-outs of two layers as one."""
        assert first.outline is not None
        assert second.outline is not None
        return Laid(
            np.concatenate([first.geoms, second.geoms]),
            np.concatenate([first.site, second.site]),
            np.concatenate([first.row, second.row]),
            np.concatenate([first.outline, second.outline]),
        )

    def near(self, shared: Shared, layer: str, reach_m: Floats | float) -> Laid:
        """Shared shapes brought to every site that they come near, cut to the site's surroundings.

        How far each reaches is its own: what a site gets of one does not hang on the others.
        """
        pad = np.broadcast_to(np.asarray(reach_m, dtype=float) * 1.05 + 5.0, len(shared.degrees))
        site, member, turn = self._near_pairs(shared, pad)
        used, at = np.unique(member, return_inverse=True)
        whole = _clippable(shared.degrees[used])
        boxes = self._padded(site, pad[member]) + turn[:, np.newaxis] * TURN
        clipped = shapely.intersection(whole[at.ravel()], shapely.box(*boxes.T))
        kept = ~shapely.is_empty(clipped)
        site, member = site[kept], member[kept]
        local = self.ground.to_local(clipped[kept], site)
        laid, _ = _areas(local, site, shared.row[member], np.zeros(len(member), dtype=np.intp), layer)
        return laid

    def shared_area_m2(self, row: Ints) -> Floats:
        """Ellipsoidal area of shared history shapes [m2], for each row of the layer."""
        geod = self.ground.base.get_geod()
        assert geod is not None
        asked = np.flatnonzero(np.isin(self.shared_history.row, row))
        shapes = shapely.orient_polygons(_clippable(self.shared_history.degrees[asked]))
        area = {
            int(at): abs(geod.geometry_area_perimeter(shape)[0])
            for at, shape in zip(self.shared_history.row[asked], shapes, strict=True)
        }
        return np.array([area[int(at)] for at in row], dtype=float)

    def _near_pairs(self, shared: Shared, pad_m: Floats) -> tuple[Ints, Ints, Floats]:
        """Sites, shapes of other sites or of none whose boxes meet theirs, and turns of the globe between them."""
        none = np.empty(0, dtype=np.intp)
        if not len(shared.degrees) or (len(self.sites) == 1 and (shared.site >= 0).all()):
            return none, none, np.empty(0)
        # Boxes of the widest pad find the pairs; each pair's own pad decides.
        tree = shapely.STRtree(shapely.box(*shapely.bounds(shared.degrees).T))
        boxes = self._padded(np.arange(len(self.sites)), np.full(len(self.sites), pad_m.max()))
        pairs = [tree.query(shapely.box(*(boxes + turn * TURN).T)) for turn in (-360.0, 0.0, 360.0)]
        turn = np.repeat([-360.0, 0.0, 360.0], [each.shape[1] for each in pairs])
        site, member = np.concatenate(pairs, axis=1)
        order = np.lexsort((member, site))
        site, member, turn = site[order], member[order], turn[order]
        own = shapely.box(*(self._padded(site, pad_m[member]) + turn[:, np.newaxis] * TURN).T)
        meets = shapely.intersects(own, shapely.box(*shapely.bounds(shared.degrees[member]).T))
        kept = meets & (shared.site[member] != site)
        return site[kept], member[kept], turn[kept]

    def _padded(self, site: Ints, pad_m: Floats) -> Floats:
        west, south, east, north = self.boxes_degrees[site].T
        up = pad_m / METRES_PER_DEGREE
        across = up / np.maximum(0.01, np.cos(np.radians(np.maximum(np.abs(south), np.abs(north)) + up)))
        return np.column_stack([west - across, south - up, east + across, north + up])


def lay(layers: dict[str, gpd.GeoDataFrame | None], file: str | None) -> tuple[Local, pyproj.CRS]:
    """Lay checked layers (see `weedzone.survey.layers`) on the ground.

    Returns
    -------
    Local
    pyproj.CRS
        The survey's own system: that of its infestations.

    Raises
    ------
    SurveyError, CrsError
        Layers that do not belong together; coordinates that their CRS cannot hold.
    """
    present = {name: layer for name, layer in layers.items() if layer is not None}
    crs = present["infestations"].crs
    base = geodetic_base(crs)
    degrees, doubts = in_degrees(present, base, file)
    site_of, sites, findings = _site_numbers(present, file)
    findings += doubts

    extent = [name for name in ("infestations", "turf", "boundary") if name in present]
    own = {name: site_of[name] >= 0 for name in present}
    _side_by_side(degrees, site_of, extent, len(sites))
    ground = frame(
        np.concatenate([degrees[name][own[name]] for name in extent]),
        np.concatenate([site_of[name][own[name]] for name in extent]),
        len(sites),
        crs,
        sites,
    )
    laid: dict[str, Laid | None] = {"boundary": None, "history": None}
    for name, layer in present.items():
        rows = np.flatnonzero(own[name])
        local = ground.to_local(degrees[name][rows], site_of[name][rows])
        if name == "infestations":
            local = _with_reach(local, layer["reach_m"].to_numpy()[rows])
        laid[name], notes = _areas(local, site_of[name][rows], rows, layer["feature"].to_numpy()[rows], name)
        findings += notes
    shared = {}
    for name in ("keep_out", "history"):
        # What is mapped on one lot holds for its neighbours too; a past application is the lot's own.
        all_round = name == "keep_out"
        rows = np.arange(len(own[name])) if name in present else np.empty(0, dtype=np.intp)
        rows = rows if all_round else rows[~own[name]] if name in present else rows
        shapes = degrees[name][rows] if name in present else np.empty(0, dtype=object)
        shared[name] = Shared(shapes, rows, site_of[name][rows] if name in present else rows)
    infested, turf, keep_out = laid["infestations"], laid["turf"], laid["keep_out"]
    assert infested is not None
    assert turf is not None
    assert keep_out is not None
    if not len(infested.geoms):
        raise SurveyError(
            "no shape has an area", file=file, layer="infestations", mend="draw at least one polygon"
        )
    boxes = _boxes(degrees["infestations"], site_of["infestations"], present["infestations"], len(sites))
    findings += _lacking(sites, infested, turf, laid["boundary"])
    for name in ("keep_out", "history"):
        if name in present:
            findings += far_off(present[name], degrees[name], site_of[name], boxes, sites, name, file)
    local_survey = Local(
        ground, sites, turf, infested, keep_out, laid["boundary"], laid["history"], shared["keep_out"],
        shared["history"], boxes, tuple(findings),
    )  # fmt: skip
    return local_survey, crs


def _side_by_side(
    degrees: dict[str, Array], site_of: dict[str, Ints], extent: Sequence[str], n_sites: int
) -> None:
    """Bring each site's shapes to one side of the antimeridian, that of its first shape."""
    bounds = np.concatenate([shapely.bounds(degrees[name]) for name in degrees])
    if np.nanmax(bounds[:, 2]) - np.nanmin(bounds[:, 0]) <= 180.0:
        return
    anchor = np.full(n_sites, np.nan)
    for name in extent[::-1]:
        mine = np.flatnonzero(site_of[name] >= 0)[::-1]
        anchor[site_of[name][mine]] = shapely.bounds(degrees[name][mine])[:, 0]
    for name, site in site_of.items():
        home = np.where(site >= 0, anchor[site], np.nan)
        turns = np.nan_to_num(np.round((home - shapely.bounds(degrees[name])[:, 0]) / 360.0))
        moved = degrees[name].copy()
        for row in np.flatnonzero(turns):
            moved[row] = shapely.affinity.translate(moved[row], 360.0 * turns[row])
        degrees[name] = moved


def _site_numbers(
    present: dict[str, gpd.GeoDataFrame], file: str | None
) -> tuple[dict[str, Ints], Array, list[Finding]]:
    """Number of each shape's site (-1: of no one site), the sites' names, and what to say."""
    names = {name: layer["site"].to_numpy(dtype=object) for name, layer in present.items()}
    stated = list(
        dict.fromkeys(n for layer in ("infestations", "turf") for n in names[layer] if n is not None)
    )
    sites = stated or [ONE_SITE]
    number = {name: index for index, name in enumerate(sites)}
    findings: list[Finding] = []
    out = {}
    for layer, column in names.items():
        blank = np.array([value is None for value in column], dtype=bool)
        strange = np.array([value is not None and value not in number for value in column], dtype=bool)
        careful = layer in ("keep_out", "history")
        if blank.any() and not careful and len(sites) > 1:
            row = int(np.flatnonzero(blank)[0])
            raise SurveyError(
                "the site is missing, and the survey has several",
                file=file,
                layer=layer,
                feature=int(present[layer]["feature"].iloc[row]),
                mend="write the site's name in the column site",
            )
        for name in dict.fromkeys(column[strange]):
            close = nearest(str(name), sites)
            hint = f"did you mean {close!r}?" if close else "check the spelling"
            if layer == "boundary":
                raise SurveyError(f"no other layer has a site {name!r}", file=file, layer=layer, mend=hint)
            message = f"no other layer has a site {name!r}: used at every site that it comes near; {hint}"
            findings.append(Finding("warning", layer, str(name), message))
        # Where sites have names, a keep-out or application without one is of no one site, also beside a single site.
        lone = 0 if len(sites) == 1 and not (careful and stated) else -1
        codes = [lone if value is None else number.get(value, -1) for value in column]
        out[layer] = np.array(codes, dtype=np.intp)
    return out, np.array(sites, dtype=object), findings


def _with_reach(local: Array, reach_m: Floats) -> Array:
    """Polygons as they are; points become discs of the true area, lines strips with square ends."""
    out = local.copy()
    dimension = shapely.get_dimensions(local)
    for wanted, cap, scale in ((0, "round", CIRCLE_SCALE), (1, "flat", 1.0)):
        rows = dimension == wanted
        if rows.any():
            out[rows] = shapely.buffer(local[rows], reach_m[rows] * scale, quad_segs=QUAD_SEGS, cap_style=cap)
    return out


def _areas(local: Array, site: Ints, row: Ints, feature: Any, layer: str) -> tuple[Laid, list[Finding]]:
    """Repair the shapes of one layer, with a finding for each that changed or vanished."""
    findings = []
    kind = shapely.get_type_id(local)
    keep_out = layer == "keep_out"
    if not keep_out:
        for at in np.flatnonzero(kind == 7):
            lost = shapely.get_parts(local[at])
            if (shapely.get_dimensions(lost) < 2).any():
                message = "a collection of several kinds: only its polygons are used"
                findings.append(Finding("warning", layer, str(feature[at]), message))
    parts_only = _polygons(local)
    fixed, changed, drawn = repair(parts_only)
    found = shapely.area(fixed)
    for at in np.flatnonzero(changed):
        change = f"drawn {drawn[at]:.3f} m2, now {found[at]:.3f} m2"
        message = f"its outline crosses or repeats itself: repaired, {change}"
        findings.append(Finding("warning", layer, str(feature[at]), message))
    vanished = shapely.is_empty(fixed) | (mean_width(fixed) < THREAD_M)
    if keep_out:
        outline = local.copy()
        # The edges as drawn stay in force where a repair took a spike or a fold away.
        for at in np.flatnonzero(changed | (vanished & (shapely.get_dimensions(local) == 2))):
            outline[at] = shapely.geometrycollections([fixed[at], *_edges(local[at])])
        return Laid(fixed, site, row, outline), findings
    gone = "dropped: it has no area"
    findings += [Finding("warning", layer, str(one), gone) for one in feature[vanished]]
    kept = ~vanished
    return Laid(fixed[kept], site[kept], row[kept]), findings


def _polygons(local: Array) -> Array:
    """Polygons of collections as multipolygons, valid or not; all else as it is, if it is areal."""
    out = local.copy()
    kind = shapely.get_type_id(local)
    for at in np.flatnonzero(kind == 7):
        parts = shapely.get_parts(local[at])
        while (shapely.get_type_id(parts) > 3).any():
            parts = shapely.get_parts(parts)
        parts = parts[shapely.get_type_id(parts) == 3]
        out[at] = shapely.multipolygons(parts) if len(parts) else EMPTY
    return areal(out)


def _edges(shape: Any) -> list[Any]:
    """Rings, lines and points of one shape, each by itself."""
    parts = shapely.get_parts(shape)
    while (shapely.get_type_id(parts) > 3).any():
        parts = shapely.get_parts(parts)
    solid = shapely.get_type_id(parts) == 3
    rings = shapely.get_rings(parts[solid])
    return [*[shapely.linestrings(shapely.get_coordinates(ring)) for ring in rings], *parts[~solid]]


def _clippable(degrees: Array) -> Array:
    """Shared shapes made valid, so that they can be cut to a site's surroundings."""
    bad = ~shapely.is_valid(degrees)
    if not bad.any():
        return degrees
    out = degrees.copy()
    for at in np.flatnonzero(bad):
        fixed = shapely.make_valid(degrees[at], method="structure", keep_collapsed=True)
        out[at] = shapely.geometrycollections([*shapely.get_parts(fixed), *_edges(degrees[at])])
    return out


def _boxes(degrees: Array, site: Ints, layer: gpd.GeoDataFrame, n_sites: int) -> Floats:
    """Extent of each site's infested ground [degrees]; sites without any get an empty box."""
    box = shapely.bounds(degrees)
    up = np.nan_to_num(layer["reach_m"].to_numpy()) * 1.05 / METRES_PER_DEGREE
    across = up / np.maximum(0.01, np.cos(np.radians(np.abs(box[:, [1, 3]]).max(axis=1))))
    out = np.tile([np.inf, np.inf, -np.inf, -np.inf], (n_sites, 1))
    for column, values, extreme in (
        (0, box[:, 0] - across, np.minimum), (1, box[:, 1] - up, np.minimum),
        (2, box[:, 2] + across, np.maximum), (3, box[:, 3] + up, np.maximum),
    ):  # fmt: skip
        extreme.at(out[:, column], site, values)
    out[~np.isfinite(out).all(axis=1)] = np.nan
    return out


def _lacking(sites: Array, infested: Laid, turf: Laid, boundary: Laid | None) -> list[Finding]:
    """Sites that lack a layer which others have."""

    def has(laid: Laid) -> Bools:
        found = np.zeros(len(sites), dtype=bool)
        found[laid.site] = True
        return found

    weedy = has(infested)
    cases = [(weedy & ~has(turf), "turf", "warning", "no turf is mapped here: nothing is sprayed")]
    if boundary is not None:
        cases.append(
            (weedy & ~has(boundary), "boundary", "warning", "no boundary here: the site is not limited")
        )
    cases.append((has(turf) & ~weedy, "infestations", "note", "no infested ground is mapped here"))
    return [
        Finding(severity, layer, str(name), message)
        for lacking, layer, severity, message in cases
        for name in sites[lacking]
    ]
