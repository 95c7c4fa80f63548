"""Days as people give them: dates, and days of any year.

Degree-days: how warm the days have been, from a daily table of low and high temperatures.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from weedzone.base.errors import InputError
from weedzone.base.units import scale, to_si
from weedzone.base.words import read_date

_MONTH_DAY = re.compile(r"(\d{2})-(\d{2})", re.ASCII)


@dataclass(frozen=True, order=True)
class MonthDay:
    """A day of every year."""

    month: int
    day: int

    def __str__(self) -> str:
        """As it was written."""
        return f"{self.month:02d}-{self.day:02d}"


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


def _short(value: object) -> str:
    return repr(value)[:60]


_F_PER_C = 1.8
_KINDS = {"c": (1.0, 0.0), "f": scale("degF", "degC")}
_LOW = ("temp_min", "tmin", "min_temp", "low")
_HIGH = ("temp_max", "tmax", "max_temp", "high")
_POSSIBLE_C = (-90.0, 60.0)  # records on land are -89.2 and 56.7 degC (World Meteorological Organization)


@dataclass(frozen=True)
class DegreeDays:
    """The day on which the sum of degree-days reaches a total; it stands wherever a date of a season does.

    Parameters
    ----------
    total : str
        ``"300 degF"`` or ``"170 degC"``: degrees above the base, summed over days. A total in degF is 1.8 times
        that in degC.
    base : str, default "50 degF"
        Temperature above which the plant grows.
    since : date or "month-day", default "01-01"
        Day from which days are summed; a month and day hold for every year.
    """

    total: object
    base: object = "50 degF"
    since: object = "01-01"
    total_k: float = field(init=False, repr=False)
    base_c: float = field(init=False, repr=False)
    start: dt.date | MonthDay = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Read the texts once."""
        object.__setattr__(self, "total_k", to_si(self.total, "temperature_difference", field="total"))
        object.__setattr__(self, "base_c", to_si(self.base, "temperature", field="base"))
        object.__setattr__(self, "start", read_day_of_year(self.since, "since"))

    def __str__(self) -> str:
        """In words, for findings."""
        return f"{self.total} days above {self.base} since {self.start}"


def degree_days(
    temperatures: pd.DataFrame, *, base: object = "50 degF", since: object = None, until: object = None
) -> pd.DataFrame:
    """Degree-days of each day and their running total, by the simple average method.

    Parameters
    ----------
    temperatures : pandas.DataFrame
        One row a day: ``date``, ``temp_min_f`` or ``temp_min_c``, ``temp_max_f`` or ``temp_max_c`` (also
        ``tmin_``, ``min_temp_``, ``low_`` and ``tmax_``, ``max_temp_``, ``high_``). No day may be missing.
    base : str, default "50 degF"
    since, until : date, optional
        First and last day; those of the table if not given.

    Returns
    -------
    pandas.DataFrame
        ``date``, ``degree_days_f``, ``degree_days_c``, ``total_f``, ``total_c``.

    Raises
    ------
    InputError, UnitError
        Missing or repeated days, a value missing or impossible, a high below the low, days outside the table.

    Notes
    -----
    A day counts ``max(0, (high + low) / 2 - base)`` (University of California Statewide IPM Program, "A simple
    way to calculate degree-days"; Midwestern Regional Climate Center, "Growing Degree Days"). Nothing is cut at
    a highest temperature and no low is lifted to the base: other methods give other totals, so take thresholds
    that were made with this one.
    """
    days = read_temperatures(temperatures)
    first, last = days.index[0].date(), days.index[-1].date()
    start = first if since is None else read_date(since, "since")
    end = last if until is None else read_date(until, "until")
    if end < start:
        raise InputError(f"until {end} is before since {start}", field="until", mend="turn them round")
    if start < first or end > last:
        what = f"{start} to {end} is not wholly in the table, which runs from {first} to {last}"
        raise InputError(what, file="temperatures", field="date", mend="add the missing days")
    part = days.loc[pd.Timestamp(start) : pd.Timestamp(end)]
    each = _simple_average(part, to_si(base, "temperature", field="base"))
    return pd.DataFrame(
        {
            "date": [day.date() for day in part.index],
            "degree_days_f": each * _F_PER_C,
            "degree_days_c": each,
            "total_f": each.cumsum() * _F_PER_C,
            "total_c": each.cumsum(),
        }
    )


def reached(point: DegreeDays, days: pd.DataFrame, year: int) -> dt.date | None:
    """Day of a year on which the total is reached; None where the table does not tell.

    Parameters
    ----------
    days : pandas.DataFrame
        From `read_temperatures`.
    year : int
        The year in which summing starts.
    """
    start, nxt = (pd.Timestamp(day_in(point.start, one)) for one in (year, year + 1))
    if start < days.index[0] or start > days.index[-1]:
        return None
    part = days.loc[start:] if nxt <= start else days.loc[start : nxt - pd.Timedelta(days=1)]
    # Sums of decimals: a total that is met but for the last digits is met.
    enough = np.flatnonzero(_simple_average(part, point.base_c).cumsum() >= point.total_k - 1e-9)
    return part.index[enough[0]].date() if len(enough) else None


def read_temperatures(temperatures: object) -> pd.DataFrame:
    """Check a daily table; `low_c` and `high_c` by day, without a gap. See `degree_days`."""
    if not isinstance(temperatures, pd.DataFrame):
        what = f"temperatures are {type(temperatures).__name__}"
        raise InputError(what, field="temperatures", mend="give a pandas DataFrame of days")
    raw = temperatures.rename(columns=lambda name: str(name).strip().lower())
    if raw.columns.duplicated().any():
        raise _bad("a column stands twice", None, str(raw.columns[raw.columns.duplicated()][0]), "keep one")
    if "date" not in raw:
        if not isinstance(raw.index, pd.DatetimeIndex):
            raise _bad("no column 'date'", None, "date", "add it, one row a day")
        raw = raw.assign(date=raw.index)
    if raw.empty:
        raise _bad("the table has no rows", None, "date", "give one row a day")
    dates = [read_date(value, f"temperatures row {row}, date") for row, value in enumerate(raw["date"], 1)]
    table = pd.DataFrame(
        {"low_c": _celsius(raw, _LOW), "high_c": _celsius(raw, _HIGH)}, index=pd.DatetimeIndex(dates)
    ).sort_index()
    _whole(table)
    return table


def _whole(table: pd.DataFrame) -> None:
    twice = table.index[table.index.duplicated()]
    if len(twice):
        raise _bad(f"{twice[0].date()} stands twice", None, "date", "keep one row a day")
    gaps = pd.date_range(table.index[0], table.index[-1]).difference(pd.DatetimeIndex(table.index))
    if len(gaps):
        what = f"{len(gaps)} days are missing, the first {gaps[0].date()}"
        raise _bad(what, None, "date", "add them: a total over a gap would be too low")
    crossed = table.index[table["high_c"] < table["low_c"]]
    if len(crossed):
        raise _bad(f"on {crossed[0].date()} the high is below the low", None, "date", "correct the row")


def _celsius(raw: pd.DataFrame, stems: tuple[str, ...]) -> np.ndarray:
    names = {f"{stem}_{unit}": unit for stem in stems for unit in _KINDS}
    present = [name for name in raw.columns if name in names]
    if len(present) != 1:
        what = (
            f"two columns for one quantity: {' and '.join(present)}" if present else f"no {stems[0]}_f or _c"
        )
        raise _bad(what, None, stems[0], f"give one of {', '.join(names)}")
    name = present[0]
    factor, offset = _KINDS[names[name]]
    cells = raw[name].where(~raw[name].map(lambda cell: isinstance(cell, bool | np.bool_)), None)
    values = pd.to_numeric(cells, errors="coerce").to_numpy(dtype=float, na_value=np.nan) * factor + offset
    with np.errstate(invalid="ignore"):
        wrong = ~((values >= _POSSIBLE_C[0]) & (values <= _POSSIBLE_C[1]))
    if wrong.any():
        row = int(np.argmax(wrong))
        what = f"{str(raw[name].iloc[row])[:40]} is no temperature of the air"
        raise _bad(what, row + 1, name, "correct it: a total over a gap would be too low")
    return values


def _simple_average(days: pd.DataFrame, base_c: float) -> np.ndarray:
    mean = (days["high_c"].to_numpy(dtype=float) + days["low_c"].to_numpy(dtype=float)) / 2
    return np.asarray(np.maximum(mean - base_c, 0.0))


def _bad(what: str, row: int | None, column: str, mend: str) -> InputError:
    feature = None if row is None else f"row {row}"
    return InputError(what, file="temperatures", feature=feature, field=column, mend=mend)
