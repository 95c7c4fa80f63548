"""The tables of a sized job: zones, totals, loads and ledger, with the unit in each column's name.

Totals for each site and product, and the loads that they make, as tables.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from weedzone.base.errors import Finding
from weedzone.base.units import FLOZ_PER_L, FT2_PER_M2, GAL_PER_L, PRODUCT_UNIT, show
from weedzone.base.words import fine_steps, pour, weigh
from weedzone.ground.shapes import Array, Bools, Floats, Ints, parts_of
from weedzone.kit import RATINGS, Sprayer
from weedzone.sizing.loads import Amounts, amounts, at_start, carried, made_up, served, split_loads
from weedzone.sizing.pours import Pour, pour_of
from weedzone.survey import Survey
from weedzone.zones import OUTCOMES, Parts, Plan, Rig, Treatments, Zoned


def zone_order(zoned: Zoned) -> Ints:
    """Zones by site in the order of work: by pass, product and strength, then as one would walk them.

    A walk begins with the westernmost and goes on to whichever is nearest.
    """
    every, n_zones = zoned.treatments, len(zoned.zone_geoms)
    mix = np.zeros((4, n_zones))
    mix[:, every.zone] = zoned.parts.site[every.part], every.turn, every.product, -np.round(every.dose, 12)
    centre = _centres(zoned.zone_geoms)
    order = np.lexsort((*centre.T[::-1], *mix[::-1]))
    begins = np.append(True, np.any(np.diff(mix[:, order], axis=1) != 0.0, axis=0))
    groups = np.split(order, np.flatnonzero(begins)[1:]) if n_zones else []
    walked = [zones if len(zones) < 3 else zones[_walk(centre[zones])] for zones in groups]
    return np.array([zone for zones in walked for zone in zones], dtype=np.intp)


def _centres(shapes: Array) -> Floats:
    """Centres to the millimetre, so that every machine orders them alike. Shape (shapes, 2) [m]."""
    centre: Floats = shapely.get_coordinates(shapely.centroid(shapes)).round(3)
    return centre


def _walk(centre: Floats) -> Ints:
    """Order of places: the westernmost first, then whichever is nearest."""
    left = np.lexsort(centre.T[::-1])
    order = [left[0]]
    while len(left) > 1:
        left = left[left != order[-1]]
        order.append(left[np.hypot(*(centre[left] - centre[order[-1]]).T).argmin()])
    return np.array(order, dtype=np.intp)


def zones_table(
    survey: Survey, zoned: Zoned, planned: Mapping[str, Plan], use: str, rig: Rig
) -> gpd.GeoDataFrame:
    """Zones in the order of `zone_order`; see `weedzone.sizing.Sized` for the columns."""
    parts, order, every = zoned.parts, zone_order(zoned), zoned.treatments
    rank = np.empty(len(order), dtype=np.intp)
    rank[order] = np.arange(len(order))
    rows, of = every.part, rank[every.zone]
    one_of = np.zeros(len(order), dtype=np.intp)
    one_of[of[::-1]] = np.arange(len(of))[::-1]
    first, product, dose = rows[one_of], every.product[one_of], every.dose[one_of]
    site = parts.site[first]
    area = parts.area_m2[rows]
    wetted = area * (parts.cover[rows] if use == "spot" else 1.0)
    area_m2, treated = (np.bincount(of, values, len(order)) for values in (area, wetted))
    plan_list = list(planned.values())
    needs = amounts(treated, dose, product, plan_list)
    fill, capacity = carried(needs.solution_L, needs.product, rig)
    names, turfs = np.array(list(planned), dtype=object), joined(parts.turf_sets, None)
    weeds = _weeds_of(parts, every, of, plan_list, len(order))
    data = {
        "site": survey.local.sites[site],
        "zone": _numbered(site),
        "product": names[product],
        "turf": turfs[parts.turf[first]],
        "use": np.full(len(order), use, dtype=object),
        "pass": every.turn[one_of],
        "weeds": np.array(["; ".join(one) for one in weeds], dtype=object),
        "rating": _ratings(weeds, product, plan_list),
        "dose": np.array(
            [show(d, "dose", form=plan_list[p].label.form) for d, p in zip(dose, product, strict=True)],
            dtype=object,
        ),
        "by_wand": every.by_wand[one_of],
        "caution": _caution(parts.turf_sets, parts.turf[first], product, plan_list),
        "area_ft2": area_m2 * FT2_PER_M2,
        "area_m2": area_m2,
        **columns(needs, product, plan_list, water=False),
        "tanks": fill / capacity,
    }
    return frame_of(survey, data, zoned.zone_geoms[order], site)


def _weeds_of(
    parts: Parts, every: Treatments, of: Ints, plan_list: list[Plan], n_zones: int
) -> list[list[str]]:
    """Weeds of each zone; in a second pass those that the first one leaves."""
    found: list[dict[str, None]] = [{} for _ in range(n_zones)]
    keys = np.unique(np.column_stack([of, parts.weeds[every.part], every.before]), axis=0)
    for zone, weeds, before in keys:
        done = plan_list[before].label.weeds if before >= 0 else {}
        found[zone].update({name: None for name in parts.weed_sets[weeds] if name not in done})
    return [sorted(one) for one in found]


def _ratings(weeds: list[list[str]], product: Ints, plan_list: list[Plan]) -> Array:
    """Worst rating of each zone's product for its weeds, as the label puts it."""
    out = []
    for names, p in zip(weeds, product, strict=True):
        known = [plan_list[p].label.weeds[name] for name in names if name in plan_list[p].label.weeds]
        out.append(min(known, key=lambda word: RATINGS[word]))
    return np.array(out, dtype=object)


def _caution(turf_sets: list[tuple[str, ...]], turf: Ints, product: Ints, plan_list: list[Plan]) -> Array:
    out = []
    for t, p in zip(turf, product, strict=True):
        said = plan_list[p].label.caution
        out.append("; ".join(f"{name}: {said[name]}" for name in turf_sets[t] if name in said))
    return np.array(out, dtype=object)


def columns(needs: Amounts, product: Ints, plan_list: list[Plan], *, water: bool = True) -> dict[str, Any]:
    """Amounts as columns with their units."""
    out = {"solution_gal": needs.solution_L * GAL_PER_L, "solution_L": needs.solution_L}
    if water:
        out |= {"water_gal": needs.water_L * GAL_PER_L, "water_L": needs.water_L}
    return out | {
        "product_amount": needs.product * _factors(plan_list)[product],
        "product_unit": _units(plan_list)[product],
        "adjuvant_floz": needs.adjuvant_L * FLOZ_PER_L,
    }


def _units(plan_list: list[Plan]) -> Array:
    return np.array([PRODUCT_UNIT[plan.label.form][0] for plan in plan_list], dtype=object)


def _factors(plan_list: list[Plan]) -> Floats:
    """Units of each product in one litre or kilogram."""
    return np.array([PRODUCT_UNIT[plan.label.form][1] for plan in plan_list], dtype=float)


def ledger_table(survey: Survey, zoned: Zoned, planned: Mapping[str, Plan]) -> pd.DataFrame:
    """Ground by site, outcome, product and reason; sums to the infested ground."""
    parts = zoned.parts
    reason_code, reasons = pd.factorize(zoned.reason, sort=True)
    keys = np.column_stack([parts.site, zoned.outcome, zoned.product, reason_code])
    distinct, of = np.unique(keys, axis=0, return_inverse=True)
    area = np.bincount(of.ravel(), parts.area_m2, len(distinct))
    names = np.array([*planned, None], dtype=object)
    return pd.DataFrame(
        {
            "site": survey.local.sites[distinct[:, 0]],
            "outcome": np.array(OUTCOMES, dtype=object)[distinct[:, 1]],
            "product": names[distinct[:, 2]],
            "reason": np.asarray(reasons, dtype=object)[distinct[:, 3]],
            "area_ft2": area * FT2_PER_M2,
            "area_m2": area,
        }
    )


def _numbered(site: Ints) -> Array:
    """Z1, Z2, ... within each site; sites come in order."""
    first = np.searchsorted(site, site)
    return np.array([f"Z{number}" for number in np.arange(len(site)) - first + 1], dtype=object)


def lettered(shapes: Array, zones: Array) -> tuple[Array, Ints, Array]:
    """Patches of zones, with codes such as Z1a, Z1b: lettered from the westernmost on to whichever is nearest.

    Parameters
    ----------
    shapes : ndarray of geometry, shape (zones,)
        In metres.
    zones : ndarray of str, shape (zones,)

    Returns
    -------
    patches : ndarray of geometry
        Connected pieces, by zone and in the order of their letters.
    zone : ndarray of int
        Row of the zone of each.
    codes : ndarray of str
        That of a zone of one patch is the zone's own.
    """
    pieces, of = parts_of(shapes)
    order, codes = np.arange(len(pieces)), zones[of].astype(object)
    centre = _centres(pieces)
    for zone in np.flatnonzero(np.bincount(of, minlength=len(shapes)) > 1):
        mine = np.flatnonzero(of == zone)
        order[mine] = mine[_walk(centre[mine])]
        codes[mine] = [f"{zones[zone]}{_letters(number)}" for number in range(len(mine))]
    return pieces[order], of, codes


def _letters(number: int) -> str:
    """A to z, then aa, ab, ..."""
    rest, last = divmod(number, 26)
    return (_letters(rest - 1) if rest else "") + chr(ord("a") + last)


def joined(sets: list[tuple[str, ...]], nothing: str | None) -> Array:
    """Names of each set in one text, and `nothing` at the end for row -1."""
    return np.array([*["; ".join(one) for one in sets], nothing], dtype=object)


def frame_of(survey: Survey, data: dict[str, Any], local: Array, site: Ints) -> gpd.GeoDataFrame:
    """Columns with local shapes brought back to the CRS of the survey."""
    shapes = survey.local.ground.to_survey(local, site)
    bad = ~shapely.is_valid(shapes)
    if bad.any():
        shapes[bad] = shapely.make_valid(shapes[bad], method="structure", keep_collapsed=False)
    return gpd.GeoDataFrame(data, geometry=shapes, crs=survey.crs)


@dataclass(frozen=True)
class LoadTables:
    """Totals and loads, which zone each load serves, what to pour; see `weedzone.sizing.Sized`."""

    totals: pd.DataFrame
    loads: pd.DataFrame
    served: pd.DataFrame
    pours: tuple[Pour, ...]
    findings: list[Finding]


@dataclass(frozen=True)
class _Zones:
    """What each zone takes: by site and product, then the pass and strength of the mix, then the zone's number."""

    site: Ints
    product: Ints
    turn: Ints
    mix: Ints
    number: Ints
    area_m2: Floats
    needs: Amounts


def load_tables(
    survey: Survey, zoned: Zoned, planned: Mapping[str, Plan], rig: Rig, *, even: bool = False
) -> LoadTables:
    """Totals for each site and product, and the loads they make.

    Ground that takes a lower dose, as a yearly limit may ask, gets loads of its own: one tank holds one mix. So
    does ground that a product is sprayed on in the second pass.
    The loads of a product are numbered through its zones, so that one product's loads are finished before the
    next product is filled.
    """
    zones = _zones(zoned, planned, rig)
    names, sites = np.array(list(planned), dtype=object), survey.local.sites
    pair = np.unique(np.column_stack([zones.site, zones.product]), axis=0, return_inverse=True)[1].ravel()
    n_pairs = int(pair.max()) + 1 if len(pair) else 0
    n_mixes = int(zones.mix.max()) + 1 if len(pair) else 0
    pair_of_mix, turn_of_mix = np.zeros(n_mixes, dtype=np.intp), np.zeros(n_mixes, dtype=np.intp)
    pair_of_mix[zones.mix], turn_of_mix[zones.mix] = pair, zones.turn
    capacity = carried(np.ones(1), np.ones(1), rig)[1]
    priming = rig.priming_L if isinstance(rig, Sprayer) else 0.0

    zone_fill = carried(zones.needs.solution_L, zones.needs.product, rig)[0]
    mix_needs = zones.needs.sums(zones.mix, n_mixes)
    fill = np.bincount(zones.mix, zone_fill, n_mixes)
    row, of_mix, share = split_loads(fill, capacity, even=even, priming=priming)
    load, zone, part = served(zones.mix, zone_fill, row, share)
    load_area = np.bincount(load, zones.area_m2[zone] * part, len(row))

    first = np.zeros(n_pairs, dtype=np.intp)
    first[pair[::-1]] = np.arange(len(pair))[::-1]
    site, product = zones.site[first], zones.product[first]
    at = pair_of_mix[row]
    count = np.bincount(at, minlength=n_pairs)
    number = np.arange(len(row)) - (np.cumsum(count) - count)[at] + 1

    def table(rows: Ints, needs: Amounts, area_m2: Floats, filled: Floats, **more: Any) -> dict[str, Any]:
        return {
            "site": sites[site[rows]],
            "product": names[product[rows]],
            **more,
            "area_ft2": area_m2 * FT2_PER_M2,
            "area_m2": area_m2,
            **columns(needs, product[rows], list(planned.values())),
            "tanks": filled / capacity,
        }

    every = np.arange(n_pairs)
    total_area, total_fill = (np.bincount(pair, values, n_pairs) for values in (zones.area_m2, zone_fill))
    pair_needs = zones.needs.sums(pair, n_pairs)
    totals = table(every, pair_needs, total_area, total_fill)
    totals |= {"loads": count, "extras_floz": pair_needs.extras_L * FLOZ_PER_L}
    load_needs = mix_needs.rows(row).times(share)
    on_ground = fill[row] * share
    loads = table(at, load_needs, load_area, on_ground, load=number, of=count[at])
    alone = len(sites) == 1
    filled = made_up(on_ground, of_mix == 1, rig, alone=alone)
    start = np.where(of_mix == 1, at_start(rig), 0.0)
    loads |= {
        "extras_floz": load_needs.extras_L * FLOZ_PER_L,
        "pass": turn_of_mix[row],
        "zones": _zones_of(zones, load, zone, len(row)),
    }
    columns_of, pours, findings = _poured(load_needs.times(filled / on_ground), product[at], planned, rig)
    more = load_needs.product * start / on_ground
    loads |= columns_of | {"start_amount": more * _factors(list(planned.values()))[product[at]]}
    loads |= {"start_gal": loads["made_up_gal"] * start / filled}
    made = pd.DataFrame(loads)
    by_pair = made.groupby(at)[["made_up_gal", "made_up_amount"]].sum()
    totals |= {name: by_pair[name].to_numpy() for name in ("made_up_gal", "made_up_amount")}
    findings += _small(on_ground + start, product[at], names, rig, alone=alone)
    pieces = {
        "site": sites[zones.site[zone]],
        "product": names[zones.product[zone]],
        "load": number[load],
        "zone": np.array([f"Z{n}" for n in zones.number[zone]], dtype=object),
        "area_ft2": zones.area_m2[zone] * part * FT2_PER_M2,
        "area_m2": zones.area_m2[zone] * part,
        "solution_gal": zones.needs.solution_L[zone] * part * GAL_PER_L,
        "solution_L": zones.needs.solution_L[zone] * part,
    }
    return LoadTables(pd.DataFrame(totals), made, pd.DataFrame(pieces), pours, findings)


def _zones(zoned: Zoned, planned: Mapping[str, Plan], rig: Rig) -> _Zones:
    plan_list = list(planned.values())
    parts, order, every = zoned.parts, zone_order(zoned), zoned.treatments
    n = len(order)
    rows, of = every.part, every.zone
    one_of = np.zeros(n, dtype=np.intp)
    one_of[of[::-1]] = np.arange(len(of))[::-1]
    site, product, dose = parts.site[rows[one_of]], every.product[one_of], every.dose[one_of]
    turn = every.turn[one_of]
    number = np.empty(n, dtype=np.intp)
    number[order] = np.arange(n) - np.searchsorted(site[order], site[order]) + 1
    area = parts.area_m2[rows]
    spot = bool(plan_list) and plan_list[0].use == "spot"
    extras = sum(one.rate for one in rig.extras) if isinstance(rig, Sprayer) else 0.0
    wetted = np.bincount(of, area * (parts.cover[rows] if spot else 1.0), n)
    needs = amounts(wetted, dose, product, plan_list, extras)
    # A spreader's hopper holds the same granules at any dose; a tank holds one mix.
    strength = np.round(dose, 12) if isinstance(rig, Sprayer) else np.zeros(n)
    by = np.lexsort((number, -strength, turn, product, site))
    keys = np.column_stack([site, product, turn, -strength])[by]
    mix = np.unique(keys, axis=0, return_inverse=True)[1].ravel() if n else np.empty(0, dtype=np.intp)
    return _Zones(
        site[by], product[by], turn[by], mix, number[by], np.bincount(of, area, n)[by], needs.rows(by)
    )


def _zones_of(zones: _Zones, load: Ints, zone: Ints, n_loads: int) -> Array:
    """Zones of each load in words, "Z1; Z3"."""
    names = np.array([f"Z{number}" for number in zones.number], dtype=object)[zone]
    starts = np.searchsorted(load, np.arange(1, n_loads))
    found = np.empty(n_loads, dtype=object)
    found[:] = ["; ".join(one) for one in np.split(names, starts)][:n_loads]
    return found


def _poured(
    needs: Amounts, product: Ints, planned: Mapping[str, Plan], rig: Rig
) -> tuple[dict[str, Array], tuple[Pour, ...], list[Finding]]:
    """What is made up for each load: columns, the product to measure, and where the measure is too coarse for it."""
    plan_list = list(planned.values())
    unit = _units(plan_list)[product]
    pours = tuple(pour_of(float(si), str(one), rig) for si, one in zip(needs.product, unit, strict=True))
    measured = np.array([one.si for one in pours])
    out = {
        "made_up_gal": needs.solution_L * GAL_PER_L,
        "made_up_amount": measured * _factors(plan_list)[product],
        "dose_effect_pct": 100.0 * (measured / needs.product - 1.0),
    }
    own = np.array([rig.step(plan.label.form) is not None for plan in plan_list], dtype=bool)[product]
    coarse = own & np.array([one.fine for one in pours], dtype=bool)
    findings = [
        Finding(
            "warning", "rig", list(planned)[p], _too_coarse(rig, plan_list[p], coarse & (product == p), pours)
        )
        for p in np.unique(product[coarse])
    ]
    return out, pours, findings


def _too_coarse(rig: Rig, plan: Plan, coarse: Bools, pours: Sequence[Pour]) -> str:
    """Say for how many loads of a product the measure is too coarse, and what to measure with instead."""
    liquid = plan.label.form == "liquid"
    step = rig.step(plan.label.form) or 0.0
    tool, fine = ("measure", "mL") if liquid else ("scale", "g")
    finer = "with a syringe or cylinder marked every" if liquid else "on a scale that shows"
    asked = [one.asked for one, is_coarse in zip(pours, coarse, strict=True) if is_coarse]
    least = 1000.0 * float(fine_steps(np.array(asked)).min())
    steps = pour(step, "us", step) if liquid else weigh(step, "us", step).removesuffix(" by weight")
    count = int(coarse.sum())
    which, them = ("1 load", "it") if count == 1 else (f"{count} loads", "them")
    return f"the {steps} {tool} is too coarse for {which}: measure {them} in {fine}, {finer} {least:g} {fine}"


def _small(needed: Floats, product: Ints, names: Array, rig: Rig, *, alone: bool) -> list[Finding]:
    """Loads under the least that the rig mixes: made up to it on a single site, a day's work together on several."""
    small = needed < (rig.least_mix_L if isinstance(rig, Sprayer) else 0.0) * (1.0 - 1e-9)
    if not small.any() or not isinstance(rig, Sprayer):
        return []
    least = show(rig.least_mix_L, "volume")
    if alone:
        message = f"made up to {least}, the least that the rig mixes: a rest stays in the tank"
        return [Finding("note", "rig", names[p], message) for p in np.unique(product[small])]
    message = (
        f"{int(small.sum())} of {len(needed)} loads are under {least}, the least that it mixes: mix for several sites "
        "that take the same product, one after another"
    )
    return [Finding("note", "rig", rig.name, message)]
