"""Rows of fixes out of GPX, GeoJSON and CSV files, bounded in size and safe against hostile XML."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element, ParseError

import pandas as pd
from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import iterparse

from weedzone.errors import InputError

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
Row = tuple[Any, Any, Any, Any, int]


def gpx_rows(path: Path) -> Iterator[Row]:
    """Track points of a GPX file. Document types and entities are refused, so that none can expand."""
    section = points = 0
    try:
        with path.open("rb") as stream:
            for event, element in iterparse(stream, events=("start", "end"), forbid_dtd=True):
                name = _local(element)
                if event == "start":
                    section += name == "trkseg"
                elif name == "trkpt":
                    points += 1
                    check_count(points, path)
                    inner = {_local(child): child.text for child in element.iter()}
                    yield (
                        element.get("lon"),
                        element.get("lat"),
                        inner.get("time"),
                        inner.get("spraying"),
                        section,
                    )
                    element.clear()
                elif name == "trkseg":
                    element.clear()
    except DefusedXmlException as error:
        raise InputError(
            "the file declares a document type or entities, which a GPX track never needs",
            file=path,
            mend="export the track again",
        ) from error
    except (ParseError, UnicodeError, LookupError, ValueError) as error:
        raise InputError(
            f"the file is not well-formed GPX ({error})", file=path, mend="export it again"
        ) from error


def _local(element: Element) -> str:
    return str(element.tag).rpartition("}")[2]


def check_count(points: int, path: Path | None) -> None:
    """Refuse more points than one call can work through."""
    if points > MAX_POINTS:
        raise InputError(
            f"the track has more than {MAX_POINTS:,} points",
            file=path,
            mend="give it in parts, or a sparser log",
        )


def geojson_rows(path: Path) -> tuple[list[Row], object]:
    """Fixes of a GeoJSON file, and its coordinate system (RFC 7946: WGS 84 unless an older file says)."""
    try:
        with path.open(encoding="utf-8-sig") as stream:
            data = json.load(stream)
        kind = data["type"]
        features = data["features"] if kind == "FeatureCollection" else [data]
        if kind not in {"FeatureCollection", "Feature"}:
            features = [{"geometry": data, "properties": {}}]
        stated = data.get("crs", {}).get("properties", {}).get("name", WGS84) if "crs" in data else WGS84
        return list(feature_rows(features)), stated
    except InputError as error:
        raise InputError(error.what, file=path, mend=error.mend) from error
    except (OSError, ValueError, RecursionError, KeyError, TypeError, AttributeError, IndexError) as error:
        raise InputError("the file is not GeoJSON", file=path, mend="export the track again") from error


def feature_rows(features: list[Mapping[str, Any]]) -> Iterator[Row]:
    """Fixes of GeoJSON features: points in order, or lines with a list of times."""
    section = 0
    for feature in features:
        geometry, properties = feature["geometry"], feature.get("properties") or {}
        if geometry is None:
            continue
        known = {str(key).lower(): value for key, value in properties.items()}
        spraying = next((known[name] for name in COLUMNS["spraying"] if name in known), None)
        kind, coordinates = geometry["type"], geometry["coordinates"]
        if kind == "Point":
            time = next((known[name] for name in COLUMNS["time"] if name in known), None)
            yield coordinates[0], coordinates[1], time, spraying, section
            continue
        if kind not in {"LineString", "MultiLineString"}:
            raise InputError(f"a {kind} is no track", mend="give points or lines")
        times = _line_times(known)
        lines = [coordinates] if kind == "LineString" else coordinates
        times = [times] if kind == "LineString" else times
        for number, line in enumerate(lines):
            section += 1
            stamps = times[number] if times is not None and number < len(times) else None
            fits = isinstance(stamps, list | tuple) and len(stamps) == len(line)
            for index, place in enumerate(line):
                yield (
                    place[0],
                    place[1],
                    stamps[index] if fits and stamps is not None else None,
                    spraying,
                    section,
                )
        section += 1


def _line_times(known: Mapping[str, Any]) -> Any:
    for name in ("coordtimes", "times", "time"):
        if isinstance(known.get(name), list | tuple):
            return known[name]
    nested = known.get("coordinateproperties")
    return nested.get("times") if isinstance(nested, Mapping) else None


def csv_table(path: Path) -> pd.DataFrame:
    """Return the table of a CSV file as text, whatever its separator."""
    try:
        table = pd.read_csv(
            path, sep=None, engine="python", dtype=str, encoding="utf-8-sig", nrows=MAX_POINTS + 1
        )
    except (OSError, ValueError, UnicodeError, pd.errors.ParserError) as error:
        raise InputError(
            "the file is not a readable CSV table", file=path, mend="save it as UTF-8 CSV"
        ) from error
    except Exception as error:  # csv.Error and friends of pandas' own parsers share no base
        raise InputError(f"the file is not a readable CSV table ({error})", file=path) from error
    return table


def check_size(path: Path) -> None:
    """Refuse what is no file, or too large a one."""
    try:
        size = path.stat().st_size
    except (OSError, ValueError) as error:
        raise InputError("the track file cannot be opened", file=path, mend="check the path") from error
    if path.is_dir():
        raise InputError("this is a folder, not a track file", file=path, mend="name the file in it")
    if size > MAX_BYTES:
        raise InputError(
            f"the track file has {size / 2**20:.0f} MB, more than the {MAX_BYTES // 2**20} MB allowed",
            file=path,
            mend="give one day's track, or a sparser log",
        )
