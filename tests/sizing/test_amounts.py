"""Area to product, water and adjuvant; and the measure at hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plots import label, lawn, size, survey

import weedzone as wz
from weedzone.base.errors import InputError, RigError
from weedzone.base.units import FLOZ_PER_L, to_si
from weedzone.base.words import pour, weigh
from weedzone.kit.rig import make_rig
from weedzone.sizing.pours import pour_of

AMOUNT = st.floats(1e-7, 1e4)
SPOT = '[[rate]]\nuse = "spot"\nmix = "2 fl oz/gal"\nvolume = "1 gal/ksqft"\n'


def cup(step: float, kind: str = "volume") -> wz.Sprayer:
    return wz.Sprayer("can", tank_L=15.0, measure=step, measure_kind=kind)


@settings(deadline=None)
@given(AMOUNT, st.floats(1e-6, 10.0), st.booleans())
def test_measured_is_never_above_and_within_a_step(amount: float, step: float, named: bool) -> None:
    made = pour_of(amount, "fl oz", cup(step) if named else wz.Sprayer("can", tank_L=15.0))
    assert made.si <= amount
    assert made.si >= 0.9 * amount  # a finer measure leaves out a tenth at most: two figures
    if named:
        assert made.fine == (amount < 20 * step * (1 - 1e-9))
    if not made.fine:
        assert made.si >= 0.95 * amount * (1 - 1e-9)
        assert made.si / made.step == pytest.approx(round(made.si / made.step), rel=1e-6)


@settings(deadline=None)
@given(st.floats(1e-6, 50.0), st.sampled_from([("fl oz", "volume", pour), ("oz", "mass", weigh)]))
def test_fine_amounts_are_those_that_are_printed(si: float, way: Any) -> None:
    """Where the measure is too coarse, the amount is the one that `pour` and `weigh` print in mL or g."""
    unit, kind, text = way
    made = pour_of(si, unit, cup(1e6, kind))
    assert made.fine
    assert to_si(text(si, "metric", round_down=True), kind) == pytest.approx(made.si, rel=1e-6)


@pytest.mark.parametrize(
    ("amount", "step", "wanted"),
    [
        ("5.2 fl oz", "0.25 fl oz", "5 fl oz"),  # floor(20.8) quarters = 20, which is 5
        ("5.25 fl oz", "0.25 fl oz", "5.25 fl oz"),  # a whole number of steps stays
        ("4.9 fl oz", "0.25 fl oz", "144 mL"),  # 19.6 quarters: 144.9 mL, to 1 mL
        ("0.6 fl oz", "0.25 fl oz", "17.7 mL"),  # 17.74 mL, to 0.1 mL
    ],
)
def test_by_hand(amount: str, step: str, wanted: str) -> None:
    made = pour_of(to_si(amount, "volume"), "fl oz", cup(to_si(step, "volume")))
    assert made.si == pytest.approx(to_si(wanted, "volume"), rel=1e-9)


def test_water_is_what_is_left(tmp_path: Path) -> None:
    """10,000 ft2: 10 gal; 20 fl oz product, 10 of surfactant, 5 of dye: water 10 - 35/128 gal."""
    text = SPOT + '[adjuvant]\nname = "surfactant"\nrate = "1 fl oz/gal"\n'
    dye = {"name": "marker dye", "rate": "0.5 fl oz/gal"}
    job = size(lawn(100, 100), label(tmp_path, text), make_rig("can", tank="4 gal", extra=[dye]), "spot")
    total = job.totals.iloc[0]
    assert total["water_gal"] == pytest.approx(10 - 35 / 128, rel=2e-6)
    assert total["extras_floz"] == pytest.approx(5, rel=2e-6)
    assert job.loads["extras_floz"].sum() == pytest.approx(5, rel=2e-6)
    assert total["adjuvant_floz"] == pytest.approx(10, rel=2e-6)


def test_dry_product_displaces_nothing(tmp_path: Path) -> None:
    text = '[[rate]]\nuse = "spot"\nmix = "8 oz/gal"\nvolume = "1 gal/ksqft"\n'
    job = size(lawn(100, 100), label(tmp_path, text, form="dry"), make_rig("can", tank="4 gal"), "spot")
    assert job.totals["water_gal"].iloc[0] == pytest.approx(10, rel=2e-6)


def test_percent_is_per_gallon(tmp_path: Path) -> None:
    """0.78125 % v/v is 1 fl oz in 128."""
    found = []
    for number, rate in enumerate(("0.78125 %", "1 fl oz/gal", "7.8125 mL/L")):
        text = SPOT + f'[adjuvant]\nname = "oil"\nrate = "{rate}"\n'
        job = size(
            lawn(100, 100), label(tmp_path, text, f"Demo {number}"), make_rig("can", tank="4 gal"), "spot"
        )
        found.append(job.totals["adjuvant_floz"].iloc[0])
    assert found == pytest.approx([10.0] * 3, rel=2e-6)


def test_allowed_adjuvants_can_be_left_out(tmp_path: Path) -> None:
    text = SPOT + (
        '[[adjuvant]]\nname = "oil"\nrate = "1 fl oz/gal"\n'
        '[[adjuvant]]\nname = "surfactant"\nrate = "0.5 fl oz/gal"\nrequired = false\n'
    )
    demo, rig = label(tmp_path, text), make_rig("can", tank="4 gal")
    ounces = [
        size(lawn(100, 100), demo, rig, "spot", adjuvants=which).totals["adjuvant_floz"].iloc[0]
        for which in ("all", "required")
    ]
    assert ounces == pytest.approx([15, 10], rel=2e-6)
    with pytest.raises(InputError, match="adjuvants"):
        size(lawn(100, 100), demo, rig, "spot", adjuvants="none")


def test_no_room_for_water(tmp_path: Path) -> None:
    text = '[[rate]]\nuse = "spot"\nmix = "60 %"\nvolume = "1 gal/ksqft"\n'
    rig = make_rig("can", tank="4 gal", extra=[{"name": "defoamer", "rate": "45 %"}])
    with pytest.raises(RigError, match="no room for water"):
        size(lawn(10, 10), label(tmp_path, text), rig, "spot")


def test_rounding_is_said(tmp_path: Path) -> None:
    """2,600 ft2 of 2 fl oz/gal: 5.2 fl oz, measured as 5; 3.85 % less. 300 ft2: 0.6 fl oz, too fine for the cup."""
    can = {"tank": "4 gal", "smallest_mix": "0 gal"}
    demo, rig = label(tmp_path, SPOT), make_rig("can", measure="0.25 fl oz", **can)
    job = size(lawn(130, 20), demo, rig, "spot")
    load = job.loads.iloc[0]
    assert load["made_up_amount"] == pytest.approx(5.0)
    assert load["dose_effect_pct"] == pytest.approx(-100 / 26, rel=1e-4)
    assert not job.findings["message"].str.contains("too coarse").any()
    small = size(lawn(30, 10), demo, rig, "spot")
    assert (
        small.findings["message"]
        .str.contains("too coarse for 1 load: measure it in mL, with a syringe")
        .any()
    )
    assert small.loads["made_up_amount"].iloc[0] == pytest.approx(0.0177 * FLOZ_PER_L)
    bare = size(lawn(130, 20), demo, make_rig("can", **can), "spot").loads.iloc[0]
    assert bare["made_up_amount"] == pytest.approx(5.0)  # quarters of a fl oz where no measure is named


@pytest.mark.parametrize(
    ("rig", "gallons"),
    [
        ({"tank": "4 gal"}, 1.0),  # from a tank of 3 gal up
        ({"tank": "2 gal"}, 0.3),
        ({"tank": "2 gal", "unusable": "0.05 gal", "priming": "0.05 gal"}, 0.4),
        ({"tank": "2 gal", "smallest_mix": "0.5 gal"}, 0.5),
        ({"tank": "1 pt", "largest_fill": "1 pt"}, 0.125),  # three loads, no larger than the tank
    ],
)
def test_a_single_site_is_made_up_to_what_the_rig_mixes(
    rig: dict[str, str], gallons: float, tmp_path: Path
) -> None:
    """300 ft2: 0.3 gal, 0.6 fl oz on the ground; made up in the same strength."""
    demo = label(tmp_path, SPOT)
    job = size(lawn(30, 10), demo, make_rig("can", **rig), "spot")
    assert job.loads["made_up_gal"].iloc[0] == pytest.approx(gallons, rel=1e-5)
    assert 1.9 * gallons <= job.loads["made_up_amount"].iloc[0] <= 2 * gallons * (1 + 1e-5)
    total = job.totals.iloc[0]
    assert (total["solution_gal"], total["product_amount"]) == pytest.approx((0.3, 0.6), rel=1e-5)
    assert total["made_up_gal"] == pytest.approx(job.loads["made_up_gal"].sum())


def test_a_smallest_mix_beyond_the_tank_is_refused() -> None:
    with pytest.raises(RigError, match="smallest_mix: more than the tank holds"):
        make_rig("can", tank="4 gal", smallest_mix="40 gal")


def test_two_rests_do_not_go_on_the_same_ground(tmp_path: Path) -> None:
    """Two products of 0.2 gal, made up to 1 gal each: 800 ft2 for each, and 1,200 ft2 of fescue beside for both."""
    turf = [{"turf": "tall fescue", "at": (0, 0, 70, 20)}, {"turf": "bermudagrass", "at": (70, 0, 80, 20)}]
    weeds = [{"weed": "dandelion", "at": (0, 0, 10, 20)}, {"weed": "white clover", "at": (70, 0, 80, 20)}]
    grows = '[turf]\ntolerant = ["tall fescue", "bermudagrass"]\n[weeds]\n"{weed}" = "good"\n'
    labels = [
        label(tmp_path, SPOT + grows.format(weed="dandelion"), "Demo Cool"),
        label(tmp_path, SPOT + grows.format(weed="white clover"), "Demo Warm"),
    ]
    job = size(survey(turf, weeds), labels, make_rig("can", tank="4 gal"), "spot", worth="0 ft2")
    text = " ".join(job.summary().split())
    assert text.count("it may go on 800 ft² of the site's other turf") == 1
    assert text.count("the site has no other ground for all of it") == 1


def test_where_a_rest_may_go(tmp_path: Path) -> None:
    """1 gal for 300 ft2: 0.7 gal over, 700 ft2 of the 1,700 ft2 beside; on a lawn that is all infested, nowhere."""
    demo, rig = label(tmp_path, SPOT), make_rig("can", tank="4 gal")
    lot = survey(
        [{"turf": "tall fescue", "at": (0, 0, 50, 40)}], [{"weed": "dandelion", "at": (0, 0, 30, 10)}]
    )
    text = " ".join(size(lot, demo, rig, "spot").summary().split())
    assert (
        "0.7 gal (2.65 L) is more than the weeds take: it may go on 700 ft² of the site's other turf" in text
    )
    text = " ".join(size(lawn(30, 10), demo, rig, "spot").summary().split())
    assert "the site has no other ground for all of it" in text


def test_small_loads_of_several_sites_are_said(tmp_path: Path) -> None:
    turf = [
        {"site": f"lot {n}", "turf": "tall fescue", "at": (n * 100, 0, n * 100 + 30, 10)} for n in range(3)
    ]
    weeds = [{"site": one["site"], "weed": "dandelion", "at": one["at"]} for one in turf]
    job = size(survey(turf, weeds), label(tmp_path, SPOT), make_rig("can", tank="4 gal"), "spot")
    assert job.loads["made_up_gal"].to_list() == pytest.approx([0.3] * 3, rel=1e-5)
    assert job.findings["message"].str.startswith("3 of 3 loads are under 1 gal").sum() == 1


def test_us_and_metric_give_the_same_job(tmp_path: Path) -> None:
    """One job in US and in metric text; factors of NIST SP 811 and Handbook 44, from memory."""
    us = label(
        tmp_path,
        '[[active]]\nname = "2,4-D"\nconcentration = "3.8 lb/gal"\n[limits]\nper_application = "1.5 lb/acre"\n'
        '[[rate]]\nuse = "broadcast"\ndose = ["1 fl oz/ksqft", "2 fl oz/ksqft"]\nvolume = "1 gal/ksqft"\n',
        "Demo US",
    )
    metric = label(
        tmp_path,
        f'[[active]]\nname = "2,4-D"\nconcentration = "{3.8 * 453.59237 / 3.785411784:.10f} g/L"\n'
        f'[limits]\nper_application = "{1.5 * 0.45359237 / 0.40468564224:.10f} kg/ha"\n'
        f'[[rate]]\nuse = "broadcast"\ndose = ["{29.5735295625 / 92.90304:.12f} mL/m2", '
        f'"{2 * 29.5735295625 / 92.90304:.12f} mL/m2"]\nvolume = "{3.785411784 / 92.90304:.12f} L/m2"\n',
        "Demo Metric",
    )
    rigs = (
        make_rig("a", tank="4 gal", unusable="0.1 gal"),
        make_rig("b", tank="15.141647136 L", unusable="378.5411784 mL"),
    )
    one, other = (size(lawn(200, 100), made, rig) for made, rig in zip((us, metric), rigs, strict=True))
    for table in ("totals", "loads"):
        left, right = (getattr(job, table).select_dtypes("number") for job in (one, other))
        assert left.to_numpy() == pytest.approx(
            right.to_numpy(), rel=1e-9, abs=1e-8
        )  # the last is of the dose effect, in %


def test_a_measured_amount_leaves_out_a_twentieth_at_most() -> None:
    """10.99 mL against a measure of 28.3495 mL once became 10 mL, 9 % too little."""
    made = pour_of(0.01099, "fl oz", cup(0.0283495))
    assert made.fine
    assert made.si == pytest.approx(0.0109)
    for amount in np.geomspace(1e-7, 100.0, 4001):
        for rig in (*map(cup, (1e-5, 0.0073933, 0.0283495, 1.0)), make_rig("can", tank="1 gal")):
            assert amount >= pour_of(float(amount), "fl oz", rig).si >= 0.95 * amount - 1e-15


@pytest.mark.parametrize("step", [None, "1/4 fl oz", "28.3495 mL", "0.08 fl oz"])
def test_what_is_printed_leaves_out_a_twentieth_at_most(step: str | None) -> None:
    """46.6 mL once became 1 1/2 fl oz = 44.36 mL, and that 44 mL on a metric sheet: 5.6 % too little, up to 7.3 %."""
    rig = make_rig("can", tank="1 gal", **({} if step is None else {"measure": step}))
    for amount in np.geomspace(1e-5, 50.0, 1500):
        planned = pour_of(float(amount), "fl oz", rig)
        for text in (*planned.texts("us"), *planned.texts("metric")):
            if text:
                assert 0.95 - 1e-4 <= to_si(text, "volume") / amount <= 1.0 + 1e-9, text
