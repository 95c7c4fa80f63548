"""Days as people give them: dates, and days of any year."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from weedzone.errors import InputError

_ISO = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_MONTH_DAY = re.compile(r"(\d{2})-(\d{2})", re.ASCII)
_YEARS = (1900, 2200)


@dataclass(frozen=True, order=True)
class MonthDay:
    """A day of every year."""

    month: int
    day: int

    def __str__(self) -> str:
        """As it was written."""
        return f"{self.month:02d}-{self.day:02d}"


def read_date(value: object, field: str) -> dt.date:
    """A calendar day; of a time of day only the date as written, in its own zone, counts.

    Raises
    ------
    InputError
        No date, not on the calendar, or no year of our time.
    """
    found = _date_of(value)
    if found is None or not _YEARS[0] <= found.year <= _YEARS[1]:
        raise InputError(f"{_short(value)} is no date", field=field, mend="write it as 2026-05-10")
    return found


def read_day_of_year(value: object, field: str) -> dt.date | MonthDay:
    """A date, or "month-day" for every year."""
    match = _MONTH_DAY.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        if isinstance(value, MonthDay):
            return value
        try:
            return read_date(value, field)
        except InputError:
            mend = 'write 2026-05-10, or "05-10" for every year'
            raise InputError(f"{_short(value)} is no date", field=field, mend=mend) from None
    month, day = int(match[1]), int(match[2])
    try:
        dt.date(2000, month, day)  # a leap year: 29 February is a day
    except ValueError:
        mend = "write month-day"
        raise InputError(f"{_short(value)} is no day of a year", field=field, mend=mend) from None
    return MonthDay(month, day)


def day_in(day: dt.date | MonthDay, year: int) -> dt.date:
    """The day in a year; 29 February is the 28th where there is none. A date stays itself."""
    if isinstance(day, dt.date):
        return day
    try:
        return dt.date(year, day.month, day.day)
    except ValueError:
        return dt.date(year, day.month, day.day - 1)


def _date_of(value: object) -> dt.date | None:
    if isinstance(value, np.datetime64):
        value = pd.Timestamp(value)
    if value is pd.NaT:
        return None
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, dt.date):
        return value
    if isinstance(value, str) and _ISO.fullmatch(value.strip()):
        try:
            return dt.date.fromisoformat(value.strip())
        except ValueError:
            return None
    return None


def _short(value: object) -> str:
    return repr(value)[:60]
