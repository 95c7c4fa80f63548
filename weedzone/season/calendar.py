"""Reminders to act before a weed sets seed.

A season's visits and reminders as an iCalendar file (RFC 5545).
"""

from __future__ import annotations

import datetime as dt
import unicodedata
import uuid
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
from icalendar import Calendar, Event

from weedzone.base.errors import Finding, InputError
from weedzone.base.files import place_file
from weedzone.base.names import nearest
from weedzone.season.patches import Patch, Stop
from weedzone.season.spans import ONE_DAY, Frame, read_by_weed, read_point, resolve
from weedzone.sizing import Sized

COLUMNS = ["date", "weed", "seed_set", "sites", "message"]


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
    if seed_set is None:
        return pd.DataFrame(columns=COLUMNS), []
    given = read_by_weed(seed_set, "seed_set")
    if "" in given:
        raise InputError("seed set of which weed?", field="seed_set", mend='write {"dandelion": "05-10"}')
    here: dict[str, set[int]] = {}
    for patch in patches:
        for weed in (*patch.weeds, *patch.second_weeds):
            here.setdefault(weed, set()).add(patch.site)
    rows: list[dict[str, Any]] = []
    findings: list[Finding] = []
    for weed, value in given.items():
        point = read_point(value, f"seed_set {weed}")
        if weed not in here:
            close = nearest(weed, here)
            hint = f"; did you mean {close!r}?" if close else ""
            findings.append(Finding("note", "season", weed, f"seed set of a weed that no visit is for{hint}"))
            continue
        found = {resolve(point, year, heat) for year in frame.years} - {None}
        days = sorted(day for day in found if day is not None and frame.first <= day <= until)
        if not days:
            message = (
                f"seed set ({point}) is not known to fall between {frame.first} and {until}: no reminder"
            )
            findings.append(Finding("note", "season", weed, message))
        since = frame.first
        for day in days:
            row, late = _reminder(
                job, weed, here[weed], stops, since, day, max(frame.first, day - dt.timedelta(lead_days))
            )
            rows.append(row)
            findings += late
            since = day
    table = pd.DataFrame(rows, columns=COLUMNS).sort_values("date", kind="stable", ignore_index=True)
    return table, findings


def _reminder(
    job: Sized, weed: str, sites: set[int], stops: Sequence[Stop], since: dt.date, seeds: dt.date, on: dt.date
) -> tuple[dict[str, Any], list[Finding]]:
    """One reminder; sites without a visit between `since` and the seed set are named."""
    covered = {
        patch.site
        for stop in stops
        if since <= stop.day < seeds and weed in stop.track.weeds
        for patch in stop.track.patches
    }
    open_ = ", ".join(str(job.survey.local.sites[site]) for site in sorted(sites - covered))
    names = ", ".join(str(job.survey.local.sites[site]) for site in sorted(sites))
    message = f"{weed} sets seed about {seeds}: treat, mow or pull it by {seeds - ONE_DAY}"
    findings = []
    if open_:
        message += f"; no visit is planned before that at {open_}"
        findings.append(
            Finding("warning", "season", weed, f"sets seed about {seeds}, before any visit for it at {open_}")
        )
    return {"date": on, "weed": weed, "seed_set": seeds, "sites": names, "message": message}, findings


_SPACE = uuid.UUID("6f1f3a0e-8b1c-5f0e-9d43-2c8f0f6a7b11")  # any fixed one: makes names of events stable


def write_calendar(
    path: str | Path, visits: pd.DataFrame, reminders: pd.DataFrame, first: dt.date, cautions: tuple[str, ...]
) -> Path:
    """Write all-day events, one for each visit to a site and one for each reminder.

    Days are DATE values without a zone: a visit is on that day wherever the calendar is read, and no change of
    the clock moves it. The name (UID) of an event comes from the site, the day of the first visit and the
    visit's number, so that a plan that is written again moves the event in most calendars instead of adding one.

    Parameters
    ----------
    visits, reminders : DataFrame
        Of `weedzone.season.SeasonPlan`.
    first : datetime.date
        First day of the plan.
    cautions : tuple of str
        Lines that end each description.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    calendar = Calendar()
    calendar.add("prodid", "-//weedzone//season plan//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    stamp = dt.datetime.now(dt.UTC)
    for (visit, site), rows in visits.groupby(["visit", "site"], sort=False):
        head = rows.iloc[0]
        zones = ", ".join(dict.fromkeys(rows["zones"]))
        event = _event(head["date"], stamp, f"visit {visit} of {first}", str(site))
        event.add("summary", _clean(f"Visit {visit}: {site}, {zones}"))
        event.add("location", _clean(site))
        event.add("description", _clean("\n".join(_lines(rows, cautions))))
        calendar.add_component(event)
    for row in reminders.to_dict("records"):
        event = _event(row["date"], stamp, "seed set", f"{row['weed']} {row['seed_set']}")
        event.add("summary", _clean(f"Act before seed set: {row['weed']}"))
        event.add("description", _clean(row["message"]))
        calendar.add_component(event)
    return place_file(Path(path), lambda new: new.write_bytes(calendar.to_ical()))


def _event(day: dt.date, stamp: dt.datetime, what: str, whose: str) -> Event:
    event = Event()
    name = f"{what}|{whose}".encode("utf-8", "replace").decode()
    event.add("uid", str(uuid.uuid5(_SPACE, name)))
    event.add("dtstamp", stamp)
    event.add("dtstart", day)
    event.add("dtend", day + dt.timedelta(days=1))  # RFC 5545, 3.6.1: the end is not part of the event
    event.add("transp", "TRANSPARENT")
    return event


def _lines(rows: pd.DataFrame, cautions: tuple[str, ...]) -> list[str]:
    lines = [
        f"{row['zones']}: {row['product']} {row['dose']}, {row['area_ft2']:,.0f} ft2, "
        f"up to {row['product_amount']:.3g} {row['product_unit']}, application {row['application']}; "
        f"may be done from {row['earliest']} to {row['latest']}"
        for row in rows.to_dict("records")
    ]
    for column in ("mowing", "watering", "hints"):
        for product, said in dict.fromkeys(zip(rows["product"], rows[column], strict=True)):
            if said:
                lines.append(f"{product}, {column}: {said}" if column != "hints" else f"{product}: {said}")
    return [*lines, *cautions]


def _clean(text: Any) -> str:
    """Text without the control characters that RFC 5545 bars (3.3.11); line breaks and tabs stay."""
    lines = str(text).encode("utf-8", "replace").decode().replace("\r\n", "\n").replace("\r", "\n")
    return "".join(one for one in lines if one in "\n\t" or unicodedata.category(one) != "Cc")
