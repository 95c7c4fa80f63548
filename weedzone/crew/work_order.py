"""What a crew pours into each load, and how much of it goes on the ground: one figure for sheet, summary and record.

The work of a day: in which order the loads are filled and sprayed, where to rinse, where a rest may go.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from weedzone.base.errors import InputError
from weedzone.base.units import FT2_PER_M2, GAL_PER_L, PRODUCT_UNIT
from weedzone.ground.frame import to_degrees
from weedzone.ground.overlay import cut
from weedzone.ground.shapes import Array, Ints, areal
from weedzone.kit import SLACK, Spreader
from weedzone.sizing import (
    Pour,
    Sized,
    at_start,
    check_job,
    frame_of,
    on_the_measure,
    pour_of,
    whole_ground,
)

_KEY = ["site", "product", "load"]


def poured(job: Sized) -> pd.DataFrame:
    """The loads as they are mixed, in the order of work of `weedzone.load_plan`.

    Returns
    -------
    DataFrame
        Its columns, and ``tanks``; ``start_L``, ``made_up_L`` and ``water_L`` [L] of what is made up; ``pour``
        (`weedzone.sizing.Pour`: the product to measure), ``ground_si`` (the part of it that goes on the
        ground, in litres or kilograms; the rest stays in pump and lines), ``wet_ft2`` (ground that is wetted:
        of spot work less than the area).
    """
    plan = load_plan(job)
    out = plan.merge(job.loads[[*_KEY, "tanks", "water_L"]], on=_KEY, how="left", validate="one_to_one")
    factor = np.array([PRODUCT_UNIT[job.labels[name].form][1] for name in out["product"]], dtype=float)
    wanted = (out["product_amount"] + out["start_amount"]).to_numpy(dtype=float) / factor
    pours = [pour_of(one, unit, job.rig) for one, unit in zip(wanted, out["product_unit"], strict=True)]
    share = out["product_amount"].to_numpy(dtype=float) / factor / wanted
    solution = out["solution_L"].to_numpy(dtype=float)
    start = out["start_gal"].to_numpy(dtype=float) / GAL_PER_L
    volume = np.array([job.plans[name].volume for name in out["product"]], dtype=float)
    more = np.zeros(len(out)) if isinstance(job.rig, Spreader) else start / np.maximum(solution, 1e-300)
    return out.assign(
        start_L=start,
        made_up_L=solution + start,
        water_L=out["water_L"] * (1.0 + more),
        pour=pd.Series(pours, index=out.index, dtype=object),
        ground_si=np.array([one.si for one in pours], dtype=float) * share,
        wet_ft2=solution / np.where(volume > 0, volume, np.inf) * FT2_PER_M2,
    )


def by_zone(job: Sized, loads: pd.DataFrame) -> dict[tuple[str, str, str], float]:
    """Product on the ground of each zone [L or kg], by site, zone and product, from the loads that serve it.

    Parameters
    ----------
    job : Sized
    loads : DataFrame
        Of `poured`.
    """
    zones = job.zones[["site", "zone", "product", "product_amount", "area_m2"]]
    zones = pd.DataFrame(zones).rename(columns={"area_m2": "whole_m2"})
    pieces = job.served.merge(zones, on=["site", "zone", "product"], how="left", validate="many_to_one")
    weight = pieces["product_amount"] * pieces["area_m2"] / pieces["whole_m2"]
    whole = weight.groupby([pieces[name] for name in _KEY]).transform("sum")
    on_ground = loads.set_index(_KEY)["ground_si"]
    mine = on_ground.reindex(pd.MultiIndex.from_frame(pieces[_KEY])).to_numpy() * weight / whole
    found = mine.groupby([pieces["site"], pieces["zone"], pieces["product"]]).sum()
    return {(str(site), str(zone), str(product)): float(one) for (site, zone, product), one in found.items()}


def total(pours: list[Pour]) -> Pour:
    """All pours of one product together: in fine measure if any of them is."""
    fine = any(one.fine for one in pours)
    si, asked = (sum(getattr(one, name) for one in pours) for name in ("si", "asked"))
    return Pour(si, pours[0].unit, fine, pours[0].step, asked)


RINSE = (
    "rinse tank, lines and tips three times with clean water, and spray the rinse on ground that {} may treat"
)


def load_plan(sized: Sized, may_follow: Iterable[tuple[str, str]] = ()) -> pd.DataFrame:
    """Loads in the order of work, with what each serves.

    The sites keep their order, and on each the first pass comes before the second. Within a pass a product is
    finished before the next is filled, and the products are ordered so that the rig is changed over as seldom
    as can be.

    Parameters
    ----------
    sized : Sized
    may_follow : pairs of products
        ``(first, next)`` that the labels let follow one another without a rinse. Any other two are rinsed
        between.

    Returns
    -------
    DataFrame
        A row for each load: ``order`` (1, 2, ... over the day), ``site``, ``product``, ``load``, ``of``,
        ``pass``, ``zones``, ``area_ft2``, ``area_m2``, ``solution_gal``, ``solution_L``, ``product_amount``,
        ``product_unit``; ``start_gal`` and ``start_amount`` (solution and product that fill sump, lines or hopper
        after a change and are left there), ``made_up_gal`` (solution and start together), ``measured_amount``
        (product for that, rounded down to the measure at hand), ``dose_effect_pct``, and ``before`` (what to do
        before filling; empty if nothing).

    Notes
    -----
    The order is found by dynamic programming over the sites, which is exact: within a site every order of its
    products takes the same number of changes, so that only its first and its last product count.
    """
    check_job(sized)
    free = _pairs(may_follow)
    loads = sized.loads.reset_index(drop=True)
    rows = loads.groupby(["site", "pass", "product"], sort=False).indices
    order = [row for key in _sequence(loads) for row in rows[key]]
    out = loads.loc[order].reset_index(drop=True)
    product = out["product"].to_numpy(dtype=object)
    before, start = [], np.zeros(len(out))
    last = ""
    mixes = _strengths(out)
    for at, name in enumerate(product):
        changed = name != last or not np.isclose(mixes[at], mixes[at - 1], rtol=1e-9)
        said = ""
        if changed and last and name != last and (last, name) not in free:
            said = RINSE.format(last)
        elif changed and last and name == last:
            said = "another strength of the same product: empty the tank first"
        if changed:
            start[at] = at_start(sized.rig)
        before.append(said)
        last = str(name)
    out.insert(0, "order", np.arange(1, len(out) + 1))
    return _made_up(out, start, sized).assign(before=before)


def _pairs(may_follow: Iterable[tuple[str, str]]) -> set[tuple[str, str]]:
    found = set()
    for one in may_follow:
        if isinstance(one, str) or len(one) != 2:
            raise InputError(
                f"{one!r} is no pair of products", field="may_follow", mend='write ("Demo A", "Demo B")'
            )
        found.add((str(one[0]), str(one[1])))
    return found


def _strengths(out: pd.DataFrame) -> Array:
    """Product per solution of each load, or nothing to tell apart in a hopper."""
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = out["product_amount"].to_numpy() / out["solution_gal"].to_numpy()
    return np.where(np.isfinite(ratio), ratio, 0.0)


def _made_up(out: pd.DataFrame, start: Any, sized: Sized) -> pd.DataFrame:
    forms = [sized.plans[name].label.form for name in out["product"]]
    factor = np.array([PRODUCT_UNIT[form][1] for form in forms], dtype=float)
    steps = np.array(
        [np.nan if (one := sized.rig.step(form)) is None else one for form in forms], dtype=float
    )
    product, solution = out["product_amount"].to_numpy() / factor, out["solution_L"].to_numpy()
    spread = isinstance(sized.rig, Spreader)
    wanted = product + start if spread else product * (1.0 + start / solution)
    measured, _ = on_the_measure(wanted, steps)
    keep = ["order", "site", "product", "load", "of", "pass", "zones", "area_ft2", "area_m2", "solution_gal",
            "solution_L", "product_amount", "product_unit"]  # fmt: skip
    return out[keep].assign(
        start_gal=np.zeros(len(out)) if spread else start * GAL_PER_L,
        start_amount=(wanted - product) * factor,
        made_up_gal=solution * 0.0 if spread else (solution + start) * GAL_PER_L,
        measured_amount=measured * factor,
        dose_effect_pct=100.0 * (measured / wanted - 1.0),
    )


def _sequence(loads: pd.DataFrame) -> list[tuple[str, int, str]]:
    """(site, pass, product) in the order of work with the fewest changes of product."""
    found: dict[tuple[str, int], list[str]] = {}
    for site, turn, product in loads[["site", "pass", "product"]].drop_duplicates().itertuples(index=False):
        found.setdefault((str(site), int(turn)), []).append(str(product))
    place = {site: at for at, site in enumerate(loads["site"].unique())}
    stops = sorted(found.items(), key=lambda one: (place[one[0][0]], one[0][1]))
    # For each product that a stop may end with: changes so far, and how each stop was begun and ended.
    best: dict[str | None, tuple[int, list[tuple[str, str]]]] = {None: (0, [])}
    for _, products in stops:
        following: dict[str | None, tuple[int, list[tuple[str, str]]]] = {}
        for end in products:
            for begin in products if len(products) == 1 else [one for one in products if one != end]:
                for before, (count, path) in best.items():
                    total = count + (before is not None and before != begin)
                    if end not in following or total < following[end][0]:
                        following[end] = (total, [*path, (begin, end)])
        best = following
    ends = min(best.values(), key=lambda one: one[0])[1] if best else []
    out = []
    for ((site, turn), products), (begin, end) in zip(stops, ends, strict=True):
        between = [one for one in products if one not in (begin, end)]
        out += [(site, turn, one) for one in dict.fromkeys([begin, *between, end])]
    return out


def _laid(sized: Sized, whole: Sized, number: Mapping[str, int]) -> tuple[Array, Ints]:
    """The job's parts in the metres of the whole turf, and their sites there."""
    own, other = sized.survey.local.ground, whole.survey.local.ground
    parts = sized.zoned.parts
    to = np.array([number[name] for name in sized.survey.sites], dtype=np.intp)[parts.site]
    one, two = own.block[parts.site], other.block[to]
    same = (own.block_lon[one] == other.block_lon[two]) & (own.block_lat[one] == other.block_lat[two])
    if not same.all():  # far larger surroundings: by way of degrees, good to a millimetre
        shapes = to_degrees(areal(own.to_survey(parts.geoms, parts.site)), sized.survey.crs, other.base)
        return areal(other.to_local(shapes, to)), to
    shift = np.repeat(
        own.origin_m[parts.site] - other.origin_m[to], shapely.get_num_coordinates(parts.geoms), axis=0
    )
    return np.asarray(shapely.transform(parts.geoms, lambda xy: xy + shift)), to


def spare_ground(sized: Sized) -> gpd.GeoDataFrame:
    """Ground that may take what is left in the tank, beyond the job's own zones.

    All turf of the site that the product's label names, less what the job treats or may not treat: outside
    every keep-out feature and buffer, inside the boundary, where limits and cautions allow the dose in the tank.
    Infested ground that no product treats, such as slivers, comes first. Whether label and customer let turf
    without the weed be sprayed is for the applicator to say.

    Parameters
    ----------
    sized : Sized

    Returns
    -------
    GeoDataFrame
        For each site and product of the job: ``site``, ``product``, ``what`` ("infested, not treated" or
        "turf beside"), ``area_ft2``, ``area_m2``, ``room_gal`` (solution it takes at the planned volume),
        ``room_lb`` (granules at the dose in the hopper), ``geometry``.
    """
    free = replace(sized.asked, on=sized.on, products=None, exclude=(), prefer=(), prices=None)
    whole = whole_ground(sized.survey, sized.labels, sized.rig, free)
    parts, can = whole.zoned.parts, whole.zoned.can
    number = {name: at for at, name in enumerate(whole.survey.sites)}
    laid, site = _laid(sized, whole, number)
    made = cut(parts.geoms, parts.site, laid, site, unsure_inside=True)
    treated = np.append(sized.zoned.zone >= 0, False)[made.cell]
    names, every = list(whole.plans), sized.zoned.treatments
    mix = pd.MultiIndex.from_arrays(
        [
            np.array(sized.survey.sites)[sized.zoned.parts.site[every.part]],
            np.array([*sized.plans])[every.product],
        ]
    )
    strongest = pd.Series(every.dose, index=mix).groupby(level=[0, 1]).max()
    rows: list[dict[str, Any]] = []
    shapes, sites = [], []
    for place, product in sized.totals[["site", "product"]].itertuples(index=False):
        if product not in names:
            continue
        plan, at = whole.plans[product], (made.source, names.index(product))
        dose = float(strongest[place, product])
        takes = can[at] & (whole.zoned.most[at] >= dose / SLACK)
        mine = (parts.site[made.source] == number[place]) & takes & ~treated
        for what, rests in (("infested, not treated", made.cell >= 0), ("turf beside", made.cell < 0)):
            pieces = made.geoms[mine & rests]
            area = float(shapely.area(pieces).sum())
            if area <= 0:
                continue
            rows.append(
                {
                    "site": place,
                    "product": product,
                    "what": what,
                    "area_ft2": area * FT2_PER_M2,
                    "area_m2": area,
                    "room_gal": area * plan.volume * GAL_PER_L,
                    "room_lb": area * dose * PRODUCT_UNIT["granule"][1]
                    if plan.label.form == "granule"
                    else 0.0,
                }
            )
            shapes.append(shapely.multipolygons(shapely.get_parts(pieces)))
            sites.append(number[place])
    columns = ["site", "product", "what", "area_ft2", "area_m2", "room_gal", "room_lb"]
    data = {name: [row[name] for row in rows] for name in columns}
    return frame_of(whole.survey, data, np.array(shapes, dtype=object), np.array(sites, dtype=np.intp))
