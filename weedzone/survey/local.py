"""A survey's layers laid on the ground: repaired, in local metres, keyed by site number."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import shapely

from weedzone.base.errors import Finding, SurveyError
from weedzone.base.names import nearest
from weedzone.ground.frame import Ground, frame, geodetic_base
from weedzone.ground.shapes import EMPTY, Array, Bools, Floats, Ints, extents
from weedzone.survey.laid import Laid, Shared, areas, clippable, doubly_drawn, with_past, with_reach
from weedzone.survey.layers import ONE_SITE
from weedzone.survey.whereabouts import METRES_PER_DEGREE, TURN, far_off, in_degrees, meetings


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
    taken: Laid
    takers: Array
    findings: tuple[Finding, ...]

    def only(self, first: int, stop: int) -> Local:
        """Sites `first` to `stop`, numbered from 0."""
        share = slice(first, stop)
        placed = {name: part for name, part in vars(self).items() if isinstance(part, Ground | Laid | Shared)}
        mine: dict[str, Any] = {name: part.only(first, stop) for name, part in placed.items()}
        return replace(self, sites=self.sites[share], boxes_degrees=self.boxes_degrees[share], **mine)

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
        whole = clippable(shared.degrees[used])
        boxes = self._padded(site, pad[member]) + turn[:, np.newaxis] * TURN
        clipped = shapely.intersection(whole[at.ravel()], shapely.box(*boxes.T))
        kept = ~shapely.is_empty(clipped)
        site, member = site[kept], member[kept]
        local = self.ground.to_local(clipped[kept], site)
        laid, _ = areas(local, site, shared.row[member], np.zeros(len(member), dtype=np.intp), layer)
        return laid

    def shared_area_m2(self, row: Ints) -> Floats:
        """Ellipsoidal area of shared history shapes [m2], for each row of the layer."""
        geod = self.ground.base.get_geod()
        assert geod is not None
        asked = np.flatnonzero(np.isin(self.shared_history.row, row))
        shapes = shapely.orient_polygons(clippable(self.shared_history.degrees[asked]))
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
        boxes = self._padded(np.arange(len(self.sites)), np.full(len(self.sites), pad_m.max()))
        site, member, turn = meetings(boxes, shapely.bounds(shared.degrees))
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


def lay(layers: dict[str, gpd.GeoDataFrame | None], guests: Collection[str] = ()) -> tuple[Local, pyproj.CRS]:
    """Lay checked layers (see `weedzone.survey.layers`) on the ground.

    Parameters
    ----------
    layers : dict of str to GeoDataFrame or None
    guests : collection of str, optional
        Sites that are sized elsewhere: they are there only to take ground that is drawn under them too.

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
    degrees, doubts = in_degrees(present, base)
    site_of, sites, findings = _site_numbers(present, guests)
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
    laid: dict[str, Laid] = {}
    for name, layer in present.items():
        rows = np.flatnonzero(own[name])
        local = ground.to_local(degrees[name][rows], site_of[name][rows])
        if name == "infestations":
            local = with_reach(local, layer["reach_m"].to_numpy()[rows])
        laid[name], notes = areas(local, site_of[name][rows], rows, layer["feature"].to_numpy()[rows], name)
        findings += notes
    infested, turf, boundary = laid["infestations"], laid["turf"], laid.get("boundary")
    n_own = sum(name not in guests for name in sites)
    if not (infested.site < n_own).any():
        what = "no shape has an area"
        raise SurveyError(what, layer="infestations", mend="draw at least one polygon")
    boxes = _boxes(degrees["infestations"], site_of["infestations"], present["infestations"], len(sites))
    findings += _lacking(sites, infested, turf, boundary)
    shared = {}
    for name in ("keep_out", "history"):
        none = np.empty(0, dtype=np.intp)
        shared[name] = Shared(np.empty(0, dtype=object), none, none)
        if name in present:
            # What is mapped on one lot holds for its neighbours too; a past application is the lot's own.
            rows = np.flatnonzero(~own[name] | (name == "keep_out"))
            shared[name] = Shared(degrees[name][rows], rows, site_of[name][rows])
            findings += far_off(present[name], degrees[name], site_of[name], boxes, sites, name)
    taken, notes = doubly_drawn(ground, sites, n_own, boxes, infested, (turf, boundary))
    past = with_past(laid["history"], taken, ground) if "history" in laid else None
    findings += notes
    local_survey = Local(
        ground, sites, turf, infested, laid["keep_out"], boundary, past, shared["keep_out"],
        shared["history"], boxes, taken, sites, tuple(findings),
    )  # fmt: skip
    return local_survey.only(0, n_own) if len(guests) else local_survey, crs


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
    present: dict[str, gpd.GeoDataFrame], guests: Collection[str]
) -> tuple[dict[str, Ints], Array, list[Finding]]:
    """Number of each shape's site (-1: of no one site), the sites' names, and what to say."""
    names = {name: layer["site"].to_numpy(dtype=object) for name, layer in present.items()}
    stated = list(
        dict.fromkeys(n for layer in ("infestations", "turf") for n in names[layer] if n is not None)
    )
    sites = sorted(stated, key=lambda name: name in guests) or [ONE_SITE]
    number = {name: index for index, name in enumerate(sites)}
    findings: list[Finding] = []
    out = {}
    for layer, column in names.items():
        blank = np.array([value is None for value in column], dtype=bool)
        strange = np.array([value is not None and value not in number for value in column], dtype=bool)
        careful = layer in ("keep_out", "history")
        if blank.any() and not careful and len(sites) > 1:
            row = int(np.flatnonzero(blank)[0])
            what = "the site is missing, and the survey has several"
            feature = int(present[layer]["feature"].iloc[row])
            mend = "write the site's name in the column site"
            raise SurveyError(what, layer=layer, feature=feature, mend=mend)
        for name in dict.fromkeys(column[strange]):
            close = nearest(str(name), sites)
            hint = f"did you mean {close!r}?" if close else "check the spelling"
            if layer == "boundary":
                raise SurveyError(f"no other layer has a site {name!r}", layer=layer, mend=hint)
            message = f"no other layer has a site {name!r}: used at every site that it comes near; {hint}"
            findings.append(Finding("warning", layer, str(name), message))
        # Where sites have names, a keep-out or application without one is of no one site, also beside a single site.
        lone = 0 if len(sites) == 1 and not (careful and stated) else -1
        codes = [lone if value is None else number.get(value, -1) for value in column]
        out[layer] = np.array(codes, dtype=np.intp)
    return out, np.array(sites, dtype=object), findings


def _boxes(degrees: Array, site: Ints, layer: gpd.GeoDataFrame, n_sites: int) -> Floats:
    """Extent of each site's infested ground [degrees]; sites without any get an empty box."""
    box = shapely.bounds(degrees)
    up = np.nan_to_num(layer["reach_m"].to_numpy()) * 1.05 / METRES_PER_DEGREE
    across = up / np.maximum(0.01, np.cos(np.radians(np.abs(box[:, [1, 3]]).max(axis=1))))
    margin = np.column_stack([-across, -up, across, up])
    return extents(box + margin, site, n_sites)


def _lacking(sites: Array, infested: Laid, turf: Laid, boundary: Laid | None) -> list[Finding]:
    """Sites that lack a layer which others have."""

    def has(laid: Laid) -> Bools:
        found = np.zeros(len(sites), dtype=bool)
        found[laid.site] = True
        return found

    weedy = has(infested)
    cases = [(weedy & ~has(turf), "turf", "warning", "no turf is mapped here: nothing is sprayed")]
    if boundary is not None:
        message = "no boundary here: the site is not limited"
        cases.append((weedy & ~has(boundary), "boundary", "warning", message))
    cases.append((has(turf) & ~weedy, "infestations", "note", "no infested ground is mapped here"))
    return [
        Finding(severity, layer, str(name), message)
        for lacking, layer, severity, message in cases
        for name in sites[lacking]
    ]
