"""A survey too large for memory, split into blocks of sites that lie together.

The layers are streamed from GeoParquet or a GeoPackage and written again as small files, block by block; shapes
stay encoded until a block is sized. What belongs to no one site (a county's rivers) is kept once, with its
extent, and handed to the blocks that it comes near.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pyproj
import shapely
from pyarrow import feather

from weedzone.base.errors import SurveyError
from weedzone.base.units import FT_PER_M
from weedzone.ground.edges import unrolled
from weedzone.ground.shapes import Array, Floats, Ints
from weedzone.survey.files import GEOMETRY, Layer, layers_of
from weedzone.survey.laid import earlier_neighbours
from weedzone.survey.layers import site_name
from weedzone.survey.whereabouts import METRES_PER_DEGREE, TURN, TURNS

_SHARED = ("keep_out", "history")
_DRAWN = ("turf", "infestations", "boundary", "history")  # what makes ground a site's own, and was done there
NEAR_DEGREES = 0.005  # about 500 m: shapes are handed to blocks this near; exact reach comes later


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
    corners = _in_degrees(boxes, layers["infestations"].crs)
    extents = _block_extents(corners[order], size)
    invited = _invited(names, corners, block_of)
    for layer in layers.values():
        for part, batch in enumerate(layer.batches()):
            _scatter(batch, layer, block_of, f"{layer.name}-{part:06d}.arrow", folder)
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
        found = _boxes(shapely.from_wkb(np.asarray(batch.column(GEOMETRY)), on_invalid="ignore"), layer.crs)
        found += np.multiply.outer(_spread(batch, found, layer.crs), [-1.0, -1.0, 1.0, 1.0])
        grown = np.full((len(seen) - len(boxes[-1]), 4), np.nan)
        boxes = [np.concatenate([boxes[-1], grown])]
        if pyproj.CRS.from_user_input(layer.crs).is_geographic:
            new, at = np.unique(number, return_index=True)
            home = boxes[-1][:, 0].copy()
            home[new] = np.where(np.isnan(home[new]), found[at, 0], home[new])
            found = _turned(found, home[number])
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


def _boxes(shapes: Array, crs: Any) -> Floats:
    """Box about each shape in the layer's own coordinates, past 180 degrees where it crosses the antimeridian."""
    plain = pyproj.CRS.from_user_input(crs).is_geographic
    return np.asarray(shapely.bounds(unrolled(shapes)[0] if plain else shapes))


def _in_degrees(boxes: Floats, crs: Any) -> Floats:
    """Boxes in a layer's coordinates as boxes in longitude/latitude."""
    moved = gpd.GeoSeries(shapely.box(*boxes.T), crs=crs).to_crs(4326).to_numpy()
    return np.asarray(shapely.bounds(unrolled(moved)[0]))


def _turned(boxes: Floats, west: Floats | float) -> Floats:
    """Boxes moved by whole turns of the globe to within half a turn of a longitude."""
    turns = np.nan_to_num(np.round((west - boxes[:, 0]) / 360.0))
    return np.asarray(boxes + np.multiply.outer(360.0 * turns, TURN))


def _block_extents(corners: Floats, size: int) -> Array:
    """Box about each block in longitude/latitude, with room for any buffer."""
    starts = np.arange(0, len(corners), size)
    corners = _turned(corners, np.repeat(corners[starts, 0], size)[: len(corners)])
    low, high = np.minimum.reduceat(corners[:, :2], starts), np.maximum.reduceat(corners[:, 2:], starts)
    return np.asarray(shapely.box(*(low - NEAR_DEGREES).T, *(high + NEAR_DEGREES).T))


def _invited(names: list[str], corners: Floats, block_of: dict[str, int]) -> dict[str, list[int]]:
    """Blocks that a site is a guest of, as some ground may be drawn under it and under one of theirs."""
    first, later = earlier_neighbours(np.array(names, dtype=object), corners)
    out: dict[str, list[int]] = {}
    both = zip([*first, *later], [*later, *first], strict=True)
    for host, guest in sorted({(block_of[names[b]], names[a]) for a, b in both}):
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
    boxes = _in_degrees(_boxes(shapes, layer.crs), layer.crs)
    tree = shapely.STRtree(extents)
    found = [tree.query(shapely.box(*(boxes + turn * TURN).T)) for turn in TURNS]
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
    boxes = _in_degrees(_boxes(frame.geometry.to_numpy(), frame.crs), frame.crs)
    boxes = _turned(boxes, float(np.nanmin(boxes[:, 0])))
    whole = [*np.nanmin(boxes[:, :2], axis=0), *np.nanmax(boxes[:, 2:], axis=0)]
    return shapely.box(*whole).buffer(NEAR_DEGREES, join_style="mitre")


def _near(files: list[Path], crs: Any, degrees: Any) -> gpd.GeoDataFrame | None:
    """Shapes whose boxes meet the block's, also where a whole turn of the globe lies between their longitudes."""
    box = gpd.GeoSeries([degrees.segmentize(NEAR_DEGREES)], crs=4326).to_crs(crs).total_bounds
    turns = TURNS if pyproj.CRS.from_user_input(crs).is_geographic else (0.0,)
    box = np.where(np.isfinite(box), box, [-1e12, -1e12, 1e12, 1e12])  # in doubt all is near
    boxes = [shapely.box(box[0] + turn, box[1], box[2] + turn, box[3]) for turn in turns]
    kept = []
    for file in files:
        frame = _frame([file], crs)
        if frame is not None:
            own = shapely.box(*_boxes(frame.geometry.to_numpy(), crs).T)
            kept.append(frame[np.logical_or.reduce([shapely.intersects(own, each) for each in boxes])])
    found = [frame for frame in kept if len(frame)]
    return gpd.pd.concat(found, ignore_index=True) if found else None
