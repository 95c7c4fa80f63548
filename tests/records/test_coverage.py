"""Coverage on tracks whose answer is known by construction.

Tracks are laid out in metres on a plane and turned into longitudes and latitudes with pyproj's equal-area
projection about a point in Ohio; so the areas are known on the ellipsoid too, and are checked against
pyproj's geodesic areas (Karney, Journal of Geodesy 87, 2013), which share nothing with the overlay engine.

Tolerances are 1 part in 100,000, the promise for areas: lengths in the local projection differ by up to that.
"""

import json
from itertools import pairwise

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from plots import label, size

import weedzone as wz
from weedzone.base.errors import CrsError, InputError, UnitError, WeedzoneError
from weedzone.records.covered import swaths
from weedzone.records.covered import tracks as trackfiles
from weedzone.records.covered.result import coverage
from weedzone.records.covered.tracks import read_track

PLANE = pyproj.Proj(proj="laea", lat_0=40.0, lon_0=-83.0, ellps="WGS84")
REL = 1e-5
GEOD = pyproj.Geod(ellps="WGS84")


def degrees(xy):
    # Away from the projection's own centre, where PROJ's inverse steps by most of a millimetre.
    xy = np.asarray(xy, dtype=float) + 1000.0
    return np.column_stack(PLANE(xy[:, 0], xy[:, 1], inverse=True))


def zone(*shapes, crs="EPSG:4326"):
    names = [f"Z{number + 1}" for number in range(len(shapes))]
    drawn = [shapely.transform(shape, degrees) for shape in shapes]
    return gpd.GeoDataFrame({"zone": names}, geometry=drawn, crs="EPSG:4326").to_crs(crs)


def table(xy, time=None, **columns):
    lonlat = degrees(xy)
    data = {"lon": lonlat[:, 0], "lat": lonlat[:, 1]}
    return pd.DataFrame(data | ({} if time is None else {"time": time}) | columns)


def walk(corners, speed=1.0, every=1.0, start=0.0):
    """Fixes at steady speed along straight lines, one at each corner too."""
    corners = np.asarray(corners, dtype=float)
    way = np.append(0.0, np.cumsum(np.hypot(*np.diff(corners, axis=0).T)))
    at = np.union1d(np.arange(0.0, way[-1], speed * every), way)
    xy = np.column_stack([np.interp(at, way, corners[:, axis]) for axis in (0, 1)])
    return table(xy, start + at / speed)


def lanes(xs, low, high):
    return [(x, y) for number, x in enumerate(xs) for y in ((low, high) if number % 2 == 0 else (high, low))]


def area(done, part):
    return float(done.areas.set_index("part").loc[part, "area_m2"])


def says(done, words):
    return done.findings.message.str.contains(words).any()


BIG = shapely.box(-100, -100, 100, 100)
LAWN = shapely.box(0, 0, 40, 30)


# --- known by construction -------------------------------------------------------------------------------


def test_one_straight_pass():
    done = coverage(walk([(0, 0), (50, 0)]), "2 m", zone(BIG))
    assert area(done, "covered") == pytest.approx(100.0, rel=REL)
    assert area(done, "twice") == 0
    assert area(done, "outside") == 0
    assert area(done, "missed") == pytest.approx(200.0**2 - 100.0, rel=REL)


def test_two_passes_overlap_by_a_known_width():
    first, second = walk([(0, 0), (50, 0)]), walk([(50, 1.6), (0, 1.6)], start=100)
    done = coverage(pd.concat([first, second]), "2 m", zone(BIG))
    assert area(done, "twice") == pytest.approx(50 * 0.4, rel=REL)
    assert area(done, "covered") == pytest.approx(50 * 3.6, rel=REL)
    assert len(done.passes) == 2


def test_a_crossing_doubles_one_square():
    done = coverage(walk([(-20, 0), (20, 0), (20, 20), (0, 20), (0, -20)]), "3 m", zone(BIG))
    assert area(done, "twice") == pytest.approx(9.0, rel=REL)


@pytest.mark.parametrize("every", [0.3, 1.0, 2.0])
def test_a_ring_has_the_area_of_its_way_times_its_swath(every):
    angle = np.arange(0, 2 * np.pi, every / 12)
    angle = np.append(angle, 2 * np.pi)
    done = coverage(table(12 * np.column_stack([np.cos(angle), np.sin(angle)]), angle * 12), "2 m", zone(BIG))
    # Chords instead of arcs: at most 1 - (step/radius)^2/24 short, 0.12 % at two metres.
    assert area(done, "covered") == pytest.approx(2 * np.pi * 12 * 2, rel=2e-3)
    assert area(done, "twice") < 0.1  # the square ends meet at the angle of a chord


def test_two_laps_double_the_whole_ring():
    angle = np.linspace(0, 4 * np.pi, 401)
    done = coverage(table(12 * np.column_stack([np.cos(angle), np.sin(angle)]), angle * 12), "2 m", zone(BIG))
    assert area(done, "twice") == pytest.approx(2 * np.pi * 12 * 2, rel=2e-3)
    assert area(done, "twice") <= area(done, "covered") * (1 + 1e-9)


def test_lanes_with_a_gap_miss_a_known_strip():
    done = coverage(walk(lanes([1, 3, 5, 8, 10], -2, 32)), "2 m", zone(shapely.box(0, 0, 11, 30)))
    assert area(done, "missed") == pytest.approx(30.0, rel=REL)
    assert area(done, "twice") == 0
    missed = done.missed.geometry.iloc[0]
    assert abs(GEOD.geometry_area_perimeter(shapely.orient_polygons(missed))[0]) == pytest.approx(
        30.0, rel=1e-5
    )


def test_lanes_that_overlap_double_known_strips():
    done = coverage(walk(lanes(np.arange(1, 20, 1.8), -4, 34)), "2 m", zone(shapely.box(0, 0, 20, 30)))
    assert area(done, "twice") == pytest.approx(10 * 30 * 0.2, rel=1.8 / 0.2 * REL)  # spacing less swath
    assert area(done, "missed") == 0


def test_out_and_back_on_one_line_doubles_all_but_the_turn():
    done = coverage(walk([(0, 0), (50, 0), (0, 0)]), "2 m", zone(BIG))
    assert 100 - 1.5 * 2 * 2 <= area(done, "twice") <= 100
    # The turn on the spot sweeps half a disc beyond the end.
    assert area(done, "covered") == pytest.approx(100 + np.pi / 2, rel=1e-3)


def test_to_and_fro_on_one_line_is_swept_each_time():
    done = coverage(walk([(0, 0), (50, 0), (20, 0), (80, 0)]), "2 m", zone(BIG))
    assert done.passes.length_m.sum() == pytest.approx(140, rel=REL)
    assert 30 * 2 - 2 * 1.5 * 2 <= area(done, "twice") <= 30 * 2 + np.pi


def test_a_bend_alone_is_no_second_visit_and_is_round_outside():
    done = coverage(walk([(0, 0), (30, 0), (30, 30)]), "2 m", zone(BIG))
    assert area(done, "twice") == 0
    # Two strips share the inner square of the bend; the outer quarter disc is added.
    assert area(done, "covered") == pytest.approx(2 * 60 - 1 + np.pi / 4, rel=1e-4)


def test_outside_and_inside_a_buffer():
    pond = shapely.box(40, -10, 60, 10)
    banned = zone(pond, shapely.box(80, 80, 90, 90)).assign(kind=["pond", "hive"])
    done = coverage(walk([(0, 0), (50, 0)]), "2 m", zone(shapely.box(0, -5, 30, 5)), forbidden=banned)
    assert area(done, "covered") == pytest.approx(60.0, rel=REL)
    assert area(done, "outside") == pytest.approx(40.0, rel=REL)
    assert area(done, "inside buffers") == pytest.approx(20.0, rel=REL)
    assert done.findings.iloc[0].severity == "error"
    assert done.inside_buffers.feature.tolist() == ["pond"]


def test_job_gives_zones_and_buffers_never_narrower(tmp_path):
    at = '[[rate]]\nuse = "spot"\ndose = "1 fl oz/ksqft"\nvolume = "1 gal/ksqft"\n[buffers]\n'
    near_one = label(tmp_path, at + 'pond = "5 m"\ndefault = "1 m"\n', "Demo Amine 38")
    far_one = label(tmp_path, at + 'default = "9 m"\n', "Demo Quin 68")
    points = [shapely.Point(*degrees([(20, 15)])[0]), shapely.Point(*degrees([(35, 25)])[0])]
    survey = wz.Survey(
        turf=zone(LAWN).assign(turf="tall fescue"),
        infestations=zone(shapely.box(0, 0, 12, 30)).assign(weed="dandelion"),
        keep_out=gpd.GeoDataFrame(
            {"kind": ["pond", "well"], "buffer_m": [2.0, np.nan]}, geometry=points, crs="EPSG:4326"
        ),
    )
    job = size(survey, [near_one, far_one], wz.make_rig("can", tank="1 gal"), "spot")
    amine = zone(shapely.box(0, 0, 12, 30)).assign(product="Demo Amine 38")
    near = coverage(
        walk([(14.05, 5), (14.05, 25)]), "2 m", amine, job=job
    )  # the swath's edge is 4.95 m from the pond
    assert near.inside_buffers.feature.tolist() == ["pond"]
    clear = coverage(walk([(13.9, 5), (13.9, 25)]), "2 m", amine, job=job)
    assert not len(clear.inside_buffers)
    # A zone that reaches into a buffer is allowed to its own product.
    wide = zone(LAWN).assign(product="Demo Amine 38")
    assert not len(coverage(walk([(14.05, 5), (14.05, 25)]), "2 m", wide, job=job).inside_buffers)
    # A second product that asks for more widens the buffer only when zones of it are given.
    track = walk([(28, 22), (28, 28)])
    assert not len(coverage(track, "2 m", amine, job=job).inside_buffers)
    both = zone(shapely.box(0, 0, 12, 20), shapely.box(0, 20, 12, 30)).assign(
        product=["Demo Amine 38", "Demo Quin 68"]
    )
    assert coverage(track, "2 m", both, job=job).inside_buffers.feature.tolist() == ["well"]
    assert coverage(walk([(0, 0), (12, 0)]), "2 m", job=job).zones["area_m2"].sum() > 0


def test_amount_becomes_dose():
    # 100 m of 2 m swath and 10 L: 0.05 L/m2 along the way.
    done = coverage(walk([(0, 0), (100, 0)]), "2 m", zone(shapely.box(0, -2, 100, 2)), amount="10 L")
    dose = done.dose.set_index("where").per_area
    assert dose["once"] == pytest.approx(0.05, rel=REL)
    assert dose["twice"] == pytest.approx(0.10, rel=REL)
    assert dose["mean over zones"] == pytest.approx(0.025, rel=REL)
    dry = coverage(walk([(0, 0), (100, 0)]), "2 m", zone(BIG), amount="4 kg").dose
    assert dry.per_area.iloc[0] == pytest.approx(0.02, rel=REL)


# --- gaps, flags, noise, stops ---------------------------------------------------------------------------


def test_a_pause_or_a_leap_ends_the_pass():
    first, second = walk([(0, 0), (20, 0)]), walk([(30, 0), (50, 0)], start=60)
    both = pd.concat([first, second])
    assert area(coverage(both, "2 m", zone(BIG)), "covered") == pytest.approx(80, rel=REL)
    assert area(coverage(both, "2 m", zone(BIG), gap="2 min"), "covered") == pytest.approx(100, rel=REL)
    assert area(coverage(both, "2 m", zone(BIG), gap="15 ft"), "covered") == pytest.approx(80, rel=REL)


def test_off_flags_leave_a_gap():
    track = walk([(0, 0), (100, 0)])
    track["spraying"] = ["off" if 40 <= second <= 60 else "on" for second in track.time]
    done = coverage(track, "2 m", zone(shapely.box(0, -1, 100, 1)))
    # 21 fixes a metre apart are off; the switch falls half way between an on and an off fix.
    assert area(done, "missed") == pytest.approx(2 * 21, rel=REL)
    backwards = track.iloc[::-1].assign(time=track.time.to_numpy())
    again = coverage(backwards, "2 m", zone(shapely.box(0, -1, 100, 1)))
    assert area(again, "covered") == pytest.approx(area(done, "covered"), rel=1e-9)


@pytest.mark.parametrize("first", [0, 30, 60])
def test_jumps_are_dropped_wherever_they_are(first):
    track = walk([(0, 0), (60, 0)])
    track.loc[first : first + 1, ["lon", "lat"]] += 0.01
    done = coverage(track, "2 m", zone(BIG))
    lost = {0: 4, 30: 0, 60: 2}[first]
    assert area(done, "covered") == pytest.approx(120 - lost, rel=REL)
    assert says(done, "imply a speed")


def test_fixes_at_null_island_are_dropped_with_and_without_times():
    track = walk([(0, 0), (60, 0)])
    track.loc[20, ["lon", "lat"]] = 0.0
    for given_track in (track, track.drop(columns="time")):
        done = coverage(given_track, "2 m", zone(BIG))
        assert area(done, "covered") == pytest.approx(120, rel=REL)
        assert says(done, "far from the zones")


def test_a_stop_adds_no_ground():
    rng = np.random.default_rng(5)
    standing = np.column_stack([np.full(120, 30.0), np.zeros(120)]) + rng.normal(0, 0.15, (120, 2))
    moving = np.column_stack([np.arange(0, 61.0), np.zeros(61)])
    xy = np.vstack([moving[:31], standing, moving[31:]])
    done = coverage(table(xy, np.arange(len(xy), dtype=float)), "2 m", zone(BIG))
    assert area(done, "covered") == pytest.approx(120, rel=0.02)
    assert area(done, "twice") < 0.5
    assert says(done, "stood still 1 time")
    off = [not 31 <= row < 151 for row in range(len(xy))]
    shut = coverage(table(xy, np.arange(len(xy), dtype=float), spraying=off), "2 m", zone(BIG))
    assert area(shut, "covered") == pytest.approx(118, rel=0.02)
    assert area(shut, "twice") < 0.5


@pytest.mark.parametrize(("every", "noise"), [(1.0, 0.05), (0.1, 0.05), (0.1, 0.15), (0.2, 0.3)])
def test_noise_makes_little_double_and_little_missed(every, noise):
    """Lanes laid edge to edge with half a metre between: noise must not invent doubled ground."""
    rng = np.random.default_rng(1)
    track = walk(lanes([1, 3.5, 6, 8.5], 0, 40), every=every)
    for column, scale in (("lon", 85_400), ("lat", 111_000)):
        track[column] += rng.normal(0, noise, len(track)) / scale
    done = coverage(track, "2 m", zone(BIG))
    true = 4 * 80 + 3 * 5 - 6 * 1 + 6 * np.pi / 4
    assert area(done, "covered") == pytest.approx(true, rel=0.02 + noise / 10)
    assert area(done, "twice") < 0.01 * true
    assert says(done, "smoothed") == (every < 1)


# --- properties ------------------------------------------------------------------------------------------

corner = st.tuples(st.integers(-60, 60), st.integers(-60, 60))


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(
    corners=st.lists(corner, min_size=2, max_size=12).filter(lambda c: all(a != b for a, b in pairwise(c))),
    swath=st.sampled_from([0.5, 2.0, 7.3]),
    data=st.data(),
)
def test_sums_reversal_and_splitting(corners, swath, data):
    target = zone(shapely.box(-30, -30, 0, 40), shapely.Point(20, 5).buffer(18))
    track = walk(corners, every=3.0)
    width = f"{swath} m"
    done = coverage(track, width, target)
    assert area(done, "covered") + area(done, "missed") == pytest.approx(area(done, "zones"), rel=REL)
    assert area(done, "covered") + area(done, "outside") == pytest.approx(area(done, "sprayed"), rel=REL)
    assert area(done, "twice") <= area(done, "covered") + 1e-6
    by_geodesic = sum(
        abs(GEOD.geometry_area_perimeter(shape)[0]) for shape in shapely.orient_polygons(target.geometry)
    )
    assert area(done, "zones") == pytest.approx(by_geodesic, rel=1e-5)
    for column in ("covered", "twice"):
        frame = getattr(done, column)
        assert frame.geometry.is_valid.all()

    backwards = track.iloc[::-1].reset_index(drop=True)
    backwards["time"] = track.time.max() - backwards["time"]
    cut = data.draw(st.integers(1, max(1, len(track) - 2)))
    halves = pd.concat([track.iloc[: cut + 1].assign(section=1), track.iloc[cut:].assign(section=2)])
    shuffled = track.sample(frac=1, random_state=3)
    for other in (backwards, halves, shuffled):
        again = coverage(other, width, target)
        for part in ("covered", "missed", "twice", "outside"):
            assert area(again, part) == pytest.approx(area(done, part), rel=REL, abs=1e-3), part


@settings(max_examples=25, deadline=None)
@given(corners=st.lists(corner, min_size=2, max_size=7, unique=True), swath=st.sampled_from([1.0, 4.0]))
def test_swept_ground_agrees_with_counting_points(corners, swath):
    """An independent count: a fine grid of points, and the exact distance along each straight bit."""
    line = np.asarray(corners, dtype=float)
    covered, twice = swaths.swept_ground([line], swath)
    rng = np.random.default_rng(0)
    points = rng.uniform(line.min(axis=0) - swath, line.max(axis=0) + swath, (3000, 2))
    step = np.diff(line, axis=0)
    length = np.hypot(*step.T)
    way = np.append(0.0, np.cumsum(length))[:-1]
    away = points[:, None] - line[None, :-1]
    along = (away * step).sum(axis=2) / length
    across = np.abs(away[..., 0] * step[:, 1] - away[..., 1] * step[:, 0]) / length
    slack = 1e-6
    within = (along > slack) & (along < length - slack) & (across < swath / 2 - slack)
    in_covered = shapely.intersects_xy(covered, *points.T)
    assert in_covered[within.any(axis=1)].all()
    near = shapely.distance(shapely.linestrings(line), shapely.points(points)) <= swath / 2 + slack
    assert near[in_covered].all()
    seen = np.where(within, way + along, np.nan)
    spread = np.nanmax(np.where(within.any(axis=1)[:, None], seen, 0.0), axis=1) - np.nanmin(
        np.where(within.any(axis=1)[:, None], seen, 0.0), axis=1
    )
    in_twice = shapely.intersects_xy(twice, *points.T)
    assert in_twice[spread > 1.5 * swath + slack].all()
    # Ground met once by straight bits and by no wedge cannot be doubled.
    wedge = (np.hypot(*(points[:, None] - line[None, 1:-1]).transpose(2, 0, 1)) < swath / 2 + slack).any(
        axis=1
    )
    assert not in_twice[(within.sum(axis=1) <= 1) & ~wedge].any()


def test_zones_in_a_projected_system_come_back_in_it():
    done = coverage(walk([(0, 0), (50, 0)]), "2 m", zone(BIG, crs="EPSG:32617"))
    assert done.covered.crs == done.passes.crs == "EPSG:32617"
    assert area(done, "covered") == pytest.approx(100, rel=REL)


def test_overlapping_zones_are_told_and_counted_once():
    done = coverage(
        walk([(0, 0), (50, 0)]), "2 m", zone(shapely.box(0, -5, 30, 5), shapely.box(20, -5, 50, 5))
    )
    assert area(done, "zones") == pytest.approx(500, rel=REL)
    assert area(done, "covered") == pytest.approx(100, rel=REL)
    assert done.covered.area_m2.sum() == pytest.approx(120, rel=REL)
    assert says(done, "zones overlap")


# --- files -----------------------------------------------------------------------------------------------

HEAD = '<gpx version="1.1" creator="demo" xmlns="http://www.topografix.com/GPX/1/1"><trk>'


def gpx(track, cut=None):
    stamps = pd.Timestamp("2026-05-04T08:00:00Z") + pd.to_timedelta(track.time, unit="s")
    points = [
        f'<trkpt lat="{row.lat:.10f}" lon="{row.lon:.10f}"><time>{stamp.isoformat()}</time></trkpt>'
        for row, stamp in zip(track.itertuples(), stamps, strict=True)
    ]
    parts = [points] if cut is None else [points[: cut + 1], points[cut:]]
    return HEAD + "".join(f"<trkseg>{''.join(part)}</trkseg>" for part in parts) + "</trk></gpx>"


def test_every_kind_of_file_gives_the_same(tmp_path):
    track = walk([(0, 0), (50, 0), (50, 20)])
    lonlat = track[["lon", "lat"]].to_numpy()
    stamps = [
        (pd.Timestamp("2026-05-04T08:00:00Z") + pd.Timedelta(second, "s")).isoformat()
        for second in track.time
    ]
    line = {"type": "LineString", "coordinates": lonlat.tolist()}
    points = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": list(place)},
            "properties": {"time": stamp},
        }
        for place, stamp in zip(lonlat, stamps, strict=True)
    ]
    files = {
        "whole.gpx": gpx(track),
        "cut.gpx": gpx(track, 13),
        "corner.gpx": gpx(track, 50),
        "line.geojson": json.dumps(
            {"type": "Feature", "geometry": line, "properties": {"coordTimes": stamps}}
        ),
        "points.geojson": json.dumps({"type": "FeatureCollection", "features": points}),
        "plain.csv": track.assign(time=stamps).to_csv(index=False),
        "german.csv": track.rename(columns={"lon": "Longitude", "lat": "Latitude"}).to_csv(
            index=False, sep=";"
        ),
    }
    want = area(coverage(track, "2 m", zone(BIG)), "covered")
    for name, text in files.items():
        path = tmp_path / name
        path.write_text(text)
        done = coverage(path, "2 m", zone(BIG))
        assert area(done, "covered") == pytest.approx(want, rel=REL), name
        assert not says(done, "no times"), name
    frame = gpd.GeoDataFrame({"time": track.time}, geometry=gpd.points_from_xy(*lonlat.T), crs=4326).to_crs(
        32617
    )
    assert area(coverage(frame, "2 m", zone(BIG)), "covered") == pytest.approx(want, rel=REL)
    planar = pd.DataFrame({"x": frame.geometry.x, "y": frame.geometry.y, "time": track.time})
    assert area(coverage(planar, "2 m", zone(BIG), crs="EPSG:32617"), "covered") == pytest.approx(
        want, rel=REL
    )


def test_no_times_is_allowed_and_told():
    done = coverage(walk([(0, 0), (50, 0)]).drop(columns="time"), "2 m", zone(BIG))
    assert area(done, "covered") == pytest.approx(100, rel=REL)
    assert says(done, "no times")


BOMB = (
    '<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">'
    '<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;">]><gpx><trk><name>&c;</name></trk></gpx>'
)
OUTSIDER = '<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY x SYSTEM "file:///etc/hostname">]><gpx>&x;</gpx>'


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("bomb.gpx", BOMB, "document type"),
        ("outsider.gpx", OUTSIDER, "document type"),
        ("cut.gpx", HEAD + "<trkseg><trkpt", "not well-formed"),
        ("empty.gpx", "", "not well-formed"),
        ("binary.gpx", "\x00\x01\x02", "not well-formed"),
        ("route.gpx", '<gpx><rte><rtept lat="40" lon="-83"/></rte></gpx>', "no track points"),
        ("single.gpx", HEAD + '<trkseg><trkpt lat="40" lon="-83"/></trkseg></trk></gpx>', "at least two"),
        (
            "words.gpx",
            HEAD + '<trkseg><trkpt lat="x" lon="y"/><trkpt lat="" lon=""/></trkseg></trk></gpx>',
            "two",
        ),
        ("polygon.geojson", '{"type":"Polygon","coordinates":[[[0,0],[1,0],[1,1],[0,0]]]}', "no track"),
        ("list.geojson", "[1, 2]", "not GeoJSON"),
        ("deep.geojson", "[" * 100_000, "not GeoJSON"),
        ("torn.json", '{"type": "Feature"', "not GeoJSON"),
        ("hollow.geojson", '{"type":"FeatureCollection","features":[{}]}', "not GeoJSON"),
        ("odd.geojson", '{"type":"LineString","coordinates":[[1],[2]]}', "not GeoJSON"),
        ("names.csv", "a,b\n1,2\n3,4\n", "lon and lat"),
        ("empty.csv", "", "CSV"),
        ("flag.csv", "lon,lat,spraying\n-83,40,maybe\n-83,40.001,on\n", "maybe"),
        ("time.csv", "lon,lat,time\n-83,40,soon\n-83,40.001,later\n", "no time"),
        ("swapped.csv", "lon,lat\n40,-183\n40,-183.1\n", "swapped"),
        ("track.kmz", "x", ".kmz"),
        ("missing", None, "cannot be opened"),
    ],
)
def test_unfit_files_get_one_clear_line(tmp_path, name, content, words):
    path = tmp_path / name
    if content is not None:
        path.write_text(content)
    with pytest.raises(InputError, match=words) as caught:
        coverage(path, "2 m", zone(BIG))
    assert "\n" not in str(caught.value)
    assert name in str(caught.value)


def test_huge_files_and_tracks_are_refused(tmp_path, monkeypatch):
    path = tmp_path / "long.gpx"
    path.write_text(gpx(walk([(0, 0), (50, 0)])))
    with monkeypatch.context() as small:
        small.setattr(trackfiles, "MAX_POINTS", 20)
        with pytest.raises(InputError, match="more than 20 points"):
            read_track(path)
        small.setattr(trackfiles, "MAX_BYTES", 100)
        with pytest.raises(InputError, match="MB"):
            read_track(path)
    monkeypatch.setattr(swaths, "MAX_PAIRS", 3)
    with pytest.raises(InputError, match="crosses itself"):
        coverage(walk([(0, 0), (50, 0), (0, 0)]), "2 m", zone(BIG))


LINE = walk([(0, 0), (50, 0)])


@pytest.mark.parametrize(
    ("track", "words"),
    [
        (LINE.iloc[:1], "at least two"),
        (LINE.iloc[[0] * 5], "no two different points"),
        (LINE.iloc[[0] * 5].drop(columns="time"), "no two different points"),
        (LINE.assign(lon=np.nan), "0 point"),
        (LINE.assign(spraying="off"), "no two different points"),
        (LINE.assign(time=np.arange(len(LINE)) * 60.0), r"60 s apart"),
        (walk([(0, 0), (60, 0)], every=3.0).assign(time=np.arange(21) * 0.001), "imply a speed"),
        (LINE.assign(lon=LINE.lon + 20), "100 km"),
        (LINE.iloc[:0], "no track points"),
        (42, "int"),
    ],
)
def test_unfit_tracks_get_one_clear_error(track, words):
    with pytest.raises(InputError, match=words):
        coverage(track, "2 m", zone(BIG))


def test_positions_lost_for_a_while_are_told():
    track = LINE.copy()
    track.loc[10:12, "lat"] = np.nan
    track.loc[20, "lon"] = np.inf
    done = coverage(track, "2 m", zone(BIG))
    assert area(done, "covered") == pytest.approx(100, rel=REL)
    assert says(done, "4 point.* without a position")


def test_unfit_arguments():
    target = zone(BIG)
    with pytest.raises(UnitError):
        coverage(LINE, 2.0, target)
    with pytest.raises(UnitError):
        coverage(LINE, "2 m", target, gap="3 gal")
    with pytest.raises(UnitError):
        coverage(LINE, "2 m", target, amount="3 ft")
    with pytest.raises(InputError, match="wider than any boom"):
        coverage(LINE, "3 km", target)
    with pytest.raises(InputError, match="min_speed"):
        coverage(LINE, "2 m", target, min_speed="30 mph")
    with pytest.raises(InputError, match="no zones"):
        coverage(LINE, "2 m")
    with pytest.raises(InputError, match="no zones"):
        coverage(LINE, "2 m", target.iloc[:0])
    with pytest.raises(InputError, match="no polygon"):
        coverage(LINE, "2 m", target.set_geometry(target.representative_point()))
    with pytest.raises(CrsError):
        coverage(LINE, "2 m", target.set_crs(None, allow_override=True))
    with pytest.raises(CrsError, match="EPSG"):
        coverage(LINE.rename(columns={"lon": "x", "lat": "y"}), "2 m", target)
    for other in ("zones.gpkg", pd.DataFrame({"zone": [1]}), gpd.GeoDataFrame({"zone": [1]})):
        with pytest.raises(WeedzoneError):
            coverage(LINE, "2 m", other)
        with pytest.raises(WeedzoneError):
            coverage(LINE, "2 m", target, forbidden=other)


def test_a_track_beside_all_zones_says_so():
    done = coverage(LINE, "2 m", zone(shapely.box(0, 50, 10, 60)))
    assert area(done, "covered") == 0
    assert area(done, "outside") == pytest.approx(100, rel=REL)
    assert says(done, "right track")


def test_map_shows_each_part_and_summary_each_area():
    from matplotlib import pyplot as plt

    done = coverage(
        walk(lanes(np.arange(1, 20, 1.8), -4, 34)),
        "2 m",
        zone(LAWN),
        forbidden=zone(shapely.box(0, 28, 5, 40)),
    )
    fig, ax = plt.subplots()
    assert done.plot(ax=ax) is ax
    words = " ".join(text.get_text() for text in ax.get_legend().get_texts())
    for part in ("missed", "covered twice", "outside the zones", "inside a buffer", "edge of the zones"):
        assert part in words
    plt.close(fig)
    text = done.summary()
    assert "label" in text
    assert all(part in text for part in done.areas.part)


def test_half_a_letter_in_a_track_is_one_clear_error(tmp_path):
    line = '{"type": "LineString", "coordinates": [[1, 2], [1.001, 2]]}'
    file = tmp_path / "track.geojson"
    file.write_text(f'{{"type": "Feature", "properties": {{"time": "\\ud800"}}, "geometry": {line}}}')
    with pytest.raises(InputError, match="not GeoJSON"):
        read_track(file)
