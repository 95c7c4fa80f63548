"""Read an hourly weather table, check it, and lay it on an unbroken hourly grid in UTC and SI units.

Nothing is filled in: an hour without a row, or a row without a value, stays missing and is judged unfit. Times go
to UTC: nothing without a zone, no hour that the clock skipped or doubled.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, timezone, tzinfo
from os import PathLike
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from weedzone.base.errors import Finding, InputError, naming
from weedzone.base.units import scale

HOUR = pd.Timedelta(hours=1)
_MOST_HOURS = 100_000  # eleven years: a longer span is a wrong date, not a season
_WIDEST_MIN = 14 * 60  # UTC+14, the Line Islands
_TIME_NAMES = ("time", "datetime", "date_time", "timestamp", "valid_time")
_TIME = re.compile(
    r"\A(?P<wall>\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(?::\d{2}(?:\.\d+)?)?)\s*"
    r"(?P<zone>Z|UTC|(?P<hours>[+-]\d{2}):?(?P<minutes>\d{2})?)?\Z",
    re.IGNORECASE,
)

# Suffix of a column's name -> its unit, and the SI column's; none where they are the same.
_UNITS = {
    "f": ("degF", "degC"),
    "mph": ("mph", "m/s"),
    "kmh": ("kmh", "m/s"),
    "kn": ("kn", "m/s"),
    "in": ("in", "mm"),
}
_SPEED = ("mps", "mph", "kmh", "kn")


@dataclass(frozen=True, slots=True)
class _Quantity:
    """One weather quantity: its column in SI, the names and units taken for it, and the values that can be true."""

    column: str
    stems: tuple[str, ...]
    units: tuple[str, ...]
    lo: float
    hi: float
    needed: bool = True

    @property
    def names(self) -> list[str]:
        return [f"{stem}_{unit}" for stem in self.stems for unit in self.units]


_QUANTITIES = (
    # Records on land: -89.2 to 56.7 degC, gust 113 m/s, 305 mm of rain in an hour (WMO extremes).
    _Quantity("temp_c", ("temp", "temperature", "air_temp"), ("c", "f"), -90, 60),
    _Quantity("rh_pct", ("rh", "relative_humidity", "humidity"), ("pct",), 0, 100),
    _Quantity("wind_mps", ("wind", "wind_speed"), _SPEED, 0, 115),
    _Quantity("wind_from_deg", ("wind_from", "wind_direction", "wind_dir"), ("deg",), 0, 360),
    _Quantity("gust_mps", ("gust", "gusts", "wind_gust", "wind_gusts"), _SPEED, 0, 115, needed=False),
    _Quantity("rain_mm", ("rain", "precip", "precipitation"), ("mm", "in"), 0, 310),
    _Quantity("cloud_pct", ("cloud", "cloud_cover"), ("pct",), 0, 100, needed=False),
)


@dataclass(frozen=True)
class WeatherTable:
    """Hourly weather, checked.

    Attributes
    ----------
    hours : pandas.DataFrame
        One row an hour without a break, indexed by ``time`` (UTC, the start of the hour). Columns ``temp_c``,
        ``rh_pct``, ``wind_mps``, ``wind_from_deg``, ``gust_mps``, ``rain_mm``, ``cloud_pct``; NaN if unknown.
    zone : datetime.tzinfo
        The zone in which times are shown.
    findings : tuple of Finding
        What was noticed and what was done about it.
    source : str
        The file's name, or ``weather``.
    given : frozenset of str
        The columns that the table really had (``gust_mps`` and ``cloud_pct`` may be absent).
    """

    hours: pd.DataFrame
    zone: tzinfo
    findings: tuple[Finding, ...]
    source: str
    given: frozenset[str]


def read_weather(
    weather: str | PathLike[str] | pd.DataFrame, *, tz: str | None = None, hour_ends: bool = False
) -> WeatherTable:
    """Read hourly weather from a CSV file or a DataFrame.

    Parameters
    ----------
    weather : path or pandas.DataFrame
        One row an hour. The unit is in the column's name:

        ==================  ====================================================================
        time                ``time`` (or ``datetime``, ``timestamp``, ``valid_time``, or a
                            DatetimeIndex): ISO 8601 with a zone, ``2025-04-12T09:00-05:00``
        air temperature     ``temp_f`` | ``temp_c`` (also ``temperature_``, ``air_temp_``)
        relative humidity   ``rh_pct`` (also ``relative_humidity_pct``, ``humidity_pct``), 0 to 100
        mean wind           ``wind_mph`` | ``wind_mps`` | ``wind_kmh`` | ``wind_kn`` (also ``wind_speed_``)
        wind direction      ``wind_from_deg`` (also ``wind_direction_deg``, ``wind_dir_deg``): where the wind
                            comes FROM, clockwise from true north, as meteorology writes it
        gusts (optional)    ``gust_mph`` | ``gust_mps`` | ``gust_kmh`` | ``gust_kn`` (also ``wind_gust_``)
        rain                ``rain_in`` | ``rain_mm`` (also ``precip_``, ``precipitation_``), in that hour
        cloud (optional)    ``cloud_pct`` (also ``cloud_cover_pct``), 0 to 100
        ==================  ====================================================================

    tz : str, optional
        IANA name, ``"America/Chicago"``: the zone of times written without one, and to show times in.
    hour_ends : bool, default False
        True where the table stamps an hour with its end (rain "of the past hour"), not its start.

    Returns
    -------
    WeatherTable

    Raises
    ------
    InputError
        No time zone, an hour that the clock skipped, two columns for one quantity, a column without a unit,
        a value that is not a number or cannot be true, steps that are not whole hours. Row and column are
        named; rows are counted from 1, the heading not counted.
    """
    raw, source = _load(weather)
    raw = raw.rename(columns=lambda name: str(name).strip().lower())
    told: list[tuple[str, str, str]] = []
    named = _zone(tz)
    with naming(file=source):
        columns, time_name = _choose_columns(raw, told)
        times, zone = _to_utc(raw[time_name], named, told)
        index = pd.DatetimeIndex(times - HOUR if hour_ends else times, name="time")
        given = {quantity.column: _numbers(raw[name], quantity) for quantity, name in columns.items()}
        _refuse_fractions(given["rh_pct"])
        table = pd.DataFrame(given, index).reindex(columns=[quantity.column for quantity in _QUANTITIES])
        _lift_gusts(table, told)
        hours = _grid(table, told)
    findings = tuple(Finding(severity, source, feature, message) for severity, feature, message in told)
    return WeatherTable(hours, zone, findings, source, frozenset(given))


def _load(weather: str | PathLike[str] | pd.DataFrame) -> tuple[pd.DataFrame, str]:
    if isinstance(weather, pd.DataFrame):
        has_time = any(str(name).strip().lower() in _TIME_NAMES for name in weather.columns)
        named = isinstance(weather.index, pd.DatetimeIndex) and not has_time
        raw = weather.rename_axis(index="time").reset_index() if named else weather.reset_index(drop=True)
        source = "weather"
    elif isinstance(weather, str | PathLike):
        path = Path(weather)
        source = path.name
        if not path.is_file():
            raise InputError("no such weather file", file=path)
        try:
            raw = pd.read_csv(path, dtype=str, skipinitialspace=True, encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError, pd.errors.EmptyDataError, pd.errors.ParserError) as error:
            mend = "save it as a comma-separated text in UTF-8 with a heading line"
            raise InputError(f"not a readable CSV table ({error})", file=path, mend=mend) from error
    else:
        raise InputError(f"weather is {type(weather).__name__}", mend="give a CSV path or a pandas DataFrame")
    if not isinstance(raw.index, pd.RangeIndex):
        mend = "write decimals with a point and one value a heading"
        raise InputError("rows have more values than the heading has names", file=source, mend=mend)
    if raw.empty:
        raise InputError("the weather table has no rows", file=source)
    return raw, source


def _choose_columns(raw: pd.DataFrame, told: list[tuple[str, str, str]]) -> tuple[dict[_Quantity, str], str]:
    """The column of each quantity that is there, and that of the time."""
    repeated = raw.columns[raw.columns.duplicated()]
    if len(repeated):
        raise InputError(f"column {repeated[0]!r} stands twice", mend="keep one of them")
    chosen: dict[_Quantity, str] = {}
    for quantity in _QUANTITIES:
        present = [name for name in raw.columns if name in quantity.names]
        if len(present) > 1:
            what = f"two columns for one quantity: {' and '.join(present)}"
            raise InputError(what, mend="keep the one that is right")
        if not present and quantity.needed:
            what = f"no column {' | '.join(quantity.names)}; the table has {', '.join(raw.columns)}"
            accepted = "; ".join(" | ".join(each.names) for each in _QUANTITIES)
            raise InputError(what, mend=f"name the column with its unit; accepted: {accepted}")
        for name in present:
            chosen[quantity] = name
    time_names = [name for name in raw.columns if name in _TIME_NAMES]
    if len(time_names) != 1:
        what = f"two time columns: {' and '.join(time_names)}" if time_names else "no column 'time'"
        raise InputError(what, mend="give one column 'time', ISO 8601 with a zone")
    unused = [name for name in raw.columns if name not in {*chosen.values(), *time_names}]
    told += [("note", name, f"column {name!r} is not used") for name in unused]
    return chosen, time_names[0]


def _refuse(cells: pd.Series, bad: Any, what: str, mend: str) -> None:
    """Refuse a column for the first of its bad cells."""
    if bad.any():
        row = int(np.argmax(bad))
        field = "time" if cells.name in _TIME_NAMES else str(cells.name)
        raise InputError(f"{cells.iloc[row]!s} {what}", feature=f"row {row + 1}", field=field, mend=mend)


def _numbers(cells: pd.Series, quantity: _Quantity) -> np.ndarray:
    """A column of numbers in SI; NaN where it is blank."""
    if not pd.api.types.is_numeric_dtype(cells.dtype) or pd.api.types.is_bool_dtype(cells.dtype):
        cells = cells.astype(str).where(cells.notna(), None)  # a date or a True is no number
    values = pd.to_numeric(cells, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    blank = cells.isna().to_numpy() | (cells.astype(str).str.strip() == "").to_numpy()
    suffix = str(cells.name).rpartition("_")[2]
    factor, offset = scale(*_UNITS[suffix]) if suffix in _UNITS else (1.0, 0.0)
    lo, hi = (quantity.lo - offset) / factor, (quantity.hi - offset) / factor
    for bad, what in (
        (np.isnan(values) & ~blank, "is not a number"),
        ((values < lo) | (values > hi), f"cannot be true: it must lie from {lo:.4g} to {hi:.4g}"),
    ):
        more = f" ({bad.sum() - 1} more rows like it)" if bad.sum() > 1 else ""
        _refuse(cells, bad, what + more, "correct the value, or leave the cell empty where it is unknown")
    return np.asarray(values * factor + offset)


def _refuse_fractions(rh_pct: np.ndarray) -> None:
    known = rh_pct[~np.isnan(rh_pct)]
    if known.size and known.max() <= 1:
        what = "relative humidity never passes 1: a fraction, not percent"
        raise InputError(what, mend="multiply by 100")


def _lift_gusts(table: pd.DataFrame, told: list[tuple[str, str, str]]) -> None:
    low = table["gust_mps"] < table["wind_mps"]
    if low.any():
        table["gust_mps"] = table["gust_mps"].mask(low, table["wind_mps"])
        message = f"{low.sum()} gusts below the mean wind of their hour: the mean is taken as the gust"
        told.append(("warning", "gust", message))


def _to_utc(
    cells: pd.Series, named: tzinfo | None, told: list[tuple[str, str, str]]
) -> tuple[pd.DatetimeIndex, tzinfo]:
    """A column of times (ISO 8601 text or datetimes) in UTC, in the table's order, and the zone to show them in."""
    mend = "write times as 2025-04-12T09:00-05:00, or give tz= for local times without a zone"
    if isinstance(cells.dtype, pd.DatetimeTZDtype):
        _refuse(cells, cells.isna(), "is no time", mend)
        return pd.DatetimeIndex(cells.dt.tz_convert("UTC")), named or cells.dt.tz or UTC
    text = cells.map(lambda cell: cell.isoformat() if isinstance(cell, date) else str(cell).strip())
    parts = text.astype(object).str.extract(_TIME)
    _refuse(text, parts["wall"].isna(), "is no ISO 8601 time with hours and minutes", mend)
    naive = parts["zone"].isna()
    if named is None or not naive.all():
        others = "" if naive.all() else ", but other rows have one"
        _refuse(text, naive, f"has no time zone{others}", mend)
    wall = pd.to_datetime(parts["wall"], format="ISO8601", errors="coerce")
    _refuse(text, wall.isna(), "is no date on the calendar", mend)
    if naive.all() and named is not None:
        return _localized(wall, named, text, mend), named
    west = parts["hours"].str.startswith("-", na=False)
    beyond = parts["minutes"].astype(float).fillna(0.0)
    minutes = parts["hours"].astype(float).fillna(0.0) * 60.0 + beyond.mask(west, -beyond)
    _refuse(text, minutes.abs() > _WIDEST_MIN, "has an offset that no place on earth keeps", mend)
    offsets = pd.to_timedelta(minutes, unit="min")
    several = (offsets != offsets.iloc[0]).any()
    if named is None and several:
        message = (
            "times have several offsets (a clock change, or mixed zones): taken as written, shown in UTC"
        )
        told.append(("note", "time", message))
    alone = UTC if several else timezone(offsets.iloc[0].to_pytimedelta())
    return pd.DatetimeIndex(wall - offsets).tz_localize("UTC"), named or alone


def _zone(tz: str | None) -> tzinfo | None:
    try:
        return None if tz is None else ZoneInfo(tz)
    except (ValueError, OSError, KeyError, TypeError) as error:
        mend = 'give an IANA name such as "America/Chicago"'
        raise InputError(f"{tz!r} is no time zone", field="tz", mend=mend) from error


def _localized(wall: pd.Series, zone: tzinfo, text: pd.Series, mend: str) -> pd.DatetimeIndex:
    """Local wall times to UTC: a skipped hour is refused, a repeated hour needs both of its rows."""
    index = pd.DatetimeIndex(wall)
    # With a guess for repeated hours, NaT is left only where the clock skipped the hour.
    guess = index.tz_localize(zone, ambiguous=np.ones(len(index), bool), nonexistent="NaT")
    _refuse(text, guess.isna(), f"does not exist in {zone}: the clock skipped that hour", mend)
    twice = np.asarray(index.tz_localize(zone, ambiguous="NaT", nonexistent="NaT").isna())
    counts = wall.map(wall.value_counts()).to_numpy()
    unclear = twice & ((counts != 2) | (not index[~twice].is_monotonic_increasing))
    _refuse(text, unclear, f"came twice in {zone} (the clock went back): which one is not clear", mend)
    return index.tz_localize(zone, ambiguous=~wall.duplicated().to_numpy()).tz_convert("UTC")


def _grid(table: pd.DataFrame, told: list[tuple[str, str, str]]) -> pd.DataFrame:
    """Sorted, one row an hour from first to last; hours without a row stay empty."""
    if not table.index.is_monotonic_increasing:
        table = table.sort_index(kind="stable")
        told.append(("note", "time", "rows were not in order of time: sorted"))
    start, end = table.index[0], table.index[-1]
    odd = table.index[(table.index - start) % HOUR != pd.Timedelta(0)]
    if len(odd):
        what = f"{odd[0].isoformat()} is not whole hours after the first time"
        raise InputError(what, field="time", mend="resample the table to one row an hour")
    if end - start > _MOST_HOURS * HOUR:
        what = f"the table runs from {start} to {end}"
        raise InputError(what, field="time", mend="check the dates: one of them looks wrong")
    if not table.index.is_unique:
        table = _merged_repeats(table, told)
    full = pd.date_range(start, end, freq=HOUR, name="time")
    absent = full.difference(pd.DatetimeIndex(table.index))
    if len(absent):
        message = f"{len(absent)} hours have no row (first {absent[0].isoformat()}): unknown, so not fit"
        told.append(("warning", "time", message))
    return table.reindex(full)


def _merged_repeats(table: pd.DataFrame, told: list[tuple[str, str, str]]) -> pd.DataFrame:
    """One row a time: equal rows fold into one, a value on which rows disagree becomes unknown."""
    repeated = table.index.duplicated(keep=False)
    groups = table[repeated].groupby(level=0)
    low, high, known = groups.min(), groups.max(), groups.count()
    clash = (high > low) | ((known > 0) & known.lt(groups.size(), axis=0))
    told.append(("note", "time", f"{len(low)} times stand more than once: folded into one row each"))
    clashing = clash.index[clash.any(axis=1)]
    if len(clashing):
        message = (
            f"rows of one time disagree (first {clashing[0].isoformat()}): those values are taken as unknown"
        )
        told.append(("warning", "time", message))
    return pd.concat([table[~repeated], low.where(~clash)]).sort_index()
