"""Shapes as they come: every hostile case is repaired with a finding, dropped with a finding, or refused.

docs/geometry.md lists the same cases in a table.
"""

import itertools
import shutil
import sqlite3
import struct
import subprocess
import sys
import textwrap
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
import strategies
from strategies import one_patch, outcome_m2

import weedzone as wz
from weedzone.survey import files as reading
from weedzone.survey.blocks import layers_of
from weedzone.survey.files import read_layers

X, Y = 500_000.0, 2_000_000.0  # somewhere in EPSG:5070, in metres
LAWN = shapely.box(X, Y, X + 40, Y + 40)


def at(*xy: tuple[float, float]) -> list[tuple[float, float]]:
    return [(X + x, Y + y) for x, y in xy]


def poly(*xy: tuple[float, float], holes: Any = ()) -> Any:
    return shapely.Polygon(at(*xy), [at(*hole) for hole in holes])


def box(x0: float, y0: float, x1: float, y1: float) -> Any:
    return shapely.box(X + x0, Y + y0, X + x1, Y + y1)


def messages(survey: Any) -> str:
    return "\n".join(f"{r.severity} {r.layer} {r.feature}: {r.message}" for r in survey.findings.itertuples())


TURNS = np.radians(90.0 + 144.0 * np.arange(5))
# Name: shape, its area as an infestation [m2] by hand, and a word of the finding (None: nothing to say).
HOSTILE: dict[str, tuple[Any, float, str | None]] = {
    "bow-tie": (poly((0, 0), (10, 10), (10, 0), (0, 10)), 50.0, "repaired"),
    "spike": (poly((0, 0), (10, 0), (10, 10), (15, 10), (10, 10), (0, 10)), 100.0, "repaired"),
    "repeated points": (poly((0, 0), (0, 0), (10, 0), (10, 0), (10, 10), (0, 10), (0, 10)), 100.0, None),
    "hole touching the shell at a point": (
        poly((0, 0), (10, 0), (10, 10), (0, 10), holes=[[(0, 5), (3, 3), (3, 7)]]), 94.0, None),
    "hole along the shell": (
        poly((0, 0), (10, 0), (10, 10), (0, 10), holes=[[(0, 2), (3, 2), (3, 8), (0, 8)]]), 82.0, ""),
    "hole leaving the shell": (
        poly((0, 0), (10, 0), (10, 10), (0, 10), holes=[[(8, 2), (14, 2), (14, 8), (8, 8)]]), 88.0, "repaired"),
    "hole outside the shell": (
        poly((0, 0), (10, 0), (10, 10), (0, 10), holes=[[(20, 2), (24, 2), (24, 8), (20, 8)]]), None, "repaired"),
    "nested multipolygon": (shapely.MultiPolygon([box(0, 0, 10, 10), box(3, 3, 6, 6)]), 100.0, "repaired"),
    "parts that overlap": (shapely.MultiPolygon([box(0, 0, 10, 10), box(5, 5, 15, 15)]), 175.0, "repaired"),
    "parts that share an edge": (
        shapely.MultiPolygon([box(0, 0, 10, 10), box(10, 0, 20, 10)]), 200.0, "repaired"),
    "outline walked twice": (poly(*[(0, 0), (10, 0), (10, 10), (0, 10)] * 2), 100.0, "repaired"),
    "pentagram": (
        shapely.Polygon(np.column_stack([X + 20 + 10 * np.cos(TURNS), Y + 20 + 10 * np.sin(TURNS)])),
        112.256994, "repaired"),  # 10 tan(pi/10) / (3 - tan(pi/10)^2) times 10 squared
    "closed the wrong way": (shapely.Polygon(at((0, 0), (0, 10), (10, 10), (10, 0))), 100.0, None),
    "collection of one polygon": (shapely.GeometryCollection([box(0, 0, 10, 10)]), 100.0, None),
    "collection in a collection": (
        shapely.GeometryCollection([shapely.GeometryCollection([box(0, 0, 10, 10)])]), 100.0, None),
    "collection with a line and a point": (
        shapely.GeometryCollection([box(0, 0, 10, 10), shapely.LineString(at((0, 0), (30, 30))),
                                    shapely.Point(X + 30, Y + 1)]), 100.0, "only its polygons are used"),
    "heights": (shapely.force_3d(box(0, 0, 10, 10), 300.0), 100.0, "heights or measures"),
}  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_infestations(name: str) -> None:
    """The ground by hand; what was repaired is said with its area before and after."""
    shape, area, word = HOSTILE[name]
    survey = one_patch([shape, box(30, 30, 31, 31)], turf=LAWN)
    said = [m for m in survey.findings["message"] if "keep-out" not in m]
    if word is None:
        assert not said
    elif word:  # else rounding decides whether there is anything to repair
        assert any(word in m for m in said), said
    if word == "repaired":
        assert any("m2, now" in m for m in said)
        assert (survey.findings["feature"] == "1").any()
    found = sum(outcome_m2(strategies.job(survey)).values()) - 1.0
    if area is not None:
        assert found == pytest.approx(area, rel=2e-5)
    else:
        assert found >= 100.0 * (1 - 2e-5)  # never less than the shell


@pytest.mark.parametrize("name", HOSTILE)
def test_keep_outs_never_shrink(name: str) -> None:
    """Every point that the outline of a keep-out encloses, however drawn, stays out; so does its edge."""
    shape, *_ = HOSTILE[name]
    survey = one_patch(LAWN, keep_out=shape)
    job = strategies.job(survey)
    sprayed = job.zones.geometry.union_all()
    parts = [p for p in shapely.get_parts(shapely.get_parts(shape)) if p.geom_type == "Polygon"]
    shells = [shapely.make_valid(shapely.Polygon(p.exterior), method="structure") for p in parts]
    holes = [shapely.Polygon(ring) for p in parts for ring in p.interiors]
    solid = shapely.difference(shapely.union_all(shells), shapely.union_all(holes)) if parts else shape
    assert shapely.intersection(sprayed, solid).area < 1e-6
    # The edges as drawn, spikes too, keep the label's distance.
    far = min(float(d) for d in job.reach.widest_m.max(axis=0))
    assert far > 1.0
    for part in parts:
        for ring in (part.exterior, *part.interiors):
            assert shapely.distance(sprayed, ring) >= min(far, 1.0)


GONE: dict[str, Any] = {
    "None": None,
    "empty polygon": shapely.Polygon(),
    "empty collection": shapely.GeometryCollection(),
    "not a number": shapely.from_wkb(
        struct.pack("<BII", 1, 3, 1) + struct.pack("<I", 4)
        + np.array([[X, Y], [X + 9, np.nan], [X + 9, Y + 9], [X, Y]], dtype="<f8").tobytes()),
    "infinite": shapely.from_wkb(
        struct.pack("<BII", 1, 3, 1) + struct.pack("<I", 4)
        + np.array([[X, Y], [np.inf, Y], [X + 9, Y + 9], [X, Y]], dtype="<f8").tobytes()),
}  # fmt: skip


@pytest.mark.parametrize("name", GONE)
def test_what_has_no_shape_is_dropped_from_weeds_and_turf_and_refused_elsewhere(name: str) -> None:
    """Nothing of a layer that takes ground away is ever dropped."""
    shape = GONE[name]
    survey = one_patch([box(0, 0, 10, 10), shape], turf=[LAWN, shape])
    assert messages(survey).count("dropped") == 2
    assert sum(outcome_m2(strategies.job(survey)).values()) == pytest.approx(100.0, rel=2e-5)
    with pytest.raises(wz.SurveyError, match=r"layer keep_out, feature 2.*draw it, or delete the row"):
        one_patch(LAWN, keep_out=[box(0, 0, 1, 1), shape])
    frame = gpd.GeoDataFrame({"site": [None, None]}, geometry=[LAWN, shape], crs="EPSG:5070")
    with pytest.raises(wz.SurveyError, match="layer boundary, feature 2"):
        one_patch(LAWN, boundary=frame)


@pytest.mark.parametrize("shape", [poly((0, 0), (5, 5), (10, 10)), poly((0, 0), (10, 0), (0, 0))])
def test_zero_area_polygons(shape: Any) -> None:
    """Of weeds and turf dropped with a finding; of keep-outs the line that is left keeps its distance."""
    survey = one_patch([box(0, 0, 10, 10), shape], turf=[LAWN, shape])
    assert messages(survey).count("dropped: it has no area") == 2
    assert sum(outcome_m2(strategies.job(survey)).values()) == pytest.approx(100.0, rel=2e-5)
    job = strategies.job(one_patch(LAWN, keep_out=shape))
    edge = shapely.LineString(shapely.get_coordinates(shape))
    assert shapely.distance(job.zones.geometry.union_all(), edge) > 1.0


def test_a_layer_of_nothing_but_zero_area_is_refused() -> None:
    with pytest.raises(wz.SurveyError, match="no shape has an area"):
        one_patch(poly((0, 0), (5, 5), (10, 10)), turf=LAWN)


def test_a_fence_line_that_crosses_itself_keeps_its_distance() -> None:
    fence = shapely.LineString(at((5, 5), (30, 30), (30, 5), (5, 30), (5, 5)))
    job = strategies.job(one_patch(LAWN, keep_out=fence))
    assert shapely.distance(job.zones.geometry.union_all(), fence) > 1.0
    assert sum(outcome_m2(job).values()) == pytest.approx(1600.0, rel=2e-5)


def test_patches_drawn_twice_count_once() -> None:
    patch = box(0, 0, 10, 10)
    nearly = shapely.transform(patch, lambda xy: xy + 1e-8 * np.sin(xy))
    job = strategies.job(one_patch([patch, patch, nearly], turf=LAWN))
    assert sum(outcome_m2(job).values()) == pytest.approx(100.0, rel=2e-5)


def test_keep_outs_drawn_twice_stay_kept_out() -> None:
    """As two features, and as one feature that holds the same ground twice."""
    pond = box(10, 10, 20, 20)
    for drawn in (
        [pond, pond],
        [shapely.MultiPolygon([pond, pond])],
        [shapely.MultiPolygon([pond, box(12, 12, 18, 18)])],
    ):
        job = strategies.job(one_patch(LAWN, keep_out=drawn))
        assert outcome_m2(job)["keep-out"] == pytest.approx(100.0, rel=2e-5)


def two_turfs(first: Any, second: Any, names: tuple[str, str], patch: Any = LAWN) -> wz.Job:
    survey = wz.Survey(
        turf=gpd.GeoDataFrame({"turf": list(names)}, geometry=[first, second], crs="EPSG:5070"),
        infestations=gpd.GeoDataFrame({"weed": ["dandelion"]}, geometry=[patch], crs="EPSG:5070"),
        keep_out=gpd.GeoDataFrame({"kind": []}, geometry=[], crs="EPSG:5070"),
    )
    return strategies.job(survey)


def test_turf_of_one_species_that_overlaps_counts_once() -> None:
    job = two_turfs(box(0, 0, 25, 40), box(15, 0, 40, 40), ("tall fescue", "Tall Fescue"), box(1, 1, 39, 39))
    assert outcome_m2(job) == {"treated": pytest.approx(1444.0, rel=2e-5)}
    assert not job.findings["message"].str.contains("overlap").any()


def test_turf_of_different_species_that_overlaps_gets_only_what_both_tolerate() -> None:
    job = two_turfs(box(0, 0, 25, 40), box(15, 0, 40, 40), ("tall fescue", "st. augustinegrass"))
    both = job.ground[job.ground["turf"].fillna("").str.contains(";")]
    assert both["area_m2"].sum() == pytest.approx(400.0, rel=2e-5)
    assert "treated" not in set(both["outcome"]) or both["product"].notna().all()
    for name in both[both["outcome"] == "treated"]["product"]:
        assert all(job.labels[name].allows_turf(t) for t in ("tall fescue", "st. augustinegrass"))
    said = job.findings[job.findings["layer"] == "turf"]["message"].str.cat()
    assert "st. augustinegrass and tall fescue overlap on 400.00 m2" in said


def test_turf_edges_that_nearly_meet_leave_a_sliver_in_the_ledger() -> None:
    """A gap of 1 mm is no turf; a strip of grass of 1 mm is a sliver; the sum holds."""
    patch = box(1, 1, 39, 39)
    gap = two_turfs(box(0, 0, 20, 40), box(20.001, 0, 40, 40), ("tall fescue", "tall fescue"), patch)
    found = outcome_m2(gap)
    assert found["no turf"] == pytest.approx(0.038, rel=1e-4)
    assert sum(found.values()) == pytest.approx(1444.0, rel=2e-5)
    thin = two_turfs(box(0, 0, 20, 40), box(20, 0, 20.001, 40), ("creeping bentgrass", "tall fescue"), patch)
    found = outcome_m2(thin)
    assert found["sliver"] == pytest.approx(0.038, rel=1e-4)
    assert "treated" not in found
    assert not len(thin.zones)


@pytest.mark.slow
@pytest.mark.parametrize("crs", ["EPSG:5070", "EPSG:4326"])
def test_a_polygon_with_a_million_vertices(crs: str) -> None:
    """A circle: its area by the closed form of a regular polygon; a keep-out in it and turf under half of it."""
    n = 1_000_000
    turn = 2.0 * np.pi * np.arange(n) / n
    ring = shapely.Polygon(np.column_stack([X + 20 + 15 * np.cos(turn), Y + 20 + 15 * np.sin(turn)]))
    survey = one_patch(ring, turf=[box(0, 0, 20, 40), box(20, 0, 40, 40)], keep_out=box(18, 18, 22, 22))
    layers = {n: getattr(survey, n).to_crs(crs) for n in ("turf", "infestations", "keep_out")}
    found = outcome_m2(strategies.job(wz.Survey(**layers)))
    truth = 0.5 * n * 15.0**2 * np.sin(2.0 * np.pi / n)
    assert sum(found.values()) == pytest.approx(truth, rel=2e-5)
    assert found["keep-out"] == pytest.approx(16.0, rel=2e-5)


def test_a_keep_out_with_a_hundred_thousand_vertices() -> None:
    turn = 2.0 * np.pi * np.arange(100_000) / 100_000
    far = 8.0 + 0.05 * np.sin(500 * turn)
    pond = shapely.Polygon(np.column_stack([X + 20 + far * np.cos(turn), Y + 20 + far * np.sin(turn)]))
    job = strategies.job(one_patch(LAWN, keep_out=pond))
    assert outcome_m2(job)["keep-out"] == pytest.approx(pond.area, rel=2e-5)
    assert shapely.distance(job.zones.geometry.union_all(), pond) > 1.0


@pytest.mark.slow
def test_ten_thousand_points_in_one_patch() -> None:
    """As so many rows, and as one row of many points: discs of the true area, overlaps once."""
    grid = np.stack(np.meshgrid(np.arange(100), np.arange(100)), axis=-1).reshape(-1, 2) * 0.4 + 0.1
    points = shapely.points(grid + np.array([X, Y]))
    turf = gpd.GeoDataFrame({"turf": ["tall fescue"]}, geometry=[LAWN], crs="EPSG:5070")
    none = gpd.GeoDataFrame({"kind": []}, geometry=[], crs="EPSG:5070")
    for shapes in (points, [shapely.MultiPoint(points)]):
        weeds = gpd.GeoDataFrame(
            {"weed": ["dandelion"] * len(shapes), "radius_m": [0.1] * len(shapes)},
            geometry=shapes,
            crs="EPSG:5070",
        )
        job = strategies.job(
            wz.Survey(turf=turf, infestations=weeds, keep_out=none), min_area="0 m2", min_width="0 m"
        )
        assert sum(outcome_m2(job).values()) == pytest.approx(10_000 * np.pi * 0.01, rel=2e-5)


def test_lines_and_points_without_a_size_are_refused() -> None:
    for shape, word in ((shapely.Point(X, Y), "radius"), (shapely.LineString(at((0, 0), (1, 1))), "width")):
        with pytest.raises(wz.SurveyError, match=f"feature 1.*give {word}_ft or {word}_m"):
            one_patch(shape, turf=LAWN)


def test_lines_and_points_in_a_layer_of_polygons_are_refused() -> None:
    with pytest.raises(wz.SurveyError, match=r"layer turf, feature 1.*polygons.*line"):
        one_patch(box(0, 0, 1, 1), turf=shapely.LineString(at((0, 0), (1, 1))))


def test_a_blank_site_stays_blank() -> None:
    """In a survey of several sites: a keep-out without one holds for all, a weed without one is refused."""
    turf = gpd.GeoDataFrame(
        {"site": ["a", "b"], "turf": ["tall fescue"] * 2},
        geometry=[box(0, 0, 10, 10), box(20, 0, 30, 10)],
        crs=5070,
    )
    weeds = turf.rename(columns={"turf": "weed"}).assign(weed="dandelion")
    pond = gpd.GeoDataFrame(
        {"site": ["a", None], "kind": ["pond", "pond"]},
        geometry=[box(0, 0, 2, 2), box(20, 0, 22, 2)],
        crs=5070,
    )
    survey = wz.Survey(turf=turf, infestations=weeds, keep_out=pond)
    assert "nan" not in messages(survey).lower()
    kept = strategies.job(survey).ledger.query("outcome == 'keep-out'").groupby("site")["area_m2"].sum()
    assert kept.to_dict() == {"a": pytest.approx(4.0, rel=2e-5), "b": pytest.approx(4.0, rel=2e-5)}
    weeds.loc[1, "site"] = None
    with pytest.raises(wz.SurveyError, match=r"layer infestations, feature 2.*the site is missing"):
        wz.Survey(turf=turf, infestations=weeds, keep_out=pond)


def test_a_distance_that_no_rule_keeps_is_refused() -> None:
    pond = gpd.GeoDataFrame({"kind": ["pond"], "buffer_m": [1e308]}, geometry=[box(0, 0, 1, 1)], crs=5070)
    with pytest.raises(
        wz.SurveyError, match=r"layer keep_out, feature 1.*buffer is 1e\+308 m.*at most 10000 m"
    ):
        one_patch(LAWN).__class__(
            turf=one_patch(LAWN).turf, infestations=one_patch(LAWN).infestations, keep_out=pond
        )


def test_frames_passed_in_are_not_changed() -> None:
    frames = strategies.frames(strategies.drawn(3))
    before = {
        name: (frame.copy(), shapely.to_wkb(frame.geometry.to_numpy()).tolist())
        for name, frame in frames.items()
    }
    strategies.job(wz.Survey(**frames))
    for name, (table, shapes) in before.items():
        assert frames[name].equals(table)
        assert shapely.to_wkb(frames[name].geometry.to_numpy()).tolist() == shapes


# Files -----------------------------------------------------------------------------------------------------

BOMB = """<?xml version="1.0"?>
<!DOCTYPE bomb [<!ENTITY a "aaaaaaaaaa">{entities}]>
<{root}><name>&{last};</name></{root}>
"""


def bomb(root: str) -> str:
    """Each entity ten of the one before: ten lines that unfold to ten thousand million letters."""
    names = "abcdefghij"
    entities = "".join(f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in itertools.pairwise(names))
    return BOMB.format(entities=entities, last=names[-1], root=root)


@pytest.mark.parametrize(("suffix", "root"), [("kml", "kml"), ("gpx", "gpx"), ("KML", "kml")])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-16-le", "utf-32", "utf-8-sig"])
def test_entity_bombs_are_refused(tmp_path: Path, suffix: str, root: str, encoding: str) -> None:
    for layer in ("turf", "infestations", "keep_out"):
        (tmp_path / f"{layer}.{suffix}").write_bytes(bomb(root).encode(encoding))
    with pytest.raises(wz.SurveyError, match="entities"):
        wz.read_survey(tmp_path)


def test_entity_bombs_under_another_ending_are_refused_too(tmp_path: Path) -> None:
    """The reading library looks at the content, not at the name."""
    for layer in ("turf", "infestations", "keep_out"):
        (tmp_path / f"{layer}.geojson").write_text(bomb("kml"), encoding="utf-8")
    with pytest.raises(wz.SurveyError):
        wz.read_survey(tmp_path)


def test_oversized_xml_is_refused_unread(tmp_path: Path) -> None:
    with (tmp_path / "turf.kml").open("wb") as file:
        file.truncate(reading.MAX_XML_BYTES + 1)
    with pytest.raises(wz.SurveyError, match="too large"):
        wz.read_survey(tmp_path)


def test_bombs_and_giants_within_bounds_of_time_and_memory(tmp_path: Path) -> None:
    """In a process that may take 2 GB of memory and 60 s of processor: refused, not killed."""
    (tmp_path / "turf.kml").write_text(bomb("kml"), encoding="utf-8")
    giant = tmp_path / "giant"
    giant.mkdir()
    with (giant / "turf.gpx").open("wb") as file:
        file.truncate(50_000_000_000)  # sparse: takes no room
    code = f"""
        import resource
        import weedzone as wz
        resource.setrlimit(resource.RLIMIT_AS, (2_000_000_000, 2_000_000_000))
        resource.setrlimit(resource.RLIMIT_CPU, (60, 60))
        for place in ({str(tmp_path)!r}, {str(giant)!r}):
            try:
                wz.read_survey(place)
            except wz.WeedzoneError as error:
                print("refused:", error)
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("refused:") == 2


def test_deeply_nested_files_are_refused(tmp_path: Path) -> None:
    (tmp_path / "turf.geojson").write_text("[" * 200_000 + "]" * 200_000, encoding="utf-8")
    (tmp_path / "infestations.kml").write_text("<kml>" + "<Folder>" * 50_000, encoding="utf-8")
    with pytest.raises(wz.SurveyError):
        wz.read_survey(tmp_path)


@pytest.mark.parametrize(
    "content", [b"", b"\x00" * 100, b"SQLite format 3\x00", b'{"type":"FeatureCollection"', b"PAR1"]
)
@pytest.mark.parametrize("suffix", reading.SUFFIXES)
def test_files_that_are_none_are_refused(tmp_path: Path, content: bytes, suffix: str) -> None:
    (tmp_path / f"turf{suffix}").write_bytes(content)
    with pytest.raises(wz.SurveyError):
        wz.read_survey(tmp_path)


def test_samples_read_alike_from_every_format(tmp_path: Path) -> None:
    frames, _ = read_layers(strategies.SAMPLES / "alder_court" / "survey.gpkg")
    truth = outcome_m2(strategies.job(wz.Survey(**frames)))
    for suffix in ("geojson", "fgb", "parquet"):
        folder = tmp_path / suffix
        folder.mkdir()
        for name, frame in frames.items():
            if suffix == "parquet":
                frame.to_parquet(folder / f"{name}.{suffix}")
            else:
                frame.to_file(folder / f"{name}.{suffix}")
        found = outcome_m2(strategies.job(wz.read_survey(folder)))
        assert found == pytest.approx(truth, rel=1e-5), suffix


def test_a_view_in_place_of_a_layer_is_refused(tmp_path: Path) -> None:
    """A query may take for ever: this one counts without an end."""
    file = tmp_path / "survey.gpkg"
    shutil.copy(Path(__file__).parents[2] / "sample_sites" / "alder_court" / "survey.gpkg", file)
    endless = (
        "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT i AS fid, NULL AS geom FROM n"
    )
    with closing(sqlite3.connect(file)) as database, database:
        database.execute(f"CREATE VIEW history AS {endless}")
        database.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, srs_id) VALUES ('history', 'features', 4326)"
        )
        database.execute(
            "INSERT INTO gpkg_geometry_columns VALUES ('history', 'geom', 'POLYGON', 4326, 0, 0)"
        )
    with pytest.raises(wz.SurveyError, match="layer history: the layer is a view"):
        wz.read_survey(file)
    with pytest.raises(wz.SurveyError, match="layer history: the layer is a view"):
        layers_of(file)
