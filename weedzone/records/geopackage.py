"""The few parts of a GeoPackage that are written in plain SQL, inside a caller's transaction.

General libraries write whole layers, and not inside a transaction of ours; hence these.
Source: OGC 12-128r19, GeoPackage Encoding Standard 1.4, clauses 1.1 (tables) and 2.1 (features).
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError as PyprojCrsError

from weedzone.base.errors import CrsError, InputError

_ENVELOPE_BYTES = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}


def add_core(connection: sqlite3.Connection) -> None:
    """Make an empty database a GeoPackage."""
    script = (Path(__file__).parent / "geopackage.sql").read_text(encoding="utf-8")
    for statement in script.split(";"):  # one by one: a script as a whole would end the caller's transaction
        connection.execute(statement)


def register(connection: sqlite3.Connection, layer: str, srs: int) -> None:
    """Enter a table with a column ``geom`` of multipolygons as a layer."""
    contents = (
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id) VALUES (?, 'features', ?, ?)"
    )
    connection.execute(contents, (layer, layer, srs))
    column = "INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', 'MULTIPOLYGON', ?, 0, 0)"
    connection.execute(column, (layer, srs))


def touch(connection: sqlite3.Connection, layer: str, bounds: Sequence[float]) -> None:
    """Note a change of a layer, which now reaches over `bounds` (min x, min y, max x, max y) too."""
    connection.execute(
        "UPDATE gpkg_contents SET last_change = strftime('%Y-%m-%dT%H:%M:%fZ','now'), "
        "min_x = min(coalesce(min_x, ?1), ?1), min_y = min(coalesce(min_y, ?2), ?2), "
        "max_x = max(coalesce(max_x, ?3), ?3), max_y = max(coalesce(max_y, ?4), ?4) WHERE table_name = ?5",
        (*bounds, layer),
    )


def srs_of(connection: sqlite3.Connection, layer: str) -> int:
    """Give the number by which the file knows the coordinate system of a layer."""
    query = "SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = ?"
    return int(connection.execute(query, (layer,)).fetchone()[0])


def _stated(connection: sqlite3.Connection, layer: str) -> tuple[str, Any, str]:
    """Organization in capitals, code and definition of the coordinate system of a layer; blank where it has none."""
    found = connection.execute(
        "SELECT organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys "
        "JOIN gpkg_geometry_columns USING (srs_id) WHERE table_name = ?",
        (layer,),
    ).fetchone()
    organization, code, definition = found or ("", None, "")
    return str(organization).upper(), code, str(definition)


def crs_name(connection: sqlite3.Connection, layer: str) -> str:
    """Name of the coordinate system of a layer: its code, or its definition where it has none."""
    organization, code, definition = _stated(connection, layer)
    return f"EPSG:{code}" if organization == "EPSG" else definition


def crs_of(connection: sqlite3.Connection, layer: str, path: Path) -> CRS:
    """CRS of a layer."""
    organization, code, definition = _stated(connection, layer)
    try:
        return CRS.from_epsg(code) if organization == "EPSG" else CRS.from_wkt(definition)
    except (TypeError, PyprojCrsError) as fault:
        raise CrsError("the coordinate system is not readable", file=path, layer=layer) from fault


def storable_crs(crs: CRS) -> CRS:
    """Give the CRS in the plane; one that the format cannot hold is a `CrsError`."""
    flat = crs.to_2d()
    try:
        flat.to_wkt("WKT1_GDAL")
    except PyprojCrsError as fault:
        what = f"a GeoPackage cannot hold the coordinate system {flat.name!r}"
        raise CrsError(what, mend="use one with an EPSG code") from fault
    return flat


def srs_id(connection: sqlite3.Connection, crs: CRS) -> int:
    """Give the number of a CRS in this file, entering it if it is new."""
    code, wkt = crs.to_epsg(min_confidence=100), crs.to_wkt("WKT1_GDAL")
    query = (
        "SELECT srs_id, upper(organization), organization_coordsys_id, definition FROM gpkg_spatial_ref_sys"
    )
    known = connection.execute(query).fetchall()
    for srs, organization, number, definition in known:
        if (organization == "EPSG" and number == code) if code else definition == wkt:
            return int(srs)
    taken = [row[0] for row in known]
    srs = code if code and code not in taken else max(99_999, *taken) + 1
    connection.execute(
        "INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, NULL)",
        (crs.name, srs, "EPSG" if code else "NONE", code or srs, wkt),
    )
    return int(srs)


def blob_of(polygon: Any, srs: int) -> bytes:
    """Geometry as the standard writes it: header, envelope, well-known binary (clause 2.1.3)."""
    min_x, min_y, max_x, max_y = polygon.bounds
    header = struct.pack("<2sBBi4d", b"GP", 0, 0b00000011, srs, min_x, max_x, min_y, max_y)
    return header + bytes(shapely.to_wkb(polygon, byte_order=1, output_dimension=2))


def shape_of(blob: Any, feature: str, path: Path) -> Any:
    """Read a geometry as any program may have written it (envelope of any kind); a damaged one is an `InputError`."""
    try:
        return shapely.from_wkb(blob[8 + _ENVELOPE_BYTES[(blob[3] >> 1) & 0b111] :])
    except (shapely.GEOSException, KeyError, IndexError, TypeError) as fault:
        what = "the polygon is damaged"
        raise InputError(what, file=path, feature=feature, mend="restore a copy") from fault
