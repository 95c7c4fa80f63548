"""A chain over the rows of a record file: each digest includes the one before, so that no change passes unseen.

Every row that is written, and every row that a correction moves to ``superseded``, is a link: the digest of the link
before, and of all that the row holds, polygon and coordinate system too (SHA-256, FIPS 180-4). A row that is changed,
added or taken away by another program no longer fits; and the digest of the last link, once on paper, proves all that
came before it: nobody can make the chain anew to the same end.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import shapely

from weedzone.base.errors import Finding, InputError
from weedzone.records import geopackage as gpkg

CURRENT, SUPERSEDED = "history", "superseded"
NUMBERS = ("area_ft2", "area_m2")
COLUMNS = (
    "record", "row", "site", "zone", "product", "registration", "active", "form", "use", "turf", "weeds",
    "date", "start", "end", "amount", "dose", "mix", "solution", "area_ft2", "area_m2",
    "applicator", "licence", "supervisor", "supervisor_licence", "customer", "address", "billing_address",
    "equipment", "wind", "wind_from", "temperature", "humidity", "signs_posted", "signs_removed", "permit",
    "ppe", "reentry", "remarks", "recorded_at", "corrects", "reason",
    "superseded_by", "superseded_at", "superseded_because",
)  # fmt: skip
CHAIN = ("link", "digest", "superseded_link", "superseded_digest")  # files from before have none of them
_STAMPS = ("superseded_by", "superseded_at", "superseded_because")
START = "0" * 64


@dataclass(frozen=True)
class Link:
    """One link as stored: its number (None where it has none), the row in words, what the row holds, and its digest."""

    number: int | None
    row: str
    content: str
    digest: str | None


def content_of(values: Sequence[Any], polygon: bytes, crs: str) -> str:
    """Digest of what a row holds.

    Parameters
    ----------
    values : sequence
        Of the row's columns, in their order; texts, numbers or None.
    polygon : bytes
        Well-known binary.
    crs : str
        Name of the layer's coordinate system.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    told = json.dumps([*values, crs], ensure_ascii=True, default=repr).encode()
    return hashlib.sha256(told + b"\0" + polygon).hexdigest()


def next_digest(before: str, content: str) -> str:
    """Digest of a link from that of the link before and of what its row holds."""
    return hashlib.sha256(f"{before}\0{content}".encode()).hexdigest()


def faults(links: Iterable[Link]) -> list[str]:
    """What does not fit the chain.

    Parameters
    ----------
    links : iterable of Link
        Every link of a file, in any order.

    Returns
    -------
    list of str
        Empty where the chain is whole.
    """
    every = list(links)
    said = [f"{link.row} was added" for link in every if link.number is None]
    last = START
    for at, link in enumerate(
        sorted((each for each in every if each.number is not None), key=_number), start=1
    ):
        if link.number != at:
            return [*said, f"what was link {at} was taken away"]
        last = next_digest(last, link.content)
        if link.digest != last:
            return [*said, f"{link.row} was changed"]
    return said


def head(connection: sqlite3.Connection) -> tuple[int, str]:
    """Number and digest of the last link; 0 and zeros where there is none."""
    last = (0, START)
    for layer, columns in ((SUPERSEDED, CHAIN[:2]), (SUPERSEDED, CHAIN[2:]), (CURRENT, CHAIN[:2])):
        found = connection.execute(
            f'SELECT "{columns[0]}", "{columns[1]}" FROM "{layer}" ORDER BY "{columns[0]}" DESC LIMIT 1'  # noqa: S608
        ).fetchone()
        if found and isinstance(found[0], int):
            last = max(last, (found[0], str(found[1])))
    return last


def is_there(connection: sqlite3.Connection) -> bool:
    """Whether the rows of a file are chained; those of files from before are not."""
    return CHAIN[0] in {row[1] for row in connection.execute(f'PRAGMA table_info("{CURRENT}")')}


def faults_of(connection: sqlite3.Connection, path: Path) -> list[str]:
    """What does not fit in a file; nothing where it has no chain."""
    return faults(links_of(connection, path)) if is_there(connection) else []


def _number(link: Link) -> int:
    return link.number or 0


def changed(path: Path, said: list[str]) -> InputError:
    """The error for a file whose rows do not fit their chain."""
    more = f" and {len(said) - 3} more" if len(said) > 3 else ""
    return InputError(
        f"the records were changed by another program ({'; '.join(said[:3])}{more})",
        file=path,
        mend="restore a copy; read_records(path, check=False) shows them as they are",
    )


def links_of(connection: sqlite3.Connection, path: Path) -> list[Link]:
    """Links of every row: one for having been written, and one more for having been replaced."""
    found = []
    for layer in (SUPERSEDED, CURRENT):
        crs = gpkg.crs_name(connection, layer)
        for row in connection.execute(f'SELECT {selected(connection, layer)} FROM "{layer}" ORDER BY fid'):  # noqa: S608
            values, (number, digest, later, last), blob = row[: len(COLUMNS)], row[len(COLUMNS) : -1], row[-1]
            name = f"row {values[1]} of record {values[0]}"
            polygon = shapely.to_wkb(gpkg.shape_of(blob, name, path), byte_order=1, output_dimension=2)
            if layer == CURRENT:
                found.append(Link(_whole(number), name, content_of(values, polygon, crs), digest))
                continue
            written = [
                None if column in _STAMPS else value for column, value in zip(COLUMNS, values, strict=True)
            ]
            found.append(Link(_whole(number), name, content_of(written, polygon, crs), digest))
            found.append(Link(_whole(later), name, content_of(values, polygon, crs), last))
    return found


def _whole(number: Any) -> int | None:
    """The number of a link; what is no number is none."""
    return number if isinstance(number, int) else None


def selected(connection: sqlite3.Connection, layer: str) -> str:
    """Columns of a layer for a query; those of the chain are empty in a file from before."""
    have = {row[1] for row in connection.execute(f'PRAGMA table_info("{layer}")')}
    chained = ", ".join(f'"{name}"' if name in have else "NULL" for name in CHAIN)
    return ", ".join(f'"{name}"' for name in COLUMNS) + f', {chained}, "geom"'


def begun(connection: sqlite3.Connection, path: Path) -> list[Finding]:
    """Refuse a file whose rows do not fit their chain; chain one from before, and say so."""
    if is_there(connection):
        if said := faults_of(connection, path):
            raise changed(path, said)
        return []
    for layer in (CURRENT, SUPERSEDED):
        for name in CHAIN:
            connection.execute(f'ALTER TABLE "{layer}" ADD COLUMN "{name}" {kind_of(name)}')
    count = link(connection, path)
    message = (
        f"the {count} entries that the file held are chained from now on; changes before that are not seen"
    )
    return [Finding("note", "record", "chain", message)] if count else []


def link(connection: sqlite3.Connection, path: Path) -> int:
    """Give every row that has none its link, what was replaced first; gives the number of the last link."""
    number, digest = head(connection)
    for layer, columns in ((SUPERSEDED, CHAIN[:2]), (SUPERSEDED, CHAIN[2:]), (CURRENT, CHAIN[:2])):
        crs = gpkg.crs_name(connection, layer)
        rows = connection.execute(
            f'SELECT fid, {selected(connection, layer)} FROM "{layer}" WHERE "{columns[0]}" IS NULL ORDER BY fid'  # noqa: S608
        ).fetchall()
        for fid, *row in rows:
            values = list(row[: len(COLUMNS)])
            if layer == SUPERSEDED and columns == CHAIN[:2]:
                values = [
                    None if name in _STAMPS else value for name, value in zip(COLUMNS, values, strict=True)
                ]
            polygon = shapely.to_wkb(
                gpkg.shape_of(row[-1], str(values[0]), path), byte_order=1, output_dimension=2
            )
            number, digest = number + 1, next_digest(digest, content_of(values, polygon, crs))
            connection.execute(
                f'UPDATE "{layer}" SET "{columns[0]}" = ?, "{columns[1]}" = ? WHERE fid = ?',  # noqa: S608
                (number, digest, fid),
            )
    return number


def kind_of(name: str) -> str:
    """SQL type of a column."""
    return "DOUBLE" if name in NUMBERS else "INTEGER" if name.endswith("link") else "TEXT"
