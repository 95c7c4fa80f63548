"""What a season plan hands out: its tables, with the unit in each column's name, notes, reminders and a calendar."""

from __future__ import annotations

import datetime as dt
import unicodedata
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from icalendar import Calendar, Event

from weedzone.base.errors import Finding, InputError
from weedzone.base.files import place_file
from weedzone.base.names import nearest
from weedzone.base.units import FT2_PER_M2, GAL_PER_L, PRODUCT_UNIT, show
from weedzone.base.words import CAUTIONS
from weedzone.kit import SLACK
from weedzone.season.dates import ONE_DAY, Frame, read_by_weed, read_point, resolve
from weedzone.season.steps import FOLLOW_UP_DAYS, Closed, Patch, Season, Stop
from weedzone.sizing import Sized, amounts, mixed
from weedzone.zones import group_hint

NO_ZONE = "ground treated before"
AROUND = ["mowing", "watering", "hints"]
_VISITS = [
    "visit", "date", "earliest", "latest", "site", "zones", "product", "application", "dose", "weeds",
    "area_ft2", "area_m2", "product_amount", "product_unit", "solution_gal", "made_up_amount",
    "made_up_gal", *AROUND,
]  # fmt: skip
_ZONES = ["visit", "date", "site", "zone", "product", "area_ft2", "area_m2", "share"]
_CLOSED = ["site", "zones", "product", "weeds", "applications", "reason", "opens", "area_ft2", "area_m2"]
_REMINDERS = ["date", "weed", "seed_set", "sites", "message"]
_GROUND = [
    "date", "at", "site", "zone", "product", "done", "dose", "weeds", "earliest", "latest", "reason", "opens",
    "area_m2", "wetted_m2",
]  # fmt: skip


def _ground(job: Sized, doings: Sequence[Stop | Closed]) -> pd.DataFrame:
    """A row for each patch that is treated on a day, or that has no further visit; numbered by day."""
    rows = [
        vars(one) | vars(one.window) | vars(patch)
        | {"at": patch.site, "site": str(job.survey.local.sites[patch.site]), "done": one.track.done}
        for one in doings for patch in one.track.patches
    ]  # fmt: skip
    ground = pd.DataFrame(rows, columns=_GROUND)
    return ground.assign(visit=pd.factorize(ground["date"], sort=True)[0] + 1)


def _told(part: pd.DataFrame) -> dict[str, Any]:
    """Site, product, zones, weeds and area of ground of one site and product."""
    head, area = part.iloc[0], part["area_m2"].sum()
    weeds = "; ".join(sorted(set().union(*part["weeds"])))
    return {
        "site": head["site"], "product": head["product"], "zones": _zones(part["zone"]), "weeds": weeds,
        "area_ft2": area * FT2_PER_M2, "area_m2": area,
    }  # fmt: skip


def visits_table(job: Sized, stops: Sequence[Stop]) -> pd.DataFrame:
    """A row for each visit, site, product, dose and application."""
    ground = _ground(job, stops)
    # Doses that are the same but for rounding are one.
    like = ground["dose"].astype(float).round(12)
    parts = ground.groupby(["visit", "at", "product", like, "done"])
    return pd.DataFrame([_visit(job, part) for _, part in parts], columns=_VISITS)


def _visit(job: Sized, part: pd.DataFrame) -> dict[str, Any]:
    head, dose = part.iloc[0], part["dose"].min()
    plan = job.plans[head["product"]]
    need = amounts(np.array([part["wetted_m2"].sum()]), np.array([dose]), np.array([0]), [plan])
    unit, factor = PRODUCT_UNIT[plan.label.form]
    hints = dict(plan.label.hints)
    alone, even = len(job.survey.sites) == 1, job.asked.even_loads
    made = mixed(plan.label, job.rig, need.solution_L[0], need.product[0], even=even, alone=alone)
    return _told(part) | {
        "visit": head["visit"],
        "date": head["date"],
        "earliest": part["earliest"].max(),
        "latest": part["latest"].min(),
        "application": head["done"] + 1,
        "dose": show(dose, "dose", form=plan.label.form),
        "product_amount": float(need.product[0]) * factor,
        "product_unit": unit,
        "solution_gal": float(need.solution_L[0]) * GAL_PER_L,
        "made_up_amount": made.product * factor,
        "made_up_gal": made.solution_L * GAL_PER_L,
        "mowing": hints.pop("mowing", ""),
        "watering": hints.pop("watering", ""),
        "hints": "; ".join(f"{name}: {said}" for name, said in hints.items()),
    }


def zones_table(job: Sized, stops: Sequence[Stop]) -> pd.DataFrame:
    """A row for each visit and zone."""
    by = ["visit", "date", "at", "site", "zone", "product"]
    table = pd.DataFrame(_ground(job, stops).groupby(by, sort=False, as_index=False)["area_m2"].sum())
    whole = job.zones.set_index(["site", "zone"])["area_m2"].to_dict()
    pairs = zip(table["site"], table["zone"], strict=True)
    table["share"] = (table["area_m2"] / [whole.get(pair, 0.0) for pair in pairs]).clip(upper=1.0)
    table["area_ft2"] = table["area_m2"] * FT2_PER_M2
    table["order"] = table["zone"].map(_in_order)
    return table.sort_values(["visit", "at", "order"], kind="stable", ignore_index=True)[_ZONES]


def closed_table(job: Sized, closed: Sequence[Closed]) -> pd.DataFrame:
    """A row for each site, product and reason without a further visit."""
    by = ["at", "product", "done", "reason"]
    ground = _ground(job, closed).sort_values(by, kind="stable")
    rows = [
        _told(part) | {"applications": done, "reason": reason, "opens": part["opens"].iloc[0]}
        for (*_, done, reason, _), part in ground.groupby([*by, "opens"], sort=False, dropna=False)
    ]
    return pd.DataFrame(rows, columns=_CLOSED).astype({"opens": object})


def _zones(names: Iterable[str]) -> str:
    return ", ".join(dict.fromkeys(name or NO_ZONE for name in sorted(names, key=_in_order)))


def _in_order(zone: str) -> tuple[int, str]:
    """Z2 before Z10; ground without a zone last."""
    return (len(zone) if zone else 99, zone)


def notes(
    job: Sized, stops: Sequence[Stop], season: Season, count: int, zones: pd.DataFrame, closed: pd.DataFrame
) -> Iterator[Finding]:
    """What closes the door, where a follow-up is weaker than the first visit, and what the labels leave open."""
    for row in closed.to_dict("records"):
        again = "no fit day is known after that" if row["opens"] is None else f"fit again from {row['opens']}"
        what = f"{row['zones']}: no visit for application {row['applications'] + 1} of {row['product']}"
        yield Finding("warning", "season", row["site"], f"{what}: {row['reason']}; {again}")
    for stop in stops:
        if stop.dose * SLACK < _first_dose(stop, stops):
            dose = show(stop.dose, "dose", form=job.plans[stop.track.product].label.form)
            sites, where = _places(job, stop)
            yield _note(sites, f"{where} on {stop.date}: limits leave {dose} of {stop.track.product}")
    for product in dict.fromkeys(stop.track.product for stop in stops):
        if season.interval(product) is None and count > 1:
            low, high = FOLLOW_UP_DAYS
            yield _note(
                product, f"the label gives no interval: visits are planned {low} to {high} days apart"
            )
    for stop in stops:
        track, interval = stop.track, season.interval(stop.track.product)
        if track.last and interval and not season.running(track, stop.date):
            days = " to ".join(dict.fromkeys(map(str, interval)))
            what = f"{stop.date} is after the interval of {days} days: a new treatment, no longer a follow-up"
            yield _note(" ".join(_places(job, stop)), what)
    for stop in stops:
        hint = group_hint(stop.track.past, job.plans[stop.track.product].label, job.labels)
        if hint is not None:
            used = f"mode of action group {hint[0]} was used in each of the last {hint[1]} applications"
            yield _note(stop.track.product, f"{stop.date}: {used}: consider another")
    for row in zones[(zones["share"] < 1 - 1e-6) & (zones["zone"] != "")].to_dict("records"):
        rest = "the rest is another day's, or closed"
        yield _note(row["site"], f"{row['zone']} on {row['date']}: {row['share']:.0%} of it; {rest}")


def _note(feature: str, message: str) -> Finding:
    return Finding("note", "season", feature, message)


def _first_dose(stop: Stop, stops: Sequence[Stop]) -> float:
    """Highest planned dose of the product on the same ground before."""
    mine = set(stop.track.patches)
    before = (
        one.dose for one in stops
        if one.date < stop.date and one.track.product == stop.track.product and mine & set(one.track.patches)
    )  # fmt: skip
    return max(before, default=0.0)


def _places(job: Sized, stop: Stop) -> tuple[str, str]:
    """Sites and zones of a stop."""
    sites = dict.fromkeys(str(job.survey.local.sites[patch.site]) for patch in stop.track.patches)
    return ", ".join(sites), _zones(patch.zone for patch in stop.track.patches)


def seed_reminders(
    seed_set: Mapping[str, object] | None,
    job: Sized,
    patches: Sequence[Patch],
    stops: Sequence[Stop],
    frame: Frame,
    until: dt.date,
    heat: pd.DataFrame | None,
    lead_days: int,
) -> tuple[pd.DataFrame, list[Finding]]:
    """A reminder for each weed and seed set within the plan, and a warning where no visit comes before it."""
    given = {} if seed_set is None else read_by_weed(seed_set, "seed_set")
    if "" in given:
        raise InputError("seed set of which weed?", field="seed_set", mend='write {"dandelion": "05-10"}')
    here: dict[str, set[int]] = {}
    for patch in patches:
        for weed in (*patch.weeds, *patch.second_weeds):
            here.setdefault(weed, set()).add(patch.site)

    def named(sites: set[int]) -> str:
        return ", ".join(str(job.survey.local.sites[site]) for site in sorted(sites))

    rows: list[dict[str, Any]] = []
    findings: list[Finding] = []
    for weed, value in given.items():
        point = read_point(value, f"seed_set {weed}")
        if weed not in here:
            close = nearest(weed, here)
            hint = f"; did you mean {close!r}?" if close else ""
            findings.append(_note(weed, f"seed set of a weed that no visit is for{hint}"))
            continue
        found = {resolve(point, year, heat) for year in frame.years}
        days = sorted(day for day in found if day is not None and frame.first <= day <= until)
        if not days:
            what = f"seed set ({point}) is not known to fall between {frame.first} and {until}: no reminder"
            findings.append(_note(weed, what))
        for since, seeds in zip([frame.first, *days], days, strict=False):
            missed = named(here[weed] - _visited(stops, weed, since, seeds))
            message = f"{weed} sets seed about {seeds}: treat, mow or pull it by {seeds - ONE_DAY}"
            if missed:
                message += f"; no visit is planned before that at {missed}"
                late = f"sets seed about {seeds}, before any visit for it at {missed}"
                findings.append(Finding("warning", "season", weed, late))
            on = max(frame.first, seeds - dt.timedelta(lead_days))
            sites = named(here[weed])
            rows.append({"date": on, "weed": weed, "seed_set": seeds, "sites": sites, "message": message})
    table = pd.DataFrame(rows, columns=_REMINDERS).sort_values("date", kind="stable", ignore_index=True)
    return table, findings


def _visited(stops: Sequence[Stop], weed: str, since: dt.date, before: dt.date) -> set[int]:
    """Sites with a visit for a weed between two days."""
    fit = [stop.track for stop in stops if since <= stop.date < before and weed in stop.track.weeds]
    return {patch.site for track in fit for patch in track.patches}


_SPACE = uuid.UUID("6f1f3a0e-8b1c-5f0e-9d43-2c8f0f6a7b11")  # any fixed one: makes names of events stable


def write_calendar(path: str | Path, visits: pd.DataFrame, reminders: pd.DataFrame, first: dt.date) -> Path:
    """Write all-day events, one for each visit to a site and one for each reminder (RFC 5545).

    Days are DATE values without a zone: a visit is on that day wherever the calendar is read, and no change of
    the clock moves it. The name (UID) of an event comes from the site, the day of the first visit and the
    visit's number, so that a plan that is written again moves the event in most calendars instead of adding one.

    Parameters
    ----------
    visits, reminders : DataFrame
        Of `weedzone.season.SeasonPlan`.
    first : datetime.date
        First day of the plan.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    calendar = Calendar()
    calendar.add("prodid", "-//weedzone//season plan//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    for (visit, site), rows in visits.groupby(["visit", "site"], sort=False):
        texts = {
            "summary": f"Visit {visit}: {site}, {', '.join(dict.fromkeys(rows['zones']))}",
            "location": site,
            "description": "\n".join([*_lines(rows), *CAUTIONS]),
        }
        calendar.add_component(_event(rows["date"].iloc[0], f"visit {visit} of {first}|{site}", texts))
    for row in reminders.to_dict("records"):
        texts = {"summary": f"Act before seed set: {row['weed']}", "description": row["message"]}
        calendar.add_component(_event(row["date"], f"seed set|{row['weed']} {row['seed_set']}", texts))
    return place_file(Path(path), lambda new: new.write_bytes(calendar.to_ical()))


def _event(day: dt.date, name: str, texts: Mapping[str, Any]) -> Event:
    event = Event()
    event.add("uid", str(uuid.uuid5(_SPACE, _writable(name))))
    event.add("dtstamp", dt.datetime.now(dt.UTC))
    event.add("dtstart", day)
    event.add("dtend", day + ONE_DAY)  # RFC 5545, 3.6.1: the end is not part of the event
    event.add("transp", "TRANSPARENT")
    for key, text in texts.items():
        # RFC 5545, 3.3.11 bars control characters; line breaks and tabs stay.
        lines = _writable(str(text)).replace("\r\n", "\n").replace("\r", "\n")
        event.add(key, "".join(one for one in lines if one in "\n\t" or unicodedata.category(one) != "Cc"))
    return event


def _writable(text: str) -> str:
    return text.encode("utf-8", "replace").decode()


def _lines(rows: pd.DataFrame) -> Iterator[str]:
    for row in rows.to_dict("records"):
        yield (
            f"{row['zones']}: {row['product']} {row['dose']}, {row['area_ft2']:,.0f} ft2, "
            f"up to {row['made_up_amount']:.3g} {row['product_unit']} to measure, application {row['application']}; "
            f"may be done from {row['earliest']} to {row['latest']}"
        )
    for product, what, said in around(rows):
        yield f"{product}: {said}" if what == "hints" else f"{product}, {what}: {said}"


def around(rows: pd.DataFrame) -> list[tuple[str, str, str]]:
    """Product, of what, and what its label says of mowing, watering and the like; each once."""
    said = rows.melt(["product"], AROUND).drop_duplicates()
    return list(said[said["value"] != ""].itertuples(index=False, name=None))
