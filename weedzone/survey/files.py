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

from weedzone.base.errors import Finding, SurveyError
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
            hint = f"; did you mean {close!r}?" if close else f"; layers are {', '.join(LAYERS)}"
            findings.append(
                Finding("warning", str(name)[:60], "", f"a survey has no such layer: not read{hint}")
            )
            continue
        if known in frames:
            raise SurveyError("the layer is there twice", file=file, layer=known, mend="keep one of them")
        frames[known] = _read(file, layer, known)
    if not frames:
        raise SurveyError(
            "no layer of a survey is here", file=place, mend=f"name the layers {', '.join(LAYERS)}"
        )
    return frames, findings


def layer_name(name: str) -> str | None:
    """Layer that a file or a layer in a file names, or None."""
    tidy = plain(name).replace(" ", "_").replace("-", "_")
    tidy = {"infestation": "infestations", "keepout": "keep_out", "keep_outs": "keep_out"}.get(tidy, tidy)
    return tidy if tidy in LAYERS else None


def _sources(place: Path) -> list[tuple[Path, str | None, str]]:
    """File, layer in the file (None: its only one) and name of each layer found."""
    if place.is_file():
        if place.suffix.lower() not in SUFFIXES:
            raise SurveyError(
                f"files of the kind {place.suffix or 'without an ending'} are not read",
                file=place,
                mend=f"use a GeoPackage, or a folder of files ending in {', '.join(SUFFIXES)}",
            )
        _guard_xml(place)
        return [(place, layer, layer) for layer in _layers_in(place)]
    files = sorted(file for file in place.iterdir() if file.suffix.lower() in SUFFIXES)
    if not files:
        raise SurveyError(
            "the folder holds no survey file", file=place, mend=f"name them {', '.join(LAYERS)}"
        )
    return [(file, None, file.stem) for file in files]


def _layers_in(file: Path) -> list[str]:
    import pyogrio

    if file.suffix.lower() == ".parquet":
        return [file.stem]
    try:
        return [str(name) for name in pyogrio.list_layers(file)[:, 0]]
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, ValueError, OSError) as problem:
        raise _unreadable(file, None, problem) from None


def _guard_xml(file: Path) -> None:
    """Refuse XML that is oversized or declares entities: a few lines of those can fill any memory."""
    if file.suffix.lower() not in XML:
        return
    if file.stat().st_size > MAX_XML_BYTES:
        raise SurveyError("too large for a KML or GPX file", file=file, mend="convert it to a GeoPackage")
    content = file.read_bytes()
    # Without its zero bytes UTF-16 and UTF-32 markup reads as ASCII.
    if (
        b"<!doctype" in content.replace(b"\0", b"").lower()
        or b"<!entity" in content.replace(b"\0", b"").lower()
    ):
        raise SurveyError(
            "the file declares document types or entities, which are not read",
            file=file,
            mend="export it again without them",
        )


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
            views = [
                name for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'view'")
            ]
    except sqlite3.Error:
        return  # the reader says what is wrong with the file
    for view in views:
        if layer_name(view):
            raise SurveyError(
                "the layer is a view, not a table", file=file, layer=view, mend="save it as a layer"
            )


def _read(file: Path, layer: str | None, name: str) -> gpd.GeoDataFrame:
    import pyogrio

    _guard_xml(file)
    refuse_views(file)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if file.suffix.lower() == ".parquet":
                frame: Any = gpd.read_parquet(file)
            elif file.suffix.lower() == ".gpx" and layer is None:
                frame = _read_gpx(file)
            else:
                inside = _layers_in(file)
                if layer is None and len(inside) > 1:
                    layer = next((one for one in inside if layer_name(one) == name), None)
                    if layer is None:
                        raise SurveyError(
                            f"the file holds several layers ({', '.join(inside)[:200]})",
                            file=file,
                            layer=name,
                            mend=f"keep one, or name one of them {name}",
                        )
                frame = pyogrio.read_dataframe(file, layer=layer)
    except SurveyError:
        raise
    except Exception as problem:
        raise _unreadable(file, name, problem) from None
    if not isinstance(frame, gpd.GeoDataFrame):
        raise SurveyError("the layer has no shapes", file=file, layer=name, mend="give it a geometry column")
    return frame


def _read_gpx(file: Path) -> gpd.GeoDataFrame:
    """Waypoints, routes and tracks of a GPX file as one layer."""
    import pyogrio

    present = [layer for layer in _layers_in(file) if layer in _GPX_LAYERS]
    frames = [pyogrio.read_dataframe(file, layer=layer) for layer in present]
    filled = [frame.dropna(axis="columns", how="all") for frame in frames if len(frame)]
    if not filled:
        return frames[0] if frames else gpd.GeoDataFrame(geometry=[], crs=4326)
    return gpd.GeoDataFrame(pd.concat(filled, ignore_index=True), crs=filled[0].crs)


def _unreadable(file: Path, layer: str | None, problem: Exception) -> SurveyError:
    reason = str(problem).replace(str(file), file.name)[:200]
    return SurveyError(
        f"the file cannot be read ({reason})",
        file=file,
        layer=layer,
        mend="open and save it in a GIS, or use another",
    )


@dataclass(frozen=True)
class Layer:
    """One layer of the source: where it is, its CRS and its geometry column."""

    name: str
    path: Path
    inside: str | None
    crs: Any
    geometry: str

    def batches(self, columns: list[str] | None = None) -> Iterator[pa.RecordBatch]:
        """Rows as they lie in the file, shapes as WKB in the column ``geometry``."""
        if self.inside is None:
            keep = None if columns is None else [*columns, self.geometry]
            for batch in _parquet_batches(self.path, keep):
                yield self._renamed(batch)
            return
        with pyogrio.open_arrow(
            self.path, layer=self.inside, columns=columns, batch_size=BATCH_ROWS, use_pyarrow=True
        ) as (_, reader):
            for batch in reader:
                yield self._renamed(batch)

    def _renamed(self, batch: pa.RecordBatch) -> pa.RecordBatch:
        names = [GEOMETRY if name == self.geometry else name for name in batch.schema.names]
        return batch.rename_columns(names)


def _parquet_batches(path: Path, columns: list[str] | None) -> Iterator[pa.RecordBatch]:
    """Rows of a GeoParquet file, or of a folder of them, a page at a time.

    A scan of the dataset would hold whole row groups, which commonly are a million rows.
    """
    whole = dataset.dataset(path)
    for file in whole.files:
        with parquet.ParquetFile(file, buffer_size=BUFFER_BYTES, pre_buffer=False) as one:
            if one.schema_arrow.equals(whole.schema):
                yield from one.iter_batches(BATCH_ROWS, columns=columns, use_threads=False)
                continue
        alike = dataset.dataset(file, schema=whole.schema)
        yield from alike.to_batches(batch_size=BATCH_ROWS, columns=columns)


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
                found[name] = _parquet_layer(name, path)
    else:
        refuse_views(source)
        for inside in _inside(source):
            name = layer_name(str(inside))
            if name is not None:
                info = pyogrio.read_info(source, layer=inside)
                found[name] = Layer(
                    name, source, str(inside), info["crs"], info["geometry_name"] or "wkb_geometry"
                )
    unread = _unread(source)
    for name in _NEEDED:
        if name not in found and unread:
            raise SurveyError(
                f"a portfolio is a GeoPackage or a folder of GeoParquet files, but here are {', '.join(unread)}",
                file=source,
                layer=name,
                mend="write the layers as GeoParquet, or size the survey without --portfolio",
            )
        if name not in found:
            raise SurveyError(
                "the layer is missing", file=source, layer=name, mend=f"add it; found: {', '.join(found)}"
            )
    return {name: found[name] for name in LAYERS if name in found}


def _inside(source: Path) -> list[str]:
    """Names of the layers of a file."""
    try:
        return [str(name) for name in pyogrio.list_layers(source)[:, 0]]
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as problem:
        what = f"the file cannot be read ({str(problem).replace(str(source), source.name)[:200]})"
        raise SurveyError(
            what, file=source, mend="give a GeoPackage, or a folder of GeoParquet files"
        ) from None


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
        raise SurveyError(
            f"this is no GeoParquet ({type(problem).__name__})",
            file=path,
            layer=name,
            mend="write it with geopandas",
        ) from None
    if described.get("encoding") != "WKB":
        raise SurveyError(
            "the shapes are not encoded as WKB", file=path, layer=name, mend="write them as WKB"
        )
    crs = described.get("crs", "OGC:CRS84")
    return Layer(name, path, None, crs, column)
