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
from pyarrow import feather

import weedzone as wz
from weedzone.survey import split

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


def test_the_reason_names_the_site_that_has_it() -> None:
    job = sized(lots(("c", (0, 0, 40, 20)), ("a", (10, 0, 20, 20)), ("b", (15, 0, 30, 20))))
    left = job.ledger.query("outcome == 'outside boundary'").set_index(["site", "reason"])["area_m2"]
    whole = {("b", "a"): 100, ("c", "a"): 200, ("c", "b"): 200}
    wanted = {(site, f"drawn under {of} too, which takes it"): m2 * SCALE for (site, of), m2 in whole.items()}
    assert left.to_dict() == pytest.approx(wanted, rel=1e-5)


def test_wide_sites_are_laid_about_centres_of_their_own() -> None:
    job = sized(lots(("b", (0, 0, 4000, 30)), ("a", (3000, 0, 7000, 30))))
    assert job.survey.local.ground.block.tolist() == [1, 0]
    area = job.ledger.query("site == 'b'").set_index("outcome")["area_m2"]
    assert area["outside boundary"] == pytest.approx(30_000 * SCALE, rel=1e-4)


@pytest.mark.parametrize("layer", ["turf", "infestations", "boundary"])
def test_what_the_first_cannot_spray_the_other_may(layer: str) -> None:
    """Both are drawn 30 m wide with 10 m in common, but a lacks turf, weeds or a right to that."""
    layers = lots(("a", (0, 0, 30, 20)), ("b", (20, 0, 50, 20)))
    short = layers["turf"].copy()
    short.loc[0, "geometry"] = shapely.box(X, Y, X + 20, Y + 20)
    layers[layer] = short if layer != "infestations" else short.assign(weed="dandelion")
    job = sized(layers)
    area = job.ledger.query("outcome == 'treated'").set_index("site")["area_m2"]
    assert area.to_dict() == pytest.approx({"a": 400 * SCALE, "b": 600 * SCALE}, rel=1e-5)
    assert not job.findings["message"].str.contains("drawn under").any()


def test_lots_that_touch_askew_do_not_hang_on_each_other() -> None:
    """The common edge has a vertex on one side only."""
    layers = lots(("a", (0, 0, 1, 1)), ("b", (0, 0, 1, 1)))
    corners = [
        [(0, 0), (70, 11), (60, 80), (-10, 69)],
        [(70, 11), (140, 22), (130, 91), (60, 80), (65, 45.5)],
    ]
    for name in ("turf", "infestations"):
        layers[name].geometry = [shapely.Polygon(np.add(each, [X, Y])) for each in corners]
    together = sized(layers).totals.set_index("site")["area_m2"]
    for row, site in enumerate(("a", "b")):
        own = {name: layers[name].iloc[[row]] for name in ("turf", "infestations")}
        assert sized({**layers, **own}).totals["area_m2"].item() == together[site]


def test_all_turf_is_fed_once() -> None:
    bag = wz.feed_label("Demo Feed", "25-0-5", nitrogen="1 lb/ksqft")
    rig = wz.read_rig(Path(__file__).parents[2] / "sample_sites" / "rigs.toml", "spreader")
    fed = wz.whole_turf(
        wz.Survey(**lots(("a", (0, 0, 30, 20)), ("b", (20, 0, 50, 20)))), bag, rig, on=MOST["on"]
    )
    assert fed.totals.set_index("site")["area_m2"].to_dict() == pytest.approx(
        {"a": 600 * SCALE, "b": 400 * SCALE}, rel=1e-5
    )


@pytest.mark.parametrize("block", [1, 2, 4])
def test_blocks_give_what_the_whole_gives(block: int, tmp_path: Path) -> None:
    """Also where ground is a disc about a point, and of three sites."""
    boxes = {"d": (50, 80), "c": (25, 60), "a": (0, 30), "b": (28, 52), "e": (70, 90)}
    layers = lots(*((name, (west, 0, east, 20)) for name, (west, east) in boxes.items()))
    layers["infestations"].loc[4, "geometry"] = shapely.Point(X + 83, Y + 10)
    layers["infestations"]["radius_ft"] = [None, None, None, None, 20.0]
    for name, frame in layers.items():
        frame.to_parquet(tmp_path / f"{name}.parquet")
    made = wz.size_portfolio(
        tmp_path, strategies.labels(), strategies.rig(), out=tmp_path / "out", block=block, **MOST
    )
    whole, key = sized(layers), ["site", "outcome", "reason"]
    left, right = (
        each.groupby(key)["area_m2"].sum().to_dict() for each in (made.read("ledger"), whole.ledger)
    )
    assert left == right
    told = [
        sorted(each[each.str.contains("drawn")])
        for each in (made.findings()["message"], whole.findings["message"])
    ]
    assert told[0] == told[1]
    assert len(told[0]) == 6  # b and c give way to a; c and d to b; d to c; e to d


def test_sites_with_nothing_in_common_are_read_once(tmp_path: Path) -> None:
    for name, frame in lots(*((f"lot {at}", (31.0 * at, 0, 31.0 * at + 30, 20)) for at in range(6))).items():
        frame.to_parquet(tmp_path / f"{name}.parquet")
    split(tmp_path, tmp_path / "scratch", 2)
    written = [feather.read_table(file) for file in (tmp_path / "scratch").rglob("*.arrow")]
    assert sum(len(table) for table in written) == 12  # of turf and infestations


@pytest.mark.parametrize("owner", ["a", "b"])
@pytest.mark.parametrize("block", [None, 1, 2])
def test_what_was_done_there_counts_whoever_did_it(owner: str, block: int | None, tmp_path: Path) -> None:
    """A year's worth of an unknown product on the ground that a takes closes it, also where b has the record."""
    layers = lots(("a", (0, 0, 30, 20)), ("b", (20, 0, 50, 20)))
    layers["history"] = gpd.GeoDataFrame(
        {"site": [owner], "product": ["Demo Gone"], "date": ["2026-05-15"], "dose": ["1 fl oz/ksqft"]},
        geometry=[shapely.box(X + 20, Y, X + 30, Y + 20)], crs=CRS,
    )  # fmt: skip
    if block is None:
        ledger = sized(layers).ledger
    else:
        for name, frame in layers.items():
            frame.to_parquet(tmp_path / f"{name}.parquet")
        ledger = wz.size_portfolio(
            tmp_path, strategies.labels(), strategies.rig(), out=tmp_path / "out", block=block, **MOST
        ).read("ledger")
    area = ledger.query("outcome == 'treated'").groupby("site")["area_m2"].sum()
    assert area.to_dict() == pytest.approx({"a": 400 * SCALE, "b": 400 * SCALE}, rel=1e-5)
