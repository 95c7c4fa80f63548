"""Where a survey landed, and nonsense that could pass for a survey."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely
from plots import lawn, survey

import weedzone as wz
from weedzone.cli import main

X, Y, CRS = 500_000, 4_400_000, "EPSG:26915"
TURF = [{"turf": "tall fescue", "at": (0, 0, 100, 60)}]


def said(of: wz.Survey) -> str:
    return "\n".join(of.findings["message"])


def test_places_by_hand() -> None:
    """100 by 60 ft of turf is 6,000 sq ft; a patch of 20 by 10 ft is 200."""
    place = survey(TURF, [{"weed": "dandelion", "at": (10, 10, 30, 20)}]).places.iloc[0]
    assert place["turf_ft2"] == pytest.approx(6000, rel=1e-5)
    assert place["infested_ft2"] == pytest.approx(200, rel=1e-5)
    # The grid's north is not the local frame's: the box is turned by the convergence.
    assert place["east_ft"] == pytest.approx(100, abs=2)
    assert place["north_ft"] == pytest.approx(60, abs=3)


def test_the_summary_says_where_it_landed() -> None:
    flat = gpd.GeoSeries([shapely.box(X, Y, X + 30.48, Y + 18.288)], crs=CRS)
    lon, lat = flat.to_crs(4326).centroid.iloc[0].coords[0]
    one = wz.Survey(
        gpd.GeoDataFrame({"turf": ["tall fescue"]}, geometry=flat),
        gpd.GeoDataFrame({"weed": ["dandelion"]}, geometry=flat),
    )
    assert f"at {lat:.5f} N {-lon:.5f} W" in one.summary()
    assert "turf 6,00" in one.summary()


def test_infested_ground_beyond_the_turf() -> None:
    more = survey(TURF, [{"weed": "dandelion", "at": (0, 0, 200, 60)}])
    assert "infested ground (12,000 ft2) is more than the turf that is mapped (6,000 ft2)" in said(more)
    twice = survey(TURF, [{"weed": weed, "at": (0, 0, 90, 60)} for weed in ("dandelion", "white clover")])
    assert "more than the turf" not in said(twice)
    assert "more than the turf" not in said(lawn(50, 50))


def test_a_site_of_hundreds_of_acres() -> None:
    assert "is the unit of its coordinates right" in said(lawn(6000, 4000))
    assert "is the unit of its coordinates right" not in said(lawn(4000, 4000))


@pytest.mark.parametrize(
    ("column", "shape"), [("radius_ft", "POINT (0 0)"), ("width_ft", "LINESTRING (0 0, 9 9)")]
)
def test_patches_wider_than_anybody_walks(column: str, shape: str) -> None:
    def drawn(length: float) -> wz.Survey:
        moved = shapely.transform(shapely.from_wkt(shape), lambda xy: xy + 500.0 + [X, Y])
        patch = gpd.GeoDataFrame({"weed": ["dandelion"], column: [length]}, geometry=[moved], crs=CRS)
        turf = gpd.GeoDataFrame(
            {"turf": ["tall fescue"]}, geometry=[shapely.box(X, Y, X + 1000, Y + 1000)], crs=CRS
        )
        return wz.Survey(turf, patch)

    assert "is 301 ft" in said(drawn(301))
    assert "is that meant" not in said(drawn(300))


def test_feet_stated_as_metres() -> None:
    """400,000 m east is inside the state plane system; the same written in feet lies far outside of it."""

    def drawn(scale: float) -> wz.Survey:
        box = shapely.box(400_000 * scale, 100_000 * scale, 400_030 * scale, 100_020 * scale)
        layers: dict[str, Any] = {
            "turf": gpd.GeoDataFrame({"turf": ["tall fescue"]}, geometry=[box], crs="EPSG:32145"),
            "infestations": gpd.GeoDataFrame({"weed": ["dandelion"]}, geometry=[box], crs="EPSG:32145"),
        }
        return wz.Survey(**layers)

    with_feet = drawn(3.28083)
    assert "inside it if the coordinates are feet" in said(with_feet)
    assert "feet" not in said(drawn(1.0))


def test_check_holds_a_survey_against_labels(capsys: pytest.CaptureFixture[str]) -> None:
    samples = Path(__file__).parents[2] / "sample_sites"
    assert main(["check", f"{samples}/quince_bend/survey.gpkg", "--labels", f"{samples}/labels"]) == 0
    out = capsys.readouterr().out
    assert "lot 12: turf" in out
    assert "lot 13: turf" not in out
    assert "and 16 more sites" in out
    assert "creeping bentgrass: no label at hand names this turf" in out
