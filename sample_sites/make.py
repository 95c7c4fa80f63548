"""Draw the three sample surveys again: the same seed gives the same ground.

Every place is invented. Shapes are drawn in local metres (x east, y north, splines and smooth noise), then
turned into longitude and latitude (EPSG:4326) and written as one GeoPackage a place. Labels and rigs are
plain text beside this script and are edited by hand.

    python sample_sites/make.py [FOLDER]        # default: the folder of this script
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
from numpy.typing import NDArray
from pyproj import Proj
from shapely import LineString, Point, Polygon
from shapely.affinity import affine_transform
from shapely.geometry.base import BaseGeometry
from shapely.ops import polygonize, unary_union

SEED = 20261
DECIMALS = 9  # of a degree: about 0.1 mm, far below what a walk can see
DATE = "2026-01-01T00:00:00.000Z"  # written into the files instead of the clock, so that reruns are alike
COLUMNS = {
    "turf": ["turf"],
    "infestations": ["weed", "cover", "width_ft", "radius_ft"],
    "keep_out": ["kind", "buffer_ft"],
    "boundary": [],
    "history": ["product", "date", "dose"],
}
TEXT = {"turf", "weed", "kind", "product", "date", "dose"}
Rng = np.random.Generator
Points = Iterable[tuple[float, float]]


# ---------------------------------------------------------------------------------------- drawing


def curve(points: Points, *, closed: bool = False, steps: int = 5) -> NDArray[np.float64]:
    """Return a Catmull-Rom spline through `points`, (n, 2) in metres."""
    p = np.asarray(list(points), dtype=float)
    ends = (p[-1:], p[:1], p[1:2]) if closed else (2 * p[:1] - p[1:2], 2 * p[-1:] - p[-2:-1], p[:0])
    p = np.vstack([ends[0], p, ends[1], ends[2]])
    a, b, c, d = p[:-3, None], p[1:-2, None], p[2:-1, None], p[3:, None]
    t = np.linspace(0, 1, steps, endpoint=False)[None, :, None]
    xy = 0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3)
    xy = xy.reshape(-1, 2)
    return xy if closed else np.vstack([xy, p[-2]])


def smooth(points: Points) -> Polygon:
    """Return a closed, curved outline through `points`."""
    return Polygon(curve(points, closed=True))


def blob(rng: Rng, x: float, y: float, radius: float, rough: float = 0.5, stretch: float = 1.3) -> Polygon:
    """Return a patch about (x, y): a circle with smooth random lobes, stretched one way."""
    angle = np.linspace(0, 2 * np.pi, 26 if radius < 4 else 44, endpoint=False)
    k = np.arange(2, 6)[:, None]
    wave = rng.normal(size=(4, 1)) * np.cos(k * angle + rng.uniform(0, 2 * np.pi, (4, 1))) / k**1.4
    r = radius * (1 + 0.75 * np.tanh(rough * wave.sum(axis=0)))
    turn = rng.uniform(0, np.pi)
    u, v = r * np.cos(angle) * np.sqrt(stretch), r * np.sin(angle) / np.sqrt(stretch)
    return Polygon(
        np.column_stack([x + u * np.cos(turn) - v * np.sin(turn), y + u * np.sin(turn) + v * np.cos(turn)])
    )


def box(x: float, y: float, width: float, height: float, turn: float = 0.0) -> Polygon:
    """Return a rectangle centred on (x, y), turned by `turn` degrees."""
    shape = shapely.box(x - width / 2, y - height / 2, x + width / 2, y + height / 2)
    return shapely.affinity.rotate(shape, turn)


def ribbon(points: Points, width: float, end_width: float | None = None) -> Polygon:
    """Return a drive, path or stream: a curved centre line with a width that may change along it."""
    xy = curve(points)
    along = np.gradient(xy, axis=0)
    along /= np.hypot(along[:, :1], along[:, 1:])
    fade = np.linspace(0, 1, len(xy))[:, None] ** 3
    half = (width + ((end_width or width) - width) * fade) / 2 * np.column_stack([-along[:, 1], along[:, 0]])
    return Polygon(np.vstack([xy + half, (xy - half)[::-1]]))


def border(rng: Rng, start: tuple[float, float], end: tuple[float, float], depth: float) -> Polygon:
    """Return a bed along a wall or fence: straight behind, wavy in front (to the right of start -> end)."""
    a, b = np.asarray(start), np.asarray(end)
    length = float(np.hypot(*(b - a)))
    out = np.array([(b - a)[1], -(b - a)[0]]) / length
    n = max(4, round(length / 2.2))
    t = np.linspace(0, 1, n + 1)
    swell = depth * (0.85 + 0.35 * np.sin(np.linspace(0.4, n * 0.9, n + 1) + rng.uniform(0, 6)))
    swell[[0, -1]] = 0.05 * depth
    front = curve(a + t[:, None] * (b - a) + swell[:, None] * out)
    return Polygon(np.vstack([a, front, b]))


def carve(
    outline: Polygon, holes: list[Polygon], cuts: list[LineString], name: Callable[[Point], str]
) -> dict[str, BaseGeometry]:
    """Split `outline` less `holes` along `cuts`; pieces of one name become one shape."""
    lines = unary_union([outline.boundary, *(hole.boundary for hole in holes), *cuts])
    gone = unary_union(holes)
    parts: dict[str, list[Polygon]] = {}
    for face in polygonize(lines):
        inside = face.representative_point()
        if face.area > 0.5 and outline.contains(inside) and not gone.contains(inside):
            parts.setdefault(name(inside), []).append(face)
    return {key: unary_union(parts[key]) for key in sorted(parts)}


def room(
    rng: Rng, ground: BaseGeometry, taken: list[BaseGeometry], radius: float
) -> tuple[float, float] | None:
    """Return a random centre with `radius` clear of the edge of `ground` and of everything `taken`."""
    x0, y0, x1, y1 = ground.bounds
    busy = unary_union(taken)
    for x, y in rng.uniform((x0, y0), (x1, y1), (300, 2)):
        here = Point(x, y)
        if (
            ground.contains(here)
            and ground.boundary.distance(here) > radius
            and not busy.intersects(here.buffer(radius))
        ):
            return float(x), float(y)
    return None


def on_lawn(patch: Polygon, lawn: BaseGeometry) -> Polygon | None:
    """Return the largest piece of `patch` on the lawn, or nothing if little of it is."""
    pieces = [p for p in shapely.get_parts(patch.intersection(lawn)) if p.geom_type == "Polygon"]
    best = max(pieces, key=lambda piece: piece.area, default=None)
    return best if best is not None and best.area > 0.3 * patch.area else None


# ------------------------------------------------------------------------------------------ sheet


class Sheet:
    """The layers of one survey, in local metres about (lon, lat)."""

    def __init__(self, lon: float, lat: float) -> None:
        self.proj = Proj(proj="laea", lon_0=lon, lat_0=lat, datum="WGS84")
        self.rows: dict[str, list[dict[str, object]]] = {layer: [] for layer in COLUMNS}

    def add(self, layer: str, site: str, geometry: BaseGeometry | None, **values: object) -> None:
        """Append one feature; nothing drawn, nothing added."""
        if geometry is not None and not geometry.is_empty:
            self.rows[layer].append({"site": site, **values, "geometry": geometry})

    def place(self, other: Sheet, move: list[float]) -> None:
        """Append every feature of `other`, moved by an affine matrix [a, b, d, e, xoff, yoff]."""
        for layer, rows in other.rows.items():
            for row in rows:
                self.rows[layer].append({**row, "geometry": affine_transform(row["geometry"], move)})

    def _lonlat(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        lon, lat = self.proj(xy[:, 0], xy[:, 1], inverse=True)
        return np.round(np.column_stack([lon, lat]), DECIMALS)

    def write(self, path: Path) -> None:
        """Write the layers to a GeoPackage, replacing the file."""
        path.parent.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": DATE})
        for layer, rows in self.rows.items():
            if not rows:
                continue
            columns = [c for c in ("site", *COLUMNS[layer]) if any(c in row for row in rows)]
            table = {
                c: [row.get(c) if c in TEXT or c == "site" else row.get(c, np.nan) for row in rows]
                for c in columns
            }
            shapes = shapely.transform([row["geometry"] for row in rows], self._lonlat)
            shapes = shapely.orient_polygons(shapes)
            for row, reason in zip(rows, shapely.is_valid_reason(shapes), strict=True):
                if reason != "Valid Geometry":
                    raise ValueError(f"{layer}, {row['site']} {row.get('kind', '')}: {reason}")
            frame = gpd.GeoDataFrame(table, geometry=shapes, crs="EPSG:4326")
            kinds = set(frame.geom_type)
            frame.to_file(
                path,
                layer=layer,
                driver="GPKG",
                engine="pyogrio",
                SPATIAL_INDEX="NO",  # a third of the size, and these files are read whole
                geometry_type=kinds.pop() if len(kinds) == 1 else "Unknown",
            )
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def dandelions(
    rng: Rng, sheet: Sheet, site: str, lawn: BaseGeometry, count: int, radius_ft: tuple[float, float]
) -> None:
    """Scatter single plants and small clumps over the lawn: points with a radius."""
    for _ in range(count):
        spot = room(rng, lawn, [], 0.4)
        if spot:
            size = round(float(rng.uniform(*radius_ft)) * 4) / 4
            sheet.add("infestations", site, Point(spot), weed="dandelion", radius_ft=size)


def patch(
    rng: Rng,
    sheet: Sheet,
    site: str,
    lawn: BaseGeometry,
    weed: str,
    at: tuple[float, float, float],
    **style: float,
) -> None:
    """Add one grown patch of `weed` at (x, y, radius); two in three have an estimated cover."""
    cover = round(float(rng.uniform(0.3, 0.9)), 1) if rng.random() < 0.67 else np.nan
    sheet.add("infestations", site, on_lawn(blob(rng, *at, **style), lawn), weed=weed, cover=cover)


# --------------------------------------------------------------------------------------- one lawn


def alder_court(rng: Rng) -> Sheet:
    """Draw a home lawn of about 0.4 acre at the end of a court."""
    sheet, site = Sheet(-96.7132, 38.4318), "Alder Court"
    front = curve([(-15, -23), (-7, -20.6), (1, -19.8), (9, -20.6), (17, -23)])
    lot = Polygon(np.vstack([front, [(21.5, 2), (23, 22.5), (3, 24.5), (-21, 23), (-19, 0)]]))
    house = Polygon(
        [(-8, -5), (-8, 6), (-3, 6), (-3, 7.5), (4, 7.5), (4, 6), (9, 6), (9, -9), (2.5, -9), (2.5, -5)]
    )
    drive = ribbon([(5.75, -8.8), (5.7, -13), (6.4, -18), (7.6, -24)], 5.2, 7.0)
    walk = ribbon([(-2.5, -4.8), (-2.6, -7.5), (-0.6, -10.4), (3.4, -11.6)], 1.3)
    patio = smooth(
        [(-3.2, 7), (-3.6, 10), (-1.4, 12.1), (2.4, 12.3), (5.4, 10.8), (6, 8), (4.5, 6.3), (0, 6.6)]
    )
    pond = smooth(
        [(-13.4, 12.2), (-11, 11.4), (-8.6, 12.6), (-8.2, 15), (-10, 16.6), (-11.6, 15.9), (-13.8, 15)]
    )
    hard = [house, drive, walk, patio]
    shade = LineString(curve([(1, 12), (0.6, 15), (-2.2, 18), (-1.5, 21.5), (-3, 26)]))
    cuts = [
        LineString([(-8, -5), (-30, -5.8)]),
        LineString([(9, -9), (30, -9.6)]),
        LineString([(-8, 6), (-30, 7)]),
        LineString([(9, 6), (30, 6.4)]),
        shade,
    ]

    def name(p: Point) -> str:
        if p.x < -8 and -5.5 < p.y < 6.5:
            return "left"
        if p.x > 9 and -9.4 < p.y < 6.2:
            return "right"
        if p.y < 0:
            return "front"
        return "back sun" if p.x > 0.8 or (p.y > 14 and p.x > -2.4) else "back shade"

    lawns = carve(lot, [*hard, pond], cuts, name)
    tall = {"left", "back shade"}
    for part, shape in lawns.items():
        sheet.add("turf", site, shape, turf="tall fescue" if part in tall else "kentucky bluegrass")
    lawn = unary_union(list(lawns.values()))
    beds = [
        border(rng, (2.4, -5), (-8, -5), -1.7),
        border(rng, (-6, 23.7), (12, 23.5), 2.0),
        border(rng, (-18.6, -1.2), (-16.3, -14.6), -1.5),
        smooth([(-11.5, -17.6), (-8.5, -17.9), (-6.4, -16.4), (-7.6, -14.9), (-9.6, -15.6), (-11.6, -15.2)]),
        smooth([(6.3, 8), (7.6, 9.2), (7.3, 11.4), (5.2, 12.8), (3, 13.3), (3.2, 12.4), (5.2, 10.9)]),
    ]
    trees = [(-11.5, -10.5, 3.1), (14.6, -3.5, 3.0), (-14.2, 2, 2.7), (-3.2, 17.6, 3.4), (12.6, -16.2, 2.2)]
    for bed in beds:
        sheet.add("keep_out", site, bed, kind="flower bed")
    for x, y, r in trees:
        sheet.add("keep_out", site, blob(rng, x, y, r, 0.12, 1.05), kind="tree")
    sheet.add("keep_out", site, patio, kind="patio")
    sheet.add("keep_out", site, pond, kind="pond")
    sheet.add("keep_out", site, box(17.2, 12.6, 5, 7.5, 4), kind="vegetable garden", buffer_ft=12.0)
    sheet.add(
        "keep_out",
        site,
        smooth([(9, 17), (11, 15.2), (13.2, 16.6), (12.6, 19.6), (10, 19.8)]),
        kind="play area",
    )
    sheet.add("keep_out", site, Point(-18.6, 20.8), kind="well")
    sheet.add("keep_out", site, Point(20.6, 20.6), kind="beehive")
    sheet.add("keep_out", site, Point(19.2, 21.0), kind="beehive")
    sheet.add("boundary", site, lot)
    for x, y, r in [(-10.2, -9.2, 4.6), (15.2, -0.8, 4.2), (-13.2, 4.2, 4.0), (-1.2, 19.2, 4.4)]:
        patch(rng, sheet, site, lawn, "ground ivy", (x, y, r))
    for x, y, r in [
        (-3.4, -14.6, 2.5),
        (12.4, -13, 1.9),
        (9.8, 10.2, 2.4),
        (5.4, 17.4, 2.7),
        (-15, 10.5, 2.1),
    ]:
        patch(rng, sheet, site, lawn, "white clover", (x, y, r))
    patch(rng, sheet, site, lawn, "broadleaf plantain", (1.4, -17.2, 1.5), stretch=2.0)
    dandelions(rng, sheet, site, lawn, 22, (0.5, 2.5))
    fence = LineString(curve([(-18.95, 3), (-19.5, 9), (-20.0, 15), (-20.6, 21)]))
    sheet.add("infestations", site, fence, weed="ground ivy", width_ft=3.0)
    kerb = LineString(curve([(2.7, -13), (3.1, -16.4), (3.9, -19.6)]))
    sheet.add("infestations", site, kerb, weed="broadleaf plantain", width_ft=2.0)
    return sheet


# ------------------------------------------------------------------------------------------- park


@dataclass(frozen=True)
class Park:
    """What the features and the weeds of the park are laid out by."""

    outline: Polygon
    creek: LineString
    built: list[BaseGeometry]  # no tree grows here
    lawns: dict[str, BaseGeometry]


def park_ground(sheet: Sheet, site: str) -> Park:
    """Add the turf, the boundary and the water of the park."""
    road = curve([(-138, -88), (-70, -93), (10, -94), (80, -91), (136, -86)])
    north = curve([(140, 72), (96, 90), (30, 97), (-40, 92), (-100, 97), (-142, 84)])
    outline = Polygon(np.vstack([road, north]))
    bends = [
        (-160, 47),
        (-118, 58),
        (-84, 70),
        (-48, 59),
        (-14, 61),
        (18, 75),
        (56, 63),
        (96, 56),
        (126, 66),
        (165, 52),
    ]
    creek = LineString(curve(bends))
    water = ribbon(bends, 3.6, 5.0)
    pond = smooth([(-112, 22), (-98, 13), (-76, 14), (-60, 24), (-64, 38), (-82, 36), (-92, 43), (-108, 38)])
    pitch = box(64, -4, 100, 62, 4)
    home, turn = np.array([-112.0, -70.0]), np.radians(4)
    sweep = np.linspace(turn, turn + np.pi / 2, 30)
    arc = np.column_stack([np.cos(sweep), np.sin(sweep)])
    field = Polygon(np.vstack([home, home + 66 * arc]))
    skinned = Polygon(np.vstack([home, home + 27 * arc]))
    middle = home + 13.2 * np.array([np.cos(turn + np.pi / 4), np.sin(turn + np.pi / 4)])
    grass = box(float(middle[0]), float(middle[1]), 15, 15, 4)
    parking = box(16.5, -66.5, 51, 19, 1)
    entry = ribbon([(16, -74), (15.5, -82), (17, -97)], 7, 13)
    path = ribbon(
        [
            *((-7, -66), (-22, -52), (-24, -20), (-42, 12), (-36, 36), (0, 44), (40, 46), (90, 41)),
            *((121, 36), (129, 10), (126, -34), (104, -56), (70, -56), (39, -62)),
        ],
        2.6,
    )
    pavilion = box(78, -70, 15, 9, -4)
    hard = [water, pond, parking, entry, path, pavilion, skinned.difference(grass)]
    verge = LineString(curve([(-150, -79), (-70, -84.5), (10, -85.5), (80, -82.5), (150, -77)]))
    sports = unary_union([pitch, field])

    def name(p: Point) -> str:
        if sports.contains(p):
            return "pitch" if pitch.contains(p) else "outfield" if not skinned.contains(p) else "infield"
        if p.y < -75 and verge.distance(p) < 12 and p.y < verge.interpolate(verge.project(p)).y:
            return "verge"
        return "north bank" if p.y > creek.interpolate(creek.project(p)).y else "rough"

    lawns = carve(outline, hard, [pitch.boundary, field.boundary, verge], name)
    species = {"rough": "tall fescue", "north bank": "tall fescue", "verge": "kentucky bluegrass"}
    for part, shape in lawns.items():
        sheet.add("turf", site, shape, turf=species.get(part, "bermudagrass"))
    sheet.add("keep_out", site, creek.intersection(outline), kind="creek", buffer_ft=35.0)
    sheet.add("keep_out", site, pond, kind="pond")
    sheet.add("boundary", site, outline)
    return Park(outline, creek, [sports, parking, entry, pavilion, path, water], lawns)


def park_features(rng: Rng, sheet: Sheet, site: str, park: Park) -> list[tuple[float, float, float]]:
    """Add beds, play area, hives and trees; return the trees as (x, y, radius of the drip line)."""
    beds: list[tuple[str, Points]] = [
        ("play area", [(-34, -78), (-22, -79), (-17, -73), (-22, -66), (-31, -67)]),
        ("patio", [(66, -64), (68, -78), (86, -79.5), (92, -72), (88, -62), (76, -61)]),
        ("flower bed", [(3, -81), (8, -83.5), (11, -81), (10, -78.6), (5, -78.4)]),
        ("flower bed", [(22, -81), (26, -83.6), (31, -81), (28, -78.4), (23, -78.6)]),
    ]
    for kind, outline in beds:
        sheet.add("keep_out", site, smooth(outline), kind=kind)
    sheet.add("keep_out", site, box(112, -71, 20, 13, 3), kind="vegetable garden")
    sheet.add("keep_out", site, Point(-129, -14), kind="well")
    for x, y in [(-129.5, 81), (-127, 82.2), (-124.4, 81.4)]:
        sheet.add("keep_out", site, Point(x, y), kind="beehive")
    taken = [*park.built, *(row["geometry"] for row in sheet.rows["keep_out"])]
    trees: list[tuple[float, float, float]] = []
    for i in range(34):
        r = float(rng.uniform(2.6, 5.4))
        spot = room(rng, park.outline, taken, r + 2)
        if i < 14:  # the first ones line the creek
            s = park.creek.interpolate(float(rng.uniform(30, park.creek.length - 30)))
            spot = (
                s.x + float(rng.uniform(-3, 3)),
                s.y + float(rng.choice([-1, 1]) * (r + rng.uniform(3, 8))),
            )
        if spot and all(np.hypot(spot[0] - x, spot[1] - y) > r + q for x, y, q in trees):
            trees.append((*spot, r))
            taken.append(Point(spot))
            sheet.add("keep_out", site, blob(rng, *spot, r, 0.14, 1.05), kind="tree")
    return trees


PARK_CLOVER = [
    *((-66, -38, 9), (-84, -16, 7), (-58, -60, 5), (88, 14, 8), (44, -22, 6.5), (-118, -2, 8), (-30, -6, 7)),
    *((126, -66, 5), (20, 52, 8), (-50, 42, 6), (60, 78, 9), (-20, 78, 8), (100, -79, 4)),
]
PARK_LINES: list[tuple[str, float, Points]] = [
    ("broadleaf plantain", 4.0, [(-22, -54), (-26.4, -38), (-26.4, -20), (-34, -4), (-44.6, 12)]),
    ("broadleaf plantain", 3.0, [(0, 42), (40, 44), (90, 39), (119, 34)]),
    ("ground ivy", 5.0, [(135.6, -80), (136.5, -40), (137.7, 0), (138.6, 40)]),
]


def heron_flats(rng: Rng) -> Sheet:
    """Draw a park of about 5 ha: a pitch, a ball field, a creek, a pond, rough and a road verge."""
    sheet, site = Sheet(-95.1846, 37.3127), "Heron Flats"
    park = park_ground(sheet, site)
    trees = park_features(rng, sheet, site, park)
    lawn = unary_union(list(park.lawns.values()))
    for at in [(17, -7, 5), (111, 0, 5.5), (64, -4, 4)]:  # worn goal mouths and the centre spot
        patch(rng, sheet, site, lawn, "broadleaf plantain", at, stretch=1.9)
    for at in PARK_CLOVER:
        patch(rng, sheet, site, lawn, "white clover", at)
    for x, y, r in trees:
        if rng.random() < 0.55:
            near = (x + float(rng.uniform(-2, 2)), y + float(rng.uniform(-2, 2)), 1.5 * r)
            patch(rng, sheet, site, lawn, "ground ivy", near)
    for weed, width_ft, points in PARK_LINES:
        sheet.add("infestations", site, LineString(curve(points)), weed=weed, width_ft=width_ft)
    for part, count, radius_ft in [("verge", 26, (1, 4)), ("outfield", 14, (0.5, 2)), ("rough", 20, (1, 5))]:
        dandelions(rng, sheet, site, park.lawns[part], count, radius_ft)
    spring = smooth([(-34, -62), (-20, -40), (-18, -10), (-40, 6), (-46, -14), (-44, -50)])
    autumn = smooth([(-40, -20), (-16, -24), (-14, 20), (4, 30), (30, 52), (0, 54), (-40, 36), (-46, 8)])
    for shape, date, dose in [
        (spring, "2026-05-10", "1.2 fl oz/ksqft"),
        (autumn, "2026-09-20", "1.1 fl oz/ksqft"),
    ]:
        done = shape.intersection(lawn)
        sheet.add("history", site, done, product="Demo Trio", date=date, dose=dose)
    return sheet


# ---------------------------------------------------------------------------------- neighbourhood


def turf_names(rng: Rng, number: int) -> dict[str, str]:
    """Return the grass of each part of lot `number`: two lots in three grow cool-season grass."""
    if number % 3 == 0:
        main = ["zoysiagrass", "bermudagrass"][int(rng.integers(2))]
        return {"front": main, "left": main, "right": "tall fescue", "back": main}
    main = ["kentucky bluegrass", "tall fescue", "tall fescue"][int(rng.integers(3))]
    other = ["tall fescue", "kentucky bluegrass", "fine fescue", "perennial ryegrass"][int(rng.integers(4))]
    return {"front": main, "left": other, "right": main, "back": other if rng.random() < 0.5 else main}


@dataclass(frozen=True)
class Home:
    """House, paving and the few numbers that the rest of a lot is laid out by."""

    house: Polygon
    paved: list[Polygon]
    patio: Polygon
    walls: tuple[float, float, float, float]  # left, right, front, back
    open_front: tuple[float, float]  # from, to: the front wall beside the garage
    kerb: LineString  # the lawn edge of the drive


def draw_home(rng: Rng, width: float) -> Home:
    """Return the home on a lot whose front centre is (0, 0) and whose depth runs along y."""
    side = float(rng.choice([-1, 1]))
    w, d, y = (
        min(float(rng.uniform(12, 15.5)), width - 7),
        float(rng.uniform(8, 10.5)),
        float(rng.uniform(8.5, 11)),
    )
    jut, x = float(rng.uniform(2, 3.5)), float(rng.uniform(-0.8, 0.8))
    left, right, edge, far = x - w / 2, x + w / 2, x + side * w / 2, x - side * w / 2
    parts = [
        shapely.box(left, y, right, y + d),
        shapely.box(min(edge, edge - side * 6.2), y - jut, max(edge, edge - side * 6.2), y + 1),
    ]
    if rng.random() < 0.5:
        ell = float(rng.uniform(4.5, 6))
        parts.append(
            shapely.box(min(far, far + side * ell), y + d - 1, max(far, far + side * ell), y + d + 2.4)
        )
    gate, lean = edge - side * 3.1, float(rng.uniform(-1.6, 1.6))
    apron = y - jut
    centre = [
        (gate, apron + 0.1),
        (gate + 0.1 * lean, 0.7 * apron),
        (gate + 0.8 * lean, 0.25 * apron),
        (gate + lean, -2.0),
    ]
    door = far + side * float(rng.uniform(2.0, 3.5))
    bend = np.linspace(0, np.pi / 2, 6)  # the walk leaves the door straight and meets the drive square
    sweep_x, sweep_y = door + (gate - door) * (1 - np.cos(bend)), y + 0.1 - (jut + 2.7) * np.sin(bend)
    walk = ribbon(zip(sweep_x, sweep_y, strict=True), 1.2)
    px, reach = edge - side * float(rng.uniform(3.6, 4.6)), float(rng.uniform(3, 4.5))
    rim = [(-3, -0.4), (-3.2, 0.7 * reach), (-0.2, reach), (3.1, 0.75 * reach), (3, -0.4)]
    return Home(
        house=unary_union(parts),
        paved=[ribbon(centre, 4.4, 5.6), walk],
        patio=smooth([(px + a, y + d + b) for a, b in rim]),
        walls=(left, right, y, y + d),
        open_front=(far, edge - side * 6.4),
        kerb=LineString(curve([(px_ - side * 2.5, y_) for px_, y_ in [*centre[1:3], (gate + lean, 0.3)]])),
    )


def lot_cuts(home: Home, style: int) -> tuple[list[LineString], Callable[[Point], str]]:
    """Return where the lawns of a lot meet, and the name of the lawn at a point."""
    left, right, front, back = home.walls
    cuts = [
        LineString([(left, front), (-40, front - 0.6)]),
        LineString([(right, front), (40, front - 0.6)]),
    ]
    if style:
        cuts.append(LineString([(left, back), (-40, back + 0.8)]))
    if style > 1:
        cuts.append(LineString([(right, back), (40, back + 0.8)]))

    def name(p: Point) -> str:
        if p.y < front - (0 if left < p.x < right else 0.3):
            return "front"
        if p.y < back and p.x < left and style:
            return "left"
        if p.y < back and p.x > right and style > 1:
            return "right"
        return "back"

    return cuts, name


def lot_features(
    rng: Rng, sheet: Sheet, site: str, lot: Polygon, home: Home
) -> list[tuple[float, float, float]]:
    """Add the keep-outs of a lot and return its trees as (x, y, radius of the drip line)."""
    _, _, front, back = home.walls
    taken: list[BaseGeometry] = [home.house.envelope, home.patio, *home.paved]
    yard = lot.intersection(shapely.box(-60, back + 1.5, 60, 80))
    a, b = home.open_front
    bed = border(rng, (min(a, b), front), (max(a, b), front), 1.5).difference(unary_union(home.paved))
    for piece in shapely.get_parts(bed):
        if piece.area > 1:
            sheet.add("keep_out", site, piece, kind="flower bed")
    taken.append(bed)
    sheet.add("keep_out", site, home.patio, kind="patio")
    wishes: list[tuple[str, float, float]] = [  # kind, chance, radius of the room it needs
        ("well", 0.2, 2.0),
        ("pond", 0.2, 3.2),
        ("vegetable garden", 0.4, 3.4),
        ("play area", 0.3, 2.8),
        ("beehive", 0.14, 1.5),
        ("flower bed", 0.8, 2.4),
    ]
    for kind, chance, size in wishes:
        spot = room(rng, yard, taken, size + 0.4) if rng.random() < chance else None
        if spot is None:
            continue
        shape: BaseGeometry = Point(spot)
        if kind == "vegetable garden":
            shape = box(
                *spot, float(rng.uniform(4, 5.6)), float(rng.uniform(2.6, 4)), float(rng.uniform(-8, 8))
            )
        elif kind in ("pond", "play area", "flower bed"):
            shape = blob(rng, *spot, size * 0.75, 0.3, 1.5 if kind != "play area" else 1.1)
        sheet.add("keep_out", site, shape, kind=kind)
        taken.append(shape)
    trees = []
    for _ in range(int(rng.integers(2, 6))):
        r = float(rng.uniform(1.8, 3.6))
        spot = room(rng, lot, taken, r * 0.85)
        if spot:
            trees.append((*spot, r))
            taken.append(Point(spot).buffer(r))
            sheet.add("keep_out", site, blob(rng, *spot, r, 0.13, 1.05), kind="tree")
    return trees


def lot_weeds(
    rng: Rng,
    sheet: Sheet,
    site: str,
    lot: Polygon,
    lawn: BaseGeometry,
    home: Home,
    trees: list[tuple[float, float, float]],
) -> None:
    """Add 3 to 12 infestations: ivy by trees, clover in the open, plantain by the drive, dandelions."""
    target = int(rng.integers(4, 13))
    rows = sheet.rows["infestations"]
    for x, y, r in trees[: int(rng.integers(1, 3))]:
        patch(
            rng,
            sheet,
            site,
            lawn,
            "ground ivy",
            (x + rng.uniform(-1.5, 1.5), y + rng.uniform(-1.5, 1.5), 1.4 * r),
        )
    for _ in range(int(rng.integers(1, 4))):
        spot = room(rng, lawn, [row["geometry"] for row in rows], 1.5)
        if spot and len(rows) < target:
            patch(rng, sheet, site, lawn, "white clover", (*spot, float(rng.uniform(1.4, 3.2))))
    if rng.random() < 0.4 and len(rows) < target:
        sheet.add(
            "infestations",
            site,
            home.kerb,
            weed="broadleaf plantain",
            width_ft=float(rng.choice([1.5, 2.0, 3.0])),
        )
    elif rng.random() < 0.5 and len(rows) < target:
        spot = room(rng, lawn, [], 1.0)
        if spot:
            patch(
                rng,
                sheet,
                site,
                lawn,
                "broadleaf plantain",
                (*spot, float(rng.uniform(0.8, 1.6))),
                stretch=1.8,
            )
    if rng.random() < 0.35 and len(rows) < target:
        fence = np.array(lot.exterior.coords)[-5:-1]  # a stretch of the side fence
        inside = (
            fence
            + 0.5 * (np.array([0.0, 22.0]) - fence) / np.hypot(*(np.array([0.0, 22.0]) - fence).T)[:, None]
        )
        sheet.add("infestations", site, LineString(inside), weed="ground ivy", width_ft=2.5)
    dandelions(rng, sheet, site, lawn, max(target - len(rows), 3 - len(rows)), (0.5, 2.5))


def draw_lot(rng: Rng, number: int, lot: Polygon, width: float) -> Sheet:
    """Draw one lot in its own frame: the street along x, the depth along y."""
    sheet, site = Sheet(0, 0), f"lot {number:02d}"
    home = draw_home(rng, width)
    style = int(rng.integers(3))
    cuts, name = lot_cuts(home, style)
    holes = [home.house, home.patio, *home.paved]
    if number == 17:  # a practice green: no sample label names this grass
        green = blob(rng, 3.5, home.walls[3] + 12, 3.2, 0.25, 1.4)
        cuts.append(green.exterior)
        plain = name

        def name(p: Point) -> str:
            return "green" if green.contains(p) else plain(p)

    species = {**turf_names(rng, number), "green": "creeping bentgrass"}
    lawns = carve(lot, holes, cuts, name)
    for part, shape in lawns.items():
        sheet.add("turf", site, shape, turf=species[part])
    trees = lot_features(rng, sheet, site, lot, home)
    lot_weeds(rng, sheet, site, lot, unary_union(list(lawns.values())), home, trees)
    sheet.add("boundary", site, lot)
    return sheet


def quince_bend(rng: Rng, lots: int = 28) -> Sheet:
    """Draw a neighbourhood: lots on both sides of a street that bends twice."""
    sheet = Sheet(-88.4127, 37.9471)
    per_side, half_road = lots // 2, 8.0
    x = np.linspace(-230, 230, 2001)
    line = np.column_stack([x, 36 * np.sin(2 * np.pi * x / 400) + 0.06 * x])
    run = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])

    def at(s: NDArray[np.float64], out: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """Return the points `out` metres to the left of the street at `s` metres along it."""
        here = np.column_stack([np.interp(s, run, line[:, 0]), np.interp(s, run, line[:, 1])])
        ahead = (
            np.column_stack([np.interp(s + 0.5, run, line[:, 0]), np.interp(s + 0.5, run, line[:, 1])]) - here
        )
        ahead /= np.hypot(ahead[:, :1], ahead[:, 1:])
        left = np.column_stack([-ahead[:, 1], ahead[:, 0]])
        return np.asarray(here + np.asarray(out).reshape(-1, 1) * left, dtype=float)

    edges = {}
    for side in (1, -1):
        fronts = rng.uniform(23, 29, per_side)
        edges[side] = np.concatenate([[0], np.cumsum(fronts)]) + (run[-1] - fronts.sum()) / 2
    for number in range(1, lots + 1):
        side, step = (1 if number % 2 else -1), (number - 1) // 2
        s = np.linspace(edges[side][step], edges[side][step + 1], 9)
        depth = 41 + 3.5 * np.sin(s / 37 + side)
        ring = np.vstack([at(s, side * half_road), at(s[::-1], side * (half_road + depth[::-1]))])
        middle = s[4:5]
        origin = at(middle, side * half_road)[0]
        inward = at(middle, side * (half_road + 1.0))[0] - origin
        right = np.array([inward[1], -inward[0]])
        own = np.column_stack([(ring - origin) @ right, (ring - origin) @ inward])
        lot = draw_lot(rng, number, Polygon(own), float(s[-1] - s[0]))
        sheet.place(lot, [right[0], inward[0], right[1], inward[1], origin[0], origin[1]])
    return sheet


PLACES = {"alder_court": alder_court, "heron_flats": heron_flats, "quince_bend": quince_bend}


def make(folder: Path, seed: int = SEED) -> list[Path]:
    """Write every survey below `folder` and return the files."""
    files = []
    for i, (place, draw) in enumerate(PLACES.items()):
        path = folder / place / "survey.gpkg"
        draw(np.random.default_rng([seed, i])).write(path)
        files.append(path)
    return files


if __name__ == "__main__":
    for written in make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent):
        print(f"{written}: {written.stat().st_size / 1000:.0f} kB")
