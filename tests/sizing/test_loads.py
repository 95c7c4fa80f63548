"""Tank and hopper loads: sums, capacity, order of work, rinses and where a rest may go."""

from __future__ import annotations

from itertools import pairwise, permutations, product
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from plots import label, lawn, place, size, survey

import weedzone as wz
from weedzone.base.errors import InputError
from weedzone.base.units import PRODUCT_UNIT
from weedzone.crew.work_order import load_plan, spare_ground
from weedzone.kit.rig import make_rig
from weedzone.sizing.loads import served, split_loads

TOTALS = st.lists(st.floats(1e-4, 1e4), min_size=1, max_size=12)
SPOT = '[[rate]]\nuse = "spot"\nmix = "2 fl oz/gal"\nvolume = "1 gal/ksqft"\n'
GROWS = '[turf]\ntolerant = ["{turf}"]\n[weeds]\ndandelion = "good"\n'


def changes_of_product(plan: pd.DataFrame) -> int:
    names = plan["product"].to_numpy(dtype=object)
    return int((names[1:] != names[:-1]).sum())


@settings(deadline=None)
@given(TOTALS, st.floats(0.5, 500.0), st.booleans(), st.floats(0.0, 0.9))
def test_loads_sum_and_fit(totals: list[float], load: float, even: bool, lines: float) -> None:
    total, priming = np.array(totals), lines * load
    row, number, share = split_loads(total, load, even=even, priming=priming)
    assert np.bincount(row, share) == pytest.approx(np.ones(len(total)), rel=1e-9)
    carried = share * total[row]
    assert (carried >= -1e-12 * total[row]).all()
    first = number == 1
    # A rest of two millionths of a load is no load.
    assert (carried[~first] <= load * (1 + 3e-6)).all()
    assert (carried[first] <= load - priming + 3e-6 * load).all()
    # The fewest loads that can carry it.
    assert (np.bincount(row) == np.maximum(np.ceil((total + priming) / load - 2e-6), 1)).all()
    if even and not lines:
        assert share == pytest.approx(1.0 / np.bincount(row)[row])


@settings(deadline=None)
@given(
    st.lists(st.lists(st.floats(0.01, 100.0), min_size=1, max_size=6), min_size=1, max_size=6),
    st.floats(1, 90),
)
def test_every_zone_is_served_once(sites: list[list[float]], load: float) -> None:
    zone_row = np.repeat(np.arange(len(sites)), [len(one) for one in sites])
    fill = np.array([value for one in sites for value in one])
    total = np.bincount(zone_row, fill)
    row, _, share = split_loads(total, load)
    at, zone, part = served(zone_row, fill, row, share)
    assert np.bincount(zone, part) == pytest.approx(np.ones(len(fill)), rel=1e-9)
    assert (row[at] == zone_row[zone]).all()
    assert np.bincount(at, part * fill[zone], len(row)) == pytest.approx(
        share * total[row], rel=1e-5, abs=1e-6
    )
    # The work goes on: neither loads nor zones are taken up again.
    assert (np.diff(at) >= 0).all()
    assert (np.diff(zone) >= 0).all()


def test_served_by_hand() -> None:
    """Zones of 5, 3 and 4 by loads of 6 and 6: the first serves 5 and 1, the second 2 and 4."""
    at, zone, part = served(
        np.zeros(3, int), np.array([5.0, 3.0, 4.0]), np.zeros(2, int), np.array([0.5, 0.5])
    )
    assert at.tolist() == [0, 0, 1, 1]
    assert zone.tolist() == [0, 1, 1, 2]
    assert part == pytest.approx([1, 1 / 3, 2 / 3, 1])


def test_rounding_is_no_load() -> None:
    """Eight gallons and a hair, as areas come out, are two fillings of a tank of four."""
    row, _, share = split_loads(np.array([8.0 + 1e-7, 8.01]), 4.0)
    assert np.bincount(row).tolist() == [2, 3]
    assert share[:2] == pytest.approx([0.5, 0.5])


SAMPLES = Path(__file__).parents[2] / "sample_sites"
SUMMED = ["area_m2", "area_ft2", "solution_L", "solution_gal", "water_L", "water_gal", "product_amount",
          "adjuvant_floz", "extras_floz", "tanks"]  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("even", [False, True])
@pytest.mark.parametrize(
    ("place_name", "rig", "use", "tank"),
    [
        ("quince_bend", "backpack", "spot", {"tank": "0.3 gal"}),
        ("heron_flats", "boom", "broadcast", {"tank": "9 gal", "priming": "1 gal"}),
        ("heron_flats", "spreader", "granular", {"hopper": "11 lb"}),
        ("alder_court", "backpack", "spot", {"tank": "1 qt"}),
    ],
)
def test_whole_jobs(place_name: str, rig: str, use: str, tank: dict[str, str], even: bool) -> None:
    """Loads sum to totals, no load passes its rig, no rounded dose passes the label's highest."""
    text = {"carrier": "1 gal/ksqft", "measure": "0.25 fl oz", "scale": "1 g", **tank}
    if use == "granular":
        text = {"measure": "0.25 lb", **tank}
    made = make_rig(rig, "spreader" if use == "granular" else "sprayer", **text)
    labels = wz.read_labels(SAMPLES / "labels")
    job = wz.size_job(wz.read_survey(SAMPLES / place_name / "survey.gpkg"), labels, made, use=use, on="2026-11-25",
                      even_loads=even)  # fmt: skip
    keys = ["site", "product"]
    totals, loads = job.totals.set_index(keys), job.loads
    assert len(loads) > len(totals)
    assert loads.groupby(keys)[SUMMED].sum().loc[totals.index].to_numpy() == pytest.approx(
        totals[SUMMED].to_numpy(), rel=1e-9
    )
    assert (loads.groupby(keys)["load"].max().loc[totals.index] == totals["loads"]).all()
    assert (loads["tanks"] <= 1 + 2e-6).all()
    zones = job.zones.set_index(["site", "zone"])
    served_m2 = job.served.groupby(["site", "zone"])["area_m2"].sum()
    assert served_m2.to_numpy() == pytest.approx(zones.loc[served_m2.index, "area_m2"].to_numpy(), rel=1e-9)
    assert len(served_m2) == len(zones)
    for load in loads.itertuples():
        plan = job.plans[load.product]
        ground = load.solution_L / plan.volume if plan.volume else load.area_m2
        on_ground = load.made_up_amount - load.start_amount
        if plan.volume:  # of one mix, some of it in the lines or over
            on_ground = load.made_up_amount * load.solution_gal / load.made_up_gal
        dose = on_ground / PRODUCT_UNIT[plan.label.form][1] / ground
        assert dose <= plan.dose_high * (1 + 1e-9)


def test_nothing_to_carry() -> None:
    none = np.empty(0)
    assert len(split_loads(none, 4.0)[0]) == 0
    assert len(served(none.astype(int), none, none.astype(int), none)[0]) == 0


def test_largest_fill_and_priming(tmp_path: Path) -> None:
    """10 gal; a tank of 5 filled to 4 at most: 4, 4, 2. With 0.5 in the lines the first puts down 3.5: 3.5, 4, 2.5."""
    demo = label(tmp_path, SPOT)
    plain = size(lawn(100, 100), demo, make_rig("can", tank="5 gal", largest_fill="4 gal"), "spot")
    assert list(plain.loads["solution_gal"]) == pytest.approx([4, 4, 2], rel=1e-5)
    primed = make_rig("can", tank="5 gal", largest_fill="4 gal", priming="0.5 gal")
    job = size(lawn(100, 100), demo, primed, "spot")
    assert list(job.loads["solution_gal"]) == pytest.approx([3.5, 4, 2.5], rel=1e-5)
    plan = load_plan(job)
    assert list(plan["made_up_gal"]) == pytest.approx([4, 4, 2.5], rel=1e-5)
    assert list(plan["made_up_amount"]) == pytest.approx([8, 8, 5], rel=1e-5)
    even = size(lawn(100, 100), demo, primed, "spot", even_loads=True)
    assert list(load_plan(even)["made_up_gal"]) == pytest.approx([3.5] * 3, rel=1e-5)


def two_turfs(sites: int = 1) -> Any:
    """Sites of one rectangle of fescue and one of bermuda, each 50 x 100 ft and infested."""
    turf, weeds = [], []
    for number in range(sites):
        for step, name in enumerate(("tall fescue", "bermudagrass")):
            west = number * 300 + step * 50
            at = (west, 0, west + 50, 100)
            turf.append({"site": f"lot {number}", "turf": name, "at": at})
            weeds.append({"site": f"lot {number}", "weed": "dandelion", "at": at})
    return survey(turf, weeds)


def pair(folder: Path, more: str = "") -> list[Any]:
    return [
        label(folder, SPOT + more + GROWS.format(turf="tall fescue"), "Demo Cool"),
        label(folder, SPOT + more + GROWS.format(turf="bermudagrass"), "Demo Warm"),
    ]


def test_one_product_is_finished_first(tmp_path: Path) -> None:
    """4 lots with two products each need 1 change a lot at least; going there and back takes no more than that."""
    job = size(two_turfs(4), pair(tmp_path), make_rig("can", tank="2 gal"), "spot")
    plan = load_plan(job)
    assert changes_of_product(plan) == 4
    assert list(plan["order"]) == list(range(1, len(job.loads) + 1))
    for _, lot in plan.groupby("site"):
        names = lot["product"].to_list()
        assert names == sorted(names) or names == sorted(names, reverse=True)
    changed = (plan["product"] != plan["product"].shift()).to_numpy()
    assert (plan["before"].str.contains("rinse").to_numpy()[1:] == changed[1:]).all()
    free = load_plan(job, may_follow=[("Demo Cool", "Demo Warm"), ("Demo Warm", "Demo Cool")])
    assert not free["before"].str.contains("rinse").any()
    with pytest.raises(InputError, match="pair"):
        load_plan(job, may_follow=["Demo Cool"])


@settings(deadline=None)
@given(st.lists(st.sets(st.sampled_from("ABCD"), min_size=1, max_size=3), min_size=1, max_size=4))
def test_fewest_changes(lots: list[set[str]]) -> None:
    """Against every order there is."""
    from weedzone.crew.work_order import _sequence

    rows = [(f"lot {number}", 1, name) for number, names in enumerate(lots) for name in sorted(names)]
    found = _sequence(pd.DataFrame(rows, columns=["site", "pass", "product"]))
    assert sorted(found) == sorted(rows)

    def changes(names: list[str]) -> int:
        return sum(one != other for one, other in pairwise(names))

    every = [sum(one, ()) for one in product(*[list(permutations(sorted(names))) for names in lots])]
    assert changes([name for _, _, name in found]) == min(changes(list(one)) for one in every)


def test_a_limited_dose_gets_its_own_tank(tmp_path: Path) -> None:
    """Half of the lawn had 1 of 2.5 lb/acre this year: a lower dose there, in a load of its own.

    1 gal/ksqft at 2 fl oz/gal of 4 lb/gal is 2.7225 lb/acre on fresh ground, within 3; there 1.5 is left of 2.5.
    """
    text = (
        '[[active]]\nname = "2,4-D"\nconcentration = "4 lb/gal"\n[limits]\nper_year = "3 lb/acre"\n'
        '[[rate]]\nuse = "broadcast"\ndose = ["0.5 fl oz/ksqft", "2 fl oz/ksqft"]\nvolume = "1 gal/ksqft"\n'
    )
    at = (0, 0, 100, 100)
    # 1 lb/acre is 1/4 gal/acre = 32 fl oz on 43.56 ksqft.
    past = {"product": "Demo A", "date": "2026-01-10", "dose": "32 fl oz/acre", "at": (0, 0, 50, 100)}
    site = survey([{"turf": "tall fescue", "at": at}], [{"weed": "dandelion", "at": at}], history=[past])
    job = size(site, label(tmp_path, text), make_rig("boom", tank="8 gal"))
    strength = (job.loads["product_amount"] / job.loads["solution_gal"]).to_numpy()
    # 2 lb/acre left: 64 fl oz an acre = 64/43.56 fl oz/gal at 1 gal/ksqft
    # One strength on a site: what at least 95 % of the ground allows, here all of it, is the lower one.
    assert strength == pytest.approx(64 / 43.56, rel=1e-5)
    past["at"] = (0, 0, 4, 100)  # 4 % of the ground: the others get all, and what allows less is another mix
    site = survey([{"turf": "tall fescue", "at": at}], [{"weed": "dandelion", "at": at}], history=[past])
    past_label = label(tmp_path, text)
    most = size(site, past_label, make_rig("boom", tank="8 gal"), worth="0 ft2")
    strength = (most.loads["product_amount"] / most.loads["solution_gal"]).to_numpy()
    assert sorted(set(np.round(strength, 6))) == pytest.approx([64 / 43.56, 2.0], rel=1e-5)
    assert "strength" in " ".join(load_plan(most)["before"])
    few = size(site, past_label, make_rig("boom", tank="8 gal"))
    left = few.ledger[few.ledger["outcome"] == "product not chosen"]
    assert left["area_ft2"].sum() == pytest.approx(400, rel=1e-5)
    assert "at 1.469 fl oz/ksqft at most" in left["reason"].iloc[0]
    assert job.loads["product_amount"].sum() == pytest.approx(job.totals["product_amount"].iloc[0])


def test_second_pass_comes_second(tmp_path: Path) -> None:
    """Cool goes on both lawns' dandelion, Warm on clover. Where clover grows among dandelion Warm comes second.

    Warm is first on the clover patch, second on the mixed one: two loads, and the second after Cool's.
    """
    turf = [{"turf": "tall fescue", "at": (0, 0, 200, 100)}]
    weeds = [
        {"weed": "dandelion", "at": (0, 0, 100, 100)},
        {"weed": "white clover", "at": (50, 0, 100, 100)},
        {"weed": "white clover", "at": (150, 0, 180, 100)},
    ]
    grows = '[turf]\ntolerant = ["tall fescue"]\n[weeds]\n"{weed}" = "good"\n'
    labels = [
        label(tmp_path, SPOT + grows.format(weed="dandelion"), "Demo Cool"),
        label(tmp_path, SPOT + grows.format(weed="white clover"), "Demo Warm"),
    ]
    job = size(
        survey(turf, weeds),
        labels,
        make_rig("can", tank="50 gal"),
        "spot",
        passes=2,
        prefer=["Demo Cool"],
        worth="0 ft2",
    )
    plan = load_plan(job)
    assert plan["pass"].is_monotonic_increasing
    warm = plan[plan["product"] == "Demo Warm"]
    assert warm["pass"].to_list() == [1, 2]
    assert warm["area_ft2"].to_list() == pytest.approx([3000, 5000], rel=1e-5)
    assert plan["product"].iloc[-1] == "Demo Warm"
    assert plan[plan["product"] == "Demo Cool"]["area_ft2"].sum() == pytest.approx(10000, rel=1e-5)
    assert job.totals.set_index("product")["area_ft2"].to_dict() == pytest.approx(
        {"Demo Cool": 10000, "Demo Warm": 8000}, rel=1e-5
    )


def test_spare_ground(tmp_path: Path) -> None:
    """Turf 200 x 100, infested 50 x 100, pond of 10 x 10 with 10 ft about it: nothing of these is spare."""
    text = SPOT + '[buffers]\npond = "10 ft"\n'
    site = survey(
        [{"turf": "tall fescue", "at": (0, 0, 200, 100)}, {"turf": "bermudagrass", "at": (200, 0, 250, 100)}],
        [{"weed": "dandelion", "at": (0, 0, 50, 100)}],
        keep_out=[{"kind": "pond", "at": (100, 40, 110, 50)}],
    )
    job = size(site, label(tmp_path, text), make_rig("can", tank="4 gal"), "spot")
    spare = spare_ground(job)
    assert spare["what"].tolist() == ["turf beside"]
    kept = 100 + 4 * 100 + np.pi * 100  # the pond, its sides, its corners
    assert 15000 - kept * 1.02 <= spare["area_ft2"].iloc[0] <= 15000 - kept * 0.999
    assert spare["room_gal"].iloc[0] == pytest.approx(spare["area_ft2"].iloc[0] / 1000)
    shape = spare.geometry.iloc[0]
    assert not shape.intersects(shapely.Point(place(105, 45)))
    assert not shape.intersects(shapely.Point(place(225, 50)))
    assert shape.intersection(job.zones.geometry.iloc[0]).area < 1e-3
    strip = survey(
        [{"turf": "tall fescue", "at": (0, 0, 50, 100)}],
        [{"weed": "dandelion", "at": (0, 0, 50, 100)}],
    )
    assert len(spare_ground(size(strip, label(tmp_path, text), make_rig("can", tank="4 gal"), "spot"))) == 0


def test_nothing_treated(tmp_path: Path) -> None:
    """A site of another turf: every table is there, and empty."""
    at = (0, 0, 50, 50)
    site = survey([{"turf": "zoysiagrass", "at": at}], [{"weed": "dandelion", "at": at}])
    job = size(site, label(tmp_path, SPOT), make_rig("can", tank="4 gal", measure="1 fl oz"), "spot")
    for table in (job.totals, job.loads, job.served, load_plan(job), spare_ground(job)):
        assert len(table) == 0
    assert changes_of_product(load_plan(job)) == 0
