"""Layers in the open formats: GeoPackage, GeoJSON (RFC 7946), KML, GeoParquet."""

from __future__ import annotations

import io
from collections.abc import Mapping
from pathlib import Path

import geopandas as gpd
import pyogrio
from pyogrio.errors import DataLayerError, DataSourceError

from weedzone.errors import InputError

_DECIMALS = "13"  # of a degree: with fewer, slivers collapse and are dropped (measured)


def write_gpkg(layers: Mapping[str, gpd.GeoDataFrame], path: Path) -> None:
    """Write one GeoPackage with a layer for each frame, in the frames' CRS."""
    for name, layer in layers.items():
        _ogr(layer, path, driver="GPKG", layer=name)


def write_geojson(layer: gpd.GeoDataFrame, path: Path) -> None:
    """Write a layer as RFC 7946 asks: WGS 84, right-hand rule, cut at the antimeridian."""
    options = {"RFC7946": "YES", "COORDINATE_PRECISION": _DECIMALS}
    _ogr(layer, path, driver="GeoJSON", layer_options=options)


def write_kml(layer: gpd.GeoDataFrame, path: Path) -> None:
    """Write a layer as KML: WGS 84, cut at the antimeridian, a name and a line of words for each shape."""
    cut = io.BytesIO()
    _ogr(layer, cut, driver="GeoJSON", layer_options={"RFC7946": "YES", "COORDINATE_PRECISION": _DECIMALS})
    placed = gpd.read_file(io.BytesIO(cut.getvalue())) if len(layer) else layer
    named = gpd.GeoDataFrame(layer.drop(columns="geometry"), geometry=placed.geometry.to_numpy(), crs=4326)
    named.insert(0, "Name", [_name(row) for row in layer.to_dict("records")])
    named.insert(1, "Description", [_words(row) for row in layer.to_dict("records")])
    _ogr(named, path, driver="KML")


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
