"""The flat table of areas: against shapes with known areas, its own schema, and spreadsheets."""

import json
from pathlib import Path

import jsonschema
import pandas as pd
import pytest
from pyproj import Geod
from quoting import feet, job

import weedzone as wz

PATCHES = [
    ("=1+1", feet(0, 0, 100, 50)),
    ("=1+1", feet(300, 0, 20, 10)),
    ("back", feet(600, 0, 43.56, 100)),
]


def test_areas_of_known_rectangles():
    table = job(PATCHES).areas()
    assert list(table["site"]) == ["=1+1", "back"]
    first, back = table.to_dict("records")
    assert first["area_ft2"] == pytest.approx(5200, rel=1e-5)
    assert first["area_ksqft"] == pytest.approx(5.2, rel=1e-5)
    assert first["perimeter_ft"] == pytest.approx(360, rel=1e-5)
    assert (first["patches"], back["patches"]) == (2, 1)
    assert back["area_acre"] == pytest.approx(0.1, rel=1e-5)  # an acre is 43,560 square feet (NIST SP 811)
    assert back["area_m2"] == pytest.approx(404.68564224, rel=1e-5)
    assert first["loads"] == pytest.approx(1.3, rel=1e-5)  # 5.2 gal in a tank of 4


def test_perimeter_against_a_geodesic_one():
    one = job([("back", feet(0, 0, 300, 220).difference(feet(100, 100, 50, 20)))])
    shape = one.zones.to_crs(4326).geometry.iloc[0]
    around = Geod(ellps="WGS84").geometry_length
    geodesic = around(shape.exterior) + sum(around(ring) for ring in shape.interiors)
    assert one.areas()["perimeter_m"].iloc[0] == pytest.approx(geodesic, rel=2e-5)


def test_the_table_agrees_with_the_zones_of_a_sample():
    survey = wz.read_survey("sample_sites/alder_court/survey.gpkg")
    rig = wz.read_rig("sample_sites/rigs.toml", "backpack")
    one = wz.size_job(survey, wz.read_labels("sample_sites/labels"), rig, on="2026-05-10")
    table = one.areas()
    assert list(table["zone"]) == list(one.zones["zone"])
    assert table["area_ft2"].sum() == pytest.approx(one.totals["area_ft2"].sum())
    by = table.groupby("product")["loads"].sum()
    assert by.to_dict() == pytest.approx(one.totals.set_index("product")["tanks"].to_dict())


def test_json_holds_to_its_schema(tmp_path):
    table = job(PATCHES).areas(tmp_path / "areas.json")
    schema = json.loads(Path("docs/schema/areas.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    document = json.loads((tmp_path / "areas.json").read_text())
    jsonschema.validate(document, schema)
    assert list(schema["properties"]["zones"]["items"]["properties"]) == list(table.columns)
    pd.testing.assert_frame_equal(pd.DataFrame(document["zones"]), table, check_dtype=False)


def test_csv_is_safe_and_complete(tmp_path):
    table = job(PATCHES).areas(tmp_path / "areas.csv")
    back = pd.read_csv(tmp_path / "areas.csv")
    assert list(back.columns) == list(table.columns)
    assert back["site"].iloc[0] == "'=1+1"
    assert list(back["area_ft2"]) == pytest.approx(list(table["area_ft2"]), rel=1e-15)


def test_nothing_treated_gives_an_empty_table(tmp_path):
    table = job(PATCHES[2:], keep_out=[("back", feet(500, -100, 300, 300))]).areas(tmp_path / "areas.json")
    assert table.empty
    assert "perimeter_ft" in table


def test_an_unknown_ending_is_refused(tmp_path):
    with pytest.raises(wz.InputError, match=r"end the name in \.csv or \.json"):
        job(PATCHES).areas(tmp_path / "areas.xlsx")
