"""Guarded overlay and its second figure: where plain floating overlay is silently wrong, ours is not.

Outside reference: pyclipper (Vatti's algorithm on integers, see clipping.py), strip by strip, as that engine
too was seen to err by several square metres when it was given all touching strips at once.
"""

from pathlib import Path
from typing import Any

import clipping
import numpy as np
import pytest
import shapely
import strategies

from weedzone.ground import overlay, shapes
from weedzone.ground.cells import arrange
from weedzone.ground.overlay import cut
from weedzone.ground.shared_area import common_area

DATA = Path(__file__).parents[1] / "data"
# Of the pair, as found by fixed-precision overlay, strip by strip and by two engines that are not GEOS.
SILENT_M2 = 52.9086
SEEDS = 2_000


def array(*geoms: Any) -> np.ndarray:
    out = np.empty(len(geoms), dtype=object)
    out[:] = geoms
    return out


def zeros(geoms: np.ndarray) -> np.ndarray:
    return np.zeros(len(geoms), dtype=np.intp)


def inside_m2(ground: np.ndarray, cells: np.ndarray, **options: bool) -> tuple[float, float, overlay.Cut]:
    made = cut(ground, zeros(ground), cells, zeros(cells), **options)
    area = shapely.area(made.geoms)
    return float(area[made.cell >= 0].sum()), float(area[made.cell < 0].sum()), made


def silent() -> tuple[Any, Any]:
    a, b = (shapely.from_wkb((DATA / f"silent_overlay_{name}.wkb").read_bytes()) for name in "ab")
    return a, b


@pytest.mark.parametrize("moved", [(0.0, 0.0), (-653785.0, -3603978.0)])
@pytest.mark.parametrize("back_to_front", [False, True])
def test_the_silent_pair(moved: tuple[float, float], back_to_front: bool) -> None:
    """Plain overlay of this pair gave 38.462 m2 for 52.9086, without an error and with a sum that closed."""
    a, b = (shapely.transform(shape, lambda xy: xy + moved) for shape in silent())
    if back_to_front:
        a, b = b, a
    inside, outside, made = inside_m2(array(a), array(b))
    assert inside == pytest.approx(SILENT_M2, abs=1e-4)
    assert inside + outside == pytest.approx(a.area, abs=1e-4)
    assert not len(made.failed)
    assert clipping.common_m2(a, b) == pytest.approx(SILENT_M2, abs=1e-4)


def nearly_touching(seed: int) -> tuple[list[Any], Any]:
    """Strips whose shared edges are off by 0 to 1e-5 m, and infested ground laid over them."""
    rng = np.random.default_rng(seed)
    width, height = rng.uniform(5.0, 60.0, 2)
    near = float(rng.choice([0.0, *10.0 ** np.arange(-15.0, -4.0)]))
    angle = rng.uniform(0.0, 2.0 * np.pi)
    drawn = strategies.strips(rng, width, height, int(rng.integers(2, 9)), near)
    turf = [strategies.turned(one, angle, 0.0, 0.0) for one in drawn]
    patches = [
        strategies.turned(
            strategies.blob(rng, rng.uniform(0, width), rng.uniform(0, height), rng.uniform(1, width / 2)),
            angle, 0.0, 0.0,
        )
        for _ in range(int(rng.integers(1, 10)))
    ]  # fmt: skip
    kind = int(rng.integers(3))
    if kind == 1:
        patches += [shapely.intersection(one, turf[int(rng.integers(len(turf)))]) for one in patches]
    if kind == 2:
        xy = shapely.get_coordinates(turf[int(rng.integers(len(turf)))])[:-1]
        again = shapely.Polygon(xy + rng.normal(0.0, near, xy.shape))
        patches += [again] if again.is_valid else []
    infested = shapely.union_all(patches, grid_size=1e-6)
    return turf, shapes.areal(array(infested))[0]


@pytest.mark.slow
@pytest.mark.parametrize("start", range(0, SEEDS, 250))
def test_search_for_silent_failures(start: int) -> None:
    """Thousands of seeds of touching strips and edges that nearly coincide: none slips through.

    Cuts by the union of the strips (as keep-outs and boundaries are united), and by the arrangement of the
    strips (as turf is), agree with the other engine; plain union and intersection do not.
    """
    plainly_wrong = []
    for seed in range(start, start + 250):
        turf, infested = nearly_touching(seed)
        strips, ground = array(*turf), array(infested)
        truth = sum(clipping.common_m2(infested, one) for one in turf)
        allowed = 1e-8 * truth + 2e-6 * (infested.length + float(shapely.length(strips).sum())) + 1e-6
        plain = shapely.intersection(infested, shapely.union_all(strips)).area
        if abs(plain - truth) > max(allowed, 1e-3):
            plainly_wrong.append(seed)
        united, _ = shapes.union_overlapping(strips, zeros(strips))
        assert inside_m2(ground, united)[0] == pytest.approx(truth, abs=allowed), seed
        whole = shapes.union_rows(strips, zeros(strips))
        assert inside_m2(ground, whole)[0] == pytest.approx(truth, abs=allowed), seed
        cells = arrange(strips, zeros(strips), np.arange(len(strips)))
        assert not len(cells.failed), seed
        assert inside_m2(ground, cells.geoms)[0] == pytest.approx(truth, abs=allowed), seed
    print(f"plain overlay silently wrong: {plainly_wrong}")  # noqa: T201


def test_a_union_that_loses_a_member_is_done_again(monkeypatch: pytest.MonkeyPatch) -> None:
    strips = array(shapely.box(0, 0, 2, 9), shapely.box(1.9, 0, 4, 9), shapely.box(3.9, 0, 6, 9))
    plain = shapely.union_all

    def lossy(geoms: Any, *, grid_size: float | None = None, axis: int | None = None) -> Any:
        if grid_size is not None:
            return plain(geoms, grid_size=grid_size, axis=axis)
        return array(plain(strips[:2]))

    monkeypatch.setattr(shapes.shapely, "union_all", lossy)
    for most in (shapes.MOST_EDGE_PAIRS, 0.0):  # by the area of each member, and by points of each member
        monkeypatch.setattr(shapes, "MOST_EDGE_PAIRS", most)
        assert shapes.union_rows(strips, zeros(strips))[0].area == pytest.approx(54.0, abs=1e-6)


@pytest.mark.parametrize("copies", [2, 3, 4])
def test_a_union_that_loses_what_all_its_members_share_is_done_again(
    monkeypatch: pytest.MonkeyPatch, copies: int
) -> None:
    """Of two members the ground shared in pairs proves the union; of three alike it would prove an empty one."""
    boxes = array(*[shapely.box(0, 0, 3, 3)] * copies, shapely.box(3, 0, 4, 3))
    plain = shapely.union_all

    def lossy(geoms: Any, *, grid_size: float | None = None, axis: int | None = None) -> Any:
        return array(boxes[-1]) if grid_size is None else plain(geoms, grid_size=grid_size, axis=axis)

    monkeypatch.setattr(shapes.shapely, "union_all", lossy)
    assert shapes.union_rows(boxes, zeros(boxes))[0].area == pytest.approx(12.0, abs=1e-6)
    assert shapes.union_rows(boxes[:2], zeros(boxes[:2]))[0].area == pytest.approx(9.0, abs=1e-6)


@pytest.mark.parametrize("heavy", [False, True])
def test_an_overlay_with_a_part_on_the_wrong_side_is_done_again(
    monkeypatch: pytest.MonkeyPatch, heavy: bool
) -> None:
    """Inside and outside agree with each other and are both wrong: only the second figure tells."""
    ground = array(shapely.MultiPolygon([shapely.box(0, 0, 3, 3), shapely.box(5, 0, 8, 3)]))
    cells = array(shapely.box(1, -1, 9, 9))
    if heavy:
        monkeypatch.setattr(overlay, "MOST_EDGE_PAIRS", 0.0)

    def wrong(operation: Any, a: Any, b: Any, grid_size: float | None = None) -> Any:
        if grid_size is not None:
            return operation(a, b, grid_size=grid_size)
        kept = (
            [shapely.box(1, 0, 3, 3)]
            if operation is shapely.intersection
            else [ground[0] - shapely.box(1, 0, 3, 3)]
        )
        return array(*kept)

    plain = overlay._tried

    def tried(operation: Any, a: Any, b: Any, **options: float) -> Any:
        return plain(lambda x, y, **given: wrong(operation, x, y, **given), a, b, **options)

    monkeypatch.setattr(overlay, "_tried", tried)
    inside, outside, made = inside_m2(ground, cells)
    assert (inside, outside) == (pytest.approx(15.0, abs=1e-5), pytest.approx(3.0, abs=1e-5))
    assert made.redone.tolist() == [0]
    assert not len(made.failed)


@pytest.mark.parametrize("unsure_inside", [False, True])
def test_what_cannot_be_cut_goes_to_the_safe_side_whole(
    monkeypatch: pytest.MonkeyPatch, unsure_inside: bool
) -> None:
    ground, cells = array(shapely.box(0, 0, 3, 3)), array(shapely.box(1, -1, 9, 9))

    def refuses(*_: Any, **__: float) -> Any:
        return array(shapely.Polygon()), np.zeros(1, dtype=bool)

    monkeypatch.setattr(overlay, "_tried", refuses)
    inside, outside, made = inside_m2(ground, cells, unsure_inside=unsure_inside)
    assert (inside, outside) == ((9.0, 0.0) if unsure_inside else (0.0, 9.0))
    assert made.failed.tolist() == [0]


def test_area_by_parts_against_the_other_engine() -> None:
    """Shapes with holes and several parts, in one call: areas to the grid of the other engine."""
    rng = np.random.default_rng(11)
    a, b = [], []
    for _ in range(300):
        one, other = (strategies.blob(rng, *rng.uniform(0, 20, 2), rng.uniform(3, 20), 12) for _ in range(2))
        hole = strategies.blob(rng, *rng.uniform(0, 20, 2), 4.0, 6)
        a.append(shapes.areal(array(shapely.difference(one, hole)))[0])
        b.append(shapes.areal(array(shapely.symmetric_difference(other, hole)))[0])
    i = np.repeat(np.arange(300), 2)
    j = (i + np.tile([0, 7], 300)) % 300
    found = common_area(array(*a), array(*b), i, j)
    truth = np.array([clipping.common_m2(a[x], b[y]) if not (a[x].is_empty or b[y].is_empty) else 0.0
                      for x, y in zip(i, j, strict=True)])  # fmt: skip
    assert (truth > 1.0).sum() > 200
    np.testing.assert_allclose(found, truth, atol=1e-4)


def test_area_by_parts_of_nothing() -> None:
    none = np.empty(0, dtype=np.intp)
    assert common_area(array(), array(), none, none).shape == (0,)
    one = np.zeros(1, dtype=np.intp)
    assert common_area(array(shapely.Polygon()), array(shapely.box(0, 0, 1, 1)), one, one).tolist() == [0.0]


def test_groups_are_never_cut_by_each_other() -> None:
    box = shapely.box(0, 0, 1, 1)
    made = cut(array(box, box), np.array([0, 1]), array(box), np.array([1]))
    assert sorted(zip(made.source.tolist(), made.cell.tolist(), strict=True)) == [(0, -1), (1, 0)]
