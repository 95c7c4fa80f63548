"""What air and sun do: wet bulb and delta-T, the sun's height, and stable air by night."""

from __future__ import annotations

import numpy as np
import pandas as pd

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
    try:
        pressure_pa = psychrolib.GetStandardAtmPressure(elevation_m)
        return np.array(
            [
                np.nan
                if np.isnan(t) or np.isnan(rh)
                else psychrolib.GetTWetBulbFromRelHum(t, rh / 100, pressure_pa)
                for t, rh in zip(map(float, temp_c), map(float, rh_pct), strict=True)
            ],
            dtype=float,
        )
    finally:
        # The library keeps its unit system in a global: leave it as the caller had it.
        if units is not None:
            psychrolib.SetUnitSystem(units)


def delta_t_c(temp_c: np.ndarray, rh_pct: np.ndarray, elevation_m: float = 0.0) -> np.ndarray:
    """Delta-T, dry bulb minus wet bulb [K]: how fast a droplet dries. Parameters as for `wet_bulb_c`."""
    return np.asarray(np.asarray(temp_c, float) - wet_bulb_c(temp_c, rh_pct, elevation_m))


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
    cloudy = np.nan_to_num(cloud_pct, nan=0.0) > 50
    overcast = np.nan_to_num(cloud_pct, nan=0.0) >= OVERCAST_PCT
    rules = [
        np.isnan(wind_mps),
        overcast,
        wind_mps < STABLE_WIND_MPS,
        (wind_mps < 5) & ~cloudy,
    ]
    return np.select(rules, ["", "D", np.where(cloudy, "E", "F"), "E"], default="D")
