"""Rigs made from calibrations and from texts; what they refuse and what they say of their age."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from plots import label, lawn, size

from weedzone.base.errors import RigError, WeedzoneError
from weedzone.base.units import convert, to_si
from weedzone.kit import calibration as cal
from weedzone.kit.calibration import SEASON_DAYS
from weedzone.kit.rig import Sprayer, Spreader, make_rig, read_rig

DAY = dt.date(2026, 5, 10)
SPRAYERS = {
    "plot": cal.plot(area="1000 sq ft", volume="1.5 gal", date=dt.date(2026, 4, 1)),
    "catch": cal.catch(volume="26 fl oz", length="300 ft", width="12 in"),
    "ounces": cal.ounces(caught="31 fl oz", spacing="20 in"),
    "nozzle": cal.nozzle(flow="101 fl oz/min", speed="3 mph", spacing="18 in"),
    "nozzles": cal.nozzles(flows="20 fl oz; 21 fl oz", speed="3 mph", spacing="20 in", time="30 s"),
}
SPREADERS = {
    "spreader_plot": cal.spreader_plot(area="1000 sq ft", mass="3.2 lb"),
    "spreader_pan": cal.spreader_pan(mass="0.5 lb", pan_area="1 sq ft", pans="10", passes="3"),
}


@pytest.mark.parametrize("method", SPRAYERS)
def test_sprayer_of_any_calibration(method: str) -> None:
    made = SPRAYERS[method]
    rig = make_rig("can", tank="4 gal", calibration=made)
    assert isinstance(rig, Sprayer)
    assert rig.carrier_L_per_m2 == made.carrier_L_per_m2
    assert rig.calibration["method"] == method
    assert dict(made.figures).items() <= dict(rig.calibration).items()
    assert rig.calibrated == made.date
    with pytest.raises(RigError, match="spreader"):
        make_rig("cart", "spreader", hopper="50 lb", calibration=made)


@pytest.mark.parametrize("method", SPREADERS)
def test_spreader_of_any_calibration(method: str) -> None:
    made = SPREADERS[method]
    rig = Spreader(name="cart", hopper_kg=20.0).with_calibration(made)
    assert rig.rate_kg_per_m2 == made.rate_kg_per_m2
    with pytest.raises(RigError, match="sprayer"):
        Sprayer(name="can", tank_L=15.0).with_calibration(made)


def write(folder: Path, text: str) -> Path:
    path = folder / "rigs.toml"
    path.write_text(f'[rig.can]\nkind = "sprayer"\ntank = "4 gal"\n{text}', encoding="utf-8")
    return path


def test_figures_stay_with_the_rig(tmp_path: Path) -> None:
    """LSU AgCenter, "Ounces Equal Gallons": 31 fl oz over the course of 1/128 acre is 31 gal/acre."""
    text = '[rig.can.calibration]\nmethod = "ounces"\ncaught = "31 fl oz"\nspacing = "20 in"\ndate = 2026-04-01\n'
    rig = read_rig(write(tmp_path, text))
    assert isinstance(rig, Sprayer)
    assert convert(rig.carrier_L_per_m2 or 0.0, "volume_per_area", "gal/acre") == pytest.approx(31)
    assert rig.calibrated == dt.date(2026, 4, 1)
    assert rig.calibration == {"method": "ounces", "caught": "31 fl oz", "spacing": "20 in"}
    # A carrier written rounded stands beside it; another one is refused.
    assert (
        read_rig(write(tmp_path, 'carrier = "31.2 gal/acre"\n' + text)).carrier_L_per_m2
        == rig.carrier_L_per_m2
    )
    with pytest.raises(RigError, match=r"carrier.*out of date"):
        read_rig(write(tmp_path, 'carrier = "40 gal/acre"\n' + text))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[rig.can.calibration]\nmethod = "guess"\n', "guess"),
        ('[rig.can.calibration]\nmethod = "speed"\ndistance = "200 ft"\ntime = "45 s"\n', "speed"),
        ('[rig.can.calibration]\nmethod = "ounces"\ncaught = "31 fl oz"\n', "spacing"),
        ('[rig.can.calibration]\nmethod = "ounces"\ncaught = "31 lb"\nspacing = "20 in"\n', "figures"),
        ('[rig.can.calibration]\nmethod = "spreader_plot"\narea = "1000 ft2"\nmass = "3 lb"\n', "spreader"),
        (
            '[rig.can.calibration]\nmethod = "ounces"\ncaught = "31 fl oz"\nspacing = "20 in"\ndate = "May"\n',
            "date",
        ),
        ('unusable = "4 gal"\n', "leaves nothing"),
        ('priming = "4 gal"\n', "leaves nothing"),
        ('measure = "3 ft"\n', "volume or a mass"),
        ('[[rig.can.extra]]\nname = "dye"\n', "rate"),
        ('[[rig.can.extra]]\nname = "dye"\nrate = "100 %"\n', "no room"),
    ],
)
def test_refused(text: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(WeedzoneError, match=said) as caught:
        read_rig(write(tmp_path, text))
    assert "rigs.toml" in str(caught.value) or "can" in str(caught.value)


@pytest.mark.parametrize(
    ("days", "said"),
    [(0, ""), (SEASON_DAYS, ""), (SEASON_DAYS + 1, "older than a season"), (-1, "after the job")],
)
def test_age(days: int, said: str) -> None:
    rig = make_rig("can", tank="4 gal", calibrated=DAY - dt.timedelta(days=days))
    found = " ".join(one.message for one in rig.findings(DAY))
    assert (said in found) if said else not found


def test_age_is_found_by_the_job(tmp_path: Path) -> None:
    old = cal.plot(area="1000 sq ft", volume="1 gal", date=dt.date(2024, 5, 1))
    text = '[[rate]]\nuse = "spot"\nmix = "1 fl oz/gal"\nvolume = "1 gal/ksqft"\n'
    job = size(lawn(10, 10), label(tmp_path, text), make_rig("can", tank="4 gal", calibration=old), "spot")
    assert job.findings["message"].str.contains("older than a season").any()


GRANULE = '[[rate]]\nuse = "granular"\ndose = ["2 lb/ksqft", "3 lb/ksqft"]\n'


def test_setting_of_the_spreader_decides(tmp_path: Path) -> None:
    """The label allows 2 to 3; calibrated to 2.4 lb/ksqft the job takes 24 lb on 10,000 ft2, not 30."""
    demo = label(tmp_path, GRANULE, form="granule")
    set_to = cal.spreader_plot(area="1000 sq ft", mass="2.4 lb")
    rig = make_rig("cart", "spreader", hopper="50 lb", calibration=set_to)
    assert size(lawn(100, 100), demo, rig, "granular").totals["product_amount"].iloc[0] == pytest.approx(
        24, rel=1e-5
    )
    wide_open = make_rig("cart", "spreader", hopper="50 lb", rate="3.3 lb/ksqft")
    with pytest.raises(RigError, match=r"3\.3 lb/ksqft.*2 lb/ksqft to 3 lb/ksqft"):
        size(lawn(100, 100), demo, wide_open, "granular")
    other = label(tmp_path, GRANULE.replace("2 lb", "3.2 lb").replace("3 lb", "4 lb"), "Demo B", "granule")
    both = size(lawn(100, 100), [demo, other], wide_open, "granular")
    assert both.totals["product"].tolist() == ["Demo B"]
    assert both.findings["message"].str.contains("as calibrated").any()


def test_steps_by_form() -> None:
    both = make_rig("can", tank="4 gal", measure="0.25 fl oz", scale="1 g")
    assert both.step("liquid") == to_si("0.25 fl oz", "volume")
    assert both.step("dry") == pytest.approx(0.001)
    cup = make_rig("can", tank="4 gal", measure="0.25 fl oz")
    assert cup.step("dry") is None
    scale = make_rig("can", tank="4 gal", measure="5 g")
    assert scale.step("liquid") is None
    assert scale.step("granule") == pytest.approx(0.005)
