"""Labour: the shortest tour against all tours and known shapes; minutes by hand."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from quoting import BARE, FT, feet, job, price_list, rig
from scipy.sparse.csgraph import minimum_spanning_tree
from scipy.spatial import ConvexHull

import weedzone as wz
from weedzone.base.units import to_si
from weedzone.quotes.labour import EXACT_UP_TO, shortest_tour, spraying_min, walks
from weedzone.quotes.quoting import quote

POINTS = st.lists(st.tuples(st.floats(-100, 100), st.floats(-100, 100)), min_size=0, max_size=7)


def length(points, order):
    path = points[list(order)]
    return float(np.hypot(*(path - np.roll(path, -1, axis=0)).T).sum())


@settings(max_examples=60, deadline=None)
@given(POINTS)
def test_few_patches_get_the_shortest_of_all_tours(points):
    xy = np.array(points, dtype=float).reshape(-1, 2)
    found, exact = shortest_tour(xy)
    assert exact
    rest = range(1, len(xy))
    best = (
        min((length(xy, (0, *order)) for order in itertools.permutations(rest)), default=0.0)
        if len(xy) > 1
        else 0.0
    )
    assert found == pytest.approx(best, abs=1e-9)


@pytest.mark.parametrize("n", [5, 9, 10, 40, 150, 230])
def test_points_on_a_convex_curve_are_toured_along_it(n):
    # The shortest tour of points in convex position is their hull: an uncrossed tour keeps the hull's order (Flood,
    # "The traveling-salesman problem", Operations Research 4, 1956).
    angle = np.random.default_rng(n).permutation(n) * 2 * np.pi / n
    xy = np.column_stack([30 * np.cos(angle), 20 * np.sin(angle)])
    found, exact = shortest_tour(xy)
    assert exact == (n <= EXACT_UP_TO)
    assert found == pytest.approx(
        ConvexHull(xy).area, rel=1e-9
    )  # in two dimensions scipy calls the outline "area"


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("n", [12, 60, 210])
def test_many_patches_get_a_good_tour(n, seed):
    # Bounds that need no tour: not below the minimum spanning tree; and twice that tree is a tour (scipy's tree).
    xy = np.random.default_rng(seed).random((n, 2)) * 100
    tree = minimum_spanning_tree(np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))).sum()
    found, exact = shortest_tour(xy)
    assert not exact
    assert tree < found < 1.5 * tree


def test_patches_in_one_place_take_no_walk():
    assert shortest_tour(np.zeros((15, 2)))[0] == pytest.approx(0.0)


def test_the_walk_of_a_square_of_patches():
    corners = [("front", feet(x, y, 10, 10)) for x, y in ((0, 0), (300, 400), (0, 400), (300, 0))]
    walk = walks(job(corners))["front", "Demo Plain"]
    assert (walk.patches, walk.exact) == (4, True)
    assert walk.length_m == pytest.approx(1400 * FT, rel=1e-5)


def test_touching_pieces_are_one_patch():
    pieces = [("front", feet(0, 0, 10, 10)), ("front", feet(10, 0, 10, 10)), ("front", feet(60, 0, 10, 10))]
    assert walks(job(pieces))["front", "Demo Plain"].patches == 2


def test_walking_is_paid_by_pace(tmp_path):
    pair = [("front", feet(0, 0, 10, 10)), ("front", feet(1320, 0, 10, 10))]
    found = quote(job(pair), price_list(tmp_path, BARE))
    # There and back is 2,640 ft, half a mile: at 3 mph ten minutes.
    assert found.visits["walking_min"].iloc[0] == pytest.approx(10.0, rel=1e-4)


def test_covering_by_swath_and_pace_by_hand(tmp_path):
    prices = price_list(tmp_path, BARE.replace('walking = "3 mph"', 'walking = "3 mph"\nefficiency = "50 %"'))
    one = job([("front", feet(0, 0, 100, 50))], use="broadcast")
    area = to_si("31680 ft2", "area")
    # 3 ft at 2 mph covers 31,680 ft2 an hour; half of the time covering makes it two hours.
    assert spraying_min(one, prices, area, 0.0)[0] == pytest.approx(120.0)


def test_spot_work_goes_by_the_flow_where_there_is_one(tmp_path):
    prices = price_list(tmp_path, BARE)
    gun = rig(flow_L_per_s=to_si("0.5 gal/min", "flow"))
    gallons = to_si("5 gal", "volume")
    spot = job([("front", feet(0, 0, 100, 50))], a_rig=gun)
    assert spraying_min(spot, prices, 464.5, gallons)[0] == pytest.approx(10.0)
    broadcast = job([("front", feet(0, 0, 100, 50))], use="broadcast", a_rig=gun)
    assert spraying_min(broadcast, prices, to_si("31680 ft2", "area"), gallons)[0] == pytest.approx(60.0)


def test_a_rig_without_pace_or_flow_gets_a_clear_error(tmp_path):
    slow = job([("front", feet(0, 0, 100, 50))], a_rig=rig(pace_mps=None))
    with pytest.raises(wz.RigError, match="how fast the rig covers ground is not stated; write swath"):
        quote(slow, price_list(tmp_path, BARE))
    # Priced by area the rig's pace does not matter: 5 ksqft at 14, and 18 of travel.
    assert quote(slow, price_list(tmp_path, BARE), pricing="per-area").total == 88


def test_loads_are_mixed_one_by_one(tmp_path):
    found = quote(job([("front", feet(0, 0, 100, 50))]), price_list(tmp_path, BARE))
    assert found.visits[["loads", "mixing_min", "setup_min"]].iloc[0].tolist() == [2, 12, 6]
    assert "hoses" in found.summary()
