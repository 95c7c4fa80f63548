"""The map of what is left: how much of each active ingredient every patch of infested ground may still get."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from weedzone.base.errors import LabelError
from weedzone.base.names import chief_name
from weedzone.base.units import FT2_PER_M2, convert
from weedzone.ground.shapes import parts_of
from weedzone.kit import Label, most_per_application
from weedzone.sizing.arguments import checked_labels, day_of
from weedzone.sizing.tables import frame_of
from weedzone.survey import Survey
from weedzone.zones import (
    Application,
    Plan,
    State,
    active_names,
    applied,
    dissolve,
    in_force,
    past_ground,
    shares_active,
    state,
)

COLUMNS = (
    "active", "product", "applied_lb_per_acre", "remaining_lb_per_acre", "limit_lb_per_acre", "applied_kg_per_ha",
    "remaining_kg_per_ha", "limit_kg_per_ha", "applications", "days_since", "opens", "reason",
)  # fmt: skip


def allowance(
    survey: Survey, labels: Label | Mapping[str, Label], *, on: dt.date | str | None = None
) -> gpd.GeoDataFrame:
    """What each patch of infested ground may still get of each active ingredient.

    Parameters
    ----------
    survey : Survey
        Its ``history`` holds the past applications; those that overlap add up.
    labels : Label, or mapping of product to Label
        Of the products at hand and of those in the history. A limit holds for an ingredient across all
        products that contain it.
    on : date or ISO text, optional
        The day asked about; today if not given.

    Returns
    -------
    GeoDataFrame
        In the survey's CRS, a row for each patch and active ingredient. Patches are connected ground of one
        past, also of none; they do not overlap and sum to the infested ground. Columns ``site``, ``patch``
        (``P1``, ...), ``active``, ``product`` (the label that leaves least, of which the row speaks),
        ``applied_lb_per_acre``, ``remaining_lb_per_acre``, ``limit_lb_per_acre`` (a year; the last two NaN
        where no label limits it), the same per ``_kg_per_ha``, ``applications`` (in that label's year),
        ``days_since`` (the last one; NaN where there is none), ``opens`` (first date on which every label with
        the ingredient allows its lowest dose; None where that is not within two years), ``reason`` (what
        closes it, or empty), ``area_ft2``, ``area_m2``, ``geometry``.

        As acid equivalent or as active ingredient, whichever the labels count.

    Raises
    ------
    WeedzoneError
        No label; a dose in the history that cannot be read.
    """
    known = checked_labels(survey, labels)
    if not known:
        raise LabelError("no label is given", mend="read the labels of the products at hand")
    day, _ = day_of(on, survey)
    parts, _ = past_ground(survey, known)
    group = parts.site * len(parts.past_sets) + parts.past
    groups, of = np.unique(group, return_inverse=True)
    whole = dissolve(parts.geoms, of.ravel(), parts.fresh)
    single, owner = parts_of(whole)
    site, past = groups[owner] // len(parts.past_sets), groups[owner] % len(parts.past_sets)
    order = np.lexsort((-shapely.area(single), site))
    single, site, past = single[order], site[order], past[order]

    planned = {name: _plan(label) for name, label in known.items()}
    actives = sorted({name for label in known.values() for name in active_names(label)})
    rows = {
        int(one): [_row(name, parts.past_sets[one], planned, known, day) for name in actives]
        for one in np.unique(past)
    }
    patch = np.repeat(np.arange(len(single)), len(actives))
    first = np.searchsorted(site, site)
    names = np.array([f"P{n}" for n in np.arange(len(site)) - first + 1], dtype=object)
    area = shapely.area(single)[patch]
    every = [row for one in past for row in rows[int(one)]]
    data: dict[str, Any] = {"site": survey.local.sites[site[patch]], "patch": names[patch]}
    data |= {column: [row[column] for row in every] for column in COLUMNS}
    data |= {"area_ft2": area * FT2_PER_M2, "area_m2": area}
    return frame_of(survey, data, single[patch], site[patch])


@dataclass(frozen=True)
class _Reading:
    """What one label says of one active ingredient on ground of one past [kg/m2]."""

    label: Label
    applied: float
    limit: float

    @property
    def left(self) -> float:
        return self.limit - self.applied


def _row(
    active: str,
    past: tuple[Application, ...],
    planned: Mapping[str, Plan],
    labels: Mapping[str, Label],
    on: dt.date,
) -> dict[str, Any]:
    holders = [label for label in labels.values() if active in active_names(label)]
    found = [_reading(active, label, past, labels, on) for label in holders]
    # The label that leaves least speaks; of labels without a limit, the one that has most against it.
    tight = min(found, key=lambda one: (np.nan_to_num(one.left, nan=np.inf), -one.applied))
    counted = [one for one in past if shares_active(tight.label, labels.get(one.product))]
    last = max((one.date for one in counted), default=None)
    states = [state(planned[label.name], past, labels, on) for label in holders]
    closed = [(label.name, one) for label, one in zip(holders, states, strict=True) if one.outcome]
    unknown = any(one.product not in labels for one in past)
    left = 0.0 if unknown else tight.left
    row: dict[str, Any] = {
        "active": next(one.name for one in tight.label.actives if chief_name(one.name, "active") == active),
        "product": tight.label.name,
        "applications": len(in_force(tight.label, counted, on)),
        "days_since": float("nan") if last is None else float((on - last).days),
        "opens": _latest([one for _, one in closed], on),
        "reason": "; ".join(dict.fromkeys(f"{name}: {one.outcome}, {one.reason}" for name, one in closed)),
    }
    remaining = float("nan") if np.isnan(tight.limit) else max(left, 0.0)
    for name, value in (("applied", tight.applied), ("remaining", remaining), ("limit", tight.limit)):
        row[f"{name}_lb_per_acre"] = convert(value, "mass_per_area", "lb/acre")
        row[f"{name}_kg_per_ha"] = convert(value, "mass_per_area", "kg/ha")
    return row


def _latest(closed: list[State], on: dt.date) -> dt.date | None:
    """Day on which the last of the closed products opens; the day itself where none is closed."""
    days = [one.opens for one in closed if one.opens is not None]
    return max(days, default=on) if len(days) == len(closed) else None


def _reading(
    active: str, label: Label, past: tuple[Application, ...], labels: Mapping[str, Label], on: dt.date
) -> _Reading:
    limits = {chief_name(name, "active"): limit for name, limit in label.limits.items()}
    most = limits[active].per_year if active in limits else None
    down = applied(active, in_force(label, past, on), labels)
    return _Reading(label, down, float("nan") if most is None else most)


def _plan(label: Label) -> Plan:
    """The label's lowest and highest dose over all its uses, without a rig.

    A mix without a volume has no dose: it counts as a trace, so that only what is used up closes the ground.
    """
    lows, highs = [], []
    for rate in label.rates:
        ends = rate.dose
        if ends is None and rate.mix is not None and rate.volume is not None:
            ends = (rate.mix[0] * rate.volume[0], rate.mix[1] * rate.volume[1])
        if ends is not None:
            lows.append(ends[0])
            highs.append(ends[1])
    most = most_per_application(label)[0]
    low = min(lows, default=1e-12)
    return Plan(label, label.rates[0].use, low, max(low, min(max(highs, default=1e-12), most)), 0.0)
