"""Days as people give them: dates, days of any year, degree-days; and spans of them: seasons, and no frost.

Degree-days say how warm the days have been, from a daily table of low and high temperatures.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from weedzone.base.errors import Finding, InputError
from weedzone.base.names import chief_name
from weedzone.base.units import scale, to_si
from weedzone.base.words import read_date
from weedzone.ground.shapes import Bools, Floats

ONE_DAY = dt.timedelta(days=1)
_MONTH_DAY = re.compile(r"(\d{2})-(\d{2})", re.ASCII)
_F_PER_C = 1.8
_KINDS = {"c": (1.0, 0.0), "f": scale("degF", "degC")}
_LOW = ("temp_min", "tmin", "min_temp", "low")
_HIGH = ("temp_max", "tmax", "max_temp", "high")
_POSSIBLE_C = (-90.0, 60.0)  # records on land are -89.2 and 56.7 degC (World Meteorological Organization)


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
    if isinstance(value, MonthDay):
        return value
    match = _MONTH_DAY.fullmatch(value.strip()) if isinstance(value, str) else None
    what, mend = "date", 'write 2026-05-10, or "05-10" for every year'
    try:
        if match is None:
            return read_date(value, field)
        what, mend = "day of a year", "write month-day"
        month, day = int(match[1]), int(match[2])
        dt.date(2000, month, day)  # a leap year: 29 February is a day
    except ValueError:
        raise InputError(f"{repr(value)[:60]} is no {what}", field=field, mend=mend) from None
    return MonthDay(month, day)


def day_in(day: dt.date | MonthDay, year: int) -> dt.date:
    """The day in a year; 29 February is the 28th where there is none. A date stays itself."""
    if isinstance(day, dt.date):
        return day
    try:
        return dt.date(year, day.month, day.day)
    except ValueError:
        return dt.date(year, day.month, day.day - 1)


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


Point = dt.date | MonthDay | DegreeDays
Span = tuple[Point, Point]


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
        raise _bad(what, "date", "add the missing days")
    part = days.loc[pd.Timestamp(start) : pd.Timestamp(end)]
    each = _simple_average(part, to_si(base, "temperature", field="base"))
    table = pd.DataFrame({"date": [day.date() for day in part.index], "degree_days_f": each * _F_PER_C})
    return table.assign(degree_days_c=each, total_f=each.cumsum() * _F_PER_C, total_c=each.cumsum())


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
        raise _bad("a column stands twice", str(raw.columns[raw.columns.duplicated()][0]), "keep one")
    if "date" not in raw:
        if not isinstance(raw.index, pd.DatetimeIndex):
            raise _bad("no column 'date'", "date", "add it, one row a day")
        raw = raw.assign(date=raw.index)
    if raw.empty:
        raise _bad("the table has no rows", "date", "give one row a day")
    dates = [read_date(value, f"temperatures row {row}, date") for row, value in enumerate(raw["date"], 1)]
    table = pd.DataFrame(
        {"low_c": _celsius(raw, _LOW), "high_c": _celsius(raw, _HIGH)}, index=pd.DatetimeIndex(dates)
    ).sort_index()
    _whole(table)
    return table


def _whole(table: pd.DataFrame) -> None:
    twice = table.index[table.index.duplicated()]
    if len(twice):
        raise _bad(f"{twice[0].date()} stands twice", "date", "keep one row a day")
    gaps = pd.date_range(table.index[0], table.index[-1]).difference(pd.DatetimeIndex(table.index))
    if len(gaps):
        what = f"{len(gaps)} days are missing, the first {gaps[0].date()}"
        raise _bad(what, "date", "add them: a total over a gap would be too low")
    crossed = table.index[table["high_c"] < table["low_c"]]
    if len(crossed):
        raise _bad(f"on {crossed[0].date()} the high is below the low", "date", "correct the row")


def _celsius(raw: pd.DataFrame, stems: tuple[str, ...]) -> Floats:
    names = {f"{stem}_{unit}": _KINDS[unit] for stem in stems for unit in _KINDS}
    present = [name for name in raw.columns if name in names]
    if len(present) != 1:
        what = f"two columns for one quantity: {' and '.join(present)}"
        mend = f"give one of {', '.join(names)}"
        raise _bad(what if present else f"no {stems[0]}_f or _c", stems[0], mend)
    name = present[0]
    factor, offset = names[name]
    cells = raw[name].where(~raw[name].map(lambda cell: isinstance(cell, bool | np.bool_)), None)
    values = pd.to_numeric(cells, errors="coerce").to_numpy(dtype=float, na_value=np.nan) * factor + offset
    wrong = ~((values >= _POSSIBLE_C[0]) & (values <= _POSSIBLE_C[1]))
    if wrong.any():
        row = int(np.argmax(wrong))
        what = f"{str(raw[name].iloc[row])[:40]} is no temperature of the air"
        raise _bad(what, name, "correct it: a total over a gap would be too low", f"row {row + 1}")
    return values


def _simple_average(days: pd.DataFrame, base_c: float) -> Floats:
    return np.maximum((days["high_c"] + days["low_c"]).to_numpy(dtype=float) / 2 - base_c, 0.0)


def _bad(what: str, column: str, mend: str, feature: str | None = None) -> InputError:
    return InputError(what, file="temperatures", feature=feature, field=column, mend=mend)


@dataclass(frozen=True)
class Frame:
    """The days that a plan looks at: `first` to `last`, both in it."""

    first: dt.date
    last: dt.date

    def none(self) -> Bools:
        """No day."""
        return np.zeros((self.last - self.first).days + 1, dtype=bool)

    def within(self, start: dt.date, end: dt.date) -> slice:
        """Places of the days of a span, as far as they are looked at."""
        return slice(max((start - self.first).days, 0), max((end - self.first).days + 1, 0))

    def run(self, days: Bools, start: dt.date, end: dt.date) -> tuple[dt.date, dt.date] | None:
        """First and last day of the first run of days inside a span; None where there is none."""
        span = self.within(start, end)
        fit = np.flatnonzero(days[span]) + span.start
        if not len(fit):
            return None
        length = int(np.argmax(np.diff(fit, append=len(days) + 1) > 1))
        first = self.first + dt.timedelta(days=int(fit[0]))
        return first, first + dt.timedelta(days=length)

    @property
    def years(self) -> range:
        """Years whose spans may reach into the frame."""
        return range(self.first.year - 1, self.last.year + 2)


def read_point(value: object, field: str) -> Point:
    """A date, "month-day" or `DegreeDays`."""
    return value if isinstance(value, DegreeDays) else read_day_of_year(value, field)


def read_spans(value: object, field: str) -> list[Span]:
    """One span, a pair of points, or a list of spans.

    Raises
    ------
    InputError
        No pair, no date, or an end before its start.
    """
    if not _is_list(value):
        raise InputError(f"{value!r} is no span"[:90], field=field, mend='write ("09-15", "10-31")')
    assert isinstance(value, Sequence)
    pairs = value if value and all(_is_list(one) for one in value) else [value]
    return [_span(pair, field) for pair in pairs]


def _span(pair: Sequence[object], field: str) -> Span:
    if len(pair) != 2:
        raise InputError(f"{len(pair)} ends of a span", field=field, mend="write a first and a last day")
    start, end = (read_point(one, field) for one in pair)
    if isinstance(start, DegreeDays) and isinstance(end, DegreeDays):
        alike = (start.base_c, start.start) == (end.base_c, end.start)
        backwards = alike and end.total_k < start.total_k
    else:
        backwards = isinstance(start, dt.date) and isinstance(end, dt.date) and end < start
    if backwards:
        what = f"the span ends ({end}) before it starts ({start})"
        raise InputError(what, field=field, mend="turn it round")
    if {type(start), type(end)} == {dt.date, MonthDay}:
        mend = "write both with the year, or both without"
        raise InputError(f"one end has a year, the other has none ({start}, {end})", field=field, mend=mend)
    return start, end


def _ends(
    span: Span, frame: Frame, heat: pd.DataFrame | None
) -> Iterator[tuple[dt.date | None, dt.date | None]]:
    """First and last day of a span in each year in which it lies, which a date fixes."""
    start, end = span
    over_new_year = isinstance(start, MonthDay) and isinstance(end, MonthDay) and end < start
    fixed = [point.year for point in span if isinstance(point, dt.date)]
    for year in fixed[:1] or frame.years:
        yield resolve(start, year, heat), resolve(end, year + over_new_year, heat)


def read_by_weed(value: object, field: str) -> dict[str, object]:
    """A mapping of weed to something, with the chief names of the weeds; what stands alone is for all ("")."""
    if not isinstance(value, Mapping):
        return {"": value}
    found: dict[str, object] = {}
    for name, one in value.items():
        chief = chief_name(name, "weed")
        if not isinstance(name, str) or not chief:
            raise InputError(f"{name!r} is no weed", field=field, mend="write the weed's name")
        if chief in found:
            raise InputError(f"{chief} stands twice", field=field, mend="give each weed once")
        found[chief] = one
    return found


def span_days(
    spans: Sequence[Span], frame: Frame, heat: pd.DataFrame | None, what: str
) -> tuple[Bools, list[Finding]]:
    """Days of the frame inside any of the spans; what the temperatures do not tell is outside.

    Parameters
    ----------
    heat : DataFrame or None
        From `weedzone.season.dates.read_temperatures`; needed where a point is `DegreeDays`.
    what : str
        The weed, for findings.
    """
    days, findings = frame.none(), []
    told_until = dt.date.max if heat is None else heat.index[-1].date()
    for start, end in spans:
        for first, last in _ends((start, end), frame, heat):
            if first is None:
                continue
            if last is None and first <= told_until:
                message = f"{end}: not reached when the temperatures end on {told_until}"
                message += "; later days count as out of season"
                findings.append(Finding("note", "season", what, message))
            days[frame.within(first, last or told_until)] = True
        if isinstance(start, DegreeDays) and all(resolve(start, y, heat) is None for y in frame.years):
            message = f"{start}: not reached in the temperatures given, so the season has not begun"
            findings.append(Finding("warning", "season", what, message))
    return days, list(dict.fromkeys(findings))


def resolve(point: Point, year: int, heat: pd.DataFrame | None) -> dt.date | None:
    """Day of a point in a year; None where the temperatures do not tell."""
    if not isinstance(point, DegreeDays):
        return day_in(point, year)
    if heat is None:
        mend = "give temperatures=, one row a day"
        raise InputError("degree-days need daily temperatures", field="temperatures", mend=mend)
    return reached(point, heat, year)


def frost_free(frost: object, frame: Frame) -> tuple[Bools, list[Finding]]:
    """Days of the frame without frost.

    Parameters
    ----------
    frost : None, a point, a pair, or a list of pairs
        The first frost of autumn; or the last frost of spring and the first of autumn. After a first frost
        whose spring is not given everything is closed: nothing is known of it.
    """
    days = frame.none()
    if frost is None:
        return ~days, []
    if not _is_list(frost):
        autumn = _first_frost(read_day_of_year(frost, "frost"), frame.first)
        days[frame.within(frame.first, autumn - ONE_DAY)] = True
        message = (
            f"no visit from the first frost, {autumn}, on: the last frost of spring is not given "
            '(write frost=("04-25", "10-15") to plan beyond)'
        )
        return days, [Finding("note", "season", "frost", message)]
    for span in read_spans(frost, "frost"):
        if any(isinstance(point, DegreeDays) for point in span):
            raise InputError("frost is a date, not degree-days", field="frost", mend='write "10-15"')
        for start, end in _ends(span, frame, None):
            assert start is not None
            assert end is not None
            days[frame.within(start + ONE_DAY, end - ONE_DAY)] = True
    return days, []


def _first_frost(frost: dt.date | MonthDay, start: dt.date) -> dt.date:
    """First frost of the growing season that a day lies in: a calendar year, or July to June south of the line."""
    if isinstance(frost, dt.date):
        return frost
    south = frost.month < 7
    return day_in(frost, start.year + (1 if south and start.month >= 7 else 0))


def _is_list(value: object) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str | bytes)
