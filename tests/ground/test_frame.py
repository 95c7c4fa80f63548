"""Ground: areas and lengths in local metres against geodesic ones, projections against published values.

Outside references: GeographicLib (the package geographiclib: geodesic polygon areas and distances) and the rows
of check_values.csv, whose column `source` names the publication.
"""

import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
import strategies
from geographiclib.geodesic import Geodesic
from plots import ROWS

import weedzone as wz
from weedzone.base.errors import CrsError, SurveyError
from weedzone.ground import frame as ground

WGS84 = pyproj.CRS.from_epsg(4326)
EARTH = Geodesic.WGS84


def expected(row: str) -> tuple[float, float]:
    """Published value and tolerance of a row."""
    return float(ROWS[row]["expected"]), float(ROWS[row]["tolerance"])


def star(rng: np.random.Generator, lon: float, lat: float, size_m: float) -> np.ndarray:
    """Corners (lon, lat) of a star-shaped polygon about a place, by geodesics from its centre."""
    n = int(rng.integers(3, 13))
    azimuth = ((np.arange(n) + rng.uniform(0.0, 0.9, n)) * 360.0 / n)[::-1]
    out = [
        EARTH.Direct(lat, lon, a, size_m / 2 * f)
        for a, f in zip(azimuth, rng.uniform(0.4, 1, n), strict=True)
    ]
    return np.array([(one["lon2"], one["lat2"]) for one in out])


def geodesic_m2(lon_lat: np.ndarray) -> float:
    polygon = EARTH.Polygon()
    for x, y in lon_lat:
        polygon.AddPoint(y, x)
    return abs(polygon.Compute()[2])


def local(degrees: list, site: list[int], crs: pyproj.CRS = WGS84) -> tuple[ground.Ground, np.ndarray]:
    shapes, of = np.array(degrees, dtype=object), np.array(site, dtype=np.intp)
    n = int(of.max()) + 1
    laid = ground.frame(shapes, of, n, crs, np.array([f"s{k}" for k in range(n)], dtype=object))
    return laid, laid.to_local(shapes, of)


@pytest.mark.parametrize("size_m", [5.0, 50.0, 500.0, 2_000.0, 10_000.0])
def test_areas_against_geodesic_polygons(size_m: float) -> None:
    """At latitudes 0 to 65, both hemispheres, sites in one survey all over the earth: 1 part in 100,000."""
    rng = np.random.default_rng(int(size_m))
    corners = [
        star(rng, rng.uniform(-180, 180), rng.uniform(0, 65) * rng.choice([-1, 1]), size_m)
        for _ in range(300)
    ]
    shapes = [shapely.Polygon(xy) for xy in corners]
    # Corners beyond the antimeridian follow on rather than jump.
    shapes = [shapely.transform(s, lambda xy: np.column_stack([xy[0, 0] + (xy[:, 0] - xy[0, 0] + 180) % 360 - 180, xy[:, 1]])) for s in shapes]  # fmt: skip # noqa: E501
    _, found = local(shapes, list(range(len(shapes))))
    truth = np.array([geodesic_m2(xy) for xy in corners])
    # The reference rounds too: its area of a polygon of a few metres is good to 3 cm2 (next test).
    over = np.abs(shapely.area(found) - truth) - 3e-4
    assert (over / truth).max() <= 1e-5, (over / truth).max()


def test_areas_of_small_sites_against_plane_polygons() -> None:
    """Of 5 m, where the earth is flat to 1e-12: azimuths and distances give the area in closed form."""
    rng = np.random.default_rng(7)
    for _ in range(200):
        lon, lat = float(rng.uniform(-179, 179)), float(rng.uniform(-65, 65))
        azimuth = (np.arange(8) + rng.uniform(0.0, 0.9, 8)) * 45.0
        far = rng.uniform(1.0, 2.5, 8)
        corners = [EARTH.Direct(lat, lon, a, d) for a, d in zip(azimuth, far, strict=True)]
        _, found = local([shapely.Polygon([(one["lon2"], one["lat2"]) for one in corners])], [0])
        turn = np.radians(np.roll(azimuth, -1) - azimuth)
        truth = abs(0.5 * np.sum(far * np.roll(far, -1) * np.sin(turn)))
        assert shapely.area(found)[0] == pytest.approx(truth, rel=1e-8)


def test_published_geodesic_areas() -> None:
    """The reference itself, against the values published with it; then our own area of the smallest of them."""
    # GeographicLib's test suite: see the rows' source.
    for row, corners in (
        ("G01", [(0, 89), (90, 89), (180, 89), (270, 89)]),
        ("G03", [(-1, 0), (0, -1), (1, 0), (0, 1)]),
        ("G04", [(0, 90), (0, 0), (90, 0)]),
    ):
        value, tolerance = expected(row)
        assert geodesic_m2(np.array(corners, dtype=float)) == pytest.approx(value, abs=tolerance), row
        lon, lat = np.array(corners, dtype=float).T
        # pyproj's own, by which history that belongs to no one site is measured.
        assert abs(WGS84.get_geod().polygon_area_perimeter(lon, lat)[0]) == pytest.approx(
            value, abs=tolerance
        ), row
    value, tolerance = expected("G09")
    assert ROWS["G09"]["inputs"].startswith("start (0,0), edges of 1000 m at azimuth 90, 0, -90")
    corners, lat, lon = [(0.0, 0.0)], 0.0, 0.0
    for azimuth in (90, 0, -90):
        moved = EARTH.Direct(lat, lon, azimuth, 1000.0)
        lat, lon = moved["lat2"], moved["lon2"]
        corners.append((lon, lat))
    assert geodesic_m2(np.array(corners)) == pytest.approx(value, abs=tolerance)
    _, found = local([shapely.Polygon(corners)], [0])
    assert shapely.area(found)[0] == pytest.approx(value, rel=1e-6)


def test_published_short_geodesic() -> None:
    value, tolerance = expected("G12")
    points = [shapely.Point(-122.47018, 37.757540000000006), shapely.Point(-122.470177, 37.75754)]
    _, found = local(points, [0, 0])
    assert shapely.distance(*found) == pytest.approx(value, abs=tolerance)


def test_published_equal_area_projection() -> None:
    """The projection of the blocks, on the ellipsoid of the published example."""
    base = pyproj.CRS.from_proj4("+proj=longlat +a=6378206.4 +b=6356583.8")
    proj = ground._laea(base, -100.0, 40.0)
    x, y = proj(-110.0, 30.0)
    for row, found in (("G27", x), ("G28", y)):
        value, tolerance = expected(row)
        assert found == pytest.approx(value, abs=tolerance), ROWS[row]["source"]


@pytest.mark.parametrize(
    ("rows", "crs", "lon_lat"),
    [
        (("G13", None), "EPSG:3035", (5, 50)),
        (("G15", "G16"), "EPSG:3035", (8, 50)),
        ((None, "G18"), "EPSG:3035", (5, 60)),
        (("G19", None), "EPSG:32631", (0, 60)),
        ((None, "G21"), "EPSG:32631", (3, 60)),
        ((None, "G31"), "EPSG:3857", (0, 24.381786944)),
        (("G32", None), "EPSG:25832", (12, 56)),
    ],
)
def test_published_projections_both_ways(rows: tuple, crs: str, lon_lat: tuple[float, float]) -> None:
    """Shapes go to degrees and come back where the publications say."""
    system = pyproj.CRS(crs)
    base = ground.geodetic_base(system)
    point = np.array([shapely.Point(lon_lat)], dtype=object)
    laid = ground.frame(point, np.zeros(1, dtype=np.intp), 1, system, np.array(["s"], dtype=object))
    back = laid.to_survey(laid.to_local(point, np.zeros(1, dtype=np.intp)), np.zeros(1, dtype=np.intp))[0]
    for row, found in zip(rows, (back.x, back.y), strict=True):
        if row:
            value, tolerance = expected(row)
            assert found == pytest.approx(value, abs=max(tolerance, 1e-5)), ROWS[row]["source"]
    again = ground.to_degrees(np.array([back], dtype=object), system, base)[0]
    assert (again.x, again.y) == pytest.approx(lon_lat, abs=5e-9)  # PROJ's inverse of EPSG:3035: 0.4 mm


def test_lengths_within_a_block() -> None:
    """Local distances against geodesic ones, up to 47 km from the centre of a block: 1 part in 100,000."""
    rng = np.random.default_rng(5)
    worst = 0.0
    for _ in range(400):
        lon, lat = rng.uniform(-180, 180), rng.uniform(-65, 65)
        far = EARTH.Direct(lat, lon, rng.uniform(0, 360), rng.uniform(1, 1000))
        points = [
            shapely.Point(lon, lat),
            shapely.Point(lon + (far["lon2"] - lon + 180) % 360 - 180, far["lat2"]),
        ]
        _, found = local(points, [0, 0])
        worst = max(worst, abs(shapely.distance(*found) / far["s12"] - 1))
    assert worst <= ground.LENGTH_ERROR, worst


def test_buffer_distances_against_geodesics() -> None:
    """The edge of what is sprayed keeps the distance on the ellipsoid, and no more than 0.5 % beyond."""
    rng = np.random.default_rng(6)
    for number in range(12):
        lon, lat, far = float(rng.uniform(-170, 170)), float(rng.uniform(-64, 64)), float(rng.uniform(1, 60))
        lawn = shapely.Point(0, 0).buffer(2.2 * far)
        layers: strategies.Layers = {
            "turf": [({"turf": "tall fescue"}, lawn)],
            "infestations": [({"weed": "dandelion"}, lawn)],
            "keep_out": [({"kind": "stone", "buffer_m": far + 3.0}, shapely.Point(0, 0))],
        }
        job = strategies.job(wz.Survey(**strategies.frames(layers, lon, lat)))
        rings = shapely.get_rings(shapely.get_parts(job.zones.geometry.to_numpy()))
        inner = shapely.get_coordinates(rings[np.argmin(shapely.length(rings))])
        apart = np.array([EARTH.Inverse(lat, lon, y, x)["s12"] for x, y in (inner[1:] + inner[:-1]) / 2])
        corner = np.array([EARTH.Inverse(lat, lon, y, x)["s12"] for x, y in inner])
        assert apart.min() >= (far + 3.0) * (1 - 1e-9), number
        assert corner.max() <= (far + 3.0) * 1.005, number
        # Between chord and corner lies the distance itself: no scale error beyond 1e-4.
        assert apart.min() <= (far + 3.0) * (1 + 3.5e-3), number


def test_three_states_in_one_survey() -> None:
    """Sites thousands of kilometres apart: a block each, and the same areas as each by itself."""
    places = [(-93.27, 44.98), (-81.66, 30.33), (-122.33, 47.61)]
    layers: dict[str, list] = {}
    alone = []
    for number, (lon, lat) in enumerate(places):
        drawn = strategies.drawn(50 + number)
        for rows in drawn.values():
            for row, _ in rows:
                row["site"] = f"state {number}"
        frames = strategies.frames(drawn, lon, lat)
        alone.append(strategies.job(wz.Survey(**frames)))
        for name, frame in frames.items():
            layers.setdefault(name, []).append(frame)
    together = strategies.job(wz.Survey(**{n: pd.concat(rows) for n, rows in layers.items()}))
    assert len(together.survey.local.ground.block_lon) == 3
    for number, one in enumerate(alone):
        mine = together.ledger[together.ledger["site"] == f"state {number}"]
        assert mine["area_m2"].sum() == pytest.approx(one.ledger["area_m2"].sum(), rel=1e-9)
        found, truth = (
            mine.groupby("outcome")["area_m2"].sum(),
            one.ledger.groupby("outcome")["area_m2"].sum(),
        )
        # A survey that has boundaries or history anywhere has these layers everywhere.
        assert found.get("treated", 0.0) == pytest.approx(truth.get("treated", 0.0), rel=1e-6)


def test_a_site_too_wide_is_refused() -> None:
    far = [shapely.box(10, 50, 10.001, 50.001), shapely.box(12, 50, 12.001, 50.001)]
    with pytest.raises(SurveyError, match=r"more than 100 km apart.*site of its own"):
        local(far, [0, 0])


@pytest.mark.parametrize(
    "crs", [None, "EPSG:999999", "nonsense", 'LOCAL_CS["plan",UNIT["metre",1]]', "EPSG:5773"]
)
def test_a_crs_that_places_nothing_is_refused(crs: object) -> None:
    with pytest.raises(CrsError) as caught:
        ground.checked_crs(crs, layer="turf", file="lawn.gpkg")
    assert "lawn.gpkg" in str(caught.value)
    assert "turf" in str(caught.value)
