"""Judge every hour by every factor, and say why an hour is refused. Nothing unknown passes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from weedzone.weather.air import STABLE_WIND_MPS, day_and_dusk, delta_t_c, night_class
from weedzone.weather.limits import SLACK, Limits, speed_text, temperature_text
from weedzone.weather.table import WeatherTable

FACTORS = ("wind", "gusts", "inversion", "temperature", "delta_t", "rain", "leaves", "daylight")
OK, NO, UNKNOWN, SKIPPED = "ok", "no", "unknown", "not judged"


@dataclass(frozen=True, slots=True)
class Place:
    """Where the job is: degrees north and east, metres above the sea."""

    lat: float
    lon: float
    elevation_m: float = 0.0


@dataclass(frozen=True, slots=True)
class _Verdict:
    state: np.ndarray
    why: Callable[[int], str]


def judge_hours(table: WeatherTable, limits: Limits, place: Place, system: str = "us") -> pd.DataFrame:
    """One row an hour: the weather, a verdict for each factor, ``ok`` and ``reason``.

    Parameters
    ----------
    table : WeatherTable
        n hours.
    limits : Limits
    place : Place
    system : {"us", "metric"}
        Units of the words in ``reason``.

    Returns
    -------
    pandas.DataFrame, n rows
        ``time``, the weather in SI, ``delta_t_c``, one column a factor with "ok", "no", "unknown" or (for
        a factor whose column the table lacks) "not judged"; ``ok``; ``reason``, empty exactly where ``ok``;
        ``score``.
    """
    hours = table.hours
    index = pd.DatetimeIndex(hours.index)
    weather = {str(name): hours[name].to_numpy(dtype=float) for name in hours.columns}
    weather["delta_t_c"] = delta_t_c(weather["temp_c"], weather["rh_pct"], place.elevation_m)
    daylight, night = day_and_dusk(index[0], len(hours), place.lat, place.lon)
    verdicts = {
        "wind": _wind(weather, limits, system),
        "gusts": _gusts(weather, limits, system, judged="gust_mps" in table.given),
        "inversion": _inversion(weather, night, system),
        "temperature": _temperature(weather, limits, system),
        "delta_t": _delta_t(weather, limits),
        "rain": _rain(weather["rain_mm"], limits),
        "leaves": _leaves(weather, limits),
        "daylight": _Verdict(np.where(daylight, OK, NO), lambda _: "not daylight for the whole hour"),
    }
    out = pd.DataFrame({"time": index.tz_convert(table.zone), **weather})
    for name in FACTORS:
        out[name] = verdicts[name].state
    bad = {name: np.isin(verdict.state, (NO, UNKNOWN)) for name, verdict in verdicts.items()}
    out["ok"] = ~np.any(list(bad.values()), axis=0)
    out["reason"] = [
        "; ".join(verdicts[name].why(row) for name in FACTORS if bad[name][row]) for row in range(len(hours))
    ]
    out["score"] = np.where(out["ok"], 100 * _margin(weather, limits), 0.0)
    return out


def _margin(weather: dict[str, np.ndarray], limits: Limits) -> np.ndarray:
    """0 at a limit to 1 in the middle half of the band, for the factor with the least room."""

    def room(value: np.ndarray, lo: float, hi: float) -> np.ndarray:
        quarter = max((hi - lo) / 4, 1e-9)
        return np.clip(np.minimum(value - lo, hi - value) / quarter, 0, 1)

    gust = np.clip((limits.gust_max_mps - weather["gust_mps"]) / (limits.gust_max_mps / 4), 0, 1)
    rooms = [
        room(weather["wind_mps"], limits.wind_min_mps, limits.wind_max_mps),
        np.where(np.isnan(gust), 1.0, gust),
        room(weather["temp_c"], limits.temp_min_c, limits.temp_max_c),
        room(weather["delta_t_c"], limits.delta_t_min_c, limits.delta_t_max_c),
    ]
    return np.asarray(np.nan_to_num(np.min(rooms, axis=0)))


def _state(known: np.ndarray, good: np.ndarray) -> np.ndarray:
    return np.where(known, np.where(good, OK, NO), UNKNOWN)


def _wind(weather: dict[str, np.ndarray], limits: Limits, system: str) -> _Verdict:
    wind, direction = weather["wind_mps"], weather["wind_from_deg"]
    known = ~np.isnan(wind) & ~np.isnan(direction)
    strong, calm = wind > limits.wind_max_mps + SLACK, wind < limits.wind_min_mps - SLACK

    def why(row: int) -> str:
        if strong[row]:
            limit = f"{speed_text(limits.wind_max_mps, system)} ({limits.source['wind_max_mps']})"
            return f"wind {speed_text(wind[row], system)}, above {limit}"
        if calm[row]:
            limit = f"{speed_text(limits.wind_min_mps, system)} ({limits.source['wind_min_mps']})"
            return f"calm: wind {speed_text(wind[row], system)}, below {limit}"
        return "wind unknown" if np.isnan(wind[row]) else "wind direction unknown"

    # A wind that is out of band is refused as such, known direction or not: still air has none.
    return _Verdict(np.where(strong | calm, NO, _state(known, known)), why)


def _gusts(weather: dict[str, np.ndarray], limits: Limits, system: str, *, judged: bool) -> _Verdict:
    gust = weather["gust_mps"]
    if not judged:
        return _Verdict(np.full(len(gust), SKIPPED), lambda _: "")
    limit = f"{speed_text(limits.gust_max_mps, system)} ({limits.source['gust_max_mps']})"
    known = ~np.isnan(gust)
    return _Verdict(
        _state(known, gust <= limits.gust_max_mps + SLACK),
        lambda row: (
            f"gusts {speed_text(gust[row], system)}, above {limit}" if known[row] else "gusts unknown"
        ),
    )


def _inversion(weather: dict[str, np.ndarray], night: np.ndarray, system: str) -> _Verdict:
    """Stable air: Pasquill's night, under 3 m/s, sky not overcast (or its cloud unknown)."""
    wind, cloud = weather["wind_mps"], weather["cloud_pct"]
    klass = night_class(wind, cloud)
    known = ~night | ~np.isnan(wind)
    risk = night & (wind < STABLE_WIND_MPS - SLACK) & (klass != "D")

    def why(row: int) -> str:
        if not known[row]:
            return "inversion: wind unknown near or in the night"
        sky = "cloud unknown, taken as clear" if np.isnan(cloud[row]) else f"cloud {cloud[row]:.0f} %"
        strength = "likely" if klass[row] == "F" else "possible"
        limit = speed_text(STABLE_WIND_MPS, system)
        return f"inversion {strength}: sun low or down, wind below {limit}, {sky}"

    return _Verdict(_state(known, ~risk), why)


def _temperature(weather: dict[str, np.ndarray], limits: Limits, system: str) -> _Verdict:
    temp = weather["temp_c"]

    def why(row: int) -> str:
        if np.isnan(temp[row]):
            return "air temperature unknown"
        side, key = ("above", "temp_max_c") if temp[row] > limits.temp_min_c else ("below", "temp_min_c")
        limit = f"{temperature_text(getattr(limits, key), system)} ({limits.source[key]})"
        return f"air {temperature_text(temp[row], system)}, {side} {limit}"

    good = (temp >= limits.temp_min_c - SLACK) & (temp <= limits.temp_max_c + SLACK)
    return _Verdict(_state(~np.isnan(temp), good), why)


def _delta_t(weather: dict[str, np.ndarray], limits: Limits) -> _Verdict:
    value = weather["delta_t_c"]

    def why(row: int) -> str:
        if np.isnan(value[row]):
            return "delta-T unknown: needs temperature and humidity"
        dry = value[row] > limits.delta_t_min_c
        key, side = ("delta_t_max_c", "above") if dry else ("delta_t_min_c", "below")
        what = "droplets dry up" if dry else "droplets hang"
        return (
            f"delta-T {value[row]:.1f} C, {side} {getattr(limits, key):.1f} C ({limits.source[key]}): {what}"
        )

    good = (value >= limits.delta_t_min_c - SLACK) & (value <= limits.delta_t_max_c + SLACK)
    return _Verdict(_state(~np.isnan(value), good), why)


def whole_hours(seconds: float) -> int:
    """Hours, rounded up: half an hour needs a whole row."""
    return int(np.ceil(seconds / 3600 - 1e-9))


def _next(at: np.ndarray) -> np.ndarray:
    """Row of the first True from each row on; past every horizon where there is none."""
    rows = np.where(at, np.arange(len(at)), np.iinfo(np.int64).max // 2)
    return np.asarray(np.minimum.accumulate(rows[::-1])[::-1])


def _rain(rain: np.ndarray, limits: Limits) -> _Verdict:
    """No rain in the hour itself, nor for the rainfast time after it; past the table's end is unknown."""
    n, need = len(rain), whole_hours(limits.rainfast_s)
    row = np.arange(n)
    rain_at = _next(rain > 0)
    unknown_at = np.minimum(_next(np.isnan(rain)), n)
    wet, unknown = rain_at <= row + need, unknown_at <= row + need
    source = limits.source["rainfast_s"]

    def why(i: int) -> str:
        if wet[i]:
            ahead = int(rain_at[i] - i)
            when = "rain in this hour" if ahead == 0 else f"rain within {ahead} h"
            return f"{when}, {need} h without rain needed after spraying ({source})"
        place = "past the end of the table" if unknown_at[i] == n else f"{int(unknown_at[i] - i)} h ahead"
        return f"rain unknown {place}, {need} h without rain needed after spraying ({source})"

    return _Verdict(_state(wet | ~unknown, ~wet), why)


def _leaves(weather: dict[str, np.ndarray], limits: Limits) -> _Verdict:
    """Wet while it rains, for the drying time after, and from the dew threshold of humidity on."""
    rain, rh = weather["rain_mm"], weather["rh_pct"]
    n, need = len(rain), whole_hours(limits.dry_leaves_s)
    dew = rh >= limits.wet_rh_pct - SLACK
    # Looking back is looking ahead in the reversed table.
    since_rain = (_next((rain > 0)[::-1]) - np.arange(n))[::-1]
    since_unknown = (np.minimum(_next(np.isnan(rain)[::-1]), n) - np.arange(n))[::-1]
    rained = since_rain <= need
    known = ~np.isnan(rh) & (since_unknown > need)

    def why(i: int) -> str:
        if dew[i]:
            return f"leaves wet with dew: humidity {rh[i]:.0f} %, from {limits.wet_rh_pct:.0f} % on"
        if rained[i]:
            when = f"rain {int(since_rain[i])} h before" if since_rain[i] else "rain in this hour"
            return f"leaves wet: {when}, {need} h to dry"
        return (
            "leaves: humidity unknown" if np.isnan(rh[i]) else f"leaves: rain unknown within {need} h before"
        )

    return _Verdict(_state(known | dew | rained, ~(dew | rained)), why)
