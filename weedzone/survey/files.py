"""Survey files: a GeoPackage of layers, or a folder of files named after them; read whole, or in batches of rows."""

from __future__ import annotations

import json
import sqlite3
import warnings
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyogrio
from pyarrow import dataset, parquet

from weedzone.base.errors import Finding, SurveyError, naming
from weedzone.base.names import nearest, plain

LAYERS = ("turf", "infestations", "keep_out", "boundary", "history")
SUFFIXES = (".gpkg", ".geojson", ".json", ".shp", ".kml", ".gpx", ".parquet", ".fgb")
XML = (".kml", ".gpx")
MAX_XML_BYTES = 64_000_000
_GPX_LAYERS = ("waypoints", "routes", "tracks")
BATCH_ROWS = 50_000
BUFFER_BYTES = 2**20
GEOMETRY = "geometry"
_NEEDED = ("turf", "infestations", "keep_out")


def read_layers(path: str | Path) -> tuple[dict[str, gpd.GeoDataFrame], list[Finding]]:
    """Read every layer of a survey as it stands.

    Returns
    -------
    frames : dict of layer name to GeoDataFrame
    findings : list of Finding
        Layers and files that were passed over.

    Raises
    ------
    SurveyError
        No such file, a file that cannot be read, no layer with a survey's name, one layer twice.
    """
    place = Path(path)
    if not place.exists():
        raise SurveyError("there is no such file or folder", file=place, mend="check the path")
    frames: dict[str, gpd.GeoDataFrame] = {}
    findings: list[Finding] = []
    for file, layer, name in _sources(place):
        known = layer_name(name)
        if known is None:
            close = nearest(plain(name).replace(" ", "_"), LAYERS)
            hint = f"did you mean {close!r}?" if close else f"layers are {', '.join(LAYERS)}"
            message = f"a survey has no such layer: not read; {hint}"
            findings.append(Finding("warning", str(name)[:60], "", message))
            continue
        with naming(file=file, layer=known):
            if known in frames:
                raise SurveyError("the layer is there twice", mend="keep one of them")
            frames[known] = _read(file, layer, known)
    if not frames:
        mend = f"name the layers {', '.join(LAYERS)}"
        raise SurveyError("no layer of a survey is here", file=place, mend=mend)
    return frames, findings


def layer_name(name: str) -> str | None:
    """Layer that a file or a layer in a file names, or None."""
    tidy = plain(name).replace(" ", "_").replace("-", "_")
    tidy = {"infestation": "infestations", "keepout": "keep_out", "keep_outs": "keep_out"}.get(tidy, tidy)
    return tidy if tidy in LAYERS else None


def _sources(place: Path) -> list[tuple[Path, str | None, str]]:
    """File, layer in the file (None: its only one) and name of each layer found."""
    with naming(file=place):
        if place.is_file():
            if place.suffix.lower() not in SUFFIXES:
                what = f"files of the kind {place.suffix or 'without an ending'} are not read"
                raise SurveyError(
                    what, mend=f"use a GeoPackage, or a folder of files ending in {', '.join(SUFFIXES)}"
                )
            _guard_xml(place)
            inside = [place.stem] if place.suffix.lower() == ".parquet" else _layers_in(place)
            return [(place, layer, layer) for layer in inside]
        files = sorted(file for file in place.iterdir() if file.suffix.lower() in SUFFIXES)
        if not files:
            raise SurveyError("the folder holds no survey file", mend=f"name them {', '.join(LAYERS)}")
        return [(file, None, file.stem) for file in files]


def _layers_in(file: Path, mend: str = "open and save it in a GIS, or use another") -> list[str]:
    try:
        return [str(name) for name in pyogrio.list_layers(file)[:, 0]]
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, ValueError, OSError) as problem:
        raise _unreadable(file, problem, mend) from None


def _guard_xml(file: Path) -> None:
    """Refuse XML that is oversized or declares entities: a few lines of those can fill any memory."""
    if file.suffix.lower() not in XML:
        return
    if file.stat().st_size > MAX_XML_BYTES:
        raise SurveyError("too large for a KML or GPX file", mend="convert it to a GeoPackage")
    # Without its zero bytes UTF-16 and UTF-32 markup reads as ASCII.
    content = file.read_bytes().replace(b"\0", b"").lower()
    if b"<!doctype" in content or b"<!entity" in content:
        what = "the file declares document types or entities, which are not read"
        raise SurveyError(what, mend="export it again without them")


def refuse_views(file: Path) -> None:
    """Refuse a GeoPackage of which a layer of a survey is a view: a query may take for ever.

    Parameters
    ----------
    file : Path

    Raises
    ------
    SurveyError
    """
    if file.suffix.lower() != ".gpkg":
        return
    try:
        with closing(sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True)) as database:
            views = database.execute("SELECT name FROM sqlite_master WHERE type = 'view'").fetchall()
    except sqlite3.Error:
        return  # the reader says what is wrong with the file
    for (view,) in views:
        if layer_name(view):
            what = "the layer is a view, not a table"
            raise SurveyError(what, file=file, layer=view, mend="save it as a layer")


def _read(file: Path, layer: str | None, name: str) -> gpd.GeoDataFrame:
    _guard_xml(file)
    refuse_views(file)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            frame = _read_quietly(file, layer, name)
    except SurveyError:
        raise
    except Exception as problem:
        raise _unreadable(file, problem) from None
    if not isinstance(frame, gpd.GeoDataFrame):
        raise SurveyError("the layer has no shapes", mend="give it a geometry column")
    return frame


def _read_quietly(file: Path, layer: str | None, name: str) -> Any:
    if file.suffix.lower() == ".parquet":
        return gpd.read_parquet(file)
    if file.suffix.lower() == ".gpx" and layer is None:
        return _read_gpx(file)
    inside = _layers_in(file)
    if layer is None and len(inside) > 1:
        layer = next((one for one in inside if layer_name(one) == name), None)
        if layer is None:
            what = f"the file holds several layers ({', '.join(inside)[:200]})"
            raise SurveyError(what, mend=f"keep one, or name one of them {name}")
    return pyogrio.read_dataframe(file, layer=layer)


def _read_gpx(file: Path) -> gpd.GeoDataFrame:
    """Waypoints, routes and tracks of a GPX file as one layer."""
    present = [layer for layer in _layers_in(file) if layer in _GPX_LAYERS]
    frames = [pyogrio.read_dataframe(file, layer=layer) for layer in present]
    filled = [frame.dropna(axis="columns", how="all") for frame in frames if len(frame)]
    if not filled:
        return frames[0] if frames else gpd.GeoDataFrame(geometry=[], crs=4326)
    return gpd.GeoDataFrame(pd.concat(filled, ignore_index=True), crs=filled[0].crs)


def _unreadable(
    file: Path, problem: Exception, mend: str = "open and save it in a GIS, or use another"
) -> SurveyError:
    reason = str(problem).replace(str(file), file.name)[:200]
    return SurveyError(f"the file cannot be read ({reason})", file=file, mend=mend)


@dataclass(frozen=True)
class Layer:
    """One layer of the source: where it is, its CRS and its geometry column."""

    name: str
    path: Path
    inside: str | None
    crs: Any
    geometry: str

    def batches(self) -> Iterator[pa.RecordBatch]:
        """Rows as they lie in the file, shapes as WKB in the column ``geometry``."""
        if self.inside is None:
            yield from map(self._renamed, _parquet_batches(self.path))
            return
        options: Any = {"layer": self.inside, "batch_size": BATCH_ROWS, "use_pyarrow": True}
        with pyogrio.open_arrow(self.path, **options) as (_, reader):
            yield from map(self._renamed, reader)

    def _renamed(self, batch: pa.RecordBatch) -> pa.RecordBatch:
        names = [GEOMETRY if name == self.geometry else name for name in batch.schema.names]
        return batch.rename_columns(names)


def _parquet_batches(path: Path) -> Iterator[pa.RecordBatch]:
    """Rows of a GeoParquet file, or of a folder of them, a page at a time.

    A scan of the dataset would hold whole row groups, which commonly are a million rows.
    """
    whole = dataset.dataset(path)
    for file in whole.files:
        with parquet.ParquetFile(file, buffer_size=BUFFER_BYTES, pre_buffer=False) as one:
            if one.schema_arrow.equals(whole.schema):
                yield from one.iter_batches(BATCH_ROWS, use_threads=False)
                continue
        alike = dataset.dataset(file, schema=whole.schema)
        yield from alike.to_batches(batch_size=BATCH_ROWS)


def layers_of(source: Path) -> dict[str, Layer]:
    """Layers of a GeoPackage, or of a folder of GeoParquet files or datasets.

    Raises
    ------
    SurveyError
        No such source, a layer missing, a layer without shapes or CRS.
    """
    if not source.exists():
        raise SurveyError("there is no such file or folder", file=source, mend="check the path")
    found: dict[str, Layer] = {}
    if source.is_dir():
        for path in sorted(source.iterdir()):
            name = layer_name(path.stem)
            if name is not None and (path.is_dir() or path.suffix == ".parquet"):
                with naming(file=path, layer=name):
                    found[name] = _parquet_layer(name, path)
    else:
        refuse_views(source)
        for inside in _layers_in(source, "give a GeoPackage, or a folder of GeoParquet files"):
            name = layer_name(inside)
            if name is not None:
                info = pyogrio.read_info(source, layer=inside)
                found[name] = Layer(
                    name, source, inside, info["crs"], info["geometry_name"] or "wkb_geometry"
                )
    unread = _unread(source)
    for name in _NEEDED:
        if name not in found:
            what, mend = "the layer is missing", f"add it; found: {', '.join(found)}"
            if unread:
                kinds = "a GeoPackage or a folder of GeoParquet files"
                what = f"a portfolio is {kinds}, but here are {', '.join(unread)}"
                mend = "write the layers as GeoParquet, or size the survey without --portfolio"
            raise SurveyError(what, file=source, layer=name, mend=mend)
    return {name: found[name] for name in LAYERS if name in found}


def _unread(source: Path) -> list[str]:
    """Files of a folder that are named after layers, but are of a kind that is not streamed."""
    if not source.is_dir():
        return []
    kinds = [suffix for suffix in SUFFIXES if suffix != ".parquet"]
    return sorted(one.name for one in source.iterdir() if one.is_file() and one.suffix.lower() in kinds)


def _parquet_layer(name: str, path: Path) -> Layer:
    try:
        schema = dataset.dataset(path).schema
        geo = json.loads((schema.metadata or {})[b"geo"])
        column = geo["primary_column"]
        described = geo["columns"][column]
    except (KeyError, ValueError, OSError, pa.ArrowInvalid) as problem:
        what = f"this is no GeoParquet ({type(problem).__name__})"
        raise SurveyError(what, mend="write it with geopandas") from None
    if described.get("encoding") != "WKB":
        raise SurveyError("the shapes are not encoded as WKB", mend="write them as WKB")
    return Layer(name, path, None, described.get("crs", "OGC:CRS84"), column)
