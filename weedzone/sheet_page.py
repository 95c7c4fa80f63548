"""What stands on one site's mix sheet, as plain texts for the template."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import numpy as np
import pandas as pd

from weedzone.addition import additions
from weedzone.cautions import CAUTIONS
from weedzone.errors import InputError
from weedzone.label import Label
from weedzone.measured import (
    adjuvant_texts,
    area,
    capacity_text,
    day_text,
    loads_text,
    plain_line,
    product_text,
    short,
    too_fine,
    water_text,
)
from weedzone.rig import Sprayer
from weedzone.sizing import Sized
from weedzone.units import FT2_PER_M2, GAL_PER_L, KSQFT_PER_M2, LB_PER_KG, convert, show
from weedzone.weather_limits import Limits, strictest

# Two printed pages hold this much; what does not fit is summed up, and the tables of the job have all of it.
_ZONES, _REASONS, _KINDS, _LOADS, _WARNINGS = 14, 10, 14, 16, 8
_NAME, _TEXT = 80, 240
_MORE_HINTS = ("mixing", "order")


def page(job: Sized, site: str, date: dt.date, system: str) -> dict[str, Any]:
    """Everything on the sheet of one site.

    Parameters
    ----------
    job : Sized
    site : str
    date : datetime.date
        Day of spraying.
    system : {"us", "metric"}
        Units that come first.
    """
    mine = {name: frame[frame["site"] == site] for name, frame in _frames(job).items()}
    labels = [job.labels[str(name)] for name in mine["totals"]["product"]]
    ledger = mine["ledger"]
    treated = ledger["outcome"] == "treated"
    return {
        "site": plain_line(site, 120),
        "day": day_text(date),
        "head": _head(job, mine, ledger["area_m2"][treated].sum(), ledger["area_m2"][~treated].sum(), system),
        "rig": _rig(job),
        "products": _products(job, labels, mine, system),
        "granules": not isinstance(job.rig, Sprayer),
        "zones": _zones(mine["zones"], system),
        "left": _left(ledger[~treated], system),
        "kept": _kept(job, site, labels, system),
        "weather": _weather(labels, system),
        "ppe": _distinct((label.name, item) for label in labels for item in label.ppe),
        "reentry": _distinct((label.name, label.reentry or "see the label") for label in labels),
        "followup": [(plain_line(label.name, _NAME), followup(label, date)) for label in labels],
        "hints": _hints(labels),
        "warnings": _warnings(job, mine, date),
        "cautions": CAUTIONS,
    }


def _frames(job: Sized) -> dict[str, pd.DataFrame]:
    zones = pd.DataFrame(job.zones.drop(columns="geometry"))
    return {"zones": zones, "totals": job.totals, "loads": job.loads, "ledger": job.ledger}


def ground(area_m2: float, system: str) -> tuple[str, str]:
    """An area in the units that come first, and in the others."""
    us, metric = f"{area(area_m2 * FT2_PER_M2)} ft²", f"{area(area_m2)} m²"
    return (us, metric) if system == "us" else (metric, us)


def _head(
    job: Sized, mine: dict[str, pd.DataFrame], treated: float, left: float, system: str
) -> list[tuple[str, str, str]]:
    count = len(mine["loads"])
    return [
        ("To be treated", *ground(treated, system)),
        ("Infested, left alone", *ground(left, system)),
        ("Zones", str(len(mine["zones"])), ""),
        ("Loads", f"{count:,}", f"a full one is {capacity_text(job.rig)}"),
    ]


def _rig(job: Sized) -> str:
    rig, said = job.rig, [f"{job.use} use with {plain_line(job.rig.name, _NAME)}"]
    if isinstance(rig, Sprayer):
        if rig.carrier_L_per_m2 is not None:
            said.append(
                f"{short(rig.carrier_L_per_m2 * GAL_PER_L / KSQFT_PER_M2)} gal/1,000 ft² of wetted ground"
            )
        if rig.unusable_L > 0:
            gallons = short(rig.unusable_L * GAL_PER_L)
            said.append(f"{gallons} gal stays in tank and lines and is not in these amounts")
        if rig.priming_L > 0:
            said.append(f"{short(rig.priming_L * GAL_PER_L)} gal fills the lines first")
    elif rig.unusable_kg > 0:
        said.append(
            f"{short(rig.unusable_kg * LB_PER_KG)} lb stays in the hopper and is not in these amounts"
        )
    return "; ".join(said)


def _products(
    job: Sized, labels: list[Label], mine: dict[str, pd.DataFrame], system: str
) -> list[dict[str, Any]]:
    return [_product(job, label, mine["loads"], system) for label in labels]


def _product(job: Sized, label: Label, loads: pd.DataFrame, system: str) -> dict[str, Any]:
    rows = loads[loads["product"] == label.name]
    groups = _like(rows)
    steps = additions(label)
    facts = filter(None, (label.form, label.formulation, label.registration))
    return {
        "name": plain_line(label.name, _NAME),
        "facts": ", ".join(plain_line(one, _NAME) for one in facts),
        "signal": plain_line(label.signal_word, 20),
        "actives": ", ".join(_active(one.name, one.group) for one in label.actives),
        "loads_text": loads_text(rows, job.rig),
        "adjuvants": [plain_line(one.name, _NAME) for one in label.adjuvants],
        "loads": [_load(job, label, group, system) for group in groups[:_LOADS]],
        "more": max(0, len(groups) - _LOADS),
        "order": [f"{plain_line(name, _NAME)} ({sort})" for name, sort in steps],
        "said": [plain_line(label.hints[key], _TEXT) for key in _MORE_HINTS if key in label.hints],
    }


def _active(name: str, group: str) -> str:
    return plain_line(name, _NAME) + (f" (group {plain_line(group, 8)})" if group else "")


def _like(rows: pd.DataFrame) -> list[list[dict[Any, Any]]]:
    """Loads that follow one another with the same amounts."""
    groups: list[list[dict[Any, Any]]] = []
    for row in rows.to_dict("records"):
        if groups and math.isclose(groups[-1][0]["tanks"], row["tanks"], rel_tol=1e-9):
            groups[-1].append(row)
        else:
            groups.append([row])
    return groups


def _load(job: Sized, label: Label, rows: list[dict[Any, Any]], system: str) -> dict[str, Any]:
    row, other = rows[0], "metric" if system == "us" else "us"
    number = str(row["load"]) if len(rows) == 1 else f"{row['load']} to {rows[-1]['load']}"
    both = [adjuvant_texts(label, row["solution_L"], one) for one in (system, other)]
    gallons, litres = f"{short(row['solution_gal'])} gal", f"{short(row['solution_L'])} L"
    return {
        "number": f"{number} of {row['of']}",
        "each": len(rows) > 1,
        "water": (water_text(row["water_L"], system), water_text(row["water_L"], other)),
        "product": _pair(
            *(
                product_text(row["product_amount"], row["product_unit"], job.rig, one)
                for one in (system, other)
            )
        ),
        "adjuvants": [_pair(first[1], second[1]) for first, second in zip(*both, strict=True)],
        "makes": (gallons, litres) if system == "us" else (litres, gallons),
        "covers": ground(row["area_m2"], system),
    }


def _pair(first: str, second: str) -> tuple[str, str]:
    return (first, "" if second == first else second)


def _zones(zones: pd.DataFrame, system: str) -> dict[str, Any]:
    rows = zones.to_dict("records")
    shown = [
        {
            "zone": row["zone"],
            "product": plain_line(row["product"], _NAME),
            "turf": plain_line(row["turf"], _NAME),
            "weeds": plain_line(row["weeds"], 120),
            "rating": row["rating"],
            "dose": row["dose"],
            "caution": plain_line(row["caution"], _TEXT),
            "area": ground(row["area_m2"], system),
            "tanks": short(row["tanks"]) if row["tanks"] >= 0.01 else "under 0.01",
        }
        for row in rows[:_ZONES]
    ]
    rest = rows[_ZONES:]
    return {
        "rows": shown,
        "rest": len(rest),
        "rest_area": ground(sum(row["area_m2"] for row in rest), system)[0],
        "rest_cautions": sum(bool(row["caution"]) for row in rest),
    }


def _left(rest: pd.DataFrame, system: str) -> dict[str, Any]:
    by = rest.groupby(["outcome", "reason"])["area_m2"].sum().sort_values(ascending=False, kind="stable")
    rows = by.reset_index().to_dict("records")
    tail = rows[_REASONS:]
    return {
        "rows": [
            (ground(row["area_m2"], system)[0], row["outcome"], plain_line(row["reason"], 120))
            for row in rows[:_REASONS]
        ],
        "rest": len(tail),
        "rest_area": ground(sum(row["area_m2"] for row in tail), system)[0],
    }


def _kept(job: Sized, site: str, labels: list[Label], system: str) -> dict[str, Any]:
    """Kinds of keep-out feature on the site, how many, and the widest distance that a product here keeps."""
    reach, names = job.reach, list(job.plans)
    rows = np.flatnonzero(job.survey.local.sites[reach.features.site] == site)
    used = [names.index(label.name) for label in labels] or list(range(len(names)))
    widest = reach.widest_m[rows][:, used].max(axis=1, initial=0.0)
    kinds = reach.kind[rows].astype(str)
    found = []
    for kind in np.unique(kinds):
        same = kinds == kind
        count = len(np.unique(reach.features.row[rows[same]]))
        far = float(widest[same].max())
        distance = f"keep {show(far, 'length', system)} off" if far > 0 else "keep off it"
        found.append((far, plain_line(kind, 60), count, distance))
    found.sort(key=lambda one: (-one[0], one[1]))
    return {"rows": [one[1:] for one in found[:_KINDS]], "rest": max(0, len(found) - _KINDS)}


def _weather(labels: list[Label], system: str) -> dict[str, Any]:
    if not labels:
        return {"rows": [], "clash": ""}
    try:
        limits = strictest(labels)
    except InputError as fault:
        return {"rows": [], "clash": plain_line(fault, _TEXT)}
    return {
        "rows": [(name, value, _who(limits, keys)) for name, value, keys in _weather_rows(limits, system)],
        "clash": "",
    }


def _weather_rows(limits: Limits, system: str) -> list[tuple[str, str, tuple[str, ...]]]:
    mph, degree = ("mph", "degF") if system == "us" else ("km/h", "degC")
    wind = [_figure(convert(one, "speed", mph)) for one in (limits.wind_min_mps, limits.wind_max_mps)]
    heat = [_figure(convert(one, "temperature", degree)) for one in (limits.temp_min_c, limits.temp_max_c)]
    return [
        ("Wind", f"{wind[0]} to {wind[1]} {mph}", ("wind_min_mps", "wind_max_mps")),
        ("Temperature", f"{heat[0]} to {heat[1]} °{degree[-1]}", ("temp_min_c", "temp_max_c")),
        ("No rain for", f"{_figure(limits.rainfast_s / 3600)} hours after", ("rainfast_s",)),
        (
            "Delta-T",
            f"{_figure(limits.delta_t_min_c)} to {_figure(limits.delta_t_max_c)} °C",
            ("delta_t_min_c", "delta_t_max_c"),
        ),
    ]


def _figure(number: float) -> str:
    return f"{number:.1f}".removesuffix(".0")


def _who(limits: Limits, keys: tuple[str, ...]) -> str:
    names = dict.fromkeys(limits.source[key] for key in keys)
    return ", ".join(
        "a common limit, a label is silent" if one == "default" else plain_line(one, 40) for one in names
    )


def _distinct(pairs: Any) -> list[tuple[str, list[str]]]:
    """Texts without repeats, each with the products that say it."""
    found: dict[str, list[str]] = {}
    for name, text in pairs:
        found.setdefault(plain_line(text, _TEXT), []).append(plain_line(name, 40))
    return list(found.items())


def _hints(labels: list[Label]) -> list[tuple[str, list[tuple[str, list[str]]]]]:
    keys = dict.fromkeys(key for label in labels for key in label.hints if key not in _MORE_HINTS)
    return [
        (plain_line(key, 40), _distinct((one.name, one.hints[key]) for one in labels if key in one.hints))
        for key in keys
    ]


def followup(label: Label, date: dt.date) -> str:
    """When a product may be put down again, by its label's interval."""
    yearly = label.applications_per_year
    most = f"; at most {yearly} a year" if yearly else ""
    if label.interval_days is None:
        return f"the label at hand states no interval: read it before treating again{most}"
    low, high = label.interval_days
    first = date + dt.timedelta(days=math.ceil(low))
    if high <= low:
        return f"not before {day_text(first)} ({low:g} days){most}"
    last = date + dt.timedelta(days=math.floor(high))
    return f"{day_text(first)} to {day_text(last)} ({low:g} to {high:g} days){most}"


def _warnings(job: Sized, mine: dict[str, pd.DataFrame], date: dt.date) -> list[str]:
    found = []
    if date != job.on:
        found.append(
            f"Sized for {day_text(job.on)}: limits of the year may differ on another day. Size the job again."
        )
    found += [
        f"{row['zone']}, {plain_line(row['product'], _NAME)}: {plain_line(row['caution'], _TEXT)}"
        for row in mine["zones"].to_dict("records")
        if row["caution"]
    ]
    loads = mine["loads"].to_dict("records")
    fine = dict.fromkeys(
        plain_line(row["product"], _NAME)
        for row in loads
        if too_fine(row["product_amount"], row["product_unit"], job.rig)
    )
    if fine:
        found.append(
            f"Too little for the steps of the measure at hand: {', '.join(fine)}. Use a syringe or a fine scale."
        )
    found += [plain_line(one.message, _TEXT) for one in job.rig.findings(date)]
    if len(found) > _WARNINGS:
        found[_WARNINGS - 1 :] = [f"and {len(found) - _WARNINGS + 1} more: see the job's findings"]
    return found
