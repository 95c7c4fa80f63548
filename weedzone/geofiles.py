"""Layers in the open formats: GeoPackage, GeoJSON (RFC 7946), KML, GeoParquet."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyogrio
import shapely
from pyogrio.errors import DataLayerError, DataSourceError

from weedzone.errors import InputError

# With fewer decimals of a degree, slivers collapse and are dropped (measured).
_RFC_7946 = {"RFC7946": "YES", "COORDINATE_PRECISION": "13"}
_KML = "http://www.opengis.net/kml/2.2"
_KINDS = {"f": "double", "i": "int"}
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def write_gpkg(layers: Mapping[str, gpd.GeoDataFrame], path: Path) -> None:
    """Write one GeoPackage with a layer for each frame, in the frames' CRS."""
    for name, layer in layers.items():
        _ogr(layer, path, driver="GPKG", layer=name)


def write_geojson(layer: gpd.GeoDataFrame, path: Path) -> None:
    """Write a layer as RFC 7946 asks: WGS 84, right-hand rule, cut at the antimeridian."""
    _ogr(layer, path, driver="GeoJSON", layer_options=_RFC_7946)


def write_kml(layer: gpd.GeoDataFrame, path: Path) -> None:
    """Write a layer as KML (OGC 07-147r2): WGS 84, cut at the antimeridian, columns as typed extended data.

    Not through the general library that writes the other formats: older releases of its KML put the figures
    under the names of other columns, in silence.
    """
    root = ET.Element("kml", xmlns=_KML)
    document = ET.SubElement(root, "Document")
    schema = ET.SubElement(document, "Schema", name=path.stem, id="columns")
    columns = [name for name in layer.columns if name != layer.geometry.name]
    for name in columns:
        kind = _KINDS.get(layer[name].dtype.kind, "string")
        ET.SubElement(schema, "SimpleField", name=name, type=kind)
    folder = ET.SubElement(document, "Folder")
    ET.SubElement(folder, "name").text = path.stem
    for row, shape in zip(layer[columns].to_dict("records"), _lonlat(layer), strict=True):
        mark = ET.SubElement(folder, "Placemark")
        ET.SubElement(mark, "name").text = _xml(_name(row))
        ET.SubElement(mark, "description").text = _xml(_words(row))
        data = ET.SubElement(ET.SubElement(mark, "ExtendedData"), "SchemaData", schemaUrl="#columns")
        for name, value in row.items():
            if value is not None and value == value:  # NaN is not itself
                ET.SubElement(data, "SimpleData", name=str(name)).text = _xml(str(value))
        _polygons(mark, shape)
    ET.ElementTree(root).write(path, encoding="utf-8", xml_declaration=True)


def _lonlat(layer: gpd.GeoDataFrame) -> list[Any]:
    """Shapes as RFC 7946 has them."""
    if not len(layer):
        return []
    cut = io.BytesIO()
    shapes = gpd.GeoDataFrame(geometry=layer.geometry).assign(row=range(len(layer)))
    _ogr(shapes, cut, driver="GeoJSON", layer_options=_RFC_7946)
    return list(gpd.read_file(io.BytesIO(cut.getvalue())).geometry)


def _polygons(mark: ET.Element, shape: Any) -> None:
    parts = shapely.get_parts(shape)
    parent = mark if len(parts) == 1 else ET.SubElement(mark, "MultiGeometry")
    for part in parts:
        polygon = ET.SubElement(parent, "Polygon")
        for number, ring in enumerate((part.exterior, *part.interiors)):
            side = ET.SubElement(polygon, "innerBoundaryIs" if number else "outerBoundaryIs")
            text = " ".join(f"{x!r},{y!r}" for x, y in ring.coords)
            ET.SubElement(ET.SubElement(side, "LinearRing"), "coordinates").text = text


def _xml(text: str) -> str:
    return _NOT_XML.sub("", text)


def write_parquet(layer: gpd.GeoDataFrame, path: Path) -> None:
    """Write a layer as GeoParquet, in its own CRS."""
    try:
        import pyarrow  # noqa: F401
    except ImportError as fault:
        mend = "install pyarrow, or choose another format"
        raise InputError(
            "the format parquet needs the library pyarrow", field="formats", mend=mend
        ) from fault
    layer.to_parquet(path, index=False)


def _ogr(frame: gpd.GeoDataFrame, path: Path | io.BytesIO, **options: object) -> None:
    try:
        pyogrio.write_dataframe(frame, path, **options)
    except (DataSourceError, DataLayerError) as fault:
        file = None if isinstance(path, io.BytesIO) else path.name
        raise InputError(f"cannot be written ({fault})", file=file) from fault


def _name(row: Mapping[str, object]) -> str:
    return " · ".join(str(row[key]) for key in ("site", "zone", "product") if isinstance(row.get(key), str))


def _words(row: Mapping[str, object]) -> str:
    words = [
        str(row[key])
        for key in ("outcome", "reason", "turf", "weeds", "dose")
        if isinstance(row.get(key), str)
    ]
    return ", ".join([*filter(None, words), f"{row['area_ft2']:,.1f} ft²"])
