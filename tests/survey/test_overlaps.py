"""Ground drawn under two sites is dosed once."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import strategies

import weedzone as wz

X, Y, CRS = 500_000.0, 4_400_000.0, "EPSG:26915"
SCALE = 0.9996**-2  # of areas on the middle line of a UTM zone
MOST = {"on": "2026-05-20", "worth": "0 ft2", "min_width": "0 ft", "min_area": "0 ft2"}


def lots(*boxes: tuple[str, tuple[float, float, float, float]]) -> dict[str, gpd.GeoDataFrame]:
    names = [name for name, _ in boxes]
    shapes = [
        shapely.box(X + west, Y + south, X + east, Y + north) for _, (west, south, east, north) in boxes
    ]
    return {
        "turf": gpd.GeoDataFrame({"site": names, "turf": "tall fescue"}, geometry=shapes, crs=CRS),
        "infestations": gpd.GeoDataFrame({"site": names, "weed": "dandelion"}, geometry=shapes, crs=CRS),
        "keep_out": gpd.GeoDataFrame({"site": [], "kind": []}, geometry=[], crs=CRS),
    }


def sized(layers: dict[str, gpd.GeoDataFrame], **more: Any) -> wz.Job:
    return wz.size_job(wz.Survey(**layers), strategies.labels(), strategies.rig(), **{**MOST, **more})


def test_the_first_by_name_has_it() -> None:
    """Two lots of 30 by 20 m share 10 by 20 m; the second in the table comes first by name."""
    job = sized(lots(("b", (0, 0, 30, 20)), ("a", (20, 0, 50, 20))))
    area = job.ledger.set_index(["site", "outcome"])["area_m2"]
    assert area["a", "treated"] == pytest.approx(600 * SCALE, rel=1e-5)
    assert area["b", "treated"] == pytest.approx(400 * SCALE, rel=1e-5)
    assert area["b", "outside boundary"] == pytest.approx(200 * SCALE, rel=1e-5)
    [reason] = job.ledger.query("outcome == 'outside boundary'")["reason"]
    assert reason == "drawn under a too, which takes it"
    [said] = job.findings.query("feature == 'b' and layer == 'infestations'")["message"]
    assert said.startswith(
        f"{200 * SCALE / 0.3048**2:,.1f} ft2 of its infested ground is drawn under 'a' too"
    )


def test_lots_that_only_touch_share_nothing() -> None:
    job = sized(lots(("a", (0, 0, 30, 20)), ("b", (30, 0, 60, 20))))
    assert not job.findings["message"].str.contains("drawn under").any()
    assert set(job.ledger["outcome"]) == {"treated"}


def test_three_lots_over_one_another() -> None:
    job = sized(lots(("a", (0, 0, 20, 20)), ("b", (10, 0, 30, 20)), ("c", (5, 0, 35, 20))))
    treated = job.ledger.query("outcome == 'treated'")["area_m2"].sum()
    assert treated == pytest.approx(35 * 20 * SCALE, rel=1e-5)
    assert job.ledger["area_m2"].sum() == pytest.approx((20 + 20 + 30) * 20 * SCALE, rel=1e-5)


@pytest.mark.parametrize("seed", range(15))
def test_no_ground_is_treated_under_two_sites(seed: int) -> None:
    rng = np.random.default_rng(seed)
    boxes = []
    for at in range(5):
        west, south = rng.uniform(0, 60, 2)
        boxes.append((f"lot {at}", (west, south, west + rng.uniform(5, 40), south + rng.uniform(5, 40))))
    job = sized(lots(*boxes))
    zones = job.zones.to_crs(CRS).geometry
    assert float(zones.area.sum()) == pytest.approx(shapely.union_all(zones.to_numpy()).area, rel=1e-7)
    whole = shapely.union_all([shapely.box(X + w, Y + s, X + e, Y + n) for _, (w, s, e, n) in boxes])
    assert float(zones.area.sum()) == pytest.approx(whole.area, rel=1e-6)


@pytest.mark.parametrize("bad", [False, True])
def test_portfolios_too_across_blocks_and_where_a_site_fails(tmp_path: Path, bad: bool) -> None:
    layers = lots(*((f"lot {at}", (25.0 * at, 0, 25.0 * at + 30, 20)) for at in range(6)))
    if bad:  # the turf of one site has a shape that cannot be read: its block is sized in halves
        bow = shapely.Point(X + 27, Y + 10)
        turf = gpd.GeoDataFrame({"site": ["lot 1"], "turf": ["tall fescue"]}, geometry=[bow], crs=CRS)
        layers["turf"] = pd.concat([layers["turf"], turf], ignore_index=True)
    for name, frame in layers.items():
        frame.to_file(tmp_path / "lots.gpkg", layer=name)
    made = wz.size_portfolio(
        tmp_path / "lots.gpkg",
        strategies.labels(),
        strategies.rig(),
        out=tmp_path / "out",
        block=4 if bad else 2,
        **MOST,
    )
    area = made.read("totals").groupby("site")["area_m2"].sum()
    wanted = {f"lot {at}": (600 if at == 0 else 500) * SCALE for at in range(6) if not (bad and at == 1)}
    assert made.failed == (["lot 1"] if bad else [])
    assert area.to_dict() == pytest.approx(wanted, rel=1e-5)
    assert made.findings()["message"].str.contains("drawn under 'lot").sum() == (4 if bad else 5)
