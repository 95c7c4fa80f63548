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
import pandas as pd
import pyarrow as pa
import pyproj
import shapely
from pyarrow import feather

from weedzone.base.errors import SurveyError, naming
from weedzone.base.units import FT_PER_M
from weedzone.ground.edges import unrolled
from weedzone.ground.shapes import Array, Floats, Ints, extents
from weedzone.survey.files import GEOMETRY, Layer, layers_of
from weedzone.survey.laid import earlier_neighbours
from weedzone.survey.layers import site_name
from weedzone.survey.whereabouts import METRES_PER_DEGREE, TURN, TURNS, meetings

_SHARED = ("keep_out", "history")
_NOWHERE = -1  # number of the block of what belongs to no site
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
    # Parsed once: every block asks for it again and again.
    crs = {name: layer.crs and pyproj.CRS.from_user_input(layer.crs) for name, layer in layers.items()}
    ready = folder / "blocks.json"
    if ready.is_file():
        return Blocks(folder, _finished(ready), crs)
    names, boxes = _sites(layers["infestations"])
    order = _spatial_order(boxes[:, :2])
    block_of: dict[str | None, int] = {names[site]: rank // size for rank, site in enumerate(order)}
    sites = [[names[site] for site in order[start : start + size]] for start in range(0, len(order), size)]
    for number in range(_NOWHERE, len(sites)):
        _place(folder, number).mkdir(parents=True, exist_ok=True)
    corners = _in_degrees(boxes, layers["infestations"].crs)
    near = _block_extents(corners[order], size)
    invited = _invited(names, corners, block_of)
    for name, layer in layers.items():
        for part, batch in enumerate(layer.batches()):
            table, here = pa.Table.from_batches([batch]), _site_column(batch)
            block = np.array([block_of.get(site, _NOWHERE) for site in here], dtype=np.intp)
            # Turf and boundaries of sites without infested ground are left out.
            rows = np.flatnonzero((block != _NOWHERE) | (name in _SHARED))
            _write(table, rows, block[rows], folder, f"{name}-{part:06d}.arrow")
            if name == "keep_out":
                rows, borrower = _lent(batch, layer, block, near)
                nobody = table.drop_columns([one for one in table.column_names if one == "site"])
                _write(nobody, rows, borrower, folder, f"{name}-{part:06d}-lent.arrow")
            if name in _DRAWN:
                guests = [(row, host) for row, site in enumerate(here) for host in invited.get(site, ())]
                rows, host = np.array(guests, dtype=np.intp).reshape(-1, 2).T
                _write(table, rows, host, folder, f"guest-{name}-{part:06d}.arrow")
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


def _place(folder: Path, number: int) -> Path:
    return folder / ("shared" if number == _NOWHERE else f"{number:06d}")


def _write(table: pa.Table, rows: Ints, block: Ints, folder: Path, name: str) -> None:
    """Write rows of a table to the folders of their blocks."""
    for number in np.unique(block):
        mine = table.take(pa.array(rows[block == number]))
        feather.write_feather(mine, _place(folder, number) / name, compression="lz4")


def _digest(file: Path) -> str:
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def damaged(folder: Path) -> SurveyError:
    """The error for scratch files that are not as they were written."""
    return SurveyError("the scratch files are damaged", file=folder, mend="remove this folder and run again")


def _sites(layer: Layer) -> tuple[list[str], Floats]:
    """Names of the sites and the box of each, in the layer's own coordinates."""
    seen: dict[str, int] = {}
    boxes = np.empty((0, 4))
    geographic = pyproj.CRS.from_user_input(layer.crs).is_geographic
    for batch in layer.batches():
        names = _site_column(batch)
        with naming(file=layer.path, layer=layer.name):
            if "site" not in batch.schema.names:
                raise SurveyError("the column 'site' is missing", mend="name each place's site")
            if None in names:
                raise SurveyError("the site is missing", mend="write the site's name")
        number = np.array([seen.setdefault(str(name), len(seen)) for name in names], dtype=np.intp)
        found = _boxes(shapely.from_wkb(np.asarray(batch.column(GEOMETRY)), on_invalid="ignore"), layer.crs)
        found += np.multiply.outer(_spread(batch, found, layer.crs), [-1.0, -1.0, 1.0, 1.0])
        boxes = np.concatenate([boxes, np.full((len(seen) - len(boxes), 4), np.nan)])
        if geographic:
            new, at = np.unique(number, return_index=True)
            home = boxes[:, 0].copy()
            home[new] = np.where(np.isnan(home[new]), found[at, 0], home[new])
            found = _turned(found, home[number])
        every = np.concatenate([np.arange(len(seen)), number])
        boxes = extents(np.concatenate([boxes, found]), every, len(seen))
    return list(seen), np.nan_to_num(boxes)


def _spread(batch: pa.RecordBatch, boxes: Floats, crs: Any) -> Floats:
    """How far points and lines reach beyond their boxes, in the layer's own units; rather too far."""
    far = np.zeros(len(boxes))
    for name in batch.schema.names:
        if name.strip().lower().startswith(("radius", "width")):
            values = pd.to_numeric(batch.column(name).to_pandas(), errors="coerce").to_numpy(dtype=float)
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


def _invited(
    names: list[str], corners: Floats, block_of: dict[str | None, int]
) -> dict[str | None, list[int]]:
    """Blocks that a site is a guest of, as some ground may be drawn under it and under one of theirs."""
    first, later = earlier_neighbours(np.array(names, dtype=object), corners)
    out: dict[str | None, list[int]] = {}
    both = zip([*first, *later], [*later, *first], strict=True)
    for host, guest in sorted({(block_of[names[b]], names[a]) for a, b in both}):
        if block_of[guest] != host:
            out.setdefault(guest, []).append(host)
    return out


def _lent(batch: pa.RecordBatch, layer: Layer, own: Ints, near: Array) -> tuple[Ints, Ints]:
    """What is mapped on sites, and the neighbouring blocks that it is near: it holds for them too."""
    mapped = np.flatnonzero(own != _NOWHERE)
    shapes = shapely.from_wkb(np.asarray(batch.column(GEOMETRY))[mapped], on_invalid="ignore")
    row, block, _ = meetings(_in_degrees(_boxes(shapes, layer.crs), layer.crs), shapely.bounds(near))
    row, block = np.unique([mapped[row], block], axis=1)
    lent = own[row] != block
    return row[lent], block[lent]


def _site_column(batch: pa.RecordBatch) -> list[str | None]:
    """Name of each row's site; None where it is blank, or there is no such column."""
    values = batch.column("site").to_pylist() if "site" in batch.schema.names else [None] * len(batch)
    return [None if value is None else site_name(value) for value in values]


def _spatial_order(xy: Floats) -> Ints:
    """Rows along a Hilbert curve, so that a block's sites lie together."""
    if not len(xy):
        return np.empty(0, dtype=np.intp)
    return np.asarray(gpd.GeoSeries(shapely.points(xy)).hilbert_distance(level=16).argsort(kind="stable"))


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
    own, shared = _place(blocks.folder, number), _place(blocks.folder, _NOWHERE)
    mine = {name: _frame(sorted(own.glob(f"{name}-*.arrow")), crs) for name, crs in blocks.crs.items()}
    assert mine["infestations"] is not None
    degrees = _extent(mine["infestations"])
    frames = {}
    for name, crs in blocks.crs.items():
        guests = _frame(sorted(own.glob(f"guest-{name}-*.arrow")), crs)
        near = _near(sorted(shared.glob(f"{name}-*.arrow")), crs, degrees)
        found = [frame for frame in (mine[name], guests, near) if frame is not None]
        if found:
            frames[name] = found[0] if len(found) == 1 else pd.concat(found, ignore_index=True)
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
    whole = extents(boxes, np.zeros(len(boxes), dtype=np.intp), 1)[0]
    return shapely.box(*whole).buffer(NEAR_DEGREES, join_style="mitre")


def _near(files: list[Path], crs: Any, degrees: Any) -> gpd.GeoDataFrame | None:
    """Shapes whose boxes meet the block's, also where a whole turn of the globe lies between their longitudes."""
    if not files:
        return None
    box = gpd.GeoSeries([degrees.segmentize(NEAR_DEGREES)], crs=4326).to_crs(crs).total_bounds
    turns = TURNS if pyproj.CRS.from_user_input(crs).is_geographic else (0.0,)
    box = np.where(np.isfinite(box), box, [-1e12, -1e12, 1e12, 1e12])  # in doubt all is near
    boxes = shapely.box(*(box + np.multiply.outer(turns, TURN)).T)
    found = []
    for file in files:
        frame = _frame([file], crs)
        assert frame is not None
        own = shapely.box(*_boxes(frame.geometry.to_numpy(), crs).T)
        near = frame[shapely.intersects(own[:, np.newaxis], boxes).any(axis=1)]
        if len(near):
            # Whatever site they name is not one of the sites: they hold wherever they come near.
            found.append(near.assign(site=None))
    return pd.concat(found, ignore_index=True) if found else None
