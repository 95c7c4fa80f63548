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
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

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
STAMPS = ("superseded_by", "superseded_at", "superseded_because")
START = "0" * 64


# Every link: the layer, its columns of number and digest. What was replaced comes first, as written and as replaced.
_LINKS = ((SUPERSEDED, CHAIN[:2]), (SUPERSEDED, CHAIN[2:]), (CURRENT, CHAIN[:2]))


@dataclass(frozen=True)
class Link:
    """One link as stored: its number (None where it has none), the row in words, what the row holds, and its digest.

    `place` is the layer, the columns of number and digest, and the row's own number there.
    """

    number: int | None
    row: str
    content: str
    digest: str | None
    place: tuple[str, tuple[str, ...], int]


def next_digest(before: str, content: str) -> str:
    """Digest of a link from that of the link before and of what its row holds."""
    return hashlib.sha256(f"{before}\0{content}".encode()).hexdigest()


def links(connection: sqlite3.Connection, path: Path, condition: str = "TRUE") -> Iterator[Link]:
    """Links of every row: one for having been written, and one more for having been replaced.

    The content of a row is a digest of its columns in their order, the name of the layer's coordinate system, and
    the polygon as well-known binary.
    """
    columns = ", ".join(f'"{name}"' for name in COLUMNS)
    for layer, (number, digest) in _LINKS:
        crs = gpkg.crs_name(connection, layer)
        query = f'SELECT fid, "{number}", "{digest}", "geom", {columns} FROM "{layer}" WHERE {condition.format(number)} ORDER BY fid'  # noqa: S608, E501
        for fid, at, stored, blob, *values in connection.execute(query).fetchall():
            name = f"row {values[1]} of record {values[0]}"
            polygon = shapely.to_wkb(gpkg.shape_of(blob, name, path), byte_order=1, output_dimension=2)
            if layer == SUPERSEDED and number == CHAIN[0]:  # as it was written: without what replaced it
                values[-len(STAMPS) :] = [None] * len(STAMPS)
            told = json.dumps([*values, crs], ensure_ascii=True, default=repr).encode()
            content = hashlib.sha256(told + b"\0" + polygon).hexdigest()
            yield Link(
                at if isinstance(at, int) else None, name, content, stored, (layer, (number, digest), fid)
            )


def faults(connection: sqlite3.Connection, path: Path) -> list[str]:
    """What does not fit in a file; nothing where it has no chain, or where that is whole."""
    if not is_there(connection):
        return []
    every = list(links(connection, path))
    said = [f"{link.row} was added" for link in every if link.number is None]
    last = START
    numbered = sorted((link for link in every if link.number is not None), key=lambda link: link.number or 0)
    for at, link in enumerate(numbered, start=1):
        if link.number != at:
            return [*said, f"what was link {at} was taken away"]
        last = next_digest(last, link.content)
        if link.digest != last:
            return [*said, f"{link.row} was changed"]
    return said


def head(connection: sqlite3.Connection) -> tuple[int, str]:
    """Number and digest of the last link; 0 and zeros where there is none."""
    last = (0, START)
    for layer, (number, digest) in _LINKS:
        query = f'SELECT "{number}", "{digest}" FROM "{layer}" ORDER BY "{number}" DESC LIMIT 1'  # noqa: S608
        found = connection.execute(query).fetchone()
        if found and isinstance(found[0], int):
            last = max(last, (found[0], str(found[1])))
    return last


def is_there(connection: sqlite3.Connection) -> bool:
    """Whether the rows of a file are chained; those of files from before are not."""
    return CHAIN[0] in columns_of(connection, CURRENT)


def columns_of(connection: sqlite3.Connection, layer: str) -> set[str]:
    """Names of the columns of a layer."""
    return {row[1] for row in connection.execute(f'PRAGMA table_info("{layer}")')}


def changed(path: Path, said: list[str]) -> InputError:
    """The error for a file whose rows do not fit their chain."""
    more = f" and {len(said) - 3} more" if len(said) > 3 else ""
    return InputError(
        f"the records were changed by another program ({'; '.join(said[:3])}{more})",
        file=path,
        mend="restore a copy; read_records(path, check=False) shows them as they are",
    )


def begun(connection: sqlite3.Connection, path: Path) -> list[Finding]:
    """Refuse a file whose rows do not fit their chain; chain one from before, and say so."""
    if is_there(connection):
        if said := faults(connection, path):
            raise changed(path, said)
        return []
    for layer in (CURRENT, SUPERSEDED):
        for name in CHAIN:
            connection.execute(f'ALTER TABLE "{layer}" ADD COLUMN "{name}" {kind_of(name)}')
    count = extend(connection, path)
    message = (
        f"the {count} entries that the file held are chained from now on; changes before that are not seen"
    )
    return [Finding("note", "record", "chain", message)] if count else []


def extend(connection: sqlite3.Connection, path: Path) -> int:
    """Give every row that has none its link, what was replaced first; gives the number of the last link."""
    number, digest = head(connection)
    for link in links(connection, path, '"{}" IS NULL'):
        number, digest = number + 1, next_digest(digest, link.content)
        layer, columns, fid = link.place
        connection.execute(
            f'UPDATE "{layer}" SET "{columns[0]}" = ?, "{columns[1]}" = ? WHERE fid = ?',  # noqa: S608
            (number, digest, fid),
        )
    return number


def kind_of(name: str) -> str:
    """SQL type of a column."""
    return "DOUBLE" if name in NUMBERS else "INTEGER" if name.endswith("link") else "TEXT"
