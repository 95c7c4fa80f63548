"""Kernels: safe-side buffers by distance checks, sweeps by brute force, repair that never opens a hole."""

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
import shapely
import strategies

from weedzone.ground import buffers, shapes

FEATURES = 30_000
CHUNK = 5_000


def feature(rng: np.random.Generator, distance: float) -> Any:
    """Points, lines and polygons with sharp corners, holes and edges jagged at a tenth of the distance."""
    kind = int(rng.integers(8))
    size = distance * float(10.0 ** rng.uniform(-1.0, 0.7))
    if kind == 0:
        return shapely.MultiPoint(rng.uniform(-size, size, (int(rng.integers(1, 4)), 2)))
    if kind == 1:
        return shapely.LineString(rng.uniform(-size, size, (int(rng.integers(2, 7)), 2)))
    if kind == 2:  # a spike: corners of any sharpness
        return shapely.Polygon(
            [(0, 0), (size, size * rng.uniform(-0.05, 0.05)), (0, size * 10 ** rng.uniform(-4, 0))]
        )
    if kind == 3:
        return strategies.blob(rng, 0.0, 0.0, size, int(rng.integers(3, 10)))
    if kind == 4:
        ring = strategies.blob(rng, 0.0, 0.0, 3.0 * size, 8)
        inner = shapely.transform(ring, lambda xy: 0.8 * xy)
        return shapely.Polygon(ring.exterior, [inner.exterior])
    if kind >= 6:  # closed lines that cross themselves: fences, and the outlines of repaired polygons
        corners = rng.uniform(-size, size, (int(rng.integers(2, 7)), 2))
        closed = shapely.LineString([*corners, corners[0]])
        ring = strategies.blob(rng, 2.0 * size, 0.0, size, 6)
        return closed if kind == 6 else shapely.GeometryCollection([closed, ring, shapely.Point(corners[1])])
    n = int(rng.integers(10, 40))
    angle = np.arange(n) * 2.0 * np.pi / n
    far = size + 0.1 * distance * rng.uniform(0.0, 1.0, n)
    return shapely.Polygon(np.column_stack([far * np.cos(angle), far * np.sin(angle)]))


def distances(geom: Any, points: np.ndarray) -> np.ndarray:
    """Distance of points from a feature by plain arithmetic: its edges, each clamped at its ends."""
    xy, of = shapely.get_coordinates(
        [*shapely.get_rings([p for p in shapely.get_parts(geom) if p.geom_type == "Polygon"]),
         *[p for p in shapely.get_parts(geom) if p.geom_type != "Polygon"]], return_index=True,
    )  # fmt: skip
    along = np.append(np.flatnonzero(of[1:] == of[:-1]), [] if len(xy) > 1 else [0]).astype(int)
    a = np.concatenate([xy[along], xy])
    b = np.concatenate([xy[np.minimum(along + 1, len(xy) - 1)], xy])
    run = b - a
    t = np.einsum("pij,ij->pi", points[:, None] - a, run) / np.maximum((run**2).sum(axis=1), 1e-300)
    foot = a + np.clip(t, 0.0, 1.0)[..., None] * run
    return np.sqrt(((points[:, None] - foot) ** 2).sum(axis=2)).min(axis=1)


@pytest.mark.slow
@pytest.mark.parametrize("start", range(0, FEATURES, CHUNK))
def test_buffers_hold_every_point_within_the_distance(start: int) -> None:
    """No point of the buffer's edge is nearer than the distance, none further than 0.5 % beyond it."""
    rng = np.random.default_rng(start)
    far = 10.0 ** rng.uniform(-1.0, 2.0, CHUNK)
    geoms = np.array([feature(rng, d) for d in far], dtype=object)
    valid = shapely.is_valid(geoms)
    assert valid.mean() > 0.98
    geoms, far = geoms[valid], far[valid]
    drawn = buffers.safe_buffer(geoms, far)
    assert shapely.covers(drawn, geoms).all()
    parts, part_of = shapely.get_parts(drawn, return_index=True)
    rings, ring_of = shapely.get_rings(parts, return_index=True)
    xy, of = shapely.get_coordinates(rings, return_index=True)
    owner = part_of[ring_of]
    along = np.flatnonzero(of[1:] == of[:-1])
    middle = (xy[along] + xy[along + 1]) / 2.0
    corner = shapely.distance(shapely.points(xy), geoms[owner[of]]) / far[owner[of]]
    amid = shapely.distance(shapely.points(middle), geoms[owner[of[along]]]) / far[owner[of[along]]]
    assert min(corner.min(), amid.min()) >= 1.0 - 1e-7
    assert max(corner.max(), amid.max()) <= 1.005
    # The distances themselves, by arithmetic that is no library's.
    for row in range(0, len(geoms), 50):
        mine = owner[of] == row
        np.testing.assert_allclose(
            distances(geoms[row], xy[mine]), corner[mine] * far[row], rtol=1e-9, atol=1e-12
        )


def test_the_plain_buffer_is_too_narrow() -> None:
    """What the scale is for: unscaled, the same features fall short, so the check above can fail."""
    rng = np.random.default_rng(1)
    geoms = np.array([feature(rng, 1.0) for _ in range(500)], dtype=object)
    geoms = geoms[shapely.is_valid(geoms)]
    short = []
    for shape, plain in zip(geoms, shapely.buffer(geoms, 1.0, quad_segs=shapes.QUAD_SEGS), strict=True):
        xy = shapely.get_coordinates(shapely.get_parts(plain)[0].exterior)
        short.append(1.0 - shapely.distance(shapely.points((xy[1:] + xy[:-1]) / 2.0), shape).min())
    assert max(short) > 0.002


@pytest.mark.slow
def test_plain_buffers_reach_too_far_and_fall_short() -> None:
    """What is drawn again: the engine leaves shallow bends out, and takes closed lines for areas."""
    rng = np.random.default_rng(0)
    far = 10.0 ** rng.uniform(-1.0, 2.0, CHUNK)
    geoms = np.array([feature(rng, d) for d in far], dtype=object)
    valid = shapely.is_valid(geoms)
    geoms, far = geoms[valid], far[valid]
    plain = shapely.buffer(geoms, far * shapes.SAFE_SCALE, quad_segs=shapes.QUAD_SEGS)
    again = buffers._astray(plain, geoms, far)
    # Only edges that may be too far are looked at there: none that is must be missed.
    every = np.array([reach(drawn, shape) for drawn, shape in zip(plain, geoms, strict=True)])
    assert again[every[:, 1] > (buffers.WIDEST + 1e-9) * far].all()
    low, high = every[again].T
    assert max(high / far[again]) > buffers.WIDEST
    assert min(low / far[again]) < 0.99
    ours = buffers.safe_buffer(geoms[again], far[again])
    low, high = zip(
        *(reach(drawn, shape) for drawn, shape in zip(ours, geoms[again], strict=True)), strict=True
    )
    assert max(high / far[again]) <= 1.005
    assert min(low / far[again]) >= 1.0 - 1e-9


def reach(drawn: Any, shape: Any) -> tuple[float, float]:
    """Least and greatest distance of a buffer's corners and middles of edges from its feature."""
    rings = shapely.get_rings(shapely.get_parts(drawn))
    xy, of = shapely.get_coordinates(rings, return_index=True)
    along = np.flatnonzero(of[1:] == of[:-1])
    apart = shapely.distance(shapely.points(np.concatenate([xy, (xy[along] + xy[along + 1]) / 2.0])), shape)
    return float(apart.min()), float(apart.max())


def test_a_fence_that_closes_and_crosses_itself() -> None:
    """The engine's own buffer of this line leaves a part of the line itself out."""
    fence = shapely.LineString([(-16, -14), (10, 9), (9, -15), (-15, 11), (-16, -14)])
    drawn = buffers.safe_buffer(np.array([fence], dtype=object), np.array([15.24]))[0]
    assert shapely.covers(drawn, fence)
    # The union of the buffers of its edges, which has no bends, lies inside but for rounding.
    edges = [shapely.LineString(pair).buffer(15.24, quad_segs=64) for pair in pairwise(fence.coords)]
    assert shapely.difference(shapely.union_all(edges), drawn).area < 1e-6


def test_no_distance_is_the_polygon_itself() -> None:
    box, line = shapely.box(0, 0, 1, 1), shapely.LineString([(0, 0), (1, 1)])
    found = buffers.safe_buffer(np.array([box, line], dtype=object), np.zeros(2))
    assert found[0].equals(box)
    assert found[1].is_empty


@pytest.mark.parametrize("spread", [5.0, 30.0, 45.0, 90.0, 91.0, 150.0, 179.0])
def test_sweep_by_brute_force(spread: float) -> None:
    """Every point reached is in the sweep; every corner of the sweep is reached, 0.05 % of the distance aside."""
    rng = np.random.default_rng(int(spread))
    for _ in range(60):
        far, toward = float(rng.uniform(0.5, 20.0)), float(rng.uniform(0.0, 360.0))
        shape = feature(rng, far)
        if not shape.is_valid:
            continue
        swept = buffers.sweep(np.array([shape], dtype=object), np.array([far]), toward, spread)[0]
        assert swept.is_valid
        edge = shapely.segmentize(shape, far / 20.0)
        start = shapely.get_coordinates(edge)
        start = start[rng.integers(0, len(start), 400)]
        bearing = np.radians(toward + rng.choice([-1.0, -0.5, 0.0, 0.7, 1.0], 400) * spread)
        go = far * rng.choice([0.0, 0.3, 1.0], 400)
        reached = start + go[:, np.newaxis] * np.column_stack([np.sin(bearing), np.cos(bearing)])
        out = ~shapely.intersects_xy(swept, *reached.T)
        assert (
            shapely.distance(swept, shapely.points(reached[out])).max(initial=0.0) <= 1e-6
        )  # the grid of a union done again
        turn = np.radians(np.linspace(toward - spread, toward + spread, 361))
        sector = -1.0005 * far * np.column_stack([np.sin(turn), np.cos(turn)])
        corners = shapely.get_coordinates(swept)
        looking = shapely.polygons([np.concatenate([[c], c + sector]) for c in corners])
        # A hair for edges that run along the sector's own.
        assert shapely.distance(looking, shape).max() <= 1e-6 * far


def test_a_full_sweep_is_the_buffer() -> None:
    rng = np.random.default_rng(3)
    geoms = np.array([feature(rng, 4.0) for _ in range(50)], dtype=object)
    far = np.full(50, 4.0)
    for full, plain in zip(
        buffers.sweep(geoms, far, 77.0, 180.0), buffers.safe_buffer(geoms, far), strict=True
    ):
        assert full.equals(plain)
    wide = buffers.sweep(geoms, far, 77.0, 179.999)
    assert (shapely.area(shapely.difference(shapely.buffer(geoms, 4.0, quad_segs=64), wide)) < 1e-3).all()


REPAIRS = {
    # Areas by hand.
    "two boxes that overlap, as one multipolygon": (
        shapely.MultiPolygon([shapely.box(0, 0, 2, 2), shapely.box(1, 1, 3, 3)]), 7.0),
    "an outline walked twice": (shapely.Polygon([(0, 0), (9, 0), (9, 9), (0, 9)] * 2), 81.0),
    "a bow-tie": (shapely.Polygon([(0, 0), (2, 2), (2, 0), (0, 2)]), 2.0),
    "a spike": (shapely.Polygon([(0, 0), (2, 0), (2, 2), (5, 2), (2, 2), (0, 2)]), 4.0),
    "a hole that leaves the shell": (
        shapely.Polygon([(0, 0), (4, 0), (4, 4), (0, 4)], [[(2, 1), (6, 1), (6, 3), (2, 3)]]), 12.0),
    "a hole that touches the shell": (
        shapely.Polygon([(0, 0), (4, 0), (4, 4), (0, 4)], [[(0, 1), (2, 1), (2, 3), (0, 3)]]), 12.0),
    "a box nested in another": (
        shapely.MultiPolygon([shapely.box(0, 0, 9, 9), shapely.box(3, 3, 6, 6)]), 81.0),
    "no area": (shapely.Polygon([(0, 0), (1, 1), (2, 2), (0, 0)]), 0.0),
}  # fmt: skip


@pytest.mark.parametrize("name", REPAIRS)
def test_repair(name: str) -> None:
    drawn, area = REPAIRS[name]
    fixed, changed, _ = shapes.repair(np.array([drawn], dtype=object))
    assert changed[0]
    assert fixed[0].is_valid
    assert fixed[0].area == pytest.approx(area, abs=1e-12)


def test_a_pentagram_keeps_its_middle() -> None:
    """Ground that the outline winds round twice stays ground."""
    turn = np.radians(90.0 + 144.0 * np.arange(5))
    star = shapely.Polygon(np.column_stack([np.cos(turn), np.sin(turn)]))
    fixed = shapes.repair(np.array([star], dtype=object))[0][0]
    assert fixed.contains(shapely.Point(0, 0))
    # Area of a pentagram of radius 1 (closed form): 10 tan(pi/10) / (3 - tan(pi/10)^2).
    tan = np.tan(np.pi / 10)
    assert fixed.area == pytest.approx(10 * tan / (3 - tan**2), rel=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("vertices", "spacing_m", "rough_m", "distance_m"),
    [(3_000, 0.1, 0.05, 7.62), (25_000, 0.1, 0.05, 4.0)],
)
def test_buffers_of_large_ragged_features_keep_the_same_bounds(
    vertices: int, spacing_m: float, rough_m: float, distance_m: float
) -> None:
    """Outlines as from an orthophoto: the engine's own buffer of the larger one reaches too far."""
    rng = np.random.default_rng(3)
    angle = np.sort(rng.uniform(0, 2 * np.pi, vertices))
    radius = vertices * spacing_m / (2 * np.pi) * (1 + 0.3 * np.sin(3 * angle))
    radius += rng.uniform(-rough_m, rough_m, vertices)
    ring = np.column_stack([np.cos(angle), np.sin(angle)]) * radius[:, np.newaxis]
    shape = shapely.make_valid(shapely.Polygon(ring), method="structure")
    corners, of = shapely.get_coordinates(shapely.get_rings(shapely.get_parts(shape)), return_index=True)
    side = np.flatnonzero(of[1:] == of[:-1])
    sides = shapely.STRtree(shapely.linestrings(np.stack([corners[side], corners[side + 1]], axis=1)))

    def reach(buffer: Any) -> np.ndarray:
        xy, of = shapely.get_coordinates(shapely.get_rings(shapely.get_parts(buffer)), return_index=True)
        along = np.flatnonzero(of[1:] == of[:-1])
        edge = np.concatenate([xy, (xy[along] + xy[along + 1]) / 2])
        points = shapely.points(edge)
        assert not shapely.intersects_xy(shape, *edge.T).any()
        return sides.query_nearest(points, return_distance=True, all_matches=False)[1] / distance_m

    share = reach(buffers.safe_buffer(np.array([shape]), np.array([distance_m]))[0])
    assert share.min() >= 1.0
    assert share.max() <= 1.005
    if vertices > 20_000:
        plain = shapely.buffer(shape, distance_m * shapes.SAFE_SCALE, quad_segs=shapes.QUAD_SEGS)
        assert reach(plain).max() > 1.005


def test_run_by_run_against_every_edge() -> None:
    """Notches deep and shallow, holes, lines and points, each against the union of its edges' own buffers."""
    rng = np.random.default_rng(12)
    geoms = [feature(rng, 4.0) for _ in range(120)]
    geoms += [shapely.LineString(np.cumsum(rng.uniform(-0.2, 0.2, (200, 2)), axis=0)) for _ in range(20)]
    stairs = np.repeat(np.arange(60), 2)[1:] * 0.05
    geoms.append(shapely.LineString(np.column_stack([stairs[:-1], stairs[1:]])))
    found = buffers._run_by_run(np.array(geoms, dtype=object), np.full(len(geoms), 4.0))
    for geom, buffer in zip(geoms, found, strict=True):
        rings, of = shapely.get_coordinates(shapely.get_rings(shapely.get_parts(buffer)), return_index=True)
        along = np.flatnonzero(of[1:] == of[:-1])
        points = np.concatenate([rings, (rings[along] + rings[along + 1]) / 2])
        share = distances(geom, points) / 4.0
        inner = shapely.intersects_xy(geom, *points.T)
        assert not inner.any()
        assert share.min() >= 1.0 - 1e-6  # the grid of a union done again
        assert share.max() <= 1.005
        assert buffer.covers(geom)
