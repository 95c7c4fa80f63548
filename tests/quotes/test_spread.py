"""Doubt: the spread of areas against closed forms, and what must hold of any accuracy."""

import numpy as np
import pandas as pd
import pytest
from quoting import CRS, FT, feet, job, label, rig, survey
from scipy.special import erf, ive
from shapely.geometry import Point, box

import weedzone as wz
from weedzone.quotes.shaken import RADIUS_95
from weedzone.quotes.spread import doubt

LENGTH = 5.0
CASES = 400


def sigma(accuracy_m):
    # FGDC-STD-007.3-1998 (NSSDA), appendix 3-A: accuracy at 95 % = 2.4477 x the root mean square error of one axis.
    return accuracy_m / 2.4477


def rectangle_sd(width, height, sd, length):
    """Standard deviation of a rectangle's area when every point moves by a field of covariance sd^2 exp(-r^2/2L^2).

    To first order the area changes by the integral along the outline of the displacement across it; opposite
    edges, a width apart, share what their distance leaves of the correlation; edges at right angles share nothing.
    """

    def along(edge):
        reach = np.sqrt(2 * np.pi) * length * edge * erf(edge / (np.sqrt(2) * length))
        return sd**2 * (reach - 2 * length**2 * (1 - np.exp(-(edge**2) / (2 * length**2))))

    def apart(distance):
        return 1 - np.exp(-(distance**2) / (2 * length**2))

    return np.sqrt(2 * along(width) * apart(height) + 2 * along(height) * apart(width))


def circle_sd(radius, sd, length):
    """The same for a circle: 2 pi R sd sqrt(exp(-k) I1(k)), k = (R/L)^2, I1 the modified Bessel function."""
    return 2 * np.pi * radius * sd * np.sqrt(ive(1, (radius / length) ** 2))


def areas(shape, accuracy="2 m", rigid=0.0, seed=1, cases=CASES, **parts):
    one = job([("front", shape)], **parts)
    found = doubt(
        one, {"infestations": accuracy}, cases=cases, correlation=f"{LENGTH} m", rigid=rigid, seed=seed
    )
    return found.cases.groupby("case")["area_m2"].sum().to_numpy(), one.totals["area_m2"].sum()


def agrees(found, mean, sd):
    n = len(found)
    assert n == CASES
    assert abs(found.mean() - mean) < 4 * sd / np.sqrt(n)
    # The estimate of a standard deviation from n cases itself has one of sd / sqrt(2 n): 3.5 % for 400.
    assert found.std(ddof=1) == pytest.approx(sd, rel=4 / np.sqrt(2 * n))


def test_the_radius_of_95_percent_is_the_standards():
    assert pytest.approx(2.4477, abs=5e-5) == RADIUS_95


@pytest.mark.parametrize(("width", "height"), [(30.0, 20.0), (60.0, 4.0)])
def test_a_rectangle_spreads_as_the_closed_form_says(width, height):
    found, mean = areas(box(10, 10, 10 + width, 10 + height))
    assert mean == pytest.approx(width * height, rel=1e-5)
    agrees(found, mean, rectangle_sd(width, height, sigma(2.0), LENGTH))


def test_a_circle_spreads_as_the_closed_form_says():
    found, mean = areas(Point(40, 30).buffer(12, quad_segs=64))
    agrees(found, mean, circle_sd(12.0, sigma(2.0), LENGTH))


def test_half_of_the_variance_as_a_shift_leaves_half_of_the_spread_of_area():
    # A shape that moves as a whole keeps its area.
    found, mean = areas(box(10, 10, 40, 30), rigid=0.5)
    agrees(found, mean, rectangle_sd(30, 20, sigma(2.0), LENGTH) * np.sqrt(0.5))
    still, mean = areas(box(10, 10, 40, 30), rigid=1.0, cases=20)
    assert still == pytest.approx([mean] * 20, rel=1e-9)


def test_a_shift_against_turf_that_stands_still_spreads_as_the_strip_does():
    # Turf ends along the middle of the patch: treated is the height times how far the patch reaches, in one axis.
    turf = [("front", box(-500, -500, 25, 500))]
    found, mean = areas(box(10, 10, 40, 30), rigid=1.0, turf=turf)
    agrees(found, mean, 20 * sigma(2.0))


def test_no_doubt_is_the_job_itself():
    one = job([("a", feet(0, 0, 100, 50)), ("b", feet(600, 0, 300, 70))], keep_out=[("a", Point(10, 8))])
    found = doubt(one, "0 m", cases=3)
    for _, case in found.cases.groupby("case"):
        assert case["area_m2"].to_numpy() == pytest.approx(one.totals["area_m2"].to_numpy(), rel=1e-9)
        assert case["loads"].tolist() == one.totals["loads"].tolist()


def test_no_doubt_is_the_job_itself_on_a_sample_with_history_and_options():
    park = wz.read_survey("sample_sites/heron_flats/survey.gpkg")
    labels, a_rig = wz.read_labels("sample_sites/labels"), wz.read_rig("sample_sites/rigs.toml", "backpack")
    one = wz.size_job(park, labels, a_rig, on="2026-05-10", max_products=1)
    found = doubt(one, "0 m", cases=2)
    assert found.cases.loc[found.cases["case"] == 1, "area_m2"].sum() == pytest.approx(
        one.totals["area_m2"].sum()
    )
    assert found.cases["product"].nunique() == one.totals["product"].nunique() == 1


def test_the_same_seed_gives_the_same_cases_and_another_others():
    one = job([("front", feet(0, 0, 100, 50))])
    first, same, other = (doubt(one, "1 m", cases=5, seed=seed).cases for seed in (7, 7, 8))
    pd.testing.assert_frame_equal(first, same)
    assert not np.allclose(first["area_m2"], other["area_m2"])


def test_more_cases_keep_the_first_ones():
    one = job([("front", feet(0, 0, 100, 50))])
    few, many = (doubt(one, "1 m", cases=n).cases for n in (4, 9))
    pd.testing.assert_frame_equal(few, many[many["case"] < 4])


def test_worse_accuracy_spreads_more():
    one = job([("front", feet(0, 0, 100, 50))])
    fine, coarse = (doubt(one, text, cases=60).cases["area_m2"].std() for text in ("0.5 m", "2 m"))
    assert coarse == pytest.approx(4 * fine, rel=0.1)  # the same draws, four times as large


def test_layers_of_one_survey_move_apart_and_shared_turf_edges_stay_shared():
    # Two turf polygons that abut under the patch: no gap opens between them when turf moves.
    halves = [("front", box(-500, -500, 25, 500)), ("front", box(25, -500, 500, 500))]
    one = job([("front", box(10, 10, 40, 30))], turf=halves)
    found = doubt(one, {"turf": "3 m"}, cases=30).cases.groupby("case")["area_m2"].sum()
    assert found.to_numpy() == pytest.approx([600.0] * 30, rel=1e-3)


def test_a_keep_out_without_a_site_moves_too():
    ground = survey([("a", feet(0, 0, 100, 50)), ("b", feet(600, 0, 100, 50))])
    import geopandas as gpd

    tree = gpd.GeoDataFrame(
        {"kind": ["tree"]}, geometry=[box(-5, 5, 15, 10)], crs=CRS
    )  # across a's western edge
    shared = wz.Survey(turf=ground.turf, infestations=ground.infestations, keep_out=tree)
    one = wz.size_job(shared, label(), rig(), on="2026-05-10")
    found = doubt(one, {"keep_out": "2 m"}, cases=40, rigid=1.0).cases
    assert found.loc[found["site"] == "a", "area_m2"].std() > 0.5
    assert found.loc[found["site"] == "b", "area_m2"].std() == pytest.approx(0.0, abs=1e-6)


def test_loads_in_words():
    # 3.9 gal in a tank of 4: one load, or two where the patch comes out larger.
    one = job([("front", feet(0, 0, 78, 50))])
    found = doubt(one, {"infestations": "2 m"}, cases=100)
    count = found.loads[found.loads["site"].isna()].set_index("loads")["cases"]
    assert count.sum() == 100
    assert set(count.index) == {1, 2}
    gallons = found.cases["solution_L"] / 3.785411784
    assert count[2] == int((gallons > 4).sum())
    loads, cases, bring = found.bring("Demo Plain")
    assert (loads, cases, bring) == (count.idxmax(), count.max(), 2)
    noun = "load" if loads == 1 else "loads"
    assert f"Demo Plain: {loads} {noun} in {cases} of 100 cases, bring material for 2." in found.summary()
    assert found.bring("Demo Plain", "front") == (loads, cases, bring)
    with pytest.raises(wz.InputError):
        found.bring("Demo Other")


def test_percentiles_are_those_of_the_cases():
    one = job([("front", feet(0, 0, 78, 50))])
    found = doubt(one, "1 m", cases=40)
    table = found.percentiles
    row = table[(table["site"] == "front") & (table["what"] == "area")].iloc[0]
    ordered = np.sort(found.cases["area_m2"].to_numpy()) / FT**2
    assert row["p50"] == pytest.approx((ordered[19] + ordered[20]) / 2, rel=1e-9)
    assert ordered[3] <= row["p10"] <= ordered[4]
    assert ordered[35] <= row["p90"] <= ordered[36]


@pytest.mark.parametrize(
    ("accuracy", "options"),
    [
        ("two metres", {}),
        ("-1 m", {}),
        (2.0, {}),
        ({"lawn": "1 m"}, {}),
        ({}, {}),
        ("1 m", {"cases": 1}),
        ("1 m", {"cases": 2.5}),
        ("1 m", {"rigid": 1.5}),
        ("1 m", {"correlation": "0 m"}),
    ],
)
def test_bad_questions_are_refused(accuracy, options):
    with pytest.raises(wz.WeedzoneError):
        doubt(job([("front", feet(0, 0, 100, 50))]), accuracy, **options)
