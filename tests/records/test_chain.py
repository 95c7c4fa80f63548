"""Rows of a record file are chained: nothing that another program does to them passes unseen.

SHA-256: FIPS 180-4; its digest of "abc" is that standard's own example.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from plots import label, lawn, size

import weedzone as wz
from weedzone.cli import main
from weedzone.records import chain
from weedzone.records.chain import CHAIN, COLUMNS

TEXT = '[[rate]]\nuse = "spot"\ndose = "1 fl oz/ksqft"\nvolume = "1 gal/ksqft"\n'


@pytest.fixture
def job(tmp_path: Path) -> wz.Job:
    return size(
        lawn(50, 40), label(tmp_path, TEXT), wz.make_rig("can", tank="1 gal"), "spot", on="2025-05-10"
    )


@pytest.fixture
def path(tmp_path: Path, job: wz.Job) -> Path:
    """Three records, of which one was corrected."""
    file = tmp_path / "records.gpkg"
    made = [wz.record(job, file, date=dt.date(2025, 5, day), applicator="A. Person") for day in (1, 2, 3)]
    wz.correct(file, made[1].id, applicator="B. Person", reason="named wrongly")
    return file


def run(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path)) as db, db:
        for statement in statements:
            db.execute(statement)


def test_the_digest_is_the_standards() -> None:
    assert hashlib.sha256(b"abc").hexdigest().startswith("ba7816bf8f01cfea")
    expected = hashlib.sha256(f"{chain.START}\0abc".encode()).hexdigest()
    assert chain.next_digest(chain.START, "abc") == expected


def test_a_whole_file_says_so_and_prints_its_head(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows, head, faults = wz.check_records(path)
    assert (rows, faults) == (4, [])
    assert main(["record", "check", str(path)]) == 0
    assert head in capsys.readouterr().out
    last = wz.read_records(path)["digest"].iloc[-1]
    assert last == head
    page = tmp_path / "sheet.html"
    made = wz.correct(
        path, wz.read_records(path, current=True)["record"].iloc[0], remarks="gate", reason="left out"
    )
    made.to_html(page)
    assert wz.check_records(path)[1] in page.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE history SET amount = '9 fl oz'",
        "UPDATE history SET amount = '9 fl oz' WHERE fid = (SELECT max(fid) FROM history)",
        "UPDATE history SET area_m2 = area_m2 + 1e-9 WHERE fid = 1",
        "UPDATE superseded SET applicator = 'C. Person'",
        "UPDATE superseded SET superseded_because = 'other'",
        "DELETE FROM history WHERE fid = 1",
        "DELETE FROM superseded",
        "UPDATE history SET link = NULL, digest = NULL",
        "UPDATE history SET geom = (SELECT geom FROM superseded), amount = NULL WHERE fid = 1",
        "UPDATE gpkg_geometry_columns SET srs_id = 4326 WHERE table_name = 'history'",
        "INSERT INTO history (record, row, product, geom) SELECT 'x', 'y', product, geom FROM history LIMIT 1",
    ],
)
def test_a_change_by_another_program_is_seen(path: Path, job: wz.Job, statement: str) -> None:
    run(path, statement)
    before = path.read_bytes()
    for call in (
        lambda: wz.read_records(path),
        lambda: wz.record(job, path, date=dt.date(2025, 5, 9)),
        lambda: wz.correct(
            path, wz.read_records(path, check=False)["record"].iloc[0], remarks="x", reason="y"
        ),
    ):
        with pytest.raises(wz.InputError, match="changed by another program"):
            call()
    assert wz.check_records(path)[2]
    assert main(["record", "check", str(path)]) == 1
    assert len(wz.read_records(path, check=False))
    assert path.read_bytes() == before


def test_the_head_proves_what_lies_before_it(path: Path, job: wz.Job) -> None:
    """The last record cut off whole leaves a chain that fits, but not the digest that is on paper."""
    paper = wz.check_records(path)[1]
    run(path, "DELETE FROM history WHERE link = (SELECT max(link) FROM history)")
    _, head, faults = wz.check_records(path)
    assert faults == []
    assert head != paper


def test_flipped_bits_are_seen_or_change_nothing(path: Path, tmp_path: Path) -> None:
    whole = wz.read_records(path)
    rng, good, seen = np.random.default_rng(7), path.read_bytes(), 0
    for number in range(150):
        flipped = bytearray(good)
        for _ in range(3):
            flipped[rng.integers(len(flipped))] ^= 1 << int(rng.integers(8))
        other = tmp_path / f"flipped {number}.gpkg"
        other.write_bytes(bytes(flipped))
        try:
            read = wz.read_records(other)
        except wz.WeedzoneError:
            seen += 1
            continue
        assert read.drop(columns="geometry").equals(whole.drop(columns="geometry"))
        assert read.geometry.to_wkb().tolist() == whole.geometry.to_wkb().tolist()
        assert read.crs == whole.crs
    assert seen > 20


def test_a_file_from_before_is_read_and_chained_at_the_next_record(path: Path, job: wz.Job) -> None:
    drop = [
        f'ALTER TABLE "{layer}" DROP COLUMN "{name}"' for layer in ("history", "superseded") for name in CHAIN
    ]
    run(path, *drop)
    assert len(wz.read_records(path)) == 4
    assert wz.check_records(path) == (4, "", [])
    made = wz.record(job, path, date=dt.date(2025, 5, 9))
    assert [
        "are chained from now on" in each.message for each in made.findings if each.layer == "record"
    ] == [True]
    assert wz.check_records(path)[2] == []
    run(path, "UPDATE superseded SET amount = '1 fl oz'")
    assert wz.check_records(path)[2]


@pytest.mark.parametrize(
    "statement",
    [
        "CREATE TRIGGER quiet AFTER INSERT ON history BEGIN UPDATE history SET amount = '0 fl oz'; END",
        "CREATE TRIGGER trigger_insert_feature_count_history AFTER INSERT ON history BEGIN DELETE FROM superseded; END",
    ],
)
def test_triggers_that_are_not_ours_are_refused(path: Path, job: wz.Job, statement: str) -> None:
    run(path, statement)
    for call in (lambda: wz.read_records(path), lambda: wz.record(job, path, date=dt.date(2025, 5, 9))):
        with pytest.raises(wz.InputError, match="has a trigger"):
            call()


def test_a_view_in_place_of_the_records_is_refused(path: Path) -> None:
    endless = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n)"
    columns = ", ".join(f"i AS {name}" for name in (*COLUMNS, "geom"))
    slow = f"CREATE VIEW history AS {endless} SELECT {columns} FROM n"  # noqa: S608
    run(path, 'ALTER TABLE "history" RENAME TO "kept"', slow)
    with pytest.raises(wz.InputError):
        wz.read_records(path)


def test_a_damaged_polygon_is_one_clear_error(path: Path) -> None:
    run(path, "UPDATE history SET geom = x'47500003'")
    with pytest.raises(wz.InputError, match="the polygon is damaged"):
        wz.read_records(path, check=False)


def test_a_file_that_may_not_be_written_is_read(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[str] = []
    connect = sqlite3.connect

    def watched(place: Any, **more: Any) -> Any:
        opened.append(str(place))
        if "mode=rw" in str(place):
            raise sqlite3.OperationalError("attempt to write a readonly database")
        return connect(place, **more)

    monkeypatch.setattr("weedzone.records.store.os.access", lambda *_: False)
    monkeypatch.setattr(sqlite3, "connect", watched)
    assert len(wz.read_records(path)) == 4
    assert "immutable=1" in opened[0]


def test_a_copy_that_a_general_library_made_still_fits(path: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.gpkg"
    for layer in ("history", "superseded"):
        gpd.read_file(path, layer=layer).to_file(copy, layer=layer, SPATIAL_INDEX="NO", engine="pyogrio")
    assert wz.check_records(copy)[2] == []
    assert wz.check_records(copy)[1] == wz.check_records(path)[1]
    assert shapely.equals(
        wz.read_records(copy).geometry.to_numpy(), wz.read_records(path).geometry.to_numpy()
    ).all()
