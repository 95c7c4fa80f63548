"""Weather fit for spraying: hours that meet every limit, merged into windows long enough for the job."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from numbers import Real
from os import PathLike
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd

from weedzone.base.errors import CrsError, Finding, InputError, findings_table
from weedzone.base.units import convert, to_si
from weedzone.base.words import DECIDES
from weedzone.survey import Survey
from weedzone.weather.hours import FACTORS, NO, UNKNOWN, Place, judge_hours, whole_hours
from weedzone.weather.limits import HousePolicy, Limits, speed_text, strictest, temperature_text
from weedzone.weather.table import HOUR, WeatherTable, read_weather

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["SprayWindows", "WeatherTable", "read_weather", "spray_windows"]

CAUTION = (
    "Weather tables are forecasts or distant readings: measure wind, temperature and humidity on site before "
    f"and while spraying, and stop where they leave the limits. {DECIDES}"
)
# A swing that a downwind buffer for one direction does not cover: common practice, no source.
_WIDE_DEG = 30.0


@dataclass(frozen=True)
class SprayWindows:
    """When a job may be sprayed, and why not at other times.

    Attributes
    ----------
    hours : pandas.DataFrame
        One row an hour from the table's first to its last: ``time`` (start of the hour), ``temp_c``,
        ``rh_pct``, ``wind_mps``, ``wind_from_deg``, ``gust_mps``, ``rain_mm``, ``cloud_pct``, ``delta_t_c``;
        a verdict "ok", "no", "unknown" or "not judged" in ``wind``, ``gusts``, ``inversion``,
        ``temperature``, ``delta_t``, ``rain``, ``leaves``, ``daylight``; ``ok``; ``reason``, in words, empty
        exactly where ``ok``; ``score``; ``window``, the number of its window, missing where it is in none (a
        fit run shorter than the job).
    windows : pandas.DataFrame
        One row a window: ``window``, ``start``, ``end``, ``hours``, ``score`` (0 to 100), ``wind_mph``,
        ``wind_mps`` (mean), ``gust_mph`` (highest, NaN where not given), ``wind_from_deg`` (direction of the
        mean wind vector, NaN where winds cancel), ``wind_spread_deg`` (circular standard deviation),
        ``wind_swing_deg`` (farthest hour from the mean direction), ``temp_f``, ``temp_c``, ``rh_pct``,
        ``delta_t_c`` (means).
    limits : Limits
        The limits that held, and who set each.
    duration_s : float
        How long the job takes [s].
    findings : pandas.DataFrame
        Columns ``severity``, ``layer``, ``feature``, ``message``.
    system : str
        "us" or "metric": units of words and pictures.
    """

    hours: pd.DataFrame
    windows: pd.DataFrame
    limits: Limits
    duration_s: float
    findings: pd.DataFrame
    system: str = "us"

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw a strip a factor over time, refused and unknown hours hatched, the windows marked above.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure without it.

        Returns
        -------
        matplotlib.axes.Axes
        """
        from weedzone.weather.strips import draw_strips

        return draw_strips(self, ax)

    def summary(self) -> str:
        """Windows, the commonest reasons against, and the cautions, as a few lines of text.

        Returns
        -------
        str
        """
        fit = int(self.hours["ok"].sum())
        count, least = len(self.windows), self.duration_s / 3600
        plural = "" if count == 1 else "s"
        lines = [f"{count} window{plural} of {least:g} h or more; {fit} of {len(self.hours)} hours fit"]
        lines += [self._line(row) for row in self.windows.to_dict("records")]
        refused = (
            self.hours[list(FACTORS)].isin([NO, UNKNOWN]).sum().sort_values(ascending=False, kind="stable")
        )
        told = [f"{name} {count}" for name, count in refused.items() if count]
        lines.append(f"hours refused by factor: {', '.join(told)}")
        lines += [f"{row.severity}: {row.message}" for row in self.findings.itertuples()]
        return "\n".join([*lines, CAUTION])

    def __str__(self) -> str:
        """The summary."""
        return self.summary()

    def _line(self, row: Mapping[Any, Any]) -> str:
        direction = row["wind_from_deg"]
        origin = "of no one direction" if np.isnan(direction) else f"from {direction:.0f} deg"
        return (
            f"  {row['start']:%a %Y-%m-%d %H:%M} to {row['end']:%a %H:%M %Z}  {row['hours']} h  "
            f"score {row['score']:.0f}  wind {speed_text(row['wind_mps'], self.system)} {origin}  "
            f"air {temperature_text(row['temp_c'], self.system)}  delta-T {row['delta_t_c']:.1f} C"
        )


def spray_windows(
    weather: WeatherTable | pd.DataFrame | str | PathLike[str],
    labels: object,
    *,
    lat: float | None = None,
    lon: float | None = None,
    site: Any = None,
    duration: object = "2 hour",
    policy: HousePolicy = None,
    elevation: object = None,
    tz: str | None = None,
    system: str = "us",
) -> SprayWindows:
    """Find the hours fit for spraying and merge them into windows.

    An hour is fit when every factor passes; a value that is missing never passes.

    ==============  =======================================================================================
    wind            mean wind inside the band, direction known
    gusts           not above the gust limit (not judged, with a warning, where the table has no gusts)
    inversion       no stable air: refused between 1 hour before sunset and 1 hour after sunrise while the
                    wind is below 3 m/s and the sky is not overcast (Pasquill 1961, as printed by NOAA ARL);
                    cloud that is not known counts as a clear sky
    temperature     inside the band
    delta_t         dry bulb minus wet bulb inside the band (ASHRAE Fundamentals 2017, chapter 1)
    rain            none in the hour, nor in the rainfast time after its end; past the table's end is unknown
    leaves          no rain in the drying time before, humidity below the dew threshold
    daylight        the sun is up (centre above -0.833 degrees) for the whole hour
    ==============  =======================================================================================

    Parameters
    ----------
    weather : WeatherTable, DataFrame or path
        See `read_weather`.
    labels : Label, iterable of Label, or mapping of name to Label
        All products of the job: the strictest figure of any of them holds.
    lat, lon : float
        Degrees north and east; or `site`.
    site : Survey, GeoDataFrame or GeoSeries, optional
        The ground itself, with a CRS: the middle of its bounds is used.
    duration : str, default "2 hour"
        How long the job takes, set-up included; windows are whole hours, at least this long.
    policy : Policy, mapping or TOML path, optional
        The house's own limits; see `weedzone.weather.strictest` for keys and `DEFAULT_POLICY` for what
        holds where nobody says anything.
    elevation : str, optional
        Height above sea level, "5280 ft"; sea level without it.
    tz : str, optional
        IANA zone, for a path or DataFrame; see `read_weather`.
    system : {"us", "metric"}
        Units of words and pictures.

    Returns
    -------
    SprayWindows

    Raises
    ------
    InputError, CrsError, UnitError
        Each names the argument, or the row and column of the table.

    Notes
    -----
    Score: for wind, gusts, temperature and delta-T the room to the nearest limit is divided by a quarter of
    the band and cut at 1 (the middle half of a band is worth 1, an edge 0); an hour scores 100 times the
    least of them; a window scores the mean of its hours. Gusts have one limit: their quarter is that of it.

    Mean direction is that of the mean wind vector (speed-weighted); the spread is Mardia's circular standard
    deviation of the directions. Forecast wind stands 10 m above ground; at the nozzle it is weaker.
    """
    if system not in ("us", "metric"):
        raise InputError(f"no system of units {system!r}", field="system", mend='write "us" or "metric"')
    duration_s = to_si(duration, "time", field="duration")
    limits = strictest(labels, policy)
    height_m = 0.0 if elevation is None else to_si(elevation, "length", allow_zero=True, field="elevation")
    place = _place(lat, lon, site, height_m)
    table = weather if isinstance(weather, WeatherTable) else read_weather(weather, tz=tz)
    hours = judge_hours(table, limits, place, system)
    hours["window"] = _number_windows(hours["ok"].to_numpy(dtype=bool), max(whole_hours(duration_s), 1))
    windows = _windows_table(hours)
    findings = [*table.findings, *_notes(table, hours, windows, limits)]
    return SprayWindows(hours, windows, limits, duration_s, findings_table(findings), system)


def _place(lat: float | None, lon: float | None, site: Any, height_m: float) -> Place:
    if site is not None:
        if lat is not None or lon is not None:
            raise InputError("both a site and lat, lon", field="site", mend="give one of them")
        ground = site.turf if isinstance(site, Survey) else site
        if not isinstance(ground, gpd.GeoDataFrame | gpd.GeoSeries) or ground.empty:
            raise InputError("the site has no ground", field="site", mend="give a Survey or a GeoDataFrame")
        if ground.crs is None:
            raise CrsError("the site has no coordinate system", field="site", mend="set one with set_crs")
        west, south, east, north = ground.to_crs(4326).total_bounds
        lat, lon = float(south + north) / 2, float(west + east) / 2
    missing = [name for name, value in (("lat", lat), ("lon", lon)) if value is None]
    if missing:
        mend = "pass lat= and lon= in degrees, or site="
        raise InputError("missing", field=" and ".join(missing), mend=mend)
    for name, value, most in (("lat", lat, 90), ("lon", lon, 180)):
        if not isinstance(value, Real) or not abs(value) <= most:
            mend = "give lat= and lon= in degrees, or site="
            raise InputError(f"{value!r} is not from -{most} to {most} degrees", field=name, mend=mend)
    return Place(float(lat or 0), float(lon or 0), height_m)


def _number_windows(ok: np.ndarray, need: int) -> pd.arrays.IntegerArray:
    """Count windows from 1; missing outside runs of at least `need` fit hours."""
    run = np.cumsum(np.r_[True, ok[1:] != ok[:-1]])
    length = np.bincount(run)[run]
    inside = ok & (length >= need)
    numbers = np.cumsum(inside & np.r_[True, ~inside[:-1]])
    return pd.arrays.IntegerArray(numbers.astype("int64"), ~inside)


def _mean_wind(window: pd.DataFrame) -> dict[str, float]:
    """Direction of the mean wind vector, circular standard deviation, and widest swing."""
    from scipy.stats import circstd

    speed_mps, from_deg = window["wind_mps"], window["wind_from_deg"]
    east, north = (
        (speed_mps * np.sin(np.radians(from_deg))).mean(),
        (speed_mps * np.cos(np.radians(from_deg))).mean(),
    )
    mean, swing = float("nan"), 180.0
    if np.hypot(east, north) >= 1e-6 * max(speed_mps.mean(), 1e-9):
        mean = float(np.degrees(np.arctan2(east, north))) % 360.0
        swing = float(((from_deg - mean + 180) % 360 - 180).abs().max())
    spread = float(circstd(from_deg, high=360, low=0))
    return {"wind_from_deg": mean, "wind_spread_deg": spread, "wind_swing_deg": swing}


def _windows_table(hours: pd.DataFrame) -> pd.DataFrame:
    """One row a window; see `SprayWindows`."""
    groups = hours[hours["window"].notna()].groupby("window")
    rows = [
        {
            "window": number,
            "start": part["time"].iloc[0],
            "end": part["time"].iloc[-1] + HOUR,
            "hours": len(part),
            **part[["score", "wind_mps", "temp_c", "rh_pct", "delta_t_c"]].mean(),
            "wind_mph": convert(part["wind_mps"].mean(), "speed", "mph"),
            "gust_mph": convert(part["gust_mps"].max(), "speed", "mph"),
            "temp_f": convert(part["temp_c"].mean(), "temperature", "degF"),
            **_mean_wind(part),
        }
        for number, part in groups
    ]
    return pd.DataFrame(rows, columns=_WINDOW_COLUMNS.split()).astype({"window": "int64", "hours": "int64"})


_WINDOW_COLUMNS = """
window start end hours score wind_mph wind_mps gust_mph wind_from_deg wind_spread_deg wind_swing_deg temp_f temp_c
rh_pct delta_t_c
"""


def _notes(table: WeatherTable, hours: pd.DataFrame, windows: pd.DataFrame, limits: Limits) -> list[Finding]:
    notes = []
    if "gust_mps" not in table.given:
        notes.append(("warning", "gust", "the table has no gusts: they are not judged; watch them on site"))
    if "cloud_pct" not in table.given:
        notes.append(
            ("note", "cloud", "the table has no cloud: the sky counts as clear for the inversion risk")
        )
    need, back = whole_hours(limits.rainfast_s), whole_hours(limits.dry_leaves_s)
    if need:
        message = (
            f"the last {min(need, len(hours))} hours cannot be judged: {need} h without rain must follow spraying "
            f"({limits.source['rainfast_s']}), and the table ends at {hours['time'].iloc[-1].isoformat()}"
        )
        notes.append(("note", "rain", message))
    if back:
        message = (
            f"the first {min(back, len(hours))} hours cannot be judged: rain before the table is not known"
        )
        notes.append(("note", "leaves", message))
    gaps = int((hours[list(FACTORS)] == UNKNOWN).any(axis=1).sum())
    if gaps:
        notes.append(("note", "hours", f"{gaps} hours are refused or doubtful because something is unknown"))
    if windows.empty:
        notes.append(("warning", "windows", "no window is long enough for the job"))
    for row in windows[windows["wind_swing_deg"] > _WIDE_DEG].to_dict("records"):
        message = (
            f"window {row['window']}: the wind swings {row['wind_swing_deg']:.0f} deg from its mean "
            "direction; keep the buffers on all sides it may blow to"
        )
        notes.append(("warning", "windows", message))
    return [Finding(severity, table.source, feature, message) for severity, feature, message in notes]
