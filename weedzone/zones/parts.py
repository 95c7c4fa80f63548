"""The infested ground split into parts, each of which every rule treats alike.

The parts of a site do not overlap and sum to its infested ground. Nothing is decided here: a part knows its
weeds and turf, whether it lies outside the boundary or in a keep-out feature, which products' buffers hold it
and which past applications lie on it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely

from weedzone.base.errors import Finding
from weedzone.base.names import plain
from weedzone.ground.cells import Cells, arrange
from weedzone.ground.frame import LENGTH_ERROR
from weedzone.ground.overlay import Cut, cut
from weedzone.ground.shapes import (
    DUST_M2,
    Array,
    Bools,
    Floats,
    Ints,
    near_pairs,
    parts_of,
    union_overlapping,
)
from weedzone.kit import Label
from weedzone.survey import Survey
from weedzone.zones.dose import Plan
from weedzone.zones.limits import Application, history_dose
from weedzone.zones.reach import Reach


@dataclass(frozen=True)
class Parts:
    """Parts of the infested ground, one row each.

    Attributes
    ----------
    geoms : ndarray of geometry
        Polygons [m, about the site's origin].
    site : ndarray of int
    weeds : ndarray of int
        Row in `weed_sets`.
    cover : ndarray of float
        Share of the ground that the weed covers.
    turf : ndarray of int
        Row in `turf_sets`; -1 where no turf is mapped.
    outside : ndarray of bool
        Outside the boundary, or drawn under a site before this one by name.
    taken : ndarray of int
        Row in the survey's `Local.takers` of the site that holds it too; -1 for none.
    kept_out : ndarray of bool
        Inside a keep-out feature.
    buffered : ndarray of bool, shape (parts, products)
        Inside the product's buffer of a keep-out feature.
    past : ndarray of int
        Row in `past_sets`; 0 is ground without past applications.
    fresh : ndarray of bool
        Made by a cut, so that it may touch others along a seam.
    weed_sets, turf_sets : list of tuple of str
    past_sets : list of tuple of Application
    """

    geoms: Array
    site: Ints
    weeds: Ints
    cover: Floats
    turf: Ints
    outside: Bools
    taken: Ints
    kept_out: Bools
    buffered: Bools
    past: Ints
    fresh: Bools
    weed_sets: list[tuple[str, ...]]
    turf_sets: list[tuple[str, ...]]
    past_sets: list[tuple[Application, ...]]

    @cached_property
    def area_m2(self) -> Floats:
        """Area of each part."""
        return np.asarray(shapely.area(self.geoms))

    def split(self, by: Cut) -> Parts:
        """Parts after a cut: every column follows the piece's source."""
        rows = by.source
        return replace(
            self,
            geoms=by.geoms,
            site=self.site[rows],
            weeds=self.weeds[rows],
            cover=self.cover[rows],
            turf=self.turf[rows],
            outside=self.outside[rows],
            taken=self.taken[rows],
            kept_out=self.kept_out[rows],
            buffered=self.buffered[rows],
            past=self.past[rows],
            fresh=self.fresh[rows] | by.fresh,
        )


def split_ground(
    survey: Survey, plans: Mapping[str, Plan], labels: Mapping[str, Label], reach: Reach
) -> tuple[Parts, Bools, list[Finding]]:
    """Split the infested ground of a survey by every rule of space.

    Parameters
    ----------
    plans : mapping of product to Plan
        The products that may be sprayed at all.
    labels : mapping of product to Label
        Every label at hand, also of products that are only in the history.
    reach : Reach
        Distances to keep, by feature and product of `plans`.

    Returns
    -------
    parts : Parts
    named : ndarray of bool, shape (parts, products)
        Whether the product's label names one of the part's weeds, and every one of its turfs.
    findings : list of Finding
    """
    log = _Log(survey)
    parts = _infested(survey, len(plans), log)
    parts = _bounded(parts, survey, log)
    parts = _taken(parts, survey, log)
    parts = _on_turf(parts, survey, log)
    named = names_both(parts, plans)
    parts = _buffers(parts, named, plans, reach, log)
    parts = _keep_outs(parts, names_both(parts, plans), reach, log)
    named = names_both(parts, plans)
    useful = (named & ~parts.buffered).any(axis=1) & ~parts.kept_out
    parts = _past(parts, useful, survey, labels, log)
    single, owner = parts_of(parts.geoms)
    ground = shapely.area(single) > DUST_M2
    single, owner = single[ground], owner[ground]
    parts = parts.split(Cut(single, owner, owner, owner[:0], owner[:0], np.zeros(len(owner), dtype=bool)))
    return parts, names_both(parts, plans), log.findings


def past_ground(survey: Survey, labels: Mapping[str, Label]) -> tuple[Parts, list[Finding]]:
    """Split the infested ground of a survey by past applications alone; see `split_ground`."""
    log = _Log(survey)
    parts = _infested(survey, 0, log)
    return _past(parts, np.ones(len(parts.geoms), dtype=bool), survey, labels, log), log.findings


def names_both(parts: Parts, plans: Mapping[str, Plan]) -> Bools:
    """Whether each product's label names a weed of each part and every turf on it."""
    return names_weed(parts, plans) & _names_turf(parts, plans)


def names_weed(parts: Parts, plans: Mapping[str, Plan]) -> Bools:
    """Whether each product's label names a weed of each part."""
    table = np.array(
        [
            [any(weed in plan.label.weeds for weed in weeds) for plan in plans.values()]
            for weeds in parts.weed_sets
        ],
        dtype=bool,
    ).reshape(len(parts.weed_sets), len(plans))
    return np.asarray(table[parts.weeds])


def _names_turf(parts: Parts, plans: Mapping[str, Plan]) -> Bools:
    # The last row stands for ground without turf, number -1.
    table = np.array(
        [
            *[
                [all(plan.label.allows_turf(turf) for turf in turfs) for plan in plans.values()]
                for turfs in parts.turf_sets
            ],
            [False] * len(plans),
        ],
        dtype=bool,
    )
    return np.asarray(table[parts.turf])


class _Log:
    """Findings of the cuts, with the site's name."""

    def __init__(self, survey: Survey) -> None:
        self.sites = survey.local.sites
        self.findings: list[Finding] = []

    def cut(self, made: Cut, site: Ints, layer: str) -> Cut:
        redone = np.setdiff1d(made.redone, made.failed)
        for one in np.unique(site[redone]):
            message = "an overlay did not hold at first: done again on a grid of a micrometre, and checked"
            self.findings.append(Finding("note", layer, str(self.sites[one]), message))
        self.failed(site[made.failed], layer)
        return made

    def failed(self, sites: Ints, layer: str) -> None:
        for one in np.unique(sites):
            message = (
                "shapes here could not be overlaid truthfully: what is in doubt is not sprayed; redraw them"
            )
            self.findings.append(Finding("error", layer, str(self.sites[one]), message))

    def shared(self, cells: Cells, names: list[tuple[str, ...]], layer: str, what: str) -> None:
        """Say where cells hold more than one name."""
        many = np.array([len(one) > 1 for one in names], dtype=bool)[cells.members]
        rows = np.flatnonzero(many)
        area = shapely.area(cells.geoms[rows])
        for key in dict.fromkeys(zip(cells.group[rows], cells.members[rows], strict=True)):
            on = (cells.group[rows] == key[0]) & (cells.members[rows] == key[1])
            message = f"{' and '.join(names[key[1]])} overlap on {area[on].sum():.2f} m2: {what}"
            self.findings.append(Finding("warning", layer, str(self.sites[key[0]]), message))


def _infested(survey: Survey, n_products: int, log: _Log) -> Parts:
    laid = survey.local.infested
    weed = survey.infestations["weed"].iloc[laid.row].to_numpy(dtype=object).astype(str)
    cover = survey.infestations["cover"].iloc[laid.row].to_numpy(dtype=float)
    weeds, weed_code = np.unique(weed, return_inverse=True)
    covers, cover_code = np.unique(cover, return_inverse=True)
    cells = arrange(laid.geoms, laid.site, weed_code * len(covers) + cover_code)
    log.failed(cells.failed, "infestations")
    names = [tuple(dict.fromkeys(str(weeds[code // len(covers)]) for code in codes)) for codes in cells.sets]
    most = np.array([max(covers[code % len(covers)] for code in codes) for codes in cells.sets])
    sets = list(dict.fromkeys(names))
    number = np.array([sets.index(one) for one in names], dtype=np.intp)
    n = len(cells.geoms)
    no = np.zeros(n, dtype=bool)
    return Parts(
        geoms=cells.geoms,
        site=cells.group,
        weeds=number[cells.members],
        cover=most[cells.members],
        turf=np.full(n, -1),
        outside=no,
        taken=np.full(n, -1),
        kept_out=no,
        buffered=np.zeros((n, n_products), dtype=bool),
        past=np.zeros(n, dtype=np.intp),
        fresh=cells.fresh,
        weed_sets=sets,
        turf_sets=[],
        past_sets=[()],
    )


def _bounded(parts: Parts, survey: Survey, log: _Log) -> Parts:
    laid = survey.local.boundary
    if laid is None:
        return parts
    cells, row = union_overlapping(laid.geoms, laid.site)
    made = log.cut(cut(parts.geoms, parts.site, cells, laid.site[row]), parts.site, "boundary")
    limited = np.zeros(len(survey.local.sites), dtype=bool)
    limited[laid.site] = True
    parts = parts.split(made)
    return replace(parts, outside=(made.cell < 0) & limited[parts.site])


def _taken(parts: Parts, survey: Survey, log: _Log) -> Parts:
    """Leave to another site what is drawn under it too."""
    laid = survey.local.taken
    if not len(laid.geoms):
        return parts
    made = cut(parts.geoms, parts.site, laid.geoms, laid.site, unsure_inside=True)
    parts = parts.split(log.cut(made, parts.site, "infestations"))
    taken = np.append(laid.row, -1)[made.cell]
    return replace(parts, outside=parts.outside | (taken >= 0), taken=taken)


def _on_turf(parts: Parts, survey: Survey, log: _Log) -> Parts:
    laid = survey.local.turf
    names, code = np.unique(
        survey.turf["turf"].iloc[laid.row].to_numpy(dtype=object).astype(str), return_inverse=True
    )
    cells = arrange(laid.geoms, laid.site, code)
    sets = [tuple(str(names[one]) for one in codes) for codes in cells.sets]
    log.failed(cells.failed, "turf")
    log.shared(cells, sets, "turf", "only products that every one of them tolerates are used there")
    made = log.cut(cut(parts.geoms, parts.site, cells.geoms, cells.group), parts.site, "turf")
    parts = parts.split(made)
    return replace(parts, turf=np.append(cells.members, -1)[made.cell], turf_sets=sets)


def _buffers(parts: Parts, named: Bools, plans: Mapping[str, Plan], reach: Reach, log: _Log) -> Parts:
    """Split by the buffers of each product, the widest first.

    Ground outside a buffer is outside every narrower one, so only ground that is near a feature is cut again.
    The labels alone set the order, so that how a site is split does not hang on the sites beside it.
    """
    widest_first = np.argsort([-sum(plan.label.buffers_m.values()) for plan in plans.values()], kind="stable")
    n_sites = len(log.sites)
    canon, wider = reach.canonical(n_sites)
    clear = np.zeros_like(named)
    for p in widest_first:
        own = canon[parts.site] == p
        rows = np.flatnonzero(
            (named & own).any(axis=1) & ~parts.outside & ~(clear & wider[parts.site, :, p]).any(axis=1)
        )
        if not len(rows):
            continue
        outline = reach.features.outline
        assert outline is not None
        _, feature = near_pairs(
            parts.geoms[rows], parts.site[rows], outline, reach.features.site, reach.widest_m[:, p]
        )
        cells, site = reach.excluded(int(p), np.unique(feature), 1.0 + LENGTH_ERROR)
        parts, source, asked, cell = _cut_rows(parts, rows, cells, site, log, "keep_out", alike=True)
        named, clear = named[source], clear[source]
        clear[asked, p] = cell[asked] < 0
        parts.buffered[asked, p] = cell[asked] >= 0
    # A product whose distances equal another's takes over what was found for that one.
    same = np.take_along_axis(parts.buffered, canon[parts.site], axis=1)
    return replace(parts, buffered=same)


def _keep_outs(parts: Parts, named: Bools, reach: Reach, log: _Log) -> Parts:
    """Split by the features themselves what no product is known to be clear of: each buffer holds its feature."""
    solid = np.flatnonzero(~shapely.is_empty(reach.features.geoms))
    geoms, site = reach.features.geoms[solid], reach.features.site[solid]
    clear = (named & ~parts.buffered).any(axis=1)
    rows = np.flatnonzero((parts.turf >= 0) & ~parts.outside & ~clear)
    _, near = near_pairs(parts.geoms[rows], parts.site[rows], geoms, site, np.zeros(len(geoms)))
    used = np.unique(near)
    parts, _, _, cell = _cut_rows(parts, rows, geoms[used], site[used], log, "keep_out", alike=True)
    return replace(parts, kept_out=cell >= 0)


def _cut_rows(
    parts: Parts, rows: Ints, cells: Array, cell_site: Ints, log: _Log, layer: str, *, alike: bool = False
) -> tuple[Parts, Ints, Bools, Ints]:
    """Cut some of the parts by cells that take ground away.

    Returns
    -------
    parts : Parts
        Those left alone first, then the pieces of the others.
    source : ndarray of int
        Part that each came from.
    asked : ndarray of bool
        The pieces of `rows`.
    cell : ndarray of int
        The cell that holds each; -1 for none.
    """
    made = cut(parts.geoms[rows], parts.site[rows], cells, cell_site, unsure_inside=True, alike=alike)
    log.cut(made, parts.site[rows], layer)
    rest = np.setdiff1d(np.arange(len(parts.geoms)), rows)
    source = np.concatenate([rest, rows[made.source]])
    cell = np.concatenate([np.full(len(rest), -1), made.cell])
    fresh = np.concatenate([np.zeros(len(rest), dtype=bool), made.fresh])
    whole = Cut(
        np.concatenate([parts.geoms[rest], made.geoms]), source, cell, made.redone, made.failed, fresh
    )
    return parts.split(whole), source, np.arange(len(source)) >= len(rest), cell


def _past(parts: Parts, useful: Bools, survey: Survey, labels: Mapping[str, Label], log: _Log) -> Parts:
    """Split by past applications the ground that could be treated at all."""
    laid = survey.local.history
    if laid is None or survey.history is None:
        return parts
    common = survey.local.near(survey.local.shared_history, "history", 0.0)
    geoms, site = np.concatenate([laid.geoms, common.geoms]), np.concatenate([laid.site, common.site])
    row = np.concatenate([laid.row, common.row])
    # The amount is the total on the polygon as it was recorded, also where only a part of it comes near a site.
    area = np.concatenate([shapely.area(laid.geoms), survey.local.shared_area_m2(common.row)])
    if not len(geoms):
        return parts
    applications = _applications(survey, row, area, labels)
    cells = arrange(geoms, site, np.arange(len(geoms)))
    log.failed(cells.failed, "history")
    rows = np.flatnonzero(useful & ~parts.outside)
    parts, _, _, cell = _cut_rows(parts, rows, cells.geoms, cells.group, log, "history")
    sets: dict[tuple[Application, ...], int] = {(): 0}
    numbers = [
        sets.setdefault(tuple(sorted(applications[one] for one in rows_of)), len(sets))
        for rows_of in cells.sets
    ]
    found = np.array([*[numbers[member] for member in cells.members], 0], dtype=np.intp)
    return replace(parts, past=found[cell], past_sets=list(sets))


def _applications(
    survey: Survey, row: Ints, area_m2: Floats, labels: Mapping[str, Label]
) -> list[Application]:
    """Past application of each shape; each counts by itself, so that what overlaps adds up."""
    assert survey.history is not None
    # A product is known under its name in any spelling of case and spaces.
    known = {plain(name): name for name in labels}
    columns = [
        survey.history[name].iloc[row].to_numpy(dtype=object)
        for name in ("product", "date", "dose", "amount", "feature")
    ]
    found = []
    for area, product, date, dose, amount, feature in zip(area_m2, *columns, strict=True):
        name = known.get(plain(product), product)
        found.append(Application(name, date, history_dose(name, dose, amount, float(area), labels, feature)))
    return found
