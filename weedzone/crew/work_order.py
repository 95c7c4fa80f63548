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
from weedzone.base.words import area_ft2
from weedzone.ground.frame import to_degrees
from weedzone.ground.overlay import cut
from weedzone.ground.shapes import Array, Ints, areal
from weedzone.kit import SLACK
from weedzone.sizing import Pour, Sized, check_job, frame_of, solution_text, whole_ground

_NO_REST_L = 1e-6


def poured(job: Sized) -> pd.DataFrame:
    """The loads as they are mixed, in the order of work of `weedzone.load_plan`.

    Returns
    -------
    DataFrame
        Its columns, and ``pour`` (`weedzone.sizing.Pour`: the product to measure), ``made_up_L``, ``start_L`` (of it,
        what fills sump and lines) and ``water_L`` of what is made up [L], ``wet_ft2`` (ground that is wetted: of spot
        work less than the area), ``rest`` (where what brings the product to the least that the rig mixes may go).
    """
    out = load_plan(job)
    solution, made_up, start = (
        out[name].to_numpy(dtype=float) / GAL_PER_L for name in ("solution_gal", "made_up_gal", "start_gal")
    )
    volume = np.array([job.plans[name].volume for name in out["product"]], dtype=float)
    rest = pd.Series(made_up - solution - start).groupby(out["product"]).sum()
    said = _places_of(job, rest[rest > _NO_REST_L])
    return out.assign(
        pour=pd.Series([job.pours[at] for at in out["row"]], index=out.index, dtype=object),
        made_up_L=made_up,
        start_L=start,
        water_L=out["water_L"] * np.divide(made_up, solution, out=np.ones(len(out)), where=solution > 0.0),
        wet_ft2=solution / np.where(volume > 0, volume, np.inf) * FT2_PER_M2,
        rest=[said.get(str(name), "") for name in out["product"]],
    )


def _places_of(job: Sized, rests: pd.Series[Any]) -> dict[str, str]:
    """Where the rest of each product may go [L], in words; no two of them go on the same ground."""
    if rests.empty:
        return {}
    spare = spare_ground(job).groupby("product")[["area_ft2", "room_gal"]].sum()
    said, taken_ft2 = {}, 0.0
    for name, litres in rests.items():
        ground_ft2, room_gal = spare.loc[name] if name in spare.index else (0.0, 0.0)
        wanted_ft2 = ground_ft2 * litres * GAL_PER_L / room_gal if room_gal > 0.0 else np.inf
        text = f"{solution_text(litres)} is more than the weeds take: "
        if taken_ft2 + wanted_ft2 <= ground_ft2:
            taken_ft2 += wanted_ft2
            ground = area_ft2(wanted_ft2)
            text += f"it may go on {ground} of the site's other turf that the label allows, if the customer agrees"
        else:
            text += "the site has no other ground for all of it: use it on a site that the label allows"
        said[str(name)] = text
    return said


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
        The rows of the job's ``loads`` with ``order`` (1, 2, ... over the day), ``row`` (in ``loads``) and ``before``
        (what to do before filling; empty if nothing).

    Notes
    -----
    The order is found by dynamic programming over the sites, which is exact: within a site every order of its
    products takes the same number of changes, so that only its first and its last product count.
    """
    check_job(sized)
    free = _pairs(may_follow)
    loads = sized.loads.reset_index(drop=True)
    rows = loads.groupby(["site", "pass", "product"], sort=False).indices
    order = [int(row) for key in _sequence(loads) for row in rows[key]]
    out = loads.loc[order].reset_index(drop=True)
    product = out["product"].to_numpy(dtype=object)
    before, last = [], ""
    mixes = _strengths(out)
    for at, name in enumerate(product):
        said = ""
        if last and name != last and (last, name) not in free:
            said = RINSE.format(last)
        elif name == last and not np.isclose(mixes[at], mixes[at - 1], rtol=1e-9):
            said = "another strength of the same product: empty the tank first"
        before.append(said)
        last = str(name)
    out.insert(0, "order", np.arange(1, len(out) + 1))
    return out.assign(row=order, before=before)


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
