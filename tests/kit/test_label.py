"""Label files: every key is read to SI, and nothing unknown or impossible is taken."""

from __future__ import annotations

from pathlib import Path

import pytest

import weedzone as wz
from weedzone.kit.label_file import read_label, read_labels

FULL = """
name = "Demo Amine 38"
form = "liquid"
formulation = "SL"
registration = "DEMO-38"
signal_word = "danger"
ppe = ["long sleeves", "eye protection"]
reentry = "until dry"
[[active]]
name = "2,4-D"
concentration = "3.8 lb/gal"
group = 4
[[active]]
name = "dicamba"
concentration = "0.5 lb/gal"
group = "4"
[turf]
tolerant = ["Tall Fescue", "KBG", "saint augustine grass"]
caution = { "bermuda" = "yellowing", "kentucky bluegrass" = "in heat" }
[weeds]
"Dandelions" = "good"
"creeping charlie" = "fair"
[[rate]]
use = "spot"
mix = "1.28 fl oz/gal"
volume = "1 gal/ksqft"
per_plant = "10 mL"
[[rate]]
use = "broadcast"
dose = ["0.8 fl oz/ksqft", "1.1 fl oz/ksqft"]
volume = ["1 gal/1000 sq ft", "5 gal/ksqft"]
[adjuvant]
name = "non-ionic surfactant"
rate = "0.25 %"
required = false
[limits]
per_application = "1.5 lb/acre"
per_year = "3.0 lb/acre"
applications_per_year = 2
interval = ["3 week", "30 day"]
year = "calendar"
[limits."Dicamba"]
per_year = "1 lb/acre"
[buffers]
pond = "25 ft"
ponds = "30 ft"
default = "3 ft"
[buffers.broadcast]
hives = "60 ft"
[downwind]
beehive = "100 ft"
spread = 60
[weather]
wind_max = "10 mph"
temperature = ["50 degF", "86 degF"]
rainfast = "6 hour"
delta_t = ["2 degC", "8 degC"]
[hints]
mowing = "not for two days"
"""
# Definitions of the units: NIST Handbook 44, appendix C, and NIST SP 811 (from memory).
LB, GAL, FT, ACRE = 0.45359237, 3.785411784, 0.3048, 43_560 * 0.3048**2


def write(folder: Path, text: str = FULL, name: str = "one.toml") -> Path:
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


def test_every_key_in_si(tmp_path: Path) -> None:
    one = read_label(write(tmp_path))
    assert (one.name, one.form, one.formulation, one.registration) == (
        "Demo Amine 38",
        "liquid",
        "SL",
        "DEMO-38",
    )
    assert (one.signal_word, one.ppe, one.reentry) == (
        "danger",
        ("long sleeves", "eye protection"),
        "until dry",
    )
    assert [(active.name, active.group) for active in one.actives] == [("2,4-D", "4"), ("dicamba", "4")]
    assert one.actives[0].concentration == pytest.approx(3.8 * LB / GAL)
    assert one.tolerant == {"tall fescue", "st. augustinegrass"}, (
        "a turf with a caution is not plainly tolerant"
    )
    assert one.caution == {"bermudagrass": "yellowing", "kentucky bluegrass": "in heat"}
    assert one.weeds == {"dandelion": "good", "ground ivy": "fair"}
    spot, broadcast = one.rates
    assert spot.mix == pytest.approx((0.01, 0.01))
    assert spot.volume == pytest.approx((GAL / (1000 * FT**2),) * 2)
    assert spot.per_plant_L == pytest.approx(0.01)
    assert broadcast.dose == pytest.approx(tuple(n * GAL / 128 / (1000 * FT**2) for n in (0.8, 1.1)))
    assert broadcast.mix is None
    assert [(a.name, a.rate, a.required) for a in one.adjuvants] == [
        ("non-ionic surfactant", pytest.approx(0.0025), False)
    ]
    assert one.limits["2,4-D"].per_application == pytest.approx(1.5 * LB / ACRE)
    assert one.limits["2,4-D"].per_year == pytest.approx(3.0 * LB / ACRE)
    assert (one.limits["dicamba"].per_application, one.limits["dicamba"].per_year) == (
        None,
        pytest.approx(LB / ACRE),
    )
    assert (one.applications_per_year, one.interval_days, one.calendar_year) == (2, (21.0, 30.0), True)
    assert one.buffers_m == pytest.approx({"pond": 30 * FT, "default": 3 * FT}), (
        "of two spellings the wider holds"
    )
    assert one.use_buffers_m["broadcast"] == pytest.approx({"beehive": 60 * FT})
    assert one.downwind_m == pytest.approx({"beehive": 100 * FT})
    assert one.downwind_spread_deg == 60.0
    assert one.weather.wind_max_mps == pytest.approx(10 * 1609.344 / 3600)
    assert one.weather.temperature_c == pytest.approx((10.0, 30.0))
    assert one.weather.rainfast_s == 6 * 3600
    assert one.weather.delta_t_c == pytest.approx((2.0, 8.0))
    assert one.hints == {"mowing": "not for two days"}
    assert one.rate("granular") is None
    assert one.allows_turf("bermudagrass")
    assert not one.allows_turf("zoysiagrass")


def test_buffers_by_kind_and_use(tmp_path: Path) -> None:
    one = read_label(write(tmp_path))
    assert one.buffer_m("pond", "spot") == pytest.approx(30 * FT)
    assert one.buffer_m("beehive", "spot") == pytest.approx(3 * FT)
    assert one.buffer_m("beehive", "broadcast") == pytest.approx(60 * FT)
    assert one.buffer_rule("tree", "spot") == (pytest.approx(3 * FT), True)
    bare = read_label(write(tmp_path, FULL.replace('default = "3 ft"\n', "")))
    assert bare.buffer_m("tree", "spot") is None


def test_little_is_enough_and_nothing_is_made_up(tmp_path: Path) -> None:
    text = 'name = "Demo B"\nform = "granule"\n[[rate]]\nuse = "granular"\ndose = "3 lb/ksqft"\n'
    one = read_label(write(tmp_path, text))
    assert (one.actives, one.limits, one.buffers_m, one.interval_days) == ((), {}, {}, None)
    assert (one.registration, one.reentry) == ("not given", "as the product label says")
    assert one.downwind_spread_deg is None


BAD = [
    ('form = "liquid"', 'form = "foam"', "foam"),
    ('form = "liquid"', "", "form"),
    ('name = "Demo Amine 38"', 'name = ""', "name"),
    ('signal_word = "danger"', 'signalword = "danger"', "did you mean 'signal_word'"),
    ('concentration = "3.8 lb/gal"', "concentration = 3.8", "concentration"),
    ('concentration = "3.8 lb/gal"', 'concentration = "20 %"', "concentration"),
    ('concentration = "3.8 lb/gal"', "", "concentration"),
    ("group = 4", "group = true", "group"),
    ('name = "dicamba"', 'name = "2,4-d"', "two active ingredients"),
    ('"Dandelions" = "good"', '"Dandelions" = "great"', "great"),
    ('use = "spot"', 'use = "granular"', "not spread as a granule"),
    ('use = "broadcast"', 'use = "spot"', "two rates for the use"),
    ('mix = "1.28 fl oz/gal"', 'mix = "1.28 oz/gal"', "fl oz"),
    ('mix = "1.28 fl oz/gal"', 'mix = "1.28 fl oz/gal"\ndose = "1 fl oz/ksqft"', "either a dose or a mix"),
    ('mix = "1.28 fl oz/gal"', "", "either a dose or a mix"),
    (
        'dose = ["0.8 fl oz/ksqft", "1.1 fl oz/ksqft"]',
        'dose = ["1.1 fl oz/ksqft", "0.8 fl oz/ksqft"]',
        "downwards",
    ),
    ('dose = ["0.8 fl oz/ksqft", "1.1 fl oz/ksqft"]', 'dose = "0.8 lb/ksqft"', "dose"),
    ('per_year = "3.0 lb/acre"', 'per_year = "3.0 lb"', "area"),
    ('per_year = "3.0 lb/acre"', 'per_year = "0 lb/acre"', "zero"),
    ("applications_per_year = 2", "applications_per_year = 0", "whole number"),
    ("applications_per_year = 2", 'applications_per_year = "two"', "whole number"),
    ('year = "calendar"', 'year = "fiscal"', "fiscal"),
    ('[limits."Dicamba"]', '[limits."mcpp"]', "no such active"),
    ('[limits."Dicamba"]', '[limits."2,4-d"]', "twice"),
    ('pond = "25 ft"', "pond = 25", "pond"),
    ("[buffers.broadcast]", "[buffers.brodcast]", "name the use"),
    ("spread = 60", "spread = 0", "spread"),
    ("spread = 60", "spread = true", "spread"),
    ('rate = "0.25 %"', "", "rate"),
    ('wind_max = "10 mph"', 'windmax = "10 mph"', "windmax"),
    ('rainfast = "6 hour"', 'rainfast = "6"', "rainfast"),
]


@pytest.mark.parametrize(("good", "bad", "names"), BAD)
def test_one_clear_error(tmp_path: Path, good: str, bad: str, names: str) -> None:
    assert FULL.count(good) >= 1
    with pytest.raises(wz.WeedzoneError) as caught:
        read_label(write(tmp_path, FULL.replace(good, bad, 1)))
    text = str(caught.value)
    assert names in text
    assert "one.toml" in text
    assert "\n" not in text


def test_files_that_are_no_labels(tmp_path: Path) -> None:
    with pytest.raises(wz.LabelError, match="no such file"):
        read_labels(tmp_path / "none.toml")
    with pytest.raises(wz.LabelError, match="holds no label"):
        read_labels(tmp_path)
    with pytest.raises(wz.LabelError, match="TOML"):
        read_labels(write(tmp_path, "name = "))
    (tmp_path / "one.toml").write_bytes(b"name = \xff")
    with pytest.raises(wz.LabelError, match="UTF-8"):
        read_labels(tmp_path)


def test_a_folder_and_two_labels_of_one_name(tmp_path: Path) -> None:
    write(tmp_path)
    write(tmp_path, FULL.replace("Amine 38", "Amine 40"), "two.toml")
    write(tmp_path, "not a label", "notes.txt")
    assert list(read_labels(tmp_path)) == ["Demo Amine 38", "Demo Amine 40"]
    write(tmp_path, FULL, "three.toml")
    with pytest.raises(wz.LabelError, match="a second label named 'Demo Amine 38'"):
        read_labels(tmp_path)


def test_a_hyphen_in_a_formulation_stays(tmp_path: Path) -> None:
    path = tmp_path / "label.toml"
    path.write_text(FULL.replace('formulation = "SL"', 'formulation = "EC-W"'), encoding="utf-8")
    assert read_label(path).formulation == "EC-W"
