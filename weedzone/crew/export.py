"""The areas of a sized job as one flat table, made to be fed into an estimating sheet.

Column names are stable; ``docs/schema/areas.schema.json`` describes the JSON form.

Layers in the open formats: GeoPackage, GeoJSON (RFC 7946), KML, GeoParquet.

Files of a sized job: GeoPackage, GeoJSON, KML, GeoParquet, CSV tables, pictures and mix sheets.

All of them appear together or not at all; see `weedzone.base.files`.
"""

from __future__ import annotations

import io
import json
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterable, Mapping
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import DataLayerError, DataSourceError

from weedzone.base.errors import InputError, path_given
from weedzone.base.files import check_place, file_names, place, place_file, write_csv
from weedzone.base.units import ACRE_PER_M2, FT2_PER_M2, FT_PER_M, KSQFT_PER_M2
from weedzone.ground.shapes import parts_of
from weedzone.sizing import Sized, zone_order

SCHEMA = "weedzone/areas/1"
COLUMNS = (
    "site", "zone", "turf", "product", "use", "area_ft2", "area_ksqft", "area_acre", "area_m2", "perimeter_ft",
    "perimeter_m", "patches", "loads",
)  # fmt: skip


def areas(job: Sized, path: str | Path | None = None) -> pd.DataFrame:
    """Areas, perimeter, patches and loads of each zone.

    Parameters
    ----------
    job : Sized
    path : path, optional
        Also written there: as CSV where it ends in ``.csv`` (cells that a spreadsheet would run as formulas get
        a leading apostrophe), as JSON where it ends in ``.json``.

    Returns
    -------
    DataFrame
        A row for each zone: ``site``, ``zone``, ``turf``, ``product``, ``use``, ``area_ft2``, ``area_ksqft``,
        ``area_acre``, ``area_m2`` (ground area), ``perimeter_ft``, ``perimeter_m`` (all edges, those of holes
        too), ``patches`` (connected pieces), ``loads`` (a fraction: those of a site's product add up to the
        filled part of its loads; round the sum up for whole loads). Empty where nothing is treated.

    Raises
    ------
    InputError
        An ending that is neither, or a place that cannot be written.
    """
    zones = job.zones
    shapes = job.zoned.zone_geoms[zone_order(job.zoned)]
    area = zones["area_m2"].to_numpy(dtype=float)
    perimeter = shapely.length(shapes)
    _, owner = parts_of(shapes)
    table = pd.DataFrame(
        {
            **{column: zones[column].to_numpy(dtype=object) for column in COLUMNS[:5]},
            "area_ft2": area * FT2_PER_M2,
            "area_ksqft": area * KSQFT_PER_M2,
            "area_acre": area * ACRE_PER_M2,
            "area_m2": area,
            "perimeter_ft": perimeter * FT_PER_M,
            "perimeter_m": perimeter,
            "patches": np.bincount(owner, minlength=len(zones)),
            "loads": zones["tanks"].to_numpy(dtype=float),
        }
    )
    if path is not None:
        _write(table, Path(path))
    return table


def _write(table: pd.DataFrame, path: Path) -> None:
    ending = path.suffix.lower()
    if ending not in (".csv", ".json"):
        raise InputError(f"no format {ending!r} for areas", file=path, mend="end the name in .csv or .json")

    def write(file: Path) -> None:
        if ending == ".csv":
            write_csv(table, file)
            return
        document = {"schema": SCHEMA, "zones": table.to_dict(orient="records")}
        text = json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False)
        file.write_text(text, encoding="utf-8", errors="replace")

    place_file(path, write)


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
    """Write a layer as RFC 7946 asks: WGS 84, right-hand rule, cut at the antimeridian, only polygons."""
    text = json.dumps(_rfc_7946(layer), ensure_ascii=False, allow_nan=False)
    path.write_text(text.replace('{"type": "Feature",', '\n{"type": "Feature",'), encoding="utf-8")


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
    for row, feature in zip(layer[columns].to_dict("records"), _rfc_7946(layer)["features"], strict=True):
        mark = ET.SubElement(folder, "Placemark")
        ET.SubElement(mark, "name").text = _xml(_name(row))
        ET.SubElement(mark, "description").text = _xml(_words(row))
        data = ET.SubElement(ET.SubElement(mark, "ExtendedData"), "SchemaData", schemaUrl="#columns")
        for name, value in row.items():
            if value is not None and value == value:  # NaN is not itself
                ET.SubElement(data, "SimpleData", name=str(name)).text = _xml(str(value))
        _polygons(mark, feature["geometry"])
    ET.ElementTree(root).write(path, encoding="utf-8", xml_declaration=True)


def _rfc_7946(layer: gpd.GeoDataFrame) -> dict[str, Any]:
    """The layer as a GeoJSON document. What rounding has folded to a line or a point is taken out."""
    written = io.BytesIO()
    _ogr(layer, written, driver="GeoJSON", layer_options=_RFC_7946)
    document: dict[str, Any] = json.loads(written.getvalue().decode("utf-8", "replace"))
    for feature in document["features"]:
        rings = [part for part in _parts(feature["geometry"]) if part]
        feature["geometry"] = (
            {"type": "Polygon", "coordinates": rings[0]}
            if len(rings) == 1
            else {"type": "MultiPolygon", "coordinates": rings}
            if rings
            else None
        )
    return document


def _parts(geometry: Mapping[str, Any] | None) -> list[Any]:
    """Rings of each polygon, however deep it lies."""
    match geometry:
        case {"type": "Polygon", "coordinates": rings}:
            return [rings]
        case {"type": "MultiPolygon", "coordinates": parts}:
            return list(parts)
        case {"type": "GeometryCollection", "geometries": inner}:
            return [part for shape in inner for part in _parts(shape)]
    return []


def _polygons(mark: ET.Element, geometry: Mapping[str, Any] | None) -> None:
    parts = _parts(geometry)
    parent = ET.SubElement(mark, "MultiGeometry") if len(parts) > 1 else mark
    for part in parts:
        polygon = ET.SubElement(parent, "Polygon")
        for number, ring in enumerate(part):
            side = ET.SubElement(polygon, "innerBoundaryIs" if number else "outerBoundaryIs")
            text = " ".join(f"{x!r},{y!r}" for x, y in ring)
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


_MAPS = 40  # sites with a picture of their own; the overview shows the rest
_DPI = 150


def write(job: Sized, folder: str | Path, formats: Iterable[str] = ("gpkg", "csv", "png")) -> list[Path]:
    """Write a job to a folder.

    Parameters
    ----------
    job : Sized
    folder : path
        Made if it is not there. Files of the same names are replaced; others stay.
    formats : iterable of str
        - ``gpkg``: ``job.gpkg`` with the layers ``zones``, ``patches``, ``eligible``, ``ledger`` (`Sized.ground`: every
          part of the infested ground with its outcome), in the survey's CRS.
        - ``geojson``: the four layers, a file each, after RFC 7946: WGS 84 longitude and latitude to thirteen
          decimals, outer rings anticlockwise, cut at the antimeridian, polygons only.
        - ``kml``: the same as KML.
        - ``parquet``: the same as GeoParquet, in the survey's CRS; needs pyarrow.
        - ``csv``: ``zones``, ``patches``, ``totals``, ``loads``, ``ledger`` and ``findings`` as tables. Cells that a
          spreadsheet would run as formulas get a leading apostrophe.
        - ``png``: ``map.png``, and of several sites (up to 40) a picture each in ``maps``.
        - ``html``: the mix sheets, in ``sheets``.

    Returns
    -------
    list of pathlib.Path
        The files written.

    Raises
    ------
    InputError
        An unknown format, a folder that cannot be written, a library that a format needs and that is missing.

    Notes
    -----
    Read back, GeoPackage and GeoParquet give the same columns, types and coordinates (a GeoPackage layer that holds
    any multipolygon holds only multipolygons). GeoJSON and KML move a vertex by up to 1e-13 degrees, and readers
    may take whole numbers for shorter ones. KML keeps columns as extended data beside those that readers add, and
    text loses characters that XML cannot hold. CSV keeps numbers in full but tells neither text from numbers (read
    ``site`` as text) nor no text from none.
    """
    target = path_given(folder, "a job", 'job.write("out")')
    wanted = _formats(formats)

    def all_of_them(new: Path) -> None:
        for one in wanted:
            _WRITERS[one](job, new)

    return place(target, all_of_them)


def check(folder: Path, formats: Iterable[str]) -> list[str]:
    """Refuse a place or formats that `write` would refuse, before the work is done.

    Nothing is left behind, and the folder is not made.

    Returns
    -------
    list of str
        The formats, by their own names.
    """
    wanted = _formats(formats)
    if "parquet" in wanted and find_spec("pyarrow") is None:
        raise InputError("GeoParquet needs the library pyarrow", field="formats", mend="pip install pyarrow")
    check_place(folder)
    return wanted


def _formats(formats: Iterable[str]) -> list[str]:
    names = [formats] if isinstance(formats, str) else list(formats)
    found = []
    for name in names:
        key = str(name).strip().lower().lstrip(".")
        key = _ALIASES.get(key, key)
        if key not in _WRITERS:
            raise InputError(f"no format {name!r}", field="formats", mend=f"known: {', '.join(_WRITERS)}")
        found.append(key)
    if not found:
        raise InputError("no format is given", field="formats", mend=f"known: {', '.join(_WRITERS)}")
    return list(dict.fromkeys(found))


def _layers(job: Sized) -> dict[str, gpd.GeoDataFrame]:
    return {"zones": job.zones, "patches": job.patches, "eligible": job.eligible, "ledger": job.ground}


def _tables(job: Sized) -> dict[str, pd.DataFrame]:
    return {
        "zones": pd.DataFrame(job.zones.drop(columns="geometry")),
        "patches": pd.DataFrame(job.patches.drop(columns="geometry")),
        "totals": job.totals,
        "loads": job.loads,
        "ledger": job.ledger,
        "findings": job.findings,
    }


def _gpkg(job: Sized, folder: Path) -> None:
    write_gpkg(_layers(job), folder / "job.gpkg")


def _each_layer(
    writer: Callable[[gpd.GeoDataFrame, Path], None], ending: str
) -> Callable[[Sized, Path], None]:
    def write_all(job: Sized, folder: Path) -> None:
        for name, layer in _layers(job).items():
            writer(layer, folder / f"{name}.{ending}")

    return write_all


def _csv(job: Sized, folder: Path) -> None:
    for name, table in _tables(job).items():
        write_csv(table, folder / f"{name}.csv")


def _png(job: Sized, folder: Path) -> None:
    from weedzone.maps import plot

    _save(plot(job), folder / "map.png")
    sites = job.survey.sites
    if not 1 < len(sites) <= _MAPS:
        return
    (folder / "maps").mkdir(exist_ok=True)
    for site, name in file_names(sites).items():
        _save(plot(job, site=site), folder / "maps" / f"{name}.png")


def _save(ax: Any, path: Path) -> None:
    from matplotlib import pyplot

    figure = ax.figure
    figure.savefig(path, dpi=_DPI)
    pyplot.close(figure)


def _html(job: Sized, folder: Path) -> None:
    from weedzone.crew.mix_sheet import sheet

    sheet(job, folder / "sheets")


_WRITERS: Mapping[str, Callable[[Sized, Path], None]] = {
    "gpkg": _gpkg,
    "geojson": _each_layer(write_geojson, "geojson"),
    "kml": _each_layer(write_kml, "kml"),
    "parquet": _each_layer(write_parquet, "parquet"),
    "csv": _csv,
    "png": _png,
    "html": _html,
}
_ALIASES = {"geopackage": "gpkg", "geoparquet": "parquet", "json": "geojson"}
