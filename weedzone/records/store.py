"""Application records in a GeoPackage, which is an SQLite database: appended whole or not at all.

Every write is one SQLite transaction (``BEGIN IMMEDIATE``, write-ahead log, ``synchronous=FULL``): what a
process that dies in the middle leaves in the log counts only if it was committed, and whoever opens the file
next folds it in. (With a rollback journal instead, readers that open the file read-only, as GDAL does, fail
after a kill until some writer has rolled it back.) Two writers queue behind SQLite's own lock. Nothing is
ever deleted: a correction moves the rows it replaces from the layer ``history`` to ``superseded``, in the
transaction that adds the new ones.

The log is folded in and gone when the last program closes the file. While one has it open, copy the file with
its ``-wal`` beside it; and keep it on a local disk, since the log does not work across network drives.

The layers carry no spatial index on purpose: its triggers call functions that plain SQLite does not have.

Source: SQLite documentation, "Write-Ahead Logging" and "PRAGMA synchronous".
"""

from __future__ import annotations

import datetime as dt
import os
import re
import secrets
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
from pyproj import CRS

from weedzone.base.errors import Finding, InputError, path_given
from weedzone.records import chain
from weedzone.records import geopackage as gpkg
from weedzone.records.chain import CHAIN, COLUMNS, CURRENT, NUMBERS, STAMPS, SUPERSEDED

_BUSY_S = 60.0
_SAME_GROUND = 0.999  # share of the larger polygon that both cover: the same ground, drawn or projected anew
_OF_JOBS = {"zones", "eligible", "ledger"}  # layers of a written job
# A general library keeps count of the features of layers that it wrote by two triggers.
_COUNTS = re.compile(
    r'CREATE TRIGGER "[^"]*" AFTER (INSERT|DELETE) ON "[^"]*" BEGIN UPDATE gpkg_ogr_contents '
    r"SET feature_count = feature_count [+-] 1 WHERE lower\(table_name\) = lower\('[^']*'\); END"
)
_NOT_RECORDS = "give the path of a record file made by weedzone, or of a file that does not exist yet"


def append(path: Path, rows: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Add the rows of one record, all or none, making the file if there is none.

    Parameters
    ----------
    path : pathlib.Path
    rows : geopandas.GeoDataFrame
        Columns of `COLUMNS` (absent ones stay empty) and polygons; moved to the CRS of the file.

    Returns
    -------
    rows : geopandas.GeoDataFrame
        As stored.
    findings : list of Finding
        A note where the file is from before records were chained.

    Raises
    ------
    InputError
        The file is not a record file, was changed by another program, cannot be written, or holds the same
        application already.
    CrsError
        The rows have a CRS that a GeoPackage cannot hold.
    """
    crs = gpkg.storable_crs(rows.crs)
    _ensure(path, crs)
    with _writing(path) as connection:
        _build(connection, crs, path)
        fresh = chain.begun(connection, path)
        return _added(connection, rows.to_crs(gpkg.crs_of(connection, CURRENT, path)), path), fresh


def supersede(
    path: Path, record: str, change: Callable[[gpd.GeoDataFrame], gpd.GeoDataFrame], reason: str
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Replace the rows of a record in one transaction; the old ones move to the layer ``superseded``.

    Parameters
    ----------
    path : pathlib.Path
    record : str
        A record that is current.
    change : callable
        From the current rows to those that replace them (perhaps none).
    reason : str
        Why, kept with the old rows.

    Returns
    -------
    rows : geopandas.GeoDataFrame
        The new rows as stored.
    findings : list of Finding
        As of `append`.

    Raises
    ------
    InputError
        No such record, or one that was corrected already; a file that was changed by another program.
    """
    with _writing(path) as connection:
        _require_layers(connection, path)
        fresh = chain.begun(connection, path)
        old = _frame(connection, CURRENT, path, record)
        if old.empty:
            raise _not_current(connection, record, path)
        new = change(old)
        names = ", ".join(f'"{name}"' for name in (*COLUMNS, *CHAIN, "geom"))
        move = f'INSERT INTO "{SUPERSEDED}" ({names}) SELECT {names} FROM "{CURRENT}" WHERE "record" = ? ORDER BY fid'  # noqa: S608
        connection.execute(move, (record,))
        connection.execute(f'DELETE FROM "{CURRENT}" WHERE "record" = ?', (record,))  # noqa: S608
        marks = ", ".join(f'"{name}" = ?' for name in STAMPS)
        told = (new["record"].iloc[0] if len(new) else "", utc_now(), reason)
        connection.execute(f'UPDATE "{SUPERSEDED}" SET {marks} WHERE "record" = ?', (*told, record))  # noqa: S608
        gpkg.touch(connection, SUPERSEDED, old.total_bounds.tolist())
        return _added(connection, new, path), fresh


def read_records(path: str | Path, *, current: bool = False, check: bool = True) -> gpd.GeoDataFrame:
    """Read the records of a file, in the order in which they were written.

    Parameters
    ----------
    path : str or pathlib.Path
    current : bool
        Leave out what a correction replaced.
    check : bool
        Refuse a file whose rows were changed by another program; see `check_records`.

    Returns
    -------
    geopandas.GeoDataFrame
        A row per record, product and polygon; ``status`` is "current", "superseded" or "withdrawn" (taken
        back without a successor). ``digest`` is the row's link in the chain.

    Raises
    ------
    InputError
        No record file, or one that was changed by another program.
    """
    file = path_given(path, "a record", 'read_records("records.gpkg")')
    with _reading(file) as connection:
        if check and (said := chain.faults(connection, file)):
            raise chain.changed(file, said)
        now, before = (_frame(connection, layer, file) for layer in (CURRENT, SUPERSEDED))
    now.insert(0, "status", "current")
    before.insert(0, "status", ["superseded" if by else "withdrawn" for by in before["superseded_by"]])
    if current or before.empty:
        return now
    everything = gpd.GeoDataFrame(pd.concat([before, now] if len(now) else [before], ignore_index=True))
    return everything.sort_values("recorded_at", kind="stable", ignore_index=True)


def check_records(path: str | Path) -> tuple[int, str, list[str]]:
    """Hold every row of a record file against the chain of digests.

    Parameters
    ----------
    path : str or pathlib.Path

    Returns
    -------
    rows : int
        Current and superseded.
    head : str
        Digest of the last link, which record sheets print; empty in a file from before records were chained.
    faults : list of str
        What was changed, added or taken away by another program; empty where all is whole.

    Raises
    ------
    InputError
        No record file.
    """
    file = path_given(path, "a record", 'check_records("records.gpkg")')
    with _reading(file) as connection:
        count = f'SELECT (SELECT count(*) FROM "{CURRENT}") + (SELECT count(*) FROM "{SUPERSEDED}")'  # noqa: S608
        (rows,) = connection.execute(count).fetchone()
        head = chain.head(connection)[1] if chain.is_there(connection) else ""
        return rows, head, chain.faults(connection, file)


def utc_now() -> str:
    """Time of writing, in UTC, to the microsecond."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="microseconds")


# --- opening -----------------------------------------------------------------------------------------------


@contextmanager
def _connection(path: Path, mode: str = "rw") -> Iterator[sqlite3.Connection]:
    """Open the database; whatever SQLite complains of becomes one `InputError`.

    Readers open it writable too: folding in what a killed writer left needs that. Nothing here opens the file
    by other means: closing it again would drop SQLite's locks in this process (POSIX advisory locks).
    """
    try:
        uri = f"{path.absolute().as_uri()}?mode={mode}"
        # Closing without COMMIT rolls back, so an error anywhere inside leaves the file as it was.
        with closing(sqlite3.connect(uri, uri=True, timeout=_BUSY_S, isolation_level=None)) as connection:
            connection.execute("PRAGMA synchronous=FULL")  # what is committed outlives a power cut
            yield connection
    except sqlite3.Error as fault:
        raise _explained(fault, path) from fault


@contextmanager
def _reading(path: Path) -> Iterator[sqlite3.Connection]:
    """One read transaction, so that no correction falls between two layers; also of a file that may not be written."""
    if not path.exists():
        raise InputError("there is no record file here", file=path, mend="record an application first")
    log = path.with_name(f"{path.name}-wal")
    # A file without a log, in a place that may not be written, is as good as one that nobody changes.
    still = not os.access(path, os.W_OK) or not os.access(path.parent, os.W_OK)
    still = still and not (log.exists() and log.stat().st_size)
    with _connection(path, "ro&immutable=1" if still else "rw") as connection:
        connection.execute("BEGIN")
        _require_layers(connection, path)
        yield connection


@contextmanager
def _writing(path: Path, mode: str = "rw") -> Iterator[sqlite3.Connection]:
    with _connection(path, mode) as connection:
        _has_layers(connection, path)  # looked at first: a file that is not ours is not even put in WAL mode
        with suppress(sqlite3.OperationalError):  # another program has it open in another mode: safe as well
            connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("BEGIN IMMEDIATE")
        yield connection
        connection.execute("COMMIT")


def _explained(fault: sqlite3.Error, path: Path) -> InputError:
    text = str(fault)
    if "locked" in text or "busy" in text:
        mend = "another program holds the file: close it there and record again"
    elif "readonly" in text or "unable to open" in text:
        mend = "give a file and folder that may be written"
    elif "full" in text:
        mend = "make room on the disk and record again"
    elif "not a database" in text:
        return InputError("is not a GeoPackage", file=path, mend=_NOT_RECORDS)
    elif "malformed" in text or "corrupt" in text or "integrity" in text:
        mend = "the file is damaged: restore a copy"
    else:
        mend = _NOT_RECORDS
    return InputError(f"the record file cannot be used ({text}); nothing was written", file=path, mend=mend)


# --- making ------------------------------------------------------------------------------------------------


def _ensure(path: Path, crs: CRS) -> None:
    """Make an empty record file under another name and link it into place: half a file never has the name."""
    if path.exists():
        return
    if not path.parent.is_dir():
        raise InputError("there is no such folder", file=path.parent, mend="make the folder first")
    fresh = path.with_name(f".{path.name}.{os.getpid()}-{secrets.token_hex(4)}.new")
    try:
        with _writing(fresh, "rwc") as connection:
            _build(connection, crs, path)
        try:
            os.link(fresh, path)  # unlike a rename, never replaces the file of a process that was faster
        except FileExistsError:
            return
        except OSError:  # no hard links on this file system: build in place, which SQLite makes safe
            with _writing(path, "rwc") as connection:
                _build(connection, crs, path)
    finally:
        fresh.unlink(missing_ok=True)


def _build(connection: sqlite3.Connection, crs: CRS, path: Path) -> None:
    """Add what the file lacks: the tables of a GeoPackage if it is new, and the two layers of records."""
    if _has_layers(connection, path):
        return
    if not connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
        gpkg.add_core(connection)
    srs = gpkg.srs_id(connection, crs)
    fields = ", ".join(f'"{name}" {chain.kind_of(name)}' for name in (*COLUMNS, *CHAIN))
    for layer in (CURRENT, SUPERSEDED):
        connection.execute(
            f'CREATE TABLE "{layer}" (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, '
            f'"geom" MULTIPOLYGON NOT NULL, {fields}, UNIQUE ("row"))'
        )
        connection.execute(f'CREATE INDEX "{layer}_record" ON "{layer}" ("record")')
        gpkg.register(connection, layer, srs)
    connection.execute(f'CREATE INDEX "{CURRENT}_visit" ON "{CURRENT}" ("site", "date")')


def _has_layers(connection: sqlite3.Connection, path: Path) -> bool:
    """Whether the layers of records are there; whatever may not take them is refused."""
    tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    for kind, name, sql in connection.execute(
        "SELECT type, name, sql FROM sqlite_master WHERE type IN ('trigger', 'view') AND tbl_name IN (?, ?)",
        (CURRENT, SUPERSEDED),
    ):
        if not _COUNTS.fullmatch(" ".join(str(sql).split())):
            what = f"has a {kind} {name!r} on its records, which was not made by weedzone"
            raise InputError(what, file=path, mend="restore a copy without it")
    if tables and "gpkg_contents" not in tables:
        raise InputError("is a database but not a GeoPackage", file=path, mend=_NOT_RECORDS)
    ours = {CURRENT, SUPERSEDED} & tables
    for layer in ours:
        if len(ours) == 1 or not chain.columns_of(connection, layer) >= {*COLUMNS, "geom"}:
            what = "has a layer of that name that was not made by weedzone's records"
            raise InputError(what, file=path, layer=layer, mend="keep the records in a file of their own")
    if not ours and tables >= _OF_JOBS:
        raise InputError(
            "is what a job was written to, and is replaced when the job is written again",
            file=path,
            mend="keep the records in a file of their own, or in the survey's GeoPackage",
        )
    return bool(ours)


def _require_layers(connection: sqlite3.Connection, path: Path) -> None:
    if not _has_layers(connection, path):
        raise InputError("holds no records", file=path, mend=_NOT_RECORDS)


# --- rows --------------------------------------------------------------------------------------------------


def _added(connection: sqlite3.Connection, rows: gpd.GeoDataFrame, path: Path) -> gpd.GeoDataFrame:
    """Insert the rows of a record, perhaps none, and link everything that is new; gives them as stored."""
    if len(rows):
        srs = gpkg.srs_of(connection, CURRENT)
        names = ", ".join(f'"{name}"' for name in (*COLUMNS, "geom"))
        marks = ", ".join("?" * (len(COLUMNS) + 1))
        table = rows.reindex(columns=list(COLUMNS)).astype(object)
        table = table.where(table.notna(), None)
        for values, polygon in zip(table.itertuples(index=False), rows.geometry, strict=True):
            _refuse_duplicate(connection, values, polygon, path)
            row = (*values, gpkg.blob_of(polygon, srs))
            connection.execute(f'INSERT INTO "{CURRENT}" ({names}) VALUES ({marks})', row)  # noqa: S608
        gpkg.touch(connection, CURRENT, rows.total_bounds.tolist())
    chain.extend(connection, path)
    return _frame(connection, CURRENT, path, rows["record"].iloc[0]) if len(rows) else rows


def _refuse_duplicate(connection: sqlite3.Connection, row: Any, polygon: Any, path: Path) -> None:
    """Refuse the same site, product, date, start and ground; a start left out may be any start."""
    for record, product, start, blob in connection.execute(
        f'SELECT "record", "product", "start", "geom" FROM "{CURRENT}" WHERE "site" = ? AND "date" = ?',  # noqa: S608
        (row.site, row.date),
    ):
        apart = start and row.start and _clock(start) != _clock(row.start)
        if (
            product.casefold() == row.product.casefold()
            and not apart
            and _same_ground(polygon, gpkg.shape_of(blob, record, path))
        ):
            raise InputError(
                f"{row.product} on {row.date} is on this ground already, as record {record}",
                file=path,
                layer=CURRENT,
                feature=f"{row.site} {row.zone or ''}".strip(),
                mend="correct that record, or give the start time of both visits",
            )


def _clock(start: str) -> str:
    return re.split("[+-]", start)[0]  # without the offset from UTC, which one of two entries may lack


def _same_ground(one: Any, other: Any) -> bool:
    larger = max(one.area, other.area)
    if not min(one.area, other.area) >= _SAME_GROUND * larger or not one.intersects(other):
        return False
    return bool(one.intersection(other).area >= _SAME_GROUND * larger)


def _frame(
    connection: sqlite3.Connection, layer: str, path: Path, record: str | None = None
) -> gpd.GeoDataFrame:
    have = chain.columns_of(connection, layer)  # a file from before has no chain
    last = 'coalesce("superseded_digest", "digest")' if have >= set(CHAIN) else "NULL"
    names = ", ".join(f'"{name}"' for name in COLUMNS)
    query = f'SELECT {names}, {last}, "geom" FROM "{layer}" WHERE ?1 IS NULL OR "record" = ?1 ORDER BY fid'  # noqa: S608
    found = connection.execute(query, (record,)).fetchall()
    table = pd.DataFrame([row[:-1] for row in found], columns=[*COLUMNS, "digest"], dtype=object)
    table = table.astype(dict.fromkeys(NUMBERS, float))
    shapes = [gpkg.shape_of(row[-1], f"{layer} {row[1]}", path) for row in found]
    return gpd.GeoDataFrame(table, geometry=gpd.GeoSeries(shapes, crs=gpkg.crs_of(connection, CURRENT, path)))


def _not_current(connection: sqlite3.Connection, record: str, path: Path) -> InputError:
    query = f'SELECT "superseded_by" FROM "{SUPERSEDED}" WHERE "record" = ?'  # noqa: S608
    found = connection.execute(query, (record,)).fetchone()
    if not found:
        return InputError("there is no such record", file=path, feature=record, mend="see read_records()")
    mend = f"correct its successor, {found[0]}"
    return InputError("was corrected already", file=path, feature=record, mend=mend)
