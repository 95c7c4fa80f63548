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

from weedzone.base.errors import Finding, InputError
from weedzone.records import chain
from weedzone.records import geopackage as gpkg
from weedzone.records.chain import CHAIN, COLUMNS, CURRENT, NUMBERS, SUPERSEDED

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
        The rows have no CRS, or one that a GeoPackage cannot hold.
    """
    crs = gpkg.storable_crs(rows.crs)
    _ensure(path, crs)
    with _writing(path) as connection:
        _build(connection, crs, path)
        fresh = chain.begun(connection, path)
        rows = rows.to_crs(gpkg.crs_of(connection, CURRENT, path))
        _insert(connection, CURRENT, rows, path)
        chain.link(connection, path)
        return _frame(connection, CURRENT, path, rows["record"].iloc[0]), fresh


def supersede(
    path: Path,
    record: str,
    change: Callable[[gpd.GeoDataFrame], gpd.GeoDataFrame],
    stamp: Callable[[gpd.GeoDataFrame], dict[str, str]],
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Replace the rows of a record in one transaction; the old ones move to the layer ``superseded``.

    Parameters
    ----------
    path : pathlib.Path
    record : str
        A record that is current.
    change : callable
        From the current rows to those that replace them (perhaps none).
    stamp : callable
        From the new rows to the columns that tell, on the old rows, when and why they were replaced.

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
        told = stamp(new)
        marks = ", ".join(f'"{name}" = ?' for name in told)
        connection.execute(f'UPDATE "{SUPERSEDED}" SET {marks} WHERE "record" = ?', (*told.values(), record))  # noqa: S608
        gpkg.touch(connection, SUPERSEDED, old.total_bounds.tolist())
        chain.link(connection, path)
        _insert(connection, CURRENT, new, path)
        chain.link(connection, path)
        return (_frame(connection, CURRENT, path, new["record"].iloc[0]) if len(new) else new), fresh


def read(path: Path, check: bool = True) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Read the current and the superseded rows, both of the same moment.

    Parameters
    ----------
    path : pathlib.Path
    check : bool
        Refuse a file whose rows do not fit their chain.

    Returns
    -------
    tuple of geopandas.GeoDataFrame
        ``(current, superseded)``, columns `COLUMNS`, ``digest`` (of the row's last link) and geometry.

    Raises
    ------
    InputError
        No record file, or one that was changed by another program.
    """
    with _reading(path) as connection:
        _require_layers(connection, path)
        if check and (said := chain.faults_of(connection, path)):
            raise chain.changed(path, said)
        return _frame(connection, CURRENT, path), _frame(connection, SUPERSEDED, path)


def checked(path: Path) -> tuple[int, str, list[str]]:
    """Hold every row against the chain.

    Parameters
    ----------
    path : pathlib.Path

    Returns
    -------
    rows : int
        Current and superseded.
    head : str
        Digest of the last link; empty where the file has no chain yet.
    faults : list of str
        What does not fit.

    Raises
    ------
    InputError
        No record file.
    """
    with _reading(path) as connection:
        _require_layers(connection, path)
        rows = sum(
            connection.execute(f'SELECT count(*) FROM "{layer}"').fetchone()[0]  # noqa: S608
            for layer in (CURRENT, SUPERSEDED)
        )
        head = chain.head(connection)[1] if chain.is_there(connection) else ""
        return rows, head, chain.faults_of(connection, path)


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
    if not _tables(connection):
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


def _tables(connection: sqlite3.Connection) -> set[str]:
    return {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}


def _has_layers(connection: sqlite3.Connection, path: Path) -> bool:
    """Whether the layers of records are there; whatever may not take them is refused."""
    tables = _tables(connection)
    strange = [
        (kind, name)
        for kind, name, sql in connection.execute(
            "SELECT type, name, sql FROM sqlite_master WHERE type IN ('trigger', 'view') AND tbl_name IN (?, ?)",
            (CURRENT, SUPERSEDED),
        )
        if not _COUNTS.fullmatch(" ".join(str(sql).split()))
    ]
    if strange:
        raise InputError(
            f"has a {strange[0][0]} {strange[0][1]!r} on its records, which was not made by weedzone",
            file=path,
            mend="restore a copy without it",
        )
    if tables and "gpkg_contents" not in tables:
        raise InputError("is a database but not a GeoPackage", file=path, mend=_NOT_RECORDS)
    for layer in {CURRENT, SUPERSEDED} & tables:
        have = {row[1] for row in connection.execute(f'PRAGMA table_info("{layer}")')}
        if not have >= {*COLUMNS, "geom"}:
            raise _foreign_layer(path, layer)
    if len({CURRENT, SUPERSEDED} & tables) == 1:
        raise _foreign_layer(path, CURRENT if CURRENT in tables else SUPERSEDED)
    if CURRENT not in tables and tables >= _OF_JOBS:
        raise InputError(
            "is what a job was written to, and is replaced when the job is written again",
            file=path,
            mend="keep the records in a file of their own, or in the survey's GeoPackage",
        )
    return CURRENT in tables


def _require_layers(connection: sqlite3.Connection, path: Path) -> None:
    if not _has_layers(connection, path):
        raise InputError("holds no records", file=path, mend=_NOT_RECORDS)


def _foreign_layer(path: Path, layer: str) -> InputError:
    return InputError(
        "has a layer of that name that was not made by weedzone's records",
        file=path,
        layer=layer,
        mend="keep the records in a file of their own",
    )


# --- rows --------------------------------------------------------------------------------------------------


def _insert(
    connection: sqlite3.Connection, layer: str, rows: gpd.GeoDataFrame, path: Path, guard: bool = True
) -> None:
    if rows.empty:
        return
    srs = gpkg.srs_of(connection, layer)
    names = ", ".join(f'"{name}"' for name in COLUMNS)
    marks = ", ".join("?" * (len(COLUMNS) + 1))
    table = rows.reindex(columns=list(COLUMNS)).astype(object)
    table = table.where(table.notna(), None)
    for values, polygon in zip(table.itertuples(index=False), rows.geometry, strict=True):
        if guard:
            _refuse_duplicate(connection, values, polygon, path)
        connection.execute(
            f'INSERT INTO "{layer}" ({names}, "geom") VALUES ({marks})',  # noqa: S608
            (*values, gpkg.blob_of(polygon, srs)),
        )
    gpkg.touch(connection, layer, rows.total_bounds.tolist())


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
    found = connection.execute(
        f'SELECT {chain.selected(connection, layer)} FROM "{layer}" '  # noqa: S608
        'WHERE ? IS NULL OR "record" = ? ORDER BY fid',
        (record, record),
    ).fetchall()
    n = len(COLUMNS)
    table = pd.DataFrame([row[:n] for row in found], columns=list(COLUMNS), dtype=object)
    table = table.astype(dict.fromkeys(NUMBERS, float))
    table["digest"] = pd.Series([row[n + 3] or row[n + 1] for row in found], dtype=object)
    shapes = [gpkg.shape_of(row[-1], f"{layer} {row[1]}", path) for row in found]
    return gpd.GeoDataFrame(table, geometry=gpd.GeoSeries(shapes, crs=gpkg.crs_of(connection, CURRENT, path)))


def _not_current(connection: sqlite3.Connection, record: str, path: Path) -> InputError:
    found = connection.execute(
        f'SELECT "superseded_by" FROM "{SUPERSEDED}" WHERE "record" = ?',  # noqa: S608
        (record,),
    ).fetchone()
    if not found:
        return InputError("there is no such record", file=path, feature=record, mend="see read_records()")
    return InputError(
        "was corrected already", file=path, feature=record, mend=f"correct its successor, {found[0]}"
    )
