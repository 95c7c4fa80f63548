"""A survey too large for memory, split into blocks of sites that lie together.

The layers are streamed from GeoParquet or a GeoPackage and written again as small files, block by block; shapes
stay encoded until a block is sized. What belongs to no one site (a county's rivers) is kept once, with its
extent, and handed to the blocks that it comes near.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pyogrio
import pyproj
import shapely
from pyarrow import dataset, feather, parquet

from weedzone.base.errors import SurveyError
from weedzone.base.units import FT_PER_M
from weedzone.ground.shapes import Array, Floats, Ints
from weedzone.survey.files import LAYERS, SUFFIXES, layer_name, refuse_views
from weedzone.survey.layers import site_name
from weedzone.survey.overlaps import earlier_neighbours
from weedzone.survey.whereabouts import METRES_PER_DEGREE

BATCH_ROWS = 50_000
BUFFER_BYTES = 2**20
GEOMETRY = "geometry"
_NEEDED = ("turf", "infestations", "keep_out")
_SHARED = ("keep_out", "history")
_TURNS = (-360.0, 0.0, 360.0)  # of the globe [degrees]
_DRAWN = ("turf", "infestations", "boundary")  # what makes ground a site's own
NEAR_DEGREES = 0.005  # about 500 m: shapes are handed to blocks this near; exact reach comes later


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


@dataclass(frozen=True)
class Blocks:
    """The blocks of a source.

    Attributes
    ----------
    folder : Path
        Scratch files, a folder a block.
    sites : list of list of str
        Names of the sites of each block, in spatial order.
    crs : mapping of layer to CRS
    """

    folder: Path
    sites: list[list[str]]
    crs: dict[str, Any]

    def __len__(self) -> int:
        """Number of blocks."""
        return len(self.sites)


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


def split(source: Path, folder: Path, size: int) -> Blocks:
    """Stream a source into blocks of at most `size` sites; a finished split is taken as it is.

    Raises
    ------
    SurveyError
        Infestations without a site.
    """
    layers = layers_of(source)
    crs = {name: layer.crs for name, layer in layers.items()}
    ready = folder / "blocks.json"
    if ready.is_file():
        return Blocks(folder, _finished(ready), crs)
    names, boxes = _sites(layers["infestations"])
    order = _spatial_order(boxes[:, :2])
    block_of = {names[site]: rank // size for rank, site in enumerate(order)}
    sites = [[names[site] for site in order[start : start + size]] for start in range(0, len(order), size)]
    for number in range(len(sites)):
        (folder / f"{number:06d}").mkdir(parents=True, exist_ok=True)
    (folder / "shared").mkdir(exist_ok=True)
    corners = gpd.GeoSeries(shapely.box(*boxes.T), crs=layers["infestations"].crs).to_crs(4326).bounds
    extents = _block_extents(corners.to_numpy()[order], size)
    invited = _invited(names, corners.to_numpy(), block_of)
    for layer in layers.values():
        for part, batch in enumerate(layer.batches()):
            _scatter(batch, layer, block_of, folder, part)
            if layer.name == "keep_out":
                _lend(batch, layer, block_of, extents, folder, part)
            if layer.name in _DRAWN:
                _invite(batch, layer, invited, folder, part)
    temporary = ready.with_suffix(".new")
    digests = {file.relative_to(folder).as_posix(): _digest(file) for file in folder.rglob("*.arrow")}
    temporary.write_text(json.dumps({"sites": sites, "digests": digests}), encoding="utf-8")
    temporary.replace(ready)
    return Blocks(folder, sites, crs)


def _finished(ready: Path) -> list[list[str]]:
    """Sites of a finished split, once its files are seen to be as written: a lost one may be a keep-out's."""
    try:
        told = json.loads(ready.read_text(encoding="utf-8"))
        sites: list[list[str]] = told["sites"]
        whole = all(_digest(ready.parent / name) == digest for name, digest in told["digests"].items())
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        whole, sites = False, []
    if not whole:
        raise damaged(ready.parent)
    return sites


def _digest(file: Path) -> str:
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def damaged(folder: Path) -> SurveyError:
    """The error for scratch files that are not as they were written."""
    return SurveyError("the scratch files are damaged", file=folder, mend="remove this folder and run again")


def _sites(layer: Layer) -> tuple[list[str], Floats]:
    """Names of the sites and the box of each, in the layer's own coordinates."""
    seen: dict[str, int] = {}
    boxes = [np.empty((0, 4))]
    for batch in layer.batches():
        if "site" not in batch.schema.names:
            raise SurveyError(
                "the column 'site' is missing",
                file=layer.path,
                layer=layer.name,
                mend="name each place's site",
            )
        names = _site_column(batch)
        if any(name is None for name in names):
            raise SurveyError(
                "the site is missing", file=layer.path, layer=layer.name, mend="write the site's name"
            )
        number = np.array([seen.setdefault(str(name), len(seen)) for name in names], dtype=np.intp)
        found = shapely.bounds(shapely.from_wkb(np.asarray(batch.column(GEOMETRY)), on_invalid="ignore"))
        found += np.multiply.outer(_spread(batch, found, layer.crs), [-1.0, -1.0, 1.0, 1.0])
        grown = np.full((len(seen) - len(boxes[-1]), 4), np.nan)
        boxes = [np.concatenate([boxes[-1], grown])]
        for column, extreme in ((0, np.fmin), (1, np.fmin), (2, np.fmax), (3, np.fmax)):
            extreme.at(boxes[-1][:, column], number, found[:, column])
    return list(seen), np.nan_to_num(boxes[-1])


def _spread(batch: pa.RecordBatch, boxes: Floats, crs: Any) -> Floats:
    """How far points and lines reach beyond their boxes, in the layer's own units; rather too far."""
    far = np.zeros(len(boxes))
    for name in batch.schema.names:
        if name.strip().lower().startswith(("radius", "width")):
            values = gpd.pd.to_numeric(batch.column(name).to_pandas(), errors="coerce").to_numpy(dtype=float)
            scale = FT_PER_M if name.strip().lower().endswith("ft") else 1.0
            far = np.fmax(far, np.nan_to_num(values) * 1.05 / scale)
    if not far.any():
        return far
    system = pyproj.CRS.from_user_input(crs)
    if system.is_geographic:
        polar = np.minimum(np.nan_to_num(np.abs(boxes[:, [1, 3]]).max(axis=1)), 89.0)
        return np.asarray(far / (METRES_PER_DEGREE * np.cos(np.radians(polar))))
    return far / float(system.axis_info[0].unit_conversion_factor)


def _block_extents(corners: Floats, size: int) -> Array:
    """Box about each block in longitude/latitude, with room for any buffer."""
    starts = np.arange(0, len(corners), size)
    low, high = np.minimum.reduceat(corners[:, :2], starts), np.maximum.reduceat(corners[:, 2:], starts)
    return np.asarray(shapely.box(*(low - NEAR_DEGREES).T, *(high + NEAR_DEGREES).T))


def _invited(names: list[str], corners: Floats, block_of: dict[str, int]) -> dict[str, list[int]]:
    """Blocks that a site is a guest of, as it may have ground that is drawn under one of theirs too."""
    first, later = earlier_neighbours(np.array(names, dtype=object), corners)
    out: dict[str, list[int]] = {}
    for host, guest in sorted({(block_of[names[b]], names[a]) for a, b in zip(first, later, strict=True)}):
        if block_of[guest] != host:
            out.setdefault(guest, []).append(host)
    return out


def _invite(
    batch: pa.RecordBatch, layer: Layer, invited: dict[str, list[int]], folder: Path, part: int
) -> None:
    """Write what is drawn under guests to the folders of their hosts."""
    if not invited or "site" not in batch.schema.names:
        return
    rows: dict[int, list[int]] = {}
    for row, name in enumerate(_site_column(batch)):
        for host in invited.get(str(name), ()):
            rows.setdefault(host, []).append(row)
    table = pa.Table.from_batches([batch])
    for host, mine in rows.items():
        place = folder / f"{host:06d}" / f"guest-{layer.name}-{part:06d}.arrow"
        feather.write_feather(table.take(pa.array(mine)), place, compression="lz4")


def _lend(
    batch: pa.RecordBatch, layer: Layer, block_of: dict[str, int], extents: Array, folder: Path, part: int
) -> None:
    """Give the neighbouring blocks what is mapped on this one's sites: it holds for them too, if it is near."""
    if "site" not in batch.schema.names:
        return
    own = np.array([block_of.get(str(name), -1) for name in _site_column(batch)], dtype=np.intp)
    shapes = shapely.from_wkb(np.asarray(batch.column(GEOMETRY)), on_invalid="ignore")
    boxes = gpd.GeoSeries(shapely.box(*shapely.bounds(shapes).T), crs=layer.crs).to_crs(4326)
    tree = shapely.STRtree(extents)
    found = [tree.query(boxes.translate(turn).to_numpy()) for turn in _TURNS]
    row, block = np.unique(np.concatenate(found, axis=1), axis=1)
    lent = (own[row] >= 0) & (own[row] != block)
    row, block = row[lent], block[lent]
    table = pa.Table.from_batches([batch])
    at = table.schema.get_field_index("site")
    table = table.set_column(at, "site", pa.nulls(len(table), table.schema.field(at).type))
    for number in np.unique(block):
        rows = table.take(pa.array(row[block == number]))
        place = folder / f"{number:06d}" / f"{layer.name}-{part:06d}-lent.arrow"
        feather.write_feather(rows, place, compression="lz4")


def _site_column(batch: pa.RecordBatch) -> list[str | None]:
    return [None if value is None else site_name(value) for value in batch.column("site").to_pylist()]


def _spatial_order(xy: Floats) -> Ints:
    """Rows along a Hilbert curve, so that a block's sites lie together."""
    if not len(xy):
        return np.empty(0, dtype=np.intp)
    return np.asarray(gpd.GeoSeries(shapely.points(xy)).hilbert_distance(level=16).argsort(kind="stable"))


def _scatter(batch: pa.RecordBatch, layer: Layer, block_of: dict[str, int], folder: Path, part: int) -> None:
    """Write each block's rows of one batch to the block's own folder."""
    nowhere = -1
    if "site" in batch.schema.names:
        codes = [nowhere if name is None else block_of.get(name, nowhere) for name in _site_column(batch)]
    else:
        codes = [nowhere] * len(batch)
    block = np.array(codes, dtype=np.intp)
    table = pa.Table.from_batches([batch])
    for number in np.unique(block):
        if number == nowhere and layer.name not in _SHARED:
            continue  # turf and boundaries of sites without infested ground
        rows = table.take(pa.array(np.flatnonzero(block == number)))
        place = folder / ("shared" if number == nowhere else f"{number:06d}")
        feather.write_feather(rows, place / f"{layer.name}-{part:06d}.arrow", compression="lz4")


def block_layers(blocks: Blocks, number: int) -> dict[str, gpd.GeoDataFrame]:
    """Layers of one block, with the shared shapes that come near it.

    Raises
    ------
    SurveyError
        Scratch files that cannot be read.
    """
    try:
        return _block_layers(blocks, number)
    except (pa.ArrowException, shapely.GEOSException, OSError, KeyError, UnicodeDecodeError) as problem:
        raise damaged(blocks.folder) from problem


def _block_layers(blocks: Blocks, number: int) -> dict[str, gpd.GeoDataFrame]:
    frames = {}
    for name, crs in blocks.crs.items():
        own = _frame(sorted((blocks.folder / f"{number:06d}").glob(f"{name}-*.arrow")), crs)
        if own is not None:
            frames[name] = own
    degrees = _extent(frames["infestations"])
    for name in _DRAWN:
        guests = _frame(
            sorted((blocks.folder / f"{number:06d}").glob(f"guest-{name}-*.arrow")), blocks.crs.get(name)
        )
        if guests is not None:
            frames[name] = (
                gpd.pd.concat([frames[name], guests], ignore_index=True) if name in frames else guests
            )
    for name in _SHARED:
        if name not in blocks.crs:
            continue
        near = _near(sorted((blocks.folder / "shared").glob(f"{name}-*.arrow")), blocks.crs[name], degrees)
        if near is not None:
            # Whatever site they name is not one of the sites: they hold wherever they come near.
            near = near.assign(site=None)
            frames[name] = gpd.pd.concat([frames[name], near], ignore_index=True) if name in frames else near
    return frames


def _frame(files: list[Path], crs: Any) -> gpd.GeoDataFrame | None:
    if not files:
        return None
    table = pa.concat_tables([feather.read_table(file) for file in files], promote_options="default")
    shapes: Array = shapely.from_wkb(np.asarray(table.column(GEOMETRY)), on_invalid="ignore")
    data = table.drop_columns([GEOMETRY]).to_pandas()
    return gpd.GeoDataFrame(data, geometry=shapes, crs=crs)


def _extent(frame: gpd.GeoDataFrame) -> Any:
    """Box about a block in longitude/latitude."""
    return shapely.box(*frame.geometry.to_crs(4326).total_bounds).buffer(NEAR_DEGREES, join_style="mitre")


def _near(files: list[Path], crs: Any, degrees: Any) -> gpd.GeoDataFrame | None:
    """Shapes whose boxes meet the block's, also where a whole turn of the globe lies between their longitudes."""
    box = gpd.GeoSeries([degrees.segmentize(NEAR_DEGREES)], crs=4326).to_crs(crs).total_bounds
    turns = _TURNS if pyproj.CRS.from_user_input(crs).is_geographic else (0.0,)
    box = np.where(np.isfinite(box), box, [-1e12, -1e12, 1e12, 1e12])  # in doubt all is near
    boxes = [shapely.box(box[0] + turn, box[1], box[2] + turn, box[3]) for turn in turns]
    kept = []
    for file in files:
        frame = _frame([file], crs)
        if frame is not None:
            own = shapely.box(*frame.bounds.to_numpy().T)
            kept.append(frame[np.logical_or.reduce([shapely.intersects(own, each) for each in boxes])])
    found = [frame for frame in kept if len(frame)]
    return gpd.pd.concat(found, ignore_index=True) if found else None
