"""Area to product, water and adjuvant; and the measure at hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plots import label, lawn, size

from weedzone.base.errors import InputError, RigError
from weedzone.base.units import FLOZ_PER_L, to_si
from weedzone.base.words import pour, weigh
from weedzone.kit.rig import make_rig
from weedzone.sizing.loads import COARSE, on_the_measure
from weedzone.sizing.pours import pour_of

AMOUNT = st.floats(1e-7, 1e4)
SPOT = '[[rate]]\nuse = "spot"\nmix = "2 fl oz/gal"\nvolume = "1 gal/ksqft"\n'


@settings(deadline=None)
@given(st.lists(AMOUNT, min_size=1, max_size=20), st.one_of(st.just(float("nan")), st.floats(1e-6, 10.0)))
def test_measured_is_never_above_and_within_a_step(amounts: list[float], step: float) -> None:
    product = np.array(amounts)
    measured, coarse = on_the_measure(product, np.full(len(product), step))
    assert (measured <= product).all()
    if np.isnan(step):
        assert (measured == product).all()
        assert not coarse.any()
        return
    assert (measured[~coarse] >= COARSE * product[~coarse] * (1 - 1e-9)).all()
    steps = measured[~coarse] / step
    assert np.allclose(steps, np.round(steps), rtol=1e-6) or (measured[~coarse] == product[~coarse]).any()
    # A finer measure leaves out a tenth at most: two figures.
    assert (measured >= 0.9 * product).all()


@settings(deadline=None)
@given(st.floats(1e-6, 50.0))
def test_fine_amounts_are_those_that_are_printed(litres: float) -> None:
    """Where the cup is too coarse, the amount is the one that `pour` and `weigh` print in mL or g."""
    measured, coarse = on_the_measure(np.array([litres]), np.array([1e6]))
    assert coarse.all()
    assert to_si(pour(litres, "metric", round_down=True), "volume") == pytest.approx(measured[0], rel=1e-6)
    assert to_si(weigh(litres, "metric", round_down=True), "mass") == pytest.approx(measured[0], rel=1e-6)


@pytest.mark.parametrize(
    ("amount", "step", "wanted"),
    [
        ("4.2 fl oz", "0.25 fl oz", "4 fl oz"),  # floor(16.8) quarters = 16, which is 4; 95.2 %
        ("4.25 fl oz", "0.25 fl oz", "4.25 fl oz"),  # a whole number of steps stays
        ("0.6 fl oz", "0.25 fl oz", "17.7 mL"),  # two quarters would be 83 %: 17.74 mL, to 0.1 mL
    ],
)
def test_by_hand(amount: str, step: str, wanted: str) -> None:
    litres = np.array([to_si(amount, "volume")])
    measured, _ = on_the_measure(litres, np.array([to_si(step, "volume")]))
    assert measured[0] == pytest.approx(to_si(wanted, "volume"), rel=1e-9)


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
    """1,050 ft2 of 2 fl oz/gal: 2.1 fl oz, measured as 2; 4.76 % less. 300 ft2: 0.6 fl oz, too fine for the cup."""
    demo, rig = label(tmp_path, SPOT), make_rig("can", tank="4 gal", measure="0.25 fl oz")
    job = size(lawn(105, 10), demo, rig, "spot")
    load = job.loads.iloc[0]
    assert load["measured_amount"] == pytest.approx(2.0)
    assert load["dose_effect_pct"] == pytest.approx(-100 / 21, rel=1e-4)
    assert not job.findings["message"].str.contains("finer").any()
    small = size(lawn(30, 10), demo, rig, "spot")
    assert small.findings["message"].str.contains("too coarse").any()
    assert small.loads["measured_amount"].iloc[0] == pytest.approx(0.0177 * FLOZ_PER_L)
    bare = size(lawn(105, 10), demo, make_rig("can", tank="4 gal"), "spot").loads.iloc[0]
    assert bare["measured_amount"] == bare["product_amount"]


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
        assert left.to_numpy() == pytest.approx(right.to_numpy(), rel=1e-9)


def test_a_measured_amount_leaves_out_a_twentieth_at_most() -> None:
    """10.99 mL against a measure of 28.3495 mL once became 10 mL, 9 % too little."""
    measured, coarse = on_the_measure(np.array([0.01099]), np.array([0.0283495]))
    assert coarse.all()
    assert measured == pytest.approx(0.0109)
    amounts = np.geomspace(1e-7, 100.0, 20_001)
    for step in (1e-5, 0.0073933, 0.0283495, 1.0):
        measured, _ = on_the_measure(amounts, np.full(len(amounts), step))
        assert (measured <= amounts).all()
        assert (measured >= 0.95 * amounts - 1e-15).all()
    for amount in amounts[::500]:
        assert pour_of(float(amount), "fl oz", make_rig("can", tank="1 gal")).si >= 0.95 * amount - 1e-15


@pytest.mark.parametrize("step", [None, "1/4 fl oz", "28.3495 mL", "0.08 fl oz"])
def test_what_is_printed_leaves_out_a_twentieth_at_most(step: str | None) -> None:
    """46.6 mL once became 1 1/2 fl oz = 44.36 mL, and that 44 mL on a metric sheet: 5.6 % too little, up to 7.3 %."""
    rig = make_rig("can", tank="1 gal", **({} if step is None else {"measure": step}))
    for amount in np.geomspace(1e-5, 50.0, 1500):
        planned = pour_of(float(amount), "fl oz", rig)
        for text in (*planned.texts("us"), *planned.texts("metric")):
            if text:
                assert 0.95 - 1e-4 <= to_si(text, "volume") / amount <= 1.0 + 1e-9, text
