"""The whole split of the ground against an engine that shares no code with the one at work.

Outside reference: pyclipper (see clipping.py). The expected ledger of a random survey is built from the shapes
that went in with plain set algebra on that engine: boundary, turf, keep-outs, weeds, the buffers of each
product, in the ledger's order. Only the outlines of the buffers are taken over; their distances are checked in
test_shapes.
"""

from dataclasses import replace
from typing import Any

import clipping
import numpy as np
import pandas as pd
import pytest
import shapely
import strategies

import weedzone as wz
from weedzone.ground.buffers import safe_buffer
from weedzone.ground.frame import LENGTH_ERROR

SURVEYS = 500
CHUNK = 50
SETTINGS = strategies.Settings(history=False)


def paths(geoms: Any) -> clipping.Paths:
    """United ground of some shapes, one after the other: the engine errs when given touching shapes at once."""
    out: clipping.Paths = []
    for shape in geoms:
        mine = clipping.paths(shape)
        out = clipping.union([*out, *mine]) if out else mine
    return out


def expected_m2(job: wz.Job) -> dict[str, float]:
    """Ground by outcome [m2] of a survey of one site without history."""
    survey = job.survey
    local = survey.local
    left = paths(local.infested.geoms)
    out = {"infested": clipping.area_m2(left)}

    def take(name: str, away: clipping.Paths) -> None:
        nonlocal left
        out[name] = out.get(name, 0.0) + clipping.area_m2(clipping.intersection(left, away))
        left = clipping.difference(left, away)

    if local.boundary is not None:
        inside = paths(local.boundary.geoms)
        out["outside boundary"] = clipping.area_m2(clipping.difference(left, inside))
        left = clipping.intersection(left, inside)
    turf = paths(local.turf.geoms)
    out["no turf"] = clipping.area_m2(clipping.difference(left, turf))
    left = clipping.intersection(left, turf)
    keep = job.reach.features
    solid = ~shapely.is_empty(keep.geoms)
    take("keep-out", paths(keep.geoms[solid]))

    weeds = survey.infestations["weed"].to_numpy(dtype=object)[local.infested.row]
    names = survey.turf["turf"].to_numpy(dtype=object)[local.turf.row]
    plans = list(job.plans.values())
    patches = {w: paths(local.infested.geoms[weeds == w]) for w in set(weeds)}
    lawns = {t: paths(local.turf.geoms[names == t]) for t in set(names)}
    no_weed: clipping.Paths = []
    good: list[clipping.Paths] = []
    for plan in plans:
        weedy = [patches[w] for w in patches if w in plan.label.weeds]
        known = joined(weedy)
        no_weed = [*no_weed, *known]
        barred = joined([lawns[t] for t in lawns if not plan.label.allows_turf(t)])
        mine = clipping.difference(clipping.intersection(left, known), barred)
        good.append(mine)
    take("weed not labelled", clipping.difference(left, clipping.union(no_weed)))
    may = joined([clipping.intersection(left, mine) for mine in good])
    take("turf not labelled", clipping.difference(left, may))
    free = []
    for p, mine in enumerate(good):
        far = job.reach.distance_m[:, p] * (1.0 + LENGTH_ERROR)
        assert not job.reach.downwind_m.any()
        buffers = safe_buffer(keep.outline, far)
        held = paths([*buffers[~shapely.is_empty(buffers)], *keep.geoms[solid]])
        free.append(clipping.difference(clipping.intersection(left, mine), held))
    take("treated", joined(free))
    out["buffer"] = clipping.area_m2(left)
    return out


def joined(several: list[clipping.Paths]) -> clipping.Paths:
    out: clipping.Paths = []
    for one in several:
        out = clipping.union([*out, *one]) if out else one
    return out


@pytest.mark.slow
@pytest.mark.parametrize("start", range(0, SURVEYS, CHUNK))
def test_the_ledger_against_the_other_engine(start: int) -> None:
    """Of 500 random surveys: each outcome's ground to 1e-6 of the infested ground, and what the grid moves.

    The grid of 1e-7 m of the other engine moves an edge by half a step, and there are some hundred metres of
    edges to some hundred square metres of ground.
    """
    for seed in range(start, start + CHUNK):
        job = strategies.job(strategies.survey(seed, settings=SETTINGS))
        found, truth = strategies.outcome_m2(job), expected_m2(job)
        total = truth.pop("infested")
        edge = float(shapely.length(job.survey.local.infested.geoms).sum())
        allowed = 1e-6 * total + 1e-6 * edge + 1e-6
        assert sum(found.values()) == pytest.approx(total, abs=allowed), seed
        # A sliver is ground that would be treated.
        found["treated"] = (
            found.get("treated", 0.0) + found.pop("sliver", 0.0) + found.pop("product not chosen", 0.0)
        )
        for name in {*found, *truth}:
            assert found.get(name, 0.0) == pytest.approx(truth.get(name, 0.0), abs=allowed), (seed, name)


def test_the_other_engine_would_see_a_fault() -> None:
    """A square decimetre on the wrong side is far beyond what is allowed."""
    job = strategies.job(strategies.survey(1, settings=SETTINGS))
    truth = expected_m2(job)
    assert truth["infested"] > 10.0
    edge = float(shapely.length(job.survey.local.infested.geoms).sum())
    assert 1e-6 * truth["infested"] + 1e-6 * edge + 1e-6 < 0.01


@pytest.mark.slow
@pytest.mark.parametrize("place", strategies.PLACES)
def test_samples_through_three_systems(place: str) -> None:
    """Longitude and latitude, UTM and Web Mercator: every total to 1 part in 100,000.

    With the backpack the park's ground is shared out so as to save a load, which can be done in several ways
    that are equally good; there the sums of each site agree, and who gets which patch may not. With a tank that
    holds everything the totals of each product agree too.
    """
    frames = strategies.file_frames(place)
    utm = str(frames["infestations"].estimate_utm_crs())
    through_systems(frames, utm, by=["site"])
    through_systems(frames, utm, by=["site", "product"], tank_L=10_000.0)


@pytest.mark.slow
@pytest.mark.parametrize("start", range(0, 200, 50))
def test_random_surveys_through_three_systems(start: int) -> None:
    for seed in range(start, start + 50):
        through_systems(
            strategies.frames(strategies.drawn(10_000 + seed)), "EPSG:32615", by=["site", "product"]
        )


def through_systems(frames: dict[str, Any], utm: str, *, by: list[str], tank_L: float | None = None) -> None:
    columns = ["area_m2", "solution_L", "water_L", "product_amount", "adjuvant_floz", "loads"]
    rig = strategies.rig() if tank_L is None else replace(strategies.rig(), tank_L=tank_L)
    first: tuple[pd.DataFrame, pd.Series] | None = None
    # An edge is straight where it was drawn: only short ones are the same ground in three systems.
    frames = {
        name: frame.set_geometry(frame.to_crs(4326).segmentize(1e-4).to_crs(frame.crs))
        for name, frame in frames.items()
    }
    for crs in ("EPSG:4326", utm, "EPSG:3857"):
        survey = wz.Survey(**{name: frame.to_crs(crs) for name, frame in frames.items()})
        job = wz.size_job(survey, strategies.labels(), rig, use="spot", on=strategies.DAY)
        totals = job.totals.groupby(by)[columns].sum()
        ledger = job.ledger.groupby("outcome")["area_m2"].sum()
        first = first or (totals, ledger)
        # Of a total of less than a square metre or a litre: 10 mm2, 10 uL.
        pd.testing.assert_frame_equal(totals, first[0], rtol=1e-5, atol=1e-5, check_exact=False)
        both = first[1].align(ledger, fill_value=0.0)
        np.testing.assert_allclose(*both, rtol=1e-5, atol=1e-5 * first[1].sum())
