"""Read an hourly weather table, check it, and lay it on an unbroken hourly grid in UTC and SI units.

Nothing is filled in: an hour without a row, or a row without a value, stays missing and is judged unfit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta, tzinfo
from os import PathLike
from pathlib import Path

import numpy as np
import pandas as pd

from weedzone.base.errors import Finding, InputError
from weedzone.base.units import scale
from weedzone.weather.times import to_utc

HOUR = pd.Timedelta(hours=1)
_MOST_HOURS = 100_000  # eleven years: a longer span is a wrong date, not a season
_TIME_NAMES = ("time", "datetime", "date_time", "timestamp", "valid_time")

# Unit suffix -> (factor, offset) into the SI column.
_SAME = (1.0, 0.0)
_TEMPERATURE = {"c": _SAME, "f": scale("degF", "degC")}
_SPEED = {"mps": _SAME} | {unit: scale(unit, "m/s") for unit in ("mph", "kmh", "kn")}
_DEPTH = {"mm": _SAME, "in": scale("in", "mm")}


@dataclass(frozen=True, slots=True)
class _Quantity:
    """One weather quantity: its column in SI, the names taken for it, and the values that can be true."""

    column: str
    names: dict[str, tuple[float, float]]
    lo: float
    hi: float
    needed: bool = True


def _names(stems: tuple[str, ...], units: dict[str, tuple[float, float]]) -> dict[str, tuple[float, float]]:
    return {f"{stem}_{unit}": scale for stem in stems for unit, scale in units.items()}


_QUANTITIES = (
    # Records on land: -89.2 to 56.7 degC, gust 113 m/s, 305 mm of rain in an hour (WMO extremes).
    _Quantity("temp_c", _names(("temp", "temperature", "air_temp"), _TEMPERATURE), -90, 60),
    _Quantity("rh_pct", _names(("rh", "relative_humidity", "humidity"), {"pct": _SAME}), 0, 100),
    _Quantity("wind_mps", _names(("wind", "wind_speed"), _SPEED), 0, 115),
    _Quantity("wind_from_deg", _names(("wind_from", "wind_direction", "wind_dir"), {"deg": _SAME}), 0, 360),
    _Quantity("gust_mps", _names(("gust", "gusts", "wind_gust", "wind_gusts"), _SPEED), 0, 115, needed=False),
    _Quantity("rain_mm", _names(("rain", "precip", "precipitation"), _DEPTH), 0, 310),
    _Quantity("cloud_pct", _names(("cloud", "cloud_cover"), {"pct": _SAME}), 0, 100, needed=False),
)
_ACCEPTED = "; ".join(" | ".join(q.names) for q in _QUANTITIES)


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
    findings: list[Finding] = []
    chosen, time_name = _choose_columns(raw, source, findings)
    times, zone = to_utc(raw[time_name], tz, source, findings)
    columns = {
        quantity.column: _numbers(raw, name, quantity, source)
        for quantity, name in chosen
        if name is not None
    }
    _refuse_fractions(columns["rh_pct"], source)
    table = pd.DataFrame(columns, index=pd.DatetimeIndex(times - HOUR if hour_ends else times, name="time"))
    table = table.reindex(columns=[quantity.column for quantity in _QUANTITIES])
    _lift_gusts(table, source, findings)
    return WeatherTable(_grid(table, source, findings), zone, tuple(findings), source, frozenset(columns))


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


def _choose_columns(
    raw: pd.DataFrame, source: str, findings: list[Finding]
) -> tuple[list[tuple[_Quantity, str | None]], str]:
    repeated = raw.columns[raw.columns.duplicated()]
    if len(repeated):
        raise InputError(f"column {repeated[0]!r} stands twice", file=source, mend="keep one of them")
    chosen: list[tuple[_Quantity, str | None]] = []
    for quantity in _QUANTITIES:
        present = [name for name in raw.columns if name in quantity.names]
        if len(present) > 1:
            what = f"two columns for one quantity: {' and '.join(present)}"
            raise InputError(what, file=source, mend="keep the one that is right")
        if not present and quantity.needed:
            raise InputError(
                f"no column {' | '.join(quantity.names)}; the table has {', '.join(raw.columns)}",
                file=source,
                mend=f"name the column with its unit; accepted: {_ACCEPTED}",
            )
        chosen.append((quantity, present[0] if present else None))
    time_names = [name for name in raw.columns if name in _TIME_NAMES]
    if len(time_names) != 1:
        what = f"two time columns: {' and '.join(time_names)}" if time_names else "no column 'time'"
        raise InputError(what, file=source, mend="give one column 'time', ISO 8601 with a zone")
    used = {name for _, name in chosen} | {time_names[0]}
    findings.extend(
        Finding("note", source, name, f"column {name!r} is not used")
        for name in raw.columns
        if name not in used
    )
    return chosen, time_names[0]


def _numbers(raw: pd.DataFrame, name: str, quantity: _Quantity, source: str) -> np.ndarray:
    cells = raw[name]
    if not pd.api.types.is_numeric_dtype(cells.dtype) or pd.api.types.is_bool_dtype(cells.dtype):
        cells = cells.astype(str).where(cells.notna(), None)  # a date or a True is no number
    values = pd.to_numeric(cells, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    blank = cells.isna().to_numpy() | (cells.astype(str).str.strip() == "").to_numpy()
    factor, offset = quantity.names[name]
    lo, hi = (quantity.lo - offset) / factor, (quantity.hi - offset) / factor
    with np.errstate(invalid="ignore"):
        possible = (values >= lo) & (values <= hi)
    for bad, what in (
        (np.isnan(values) & ~blank, "is not a number"),
        (~np.isnan(values) & ~possible, f"cannot be true: it must lie from {lo:.4g} to {hi:.4g}"),
    ):
        if bad.any():
            row = int(np.argmax(bad))
            more = f" ({int(bad.sum()) - 1} more rows like it)" if bad.sum() > 1 else ""
            mend = "correct the value, or leave the cell empty where it is unknown"
            raise InputError(
                f"{cells.iloc[row]!s} {what}{more}",
                file=source,
                feature=f"row {row + 1}",
                field=name,
                mend=mend,
            )
    return np.asarray(values * factor + offset)


def _refuse_fractions(rh_pct: np.ndarray, source: str) -> None:
    known = rh_pct[~np.isnan(rh_pct)]
    if known.size and known.max() <= 1:
        mend = "multiply by 100"
        raise InputError("relative humidity never passes 1: a fraction, not percent", file=source, mend=mend)


def _lift_gusts(table: pd.DataFrame, source: str, findings: list[Finding]) -> None:
    low = (table["gust_mps"] < table["wind_mps"]).to_numpy()
    if low.any():
        table.loc[low, "gust_mps"] = table.loc[low, "wind_mps"]
        message = f"{int(low.sum())} gusts below the mean wind of their hour: the mean is taken as the gust"
        findings.append(Finding("warning", source, "gust", message))


def _grid(table: pd.DataFrame, source: str, findings: list[Finding]) -> pd.DataFrame:
    """Sorted, one row an hour from first to last; hours without a row stay empty."""

    def note(severity: str, message: str) -> None:
        findings.append(Finding(severity, source, "time", message))

    if not table.index.is_monotonic_increasing:
        table = table.sort_index(kind="stable")
        note("note", "rows were not in order of time: sorted")
    start, end = table.index[0], table.index[-1]
    _refuse_steps(table, source)
    if end - start > _MOST_HOURS * HOUR:
        what = f"the table runs from {start} to {end}"
        raise InputError(what, file=source, field="time", mend="check the dates: one of them looks wrong")
    table = _merge_repeats(table, note)
    full = pd.date_range(start, end, freq=HOUR, name="time")
    absent = full.difference(pd.DatetimeIndex(table.index))
    if len(absent):
        note(
            "warning", f"{len(absent)} hours have no row (first {absent[0].isoformat()}): unknown, so not fit"
        )
    return table.reindex(full)


def _refuse_steps(table: pd.DataFrame, source: str) -> None:
    odd = np.asarray((table.index - table.index[0]) % HOUR != timedelta(0))
    if odd.any():
        when = table.index[int(np.argmax(odd))].isoformat()
        mend = "resample the table to one row an hour"
        raise InputError(
            f"{when} is not whole hours after the first time", file=source, field="time", mend=mend
        )


def _merge_repeats(table: pd.DataFrame, note: Callable[[str, str], None]) -> pd.DataFrame:
    """One row a time: equal rows fold into one, a value on which rows disagree becomes unknown."""
    repeated = table.index.duplicated(keep=False)
    if not repeated.any():
        return table
    groups = table[repeated].groupby(level=0)
    low, high, known = groups.min(), groups.max(), groups.count()
    clash = (high > low) | ((known > 0) & known.lt(groups.size(), axis=0))
    merged = low.where(~clash)
    note("note", f"{len(merged)} times stand more than once: folded into one row each")
    if clash.to_numpy().any():
        when = clash.index[int(np.argmax(clash.any(axis=1).to_numpy()))].isoformat()
        note("warning", f"rows of one time disagree (first {when}): those values are taken as unknown")
    return pd.concat([table[~repeated], merged]).sort_index()
