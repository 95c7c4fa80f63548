"""Distances to keep: the largest rule wins, buffers are never too narrow, downwind sweeps are exact."""

from __future__ import annotations

import itertools
import math
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely

import weedzone as wz
from weedzone.ground.buffers import sweep
from weedzone.kit.label import Active, Label, Rate
from weedzone.kit.rig import Sprayer
from weedzone.zones import reach

CRS = "EPSG:32615"
X, Y = 500_000.0, 4_980_000.0
RIG = Sprayer(name="rig", swath_m=None, pace_mps=None, tank_L=15.0, carrier_L_per_m2=0.04)
# On the central meridian of a UTM zone a metre of ground is 0.9996 m on the map (EPSG guidance note 7-2).
MAP_M = 0.9996


def label(name: str = "Demo A", **more: Any) -> Label:
    base: dict[str, Any] = {
        "name": name,
        "form": "liquid",
        "actives": (Active("2,4-D", 0.4, "4"),),
        "tolerant": frozenset({"tall fescue"}),
        "caution": {},
        "weeds": {"dandelion": "good"},
        "rates": (Rate("spot", (1e-4, 1e-4), None, None), Rate("broadcast", (1e-4, 1e-4), None, None)),
    }
    return Label(**(base | more))


def survey(keep_out: list[dict[str, Any]], half: float = 40.0) -> wz.Survey:
    """A square lawn about (X, Y), infested all over."""
    lawn = shapely.box(X - half, Y - half, X + half, Y + half)
    return wz.Survey(
        turf=gpd.GeoDataFrame({"turf": ["tall fescue"]}, geometry=[lawn], crs=CRS),
        infestations=gpd.GeoDataFrame({"weed": ["dandelion"]}, geometry=[lawn], crs=CRS),
        keep_out=gpd.GeoDataFrame(keep_out, crs=CRS),
    )


def sized(ground: wz.Survey, *labels: Label, use: str = "spot", **options: Any) -> wz.Job:
    return wz.size_job(ground, {one.name: one for one in labels}, RIG, use=use, on="2026-05-10", **options)


def left_out(job: wz.Job) -> Any:
    """Ground in buffers and keep-outs."""
    rows = job.ground[job.ground["outcome"].isin(["buffer", "keep-out"])]
    return shapely.union_all(rows.geometry.to_numpy())


def reason(job: wz.Job) -> str:
    return "; ".join(job.ledger.loc[job.ledger["outcome"] == "buffer", "reason"])


POND = {"kind": "pond", "geometry": shapely.box(X - 2, Y - 1, X + 2, Y + 1)}


# ---------------------------------------------------------------------------------- which rule


@pytest.mark.parametrize(
    ("buffers", "by_use", "own_m", "use", "metres", "rule"),
    [
        ({"pond": 5.0}, {}, None, "spot", 5.0, "label"),
        ({"default": 4.0}, {}, None, "spot", 4.0, "label, default"),
        ({"pond": 5.0, "default": 9.0}, {}, None, "spot", 5.0, "label"),
        ({"pond": 5.0}, {}, 8.0, "spot", 8.0, "the feature's own"),
        ({"pond": 5.0}, {}, 3.0, "spot", 5.0, "label"),
        ({"pond": 5.0}, {"broadcast": {"pond": 12.0}}, None, "spot", 5.0, "label"),
        ({"pond": 5.0}, {"broadcast": {"pond": 12.0}}, None, "broadcast", 12.0, "label"),
        ({"pond": 5.0}, {"broadcast": {"pond": 2.0}}, None, "broadcast", 5.0, "label"),
        ({"pond": 5.0}, {"broadcast": {"default": 7.0}}, None, "broadcast", 7.0, "label, default"),
        ({"default": 6.0}, {"broadcast": {"pond": 2.0}}, None, "broadcast", 6.0, "label, default"),
    ],
)
def test_the_largest_rule_wins_and_is_named(
    buffers: dict[str, float],
    by_use: dict[str, dict[str, float]],
    own_m: float | None,
    use: str,
    metres: float,
    rule: str,
) -> None:
    feature = POND | {"buffer_m": own_m}
    job = sized(survey([feature]), label(buffers_m=buffers, use_buffers_m=by_use), use=use)
    exact = 8.0 + 12.0 * metres / 1.0 * MAP_M + math.pi * (metres * MAP_M) ** 2
    found = left_out(job).area
    assert exact <= found * (1 + 1e-4)
    assert found <= exact * 1.006
    assert f"of: pond ({rule}; Demo A)" in reason(job)


def test_without_any_rule_the_feature_alone_is_kept_out_and_it_is_said() -> None:
    job = sized(survey([POND]), label(buffers_m={"tree": 3.0}))
    assert left_out(job).area == pytest.approx(8.0, rel=1e-6)
    assert "gives no buffer for 'pond'" in job.findings["message"].str.cat()


@pytest.mark.parametrize("seed", range(15))
def test_a_wider_buffer_never_adds_ground(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(4):
        x, y = X + rng.uniform(-35, 35), Y + rng.uniform(-35, 35)
        shape = [
            shapely.Point(x, y),
            shapely.LineString([(x, y), (x + rng.uniform(-9, 9), y + 5)]),
            shapely.box(x, y, x + rng.uniform(1, 8), y + rng.uniform(1, 8)),
        ][int(rng.integers(0, 3))]
        rows.append({"kind": str(rng.choice(["pond", "tree"])), "geometry": shape})
    ground = survey(rows)
    widths = np.sort(rng.uniform(0.0, 15.0, 4))
    treated = [
        shapely.union_all(
            sized(
                ground, label(buffers_m={"pond": float(w), "default": float(w) / 2})
            ).zones.geometry.to_numpy()
        )
        for w in widths
    ]
    for narrow, wide in itertools.pairwise(treated):
        assert wide.difference(narrow.buffer(1e-5)).area < 1e-4


# ---------------------------------------------------------------------------------- downwind


def bearing_to(dx: float, dy: float) -> float:
    """Compass bearing of an offset [degrees clockwise from north]."""
    return math.degrees(math.atan2(dx, dy)) % 360.0


def within(angle: float, axis: float, spread: float) -> bool:
    return abs((angle - axis + 180.0) % 360.0 - 180.0) <= spread


SHAPES = (
    shapely.Point(0, 0),
    shapely.LineString([(-4, -1), (2, 3), (5, 3)]),
    shapely.Polygon([(-3, -2), (4, -3), (3, 3), (0, 0.5), (-2, 3)]),
    shapely.Polygon([(-5, -5), (5, -5), (5, 5), (-5, 5)], [[(-2, -2), (2, -2), (2, 2), (-2, 2)]]),
    shapely.MultiPoint([(-6, 0), (6, 1)]),
)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("spread", [5.0, 45.0, 90.0, 120.0, 179.0])
@pytest.mark.parametrize("axis", [0.0, 137.0, 315.0])
def test_sweep_is_the_ground_from_which_the_feature_is_reached(
    shape: Any, spread: float, axis: float
) -> None:
    """Against the definition, point by point: is any point of the feature within the distance and the sector?

    For a dense set of ground points the sector set at each of them is cut with the feature: that shares no
    step with the sweep, which works edge by edge from the feature's side.
    """
    far = 7.0
    found = sweep(np.array([shape], dtype=object), np.array([far]), axis, spread)[0]
    rng = np.random.default_rng(int(spread) + int(axis))
    dots = rng.uniform(-16.0, 16.0, (400, 2))

    def sector(x: float, y: float, radius: float, half: float) -> Any:
        # Directions from the ground back to the feature: opposite to those from the feature to the ground.
        steps = np.radians(np.linspace(axis + 180.0 - half, axis + 180.0 + half, 721))
        arc = np.column_stack([x + radius * np.sin(steps), y + radius * np.cos(steps)])
        return shapely.make_valid(shapely.Polygon(np.concatenate([[[x, y]], arc])))

    inside = shapely.intersects_xy(found, *dots.T)
    for (x, y), held in zip(dots, inside, strict=True):
        if sector(x, y, far * 0.9995, spread).intersects(shape) or shape.intersects(shapely.Point(x, y)):
            assert held or (shape.geom_type != "Polygon" and shape.intersects(shapely.Point(x, y)))
        elif not sector(x, y, far * 1.004, min(spread + 0.5, 180.0)).intersects(shape):
            assert not held, "never more than a few parts in a thousand beyond"


def test_sweep_of_a_point_has_the_area_of_its_sector() -> None:
    found = sweep(np.array([shapely.Point(0, 0)], dtype=object), np.array([10.0]), 90.0, 45.0)[0]
    assert found.area == pytest.approx(math.pi * 100.0 / 4.0, rel=5e-4)
    assert found.area >= math.pi * 100.0 / 4.0
    assert found.bounds == pytest.approx((0.0, -10 / math.sqrt(2), 10.0, 10 / math.sqrt(2)), abs=5e-3)


@pytest.mark.parametrize("wind", [0.0, 90.0, 225.0])
def test_only_ground_upwind_of_the_feature_is_left_out(wind: float) -> None:
    one = label(buffers_m={"default": 0.0}, downwind_m={"hive": 20.0, "beehive": 20.0})
    ground = survey([{"kind": "beehive", "geometry": shapely.Point(X, Y)}])
    job = sized(ground, one, wind_from=wind)
    kept = left_out(job)
    middle = kept.centroid
    assert within(bearing_to(middle.x - X, middle.y - Y), wind, 1.0), "upwind is where the wind comes from"
    assert kept.area == pytest.approx(math.pi * (20 * MAP_M) ** 2 / 4, rel=2e-3)
    assert kept.area >= math.pi * (20 * MAP_M) ** 2 / 4 * (1 - 1e-4)
    assert "label, downwind" in reason(job)


def test_without_wind_the_full_buffer_holds_and_180_is_the_same() -> None:
    one = label(buffers_m={"default": 1.0}, downwind_m={"beehive": 20.0})
    ground = survey([{"kind": "beehive", "geometry": shapely.Point(X, Y)}])
    full = left_out(sized(ground, one))
    assert full.area >= math.pi * (20 * MAP_M) ** 2 * (1 - 1e-4)
    assert full.area <= math.pi * (20 * MAP_M) ** 2 * 1.006
    every = left_out(sized(ground, one, wind_from=77.0, wind_spread=180.0))
    assert every.symmetric_difference(full).area < 1e-6


@pytest.mark.parametrize("seed", range(12))
def test_the_sweep_lies_in_the_full_buffer_and_grows_with_the_spread(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = X + rng.uniform(-20, 20), Y + rng.uniform(-20, 20)
    ground = survey(
        [
            {"kind": "pond", "geometry": shapely.box(x, y, x + 6, y + 3)},
            {
                "kind": "pond",
                "geometry": shapely.LineString([(X - 30, Y - 20), (x, y - 9), (X + 30, Y - 30)]),
            },
        ]
    )
    one = label(buffers_m={"pond": float(rng.uniform(0, 5))}, downwind_m={"pond": 12.0})
    wind = float(rng.uniform(0, 360))
    full = left_out(sized(ground, one))
    steps = [left_out(sized(ground, one, wind_from=wind, wind_spread=s)) for s in (20.0, 45.0, 100.0, 180.0)]
    for small, large in zip(steps, [*steps[1:], full], strict=True):
        # Arcs are drawn from outside with other corners: they agree to the 0.3 % of the safe side.
        assert small.difference(large.buffer(12 * 0.004)).area < 1e-6
        assert small.area <= large.area * 1.004


def test_two_products_of_which_one_is_bound_downwind() -> None:
    free, bound = (
        label("Demo A", weeds={"dandelion": "fair"}, buffers_m={"beehive": 2.0}),
        label("Demo B", buffers_m={"beehive": 2.0}, downwind_m={"beehive": 15.0}),
    )
    ground = survey([{"kind": "beehive", "geometry": shapely.Point(X, Y)}])
    job = sized(ground, free, bound, wind_from=270.0)
    area = job.totals.set_index("product")["area_m2"]
    quarter, disc = math.pi * 15.0**2 / 4, math.pi * 2.0**2 / 4
    assert area["Demo A"] == pytest.approx(quarter - disc, rel=5e-3)
    assert job.zones.set_index("product").geometry["Demo A"].centroid.x < X


def test_the_feature_that_the_wind_reaches_is_named() -> None:
    """Ground between two features lies upwind of one only: that one is named, not the nearer other."""
    one = label(buffers_m={"default": 0.5}, downwind_m={"beehive": 20.0, "pond": 20.0})
    ground = survey(
        [
            {"kind": "beehive", "geometry": shapely.Point(X, Y)},
            {"kind": "pond", "geometry": shapely.Point(X, Y + 35)},
        ]
    )
    said = sized(ground, one, wind_from=0.0).ledger
    said = said[said["outcome"] == "buffer"]
    area = dict(zip(said["reason"], said["area_m2"], strict=True))
    assert set(area) == {
        "within 65.62 ft of: beehive (label, downwind; Demo A)",
        "within 65.62 ft of: pond (label, downwind; Demo A)",
    }
    assert area["within 65.62 ft of: beehive (label, downwind; Demo A)"] == pytest.approx(
        math.pi * (400 / 4 + 0.25 * 3 / 4), rel=5e-3
    )


def test_the_wider_spread_holds() -> None:
    ground = survey([{"kind": "beehive", "geometry": shapely.Point(X, Y)}])

    def area(stated: float | None, asked: float | None) -> float:
        one = label(buffers_m={"default": 0.0}, downwind_m={"beehive": 10.0}, downwind_spread_deg=stated)
        return float(left_out(sized(ground, one, wind_from=10.0, wind_spread=asked)).area)

    circle = math.pi * (10 * MAP_M) ** 2
    for stated, asked, half in (
        (None, None, 45),
        (None, 20.0, 20),
        (60.0, 20.0, 60),
        (60.0, 90.0, 90),
        (30.0, None, 30),
    ):
        assert area(stated, asked) == pytest.approx(circle * half / 180.0, rel=5e-3)


@pytest.mark.parametrize(
    "wind",
    [
        {"wind_from": 361.0},
        {"wind_from": -1.0},
        {"wind_from": float("nan")},
        {"wind_from": "west"},
        {"wind_from": True},
    ],
)
def test_wind_that_is_none_is_refused(wind: dict[str, Any]) -> None:
    with pytest.raises(wz.InputError, match="wind_from"):
        sized(survey([POND]), label(), **wind)


@pytest.mark.parametrize("spread", [0.0, -5.0, 181.0])
def test_spread_that_is_none_is_refused(spread: float) -> None:
    with pytest.raises(wz.InputError, match="wind_spread"):
        sized(survey([POND]), label(), wind_from=90.0, wind_spread=spread)


def test_a_feature_stays_kept_out_where_its_buffer_is_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    """The feature itself does not hang on the engine's buffer: here one that lies 8 m beside it."""
    pond = shapely.box(X - 5, Y - 5, X + 5, Y + 5)
    ground = survey([{"kind": "pond", "geometry": pond}])

    def beside(shapes: Any, _: Any) -> Any:
        return shapely.transform(shapely.buffer(shapes, 3.0), lambda xy: xy + np.array([8.0, 0.0]))

    monkeypatch.setattr(reach, "safe_buffer", beside)
    job = sized(ground, label(buffers_m={"pond": 3.0}))
    assert job.zones.union_all().intersection(pond).area == pytest.approx(0.0, abs=1e-3)
    assert left_out(job).area > 150.0
