"""Doses and pounds of active per acre against handbook tables, and refusals above a limit."""

from __future__ import annotations

import math
import re
from typing import Any

import pytest
from plots import ROWS

import weedzone as wz
from weedzone.base.units import convert, to_si
from weedzone.kit.label import Active, Adjuvant, Label, Limits, Rate, most_per_application
from weedzone.kit.rig import Sprayer, Spreader
from weedzone.zones.dose import plan, plans


def row(name: str) -> tuple[float, float]:
    """Published figure and its tolerance; the row's column ``source`` names where it comes from."""
    found = ROWS[name]
    tolerance = found["tolerance"]
    return float(found["expected"]), 1e-9 if tolerance == "exact" else float(tolerance)


def lb_per_acre(concentration: str, dose: str, form: str = "liquid") -> float:
    """Pounds of active an acre from a label's figures, by way of a plan."""
    share = to_si(concentration, "concentration", form=form)
    rate = Rate(
        "granular" if form == "granule" else "broadcast", (to_si(dose, "dose", form=form),) * 2, None, None
    )
    one = label(form=form, actives=(Active("active", share, ""),), rates=(rate,))
    rig = SPREADER if form == "granule" else SPRAYER
    made = plan(one, rate.use, rig)
    return convert(made.actives(made.dose_high)["active"], "mass_per_area", "lb/acre")


SPRAYER = Sprayer(
    name="rig",
    swath_m=None,
    pace_mps=None,
    tank_L=15.0,
    carrier_L_per_m2=to_si("1 gal/ksqft", "volume_per_area"),
)
SPREADER = Spreader(name="spreader", swath_m=None, pace_mps=None, hopper_kg=20.0)


def label(**more: Any) -> Label:
    base: dict[str, Any] = {
        "name": "Demo A",
        "form": "liquid",
        "actives": (Active("2,4-D", to_si("3.8 lb/gal", "concentration", form="liquid"), "4"),),
        "tolerant": frozenset({"tall fescue"}),
        "caution": {},
        "weeds": {"dandelion": "good"},
        "rates": (Rate("spot", (1e-4, 2e-4), None, None),),
    }
    return Label(**(base | more))


@pytest.mark.parametrize(
    ("name", "concentration", "dose", "pounds"),
    [
        ("M13", "4 lb/gal", "3 pt/acre", 1.50),
        ("M14", "3 lb/gal", "1.33 pt/acre", 0.50),
        ("M17", "5 lb/gal", "2.4 pt/acre", 1.50),
        ("M19", "8 lb/gal", "2 pt/acre", 2.00),
    ],
)
def test_pints_of_product_for_pounds_of_active(
    name: str, concentration: str, dose: str, pounds: float
) -> None:
    """Published: the pints of product; here the pounds that these pints put down."""
    published, tolerance = row(name)
    assert dose == f"{published:g} pt/acre"
    assert lb_per_acre(concentration, dose) == pytest.approx(pounds, abs=tolerance * pounds / published)


def test_a_slip_of_the_table_is_not_followed() -> None:
    """M20 prints 0.87 pt where 0.857 gives the 0.75 lb: read as printed, it would overdose by 1.5 %."""
    published, _ = row("M20")
    assert lb_per_acre("7 lb/gal", f"{published} pt/acre") == pytest.approx(0.75 * 0.87 / (6 / 7), rel=1e-9)


@pytest.mark.parametrize(
    ("name", "concentration", "dose", "form"),
    [
        ("M26", "4 lb/gal", "8 fl oz/acre", "liquid"),
        ("M27", "2 lb/gal", "2 fl oz/acre", "liquid"),
        ("M34", "2 %", "2.25 lb/ksqft", "granule"),
        ("M35", "2 %", "3.3 lb/ksqft", "granule"),
        ("ae_4pt", "3.8 lb/gal", "4 pt/acre", "liquid"),
    ],
)
def test_pounds_of_active_an_acre(name: str, concentration: str, dose: str, form: str) -> None:
    published, tolerance = row(name)
    assert lb_per_acre(concentration, dose, form) == pytest.approx(published, abs=tolerance)


def test_a_square_rod_and_a_thousand_feet_of_a_pound_an_acre() -> None:
    """M22: mL of a 2 lb/gal liquid on a square rod (272.25 ft2); M23: g of a 50 % product on 1,000 ft2."""
    limit = {"2,4-D": Limits(to_si("1 lb/acre", "mass_per_area"))}
    liquid = label(
        actives=(Active("2,4-D", to_si("2 lb/gal", "concentration", form="liquid"), ""),), limits=limit
    )
    published, tolerance = row("M22")
    assert most_per_application(liquid)[0] * 272.25 * 0.3048**2 * 1000 == pytest.approx(
        published, abs=tolerance
    )
    dry = label(form="dry", actives=(Active("2,4-D", 0.5, ""),), limits=limit)
    published, tolerance = row("M23")
    assert most_per_application(dry)[0] * 1000 * 0.3048**2 * 1000 == pytest.approx(published, abs=tolerance)


def test_a_spot_mix_puts_down_its_share_of_the_volume() -> None:
    published, tolerance = row("spot_area")
    mix = to_si("1 1/3 fl oz/gal", "mix", form="liquid")
    one = label(rates=(Rate("spot", None, (mix, mix), None),))
    made = plan(one, "spot", SPRAYER)
    assert convert(made.actives(made.dose_high)["2,4-D"], "mass_per_area", "lb/acre") == pytest.approx(
        published, abs=tolerance
    )


def test_that_spot_mix_is_refused_above_one_application() -> None:
    """1.72 lb ae/acre against 1.5 in one application (L08 and spot_area name the sources)."""
    mix = to_si("1 1/3 fl oz/gal", "mix", form="liquid")
    limits = {"2,4-D": Limits(to_si("1.5 lb/acre", "mass_per_area"))}
    one = label(rates=(Rate("spot", None, (mix, mix), None),), limits=limits)
    with pytest.raises(wz.LabelError) as caught:
        plan(one, "spot", SPRAYER)
    assert "1.724 lb/acre of 2,4-D, above the label's 1.5 lb/acre" in str(caught.value)
    # 1.5 / 1.72425 of 1 gal/ksqft
    assert "0.8699 gal/ksqft" in str(caught.value)
    lean = Sprayer(
        name="lean",
        swath_m=None,
        pace_mps=None,
        tank_L=15.0,
        carrier_L_per_m2=to_si("0.8699 gal/ksqft", "volume_per_area"),
    )
    assert plan(one, "spot", lean).dose_high > 0, "the volume that the message names is allowed"


def test_a_range_is_cut_at_the_limit_and_it_is_said() -> None:
    limits = {"2,4-D": Limits(to_si("1.5 lb/acre", "mass_per_area"))}
    low, high = (to_si(text, "dose", form="liquid") for text in ("0.8 fl oz/ksqft", "1.3 fl oz/ksqft"))
    made = plan(label(rates=(Rate("spot", (low, high), None, None),), limits=limits), "spot", SPRAYER)
    # 1.5 lb ae/acre of 3.8 lb/gal is 50.53 fl oz/acre = 1.160 fl oz/ksqft: arithmetic from the definitions
    assert convert(made.dose_high, "dose", "fl oz/ksqft", form="liquid") == pytest.approx(
        1.5 / 3.8 * 128 / 43.56
    )
    assert [finding.severity for finding in made.findings] == ["warning"]
    assert "passes the limit of 2,4-D" in made.findings[0].message


def test_the_tightest_ingredient_decides() -> None:
    actives = (Active("2,4-D", 0.3, "4"), Active("dicamba", 0.05, "4"))
    limits = {"2,4-D": Limits(3e-5), "dicamba": Limits(4e-6)}
    most, name = most_per_application(label(actives=actives, limits=limits))
    assert (most, name) == (pytest.approx(8e-5), "dicamba")
    assert most_per_application(label())[0] == math.inf


def test_the_volume_comes_from_the_rig_within_the_label() -> None:
    gallon = to_si("1 gal/ksqft", "volume_per_area")
    bare = Sprayer(name="bare", swath_m=None, pace_mps=None, tank_L=15.0)
    single = label(rates=(Rate("spot", (1e-4, 1e-4), None, (gallon, gallon)),))
    ranged = label(rates=(Rate("spot", (1e-4, 1e-4), None, (gallon * 2, gallon * 5)),))
    assert plan(single, "spot", bare).volume == gallon
    with pytest.raises(wz.RigError, match="gives no single one"):
        plan(ranged, "spot", bare)
    with pytest.raises(wz.RigError, match="outside the label's volume"):
        plan(ranged, "spot", SPRAYER)


def test_no_room_for_water_is_refused() -> None:
    with pytest.raises(wz.LabelError, match="fill 1"):
        plan(
            label(
                adjuvants=(Adjuvant("oil", 0.9, required=True),),
                rates=(Rate("spot", None, (0.2, 0.2), None),),
            ),
            "spot",
            SPRAYER,
        )


def test_products_that_cannot_be_used_are_findings_unless_they_were_named() -> None:
    a, b = label(), label(name="Demo B", rates=(Rate("broadcast", (1e-4, 1e-4), None, None),))
    both = {"Demo A": a, "Demo B": b}
    made, findings = plans(both, "spot", SPRAYER, set())
    assert list(made) == ["Demo A"]
    assert [(one.severity, one.feature) for one in findings if "not used" in one.message] == [
        ("note", "Demo B")
    ]
    with pytest.raises(wz.LabelError, match="no rate for the use 'spot'"):
        plans(both, "spot", SPRAYER, {"Demo B"})
    with pytest.raises(wz.LabelError):
        plans({"Demo B": b}, "spot", SPRAYER, set())
    with pytest.raises(wz.RigError, match="needs a spreader"):
        plans(both, "granular", SPRAYER, set())
    with pytest.raises(wz.LabelError, match="no label"):
        plans({}, "spot", SPRAYER, set())


@pytest.mark.parametrize("carrier", ["1.16 gal/ksqft", "1.155 gal/ksqft", "1.1502 gal/ksqft"])
def test_the_volume_that_a_refusal_names_is_allowed_and_differs_from_the_one_refused(carrier: str) -> None:
    """A limit of 1.5 lb/acre at a mix of 1 fl oz/gal of 3.8 lb/gal is 1.15985 gal/ksqft:

    1.5 / (3.8 / 128 * 43.56) by the acre of 43,560 ft2 (NIST Handbook 44, appendix C).
    """
    allowed = 1.5 / (3.8 / 128 * 43.56)
    mix = to_si("1 fl oz/gal", "mix", form="liquid")
    limits = {"2,4-D": Limits(to_si("1.5 lb/acre", "mass_per_area"))}
    one = label(rates=(Rate("spot", None, (mix, mix), None),), limits=limits)
    volume = to_si(carrier, "volume_per_area")
    rig = Sprayer("boom", tank_L=15.0, carrier_L_per_m2=volume)
    if float(carrier.split(maxsplit=1)[0]) <= allowed:
        assert plan(one, "spot", rig).dose_high > 0
        return
    with pytest.raises(wz.LabelError) as caught:
        plan(one, "spot", rig)
    words = r"puts down (\S+) lb/acre .* label's (\S+) lb/acre .* allows is (\S+) gal/ksqft \(now (\S+) "
    found = re.search(words, str(caught.value))
    assert found
    assert float(found[1]) > float(found[2])
    assert float(found[3]) < float(found[4])
    assert float(found[3]) <= allowed
    lean = Sprayer("boom", tank_L=15.0, carrier_L_per_m2=to_si(f"{found[3]} gal/ksqft", "volume_per_area"))
    assert plan(one, "spot", lean).dose_high > 0
