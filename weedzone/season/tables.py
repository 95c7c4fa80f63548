"""The tables of a season plan, with the unit in each column's name, and what is said beside them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from weedzone.base.errors import Finding
from weedzone.base.units import FT2_PER_M2, GAL_PER_L, PRODUCT_UNIT, show
from weedzone.kit import SLACK
from weedzone.season.patches import Closed, Patch, Stop, Track
from weedzone.season.steps import FOLLOW_UP_DAYS, Season
from weedzone.sizing import Sized, amounts
from weedzone.zones import group_hint

NO_ZONE = "ground treated before"
_VISITS = [
    "visit", "date", "earliest", "latest", "site", "zones", "product", "application", "dose", "weeds",
    "area_ft2", "area_m2", "product_amount", "product_unit", "solution_gal", "mowing", "watering", "hints",
]  # fmt: skip
_ZONES = ["visit", "date", "site", "zone", "product", "area_ft2", "area_m2", "share"]
_CLOSED = ["site", "zones", "product", "weeds", "applications", "reason", "opens", "area_ft2", "area_m2"]


def _numbered(stops: Sequence[Stop]) -> dict[dt.date, int]:
    return {day: number for number, day in enumerate(sorted({stop.day for stop in stops}), 1)}


def visits_table(job: Sized, stops: Sequence[Stop]) -> pd.DataFrame:
    """A row for each visit, site, product, dose and application."""
    number = _numbered(stops)
    groups: dict[tuple[Any, ...], list[tuple[Stop, Patch]]] = {}
    for stop in stops:
        for patch in stop.track.patches:
            key = (number[stop.day], patch.site, patch.product, round(stop.dose, 12), stop.track.done + 1)
            groups.setdefault(key, []).append((stop, patch))
    rows = [_visit(job, key, groups[key]) for key in sorted(groups)]
    return pd.DataFrame(rows, columns=_VISITS)


def _visit(job: Sized, key: tuple[Any, ...], members: Sequence[tuple[Stop, Patch]]) -> dict[str, Any]:
    visit, site, product, _, applications = key
    plan = job.plans[product]
    stop = members[0][0]
    # Of doses that are the same but for rounding, the least.
    dose = min(one.dose for one, _ in members)
    patches = [patch for _, patch in members]
    area = sum(patch.area_m2 for patch in patches)
    wetted = np.array([sum(patch.wetted_m2 for patch in patches)])
    need = amounts(wetted, np.array([dose]), np.array([0]), [plan])
    unit, factor = PRODUCT_UNIT[plan.label.form]
    hints = plan.label.hints
    return {
        "visit": visit,
        "date": stop.day,
        "earliest": max(one.window.earliest for one, _ in members if one.window.earliest),
        "latest": min(one.window.latest for one, _ in members if one.window.latest),
        "site": str(job.survey.local.sites[site]),
        "zones": _zones(patches),
        "product": product,
        "application": applications,
        "dose": show(dose, "dose", form=plan.label.form),
        "weeds": "; ".join(sorted({weed for patch in patches for weed in patch.weeds})),
        "area_ft2": area * FT2_PER_M2,
        "area_m2": area,
        "product_amount": float(need.product[0]) * factor,
        "product_unit": unit,
        "solution_gal": float(need.solution_L[0]) * GAL_PER_L,
        "mowing": hints.get("mowing", ""),
        "watering": hints.get("watering", ""),
        "hints": "; ".join(
            f"{name}: {said}" for name, said in hints.items() if name not in ("mowing", "watering")
        ),
    }


def zones_table(job: Sized, stops: Sequence[Stop]) -> pd.DataFrame:
    """A row for each visit and zone."""
    number = _numbered(stops)
    whole = job.zones.set_index(["site", "zone"])["area_m2"].to_dict()
    area: dict[tuple[Any, ...], float] = {}
    for stop in stops:
        for patch in stop.track.patches:
            key = (stop.day, patch.site, patch.zone, patch.product)
            area[key] = area.get(key, 0.0) + patch.area_m2
    rows = []
    for day, site, zone, product in sorted(area, key=lambda key: (key[0], key[1], _in_order(key[2]))):
        m2, name = area[day, site, zone, product], str(job.survey.local.sites[site])
        share = min(m2 / whole[name, zone], 1.0) if zone else 1.0
        rows.append((number[day], day, name, zone, product, m2 * FT2_PER_M2, m2, share))
    return pd.DataFrame(rows, columns=_ZONES)


def closed_table(job: Sized, closed: Sequence[Closed]) -> pd.DataFrame:
    """A row for each site, product and reason without a further visit."""
    groups: dict[tuple[Any, ...], list[Patch]] = {}
    for one in closed:
        for patch in one.track.patches:
            key = (patch.site, patch.product, one.track.done, one.window.reason, one.window.again)
            groups.setdefault(key, []).append(patch)
    rows = []
    for (site, product, applications, reason, again), patches in sorted(
        groups.items(), key=lambda item: item[0][:4]
    ):
        m2 = sum(patch.area_m2 for patch in patches)
        weeds = "; ".join(sorted({weed for patch in patches for weed in patch.weeds}))
        name = str(job.survey.local.sites[site])
        rows.append((name, _zones(patches), product, weeds, applications, reason, again, m2 * FT2_PER_M2, m2))
    return pd.DataFrame(rows, columns=_CLOSED).astype({"opens": object})


def notes(
    job: Sized,
    patches: Sequence[Patch],
    stops: Sequence[Stop],
    closed: Sequence[Closed],
    season: Season,
    count: int,
) -> list[Finding]:
    """What closes the door, where a follow-up is weaker than the first visit, and what the labels leave open."""
    found = [] if patches else [Finding("warning", "season", "", "the job has no ground to visit")]
    for row in closed_table(job, closed).to_dict("records"):
        again = "no fit day is known after that" if row["opens"] is None else f"fit again from {row['opens']}"
        what = f"{row['zones']}: no visit for application {row['applications'] + 1} of {row['product']}"
        found.append(Finding("warning", "season", row["site"], f"{what}: {row['reason']}; {again}"))
    found += [_weaker(job, stop) for stop in stops if stop.dose * SLACK < _first_dose(stop, stops)]
    for product in dict.fromkeys(stop.track.product for stop in stops):
        label = job.plans[product].label
        if label.interval_days is None and count > 1:
            message = "the label gives no interval: visits are planned {} to {} days apart".format(
                *FOLLOW_UP_DAYS
            )
            found.append(Finding("note", "season", product, message))
    found += [_late(job, stop, season) for stop in stops if _is_late(stop, season)]
    found += [one for stop in stops for one in _same_group(job, stop)]
    found += _torn(job, stops)
    return list(dict.fromkeys(found))


def _first_dose(stop: Stop, stops: Sequence[Stop]) -> float:
    """Highest planned dose of the product on the same ground before."""
    mine = set(stop.track.patches)
    before = (
        one.dose for one in stops
        if one.day < stop.day and one.track.product == stop.track.product and mine & set(one.track.patches)
    )  # fmt: skip
    return max(before, default=0.0)


def _weaker(job: Sized, stop: Stop) -> Finding:
    dose = show(stop.dose, "dose", form=job.plans[stop.track.product].label.form)
    message = f"{_zones(stop.track.patches)} on {stop.day}: limits leave {dose} of {stop.track.product}"
    return Finding("note", "season", _sites(job, stop.track), message)


def _same_group(job: Sized, stop: Stop) -> list[Finding]:
    product = stop.track.product
    hint = group_hint(stop.track.past, job.plans[product].label, job.labels)
    if hint is None:
        return []
    used = f"mode of action group {hint[0]} was used in each of the last {hint[1]} applications"
    message = f"{stop.day}: {used}: consider another"
    return [Finding("note", "season", product, message)]


def _is_late(stop: Stop, season: Season) -> bool:
    track = stop.track
    return track.last is not None and season.interval(track.product) is not None and not season.running(
        track.product, track.past, stop.day
    )  # fmt: skip


def _late(job: Sized, stop: Stop, season: Season) -> Finding:
    low, high = season.interval(stop.track.product) or (0, 0)
    span = f"{low} to {high} days" if high > low else f"{low} days"
    message = f"{stop.day} is after the interval of {span}: a new treatment, no longer a follow-up"
    return Finding("note", "season", f"{_sites(job, stop.track)} {_zones(stop.track.patches)}", message)


def _torn(job: Sized, stops: Sequence[Stop]) -> list[Finding]:
    table = zones_table(job, stops)
    part = table[(table["share"] < 1 - 1e-6) & (table["zone"] != "")]
    return [
        Finding(
            "note",
            "season",
            row["site"],
            f"{row['zone']} on {row['date']}: {row['share']:.0%} of it; the rest is another day's, or closed",
        )
        for row in part.to_dict("records")
    ]


def _sites(job: Sized, track: Track) -> str:
    return ", ".join(dict.fromkeys(str(job.survey.local.sites[patch.site]) for patch in track.patches))


def _zones(patches: Iterable[Patch]) -> str:
    return ", ".join(
        dict.fromkeys(patch.zone or NO_ZONE for patch in sorted(patches, key=lambda p: _in_order(p.zone)))
    )


def _in_order(zone: str) -> tuple[int, str]:
    """Z2 before Z10; ground without a zone last."""
    return (len(zone) if zone else 99, zone)
