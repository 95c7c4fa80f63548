"""What the labels and the survey forbid or ask for on one site, as plain texts for its mix sheet."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import numpy as np
import pandas as pd

from weedzone.base.errors import InputError
from weedzone.base.units import convert, show
from weedzone.base.words import day_text, ground_pair, plain_line
from weedzone.crew.briefing import Left, left_by_kind
from weedzone.kit import Label, Policy
from weedzone.sizing import Sized
from weedzone.weather import Limits, strictest

NAME, TEXT = 48, 160  # letters
_OWN_PLACE = ("mixing",)


def left_alone(rest: pd.DataFrame, system: str, most: int) -> dict[str, Any]:
    """Infested ground that is not treated, by outcome and reason, the largest first."""
    grouped = left_by_kind(rest)
    tail = grouped.rows[most:]
    return {
        "rows": [
            (ground_pair(one.area_m2, system)[0], one.outcome, _held(one, system))
            for one in grouped.rows[:most]
        ],
        "rest": len(tail) + grouped.faint,
        "rest_area": ground_pair(sum(one.area_m2 for one in tail) + grouped.faint_m2, system)[0],
    }


def _held(one: Left, system: str) -> str:
    reason = plain_line(one.reason, 120)
    others = ground_pair(one.others_m2, system)[0]
    return f"{reason} ({others} near others too)" if one.others_m2 > 0 else reason


def kept_off(job: Sized, site: str, labels: list[Label], system: str, most: int) -> dict[str, Any]:
    """Kinds of keep-out feature on the site, how many, and how far the products used here keep from them."""
    reach, names = job.reach, list(job.plans)
    rows = np.flatnonzero(job.survey.local.sites[reach.features.site] == site)
    used = [names.index(label.name) for label in labels] or list(range(len(names)))
    distances = reach.widest_m[rows][:, used]
    kinds = reach.kind[rows].astype(str)
    found = []
    for kind in np.unique(kinds):
        same = kinds == kind
        count = len(np.unique(reach.features.row[rows[same]]))
        near, far = float(distances[same].min()), float(distances[same].max())
        found.append((far, plain_line(kind, 60), count, _distance(near, far, system)))
    found.sort(key=lambda one: (-one[0], one[1]))
    return {
        "rows": [one[1:] for one in found[:most]],
        "rest": max(0, len(found) - most),
        "ranges": any(" to " in one[3] for one in found),
    }


def _distance(near: float, far: float, system: str) -> str:
    if far <= 0:
        return "keep off it"
    if far - near < 0.005:
        return f"keep {show(far, 'length', system)} off"
    return f"keep {show(near, 'length', system)} to {show(far, 'length', system)} off"


def weather(labels: list[Label], policy: Policy | None, system: str, *, granules: bool) -> dict[str, Any]:
    """The strictest weather limits of labels and policy, and whose they are; or that no weather meets them all."""
    if not labels:
        return {"rows": [], "clash": ""}
    try:
        limits = strictest(labels, policy)
    except InputError as fault:
        return {"rows": [], "clash": plain_line(fault, TEXT)}
    rows = _weather_rows(limits, system)
    if granules:  # they do not evaporate on their way
        rows = [row for row in rows if row[0] != "Delta-T"]
    return {"rows": [(name, value, _who(limits, keys)) for name, value, keys in rows], "clash": ""}


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


def distinct(pairs: Any) -> list[tuple[str, list[str]]]:
    """Texts without repeats, each with the products that say it."""
    found: dict[str, list[str]] = {}
    for name, text in pairs:
        found.setdefault(plain_line(text, TEXT), []).append(plain_line(name, 40))
    return list(found.items())


def hints(labels: list[Label]) -> list[tuple[str, list[tuple[str, list[str]]]]]:
    """What the labels say of mowing, watering and the like, without repeats."""
    keys = dict.fromkeys(key for label in labels for key in label.hints if key not in _OWN_PLACE)
    return [
        (plain_line(key, 40), distinct((one.name, one.hints[key]) for one in labels if key in one.hints))
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


def warnings(job: Sized, mine: dict[str, pd.DataFrame], date: dt.date, most: int) -> list[str]:
    """What to heed before mixing: the day, turf that the label warns of, measures too coarse, calibration."""
    found = []
    if date != job.on:
        found.append(
            f"Sized for {day_text(job.on)}: limits of the year may differ on another day. Size the job again."
        )
    found += [
        f"{row['zone']}, {plain_line(row['product'], NAME)}: {plain_line(row['caution'], TEXT)}"
        for row in mine["zones"].to_dict("records")
        if row["caution"]
    ]
    found += _measures(mine["made"])
    found += [plain_line(one.message, TEXT) for one in job.rig.findings(date)]
    found = [text[:1].upper() + text[1:] for text in found]
    if len(found) > most:
        found[most - 1 :] = [f"and {len(found) - most + 1} more: see the job's findings"]
    return found


def _measures(made: pd.DataFrame) -> list[str]:
    """Which amounts want a finer measure, and which are too little to measure well."""
    pours = list(made[["product", "pour"]].itertuples(index=False, name=None))
    found = []
    for says, those in (
        (
            "Measure in mL or g, the steps of the measure are too coarse",
            [p for p in pours if p[1].fine and not p[1].slight],
        ),
        ("Measure with a syringe or a fine scale", [p for p in pours if p[1].slight and not p[1].faint]),
        (
            "Too little to measure well, under 1 mL or 1 g; mix for several sites in one run, or leave it out",
            [p for p in pours if p[1].faint],
        ),
    ):
        texts = dict.fromkeys(f"{plain_line(name, NAME)} {one.texts('metric')[0]}" for name, one in those)
        if texts:
            more = f" and {len(texts) - 3} more" if len(texts) > 3 else ""
            found.append(f"{says}: {', '.join(list(texts)[:3])}{more}.")
    return found
