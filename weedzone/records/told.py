"""What a person says about an application, as the checked texts that a record keeps."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from math import isnan

import pandas as pd

from weedzone.base import units
from weedzone.base.errors import InputError
from weedzone.base.words import read_date

Moment = dt.datetime | dt.time | None

_MEASURED = {  # kind, unit in which a pint quantity is written down, words that stand for a figure
    "wind": ("speed", "mph", frozenset({"calm"})),
    "temperature": ("temperature", "degF", frozenset[str]()),
    "humidity": ("fraction", "%", frozenset[str]()),
}
_COMPASS = frozenset(
    {"n", "nne", "ne", "ene", "e", "ese", "se", "sse", "s", "ssw", "sw", "wsw", "w", "wnw", "nw", "nnw"}
)
_DEGREES = re.compile(r"(\d{1,3}(?:\.\d+)?)\s*(?:°|deg|degrees?)?", re.IGNORECASE)
_UNPRINTABLE = re.compile("[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff\ufffe\uffff]")
_DAY_FORM = 'write the day as "2025-04-30"'
_TIME_FORM = 'write the time as "9:40", "2:15 pm" or "2025-04-30 09:40"'


def absent(value: object) -> bool:
    """Whether nothing is said: None, NaN, NaT or blank text."""
    if isinstance(value, str):
        return not value.strip()
    return value is None or value is pd.NaT or value is pd.NA or (isinstance(value, float) and isnan(value))


def text_of(value: object, name: str) -> str | None:
    """Any value as one clean text; None where nothing is said; booleans as yes and no."""
    if absent(value):
        return None
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple | set | frozenset):
        return "; ".join(part for part in (text_of(item, name) for item in value) if part) or None
    text = str(value).replace("\r\n", "\n").replace("\r", "\n").strip()
    if _UNPRINTABLE.search(text):
        raise InputError("has characters that cannot be printed", field=name, mend="type the text anew")
    return text


def texts_of(details: Mapping[str, object]) -> dict[str, str | None]:
    """Details as texts; weather is checked against its units."""
    texts: dict[str, str | None] = {}
    for name, value in details.items():
        if name in _MEASURED:
            texts[name] = _measured(value, name)
        elif name == "wind_from":
            texts[name] = _direction(value)
        elif name not in ("start", "end"):
            texts[name] = text_of(value, name)
    return texts


def _measured(value: object, name: str) -> str | None:
    if isinstance(value, list | tuple):  # at the start and at the end of the work
        return " to ".join(filter(None, (_measured(item, name) for item in value))) or None
    if absent(value):
        return None
    kind, unit, words = _MEASURED[name]
    if isinstance(value, str):
        text = text_of(value, name) or ""
        if " to " in text:  # as stored, when a record is corrected
            return _measured(text.split(" to "), name)
        if text.casefold() not in words:
            units.to_si(text, kind, allow_zero=True, field=name)
        return text
    si = units.to_si(value, kind, allow_zero=True, field=name)
    return f"{units.convert(si, kind, unit):.4g} {unit}"


def figures_of(texts: Mapping[str, str | None], name: str) -> list[float | None]:
    """Figures of a detail in SI: one, or those of the start and the end of the work; none where nothing is said."""
    kind, _, words = _MEASURED[name]
    return [
        0.0 if text.casefold() in words else units.to_si(text, kind, allow_zero=True, field=name)
        for text in (texts.get(name) or "").split(" to ")
        if text
    ]


def _direction(value: object) -> str | None:
    text = text_of(value, "wind_from")
    if text is None or text.casefold() in {"calm", "variable"}:
        return text
    degrees = _DEGREES.fullmatch(text)
    if degrees and float(degrees[1]) <= 360:
        return f"{float(degrees[1]):g}°"
    if text.casefold() in _COMPASS:
        return text.upper()
    raise InputError(
        f"{text!r} is no direction", field="wind_from", mend='write a compass point ("NW") or degrees ("315")'
    )


def moment(value: object, name: str) -> Moment:
    """Date-time or clock time that a value means; None where nothing is said."""
    if absent(value):
        return None
    if isinstance(value, dt.datetime):  # pandas.Timestamp is one too
        return value if not isinstance(value, pd.Timestamp) else value.to_pydatetime(warn=False)
    if isinstance(value, dt.time):
        return value
    text = text_of(value, name) or ""
    text = re.sub(r"(^|\d{4}-\d\d-\d\d[ T])(\d:)", r"\g<1>0\2", text)
    for read in (dt.time.fromisoformat, dt.datetime.fromisoformat, _twelve_hours):
        # A bare day would pass for its midnight, and bare digits for a time: ask for the colon.
        try:
            return read(text) if ":" in text else _twelve_hours(text)
        except ValueError:
            continue
    raise InputError(f"{text!r} is no time of day", field=name, mend=_TIME_FORM)


def _twelve_hours(text: str) -> dt.time:
    squeezed = re.sub(r"[\s.]", "", text).upper()
    return dt.datetime.strptime(squeezed, "%I:%M%p" if ":" in squeezed else "%I%p").time()


def day_of(date: object, start: Moment, planned: object) -> dt.date:
    """Day of the application, which is not in the future.

    The day given; else that of a full `start`; else the planned one. Today is what the computer's clock says.
    """
    of_start = start.date() if isinstance(start, dt.datetime) else None
    told = next((value for value in (date, of_start, planned) if not absent(value)), None)
    if told is None:
        raise InputError("the day of the application is not given", field="date", mend=_DAY_FORM)
    day = read_date(told, "date")
    if of_start and of_start != day:
        raise InputError(f"the start is on {of_start}, the record on {day}", field="start", mend=_DAY_FORM)
    if day > dt.date.today():
        raise InputError(
            f"{day} is in the future", field="date", mend="record what was done, when it is done"
        )
    return day


def clock(day: dt.date, start: Moment, end: Moment) -> dict[str, str | None]:
    """Start and end as texts, in order and not in the future; an end on another day keeps its date."""
    began, ended = _on(day, start), _on(day, end)
    for name, when in (("start", began), ("end", ended)):
        if when is not None and _future(when):
            raise InputError(f"{when.isoformat(' ')} is in the future", field=name)
    if began and ended and _before(ended, began):
        mend = "an end after midnight needs its date" if isinstance(end, dt.time) else None
        raise InputError(
            f"the end, {_shown(ended, day)}, is before the start, {_shown(began, day)}",
            field="end",
            mend=mend,
        )
    return {"start": _shown(began, day) if began else None, "end": _shown(ended, day) if ended else None}


def _on(day: dt.date, when: Moment) -> dt.datetime | None:
    return dt.datetime.combine(day, when) if isinstance(when, dt.time) else when


def _future(when: dt.datetime) -> bool:
    # A time without zone is the site's, which may be ahead of this computer's: only its day is checked.
    if when.tzinfo is None:
        return when.date() > dt.date.today()
    return when > dt.datetime.now(dt.UTC)


def _before(one: dt.datetime, other: dt.datetime) -> bool:
    if (one.tzinfo is None) != (other.tzinfo is None):
        return one.replace(tzinfo=None) < other.replace(tzinfo=None)
    return one < other


def _shown(when: dt.datetime, day: dt.date) -> str:
    text = when.isoformat(sep=" ", timespec="minutes" if not when.second else "seconds")
    return text.removeprefix(f"{day} ")


def utc_now() -> str:
    """Time of writing, in UTC, to the microsecond."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="microseconds")
