"""Random surveys for tests: seeded, in local metres first, then in any coordinate system.

`drawn(seed)` draws the layers of one site or of several in metres about a place; `frames` lays them there as
GeoDataFrames; `survey` and `job` go the rest of the way. `surveys()` is the hypothesis strategy of the same.
Everything follows from the seed, so a failing case is named by one number.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import shapely
from hypothesis import strategies as st

import weedzone as wz
from weedzone.survey.files import read_layers

SAMPLES = Path(__file__).parent.parent / "sample_sites"
PLACES = ("alder_court", "heron_flats", "quince_bend")
DAY = "2026-11-25"
TURFS = ("tall fescue", "kentucky bluegrass", "bermudagrass", "perennial ryegrass", "creeping bentgrass")
WEEDS = ("dandelion", "white clover", "ground ivy", "broadleaf plantain", "yellow nutsedge")
KINDS = ("pond", "tree", "house", "vegetable garden", "path", "flower bed", "well")
LON_LAT = (-93.27, 44.98)

Rng = np.random.Generator
Row = tuple[dict[str, Any], Any]  # columns and shape
Layers = dict[str, list[Row]]


@dataclass(frozen=True)
class Settings:
    """What a random site may hold."""

    overlaps: bool = True  # turf polygons may overlap
    lines: bool = True  # infestations may be lines and points
    history: bool = True
    near_m: tuple[float, ...] = (0.0, 0.0, 1e-9, 1e-7, 1e-5, 1e-3)  # how nearly shared edges meet


def blob(rng: Rng, x: float, y: float, radius: float, corners: int | None = None) -> Any:
    """A ragged patch: star-shaped, so always valid."""
    n = int(rng.integers(4, 16)) if corners is None else corners
    angle = np.sort(rng.uniform(0.0, 2.0 * np.pi, n)) + np.arange(n) * 1e-9
    far = radius * rng.uniform(0.35, 1.0, n)
    shape = shapely.Polygon(np.column_stack([x + far * np.cos(angle), y + far * np.sin(angle)]))
    return shape if shape.is_valid and shape.area > 1e-3 else shapely.box(x - radius, y - radius, x, y)


def seam(rng: Rng, x: float, height: float, wobble: float) -> np.ndarray:
    """A ragged line from south to north, shape (k, 2)."""
    k = int(rng.integers(2, 8))
    y = np.concatenate([[0.0], np.sort(rng.uniform(0.02, 0.98, k - 2)) * height, [height]])
    return np.column_stack([x + rng.uniform(-wobble, wobble, k), y])


def strips(rng: Rng, width: float, height: float, count: int, near_m: float = 0.0) -> list[Any]:
    """Strips of turf side by side; the second drawing of each shared edge is off by up to `near_m`."""
    at = np.linspace(0.0, width, count + 1)
    seams = [seam(rng, x, height, 0.3 * width / count) for x in at]
    out = []
    for left, right in itertools.pairwise(seams):
        drawn_again = left + rng.uniform(-near_m, near_m, left.shape)
        shape = shapely.Polygon(np.concatenate([drawn_again, right[::-1]]))
        if shape.is_valid and shape.area > 0.01:
            out.append(shape)
    return out


def turned(shape: Any, angle: float, x: float, y: float) -> Any:
    """A shape turned about the origin [rad], then moved."""
    c, s = np.cos(angle), np.sin(angle)
    return shapely.transform(shape, lambda xy: xy @ np.array([[c, s], [-s, c]]) + [x, y])


def site(rng: Rng, name: str, settings: Settings) -> Layers:
    """One site in metres, its south-west corner near the origin before it is turned."""
    width, height = rng.uniform(15.0, 90.0, 2)
    near = float(rng.choice(settings.near_m))
    turf = [
        ({"site": name, "turf": str(rng.choice(TURFS))}, one)
        for one in strips(rng, width, height, int(rng.integers(1, 6)), near)
    ]
    if settings.overlaps and rng.random() < 0.3:
        again = blob(rng, width / 2, height / 2, width / 4)
        turf.append(({"site": name, "turf": str(rng.choice(TURFS))}, again))
    n_patches = int(rng.integers(1, 9))
    weeds: list[Row] = [(_weed(rng, name), _patch(rng, width, height, turf)) for _ in range(n_patches)]
    if settings.lines:
        for _ in range(int(rng.integers(0, 3))):
            x, y = rng.uniform(0, width), rng.uniform(0, height)
            row = _weed(rng, name)
            if rng.random() < 0.5:
                weeds.append(({**row, "radius_m": float(rng.uniform(0.1, 2.0))}, shapely.Point(x, y)))
            else:
                line = shapely.LineString(np.array([x, y]) + np.cumsum(rng.uniform(-4, 4, (4, 2)), axis=0))
                weeds.append(({**row, "width_ft": float(rng.uniform(0.5, 6.0))}, line))
    keep = [_keep_out(rng, name, width, height) for _ in range(int(rng.integers(0, 6)))]
    layers: Layers = {"turf": turf, "infestations": weeds, "keep_out": keep}
    if rng.random() < 0.6:
        inset = float(rng.uniform(-2.0, 2.0))
        frame = shapely.box(inset, inset, width - inset, height - inset)
        layers["boundary"] = [({"site": name}, frame)]
    if settings.history and rng.random() < 0.3:
        row = {"site": name, "product": "Demo Trio", "date": "2026-05-10", "dose": "1.1 fl oz/ksqft"}
        layers["history"] = [(row, blob(rng, width / 2, height / 2, width / 3))]
    return layers


def _weed(rng: Rng, name: str) -> dict[str, Any]:
    return {
        "site": name,
        "weed": str(rng.choice(WEEDS)),
        "cover": float(np.round(rng.uniform(0.1, 1.0), 2)),
        "radius_m": np.nan,
        "width_ft": np.nan,
    }


def _patch(rng: Rng, width: float, height: float, turf: list[Row]) -> Any:
    kind = rng.random()
    x, y = rng.uniform(0, width), rng.uniform(0, height)
    if kind < 0.45 or not turf:
        return blob(rng, x, y, float(rng.uniform(0.5, width / 3)))
    if kind < 0.65:
        return shapely.box(x, y, x + rng.uniform(0.5, width / 2), y + rng.uniform(0.5, height / 2))
    if kind < 0.8:
        # A whole strip, or one drawn along its edges: edges that coincide or nearly do.
        again = turf[int(rng.integers(len(turf)))][1]
        wobble = float(rng.choice([0.0, 1e-8, 1e-4]))
        xy = shapely.get_coordinates(again)[:-1]
        closed = shapely.Polygon(xy + wobble * np.sin(np.arange(len(xy)))[:, np.newaxis])
        return closed if closed.is_valid else again
    ring = blob(rng, x, y, width / 4)
    inner = shapely.transform(ring, lambda xy: (xy - [x, y]) * 0.4 + [x, y])
    holed = shapely.difference(ring, inner)
    return holed if holed.area > 0.01 else ring


def _keep_out(rng: Rng, name: str, width: float, height: float) -> Row:
    x, y = rng.uniform(-2, width + 2), rng.uniform(-2, height + 2)
    row = {"site": name, "kind": str(rng.choice(KINDS)), "buffer_m": np.nan}
    if rng.random() < 0.4:
        row["buffer_m"] = float(rng.uniform(0.1, 6.0))
    kind = rng.random()
    if kind < 0.25:
        return row, shapely.Point(x, y)
    if kind < 0.45:
        return row, shapely.LineString(np.array([x, y]) + np.cumsum(rng.uniform(-6, 6, (5, 2)), axis=0))
    if kind < 0.6:
        return row, shapely.box(x, y, x + rng.uniform(0.5, 15), y + rng.uniform(0.5, 15))
    return row, blob(rng, x, y, float(rng.uniform(0.3, width / 5)))


def drawn(seed: int, n_sites: int = 1, settings: Settings | None = None) -> Layers:
    """Layers of a random survey in metres: sites side by side, each turned by an angle of its own."""
    rng = np.random.default_rng(seed)
    chosen = Settings() if settings is None else settings
    out: Layers = {}
    for number in range(n_sites):
        angle, x, y = rng.uniform(0, 2 * np.pi), 300.0 * number, float(rng.uniform(-50, 50))
        for layer, rows in site(rng, f"lot {number + 1}", chosen).items():
            out.setdefault(layer, []).extend((row, turned(shape, angle, x, y)) for row, shape in rows)
    return out


@lru_cache(maxsize=256)
def place(lon: float, lat: float, crs: Any) -> Callable[[np.ndarray], np.ndarray]:
    """From metres about a place to a CRS, through an equidistant projection that weedzone does not use."""
    local = pyproj.CRS.from_proj4(f"+proj=aeqd +lon_0={lon} +lat_0={lat} +datum=WGS84 +units=m")
    forward = pyproj.Transformer.from_crs(local, crs, always_xy=True)
    return lambda xy: np.column_stack(forward.transform(xy[:, 0], xy[:, 1]))


def frames(
    layers: Layers, lon: float = LON_LAT[0], lat: float = LON_LAT[1], crs: Any = "EPSG:4326"
) -> dict[str, gpd.GeoDataFrame]:
    """The layers as GeoDataFrames in a CRS, about a place."""
    to = place(lon, lat, crs)
    out = {}
    for layer, rows in layers.items():
        shapes = [shapely.transform(shape, to) for _, shape in rows]
        columns = {name: [row.get(name) for row, _ in rows] for name in (rows[0][0] if rows else ())}
        out[layer] = gpd.GeoDataFrame(columns, geometry=shapes, crs=crs)
    if not layers.get("keep_out"):
        out["keep_out"] = gpd.GeoDataFrame({"site": [], "kind": []}, geometry=[], crs=crs)
    return out


def file_frames(name: str) -> dict[str, gpd.GeoDataFrame]:
    """The layers of a sample survey as they stand in its file."""
    return read_layers(SAMPLES / name / "survey.gpkg")[0]


def survey(seed: int, n_sites: int = 1, settings: Settings | None = None, **where: Any) -> wz.Survey:
    """A random survey."""
    return wz.Survey(**frames(drawn(seed, n_sites, settings), **where))


@lru_cache(maxsize=1)
def labels() -> Mapping[str, wz.Label]:
    """The labels of the samples."""
    return wz.read_labels(SAMPLES / "labels")


@lru_cache(maxsize=8)
def rig(name: str = "backpack") -> Any:
    """A rig of the samples."""
    return wz.read_rig(SAMPLES / "rigs.toml", name)


def job(of: wz.Survey, use: str = "spot", **options: Any) -> wz.Job:
    """Size a survey with the sample labels and rig."""
    return wz.size_job(of, labels(), rig(), use=use, on=DAY, **options)


def sample(site: str, rig_name: str = "backpack", use: str = "spot", **options: Any) -> wz.Job:
    """A sample survey sized with the sample labels and one of the sample rigs."""
    ground = wz.read_survey(SAMPLES / site / "survey.gpkg")
    return wz.size_job(ground, labels(), rig(rig_name), use=use, **{"on": DAY, **options})


def one_patch(
    infested: Any, turf: Any = None, keep_out: Any = None, crs: Any = "EPSG:5070", **extra: Any
) -> wz.Survey:
    """A survey of shapes given in metres of a CRS: one weed, tall fescue, keep-outs of kind pond."""
    infested = list(infested) if isinstance(infested, list | tuple) else [infested]
    turf = list(turf) if isinstance(turf, list | tuple) else [turf] if turf is not None else infested
    keep = list(keep_out) if isinstance(keep_out, list | tuple) else [] if keep_out is None else [keep_out]
    return wz.Survey(
        turf=gpd.GeoDataFrame({"turf": ["tall fescue"] * len(turf)}, geometry=turf, crs=crs),
        infestations=gpd.GeoDataFrame({"weed": ["dandelion"] * len(infested)}, geometry=infested, crs=crs),
        keep_out=gpd.GeoDataFrame({"kind": ["pond"] * len(keep)}, geometry=keep, crs=crs),
        **extra,
    )


def outcome_m2(done: wz.Job) -> dict[str, float]:
    """Ground by outcome [m2]."""
    return {str(name): float(v) for name, v in done.ledger.groupby("outcome")["area_m2"].sum().items()}


def infested_m2(of: wz.Survey) -> float:
    """The infested ground, doubly drawn ground once, by a union over each site [m2].

    Runs on a grid of a micrometre, so that it shares neither the order nor the arithmetic of the cuts.
    """
    laid = of.local.infested
    return sum(
        float(shapely.area(shapely.union_all(laid.geoms[laid.site == one], grid_size=1e-6)))
        for one in np.unique(laid.site)
    )


def surveys(n_sites: int = 1, settings: Settings | None = None) -> st.SearchStrategy[wz.Survey]:
    """Hypothesis strategy: random surveys by seed."""
    return st.integers(0, 2**32 - 1).map(lambda seed: survey(seed, n_sites, settings))
