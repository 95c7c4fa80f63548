"""Portfolios: the same answer block by block as at once, resumed after a kill, one bad site among many."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
import shapely
from strategies import SAMPLES, labels, rig, sample

import weedzone as wz
from weedzone import blocks as block_work
from weedzone import portfolio as fleet
from weedzone.survey import files
from weedzone.survey.blocks import split

DAY = "2026-05-20"


@dataclass(frozen=True)
class Sizer:
    """Lays sample layers down as files in a folder, and sizes them there block by block."""

    folder: Path
    lots: dict[str, gpd.GeoDataFrame]

    def source(self, layers: dict[str, gpd.GeoDataFrame] | None = None, name: str = "source") -> Path:
        return as_parquet(self.lots if layers is None else layers, self.folder / name)

    def run(self, source: Path, block: int = 28, out: str = "out", **options: Any) -> wz.Portfolio:
        given = {"on": DAY, **options}
        return wz.size_portfolio(source, labels(), rig(), out=self.folder / out, block=block, **given)


@pytest.fixture
def sizer(tmp_path: Path, lots: dict[str, gpd.GeoDataFrame]) -> Sizer:
    return Sizer(tmp_path, lots)


@pytest.fixture(scope="module")
def lots() -> dict[str, gpd.GeoDataFrame]:
    file = SAMPLES / "quince_bend" / "survey.gpkg"
    return {
        name: gpd.read_file(file, layer=name) for name in ("turf", "infestations", "keep_out", "boundary")
    }


@pytest.fixture(scope="module")
def at_once() -> wz.Job:
    return sample("quince_bend", on=DAY)


def as_parquet(layers: dict[str, gpd.GeoDataFrame], folder: Path, seed: int = 1) -> Path:
    folder.mkdir()
    for name, layer in layers.items():
        layer.sample(frac=1, random_state=seed).to_parquet(folder / f"{name}.parquet")
    return folder


def assert_same(found: wz.Portfolio, job: wz.Job) -> None:
    for table, keys in (("totals", ["site", "product"]), ("loads", ["site", "product", "load"])):
        left, right = (
            frame.set_index(keys).sort_index().select_dtypes("number")
            for frame in (found.read(table), getattr(job, table))
        )
        pd.testing.assert_frame_equal(left, right, check_dtype=False, rtol=1e-7, atol=1e-7)
    zones = found.read("zones")
    assert zones.crs == job.zones.crs
    assert len(zones) == len(job.zones)
    by_outcome = job.ledger.groupby("outcome")["area_m2"].sum()
    for name, area in found.by_outcome.items():
        assert area == pytest.approx(by_outcome[name], rel=1e-6, abs=1e-5)


def test_blocks_give_what_the_whole_gives(sizer: Sizer, at_once: wz.Job) -> None:
    source = sizer.source()
    found = sizer.run(source, block=5)
    assert found.done == 6
    assert_same(found, at_once)
    assert "28 sites" in found.summary()
    told = found.summary().splitlines()
    for row in found.by_product.itertuples():
        line = told[told.index(next(one for one in told if one.startswith(f"{row.product}: "))) + 1]
        shown = [
            float(word.replace(",", "")) for word in (line.split()[5], line.split(" product, ")[1].split()[0])
        ]
        assert shown == pytest.approx([row.made_up_amount, row.made_up_gal], rel=5e-3), line
    again = sizer.run(source, block=5)
    assert (again.done, again.skipped) == (0, 6)


@pytest.mark.slow
def test_geopackage_and_processes(sizer: Sizer, at_once: wz.Job) -> None:
    source = SAMPLES / "quince_bend" / "survey.gpkg"
    alone = sizer.run(source, block=7, out="one")
    many = sizer.run(source, block=7, out="two", workers=2)
    assert_same(many, at_once)
    for table in block_work.TABLES:
        for left, right in zip(alone.files(table), many.files(table), strict=True):
            assert left.read_bytes() == right.read_bytes(), "bit for bit"


def test_another_run_does_not_mix_in(sizer: Sizer) -> None:
    source = sizer.source()
    sizer.run(source)
    with pytest.raises(wz.InputError, match="another source"):
        sizer.run(source, on="2026-05-21")


def test_one_bad_site_does_not_stop_the_others(sizer: Sizer) -> None:
    spoilt = {name: layer.copy() for name, layer in sizer.lots.items()}
    row = spoilt["infestations"].index[spoilt["infestations"]["site"] == "lot 09"][0]
    spoilt["infestations"].loc[row, "geometry"] = shapely.box(10, 50, 10.001, 50.001)
    source = sizer.source(spoilt)
    found = sizer.run(source)
    errors = found.findings()
    errors = errors[errors["severity"] == "error"]
    assert list(errors["feature"]) == ["lot 09"]
    assert "lot 09" not in set(found.read("totals")["site"])
    assert found.read("totals")["site"].nunique() > 20


def test_one_bad_keep_out_costs_only_the_sites_it_may_reach(sizer: Sizer) -> None:
    metres = sizer.lots["infestations"].estimate_utm_crs()
    ground = sizer.lots["infestations"].to_crs(metres).dissolve("site").geometry
    bad = gpd.GeoDataFrame(
        {"site": [None], "kind": ["pond"], "buffer_m": [-5.0]},
        geometry=[ground.loc["lot 09"].centroid.buffer(1)],
        crs=metres,
    ).to_crs(sizer.lots["keep_out"].crs)
    spoilt = {**sizer.lots, "keep_out": pd.concat([sizer.lots["keep_out"], bad], ignore_index=True)}
    source = sizer.source(spoilt)
    found = sizer.run(source, block=9)
    widest = max(
        metre
        for label in labels().values()
        for kinds in (label.buffers_m, label.downwind_m, *label.use_buffers_m.values())
        for metre in kinds.values()
    )
    apart = ground.distance(bad.to_crs(metres).geometry.iloc[0])
    assert set(apart.index[apart <= widest]) <= set(found.failed)
    assert set(found.failed) <= set(apart.index[apart <= 1.1 * widest + 1.01])
    assert 1 <= len(found.failed) < len(apart) / 2
    assert not set(found.failed) & set(found.read("totals")["site"])
    assert all(name in found.summary() for name in found.failed)
    # The others are sized as if it had not been drawn.
    good = sizer.run(sizer.source(name="good"), out="all")
    wanted = (
        good.read("totals").query("site not in @found.failed").set_index(["site", "product"]).sort_index()
    )
    sized = found.read("totals").set_index(["site", "product"]).sort_index()
    pd.testing.assert_series_equal(sized["area_m2"], wanted["area_m2"], rtol=1e-7)


def test_halves_keep_the_keep_outs_of_the_other_half(lots: dict[str, gpd.GeoDataFrame]) -> None:
    part = block_work._of_sites(lots, ["lot 09"])
    assert len(part["keep_out"]) == len(lots["keep_out"])
    assert set(part["keep_out"]["site"].dropna()) <= {"lot 09"}
    assert set(part["infestations"]["site"]) == {"lot 09"}


@pytest.mark.parametrize("hurt", ["cut short", "lost", "blocks.json", "a bit"])
def test_damaged_scratch_files_end_in_one_clear_line(sizer: Sizer, hurt: str) -> None:
    source = sizer.source()
    sized = sizer.run(source)
    for file in (sized.out / "blocks").rglob("*.parquet"):
        file.unlink()
    (sized.out / "blocks" / "000000").rmdir()
    [file] = (sized.out / "scratch").rglob("keep_out-*.arrow")
    if hurt == "lost":
        file.unlink()
    elif hurt == "a bit":
        content = bytearray(file.read_bytes())
        content[len(content) // 2] ^= 16
        file.write_bytes(bytes(content))
    else:
        file = file if hurt == "cut short" else sized.out / "scratch" / "blocks.json"
        file.write_bytes(file.read_bytes()[:100])
    with pytest.raises(wz.WeedzoneError, match="the scratch files are damaged; remove this folder"):
        sizer.run(source)


def test_damaged_results_end_in_one_clear_line_and_half_blocks_are_cleared(sizer: Sizer) -> None:
    source, out = sizer.source(), sizer.folder / "out"
    sized = sizer.run(source)
    half = out / "blocks" / ".000000.999999999"
    half.mkdir()
    sizer.run(source)
    assert not half.exists()
    for table in ("zones", "totals", "findings"):
        [file] = sized.files(table)
        file.write_bytes(file.read_bytes()[:200])
    for call in (lambda: sized.read("zones"), lambda: sized.read("totals"), sized.findings, sized.summary):
        with pytest.raises(wz.InputError, match="the results of a block are damaged; remove the folder"):
            call()
    for content in (b"", b"[]", b"{}", b"\xff"):
        (out / "portfolio.json").write_bytes(content)
        with pytest.raises(wz.InputError, match="whose results these are is damaged"):
            sizer.run(source)


@pytest.mark.slow
def test_shared_keep_outs_hold_at_every_site_they_come_near(sizer: Sizer) -> None:
    metres = sizer.lots["infestations"].estimate_utm_crs()
    west, south, east, north = sizer.lots["infestations"].to_crs(metres).total_bounds
    middle = (south + north) / 2
    # Long edges bend by centimetres between projections; a river of short ones does not.
    river = shapely.segmentize(shapely.LineString([(west - 900, middle), (east + 900, middle)]), 20.0)
    extra = gpd.GeoDataFrame({"site": [None], "kind": ["creek"]}, geometry=[river], crs=metres).to_crs(
        sizer.lots["turf"].crs
    )
    with_river = {**sizer.lots, "keep_out": pd.concat([sizer.lots["keep_out"], extra], ignore_index=True)}
    source = sizer.source(with_river)
    found = sizer.run(source, block=4)
    whole = wz.size_job(wz.Survey(**with_river), labels(), rig(), on=DAY)
    assert_same(found, whole)
    zones = found.read("zones").to_crs(metres)
    nearest = zones.distance(river).min()
    narrowest = min(label.buffers_m["creek"] for label in labels().values() if label.rate("spot"))
    assert nearest >= narrowest * (1 - 1e-3)  # UTM is a thousandth off the ground here
    without = wz.size_job(wz.Survey(**sizer.lots), labels(), rig(), on=DAY)
    assert whole.zones["area_m2"].sum() < without.zones["area_m2"].sum()


def test_sites_without_a_name_are_refused(sizer: Sizer) -> None:
    source = sizer.source({**sizer.lots, "infestations": sizer.lots["infestations"].drop(columns="site")})
    with pytest.raises(wz.SurveyError, match="site"):
        sizer.run(source)
    with pytest.raises(wz.SurveyError, match="no such"):
        sizer.run(sizer.folder / "nowhere", out="other")


def test_a_layer_in_several_files_of_other_columns(
    tmp_path: Path, lots: dict[str, gpd.GeoDataFrame], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Files of one layer may lack a column or hold it elsewhere; batches are small whatever the row groups."""
    source = as_parquet(lots, tmp_path / "source")
    layer = gpd.read_parquet(source / "infestations.parquet")
    (source / "infestations.parquet").unlink()
    folder = source / "infestations"
    folder.mkdir()
    half = len(layer) // 2
    layer[:half].assign(cover=0.5).to_parquet(folder / "a.parquet")
    layer[half:][["geometry", "weed", "site"]].to_parquet(folder / "b.parquet")
    monkeypatch.setattr(files, "BATCH_ROWS", 7)
    found = files.layers_of(source)["infestations"]
    batches = list(found.batches())
    assert max(batch.num_rows for batch in batches) <= 7
    rows = pa.Table.from_batches(batches).to_pandas()
    assert rows["weed"].to_list() == layer["weed"].to_list()
    assert rows["cover"].notna().sum() == half
    assert shapely.equals(shapely.from_wkb(rows["geometry"].to_numpy()), layer.geometry.to_numpy()).all()
    pieces = split(source, tmp_path / "scratch", 5)
    assert sum(len(one) for one in pieces.sites) == layer["site"].nunique()


def test_blocks_hold_neighbours(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    corner = rng.uniform(0, 10_000, (200, 2))
    patches = shapely.box(*corner.T, *(corner + 5).T)
    names = [f"s{number}" for number in range(200)]
    layer = gpd.GeoDataFrame({"site": names, "weed": "dandelion"}, geometry=patches, crs="EPSG:32615")
    turf, keep_out = layer.rename(columns={"weed": "turf"}), layer.rename(columns={"weed": "kind"})
    source = as_parquet({"infestations": layer, "turf": turf, "keep_out": keep_out}, tmp_path / "source")
    blocks = split(source, tmp_path / "scratch", 20)
    assert len(blocks) == 10
    assert sorted(name for block in blocks.sites for name in block) == sorted(names)
    where = dict(zip(names, corner, strict=True))
    spans = [np.ptp([where[name] for name in block], axis=0).prod() for block in blocks.sites]
    assert np.mean(spans) < 0.25 * np.ptp(corner, axis=0).prod()


KILLED = """
import sys
import weedzone as wz
labels = wz.read_labels(sys.argv[2]); rig = wz.read_rig(sys.argv[3], "backpack")
wz.size_portfolio(sys.argv[1], labels, rig, out=sys.argv[4], block=1, on="2026-05-20")
"""


@pytest.mark.slow
def test_a_killed_run_goes_on_where_it_was(sizer: Sizer, at_once: wz.Job) -> None:
    source, out = sizer.source(), sizer.folder / "out"
    arguments = [str(one) for one in (source, SAMPLES / "labels", SAMPLES / "rigs.toml", out)]
    run = subprocess.Popen([sys.executable, "-c", KILLED, *arguments])
    while run.poll() is None and len(list(out.glob("blocks/[0-9]*"))) < 5:
        time.sleep(0.01)
    run.send_signal(signal.SIGKILL)
    run.wait()
    finished = list(out.glob("blocks/[0-9]*"))
    for block in finished:
        assert {file.stem for file in block.iterdir()} == set(block_work.TABLES), (
            "a block is whole or not there"
        )
    found = sizer.run(source, block=1)
    assert found.skipped == len(finished) >= 5
    assert found.done == 28 - len(finished)
    assert_same(found, at_once)


def _die_once(run: block_work.Run, number: int) -> int:
    """Size a block, but take the whole process down the first time that block 3 comes."""
    mark = run.out / "died"
    if number == 3 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return block_work.size_block(run, number)


@pytest.mark.slow
def test_a_worker_that_dies_loses_nothing(
    sizer: Sizer, at_once: wz.Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = sizer.source()
    monkeypatch.setattr(fleet, "size_block", _die_once)
    found = sizer.run(source, block=4, workers=2)
    assert (sizer.folder / "out" / "died").exists()
    assert_same(found, at_once)


@pytest.mark.slow
def test_what_libraries_print_in_a_worker_is_not_output(capfd: pytest.CaptureFixture[str]) -> None:
    for start, out, errors in ((fleet._to_errors, "", "noise"), (None, "noise", "")):
        with ProcessPoolExecutor(1, get_context("spawn"), start) as pool:
            assert pool.submit(os.write, 1, b"noise").result() == 5
        said = capfd.readouterr()
        assert (said.out, said.err) == (out, errors)


@pytest.mark.slow
def test_on_a_cluster_with_a_worker_killed(sizer: Sizer, monkeypatch: pytest.MonkeyPatch) -> None:
    from distributed import Client, LocalCluster

    source = sizer.source()
    alone = sizer.run(source, block=4, out="one")
    monkeypatch.setattr(fleet, "size_block", _die_once)
    with (
        LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, local_directory=sizer.folder
        ) as cluster,
        Client(cluster) as client,
    ):
        spread = sizer.run(source, block=4, out="two", client=client)
    assert (sizer.folder / "two" / "died").exists()
    for table in block_work.TABLES:
        for left, right in zip(alone.files(table), spread.files(table), strict=True):
            assert left.read_bytes() == right.read_bytes(), "bit for bit"
