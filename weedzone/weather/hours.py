"""Judge every hour by every factor, and say why an hour is refused. Nothing unknown passes.

What air and sun do stands first: wet bulb and delta-T, the sun's height, and stable air by night.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from weedzone.weather.limits import SLACK, Limits, speed_text, temperature_text
from weedzone.weather.table import WeatherTable

FACTORS = ("wind", "gusts", "inversion", "temperature", "delta_t", "rain", "leaves", "daylight")
OK, NO, UNKNOWN, SKIPPED = "ok", "no", "unknown", "not judged"
SUNRISE_DEG = -0.833
"""Height of the sun's centre at sunrise and sunset: upper limb 16' below centre, refraction 34' (Meeus,
*Astronomical Algorithms*, ch. 15)."""
STABLE_WIND_MPS = 3.0
"""Below this wind the night table of Pasquill has only stable classes, unless the sky is overcast."""
OVERCAST_PCT = 87.5
"""Seven eighths of the sky: from here the sky counts as overcast (common practice, no source)."""


def wet_bulb_c(temp_c: np.ndarray, rh_pct: np.ndarray, elevation_m: float = 0.0) -> np.ndarray:
    """Thermodynamic wet-bulb temperature of moist air.

    Parameters
    ----------
    temp_c, rh_pct : numpy.ndarray, shape (n,)
        Dry bulb [degC] and relative humidity over water [%]; NaN gives NaN.
    elevation_m : float
        Height above sea level [m], for the pressure of the standard atmosphere.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Wet bulb [degC], good to 0.001 of the source's equations.

    Notes
    -----
    ASHRAE Handbook, Fundamentals (2017), chapter 1, equations 3, 33 and 35, as psychrolib solves them.
    """
    import psychrolib

    units = psychrolib.GetUnitSystem()
    psychrolib.SetUnitSystem(psychrolib.SI)
    known = ~(np.isnan(temp_c) | np.isnan(rh_pct))
    out = np.full(len(known), np.nan)
    try:
        pressure_pa = psychrolib.GetStandardAtmPressure(elevation_m)
        hours = zip(temp_c[known].tolist(), (rh_pct[known] / 100).tolist(), strict=True)
        out[known] = [psychrolib.GetTWetBulbFromRelHum(t, rh, pressure_pa) for t, rh in hours]
    finally:
        # The library keeps its unit system in a global: leave it as the caller had it.
        if units is not None:
            psychrolib.SetUnitSystem(units)
    return out


def delta_t_c(temp_c: np.ndarray, rh_pct: np.ndarray, elevation_m: float = 0.0) -> np.ndarray:
    """Delta-T, dry bulb minus wet bulb [K]: how fast a droplet dries. Parameters as for `wet_bulb_c`."""
    return np.asarray(temp_c - wet_bulb_c(temp_c, rh_pct, elevation_m))


def sun_deg(times: pd.DatetimeIndex, lat: float, lon: float) -> np.ndarray:
    """Height of the sun's centre above the true horizon, without refraction.

    Parameters
    ----------
    times : pandas.DatetimeIndex, shape (n,)
        With a zone.
    lat, lon : float
        Degrees north and east.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Degrees; within 0.03 degrees of the NREL solar position algorithm for 1990 to 2040.

    Notes
    -----
    astral's low-precision sun, after Meeus, *Astronomical Algorithms*.
    """
    from astral import Observer
    from astral.sun import elevation

    here = Observer(latitude=lat, longitude=lon)
    moments = times.tz_convert("UTC").to_pydatetime()
    return np.array([elevation(here, moment, with_refraction=False) for moment in moments], dtype=float)


def day_and_dusk(start: pd.Timestamp, hours: int, lat: float, lon: float) -> tuple[np.ndarray, np.ndarray]:
    """Which of the hours from `start` lie wholly in daylight, and which touch the night of Pasquill.

    That night runs "from 1 hour before sunset to 1 hour after sunrise". Sampled each quarter of an hour,
    which also holds where the sun does not set or rise at all.

    Returns
    -------
    daylight, night : numpy.ndarray of bool, shape (hours,)
    """
    samples = pd.date_range(start - pd.Timedelta(hours=1), periods=4 * (hours + 2) + 1, freq="15min")
    up = sun_deg(samples, lat, lon) >= SUNRISE_DEG
    around = np.lib.stride_tricks.sliding_window_view(up, 13)[::4]  # from 1 h before an hour to 1 h after it
    return np.asarray(around[:, 4:9].all(axis=1)), np.asarray(~around.all(axis=1))


def night_class(wind_mps: np.ndarray, cloud_pct: np.ndarray) -> np.ndarray:
    """Stability class of the air near the ground by night: D neutral, E slightly stable, F moderately stable.

    Parameters
    ----------
    wind_mps : numpy.ndarray, shape (n,)
        Mean wind 10 m above ground.
    cloud_pct : numpy.ndarray, shape (n,)
        Cloud cover [%]; NaN is taken as a clear sky, the worse case.

    Returns
    -------
    numpy.ndarray of str, shape (n,); an empty string where the wind is unknown.

    Notes
    -----
    Pasquill (1961), night columns, as the NOAA Air Resources Laboratory prints the table, with its note that
    an overcast sky makes any hour neutral.
    """
    cloudy = cloud_pct > 50
    rules = [
        np.isnan(wind_mps),
        cloud_pct >= OVERCAST_PCT,
        wind_mps < STABLE_WIND_MPS,
        (wind_mps < 5) & ~cloudy,
    ]
    return np.select(rules, ["", "D", np.where(cloudy, "E", "F"), "E"], default="D")


@dataclass(frozen=True, slots=True)
class Place:
    """Where the job is: degrees north and east, metres above the sea."""

    lat: float
    lon: float
    elevation_m: float = 0.0


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
    index = pd.DatetimeIndex(table.hours.index)
    weather = {str(name): table.hours[name].to_numpy(dtype=float) for name in table.hours.columns}
    weather["delta_t_c"] = delta_t_c(weather["temp_c"], weather["rh_pct"], place.elevation_m)
    out = pd.DataFrame({"time": index.tz_convert(table.zone), **weather, **dict.fromkeys(FACTORS, OK)})
    known = weather | _rain_spans(weather["rain_mm"])
    known["daylight"], known["night"] = day_and_dusk(index[0], len(index), place.lat, place.lon)
    known["stability"] = night_class(weather["wind_mps"], weather["cloud_pct"])
    told = _limit_texts(limits, system)
    reasons: list[list[str]] = [[] for _ in index]
    for factor, holds, verdict, words in _rules(known, limits):
        if factor == "gusts" and "gust_mps" not in table.given:
            out[factor] = SKIPPED
            continue
        rows = np.flatnonzero(holds & (out[factor] == OK))
        out.loc[rows, factor] = verdict
        for row in rows:
            reasons[row].append(words.format(**told, **_hour_texts(known, int(row), system)))
    out["ok"] = [not reason for reason in reasons]
    out["reason"] = ["; ".join(reason) for reason in reasons]
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


def whole_hours(seconds: float) -> int:
    """Hours, rounded up: half an hour needs a whole row."""
    return int(np.ceil(seconds / 3600 - 1e-9))


def _rain_spans(rain_mm: np.ndarray) -> dict[str, np.ndarray]:
    """Hours from each to the next rain and the next unknown rain, and from the last of these to it.

    Rain after the table's end and before its beginning is unknown.
    """
    row = pd.Series(np.arange(len(rain_mm), dtype=float))
    wet, unknown = row.where(rain_mm > 0), row.where(np.isnan(rain_mm))
    spans = {
        "to_rain": wet.bfill() - row,
        "to_unknown": unknown.bfill().fillna(len(row)) - row,
        "since_rain": row - wet.ffill(),
        "since_unknown": row - unknown.ffill().fillna(-1),
    }
    return {name: hours.to_numpy() for name, hours in spans.items()}


def _rules(known: dict[str, np.ndarray], limits: Limits) -> list[tuple[str, np.ndarray, str, str]]:
    """Factor, hours, verdict and words of every rule; of those of one factor the first that holds counts."""
    wind, gust, temp, delta_t = (known[name] for name in ("wind_mps", "gust_mps", "temp_c", "delta_t_c"))
    rh, night = known["rh_pct"], known["night"]
    stable = night & (wind < STABLE_WIND_MPS - SLACK) & (known["stability"] != "D")
    ahead, back = whole_hours(limits.rainfast_s), whole_hours(limits.dry_leaves_s)
    doubtful = known["to_unknown"] <= ahead
    dry_for = known["since_rain"]
    past_end = known["to_unknown"] + np.arange(len(rh)) == len(rh)
    return [
        # A wind that is out of band is refused as such, known direction or not: still air has none.
        ("wind", wind > limits.wind_max_mps + SLACK, NO, "wind {wind}, above {wind_max}"),
        ("wind", wind < limits.wind_min_mps - SLACK, NO, "calm: wind {wind}, below {wind_min}"),
        ("wind", np.isnan(wind), UNKNOWN, "wind unknown"),
        ("wind", np.isnan(known["wind_from_deg"]), UNKNOWN, "wind direction unknown"),
        ("gusts", gust > limits.gust_max_mps + SLACK, NO, "gusts {gust}, above {gust_max}"),
        ("gusts", np.isnan(gust), UNKNOWN, "gusts unknown"),
        # Stable air: Pasquill's night, under 3 m/s, sky not overcast (or its cloud unknown).
        ("inversion", night & np.isnan(wind), UNKNOWN, "inversion: wind unknown near or in the night"),
        ("inversion", stable, NO, "inversion {strength}: sun low or down, wind below {stable_wind}, {sky}"),
        ("temperature", np.isnan(temp), UNKNOWN, "air temperature unknown"),
        ("temperature", temp > limits.temp_max_c + SLACK, NO, "air {temp}, above {temp_max}"),
        ("temperature", temp < limits.temp_min_c - SLACK, NO, "air {temp}, below {temp_min}"),
        ("delta_t", np.isnan(delta_t), UNKNOWN, "delta-T unknown: needs temperature and humidity"),
        (
            "delta_t",
            delta_t > limits.delta_t_max_c + SLACK,
            NO,
            "{delta_t}, above {arid}: droplets dry up",
        ),
        ("delta_t", delta_t < limits.delta_t_min_c - SLACK, NO, "{delta_t}, below {damp}: droplets hang"),
        # No rain in the hour itself, nor for the rainfast time after it.
        ("rain", known["to_rain"] == 0, NO, "rain in this hour, {rainfast}"),
        ("rain", known["to_rain"] <= ahead, NO, "rain within {to_rain:.0f} h, {rainfast}"),
        ("rain", doubtful & past_end, UNKNOWN, "rain unknown past the end of the table, {rainfast}"),
        ("rain", doubtful, UNKNOWN, "rain unknown {to_unknown:.0f} h ahead, {rainfast}"),
        # Wet while it rains, for the drying time after, and from the dew threshold of humidity on.
        ("leaves", rh >= limits.wet_rh_pct - SLACK, NO, "leaves wet with dew: humidity {rh}, from {dew} on"),
        ("leaves", dry_for == 0, NO, "leaves wet: rain in this hour, {dry} to dry"),
        (
            "leaves",
            dry_for <= back,
            NO,
            "leaves wet: rain {since_rain:.0f} h before, {dry} to dry",
        ),
        ("leaves", np.isnan(rh), UNKNOWN, "leaves: humidity unknown"),
        ("leaves", known["since_unknown"] <= back, UNKNOWN, "leaves: rain unknown within {dry} before"),
        ("daylight", ~known["daylight"], NO, "not daylight for the whole hour"),
    ]


def _limit_texts(limits: Limits, system: str) -> dict[str, str]:
    """Limits in words, most with who set them, by the names that the rules' words have for them."""
    by = {key: f"({who})" for key, who in limits.source.items()}
    rainfast, dry = whole_hours(limits.rainfast_s), whole_hours(limits.dry_leaves_s)
    return {
        "wind_max": f"{speed_text(limits.wind_max_mps, system)} {by['wind_max_mps']}",
        "wind_min": f"{speed_text(limits.wind_min_mps, system)} {by['wind_min_mps']}",
        "gust_max": f"{speed_text(limits.gust_max_mps, system)} {by['gust_max_mps']}",
        "stable_wind": speed_text(STABLE_WIND_MPS, system),
        "temp_max": f"{temperature_text(limits.temp_max_c, system)} {by['temp_max_c']}",
        "temp_min": f"{temperature_text(limits.temp_min_c, system)} {by['temp_min_c']}",
        "arid": f"{limits.delta_t_max_c:.1f} C {by['delta_t_max_c']}",
        "damp": f"{limits.delta_t_min_c:.1f} C {by['delta_t_min_c']}",
        "rainfast": f"{rainfast} h without rain needed after spraying {by['rainfast_s']}",
        "dew": f"{limits.wet_rh_pct:.0f} %",
        "dry": f"{dry} h",
    }


def _hour_texts(known: dict[str, np.ndarray], row: int, system: str) -> dict[str, object]:
    """One hour's weather in words, by the names that the rules' words have for it."""
    hour = {name: values[row] for name, values in known.items()}
    cloud = hour["cloud_pct"]
    return hour | {
        "wind": speed_text(hour["wind_mps"], system),
        "gust": speed_text(hour["gust_mps"], system),
        "strength": "likely" if hour["stability"] == "F" else "possible",
        "sky": "cloud unknown, taken as clear" if np.isnan(cloud) else f"cloud {cloud:.0f} %",
        "temp": temperature_text(hour["temp_c"], system),
        "delta_t": f"delta-T {hour['delta_t_c']:.1f} C",
        "rh": f"{hour['rh_pct']:.0f} %",
    }
