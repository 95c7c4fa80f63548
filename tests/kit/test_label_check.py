"""A label read back: pounds of active against published figures, and every contradiction pointed at."""

from __future__ import annotations

from pathlib import Path

import pytest
from plots import ROWS

from weedzone.kit.label_check import check_label, findings, table, text
from weedzone.kit.label_file import read_label

SAMPLES = sorted((Path(__file__).parents[2] / "sample_sites" / "labels").glob("*.toml"))

SOUND = """
name = "Demo Amine 38"
form = "liquid"
registration = "DEMO-38"
[[active]]
name = "2,4-D"
concentration = "3.8 lb/gal"
group = 4
[turf]
tolerant = ["tall fescue"]
[weeds]
dandelion = "good"
[[rate]]
use = "spot"
mix = "1.1 fl oz/gal"
volume = "1 gal/ksqft"
[[rate]]
use = "broadcast"
dose = ["2 pt/acre", "3 pt/acre"]
volume = ["1 gal/ksqft", "5 gal/ksqft"]
[limits]
per_application = "1.5 lb/acre"
per_year = "3.0 lb/acre"
applications_per_year = 2
interval = ["21 day", "30 day"]
[buffers]
pond = "25 ft"
default = "3 ft"
[weather]
wind_min = "2 mph"
wind_max = "10 mph"
"""


def write(folder: Path, *changes: tuple[str, str]) -> Path:
    made = SOUND
    for old, new in changes:
        assert old in made
        made = made.replace(old, new, 1)
    path = folder / "one.toml"
    path.write_text(made, encoding="utf-8")
    return path


def test_a_sound_label_has_no_contradiction(tmp_path: Path) -> None:
    said, wrong = check_label(write(tmp_path))
    assert wrong == []
    assert "no contradiction found" in said
    assert "the product label is the law" in said


def test_per_acre_and_per_ksqft_stand_side_by_side(tmp_path: Path) -> None:
    found = table(read_label(write(tmp_path))).set_index(["use", "end"])
    assert found.loc[("spot", "only"), "per_ksqft"] == "1.1 fl oz/ksqft"
    assert found.loc[("spot", "only"), "per_acre"] == "47.92 fl oz/acre", "1.1 x 43.56"
    assert found.loc[("spot", "only"), "gal_per_acre"] == "43.56"
    assert found.loc[("broadcast", "low"), "per_acre"] == "32 fl oz/acre"
    assert found.loc[("broadcast", "low"), "gal_per_ksqft"] == "1 to 5"
    # 2 and 3 pt/acre of 3.8 lb/gal: 8 pt a gallon
    assert found["lb 2,4-D per acre"].to_list() == pytest.approx([1.1 * 43.56 / 128 * 3.8, 0.95, 1.425])


def test_pounds_of_active_are_the_published_ones(tmp_path: Path) -> None:
    """Rows ae_4pt, M26 and M27 of check_values.csv (Pacific Northwest Weed Management Handbook)."""
    cases = (
        ("ae_4pt", "3.8 lb/gal", "4 pt/acre"),
        ("M26", "4 lb/gal", "8 fl oz/acre"),
        ("M27", "2 lb/gal", "2 fl oz/acre"),
    )
    for name, strength, dose in cases:
        file = write(tmp_path, ('"3.8 lb/gal"', f'"{strength}"'), ('["2 pt/acre", "3 pt/acre"]', f'"{dose}"'))
        row = ROWS[name]
        tolerance = 1e-9 if row["tolerance"] == "exact" else float(row["tolerance"])
        assert table(read_label(file))["lb 2,4-D per acre"].iloc[1] == pytest.approx(
            float(row["expected"]), abs=tolerance
        )


def test_granules_of_a_published_table(tmp_path: Path) -> None:
    """Rows M34 and M35: a 2 % granule (IPM-0022, Alabama Extension)."""
    text_of = 'name = "Demo G"\nform = "granule"\n[[active]]\nname = "a"\nconcentration = "2 %"\n'
    text_of += '[[rate]]\nuse = "granular"\n'
    path = tmp_path / "g.toml"
    path.write_text(text_of + 'dose = ["2.25 lb/ksqft", "3.3 lb/ksqft"]\n')
    found = table(read_label(path))["lb a per acre"].to_list()
    for value, row in zip(found, (ROWS["M34"], ROWS["M35"]), strict=True):
        assert value == pytest.approx(float(row["expected"]), abs=float(row["tolerance"]))


def test_the_mix_that_passes_the_limit_at_its_volume(tmp_path: Path) -> None:
    """1 1/3 fl oz/gal at 1 gal/ksqft is 1.72 lb ae/acre, above 1.5 (rows spot_area and L08)."""
    said, wrong = check_label(write(tmp_path, ("1.1 fl oz/gal", "1 1/3 fl oz/gal")))
    assert [one.feature for one in wrong] == ["[[rate]] spot"]
    assert (
        "puts down 1.724 lb/acre of 2,4-D, above the limit of 1.5 lb/acre in one application"
        in wrong[0].message
    )
    assert "its mix at 1 gal/ksqft" in wrong[0].message
    assert "error: [[rate]] spot" in said


CASES = [
    (('["2 pt/acre", "3 pt/acre"]', '["2 pt/acre", "4 pt/acre"]'), "error", "the high rate puts down 1.9 lb/acre"),
    (('["2 pt/acre", "3 pt/acre"]', '["4 pt/acre", "5 pt/acre"]'), "error", "the low rate puts down 1.9 lb/acre"),
    (('per_year = "3.0 lb/acre"', 'per_year = "1.2 lb/acre"'), "error", "above the limit of 1.2 lb/acre in a year"),
    (('per_year = "3.0 lb/acre"', 'per_year = "1.2 lb/acre"'), "error", "may bring more 2,4-D than a year"),
    (('"3.0 lb/acre"', '"1.8 lb/acre"'), "warning", "2 applications at the lowest dose bring 1.9 lb/acre"),
    (('["21 day", "30 day"]', '"400 day"'), "error", "2 applications a year are allowed, but 400 days apart"),
    (('["21 day", "30 day"]', '"250 day"'), "warning", "longer than a season"),
    (('applications_per_year = 2\ninterval = ["21 day", "30 day"]', 'applications_per_year = 9\ninterval = "50 day"'),
     "error", "9 applications 50 days apart do not fit in a year"),
    (('volume = "1 gal/ksqft"\n', ""), "warning", "the mix has no volume: above 1.054 gal/ksqft it passes the limit"),
    (('"1.1 fl oz/gal"', '"110 %"'), "refused", "whole"),
    (('[buffers]', '[adjuvant]\nname = "oil"\nrate = "99.5 %"\n[buffers]'), "error", "fill 100 % of the solution"),
    (('wind_min = "2 mph"', 'wind_min = "12 mph"'), "error", "no wind is fit"),
    (('[weather]', '[downwind]\npond = "20 ft"\n[weather]'), "warning", "it changes nothing"),
    (('"3.8 lb/gal"', '"38 lb/gal"'), "warning", "stronger than liquids of the trade"),
    (('tolerant = ["tall fescue"]', "tolerant = []"), "warning", "no turf is named"),
    (('dandelion = "good"\n', ""), "warning", "no weed is named"),
    (('default = "3 ft"\n', ""), "note", "no default"),
    (("applications_per_year = 2\n", ""), "note", "no number of applications"),
    (('interval = ["21 day", "30 day"]\n', ""), "note", "no interval"),
    (('per_year = "3.0 lb/acre"\n', ""), "note", "no yearly limit of 2,4-D"),
    (("group = 4\n", ""), "note", "no mode of action"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "severity", "message"), CASES)
def test_each_contradiction(tmp_path: Path, change: tuple[str, str], severity: str, message: str) -> None:
    file = write(tmp_path, change)
    if severity == "refused":
        with pytest.raises(ValueError, match=message):
            read_label(file)
        return
    found = findings(read_label(file))
    assert (severity, True) in {(one.severity, message in one.message) for one in found}
    assert not any(message in one.message for one in findings(read_label(write(tmp_path))))


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_samples_are_sound_and_print(path: Path) -> None:
    said, wrong = check_label(path)
    assert wrong == []
    label = read_label(path)
    assert label.name in said
    assert text(label) == said
    for active in label.actives:
        assert f"lb {active.name} per acre" in said
