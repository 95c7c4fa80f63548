"""Turf that a label names with a caution: never the high end of a range by default."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
import shapely
from plots import label, survey

import weedzone as wz
from weedzone.crew.work_order import spare_ground

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


RIG = wz.Sprayer(name="boom", tank_L=100.0)
GENTLE = '{ bermudagrass = "use the low rate" }'


def sized(folder: Path, caution: str, turf: str) -> wz.Job:
    shape = shapely.box(1_500_000, 1_000_000, 1_500_030, 1_000_030)
    site = wz.Survey(
        turf=gpd.GeoDataFrame({"turf": [turf]}, geometry=[shape], crs="EPSG:26975"),
        infestations=gpd.GeoDataFrame({"weed": ["dandelion"]}, geometry=[shape], crs="EPSG:26975"),
    )
    made = label(folder, TEXT.replace("{caution}", caution), "Demo Range")
    return wz.size_job(site, made, RIG, use="broadcast", on="2026-05-10")


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


def test_a_record_of_the_high_dose_on_turf_with_a_caution_says_so(tmp_path: Path) -> None:
    """1.5 fl oz/ksqft where the caution leaves 0.8 is 1.87 times that; on other turf it is the label's own rate."""
    for turf, said in (
        ("bermudagrass", "1.87 times the most that the label takes on bermudagrass"),
        ("tall fescue", ""),
    ):
        job = sized(tmp_path, GENTLE, turf)
        amount = 1.4999 * job.zones["area_ft2"].iloc[0] / 1000
        kept = wz.record(
            job, tmp_path / f"{turf}.gpkg", date="2026-05-10", applicator="A. Person",
            applied={"Z1": f"{amount} fl oz"},
        )  # fmt: skip
        told = [one.message for one in kept.findings if "times the" in one.message]
        assert [said in text for text in told] == ([True] if said else [])


def test_what_is_left_in_the_tank_never_goes_where_the_label_takes_less(tmp_path: Path) -> None:
    """A tank at 1.5 fl oz/ksqft: fescue beside may take the rest, bermudagrass of the low rate may not."""
    grown = {"tall fescue": (0, 0, 100, 100), "bermudagrass": (100, 0, 200, 100)}
    turf = [{"turf": name, "at": at} for name, at in grown.items()]
    made = label(tmp_path, TEXT.replace("{caution}", GENTLE), "Demo Range")
    for at, ft2 in (((0, 0, 50, 100), 5000), ((150, 0, 200, 100), 15000)):
        job = wz.size_job(
            survey(turf, [{"weed": "dandelion", "at": at}]), made, RIG, use="broadcast", on="2026-05-10"
        )
        [spare] = spare_ground(job)["area_ft2"]
        assert spare == pytest.approx(ft2, rel=1e-4)


def test_all_turf_and_second_passes_heed_the_caution_too(tmp_path: Path) -> None:
    at = (0, 0, 100, 100)
    site = survey(
        [{"turf": "bermudagrass", "at": at}], [{"weed": "dandelion", "at": at}, {"weed": "henbit", "at": at}]
    )
    text = TEXT.replace("{caution}", GENTLE)
    first = label(tmp_path, text, "Demo First")
    second = label(
        tmp_path, text.replace("2,4-D", "penoxsulam").replace("dandelion", "henbit"), "Demo Second"
    )
    both = {"Demo First": first, "Demo Second": second}
    jobs = (
        wz.whole_turf(site, first, RIG, use="broadcast", on="2026-05-10"),
        wz.size_job(site, both, RIG, use="broadcast", on="2026-05-10", passes=2, worth="0 ft2"),
    )
    for job, count in zip(jobs, (1, 2), strict=True):
        doses = job.totals["product_amount"] / job.totals["area_ft2"] * 1000
        assert list(doses) == pytest.approx([0.8] * count, rel=1e-6)
