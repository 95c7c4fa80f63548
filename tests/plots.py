"""Surveys of rectangles drawn in feet, and labels and rigs in a few words, for tests worked out by hand.

The rectangles stand in an equal-area projection about a place that belongs to nobody, whose scale is true to
1e-9 over a site; other coordinate systems get the same corners.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyproj
import shapely

import weedzone as wz
from weedzone.kit.label_file import read_label

FT_M = 0.3048
# Off the projection's own centre, where its series back to degrees jumps by a third of a millimetre.
EAST_M, NORTH_M = 900.0, 700.0
HERE = pyproj.CRS("+proj=laea +lat_0=42.01 +lon_0=-93.4 +datum=WGS84 +units=m")
SYSTEMS = (
    "EPSG:4326",
    "EPSG:26915",
    "EPSG:3417",
    "EPSG:3857",
    HERE,
)  # degrees, metres, US survey feet, web, own

with (Path(__file__).parent / "check_values.csv").open(encoding="utf-8") as file:
    ROWS = {row["id"]: row for row in csv.DictReader(file)}

Rows = Sequence[dict[str, Any]]


def rect(west: float, south: float, east: float, north: float) -> Any:
    """A rectangle, corners in feet."""
    return shapely.box(*(place(west, south) + place(east, north)))


def place(x_ft: float, y_ft: float) -> tuple[float, float]:
    """A point drawn in feet, in metres of `HERE`."""
    return EAST_M + x_ft * FT_M, NORTH_M + y_ft * FT_M


def layer(rows: Rows, crs: Any = HERE) -> gpd.GeoDataFrame:
    """Rows of columns, one of them `at`: corners in feet, or a shape in metres."""
    shapes = [row["at"] if hasattr(row["at"], "geom_type") else rect(*row["at"]) for row in rows]
    columns = [{name: value for name, value in row.items() if name != "at"} for row in rows]
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=HERE).to_crs(crs)


def survey(turf: Rows, infestations: Rows, crs: Any = HERE, **more: Rows) -> wz.Survey:
    """A survey out of rectangles."""
    layers = {name: layer(rows, crs) for name, rows in more.items() if rows}
    return wz.Survey(turf=layer(turf, crs), infestations=layer(infestations, crs), **layers)


def lawn(width_ft: float, depth_ft: float, **columns: Any) -> wz.Survey:
    """One infested rectangle of tall fescue."""
    at = (0.0, 0.0, width_ft, depth_ft)
    return survey([{"turf": "tall fescue", "at": at}], [{"weed": "dandelion", "at": at, **columns}])


def label(folder: Path, text: str, name: str = "Demo A", form: str = "liquid") -> wz.Label:
    """A label for tall fescue and dandelion with the rest as given."""
    if "[turf]" not in text:
        text += '\n[turf]\ntolerant = ["tall fescue"]\n[weeds]\ndandelion = "good"\n'
    path = folder / f"{name.lower().replace(' ', '_')}.toml"
    path.write_text(f'name = "{name}"\nform = "{form}"\n{text}', encoding="utf-8")
    return read_label(path)


def size(
    site: wz.Survey, labels: wz.Label | Sequence[wz.Label], rig: Any, use: str = "broadcast", **options: Any
) -> wz.Job:
    """A job on a day in spring."""
    listed = [labels] if isinstance(labels, wz.Label) else labels
    return wz.size_job(
        site, {one.name: one for one in listed}, rig, use=use, **{"on": "2026-05-10", **options}
    )
