"""Read a GPS track: positions in order, mostly with times, sometimes with a flag for the sprayer.

Files are GPX, GeoJSON and CSV, bounded in size and safe against hostile XML.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element, ParseError

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import iterparse

from weedzone.base.errors import CrsError, Finding, InputError
from weedzone.ground.frame import checked_crs
from weedzone.ground.shapes import Bools, Floats, Ints

LAYER = "track"
MAX_BYTES = 64 * 2**20
MAX_POINTS = 500_000
WGS84 = "EPSG:4326"
COLUMNS = {
    "x": ("x", "easting", "lon", "long", "lng", "longitude"),
    "y": ("y", "northing", "lat", "latitude"),
    "time": ("time", "times", "timestamp", "datetime", "date_time", "utc", "time_utc"),
    "spraying": ("spraying", "spray", "sprayer", "on"),
    "section": ("section", "segment", "pass", "track"),
}
ROW_COLUMNS = ["lon", "lat", "time", "spraying", "section"]
DEGREE_NAMES = frozenset({"lon", "long", "lng", "longitude", "lat", "latitude"})
STATES = dict.fromkeys(("1", "1.0", "true", "yes", "on", "y", "t"), True)
STATES |= dict.fromkeys(("0", "0.0", "false", "no", "off", "n", "f"), False)

Row = tuple[Any, Any, Any, Any, int]
Source = str | PathLike[str] | pd.DataFrame


@dataclass(frozen=True, eq=False)
class Track:
    """Positions of a receiver, in the order of the file.

    Attributes
    ----------
    xy : ndarray of float, shape (points, 2)
        Positions in `crs`, x (or longitude) first.
    crs : pyproj.CRS
    time_s : ndarray of float, shape (points,), or None
        Seconds after the first fix; None if the track has no times.
    spraying : ndarray of bool, shape (points,), or None
        Whether the sprayer was on; None if the track does not say, which counts as always on.
    section : ndarray of int, shape (points,)
        Unbroken parts of the file (a GPX segment, a line): between two of them nothing is assumed.
    findings : tuple of Finding
    """

    xy: Floats
    crs: pyproj.CRS
    time_s: Floats | None
    spraying: Bools | None
    section: Ints
    findings: tuple[Finding, ...] = ()

    def __len__(self) -> int:
        """Number of fixes."""
        return len(self.xy)


def read_track(track: Source | Track, *, crs: object = None) -> Track:
    """Read a GPS track.

    Parameters
    ----------
    track : path, DataFrame, GeoDataFrame or Track
        A GPX 1.0 or 1.1 file; a GeoJSON file of points (property ``time``) or lines (property ``times`` or
        ``coordTimes``); a CSV file or a table with columns ``lon`` and ``lat``, or ``x`` and ``y``. Optional
        columns or properties: ``time`` (ISO 8601, or seconds), ``spraying`` (on/off), ``section``.
    crs : optional
        Coordinate system of ``x`` and ``y`` in a table that does not state its own; longitudes and latitudes
        are WGS 84 unless it says otherwise.

    Returns
    -------
    Track
        With at least two usable points.

    Raises
    ------
    InputError
        If the file is missing, too large, of another kind, or holds no track of two points.
    CrsError
        If ``x`` and ``y`` come without `crs`.
    """
    if isinstance(track, Track):
        return track
    if isinstance(track, gpd.GeoDataFrame) and track.active_geometry_name is not None:
        system = checked_crs(track.crs if track.crs is not None else crs, layer=LAYER)
        rows = _feature_rows(track.__geo_interface__["features"])
        return _checked(pd.DataFrame(rows, columns=ROW_COLUMNS), system, None)
    if isinstance(track, pd.DataFrame):
        return _checked(track, crs, None)
    if not isinstance(track, str | PathLike):
        raise InputError(f"a track cannot be read from {type(track).__name__}", mend="give a file or a table")
    path = Path(track)
    _check_size(path)
    suffix = path.suffix.lower()
    if suffix == ".gpx":
        return _checked(pd.DataFrame(_gpx_rows(path), columns=ROW_COLUMNS), WGS84, path)
    if suffix in {".geojson", ".json"}:
        table, stated = _geojson_table(path)
        return _checked(table, crs or stated, path)
    if suffix in {".csv", ".txt"}:
        return _checked(_csv_table(path), crs, path)
    what = f"a track cannot be read from a {suffix or 'nameless'} file"
    raise InputError(what, file=path, mend="give .gpx, .geojson or .csv")


# --- files -------------------------------------------------------------------------------------------------


def _check_size(path: Path) -> None:
    """Refuse what is no file, or too large a one."""
    try:
        size = path.stat().st_size
    except (OSError, ValueError) as error:
        raise InputError("the track file cannot be opened", file=path, mend="check the path") from error
    if path.is_dir():
        raise InputError("this is a folder, not a track file", file=path, mend="name the file in it")
    if size > MAX_BYTES:
        what = f"the track file has {size / 2**20:.0f} MB, more than the {MAX_BYTES // 2**20} MB allowed"
        raise InputError(what, file=path, mend="give one day's track, or a sparser log")


def _gpx_rows(path: Path) -> Iterator[Row]:
    """Track points of a GPX file. Document types and entities are refused, so that none can expand."""
    section = 0
    try:
        for event, element in iterparse(path, events=("start", "end"), forbid_dtd=True):
            name = _local(element)
            if event == "start":
                section += name == "trkseg"
            elif name == "trkpt":
                inner = {_local(child): child.text for child in element.iter()}
                yield (
                    element.get("lon"),
                    element.get("lat"),
                    inner.get("time"),
                    inner.get("spraying"),
                    section,
                )
                element.clear()
    except DefusedXmlException as error:
        what = "the file declares a document type or entities, which a GPX track never needs"
        raise InputError(what, file=path, mend="export the track again") from error
    except (ParseError, UnicodeError, LookupError, ValueError) as error:
        what = f"the file is not well-formed GPX ({error})"
        raise InputError(what, file=path, mend="export it again") from error


def _local(element: Element) -> str:
    return str(element.tag).rpartition("}")[2]


def _geojson_table(path: Path) -> tuple[pd.DataFrame, object]:
    """Fixes of a GeoJSON file, and its coordinate system (RFC 7946: WGS 84 unless an older file says)."""
    try:
        text = path.read_text(encoding="utf-8-sig")
        data = json.loads(text)
        if "\\ud" in text.lower():  # half a letter, which no text may hold
            json.dumps(data, ensure_ascii=False).encode()
        features = [data] if data["type"] == "Feature" else data.get("features", [{"geometry": data}])
        stated = data.get("crs", {}).get("properties", {}).get("name", WGS84)
        return pd.DataFrame(_feature_rows(features), columns=ROW_COLUMNS), stated
    except InputError as error:
        raise InputError(error.what, file=path, mend=error.mend) from error
    except (OSError, ValueError, RecursionError, KeyError, TypeError, AttributeError, IndexError) as error:
        raise InputError("the file is not GeoJSON", file=path, mend="export the track again") from error


def _feature_rows(features: list[Mapping[str, Any]]) -> Iterator[Row]:
    """Fixes of GeoJSON features: points in order, or lines with a list of times."""
    section = 0
    for feature in features:
        geometry = feature["geometry"]
        if geometry is None:
            continue
        known = {str(key).lower(): value for key, value in (feature.get("properties") or {}).items()}
        spraying = _named(known, "spraying")
        kind, coordinates = geometry["type"], geometry["coordinates"]
        if kind == "Point":
            yield coordinates[0], coordinates[1], _named(known, "time"), spraying, section
            continue
        if kind not in {"LineString", "MultiLineString"}:
            raise InputError(f"a {kind} is no track", mend="give points or lines")
        times = _line_times(known) or []
        several = kind == "MultiLineString"
        for number, line in enumerate(coordinates if several else [coordinates]):
            section += 1
            stamps = times[number : number + 1] if several else [times]
            fits = stamps and isinstance(stamps[0], list | tuple) and len(stamps[0]) == len(line)
            for place, time in zip(line, stamps[0] if fits else [None] * len(line), strict=True):
                yield place[0], place[1], time, spraying, section
        section += 1


def _named(known: Mapping[str, Any], what: str) -> Any:
    return next((known[name] for name in COLUMNS[what] if name in known), None)


def _line_times(known: Mapping[str, Any]) -> Any:
    for name in ("coordtimes", "times", "time"):
        if isinstance(known.get(name), list | tuple):
            return known[name]
    nested = known.get("coordinateproperties")
    return nested.get("times") if isinstance(nested, Mapping) else None


def _csv_table(path: Path) -> pd.DataFrame:
    """The table of a CSV file as text, whatever its separator."""
    try:
        return pd.read_csv(
            path, sep=None, engine="python", dtype=str, encoding="utf-8-sig", nrows=MAX_POINTS + 1
        )
    except Exception as error:  # csv.Error and friends of pandas' own parsers share no base
        what = f"the file is not a readable CSV table ({error})"
        raise InputError(what, file=path, mend="save it as UTF-8 CSV") from error


# --- tables ------------------------------------------------------------------------------------------------


def _checked(table: pd.DataFrame, crs: object, path: Path | None) -> Track:
    """Check a table of fixes, and make the track."""
    if not len(table):
        raise InputError("there are no track points (routes and waypoints are not a track)", file=path)
    if len(table) > MAX_POINTS:
        what = f"the track has more than {MAX_POINTS:,} points"
        raise InputError(what, file=path, mend="give it in parts, or a sparser log")
    found = _columns(table, path)
    if crs is None and {str(found[axis].name).strip().lower() for axis in "xy"} <= DEGREE_NAMES:
        crs = WGS84
    if crs is None:
        what = "x and y come without a coordinate system"
        raise CrsError(what, file=path, layer=LAYER, mend='pass crs="EPSG:..."')
    system = checked_crs(crs, layer=LAYER, file=None if path is None else str(path))
    xy = np.column_stack([_numbers(found[axis]) for axis in "xy"])
    good = np.isfinite(xy).all(axis=1)
    if good.sum() < 2:
        what = f"the track has {good.sum()} point(s) with a position; a covered strip needs at least two"
        raise InputError(what, file=path)
    far = np.flatnonzero(good & (np.abs(xy) > (360.0, 90.0)).any(axis=1))
    if system.is_geographic and len(far):
        raise InputError(
            f"point {far[0] + 1} is at longitude {xy[far[0], 0]:g}, latitude {xy[far[0], 1]:g}",
            file=path,
            mend="check that longitude and latitude are not swapped, and the coordinate system",
        )
    said = [] if good.all() else [f"{(~good).sum()} point(s) without a position were dropped"]
    time = _seconds(found["time"], path)
    if time is not None:
        untimed = good & ~np.isfinite(time)
        if untimed.sum() > good.sum() / 2:
            said.append(f"{untimed.sum()} point(s) have no time: all times were left aside")
            time = None
        elif untimed.any():
            said.append(f"{untimed.sum()} point(s) without a time were dropped")
            good &= ~untimed
    spraying, blank = _flags(found["spraying"], path)
    if blank:
        said.append(f"{blank} blank on/off flag(s) were taken as unchanged")
    section = np.zeros(len(table), dtype=np.intp)
    if found["section"] is not None:
        values = found["section"].astype(str).to_numpy()
        section[1:] = np.cumsum(values[1:] != values[:-1])
    return Track(
        xy[good],
        system,
        None if time is None else time[good] - time[good].min(),
        None if spraying is None else spraying[good],
        section[good],
        tuple(Finding("warning", LAYER, "", message) for message in said),
    )


def _columns(table: pd.DataFrame, path: Path | None) -> dict[str, Any]:
    names = {str(name).strip().lower(): name for name in reversed(list(table.columns))}
    found = {
        key: next((table[names[spelling]] for spelling in spellings if spelling in names), None)
        for key, spellings in COLUMNS.items()
    }
    if found["x"] is None or found["y"] is None:
        seen = ", ".join(map(str, list(table.columns)[:8])) or "none"
        what = f"the columns lon and lat (or x and y) are missing; there are: {seen}"
        raise InputError(what, file=path, mend="name them so")
    return found


def _numbers(column: pd.Series[Any]) -> Floats:
    return pd.to_numeric(column, errors="coerce").to_numpy(float, na_value=np.nan)


def _seconds(column: pd.Series[Any] | None, path: Path | None) -> Floats | None:
    """Times as seconds on one clock; NaN where unreadable; None if there are none at all."""
    if column is None or column.isna().all():
        return None
    dated = pd.api.types.is_datetime64_any_dtype(column)
    if not dated and np.isfinite(numbers := _numbers(column)).sum() > len(column) / 2:
        return np.where(np.isfinite(numbers), numbers, np.nan)
    stamps = pd.to_datetime(column, utc=True, errors="coerce", format=None if dated else "ISO8601")
    if stamps.isna().sum() > column.isna().sum() + len(column) / 2:
        stamps = pd.to_datetime(column, utc=True, errors="coerce", format="mixed")
    if stamps.isna().all():
        raise InputError(
            f"no time could be read, such as {str(column.dropna().iloc[0])!r}",
            file=path,
            field="time",
            mend='write times as "2026-05-04T08:00:00Z", or leave the column out',
        )
    return (stamps - stamps.min()).dt.total_seconds().to_numpy(float, na_value=np.nan)


def _flags(column: pd.Series[Any] | None, path: Path | None) -> tuple[Bools | None, int]:
    """Whether the sprayer was on, and how many flags are blank: those are as the one before."""
    if column is None or column.isna().all():
        return None, 0
    words = column.astype(str).str.strip().str.lower().where(column.notna(), "")
    states = words.map(STATES)
    odd = words[states.isna() & (words != "")]
    if len(odd):
        what = f"{odd.iloc[0]!r} does not say whether the sprayer was on"
        raise InputError(what, file=path, field="spraying", mend="use on/off")
    return (states.astype(object).ffill() == True).to_numpy(dtype=bool), int(states.isna().sum())  # noqa: E712
