"""Spot work that wets plants: doses over patch and wetted ground, and work by the plant."""

from __future__ import annotations

from dataclasses import replace
from math import pi
from pathlib import Path
from typing import Any

import pytest
import shapely
from plots import HERE, label, lawn, place, rect, size, survey

from weedzone.errors import InputError
from weedzone.rig import make_rig
from weedzone.spotwork import implied_doses, plant_work

CAN = make_rig("can", tank="1 gal")
ACTIVE = '[[active]]\nname = "2,4-D"\nconcentration = "4 lb/gal"\n'
SPOT = '[[rate]]\nuse = "spot"\nmix = "2 fl oz/gal"\nvolume = "1 gal/ksqft"\nper_plant = "0.5 fl oz"\n'


def test_patch_and_wetted_ground(tmp_path: Path) -> None:
    """2 fl oz/ksqft of 4 lb/gal: 2 x 43.56 / 128 x 4 = 2.7225 lb/acre where it is wet, a quarter on the patch."""
    text = ACTIVE + SPOT + '[limits]\nper_application = "3 lb/acre"\n'
    row = implied_doses(size(lawn(100, 100, cover=0.25), label(tmp_path, text), CAN, "spot")).iloc[0]
    assert row["wetted_lb_acre"] == pytest.approx(2.7225, rel=1e-6)
    assert row["patch_lb_acre"] == pytest.approx(2.7225 / 4, rel=1e-6)
    assert (row["wetted_pct"], row["patch_pct"]) == pytest.approx((90.75, 90.75 / 4), rel=1e-6)
    assert row["within"]


def plants(*at: tuple[float, float], radius_ft: float = 1.0, **columns: Any) -> list[dict[str, Any]]:
    return [
        {"weed": "dandelion", "radius_ft": radius_ft, "at": shapely.Point(place(*one)), **columns}
        for one in at
    ]


LAWN = [{"turf": "tall fescue", "at": (0, 0, 100, 100)}]
FOUR = ((10, 10), (30, 30), (50, 50), (90, 90))


def test_by_the_plant(tmp_path: Path) -> None:
    """Four plants, one of them in the pond's buffer: 3 x 0.5 fl oz = 1.5, with 2/128 of it product."""
    text = ACTIVE + SPOT + '[buffers]\npond = "15 ft"\n[adjuvant]\nname = "oil"\nrate = "1 %"\n'
    site = survey(LAWN, plants(*FOUR), keep_out=[{"kind": "pond", "at": (95, 80, 100, 100)}])
    job = size(site, label(tmp_path, text), CAN, "spot")
    table, findings = plant_work(job)
    row = table.iloc[0]
    assert row["plants"] == 3
    assert row["solution_gal"] * 128 == pytest.approx(1.5)
    assert row["product_amount"] == pytest.approx(1.5 * 2 / 128)
    assert row["adjuvant_floz"] == pytest.approx(0.015)
    assert row["water_L"] == pytest.approx(row["solution_L"] * (1 - 2 / 128 - 0.01))
    assert row["tanks"] == pytest.approx(1.5 / 128)
    assert row["within"]
    assert not findings


def test_volume_per_plant_against_the_limit(tmp_path: Path) -> None:
    """0.5 fl oz of 2 fl oz/gal on a plant of 1 ft radius: 0.5/128 x 2/128 x 4 lb on pi ft2 is 3.385 lb/acre.

    By area 2.7225 lb/acre is within the label's 3; by the plant it is not, and where a plant covers half of its
    patch, the wetted ground gets twice as much.
    """
    text = ACTIVE + SPOT + '[limits]\nper_application = "3 lb/acre"\n'
    exact = 0.5 / 128 * 2 / 128 * 4 / pi * 43560
    assert exact == pytest.approx(3.385, abs=5e-4)
    job = size(survey(LAWN, plants(*FOUR)), label(tmp_path, text), CAN, "spot")
    table, findings = plant_work(job)
    assert table["patch_pct"].iloc[0] == pytest.approx(100 * exact / 3, rel=1e-4)
    assert not table["within"].iloc[0]
    assert findings[0].severity == "error"
    half = size(survey(LAWN, plants(*FOUR, radius_ft=1.2, cover=0.5)), label(tmp_path, text), CAN, "spot")
    row = plant_work(half)[0].iloc[0]
    assert row["wetted_pct"] == pytest.approx(2 * row["patch_pct"])
    assert row["patch_pct"] == pytest.approx(100 * exact / 3 / 1.44, rel=1e-4)
    assert not row["within"]
    wide = size(survey(LAWN, plants(*FOUR, radius_ft=1.5)), label(tmp_path, text), CAN, "spot")
    assert plant_work(wide)[0]["within"].all()


def test_only_points_are_plants(tmp_path: Path) -> None:
    """A multipoint is as many plants; a polygon beside them is none."""
    two = shapely.MultiPoint([place(10, 10), place(20, 20)])
    rows = [
        {"weed": "dandelion", "radius_ft": 1.0, "at": two},
        {"weed": "dandelion", "radius_ft": float("nan"), "at": (50, 50, 60, 60)},
    ]
    job = size(survey(LAWN, rows), label(tmp_path, ACTIVE + SPOT), CAN, "spot")
    assert plant_work(job)[0]["plants"].to_list() == [2]


def test_a_plant_on_a_seam_counts_once(tmp_path: Path) -> None:
    """A plant where two turfs meet lies in both zones; it is one plant."""
    turf = [{"turf": "tall fescue", "at": (0, 0, 50, 100)}, {"turf": "zoysiagrass", "at": (50, 0, 100, 100)}]
    text = SPOT + '[turf]\ntolerant = ["tall fescue", "zoysiagrass"]\n[weeds]\ndandelion = "good"\n'
    at = ((50, 20), (50, 40), (50, 60), (20, 20))
    job = size(survey(turf, plants(*at)), label(tmp_path, text), CAN, "spot")
    assert len(job.zones) == 2
    # On the way through degrees and back the seam moves by less than can be seen: put it back.
    west = job.zones["turf"] == "tall fescue"
    job = replace(
        job, zones=job.zones.set_geometry([rect(*(turf[0 if one else 1]["at"])) for one in west], crs=HERE)
    )
    assert plant_work(job)[0]["plants"].sum() == 4


def test_refused(tmp_path: Path) -> None:
    plain = label(tmp_path, SPOT.replace('per_plant = "0.5 fl oz"\n', ""))
    with pytest.raises(InputError, match="per_plant"):
        plant_work(size(survey(LAWN, plants(*FOUR)), plain, CAN, "spot"))
