"""Turf that a label names with a caution: never the high end of a range by default."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
import shapely
from plots import label

import weedzone as wz

TEXT = """
[[active]]
name = "2,4-D"
concentration = "3.8 lb/gal"
[turf]
tolerant = ["tall fescue"]
caution = {caution}
[weeds]
dandelion = "good"
[[rate]]
use = "broadcast"
dose = ["0.8 fl oz/ksqft", "1.5 fl oz/ksqft"]
volume = "1 gal/ksqft"
"""


def sized(folder: Path, caution: str, turf: str) -> wz.Job:
    shape = shapely.box(1_500_000, 1_000_000, 1_500_030, 1_000_030)
    survey = wz.Survey(
        turf=gpd.GeoDataFrame({"turf": [turf]}, geometry=[shape], crs="EPSG:26975"),
        infestations=gpd.GeoDataFrame({"weed": ["dandelion"]}, geometry=[shape], crs="EPSG:26975"),
    )
    made = label(folder, TEXT.replace("{caution}", caution), "Demo Range")
    return wz.size_job(survey, made, wz.Sprayer(name="boom", tank_L=100.0), use="broadcast", on="2026-05-10")


@pytest.mark.parametrize(
    ("caution", "turf", "dose"),
    [
        ('{ bermudagrass = "use the low rate" }', "tall fescue", 1.5),
        ('{ bermudagrass = "use the low rate" }', "bermudagrass", 0.8),
        ('{ bermudagrass = { note = "may yellow", dose = "0.9 fl oz/ksqft" } }', "bermudagrass", 0.9),
        ('{ bermudagrass = { note = "may yellow", dose = "9 fl oz/ksqft" } }', "bermudagrass", 1.5),
    ],
)
def test_dose_on_turf_with_a_caution(caution: str, turf: str, dose: float, tmp_path: Path) -> None:
    job = sized(tmp_path, caution, turf)
    [area] = job.totals["area_ft2"]
    [amount] = job.totals["product_amount"]
    assert amount / area * 1000 == pytest.approx(dose, rel=1e-6)
    said = job.findings[job.findings["layer"] == "turf"]["message"].str.contains("takes the low end").any()
    assert said == (dose < 1.5)


def test_a_dose_below_the_range_is_not_sprayed(tmp_path: Path) -> None:
    job = sized(
        tmp_path, '{ bermudagrass = { note = "may yellow", dose = "0.5 fl oz/ksqft" } }', "bermudagrass"
    )
    assert job.ledger["outcome"].tolist() == ["caution turf"]
