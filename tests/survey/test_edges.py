"""Edges are straight where they were drawn, however long; nothing is lost at the antimeridian.

The reference is the same edge with 40,001 vertices, brought to metres by PROJ's azimuthal equidistant projection about
the lawn: a library and a projection that the package does not use for this.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import shapely
from plots import label

import weedzone as wz
from weedzone.ground.edges import straight, unrolled

FAR_M = 8.0
HALF_M = 25.0  # half the side of the lawn
DAY = "2026-05-20"


@pytest.fixture(scope="module")
def product(tmp_path_factory: pytest.TempPathFactory) -> wz.Label:
    text = '[[rate]]\nuse = "spot"\ndose = "1 fl oz/ksqft"\nvolume = "1 gal/ksqft"\n'
    text += '[buffers]\ncreek = "8 m"\npond = "8 m"\n'
    return label(tmp_path_factory.mktemp("labels"), text)


def plane(lon: float, lat: float) -> pyproj.Proj:
    return pyproj.Proj(proj="aeqd", lon_0=lon, lat_0=lat, ellps="WGS84")


def flat(shape: Any, at: pyproj.Proj, crs: Any = "EPSG:4326") -> Any:
    back = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True)

    def metres(xy: np.ndarray) -> np.ndarray:
        lon, lat = back.transform(xy[:, 0], xy[:, 1])
        return np.column_stack(at(lon, lat))

    return shapely.transform(shape, metres)


def lawn(lon: float, lat: float) -> dict[str, gpd.GeoDataFrame]:
    at = plane(lon, lat)
    square = shapely.box(-HALF_M, -HALF_M, HALF_M, HALF_M)

    def placed(xy: np.ndarray) -> np.ndarray:
        x, y = at(xy[:, 0], xy[:, 1], inverse=True)
        return np.column_stack(
            [lon + (x - lon + 180.0) % 360.0 - 180.0, y]
        )  # past 180 rather than with a jump

    shape = shapely.transform(square, placed)
    return {
        "turf": gpd.GeoDataFrame({"site": ["a"], "turf": ["tall fescue"]}, geometry=[shape], crs="EPSG:4326"),
        "infestations": gpd.GeoDataFrame(
            {"site": ["a"], "weed": ["dandelion"]}, geometry=[shape], crs="EPSG:4326"
        ),
    }


def sized(layers: dict[str, gpd.GeoDataFrame], product: wz.Label, **more: Any) -> wz.Job:
    plain = {"on": DAY, "worth": "0 ft2", "min_width": "0 ft", "min_area": "0 ft2"}
    return wz.size_job(wz.Survey(**layers), product, wz.make_rig("can", tank="4 gal"), **{**plain, **more})


def dense(edge: np.ndarray) -> Any:
    share = np.linspace(0.0, 1.0, 40_001)[:, np.newaxis]
    return shapely.linestrings(edge[0] + share * (edge[1] - edge[0]))


def edge_past(lon: float, lat: float, length: float, crs: str) -> np.ndarray:
    """An edge that runs east and west past the lawn, its middle 5 m north of the lawn's, in `crs`."""
    to = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    x, y = to.transform(lon, lat + 5.0 / 111_000.0)
    geographic = pyproj.CRS(crs).is_geographic
    half = length / 2.0 / (111_320.0 * np.cos(np.radians(lat)) if geographic else 1.0)
    return np.array([[x - half, y], [x + half, y]])


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:3857"])
@pytest.mark.parametrize("site", [None, "a"])
@pytest.mark.parametrize("lat", [0.0, 45.0, 75.0])
@pytest.mark.parametrize("length", [1.0, 60.0, 700.0, 2_000.0, 5_000.0, 20_000.0, 50_000.0])
@pytest.mark.parametrize("solid", [False, True])
def test_never_nearer_than_the_distance_and_hardly_wider(
    product: wz.Label, crs: str, site: str | None, lat: float, length: float, solid: bool
) -> None:
    lon = -96.0
    edge, at = edge_past(lon, lat, length, crs), plane(lon, lat)
    shape = shapely.linestrings(edge)
    reference = flat(dense(edge), at, crs)
    if solid:  # the edge is the southern side of a polygon as deep as it is long
        up = np.array([0.0, edge[1, 0] - edge[0, 0]])
        corners = np.array([*edge, edge[1] + up, edge[0] + up, edge[0]])
        shape = shapely.polygons(corners)
        ring = [shapely.get_coordinates(dense(corners[side : side + 2]))[:-1] for side in range(4)]
        reference = flat(shapely.polygons(np.concatenate([*ring, corners[:1]])), at, crs)
    keep_out = gpd.GeoDataFrame({"site": [site], "kind": ["pond"]}, geometry=[shape], crs=crs)
    layers = lawn(lon, lat)
    job = sized({**layers, "keep_out": keep_out}, product)
    ground = flat(layers["turf"].geometry.iloc[0], at)
    zones = (
        shapely.union_all([flat(zone, at) for zone in job.zones.geometry])
        if len(job.zones)
        else shapely.Polygon()
    )
    # The equidistant plane is true to 1e-9 within a hundred metres of its centre.
    near = shapely.intersection(reference, shapely.box(-200, -200, 200, 200))
    if not zones.is_empty:
        assert shapely.distance(zones, near) >= FAR_M - 1e-5
    left = ground.difference(zones.buffer(1e-4)).difference(near.buffer(FAR_M * 1.005 + 0.005, quad_segs=64))
    assert left.area < 0.02


def test_a_past_application_drawn_with_long_edges_closes_the_ground_that_it_closed(product: wz.Label) -> None:
    lon, lat, crs = -96.0, 45.0, "EPSG:4326"
    edge, at = edge_past(lon, lat, 20_000.0, crs), plane(lon, lat)
    up = np.array([0.0, 0.01])
    shape = shapely.polygons(np.array([*edge, edge[1] + up, edge[0] + up, edge[0]]))
    past = gpd.GeoDataFrame(
        {"site": [None], "product": ["Demo Unknown"], "date": ["2026-05-01"], "dose": ["1 fl oz/ksqft"]},
        geometry=[shape], crs=crs,
    )  # fmt: skip
    layers = lawn(lon, lat)
    keep_out = gpd.GeoDataFrame({"site": [], "kind": []}, geometry=[], crs=crs)
    job = sized({**layers, "keep_out": keep_out, "history": past}, product)
    side = flat(dense(edge), at)
    whole = flat(layers["turf"].geometry.iloc[0], at)
    south = shapely.polygons([*shapely.get_coordinates(side), (9e4, -9e4), (-9e4, -9e4)])
    zones = shapely.union_all([flat(zone, at) for zone in job.zones.geometry])
    assert zones.symmetric_difference(whole.intersection(south)).area < 0.06  # 50 m of edge by a millimetre


def test_all_turf_is_fed_as_it_was_drawn_where_the_infestations_are_in_another_system() -> None:
    """A triangle on an edge of 5 km: straight in degrees, it holds 1,200 m2 more than straight on the map."""
    corners = np.array([(-96.0318, 45.0), (-95.9682, 45.0), (-96.0, 45.003), (-96.0318, 45.0)])
    layers = lawn(-96.0, 45.001)
    layers["turf"].geometry = [shapely.polygons(corners)]
    layers["infestations"] = layers["infestations"].to_crs(26914)
    bag = wz.feed_label("Demo Feed", "25-0-5", nitrogen="1 lb/ksqft")
    cart = wz.make_rig("cart", "spreader", hopper="20 lb")
    fed = wz.whole_turf(wz.Survey(**layers, keep_out=None), bag, cart, on=DAY)
    sides = [shapely.get_coordinates(dense(corners[side : side + 2])) for side in range(3)]
    area, _ = pyproj.Geod(ellps="WGS84").polygon_area_perimeter(*np.concatenate(sides).T)
    assert fed.ledger["area_m2"].sum() == pytest.approx(abs(area), rel=1e-6)


def test_what_a_site_gets_does_not_hang_on_the_sites_beside_it(product: wz.Label) -> None:
    """The same bits alone and among others, with features of no one site between them."""
    middles = [(-96.0 + 0.0009 * at, 45.0) for at in range(4)]
    layers: dict[str, Any] = {}
    for at, (lon, lat) in enumerate(middles):
        for name, frame in lawn(lon, lat).items():
            layers.setdefault(name, []).append(frame.assign(site=f"lot {at}"))
    together = {name: gpd.pd.concat(frames, ignore_index=True) for name, frames in layers.items()}
    creek = shapely.linestrings([(-96.2, 44.99), (-95.8, 45.0101)])
    drain = shapely.linestrings([(-96.0002, 44.9998), (-95.995, 45.0003)])
    shared = gpd.GeoDataFrame(
        {"site": [None, None], "kind": ["creek", "pond"]}, geometry=[creek, drain], crs="EPSG:4326"
    )
    many = sized({**together, "keep_out": shared}, product)
    for name in many.survey.sites:
        alone = {layer: frame[frame["site"] == name] for layer, frame in together.items()}
        one = sized({**alone, "keep_out": shared}, product)
        ledger = many.ledger[many.ledger["site"] == name].reset_index(drop=True)
        assert ledger["area_m2"].tolist() == one.ledger["area_m2"].tolist()
        zones = many.zones[many.zones["site"] == name]
        assert [shape.wkb for shape in zones.geometry] == [shape.wkb for shape in one.zones.geometry]


@pytest.mark.parametrize("lon", [179.99999, 180.0, -179.9999, 180.0001])
@pytest.mark.parametrize("jump", [False, True])
@pytest.mark.parametrize("site", [None, "a", "elsewhere"])
def test_features_at_the_antimeridian_hold(
    product: wz.Label, lon: float, jump: bool, site: str | None
) -> None:
    def drawn(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        def turned(xy: np.ndarray) -> np.ndarray:
            x = (xy[:, 0] + 180.0) % 360.0 - 180.0 if jump else xy[:, 0]
            return np.column_stack([x, xy[:, 1]])

        return frame.set_geometry(shapely.transform(frame.geometry.to_numpy(), turned))

    def treated(at: float, turn: bool) -> float:
        layers = lawn(at, -17.0)
        creek = shapely.linestrings([(at - 0.001, -17.00003), (at + 0.001, -16.99997)])
        keep_out = gpd.GeoDataFrame({"site": [site], "kind": ["creek"]}, geometry=[creek], crs="EPSG:4326")
        layers = {**layers, "keep_out": keep_out}
        # The other side of the antimeridian may be written for the feature alone.
        return float(sized({**layers, "keep_out": drawn(keep_out)} if turn else layers, product).ledger.query(
            "outcome == 'treated'")["area_m2"].sum())  # fmt: skip

    here = treated(150.0, False)
    assert 100.0 < here < 2400.0
    assert treated(lon, jump) == pytest.approx(here, rel=1e-6)


def test_a_site_across_the_antimeridian_is_one_place(product: wz.Label) -> None:
    layers = lawn(180.0, -17.0)
    west = layers["infestations"].geometry.iloc[0].intersection(shapely.box(179, -18, 180, -16))
    east = shapely.affinity.translate(
        layers["infestations"].geometry.iloc[0].intersection(shapely.box(180, -18, 181, -16)), -360.0
    )
    layers["infestations"] = gpd.GeoDataFrame(
        {"site": ["a", "a"], "weed": ["dandelion", "dandelion"]}, geometry=[west, east], crs="EPSG:4326"
    )
    creek = shapely.linestrings([(-179.9999, -17.001), (-179.9999, -16.999)])
    keep_out = gpd.GeoDataFrame({"site": [None], "kind": ["creek"]}, geometry=[creek], crs="EPSG:4326")
    job = sized({**layers, "keep_out": keep_out}, product)
    ledger = job.ledger.set_index("outcome")["area_m2"]
    assert ledger.sum() == pytest.approx(2500.0, rel=1e-5)
    assert ledger["buffer"] == pytest.approx(2 * FAR_M * 50.0, rel=1e-2)


@pytest.mark.parametrize(
    "wkt",
    [
        "LINESTRING (-180 45, 180 45)",
        "POLYGON ((-180 45, 180 45, 180 46, -180 46, -180 45))",
        "LINESTRING (-96 45, 100 45)",
    ],
)
@pytest.mark.parametrize("site", [None, "a"])
def test_an_edge_that_spans_the_globe_is_refused(wkt: str, site: str | None) -> None:
    keep_out = gpd.GeoDataFrame(
        {"site": [site], "kind": ["creek"]}, geometry=[shapely.from_wkt(wkt)], crs="EPSG:4326"
    )
    with pytest.raises(wz.SurveyError, match="layer keep_out, feature 1: an edge spans the globe"):
        wz.Survey(**lawn(-96.0, 45.0), keep_out=keep_out)


@pytest.mark.parametrize("layer", ["keep_out", "district"])
def test_an_edge_across_a_map_of_the_world_is_refused(layer: str, product: wz.Label, tmp_path: Path) -> None:
    """Mercator's map ends at the antimeridian: what crosses it there runs round the globe, and not where it lies."""
    ends = gpd.GeoSeries(gpd.points_from_xy([179.999, -179.999], [-17.0, -17.0], crs="EPSG:4326")).to_crs(
        3857
    )
    shape = shapely.linestrings(shapely.get_coordinates(ends.to_numpy()))
    if layer == "keep_out":
        keep_out = gpd.GeoDataFrame({"site": [None], "kind": ["creek"]}, geometry=[shape], crs=3857)
        with pytest.raises(wz.SurveyError, match="spans the globe"):
            wz.Survey(**lawn(180.0, -17.0), keep_out=keep_out)
        return
    gpd.GeoDataFrame(geometry=[shape.buffer(100.0)], crs=3857).to_file(tmp_path / "d.gpkg")
    (tmp_path / "p.toml").write_text(
        '[[district]]\nname = "shore"\nshape = "d.gpkg"\n[district.buffers]\ncreek = "9 m"\n'
    )
    with pytest.raises(wz.InputError, match="spans the globe"):
        wz.read_policy(tmp_path / "p.toml")


@pytest.mark.parametrize("block", [1, 2])
@pytest.mark.parametrize("west", [180.0, -180.0])
@pytest.mark.parametrize(
    "jump", [(), ("keep_out",), ("turf", "infestations"), ("turf", "infestations", "keep_out")]
)
def test_portfolios_at_the_antimeridian_give_what_they_give_elsewhere(
    product: wz.Label, tmp_path: Path, jump: tuple[str, ...], west: float, block: int
) -> None:
    """Lots that overlap, some on either side and some across, beside a creek across, also where longitudes jump."""

    def layers(middle: float) -> dict[str, gpd.GeoDataFrame]:
        lawns = [lawn(middle + 4e-4 * at, -17.0) for at in (-2.5, -1.5, -0.5, 0.5, 1.5, 2.5)]
        both = {
            name: gpd.pd.concat([each[name] for each in lawns], ignore_index=True).assign(site=list("abcdef"))
            for name in ("turf", "infestations")
        }
        creek = shapely.linestrings([(middle - 0.02, -17.0003), (middle + 0.02, -16.9997)])
        shared = gpd.GeoDataFrame({"site": [None], "kind": ["creek"]}, geometry=[creek], crs="EPSG:4326")
        return {**both, "keep_out": shared}

    there = layers(west)
    for name in jump:
        there[name].geometry = shapely.transform(
            there[name].geometry.to_numpy(),
            lambda xy: np.column_stack([(xy[:, 0] + 180.0) % 360.0 - 180.0, xy[:, 1]]),
        )
    for name, frame in there.items():
        frame.to_parquet(tmp_path / f"{name}.parquet")
    plain = {"on": DAY, "worth": "0 ft2", "min_width": "0 ft", "min_area": "0 ft2"}
    made = wz.size_portfolio(
        tmp_path, {"x": product}, wz.make_rig("can", tank="4 gal"), out=tmp_path / "out", block=block, **plain
    )
    key = ["site", "outcome"]
    wanted = sized(layers(150.0), product).ledger.groupby(key)["area_m2"].sum()
    assert made.read("ledger").groupby(key)["area_m2"].sum().to_dict() == pytest.approx(
        wanted.to_dict(), rel=1e-5
    )


def test_what_lies_near_a_pole_is_called_so() -> None:
    with pytest.raises(wz.CrsError, match=r"lies at 85 to 85 degrees of latitude, where no turf grows"):
        wz.Survey(**lawn(20.0, 85.0), keep_out=None)


def test_a_district_across_the_antimeridian_holds(product: wz.Label, tmp_path: Path) -> None:
    shape = gpd.GeoDataFrame(geometry=[shapely.box(-180.0, -17.01, -179.99, -16.99)], crs="EPSG:4326")
    shape.to_file(tmp_path / "district.geojson")
    (tmp_path / "policy.toml").write_text(
        '[[district]]\nname = "shore"\nshape = "district.geojson"\n[district.buffers]\ncreek = "15 m"\n'
    )
    creek = shapely.linestrings([(180.00005, -17.001), (180.00005, -16.999)])
    keep_out = gpd.GeoDataFrame({"site": [None], "kind": ["creek"]}, geometry=[creek], crs="EPSG:4326")
    layers = {**lawn(180.0, -17.0), "keep_out": keep_out}
    policy = wz.read_policy(tmp_path / "policy.toml")
    assert "shore" in "".join(sized(layers, product, policy=policy).ledger["reason"])


def test_a_shared_edge_stays_shared_whichever_way_it_was_drawn() -> None:
    crs = pyproj.CRS("EPSG:4326")
    edge = np.array([[-96.0123, 45.0456], [-95.9877, 45.0331]])
    there, back = straight(np.array([shapely.linestrings(edge), shapely.linestrings(edge[::-1])]), crs)
    assert (shapely.get_coordinates(there) == shapely.get_coordinates(back)[::-1]).all()
    assert shapely.get_num_coordinates(there) > 20


def test_unrolled_keeps_parts_together() -> None:
    both = shapely.from_wkt("MULTILINESTRING ((179.9 1, -179.9 1), (-179.8 2, -179.7 2))")
    [shape], bad = unrolled(np.array([both]))
    assert not bad.any()
    assert shapely.bounds(shape).tolist() == pytest.approx([179.9, 1.0, 180.3, 2.0])


def test_what_crosses_itself_keeps_all_its_edges() -> None:
    """The engine's own way of adding vertices to a polygon drops a lobe of a bow tie."""
    tie = shapely.from_wkt("POLYGON ((0 0, 0.01 0.01, 0.01 0, 0 0.01, 0 0))")
    nonsense = shapely.from_wkt("POLYGON ((0 0, 1e300 0, 0 1e300, 0 0))")
    [made, far] = straight(np.array([tie, nonsense]), pyproj.CRS("EPSG:4326"))
    assert set(map(tuple, shapely.get_coordinates(tie))) <= set(map(tuple, shapely.get_coordinates(made)))
    assert shapely.get_num_coordinates(made) > 40
    assert made.bounds == tie.bounds
    assert far is nonsense or shapely.get_num_coordinates(far) < 5e5
