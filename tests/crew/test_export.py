"""Files of a job: what is written reads back, nothing is half-written, no name leaves the folder."""

from __future__ import annotations

import csv
import hashlib
import json
import sys
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import geopandas as gpd
import hostile
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from geographiclib.polygonarea import PolygonArea
from hypothesis import given
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal
from shapely.geometry import box

import weedzone as wz
from weedzone.base.files import cell, file_names
from weedzone.crew import export

SAMPLES = Path(__file__).parents[2] / "sample_sites"
KML = "{http://www.opengis.net/kml/2.2}"
LAYERS = ("zones", "patches", "eligible", "ledger")


@pytest.fixture(scope="module")
def park() -> wz.Job:
    survey = wz.read_survey(SAMPLES / "heron_flats" / "survey.gpkg")
    labels = wz.read_labels(SAMPLES / "labels")
    rig = wz.read_rig(SAMPLES / "rigs.toml", "boom")
    return wz.size_job(survey, labels, rig, use="broadcast", on="2026-11-25")


def layers(job: wz.Job) -> dict[str, gpd.GeoDataFrame]:
    return {"zones": job.zones, "patches": job.patches, "eligible": job.eligible, "ledger": job.ground}


def tables(job: wz.Job) -> dict[str, pd.DataFrame]:
    zones = pd.DataFrame(job.zones.drop(columns="geometry"))
    found = {"totals": job.totals, "loads": job.loads, "ledger": job.ledger, "findings": job.findings}
    return {"zones": zones, **found}


def assert_same(
    found: gpd.GeoDataFrame, wanted: gpd.GeoDataFrame, tolerance: float, *, whole: str = "int64"
) -> None:
    """Same columns, dtypes and values, whole numbers as `whole`; every vertex within a tolerance."""
    assert list(found.columns) == list(wanted.columns)
    ints = wanted.select_dtypes("int64").columns
    assert_frame_equal(
        pd.DataFrame(found.drop(columns="geometry")),
        pd.DataFrame(wanted.drop(columns="geometry")).astype(dict.fromkeys(ints, whole)),
    )
    ours, theirs = (frame.geometry.normalize().to_numpy() for frame in (wanted, found))
    apart = shapely.hausdorff_distance(ours, theirs)
    # A thread of a tenth of a square millimetre, thinner than thirteen decimals of a degree, may be lost.
    lost = shapely.area(shapely.symmetric_difference(ours, theirs)) if tolerance else np.ones(len(apart))
    assert ((apart <= tolerance) | (lost < 1e-17)).all()


def digest(folder: Path) -> dict[str, str]:
    files = [path for path in folder.rglob("*") if path.is_file()]
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


# --- what is written reads back -------------------------------------------------------------------------------


def test_geopackage_reads_back_exactly(park: wz.Job, tmp_path: Path) -> None:
    assert park.write(tmp_path / "out", ["gpkg"]) == [tmp_path / "out" / "job.gpkg"]
    file = tmp_path / "out" / "job.gpkg"
    assert sorted(pyogrio.list_layers(file)[:, 0]) == sorted(LAYERS)
    for name, layer in layers(park).items():
        found = gpd.read_file(file, layer=name)
        assert found.crs == layer.crs
        assert_same(found, layer, 0.0)


def test_geoparquet_reads_back_exactly(park: wz.Job, tmp_path: Path) -> None:
    park.write(tmp_path, ["parquet"])
    for name, layer in layers(park).items():
        found = gpd.read_parquet(tmp_path / f"{name}.parquet")
        assert found.crs == layer.crs
        assert_same(found, layer, 0.0)
        assert (found.geom_type == layer.geom_type).all()


@pytest.mark.parametrize("crs", [26915, 2264])  # metres; US survey feet
def test_other_coordinate_systems_read_back(tmp_path: Path, crs: int) -> None:
    job = hostile.job(tmp_path, ("a", "b"))
    moved = wz.Survey(
        turf=job.survey.turf.to_crs(crs),
        infestations=job.survey.infestations.to_crs(crs),
        keep_out=job.survey.keep_out.to_crs(crs),
    )
    again = wz.size_job(moved, job.labels, job.rig, use="broadcast", on="2026-05-10")
    again.write(tmp_path / "out", ["gpkg", "parquet", "geojson"])
    for found in (
        gpd.read_file(tmp_path / "out" / "job.gpkg", layer="zones"),
        gpd.read_parquet(tmp_path / "out" / "zones.parquet"),
    ):
        assert found.crs == again.zones.crs
        assert_same(found, again.zones, 0.0)
    lonlat = gpd.read_file(tmp_path / "out" / "zones.geojson")
    assert_same(lonlat, again.zones.to_crs(4326), 1e-9, whole="int32")


def test_geojson_reads_back_to_a_billionth_of_a_degree(park: wz.Job, tmp_path: Path) -> None:
    park.write(tmp_path, ["geojson"])
    for name, layer in layers(park).items():
        found = gpd.read_file(tmp_path / f"{name}.geojson")
        assert_same(found, layer.to_crs(4326), 1e-9, whole="int32")


def test_geojson_follows_the_standard(park: wz.Job, tmp_path: Path) -> None:
    # RFC 7946: 3.1.6 right-hand rule and closed rings, 4 WGS 84 and no "crs" member, 3.1.1 longitude first.
    park.write(tmp_path, ["geojson"])
    found = json.loads((tmp_path / "zones.geojson").read_text(encoding="utf-8"))
    assert found["type"] == "FeatureCollection"
    assert "crs" not in found
    rings = 0
    for feature in found["features"]:
        assert set(feature["properties"]) == set(park.zones.columns) - {"geometry"}
        for polygon in polygons(feature["geometry"]):
            for number, ring in enumerate(polygon):
                assert ring[0] == ring[-1]
                assert len(ring) >= 4
                assert (signed_area(ring) > 0) == (number == 0)
                rings += 1
                west, south, east, north = park.zones.to_crs(4326).total_bounds
                assert all(
                    west - 1e-6 <= x <= east + 1e-6 and south - 1e-6 <= y <= north + 1e-6 for x, y in ring
                )
    assert rings > len(park.zones)  # some have holes


def polygons(geometry: dict[str, Any]) -> list[Any]:
    return geometry["coordinates"] if geometry["type"] == "MultiPolygon" else [geometry["coordinates"]]


def signed_area(ring: list[list[float]]) -> float:
    """By the trapezoid rule; positive if the ring runs anticlockwise."""
    xy = np.array(ring)
    return float(np.sum(xy[:-1, 0] * xy[1:, 1] - xy[1:, 0] * xy[:-1, 1]) / 2)


def at_the_antimeridian(folder: Path) -> wz.Job:
    """A site across 180 degrees, in a projection that knows no seam there (EPSG:3832)."""
    job = hostile.job(folder, ("fiji",))
    middle = gpd.GeoSeries.from_xy([179.99999], [-17.0], crs=4326).to_crs(3832).iloc[0]

    def moved(layer: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        x, y = middle.x - 500_015, middle.y - 4_650_000
        return layer.set_geometry(layer.geometry.translate(x, y).set_crs(3832, allow_override=True))

    parts = {name: moved(getattr(job.survey, name)) for name in ("turf", "infestations", "keep_out")}
    return wz.size_job(wz.Survey(**parts), job.labels, job.rig, use="broadcast", on="2026-05-10")


@pytest.mark.parametrize("ending", ["geojson", "kml"])
def test_ground_across_the_antimeridian_is_cut_there(tmp_path: Path, ending: str) -> None:
    # RFC 7946, 3.1.9. The area is measured on the ellipsoid with GeographicLib.
    job = at_the_antimeridian(tmp_path)
    job.write(tmp_path / "out", [ending])
    [shape] = gpd.read_file(tmp_path / "out" / f"zones.{ending}").geometry
    pieces = shapely.get_parts(shape)
    assert {bool(piece.centroid.x > 0) for piece in pieces} == {True, False}
    total = 0.0
    for piece in pieces:
        assert piece.bounds[2] - piece.bounds[0] < 0.01
        for number, ring in enumerate((piece.exterior, *piece.interiors)):
            area = PolygonArea(Geodesic.WGS84)
            for x, y in list(ring.coords)[:-1]:
                area.AddPoint(y, x)
            total += abs(area.Compute()[2]) * (-1 if number else 1)
    assert total == pytest.approx(job.zones["area_m2"].sum(), rel=2e-5)


def test_kml_carries_names_figures_and_shapes(park: wz.Job, tmp_path: Path) -> None:
    park.write(tmp_path, ["kml"])
    root = ET.fromstring((tmp_path / "zones.kml").read_text(encoding="utf-8"))  # noqa: S314
    marks = list(root.iter(f"{KML}Placemark"))
    assert len(marks) == len(park.zones)
    first = park.zones.iloc[0]
    assert marks[0].findtext(f"{KML}name") == f"{first.site} · {first.zone} · {first['product']}"
    kinds = {one.get("name"): one.get("type") for one in root.iter(f"{KML}SimpleField")}
    assert kinds["weeds"] == "string"
    assert kinds["area_ft2"] == "double"
    for mark, row in zip(marks, park.zones.drop(columns="geometry").to_dict("records"), strict=True):
        data = {one.get("name"): one.text or "" for one in mark.iter(f"{KML}SimpleData")}
        assert data == {name: str(value) for name, value in row.items()}
        assert all(float(data[name]) == row[name] for name, kind in kinds.items() if kind == "double")
    found = gpd.read_file(tmp_path / "zones.kml")
    wanted = park.zones.to_crs(4326)
    ours, theirs = (frame.geometry.normalize().to_numpy() for frame in (wanted, found))
    assert max(shapely.hausdorff_distance(a, b) for a, b in zip(ours, theirs, strict=True)) <= 1e-9


@pytest.mark.parametrize(
    ("place", "rig", "use"),
    [
        ("alder_court", "boom", "broadcast"),
        ("heron_flats", "boom", "broadcast"),
        ("quince_bend", "backpack", "spot"),
    ],
)
def test_every_sample_in_every_format_holds_only_polygons(
    tmp_path: Path, place: str, rig: str, use: str
) -> None:
    """Read by pyogrio, and by the standard library's JSON and XML with shapely's own areas."""
    survey = wz.read_survey(SAMPLES / place / "survey.gpkg")
    labels, sprayer = wz.read_labels(SAMPLES / "labels"), wz.read_rig(SAMPLES / "rigs.toml", rig)
    job = wz.size_job(survey, labels, sprayer, use=use, on="2026-11-25")
    job.write(tmp_path, ["gpkg", "parquet", "geojson", "kml"])
    for name, layer in layers(job).items():
        wanted = shapely.area(layer.to_crs(4326).geometry.to_numpy())
        read = {
            "gpkg": pyogrio.read_dataframe(tmp_path / "job.gpkg", layer=name),
            "parquet": gpd.read_parquet(tmp_path / f"{name}.parquet"),
            "geojson": pyogrio.read_dataframe(tmp_path / f"{name}.geojson"),
            "kml": pyogrio.read_dataframe(tmp_path / f"{name}.kml"),
        }
        shapes = {ending: frame.to_crs(4326).geometry.to_numpy() for ending, frame in read.items()}
        shapes["json"] = [
            shapely.geometry.shape(feature["geometry"])
            for feature in json.loads((tmp_path / f"{name}.geojson").read_text(encoding="utf-8"))["features"]
        ]
        root = ET.fromstring((tmp_path / f"{name}.kml").read_text(encoding="utf-8"))  # noqa: S314
        shapes["xml"] = [kml_polygons(mark) for mark in root.iter(f"{KML}Placemark")]
        for ending, found in shapes.items():
            assert {shape.geom_type for shape in found} <= {"Polygon", "MultiPolygon"}, ending
            # A vertex may move by 1e-13 degrees: along 200 m of edge that is a square millimetre.
            np.testing.assert_allclose(shapely.area(found), wanted, rtol=1e-6, atol=1e-16, err_msg=ending)


def kml_polygons(mark: ET.Element) -> shapely.MultiPolygon:
    parts = []
    for polygon in mark.iter(f"{KML}Polygon"):
        rings = [
            [tuple(map(float, pair.split(","))) for pair in (line.text or "").split()]
            for line in polygon.iter(f"{KML}coordinates")
        ]
        parts.append(shapely.Polygon(rings[0], rings[1:]))
    return shapely.MultiPolygon(parts)


def test_csv_reads_back(park: wz.Job, tmp_path: Path) -> None:
    park.write(tmp_path, ["csv"])
    for name, table in tables(park).items():
        texts = [one for one in table.columns if not pd.api.types.is_numeric_dtype(table[one])]
        found = pd.read_csv(
            tmp_path / f"{name}.csv",
            dtype=dict.fromkeys(texts, str),
            keep_default_na=False,
            float_precision="round_trip",
        )
        assert list(found.columns) == list(table.columns)
        for column in table.columns:
            if column in texts:
                # No text and none are the same in a table of text.
                assert list(found[column]) == ["" if pd.isna(one) else one for one in table[column]]
            else:
                assert found[column].dtype == table[column].dtype
                assert list(found[column]) == list(table[column])


def test_a_job_without_zones_can_be_written(tmp_path: Path) -> None:
    job = hostile.job(tmp_path, ("a",))
    bare = wz.Survey(
        turf=job.survey.turf,
        infestations=job.survey.infestations.assign(weed="no such weed"),
        keep_out=job.survey.keep_out,
    )
    empty = wz.size_job(bare, job.labels, job.rig, use="broadcast", on="2026-05-10")
    files = empty.write(tmp_path / "out", ["gpkg", "csv", "geojson", "kml", "parquet", "png", "html"])
    assert len(gpd.read_file(tmp_path / "out" / "job.gpkg", layer="zones")) == 0
    assert len(gpd.read_parquet(tmp_path / "out" / "zones.parquet")) == 0
    assert json.loads((tmp_path / "out" / "zones.geojson").read_text())["features"] == []
    assert len(gpd.read_file(tmp_path / "out" / "job.gpkg", layer="ledger")) == 2
    assert all(file.stat().st_size > 0 for file in files)


def test_pictures_of_all_and_of_each_site(tmp_path: Path) -> None:
    from PIL import Image

    job = hostile.job(tmp_path, ("a", "b"))
    files = job.write(tmp_path / "out", ["png"])
    assert [str(one.relative_to(tmp_path / "out")) for one in files] == [
        "map.png",
        "maps/a.png",
        "maps/b.png",
    ]
    for file in files:
        with Image.open(file) as picture:
            assert min(picture.size) > 300
            assert len(set(picture.convert("L").resize((80, 80)).tobytes())) > 10


# --- spreadsheets ---------------------------------------------------------------------------------------------


def test_no_cell_starts_a_formula(tmp_path: Path) -> None:
    # OWASP, "CSV Injection": = + - @ tab and carriage return at the start of a cell.
    hostile.job(tmp_path).write(tmp_path / "out", ["csv"])
    for file in (tmp_path / "out").glob("*.csv"):
        with file.open(encoding="utf-8-sig", newline="") as lines:
            rows = list(csv.reader(lines))
        assert len({len(row) for row in rows}) == 1
        for text in (text for row in rows for text in row):
            assert text[:1] not in ("=", "+", "@", "\t", "\r") or text == ""
            assert not text.startswith("-") or float(text) < 0
    assert "'=HYPERLINK" in (tmp_path / "out" / "zones.csv").read_text(encoding="utf-8-sig")


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\t=1", " =1", "\r\n=1", "\uff1d1", "\n"])
def test_formulas_are_neutralised(text: str) -> None:
    assert cell(text) == "'" + text


@pytest.mark.parametrize("value", [1, 2.5, -3, "a=b", "", "lot 1", "a-b", np.float64(-2.0)])
def test_other_cells_stay_as_they_are(value: object) -> None:
    assert cell(value) == value


@pytest.mark.parametrize("value", [None, float("nan"), pd.NA, pd.NaT])
def test_no_value_is_an_empty_cell(value: object) -> None:
    assert cell(value) == ""


# --- all or nothing -------------------------------------------------------------------------------------------


def test_a_failure_leaves_nothing_behind(
    park: wz.Job, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setitem(export._WRITERS, "csv", fails)
    with pytest.raises(wz.InputError, match="No space left on device"):
        park.write(tmp_path / "out", ["gpkg", "csv"])
    assert not (tmp_path / "out").exists()


def test_a_failure_spares_what_was_there(
    park: wz.Job, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    park.write(tmp_path, ["gpkg", "csv"])
    (tmp_path / "mine.txt").write_text("keep me")
    before = digest(tmp_path)

    def fails(job: object, folder: Path) -> None:
        (folder / "zones.csv").write_text("half")
        raise ZeroDivisionError

    monkeypatch.setitem(export._WRITERS, "csv", fails)
    with pytest.raises(ZeroDivisionError):
        park.write(tmp_path, ["gpkg", "csv"])
    assert digest(tmp_path) == before


@pytest.mark.parametrize("at", range(1, 6))
def test_a_move_that_fails_midway_is_undone(
    park: wz.Job, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    park.write(tmp_path, ["csv"])
    before = digest(tmp_path)
    moves, real = 0, Path.replace

    def replace(self: Path, target: Path) -> Path:
        nonlocal moves
        moves += 1
        if moves == at:
            raise PermissionError(13, "in use by another program")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", replace)
    with pytest.raises(wz.InputError, match="in use by another program"):
        park.write(tmp_path, ["csv", "gpkg"])
    assert digest(tmp_path) == before


def test_a_folder_in_the_way_is_named(park: wz.Job, tmp_path: Path) -> None:
    (tmp_path / "totals.csv").mkdir()
    with pytest.raises(wz.InputError, match=r"totals\.csv: a folder is in the way"):
        park.write(tmp_path, ["csv"])
    assert sorted(path.name for path in tmp_path.iterdir()) == ["totals.csv"]


def test_writing_again_replaces(park: wz.Job, tmp_path: Path) -> None:
    first = park.write(tmp_path, ["gpkg", "csv"])
    again = park.write(str(tmp_path), ("csv", "gpkg"))
    assert first == again
    assert sorted(tmp_path.iterdir()) == sorted(first)
    assert len(gpd.read_file(tmp_path / "job.gpkg", layer="zones")) == len(park.zones)


def test_a_file_in_place_of_the_folder(park: wz.Job, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("")
    with pytest.raises(wz.InputError, match="cannot be written"):
        park.write(tmp_path / "out", ["csv"])


@pytest.mark.parametrize("formats", [["docx"], ["csv", "shp"], "tiff", [None]])
def test_an_unknown_format_lists_the_known_ones(park: wz.Job, tmp_path: Path, formats: Any) -> None:
    with pytest.raises(wz.InputError, match="known: gpkg, geojson, kml, parquet, csv, png, html"):
        park.write(tmp_path / "out", formats)
    assert not (tmp_path / "out").exists()


def test_formats_by_other_names(park: wz.Job, tmp_path: Path) -> None:
    assert park.write(tmp_path, "GPKG") == park.write(tmp_path, [".GeoPackage"])
    with pytest.raises(wz.InputError, match="no format is given"):
        park.write(tmp_path, [])


def test_a_missing_library_is_named(park: wz.Job, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(wz.InputError, match="pyarrow"):
        park.write(tmp_path / "out", ["parquet"])


# --- file names -----------------------------------------------------------------------------------------------


@given(st.lists(st.text(max_size=300), max_size=12, unique=True))
def test_file_names_stay_apart_and_in_their_folder(names: list[str]) -> None:
    found = file_names(names, reserved=("index",))
    assert list(found) == names
    folder = Path("/out")
    for stem in found.values():
        assert (folder / f"{stem}.html").parent == folder
        assert stem == stem.strip(". ")
        assert not set(stem) & set('/\\:*?"<>|\0\n\r')
        assert len(stem.encode("utf-8", "surrogatepass")) <= 200
        assert stem
    folded = [stem.casefold() for stem in found.values()]
    assert len(set(folded)) == len(folded)
    assert "index" not in folded


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("Alder Court", "Alder_Court"),
        ("../../etc/passwd", "etc_passwd"),
        ("..", "site"),
        ("", "site"),
        ("C:\\x", "C__x"),
        ("nul", "site_nul"),
        ("COM1.txt", "site_COM1.txt"),
        ("Ostře 5", "Ostře_5"),
        ("庭", "庭"),
        (".hidden", "hidden"),
    ],
)
def test_one_file_name(name: str, stem: str) -> None:
    assert file_names([name]) == {name: stem}


def test_a_file_name_does_not_depend_on_its_neighbours_order() -> None:
    names = ["a/b", "a\\b", "A b", "caf\u00e9", "cafe\u0301"]
    assert file_names(names) == {name: file_names(names[::-1])[name] for name in names}
    written = [one.casefold() for one in file_names(names).values()]
    assert len(set(written)) == 5


def test_hostile_sites_stay_in_the_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("weedzone.crew.mix_sheet._map", lambda *_: "data:,")
    job = hostile.job(tmp_path)
    files = job.write(tmp_path / "out", ["html", "gpkg", "kml", "geojson"])
    assert {file.parent for file in files} == {tmp_path / "out", tmp_path / "out" / "sheets"}
    assert len(list((tmp_path / "out" / "sheets").iterdir())) == len(hostile.SITES) + 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["label.toml", "out", "rig.toml"]
    found = gpd.read_file(tmp_path / "out" / "job.gpkg", layer="zones")
    assert list(found["site"]) == list(job.zones["site"])
    ET.parse(tmp_path / "out" / "zones.kml")  # noqa: S314
    lonlat = gpd.read_file(tmp_path / "out" / "zones.geojson")
    assert set(lonlat["site"]) == set(job.survey.sites)
    assert box(*lonlat.total_bounds).area < 1
