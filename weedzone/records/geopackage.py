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
# The tables that every GeoPackage has (OGC 12-128r19, annex C).
_CORE = """
CREATE TABLE IF NOT EXISTS gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL, srs_id INTEGER NOT NULL PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE IF NOT EXISTS gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
  description TEXT DEFAULT '', last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE IF NOT EXISTS gpkg_geometry_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id))
"""
_WGS84 = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563]],PRIMEM["Greenwich",0],'
    'UNIT["degree",0.0174532925199433],AUTHORITY["EPSG","4326"]]'
)


def add_core(connection: sqlite3.Connection) -> None:
    """Make an empty database a GeoPackage."""
    connection.execute("PRAGMA application_id = 0x47504B47")  # "GPKG"
    connection.execute("PRAGMA user_version = 10300")
    for statement in _CORE.split(";"):
        connection.execute(statement)
    connection.executemany(
        "INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, NULL)",
        [
            ("WGS 84 geodetic", 4326, "EPSG", 4326, _WGS84),
            ("Undefined Cartesian SRS", -1, "NONE", -1, "undefined"),
            ("Undefined geographic SRS", 0, "NONE", 0, "undefined"),
        ],
    )


def register(connection: sqlite3.Connection, layer: str, srs: int) -> None:
    """Enter a table with a column ``geom`` of multipolygons as a layer."""
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id) VALUES (?, 'features', ?, ?)",
        (layer, layer, srs),
    )
    connection.execute(
        "INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', 'MULTIPOLYGON', ?, 0, 0)", (layer, srs)
    )


def touch(connection: sqlite3.Connection, layer: str, bounds: Sequence[float]) -> None:
    """Note a change of a layer, which now reaches over `bounds` (min x, min y, max x, max y) too."""
    connection.execute(
        "UPDATE gpkg_contents SET last_change = strftime('%Y-%m-%dT%H:%M:%fZ','now'), "
        "min_x = min(coalesce(min_x, :a), :a), min_y = min(coalesce(min_y, :b), :b), "
        "max_x = max(coalesce(max_x, :c), :c), max_y = max(coalesce(max_y, :d), :d) "
        "WHERE table_name = :layer",
        {**dict(zip("abcd", bounds, strict=True)), "layer": layer},
    )


def srs_of(connection: sqlite3.Connection, layer: str) -> int:
    """Give the number by which the file knows the coordinate system of a layer."""
    query = "SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = ?"
    return int(connection.execute(query, (layer,)).fetchone()[0])


def crs_name(connection: sqlite3.Connection, layer: str) -> str:
    """Name of the coordinate system of a layer: its code, or its definition where it has none."""
    found = connection.execute(
        "SELECT organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys "
        "JOIN gpkg_geometry_columns USING (srs_id) WHERE table_name = ?",
        (layer,),
    ).fetchone()
    organization, code, definition = found or ("", "", "")
    return f"{organization}:{code}".upper() if str(organization).upper() == "EPSG" else str(definition)


def storable_crs(crs: Any) -> CRS:
    """Give the CRS in the plane; without one, or with one that the format cannot hold: `CrsError`."""
    if crs is None:
        raise CrsError("the treated polygons have no coordinate system", mend="set the CRS of the survey")
    flat = CRS.from_user_input(crs).to_2d()
    try:
        flat.to_wkt("WKT1_GDAL")
    except PyprojCrsError as fault:
        raise CrsError(
            f"a GeoPackage cannot hold the coordinate system {flat.name!r}", mend="use one with an EPSG code"
        ) from fault
    return flat


def srs_id(connection: sqlite3.Connection, crs: CRS) -> int:
    """Give the number of a CRS in this file, entering it if it is new."""
    code, wkt = crs.to_epsg(min_confidence=100), crs.to_wkt("WKT1_GDAL")
    query = "SELECT srs_id FROM gpkg_spatial_ref_sys WHERE "
    if code:
        known = connection.execute(
            query + "upper(organization) = 'EPSG' AND organization_coordsys_id = ?", (code,)
        )
    else:
        known = connection.execute(query + "definition = ?", (wkt,))
    found = known.fetchone()
    if found:
        return int(found[0])
    (free,) = connection.execute(
        "SELECT max(100000, coalesce(max(srs_id), 0) + 1) FROM gpkg_spatial_ref_sys"
    ).fetchone()
    taken = connection.execute(query + "srs_id = ?", (code,)).fetchone()
    srs = int(free) if code is None or taken else code
    connection.execute(
        "INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, NULL)",
        (crs.name, srs, "EPSG" if code else "NONE", code or srs, wkt),
    )
    return srs


def crs_of(connection: sqlite3.Connection, layer: str, path: Path) -> CRS:
    """CRS of a layer."""
    found = connection.execute(
        "SELECT organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys "
        "JOIN gpkg_geometry_columns USING (srs_id) WHERE table_name = ?",
        (layer,),
    ).fetchone()
    try:
        organization, code, definition = found
        return CRS.from_epsg(code) if organization.upper() == "EPSG" else CRS.from_wkt(definition)
    except (TypeError, PyprojCrsError) as fault:
        raise CrsError("the coordinate system is not readable", file=path, layer=layer) from fault


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
        raise InputError(
            "the polygon is damaged", file=path, feature=feature, mend="restore a copy"
        ) from fault
