"""Records: what is kept, what is refused, and that nothing is ever lost or half there."""

from __future__ import annotations

import csv
import datetime as dt
import io
import itertools
import multiprocessing
import os
import random
import signal
import sqlite3
import time
import zipfile
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import replace
from functools import cache
from html import unescape
from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas as gpd
import pyogrio
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from plots import label, layer, size, survey
from shapely import box

import weedzone as wz
from weedzone.base import units
from weedzone.base.errors import InputError, UnitError, WeedzoneError
from weedzone.base.words import OF_A_RECORD
from weedzone.records.page import ELEMENTS, RULES, records_to_csv, records_to_html
from weedzone.records.recording import Record, correct, record
from weedzone.records.store import read_records
from weedzone.survey.survey import Survey

CRS = "EPSG:32615"
TODAY = dt.date.today()
DAY = dt.date(2025, 4, 30)
NUMBERS = itertools.count()
PLOTS = (  # feet from the site's western edge, turf, weed: 3,000, 1,000 and 1,000 ft2, all 50 ft deep
    (0, 60, "tall fescue", "dandelion"),
    (80, 100, "perennial ryegrass", "dandelion"),
    (120, 140, "tall fescue", "ground ivy"),
)
LABEL = """{}
reentry = "until dry"
ppe = ["gloves", "eye protection"]
[[active]]
name = "2,4-D"
concentration = "{}"
[turf]
tolerant = ["tall fescue", "perennial ryegrass"]
[weeds]
"{}" = "good"
[[rate]]
use = "spot"
dose = "{}"
volume = "1 gal/ksqft"
"""

EVERYTHING = {
    "start": "9:40",
    "end": "11:05",
    "applicator": "A. Sower",
    "licence": "L-1",
    "customer": "Green Trust",
    "address": "1 Meadow Way",
    "wind": "6 mph",
    "wind_from": "NW",
    "temperature": "72 degF",
    "humidity": "55 %",
    "signs_posted": "2025-04-30 9:30, north gate",
    "equipment": "backpack sprayer, flat fan",
}


@cache
def sized(sites, crs, shift, registered):
    turf, weeds = [], []
    for number, site in enumerate(sites):
        for west, east, grass, weed in PLOTS:
            place = {"site": site, "at": (west + shift + 1600 * number, 0, east + shift + 1600 * number, 50)}
            turf.append({**place, "turf": grass})
            weeds.append({**place, "weed": weed})
    amine = LABEL.format(
        'registration = "DEMO-38"' if registered else "", "3.8 lb/gal", "dandelion", "1.1 fl oz/ksqft"
    )
    dry = LABEL.format('registration = "DEMO-75"', "75 %", "ground ivy", "0.5 oz/ksqft")
    with TemporaryDirectory() as folder:
        labels = [
            label(Path(folder), amine, "Demo Amine 38"),
            label(Path(folder), dry, "Demo Dry 75", "dry"),
        ]
    rig = wz.make_rig("backpack", tank="10 gal")
    return size(survey(turf, weeds, crs), labels, rig, "spot", on=DAY)


def make_job(sites=("Elm Court",), crs=CRS, on=DAY, shift=0.0, registered=True):
    """A job with two zones of one product and one of a dry product on each site."""
    return replace(sized(sites, crs, shift, registered), on=on)


def figures(texts):
    return [float(text.split()[0]) for text in texts]


@pytest.fixture
def path(tmp_path):
    return tmp_path / "records.gpkg"


@pytest.fixture
def job():
    return make_job()


@contextmanager
def opened(path):
    # Closed for certain: a connection that outlives its block would be carried into forked writers.
    with closing(sqlite3.connect(path)) as db, db:
        yield db


def history(path):
    return gpd.read_file(path, layer="history")


# --- what is kept ------------------------------------------------------------------------------------------


def test_record_as_planned_is_the_history_of_the_next_survey(job, path):
    made = record(job, path, **EVERYTHING)
    assert isinstance(made, Record)
    read = history(path)
    assert list(read["zone"]) == ["Z1", "Z2", "Z3"]
    assert figures(read["amount"]) == pytest.approx([3.3, 1.1, 0.5], rel=1e-8)
    assert [text.split(" ", 1)[1] for text in read["amount"]] == ["fl oz", "fl oz", "oz"]
    assert set(read["remarks"]) == {"amounts as planned for the ground"}
    assert set(read["date"].astype(str)) == {"2025-04-30"}
    assert set(read["record"]) == {made.id}
    assert read.crs == job.zones.crs
    for stored, planned in zip(read.geometry, job.zones.geometry, strict=True):
        assert stored.equals(planned)
    first = read.iloc[0]
    assert (first["registration"], first["active"], first["site"]) == ("DEMO-38", "2,4-D", "Elm Court")
    assert (first["start"], first["end"], first["wind_from"]) == ("09:40", "11:05", "NW")
    assert (first["equipment"], first["reentry"]) == ("backpack sprayer, flat fan", "until dry")
    assert first["ppe"] is None or first["ppe"] != first["ppe"]  # what was worn is not guessed from the label
    assert read["area_ft2"].to_list() == pytest.approx(job.zones["area_ft2"].to_list())


def test_a_survey_takes_the_history_and_counts_it_once(job, path):
    first = record(job, path, applied={"Z1": "1.2 gal"})
    correct(path, first.id, applied={"Z1": "0.6 gal"}, reason="read twice")
    ground = layer([{"site": "Elm Court", "at": (0, 0, 300, 300)}], CRS)
    later = Survey(
        turf=ground.assign(turf="tall fescue"),
        infestations=ground.assign(weed="dandelion"),
        history=history(path),
    )
    (past,) = later.history.to_dict("records")
    assert (past["product"], past["site"], past["amount"]) == ("Demo Amine 38", "Elm Court", "0.6 gal")
    assert past["date"] == DAY


def test_dose_and_mix_follow_from_amount_and_area(job, path):
    # By hand: 3.3 fl oz on 3,000 ft2 are 1.1 fl oz/ksqft; in 3 gal of solution 1.1 fl oz/gal. 0.5 oz on
    # 1,000 ft2 in 1 gal: 0.5 oz/ksqft and 0.5 oz/gal.
    rows = record(job, path).rows
    assert figures(rows["dose"]) == pytest.approx([1.1, 1.1, 0.5], rel=1e-8)
    assert [text.split(" ", 1)[1] for text in rows["dose"]] == ["fl oz/ksqft", "fl oz/ksqft", "oz/ksqft"]
    assert list(rows["mix"]) == ["1.1 fl oz/gal", "1.1 fl oz/gal", "0.5 oz/gal"]
    assert list(rows["solution"]) == ["3 gal", "1 gal", "1 gal"]


def test_dose_text_reads_back_as_amount_over_area(job, path):
    for row in record(job, path, applied={"Z1": "1.2 gal", "Z3": "3 lb"}).rows.to_dict("records"):
        dose = units.to_si(row["dose"], "dose", form=row["form"])
        amount = units.to_si(row["amount"], "amount", form=row["form"])
        assert dose * row["area_m2"] == pytest.approx(amount, rel=1e-5)


def test_actual_amounts_by_zone(job, path):
    made = record(job, path, applied={"Z1": "1.2 gal"})
    assert list(made.rows["zone"]) == ["Z1"]
    assert made.rows["amount"].iloc[0] == "1.2 gal"
    # by hand: 1.2 gal are 153.6 fl oz, on 3,000 ft2
    assert figures(made.rows["dose"]) == pytest.approx([51.2], rel=1e-8)
    assert {finding.feature for finding in made.findings if finding.severity == "note"} == {
        "Elm Court Z2",
        "Elm Court Z3",
    }


def test_more_than_the_label_allows_is_recorded_and_warned_of(job, path):
    made = record(job, path, applied={"Z1": "6.6 fl oz"})  # 2.2 fl oz/ksqft against 1.1 at most
    (warning,) = [finding for finding in made.findings if finding.severity == "warning"]
    assert "2.00 times" in warning.message
    assert len(history(path)) == 1


def test_actual_amount_by_product_is_shared_as_planned(job, path):
    rows = record(job, path, applied={"Demo Amine 38": "8 fl oz"}).rows
    assert figures(rows["amount"]) == pytest.approx([6, 2], rel=1e-8)  # planned 3.3 : 1.1


def test_pint_quantities_are_taken(job, path):
    rows = record(
        job, path, applied={"Z1": 1.5 * units.ureg.liter}, wind=2 * units.ureg.meter_per_second
    ).rows
    assert units.to_si(rows["amount"].iloc[0], "amount", form="liquid") == pytest.approx(1.5, rel=1e-6)
    assert units.to_si(rows["wind"].iloc[0], "speed") == pytest.approx(2, rel=1e-3)


def test_polygons_as_applied_in_another_crs(job, path):
    sprayed = layer([{"product": "Demo Amine 38", "amount": "2 fl oz", "at": (0, 0, 30, 30)}], 4326)
    made = record(job, path, applied=sprayed)
    row = made.rows.iloc[0]
    assert (row["zone"], row["turf"], row["site"]) == ("Z1", "tall fescue", "Elm Court")
    assert made.rows.crs == CRS
    assert row["area_ft2"] == pytest.approx(900, rel=1e-5)
    assert row["area_m2"] == pytest.approx(900 * 0.3048**2, rel=1e-5)


@pytest.mark.parametrize(
    "crs", ["EPSG:4326", "EPSG:6350", "ESRI:102008", "+proj=laea +lat_0=40 +lon_0=-87 +units=us-ft"]
)
def test_crs_of_the_survey_is_kept_and_later_jobs_are_moved_to_it(path, crs):
    record(make_job(crs=crs), path)
    record(make_job(crs="EPSG:3857", on=dt.date(2025, 5, 30)), path)
    read = history(path)
    wanted = make_job(crs=crs).zones
    assert (
        read.crs == wanted.crs
        or read.crs.equals(wanted.crs, ignore_axis_order=True)
        or (read.crs.to_dict() == wanted.crs.to_dict())
    )
    for part in (read.iloc[:3], read.iloc[3:]):
        again, first = part.to_crs(CRS).geometry.to_list(), wanted.to_crs(CRS).geometry.to_list()
        for one, other in zip(again, first, strict=True):
            assert shapely.hausdorff_distance(one, other) < 1e-3
    assert read_records(path).crs == read.crs or read_records(path).crs.to_dict() == read.crs.to_dict()


def test_polygons_with_holes_and_heights_come_through(path):
    job = make_job()
    x, y = job.zones.total_bounds[:2]
    ring = box(x, y, x + 20, y + 20) - box(x + 5, y + 5, x + 9, y + 9)
    two = shapely.union_all([box(x + 40, y, x + 44, y + 4), box(x + 46, y, x + 47, y + 4)])
    drawn = [shapely.force_3d(ring, 200.0), two, job.zones.geometry.iloc[2]]
    record(replace(job, zones=job.zones.set_geometry(drawn, crs=CRS)), path)
    read = history(path)
    assert read.geometry.iloc[0].equals(ring)
    assert not read.geometry.has_z.any()
    assert len(read.geometry.iloc[1].geoms) == 2


def test_file_holds_to_the_geopackage_standard(job, path):
    # OGC 12-128r19: requirement 2 (application id), 10-17 (tables), 19 and 150 (geometry blob), 25-33.
    record(job, path)
    with opened(path) as db:
        assert db.execute("PRAGMA application_id").fetchone() == (0x47504B47,)
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []
        layers = dict(db.execute("SELECT table_name, data_type FROM gpkg_contents"))
        assert layers == {"history": "features", "superseded": "features"}
        srs = {row[0] for row in db.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
        assert {-1, 0, 4326, 32615} <= srs
        blob = db.execute("SELECT geom FROM history").fetchone()[0]
        bounds = db.execute("SELECT min_x, min_y, max_x, max_y FROM gpkg_contents WHERE table_name='history'")
        assert bounds.fetchone() == pytest.approx(tuple(job.zones.total_bounds))
    assert blob[:2] == b"GP"
    info = pyogrio.read_info(path, layer="history", force_total_bounds=True)
    assert (info["features"], info["geometry_type"], info["fid_column"]) == (3, "MultiPolygon", "fid")
    assert set(pyogrio.list_layers(path)[:, 0]) == {"history", "superseded"}


def test_layers_may_join_a_survey_file_and_it_stays_whole(job, path):
    turf = layer([{"turf": "tall fescue", "at": (0, 0, 300, 300)}], CRS)
    turf.to_file(path, layer="turf")
    record(job, path)
    assert len(history(path)) == 3
    assert gpd.read_file(path, layer="turf").geometry.iloc[0].equals(turf.geometry.iloc[0])


def test_order_of_writing_is_kept(path):
    for month in (6, 4, 5):
        record(make_job(on=dt.date(2025, month, 1)), path)
    assert list(dict.fromkeys(read_records(path)["date"])) == ["2025-06-01", "2025-04-01", "2025-05-01"]


@given(text=st.text(min_size=1, max_size=40))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_text_is_kept_or_refused_but_never_changed_in_silence(tmp_path, text):
    path = tmp_path / f"{next(NUMBERS)}.gpkg"
    try:
        record(make_job(), path, remarks=text, customer=text)
    except InputError:
        assert not path.exists()
        return
    kept = read_records(path)["customer"].iloc[0]
    assert kept == (text.replace("\r\n", "\n").replace("\r", "\n").strip() or None)
    assert history(path)["customer"].iloc[0] == kept or kept is None


# --- what is missing ---------------------------------------------------------------------------------------


def test_everything_given_leaves_nothing_missing(job, path):
    assert dict(record(job, path, **EVERYTHING).missing) == {}


@pytest.mark.parametrize(
    ("element", "rules"),
    [
        # Elements by rule as their texts list them, in neutral wording; WAC from memory.
        ("applicator", {"7 CFR 110.3", "40 CFR 171.303(b)(7)(vi)", "COMAR 15.05.01.12", "4 TAC 7.143"}),
        ("licence", {"7 CFR 110.3", "40 CFR 171.303(b)(7)(vi)", "4 TAC 7.143"}),
        ("customer", {"40 CFR 171.303(b)(7)(vi)", "COMAR 15.05.01.12", "4 TAC 7.143"}),
        ("address", {"40 CFR 171.303(b)(7)(vi)", "COMAR 15.05.01.12", "4 TAC 7.143"}),
        ("start", {"40 CFR 171.303(b)(7)(vi)", "COMAR 15.05.01.12"}),
        ("wind", {"COMAR 15.05.01.12", "WAC 16-228"}),
        ("wind_from", {"COMAR 15.05.01.12", "WAC 16-228"}),
        ("temperature", {"WAC 16-228"}),
        ("signs_posted", {"357 IAC 1-5", "ECL 33-1003"}),
    ],
)
def test_each_missing_element_is_named_with_the_rules_that_ask(job, path, element, rules):
    made = record(job, path, **{**EVERYTHING, element: None})
    assert element in made.missing
    assert {citation.split(" (")[0] for citation in made.missing[element]} == {
        rule.split(" (")[0] for rule in rules
    }
    assert set(made.missing) <= {element, "billing_address", "supervisor"}


@pytest.mark.parametrize("blank", ["", "  ", "n/a", "unknown", "?"])
def test_a_blank_answer_is_missing(job, path, blank):
    assert "applicator" in record(job, path, **{**EVERYTHING, "applicator": blank}).missing


def test_elements_of_the_label_are_missed_too(path):
    assert "registration" in record(make_job(registered=False), path, **EVERYTHING).missing


def test_supervision(job, path):
    under = {**EVERYTHING, "licence": None, "supervisor": "B. Reaper"}
    assert set(record(job, path, **under).missing) == {"licence", "supervisor_licence"}
    under |= {"supervisor_licence": "L-9", "start": "13:00", "end": "14:00"}
    assert dict(record(job, path, **under).missing) == {}


def test_rules_are_consistent_data():
    assert {name for rule in RULES for name in rule["elements"]} == set(ELEMENTS)
    assert all(rule["citation"] for rule in RULES)


# --- what is refused ---------------------------------------------------------------------------------------


def refused(path, match, *, error=InputError, job=None, **details):
    before = path.read_bytes() if path.exists() else None
    with pytest.raises(error, match=match) as caught:
        record(job or make_job(), path, **details)
    assert "\n" not in str(caught.value)
    assert (path.read_bytes() if path.exists() else None) == before


def test_duplicates_are_refused(job, path):
    first = record(job, path, start="9:00")
    refused(path, first.id, start="9:00")
    refused(path, "already", start="9:00-05:00")  # the same clock time, its offset added
    refused(path, "already")  # a start left out may be any
    refused(path, "already", start="9:00", job=make_job(crs="EPSG:3857"))
    refused(path, "already", start="9:00", applied={"Z2": "9 fl oz"})
    assert len(history(path)) == 3
    record(job, path, start="15:00")  # a second visit of the day
    record(make_job(on=dt.date(2025, 5, 1)), path, start="9:00")
    record(make_job(sites=("Oak Court",)), path, start="9:00")
    record(make_job(shift=300.0), path, start="9:00")
    assert len(history(path)) == 15


def test_a_record_that_is_partly_a_duplicate_is_refused_whole(job, path):
    record(job, path, applied={"Z3": "1 oz"})
    refused(path, "already")
    assert len(history(path)) == 1


@pytest.mark.parametrize(
    ("details", "match"),
    [
        ({"date": TODAY + dt.timedelta(days=1)}, "future"),
        ({"date": "2999-01-01"}, "future"),
        ({"start": dt.datetime.now(dt.UTC) + dt.timedelta(hours=30)}, "future"),
        ({"date": "30.4.2025"}, "is no date"),
        ({"date": "2025-02-30"}, "is no date"),
        ({"date": 20250430}, "is no date"),
        ({"start": "11:00", "end": "10:00"}, "before the start"),
        (
            {"start": "2025-04-30T11:00-05:00", "end": "2025-04-30T10:30-06:00", "date": "2025-04-29"},
            "record on",
        ),
        ({"start": "2025-04-30T11:00-05:00", "end": "2025-04-30T11:30-04:00"}, "before the start"),
        ({"start": "25:00"}, "no time"),
        ({"start": "noonish"}, "no time"),
        ({"wind_from": "upwards"}, "no direction"),
        ({"wind_from": "361"}, "no direction"),
        ({"applied": {"Z9": "1 gal"}}, "no zone or product"),
        ({"applied": {"Z1": "1 fl oz", "Demo Amine 38": "2 fl oz"}}, "given twice"),
        ({"applied": {}}, "nothing was applied"),
        ({"applied": {"Z1": None}}, "nothing was applied"),
        ({"applied": "1 gal"}, "neither a mapping nor polygons"),
        ({"site": "Nowhere"}, "no zone there"),
        ({"aplicator": "A. Sower"}, "unknown: aplicator"),
        ({"remarks": "a\x00b"}, "cannot be printed"),
        ({"remarks": "a\ud800b"}, "cannot be printed"),
    ],
)
def test_bad_input_is_one_clear_error_and_leaves_no_file(path, details, match):
    refused(path, match, **details)


@pytest.mark.parametrize(
    "details",
    [
        {"applied": {"Z1": "1.2"}},
        {"applied": {"Z1": 1.2}},
        {"applied": {"Z1": "-1 gal"}},
        {"applied": {"Z1": "0 gal"}},
        {"applied": {"Z1": "nan gal"}},
        {"applied": {"Z1": "1 oz by weight"}},
        {"applied": {"Z3": "1 gal"}},
        {"wind": "6"},
        {"wind": 6},
        {"wind": "6 degF"},
        {"temperature": "72"},
        {"humidity": "55"},
    ],
)
def test_quantities_without_or_with_wrong_units_are_refused(path, details):
    refused(path, "accepted|unit", error=UnitError, **details)


def test_zone_name_on_several_sites_is_ambiguous(path):
    job = make_job(sites=("Elm Court", "Oak Court"))
    refused(path, "several sites", job=job, applied={"Z1": "1 gal"})
    record(job, path, site="Oak Court", applied={"Z1": "1 gal"})
    assert set(history(path)["site"]) == {"Oak Court"}


def test_as_applied_polygons_are_checked(path):
    good = layer([{"product": "Demo Amine 38", "amount": "2 fl oz", "at": (0, 0, 30, 30)}], CRS)
    refused(path, "columns product and amount", applied=good.drop(columns="amount"))
    refused(path, "no coordinate system", applied=good.set_crs(None, allow_override=True))
    refused(path, "no product of the job", applied=good.assign(product="x"))
    for shape in (shapely.Point(0, 0), shapely.Polygon(), None):
        refused(path, "no polygon", applied=good.set_geometry([shape], crs=CRS))
    refused_with_file = path.with_name("other.gpkg")
    with pytest.raises(InputError, match="already"):
        record(make_job(), refused_with_file, applied=good.loc[[0, 0]])
    assert len(read_records(refused_with_file)) == 0


@pytest.mark.parametrize(
    "content", [b"not a database at all", b"SQLite format 3\0" + b"\xff" * 4000, b"\0" * 100]
)
def test_a_file_that_is_no_record_file_is_refused_and_left_alone(path, content):
    path.write_bytes(content)
    refused(path, "records.gpkg")
    with pytest.raises(InputError, match=r"records\.gpkg"):
        read_records(path)
    assert path.read_bytes() == content


def test_other_databases_are_refused_and_left_alone(tmp_path, path, job):
    other = tmp_path / "other.sqlite"
    with opened(other) as db:
        db.execute("CREATE TABLE t (a)")
    refused(other, "not a GeoPackage")
    job.zones[["site", "geometry"]].to_file(path, layer="history")  # a history drawn by hand
    refused(path, "not made by weedzone")
    zipped = tmp_path / "zipped.gpkg"
    with zipfile.ZipFile(zipped, "w") as archive:
        archive.writestr("a", "b")
    refused(zipped, "not a GeoPackage")


def test_places_that_cannot_be_written(tmp_path, path):
    refused(tmp_path / "no" / "such" / "folder.gpkg", "no such folder")
    with pytest.raises(InputError):
        record(make_job(), tmp_path)
    with pytest.raises(InputError, match="no record file"):
        read_records(path)
    assert list(tmp_path.iterdir()) == []


def test_full_disk_loses_nothing(job, path, monkeypatch):
    record(job, path)
    real = sqlite3.connect

    def small(*args, **options):
        connection = real(*args, **options)
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages}")
        return connection

    monkeypatch.setattr(sqlite3, "connect", small)
    long = "word " * 4000
    refused(path, "full", job=make_job(on=dt.date(2025, 6, 1)), remarks=long)
    monkeypatch.undo()
    assert len(history(path)) == 3


def test_a_locked_file_is_one_clear_error(job, path, monkeypatch):
    record(job, path)
    monkeypatch.setattr("weedzone.records.store._BUSY_S", 0.05)
    holder = sqlite3.connect(path, isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    try:
        with pytest.raises(InputError, match="another program"):
            record(make_job(on=dt.date(2025, 6, 1)), path)
    finally:
        holder.close()
    assert len(history(path)) == 3


# --- times -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "kept"),
    [
        ("9:40", "09:40"),
        ("09:40:30", "09:40:30"),
        ("2:15 pm", "14:15"),
        ("2 PM", "14:00"),
        ("12:05 a.m.", "00:05"),
        (dt.time(7, 5), "07:05"),
        (dt.datetime(2025, 4, 30, 7, 5), "07:05"),
        ("2025-04-30 07:05", "07:05"),
        ("2025-04-30T07:05-05:00", "07:05-05:00"),
        (None, None),
    ],
)
def test_start_times(path, said, kept):
    start = record(make_job(), path, start=said).rows["start"].iloc[0]
    assert start == kept


def test_day_comes_from_the_start_or_the_job(path):
    job = make_job()
    assert record(job, path, start="2025-03-02 8:00").rows["date"].iloc[0] == "2025-03-02"
    assert record(job, path).rows["date"].iloc[0] == "2025-04-30"
    assert record(job, path, date=TODAY).rows["date"].iloc[0] == TODAY.isoformat()


def test_work_past_midnight_keeps_the_day_of_its_end(path):
    rows = record(make_job(), path, start="22:30", end="2025-05-01 00:15").rows
    assert (rows["date"].iloc[0], rows["end"].iloc[0]) == ("2025-04-30", "2025-05-01 00:15")


def test_weather_at_start_and_end(path):
    rows = record(make_job(), path, wind=("4 mph", "7 mph"), temperature="-2 degC", wind_from=225).rows
    assert (rows["wind"].iloc[0], rows["temperature"].iloc[0], rows["wind_from"].iloc[0]) == (
        "4 mph to 7 mph",
        "-2 degC",
        "225°",
    )


# --- corrections -------------------------------------------------------------------------------------------


def test_correction_supersedes_and_keeps_the_old_visible(job, path):
    first = record(job, path, **EVERYTHING)
    second = correct(path, first.id, applied={"Z1": "1.4 gal"}, wind="8 mph", reason="misread the jug")
    assert second.id != first.id
    now = history(path)
    assert len(now) == 3
    assert set(now["record"]) == {second.id}
    assert set(now["corrects"]) == {first.id}
    assert now["amount"].iloc[0] == "1.4 gal"
    assert list(now["amount"].iloc[1:]) == list(first.rows["amount"].iloc[1:])
    # by hand: 1.4 gal are 179.2 fl oz on 3,000 ft2; at 1.1 fl oz/gal that is 162.9 gal of mix
    assert figures(now["dose"])[0] == pytest.approx(179.2 / 3, rel=1e-8)
    assert now["solution"].iloc[0] == "162.9 gal"
    old = gpd.read_file(path, layer="superseded")
    assert list(old["amount"]) == list(first.rows["amount"])
    assert set(old["wind"]) == {"6 mph"}
    assert set(old["superseded_by"]) == {second.id}
    assert set(old["superseded_because"]) == {"misread the jug"}
    both = read_records(path)
    assert list(both["status"]) == ["superseded"] * 3 + ["current"] * 3
    assert list(read_records(path, current=True)["record"]) == [second.id] * 3


def test_corrections_chain_and_only_the_current_may_be_corrected(job, path):
    first = record(job, path)
    second = correct(path, first.id, applicator="A. Sower", reason="left out")
    assert "applicator" not in second.missing
    with pytest.raises(InputError, match=second.id):
        correct(path, first.id, applicator="B", reason="again")
    third = correct(path, second.id, date="2025-04-29", start="8:00", reason="wrong day")
    assert set(history(path)["date"].astype(str)) == {"2025-04-29"}
    assert set(history(path)["applicator"]) == {"A. Sower"}
    assert list(dict.fromkeys(read_records(path)["record"])) == [first.id, second.id, third.id]


def test_a_correction_keeps_what_it_does_not_change(job, path):
    first = record(job, path, **{**EVERYTHING, "end": "2025-05-01 00:15", "wind": ("4 mph", "6 mph")})
    second = correct(path, first.id, remarks="gate locked", reason="left out")
    same = first.rows.columns.difference(
        ["record", "row", "recorded_at", "corrects", "reason", "remarks", "digest"], sort=False
    )
    assert first.rows[same].equals(second.rows[same])


def test_what_was_never_applied_is_taken_back_but_stays_visible(job, path):
    first = record(job, path)
    second = correct(path, first.id, applied={"Demo Dry 75": None}, reason="rained off")
    assert list(history(path)["zone"]) == ["Z1", "Z2"]
    gone = correct(path, second.id, applied={"Z1": None, "Z2": None}, reason="wrong site")
    assert len(gone.rows) == 0
    assert len(history(path)) == 0
    assert list(read_records(path)["status"]) == ["superseded"] * 3 + ["withdrawn"] * 2
    record(job, path)  # and may be recorded anew
    assert len(history(path)) == 3


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"wind": "8 mph", "reason": " "}, "needs its reason"),
        ({"reason": "x"}, "no change"),
        ({"area_ft2": 3, "reason": "x"}, "cannot correct area_ft2"),
        ({"date": TODAY + dt.timedelta(days=1), "reason": "x"}, "future"),
        ({"end": "8:00", "reason": "x"}, "before the start"),
        ({"applied": {"Z7": "1 gal"}, "reason": "x"}, "no zone or product"),
        ({"applied": "1 gal", "reason": "x"}, "mapping"),
        ({"date": "2025-05-30", "reason": "x"}, "already"),
    ],
)
def test_bad_corrections_change_nothing(job, path, changes, match):
    first = record(job, path, **EVERYTHING)
    record(job, path, date="2025-05-30")
    before = path.read_bytes()
    with pytest.raises(InputError, match=match):
        correct(path, first.id, **changes)
    assert path.read_bytes() == before


def test_unknown_record(job, path):
    record(job, path)
    with pytest.raises(InputError, match="no such record"):
        correct(path, "2025-04-30-ffffffffffff", wind="8 mph", reason="x")


def test_there_is_no_way_to_delete():
    import weedzone.records as public

    assert not [name for name in dir(public) if "delete" in name.lower() or "remove" in name.lower()]


# --- kills and rivals --------------------------------------------------------------------------------------


def _append_until_killed(path, acknowledged, seed):
    """Append records, and correct some, writing down each one after it came back."""
    job = make_job()
    made = []
    for number in range(10_000):
        day = dt.date(2000, 1, 1) + dt.timedelta(days=number % 5000)
        start = f"{seed // 60 % 24:02d}:{seed % 60:02d}:{number // 5000:02d}"
        one = record(job, path, date=day, start=start, remarks="words " * (1 + number % 2 * 2000))
        os.write(acknowledged, f"{one.id}\n".encode())
        made.append(one.id)
        if number % 3 == 2:
            old = made.pop(number % len(made))
            new = correct(path, old, remarks="corrected", reason="drill")
            os.write(acknowledged, f"{new.id} {old}\n".encode())
            made.append(new.id)


def _killed_after(delay, path, seed):
    """Fork a writer, kill it with SIGKILL after a delay, and give the lines that it had acknowledged."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        try:
            _append_until_killed(path, writer, seed)
        finally:
            os._exit(1)
    os.close(writer)
    time.sleep(delay)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    with os.fdopen(reader) as lines:
        told = lines.read().splitlines()
    assert os.WIFSIGNALED(status), "the writer ended by itself, so nothing was killed"
    return told


def _check_whole(path, current, replaced):
    """The file is sound, every acknowledged record is there whole, and nothing is there by half."""
    rows, old = history(path), gpd.read_file(path, layer="superseded")  # read-only: nothing is mended first
    with opened(path) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    for kept in (rows, old):
        assert set(kept.groupby("record").size()) <= {3}, "half a record"
        assert kept.geometry.notna().all()
    found, gone = set(rows["record"]), set(old["record"])
    assert current | replaced <= found | gone, "a record is lost"
    assert replaced <= gone, "a corrected record is current again"
    assert len(current - found) <= 1, "more than the one correction under way at the kill"
    assert not found & gone, "half a correction"
    assert set(old["superseded_by"]) <= found | gone, "half a correction"
    return found, gone


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and SIGKILL")
def test_two_hundred_kills_lose_nothing(tmp_path):
    rng = random.Random(7)  # noqa: S311
    record(make_job(), tmp_path / "warm.gpkg")  # so that the children need not load anything first
    begun = time.perf_counter()
    record(make_job(), tmp_path / "pace.gpkg")
    pace = time.perf_counter() - begun  # a busy machine writes slowly: it is given as many records' time
    kills = acknowledged = logs = 0
    for run in range(20):
        path = tmp_path / f"{run}.gpkg"
        current: set[str] = set()
        replaced: set[str] = set()
        for _ in range(11):
            kills += 1
            for line in _killed_after(rng.uniform(0.2, 4.0) * pace, path, kills):
                acknowledged += 1
                new, _, corrected = line.partition(" ")
                current.add(new)
                if corrected:
                    current.remove(corrected)
                    replaced.add(corrected)
            logs += path.with_name(path.name + "-wal").exists()
            if path.exists():
                current, replaced = _check_whole(path, current, replaced)
            assert path.exists() or not current
    assert kills >= 200
    assert acknowledged > kills / 4, "the kills came before anything could be lost"
    assert logs > 0, "no kill came in the middle of a write"


def _die_at(statement, work):
    """Fork, do the work, and kill the process as it begins its n-th SQL statement; True if it got there."""
    child = os.fork()
    if child:
        return os.WIFSIGNALED(os.waitpid(child, 0)[1])
    count = iter(range(1, 1_000_000))
    real = sqlite3.connect

    def traced(*args, **options):
        connection = real(*args, **options)
        connection.set_trace_callback(
            lambda _: os.kill(os.getpid(), signal.SIGKILL) if next(count) == statement else None
        )
        return connection

    sqlite3.connect = traced
    work()
    os._exit(0)


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and SIGKILL")
@pytest.mark.parametrize("kind", ["make", "append", "correct"])
def test_a_kill_at_each_statement(tmp_path, kind):
    path = tmp_path / "records.gpkg"
    statement = 0
    while True:
        statement += 1
        path.unlink(missing_ok=True)
        path.with_name(path.name + "-wal").unlink(missing_ok=True)
        first = record(make_job(), path, remarks="x" * 30_000).id if kind != "make" else ""
        works = {
            "make": lambda: record(make_job(), path),
            "append": lambda: record(make_job(on=dt.date(2025, 6, 1)), path, remarks="y" * 30_000),
            "correct": lambda first=first: correct(path, first, remarks="z", reason="drill"),
        }
        if not _die_at(statement, works[kind]):
            break
        if kind == "make" and not path.exists():
            continue
        rows, old = history(path), gpd.read_file(path, layer="superseded")
        whole = {"make": {(0, 0)}, "append": {(3, 0)}, "correct": {(3, 0)}}[kind]
        assert (len(rows), len(old)) in whole, f"at statement {statement}"
        assert set(rows["record"]) <= {first}
        works[kind]()  # and the work can be done after all
        assert (len(history(path)), len(read_records(path))) in {(3, 3), (6, 6), (3, 6)}
    assert statement > 10


def _append_days(path, first, count, gate):
    gate.wait()
    for number in range(count):
        record(make_job(on=dt.date(2000 + first, 1, 1) + dt.timedelta(days=number)), path)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_writers_at_once_lose_nothing_even_making_the_file(path):
    fork = multiprocessing.get_context("fork")
    gate = fork.Barrier(4)
    writers = [fork.Process(target=_append_days, args=(path, number, 12, gate)) for number in range(4)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(120)
    assert [writer.exitcode for writer in writers] == [0] * 4
    rows = history(path)
    assert len(rows) == 4 * 12 * 3
    assert rows["record"].nunique() == 4 * 12
    assert [file.name for file in path.parent.iterdir()] == [path.name]  # no half-made file is left lying


def test_threads_of_one_process_lose_nothing(path):
    jobs = [make_job(on=dt.date(2001, 1, 1) + dt.timedelta(days=number)) for number in range(12)]
    with ThreadPoolExecutor(4) as threads:
        made = list(threads.map(lambda job: record(job, path).id, jobs))
    assert set(history(path)["record"]) == set(made)
    assert len(made) == 12


def _try_once(path, gate, answers):
    gate.wait()
    try:
        answers.put(record(make_job(), path).id)
    except InputError as refusal:
        answers.put("already" in str(refusal))


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_the_same_record_from_two_processes_is_kept_once(path):
    fork = multiprocessing.get_context("fork")
    gate, answers = fork.Barrier(2), fork.Queue()
    writers = [fork.Process(target=_try_once, args=(path, gate, answers)) for _ in range(2)]
    for writer in writers:
        writer.start()
    said = [answers.get(timeout=60) for _ in writers]
    for writer in writers:
        writer.join(60)
    assert said.count(True) == 1
    assert len(history(path)) == 3


def test_a_file_system_without_hard_links(job, path, monkeypatch):
    def no_links(*_):
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(os, "link", no_links)
    record(job, path)
    assert len(history(path)) == 3
    assert [file.name for file in path.parent.iterdir()] == [path.name]


def test_an_empty_file_left_by_a_kill_is_taken_as_new(job, path):
    path.touch()
    record(job, path)
    assert len(history(path)) == 3


def test_a_file_that_a_map_program_left_in_wal_mode(job, path):
    record(job, path)
    with opened(path) as db:
        db.execute("PRAGMA journal_mode=WAL")
    record(make_job(on=dt.date(2025, 6, 1)), path)
    assert len(history(path)) == 6


def test_rows_written_by_gdal_are_read(job, path):
    # Another program may rewrite a row, and its geometry header with it.
    record(job, path)
    copy = path.with_name("copy.gpkg")
    for name in ("history", "superseded"):
        gpd.read_file(path, layer=name).to_file(copy, layer=name, SPATIAL_INDEX="NO", engine="pyogrio")
    assert read_records(copy).geometry.to_list() == read_records(path).geometry.to_list()


# --- on paper ----------------------------------------------------------------------------------------------

HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>{{ 7 * 7 }}"


def test_csv_is_complete_and_runs_no_formula(job, path, tmp_path):
    # OWASP, "CSV Injection": cells that begin with = + - @, tab or carriage return
    made = record(
        job, path, customer='=HYPERLINK("http://x","y")', address=" =1+1", applicator="@SUM(A1)",
        licence="+1",
        remarks="-2+3\nsecond line, with comma", permit="＝1", supervisor='say "hi"', temperature="-2 degC",
    )  # fmt: skip
    text = made.to_csv(tmp_path / "out.csv").read_text("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert len(rows) == 3
    assert not [
        cell
        for row in rows
        for cell in row.values()
        if cell.lstrip()[:1] in tuple("=+-@＝") and not _number(cell)
    ]
    first = rows[0]
    assert first["customer"] == """'=HYPERLINK("http://x","y")"""
    assert first["remarks"] == "'-2+3\nsecond line, with comma; amounts as planned for the ground"
    assert first["supervisor"] == 'say "hi"'
    assert float(first["amount"].removesuffix(" fl oz")) == pytest.approx(3.3, rel=1e-8)
    point = gpd.GeoSeries(gpd.points_from_xy([first["longitude"]], [first["latitude"]]), crs=4326).to_crs(CRS)
    assert job.zones.geometry.iloc[0].contains(point.iloc[0])


def _number(cell):
    try:
        float(cell)
    except ValueError:
        return False
    return True


def test_html_is_self_contained_escaped_and_cautious(job, path, tmp_path):
    first = record(job, path, customer=HOSTILE, remarks=HOSTILE, applicator="A. Sower")
    correct(path, first.id, wind="6 mph", reason=HOSTILE)
    page = records_to_html(read_records(path), tmp_path / "out.html").read_text("utf-8")
    assert "<script" not in page
    assert "<img" not in page
    assert "&lt;script&gt;" in page
    assert "{{ 7 * 7 }}" in page  # data is never a template
    assert "http:" not in page.replace("http-equiv", "")
    assert "https:" not in page
    assert "Not current: superseded" in page
    assert page.count("COMAR 15.05.01.12") >= 2
    assert OF_A_RECORD in unescape(page)
    assert "Read and follow the product label" in page
    for text in ("3.3 fl oz", "1.1 fl oz/ksqft", "3,000", "DEMO-38", first.id, "A. Sower"):
        assert text in page


def test_paper_without_records_and_unwritable_places(job, path, tmp_path):
    made = record(job, path)
    none = read_records(path).iloc[:0]
    assert "no records" in records_to_html(none, tmp_path / "none.html").read_text()
    assert len(records_to_csv(none, tmp_path / "none.csv").read_text("utf-8-sig").splitlines()) == 1
    for write in (made.to_csv, made.to_html):
        with pytest.raises(WeedzoneError, match="cannot be written"):
            write(tmp_path / "no" / "folder.txt")
