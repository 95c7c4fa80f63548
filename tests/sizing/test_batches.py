"""Sites zoned a share at a time: the same result whatever the share and the number of threads."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import strategies

import weedzone as wz
from weedzone.ground import shapes
from weedzone.sizing import batches as shares
from weedzone.zones import pieces as joining

SAMPLES = Path(__file__).parents[2] / "sample_sites"


def sized(survey: wz.Survey, monkeypatch: pytest.MonkeyPatch, at_once: int, threads: int = 1) -> wz.Job:
    monkeypatch.setattr(shares, "SITES_AT_ONCE", at_once)
    monkeypatch.setattr(shares.os, "cpu_count", lambda: threads)
    labels = wz.read_labels(SAMPLES / "labels")
    return wz.size_job(
        survey, labels, wz.read_rig(SAMPLES / "rigs.toml", "backpack"), on="2026-05-20", passes=2
    )


def assert_same(one: wz.Job, other: wz.Job) -> None:
    """The same figures to the last bit; the same shapes, though their parts may come in another order."""
    for table in ("zones", "ledger", "totals", "loads"):
        found, truth = (pd.DataFrame(getattr(job, table)).drop(columns="geometry", errors="ignore")
                        for job in (one, other))  # fmt: skip
        pd.testing.assert_frame_equal(found, truth, rtol=1e-12)
    assert (shapely.normalize(one.zones.geometry) == shapely.normalize(other.zones.geometry)).all()
    keys = ["site", "outcome", "reason", "weeds", "turf", "area_m2"]
    first, second = (
        pd.DataFrame(job.ground.drop(columns="geometry")).sort_values(keys, ignore_index=True)
        for job in (one, other)
    )
    pd.testing.assert_frame_equal(first, second)
    notes = [sorted(map(tuple, job.findings.itertuples(index=False))) for job in (one, other)]
    assert notes[0] == notes[1]


@pytest.mark.parametrize(("at_once", "threads"), [(1, 2), (5, 2), (27, 2), (9, 1)])
def test_any_share_gives_what_the_whole_gives(
    monkeypatch: pytest.MonkeyPatch, at_once: int, threads: int
) -> None:
    survey = wz.read_survey(SAMPLES / "quince_bend" / "survey.gpkg")
    assert len(survey.sites) == 28
    whole = sized(survey, monkeypatch, 1000)
    assert len(whole.zones) > 28
    assert_same(sized(survey, monkeypatch, at_once, threads), whole)


@pytest.mark.parametrize("seed", range(5))
def test_any_share_of_random_surveys(monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    """Histories and keep-outs of no one site among them."""
    layers = {
        name: frame.copy() for name, frame in strategies.frames(strategies.drawn(seed, n_sites=7)).items()
    }
    rng = np.random.default_rng(seed)
    for name in ("keep_out", "history"):
        if name in layers:
            lone = rng.random(len(layers[name])) < 0.5
            layers[name]["site"] = layers[name]["site"].astype(object).where(~lone, None)
    survey = wz.Survey(**layers)
    assert_same(sized(survey, monkeypatch, 2, 2), sized(survey, monkeypatch, 1000))


def test_boxes_by_their_western_edge_and_by_a_tree(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    west, south = rng.uniform(-20, 20, (2, 400))
    wide = rng.exponential(4.0, 400) * np.where(rng.random(400) < 0.02, 30.0, 1.0)
    boxes = shapely.box(west, south, west + wide, south + rng.exponential(4.0, 400))
    boxes[rng.random(400) < 0.05] = shapely.Polygon()
    group, reach = rng.integers(0, 6, 400), rng.uniform(0.0, 3.0, 150)
    a, b = boxes[:250], boxes[250:]
    bounds = shapely.bounds(b) + reach[:, np.newaxis] * [-1, -1, 1, 1]
    truth = {
        (i, j)
        for i, j in np.ndindex(250, 150)
        if group[i] == group[250 + j]
        and not (a[i].is_empty or b[j].is_empty)
        and shapely.intersects(a[i], shapely.box(*bounds[j]))
    }
    assert len(truth) > 300
    for most in (100, 0):
        monkeypatch.setattr(shapes, "MOST_BOX_PAIRS", most)
        found = set(
            zip(*(x.tolist() for x in shapes.pairs(a, group[:250], b, group[250:], reach)), strict=True)
        )
        assert truth <= found
        # A pair too many may only come of the padding of a tenth of a millimetre.
        assert all(shapely.distance(a[i], shapely.box(*bounds[j])) < 1e-3 for i, j in found - truth)


def test_seams_whose_corners_do_not_match_are_joined_all_the_same() -> None:
    left = shapely.Polygon([(0, 0), (1, 0), (1, 1), (0, 1)])
    matched = shapely.Polygon([(1, 0), (2, 0), (2, 1), (1, 1)])
    in_two = [shapely.box(1, 0, 2, 0.5), shapely.box(1, 0.5, 2, 1)]  # a corner amid the first one's edge
    off = shapely.Polygon([(1, 0), (2, 0), (2, 1), (1, 1), (1 + 1e-16, 0.5)])
    parts = np.array([left, matched, left, *in_two, left, off], dtype=object)
    zone = np.array([0, 0, 1, 1, 1, 2, 2])
    joined = joining.dissolve(parts, zone, np.ones(len(parts), dtype=bool))
    assert [one.geom_type for one in joined] == ["Polygon"] * 3
    assert [len(one.interiors) for one in joined] == [0, 0, 0]
    np.testing.assert_allclose(shapely.area(joined), 2.0, rtol=1e-12)
    np.testing.assert_allclose(shapely.length(joined), 6.0, rtol=1e-9)


def test_no_two_shares_hold_the_same_shape() -> None:
    """Two threads that ask one shape at once crash the process: sites of one object get copies."""
    lawn, strip = (
        shapely.box(500_000, 4_980_000, 500_030, 4_980_020),
        shapely.box(500_001, 4_980_001, 500_009, 4_980_009),
    )
    sites = {"site": ["A", "B"]}
    turf = gpd.GeoDataFrame({**sites, "turf": "tall fescue"}, geometry=[lawn, lawn], crs="EPSG:32615")
    weeds = gpd.GeoDataFrame({**sites, "weed": "dandelion"}, geometry=[strip, strip], crs="EPSG:32615")
    local = wz.Survey(turf, weeds).local
    one = replace(local.turf, geoms=np.repeat(local.turf.geoms[:1], 2))
    first, second = one.only(0, 1).geoms[0], one.only(1, 2).geoms[0]
    assert first is not second
    assert shapely.equals_identical(first, second)
