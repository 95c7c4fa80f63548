"""The tables of a sized job: zones, totals, loads and ledger, with the unit in each column's name."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from weedzone.amounts import PRODUCT_UNIT, Amounts, amounts
from weedzone.dosing import Plan, Rig
from weedzone.label import RATINGS
from weedzone.loads import carried
from weedzone.parts import Parts
from weedzone.shapes import Array, Ints
from weedzone.survey import Survey
from weedzone.units import FLOZ_PER_L, FT2_PER_M2, GAL_PER_L, show
from weedzone.zones import OUTCOMES, Treatments, Zoned


def zone_order(zoned: Zoned) -> Ints:
    """Zones by site, those of the first pass first, then the largest first."""
    every, n_zones = zoned.treatments, len(zoned.zone_geoms)
    area = np.bincount(every.zone, zoned.parts.area_m2[every.part], n_zones)
    turn = np.ones(n_zones, dtype=np.intp)
    turn[every.zone] = every.turn
    return np.lexsort((np.round(-area, 6), turn, zoned.zone_site))


def zones_table(
    survey: Survey, zoned: Zoned, planned: Mapping[str, Plan], use: str, rig: Rig
) -> gpd.GeoDataFrame:
    """Zones by site, the largest first; see `weedzone.sizing.Sized` for the columns."""
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
    units = [PRODUCT_UNIT[plan.label.form] for plan in plan_list]
    factor = np.array([one[1] for one in units], dtype=float)[product]
    out = {"solution_gal": needs.solution_L * GAL_PER_L, "solution_L": needs.solution_L}
    if water:
        out |= {"water_gal": needs.water_L * GAL_PER_L, "water_L": needs.water_L}
    return out | {
        "product_amount": needs.product * factor,
        "product_unit": np.array([one[0] for one in units], dtype=object)[product],
        "adjuvant_floz": needs.adjuvant_L * FLOZ_PER_L,
    }


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
