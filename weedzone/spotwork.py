"""Spot work where only plants are wetted: what it comes to per acre, and by the plant for surveyed points."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import shapely

from weedzone.amounts import PRODUCT_UNIT
from weedzone.dosing import SLACK, Plan
from weedzone.errors import Finding, InputError
from weedzone.label import Label, Rate
from weedzone.rig import Sprayer
from weedzone.sizing import Sized
from weedzone.units import ACRE_PER_M2, FLOZ_PER_L, GAL_PER_L, LB_PER_KG

_LB_ACRE = LB_PER_KG / ACRE_PER_M2


def implied_doses(sized: Sized) -> pd.DataFrame:
    """Active ingredient that each zone gets, against the label's limit in one application.

    Of spot work a weed's cover is the share of the patch that is wetted: the patch as a whole gets that share
    of the dose, the wetted ground the whole dose. A label's limit holds for both.

    Returns
    -------
    DataFrame
        ``site``, ``zone``, ``product``, ``active``, ``patch_lb_acre``, ``wetted_lb_acre``, ``limit_lb_acre`` (NaN
        where the label sets none), ``patch_pct``, ``wetted_pct`` (of the limit), ``within`` (True where both are).
    """
    rows = []
    for zone in sized.zones.drop(columns="geometry").to_dict("records"):
        label = sized.plans[zone["product"]].label
        product = zone["product_amount"] / PRODUCT_UNIT[label.form][1]
        wetted = _wetted_m2(zone, sized.plans[zone["product"]])
        keys = {name: zone[name] for name in ("site", "zone", "product")}
        rows += _against_limits(keys, label, product / zone["area_m2"], product / wetted)
    return pd.DataFrame(rows, columns=[*_KEYS, *_DOSES])


_KEYS = ("site", "zone", "product")
_DOSES = ("active", "patch_lb_acre", "wetted_lb_acre", "limit_lb_acre", "patch_pct", "wetted_pct", "within")


def _wetted_m2(zone: dict[Any, Any], plan: Plan) -> float:
    """Wetted ground of a zone: what its solution covers at the planned volume."""
    return float(zone["solution_L"] / plan.volume if plan.volume else zone["area_m2"])


def _against_limits(keys: dict[str, Any], label: Label, patch: float, wetted: float) -> list[dict[str, Any]]:
    """Rows for each active ingredient; doses in product per area [L/m2 or kg/m2]."""
    rows = []
    for active in label.actives:
        limits = label.limits.get(active.name)
        limit = math.nan if limits is None or limits.per_application is None else limits.per_application
        on_patch, on_wetted = patch * active.concentration, wetted * active.concentration
        rows.append(
            {
                **keys,
                "active": active.name,
                "patch_lb_acre": on_patch * _LB_ACRE,
                "wetted_lb_acre": on_wetted * _LB_ACRE,
                "limit_lb_acre": limit * _LB_ACRE,
                "patch_pct": 100.0 * on_patch / limit,
                "wetted_pct": 100.0 * on_wetted / limit,
                "within": not max(on_patch, on_wetted) > limit * SLACK,
            }
        )
    return rows


def plant_work(sized: Sized) -> tuple[pd.DataFrame, list[Finding]]:
    """Spot work by the plant: every surveyed point in a zone is a plant that gets the label's volume.

    For labels whose spot rate has ``per_plant``. Points outside the zones, in a buffer say, are not counted.

    Parameters
    ----------
    sized : Sized
        Of use "spot", with infestations surveyed as points.

    Returns
    -------
    DataFrame
        ``site``, ``zone``, ``product``, ``plants``, ``solution_gal``, ``solution_L``, ``water_L``,
        ``product_amount``, ``product_unit``, ``adjuvant_floz``, ``tanks``, ``patch_pct`` and ``wetted_pct`` (the
        largest share of a limit, of any active ingredient, over the patches and over the ground that the weed
        covers; NaN where the label sets none) and ``within``.
    list of Finding
        An error for each zone whose limit the volume per plant would pass.

    Raises
    ------
    InputError
        The job is not of use "spot", or no label of it gives a volume per plant.
    """
    rates = {name: plan.label.rate("spot") for name, plan in sized.plans.items()}
    by_plant = {
        name: rate for name, rate in rates.items() if rate is not None and rate.per_plant_L is not None
    }
    if sized.use != "spot" or not isinstance(sized.rig, Sprayer) or not by_plant:
        raise InputError(
            "no label of this job gives a volume for one plant",
            field="per_plant",
            mend='size it for the use "spot", with per_plant = "0.5 fl oz" in the label\'s spot rate',
        )
    counts = _plants(sized)
    rows, findings = [], []
    for at, zone in enumerate(sized.zones.drop(columns="geometry").to_dict("records")):
        rate = by_plant.get(zone["product"])
        if rate is None or not counts[at]:
            continue
        row = _zone_row(zone, int(counts[at]), rate, sized)
        rows.append(row)
        if not row["within"]:
            share = max(row["patch_pct"], row["wetted_pct"])
            message = (
                f"{counts[at]} plants at the label's volume come to {share:.0f} % of a limit: treat by area"
            )
            findings.append(Finding("error", "zones", f"{zone['site']} {zone['zone']}", message))
    columns = ["site", "zone", "product", "plants", "solution_gal", "solution_L", "water_L", "product_amount",
               "product_unit", "adjuvant_floz", "tanks", "patch_pct", "wetted_pct", "within"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns), findings


def _zone_row(zone: dict[Any, Any], plants: int, rate: Rate, sized: Sized) -> dict[str, Any]:
    plan = sized.plans[zone["product"]]
    label, rig = plan.label, sized.rig
    assert rate.per_plant_L is not None
    assert rate.mix is not None
    assert isinstance(rig, Sprayer)
    solution = plants * rate.per_plant_L
    # The strength is the zone's: a yearly limit may have taken it below the label's mix.
    unit, factor = PRODUCT_UNIT[label.form]
    product = solution * min(rate.mix[1], zone["product_amount"] / factor / zone["solution_L"])
    adjuvant = solution * sum(one.rate for one in label.adjuvants)
    extras = solution * sum(one.rate for one in rig.extras)
    doses = _against_limits({}, label, product / zone["area_m2"], product / _wetted_m2(zone, plan))
    known = [row for row in doses if not math.isnan(row["limit_lb_acre"])]
    return {
        **{name: zone[name] for name in _KEYS},
        "plants": plants,
        "solution_gal": solution * GAL_PER_L,
        "solution_L": solution,
        "water_L": solution - adjuvant - extras - (product if label.form == "liquid" else 0.0),
        "product_amount": product * factor,
        "product_unit": unit,
        "adjuvant_floz": adjuvant * FLOZ_PER_L,
        "tanks": solution / rig.load_L,
        "patch_pct": max((row["patch_pct"] for row in known), default=math.nan),
        "wetted_pct": max((row["wetted_pct"] for row in known), default=math.nan),
        "within": all(row["within"] for row in doses),
    }


def _plants(sized: Sized) -> Any:
    """Number of surveyed points in each zone whose label names the point's weed."""
    surveyed = sized.survey.infestations
    shapes, owner = shapely.get_parts(surveyed.geometry.to_numpy(), return_index=True)
    dots = shapely.get_dimensions(shapes) == 0
    points, owner = shapes[dots], owner[dots]
    site = surveyed["site"].to_numpy(dtype=object)[owner]
    weed = surveyed["weed"].to_numpy(dtype=object)[owner]
    zones = sized.zones
    names = zones["site"].to_numpy(dtype=object)
    point, zone = shapely.STRtree(zones.geometry.to_numpy()).query(points, predicate="intersects")
    lone = len(sized.survey.sites) == 1
    labels = [sized.plans[name].label for name in zones["product"]]
    fits = np.array(
        [
            (lone or site[p] == names[z]) and weed[p] in labels[z].weeds
            for p, z in zip(point, zone, strict=True)
        ],
        dtype=bool,
    )
    # A point on a seam between zones counts once.
    point, zone = point[fits], zone[fits]
    _, first = np.unique(point, return_index=True)
    return np.bincount(zone[first], minlength=len(zones))
