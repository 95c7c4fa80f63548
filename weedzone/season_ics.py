"""A season's visits and reminders as an iCalendar file (RFC 5545)."""

from __future__ import annotations

import datetime as dt
import unicodedata
import uuid
from pathlib import Path
from typing import Any

import pandas as pd
from icalendar import Calendar, Event

from weedzone.placed import place_file

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
