"""A survey moved within its accuracy: every site once for each case, as a site of its own.

An accuracy is read as the standard for spatial data reads it: 95 of 100 points lie within that distance of
their true place, so that each coordinate has a standard deviation of accuracy / 2.4477 (Federal Geographic Data
Committee, FGDC-STD-007.3-1998, National Standard for Spatial Data Accuracy, appendix 3-A).

A layer moves as a sheet: part of the variance is one shift of the whole layer on a site (the receiver's drift
during one walk), the rest a smooth random field with correlation exp(-d^2 / 2 L^2) over a distance d, so that
neighbouring points of an edge move together, edges shared by neighbours stay shared, and outlines do not tangle.
The field is a sum of cosines with random waves, which has that correlation exactly on average (Rahimi and Recht,
"Random features for large-scale kernel machines", NIPS 2007). Layers move independently.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import shapely

from weedzone.ground.shapes import Array, Floats, Ints, repair
from weedzone.sizing import Sized
from weedzone.survey import Laid, Local, Shared, Survey

LAYERS = ("infestations", "turf", "keep_out", "boundary")
RADIUS_95 = float(np.sqrt(-2.0 * np.log(0.05)))  # radius that holds 95 % of a round normal scatter
_WAVES = 32
_STEPS = 2  # vertices for each correlation length: a straight piece strays by 1/20 of the displacement


def dense(job: Sized, radius: Mapping[str, float], length: float) -> Survey:
    """The job's survey with every keep-out given to its sites, and vertices enough for edges to bend."""
    local, step_m = job.survey.local, length / _STEPS
    keep_out = local.keep_out
    if len(local.shared_keep_out.row):
        far = float(job.reach.widest_m.max(initial=0.0)) + max(radius.values())
        keep_out = local.joined(keep_out, local.near(local.shared_keep_out, "keep_out", far))
    nowhere = np.empty(0, dtype=np.intp)
    none = Shared(np.empty(0, dtype=object), nowhere, nowhere)

    def bendable(name: str, layer: Laid) -> Laid:
        if not radius.get(name):
            return layer
        outline = None if layer.outline is None else shapely.segmentize(layer.outline, step_m)
        return replace(layer, geoms=shapely.segmentize(layer.geoms, step_m), outline=outline)

    boundary = local.boundary
    return _with(
        job.survey,
        replace(
            local,
            infested=bendable("infestations", local.infested),
            turf=bendable("turf", local.turf),
            keep_out=bendable("keep_out", keep_out),
            boundary=None if boundary is None else bendable("boundary", boundary),
            shared_keep_out=none,
        ),
    )


def _with(survey: Survey, local: Local) -> Survey:
    """The survey with other shapes; its tables, which the shapes point to by row, stay."""
    other = copy.copy(survey)
    object.__setattr__(other, "local", local)
    return other


def moved(
    survey: Survey, cases: Ints, radius: Mapping[str, float], length: float, rigid: float, seed: int
) -> Survey:
    """Every site once for each case, as a site of its own, with its layers moved."""
    local, n_sites, n = survey.local, len(survey.local.sites), len(cases)
    ground = local.ground
    repeated = replace(
        ground,
        lon=np.tile(ground.lon, n),
        lat=np.tile(ground.lat, n),
        block=np.tile(ground.block, n),
        origin_m=np.tile(ground.origin_m, (n, 1)),
    )

    def layer(name: str, laid: Laid) -> Laid:
        sigma = radius.get(name, 0.0) / RADIUS_95
        geoms, outline = np.tile(laid.geoms, n), None if laid.outline is None else np.tile(laid.outline, n)
        if sigma > 0.0:
            for at, case in enumerate(cases):
                move = _Field.drawn([seed, int(case), LAYERS.index(name)], n_sites, sigma, length, rigid)
                mine = slice(at * len(laid.geoms), (at + 1) * len(laid.geoms))
                geoms[mine] = move.of(laid.geoms, laid.site)
                if outline is not None and laid.outline is not None:
                    outline[mine] = move.of(laid.outline, laid.site)
            geoms = repair(geoms)[0]
        site = (np.arange(n)[:, np.newaxis] * n_sites + laid.site).ravel()
        return Laid(geoms, site, np.tile(laid.row, n), outline)

    names = np.array([f"case {case}, {site}" for case in cases for site in local.sites], dtype=object)
    boundary, history = local.boundary, local.history
    return _with(
        survey,
        replace(
            local,
            ground=repeated,
            sites=names,
            infested=_kept(layer("infestations", local.infested)),
            turf=_kept(layer("turf", local.turf)),
            keep_out=layer("keep_out", local.keep_out),
            boundary=None if boundary is None else layer("boundary", boundary),
            history=None if history is None else layer("history", history),
            boxes_degrees=np.tile(local.boxes_degrees, (n, 1)),
            taken=layer("taken", local.taken),
            findings=(),
        ),
    )


def _kept(laid: Laid) -> Laid:
    """Without what a repair left empty."""
    kept = ~shapely.is_empty(laid.geoms)
    return Laid(laid.geoms[kept], laid.site[kept], laid.row[kept])


@dataclass(frozen=True)
class _Field:
    """One smooth random displacement of a layer: the same waves everywhere, phases of its own at each site."""

    wave: Floats
    phase: Floats
    shift: Floats
    size: float

    @classmethod
    def drawn(cls, seed: list[int], n_sites: int, sigma: float, length: float, rigid: float) -> _Field:
        rng = np.random.default_rng(seed)
        wave = rng.normal(scale=1.0 / length, size=(2, _WAVES))
        phase = rng.uniform(0.0, 2.0 * np.pi, size=(n_sites, 2, _WAVES))
        shift = rng.normal(scale=sigma * np.sqrt(rigid), size=(n_sites, 2))
        return cls(wave, phase, shift, sigma * float(np.sqrt((1.0 - rigid) * 2.0 / _WAVES)))

    def of(self, geoms: Array, site: Ints) -> Array:
        """Geometries with every vertex moved."""
        if not len(geoms):
            return geoms
        owner = np.repeat(site, shapely.get_num_coordinates(geoms))

        def move(xy: Floats) -> Floats:
            angle = (xy @ self.wave)[:, np.newaxis, :] + self.phase[owner]
            return np.asarray(xy + self.shift[owner] + self.size * np.cos(angle).sum(axis=2))

        return np.asarray(shapely.transform(geoms, move))
