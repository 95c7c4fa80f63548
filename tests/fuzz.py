"""Mutate the sample surveys and size what comes out: a Job whose ledger sums, or a WeedzoneError.

Run as a script for as many cases as wanted::

    python tests/fuzz.py 50000 --seed 7

Every case follows from its number and the seed. Any other exception, a ledger that does not sum, a case that
takes longer than `LIMIT_S` or a process that dies is printed as a fault and gives exit status 1.
"""

from __future__ import annotations

import argparse
import collections
import multiprocessing
import shutil
import signal
import struct
import sys
import tempfile
import warnings
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from functools import lru_cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import strategies
from shapely.geometry import mapping

import weedzone as wz
from weedzone.survey.files import read_layers

LIMIT_S = 60
CHUNK = 50
Rng = np.random.Generator
Frames = dict[str, Any]
FORMATS = ("gpkg", "geojson", "shp", "kml", "fgb", "parquet", "gpx")


@lru_cache(maxsize=1)
def bases() -> list[Frames]:
    """Small surveys cut from the samples: one lot each, the lawn, and a corner of the park."""
    out = []
    for place in ("alder_court", "heron_flats", "quince_bend"):
        frames, _ = read_layers(strategies.SAMPLES / place / "survey.gpkg")
        if place != "quince_bend":
            out.append({name: frame.head(9).copy() for name, frame in frames.items()})
            continue
        lots = list(frames["turf"]["site"].unique())[:10]
        out += [{name: frame[frame["site"] == lot].copy() for name, frame in frames.items()} for lot in lots]
    return out


# Geometry --------------------------------------------------------------------------------------------------


def _vertices(rng: Rng, shape: Any) -> Any:  # noqa: C901 - one branch a mutation
    """The shape with some of its vertices moved, repeated, swapped, or set to what no survey holds."""
    kind = int(rng.integers(9))
    scale = float(10.0 ** rng.integers(-16, 3))
    odd = float(rng.choice([np.nan, np.inf, -np.inf, 1e308, 1e-308, 0.0, 180.0, -180.0, 90.0, 361.0]))

    def change(xy: np.ndarray) -> np.ndarray:
        xy = xy.copy()
        at = rng.integers(0, len(xy), max(1, len(xy) // 4))
        if kind == 0:
            xy[at] += rng.normal(0.0, scale, (len(at), 2))
        elif kind == 1:
            xy[at] = xy[rng.integers(0, len(xy), len(at))]
        elif kind == 2:
            xy[at[0], int(rng.integers(2))] = odd
        elif kind == 3:
            xy = xy[:, ::-1]
        elif kind == 4:
            xy = xy[rng.permutation(len(xy))]
        elif kind == 5:
            xy = np.round(xy, int(rng.integers(0, 8)))
        elif kind == 6:
            xy[:] = xy[0]
        elif kind == 7:
            xy += rng.normal(0.0, scale, 2)
        else:
            xy = (xy - xy.mean(axis=0)) * scale + xy.mean(axis=0)
        return xy

    def closed(ring: Any) -> Any:
        # As a file may hold it: from bytes, as the constructors refuse rings that start with no number.
        moved = change(shapely.get_coordinates(ring)[:-1])
        xy = np.concatenate([moved, moved[:1]])
        return struct.pack("<I", len(xy)) + xy.astype("<f8").tobytes()

    if shape.geom_type == "Polygon":
        rings = [closed(ring) for ring in (shape.exterior, *shape.interiors)]
        try:
            return shapely.from_wkb(struct.pack("<BII", 1, 3, len(rings)) + b"".join(rings))
        except shapely.errors.GEOSException:
            return None
    if shape.geom_type in ("Point", "LineString"):
        xy = change(shapely.get_coordinates(shape))
        return type(shape)(xy if shape.geom_type == "LineString" else xy[0])
    return shape


def _swap(rng: Rng, shape: Any) -> Any:
    """Another shape in place of the one given."""
    x, y = shapely.get_coordinates(shape)[0] if not shape.is_empty else (0.0, 0.0)
    step = float(10.0 ** rng.integers(-9, 1))
    box = shapely.box(x, y, x + step, y + step)
    bow = shapely.Polygon([(x, y), (x + step, y + step), (x + step, y), (x, y + step)])
    choices: list[Any] = [
        None, shapely.Point(), shapely.Polygon(), shapely.Point(x, y), shapely.LineString([(x, y), (x, y)]),
        shapely.LineString([(x, y), (x + step, y)]), box, bow, shapely.MultiPolygon([box, box]),
        shapely.GeometryCollection([box, bow, shapely.Point(x, y)]), shapely.GeometryCollection(),
        shapely.GeometryCollection([shapely.GeometryCollection([box])]), shapely.force_3d(box, 5.0),
        shapely.Polygon(box.exterior.coords, [box.exterior.coords]), shapely.MultiPoint([(x, y), (x, y + step)]),
        shapely.MultiLineString([[(x, y), (x, y + step)], [(x, y), (x + step, y)]]),
        shapely.box(-180, -90, 180, 90), box.exterior,
    ]  # fmt: skip
    return choices[int(rng.integers(len(choices)))]


def mutate_geometry(rng: Rng, frames: Frames) -> None:
    """Change some shapes of one or more layers."""
    for _ in range(int(rng.integers(1, 4))):
        name = str(rng.choice(list(frames)))
        frame = frames[name]
        if not len(frame):
            continue
        shapes = frame.geometry.to_numpy().copy()
        row = int(rng.integers(len(shapes)))
        if shapes[row] is None or shapes[row].is_empty or rng.random() < 0.4:
            shapes[row] = _swap(rng, shapes[row] if shapes[row] is not None else shapely.Point(0, 0))
        else:
            shapes[row] = _vertices(rng, shapes[row])
        changed = frame.set_geometry(gpd.GeoSeries(shapes, index=frame.index, crs=frame.crs))
        kind = rng.random()
        if kind < 0.15:
            changed = pd.concat([changed, changed.sample(frac=0.5, random_state=int(rng.integers(1e6)))])
        elif kind < 0.2:
            changed = changed.set_crs(None, allow_override=True)
        elif kind < 0.3:
            crs = rng.choice(["EPSG:3857", "EPSG:32615", "EPSG:4326", "EPSG:2263", "EPSG:4978", "EPSG:5773"])
            changed = changed.set_crs(str(crs), allow_override=True)
        elif kind < 0.35:
            changed = changed.iloc[:0]
        frames[name] = changed


# Attributes ------------------------------------------------------------------------------------------------

ODD: list[Any] = [
    None, np.nan, "", " ", 0, -1, 1e308, -1e-308, float("inf"), True, "1e3", "12,5", "1_000", "٣", "NaN", "nan",
    b"bytes", [1], {"a": 1}, (1, 2), "x" * 10_000, "\x00", "\u202etxet", "'; DROP TABLE turf; --", "=1+1", "1 ft",
    np.datetime64("NaT"), pd.Timestamp("2026-05-10"), "2026-13-45", "10/05/2026", 20260510, "femto", "1e400", 2**70,
    complex(1, 2), object(), "dandelion; white clover", "tall fescue", "pond", "Demo Trio", "3 fl oz/ksqft",
]  # fmt: skip


def _cells(values: list[Any]) -> np.ndarray:
    out = np.empty(len(values), dtype=object)
    out[:] = values
    return out


def mutate_attributes(rng: Rng, frames: Frames) -> None:
    """Change cells, columns and rows of one or more layers."""
    for _ in range(int(rng.integers(1, 4))):
        name = str(rng.choice(list(frames)))
        frame = frames[name].copy()
        columns = [column for column in frame.columns if column != frame.geometry.name]
        kind = int(rng.integers(8))
        if not columns or not len(frame) or frame.columns.has_duplicates:
            continue
        column = columns[int(rng.integers(len(columns)))]
        if kind <= 3:
            values = list(frame[column])
            values[int(rng.integers(len(values)))] = ODD[int(rng.integers(len(ODD)))]
            frame[column] = _cells(values)
        elif kind == 4:
            frame = frame.drop(columns=column)
        elif kind == 5:
            new = str(
                rng.choice(["Turf ", "WEED", "buffer_ft", "radius_m", "width_ft", "site", "cover", "kind"])
            )
            frame = frame.rename(columns={column: new})
        elif kind == 6:
            new = str(
                rng.choice(["buffer_m", "radius_ft", "width_m", "cover", "site", "dose", "amount", "date"])
            )
            values = [ODD[int(rng.integers(len(ODD)))] for _ in range(len(frame))]
            frame[new] = _cells(values)
        else:
            frame = frame.sample(frac=float(rng.random()), random_state=int(rng.integers(1e6)))
        frames[name] = frame


# Files -----------------------------------------------------------------------------------------------------


@lru_cache(maxsize=64)
def _files(base: int, suffix: str, root: str) -> Path:
    """One of the small surveys as a folder of files."""
    folder = Path(root) / f"{suffix}{base}"
    folder.mkdir(parents=True, exist_ok=True)
    frames = bases()[base]
    if suffix == "gpkg":
        for name, frame in frames.items():
            frame.to_file(folder / "survey.gpkg", layer=name)
        return folder
    for name, frame in frames.items():
        file = folder / f"{name}.{suffix}"
        if suffix == "parquet":
            frame.to_parquet(file)
        elif suffix == "gpx":
            # Tracks and waypoints as a receiver writes them; polygons stay GeoJSON.
            if name == "keep_out":
                file.write_text(_gpx(frame), encoding="utf-8")
            else:
                frame.to_file(folder / f"{name}.geojson")
        elif suffix == "kml":
            file.write_text(_kml(frame), encoding="utf-8")
        else:
            # A shapefile holds one kind of shape.
            alike = frame.geometry.geom_type.str.replace("Multi", "") == frame.geometry.geom_type.iloc[0]
            (frame[alike] if suffix == "shp" else frame).to_file(file)
    return folder


def _kml(frame: gpd.GeoDataFrame) -> str:
    rows = []
    for _, row in frame.to_crs(4326).iterrows():
        data = "".join(
            f'<Data name="{name}"><value>{row[name]}</value></Data>'
            for name in frame.columns
            if name != "geometry"
        )
        rings = shapely.get_rings(shapely.get_parts(row.geometry))
        lines = [" ".join(f"{x},{y}" for x, y in shapely.get_coordinates(ring)) for ring in rings]
        if lines:
            ring = f"<LinearRing><coordinates>{lines[0]}</coordinates></LinearRing>"
            shape = f"<Polygon><outerBoundaryIs>{ring}</outerBoundaryIs></Polygon>"
        else:
            text = " ".join(f"{x},{y}" for x, y in shapely.get_coordinates(row.geometry))
            tag = "Point" if row.geometry.geom_type == "Point" else "LineString"
            shape = f"<{tag}><coordinates>{text}</coordinates></{tag}>"
        rows.append(f"<Placemark><ExtendedData>{data}</ExtendedData>{shape}</Placemark>")
    body = "".join(rows)
    return (
        f'<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>{body}</Document></kml>'
    )


def _gpx(frame: gpd.GeoDataFrame) -> str:
    points = [shapely.get_coordinates(shape)[0] for shape in frame.to_crs(4326).geometry]
    body = "".join(
        f'<wpt lat="{y}" lon="{x}"><name>n</name><desc>d</desc><type>{kind}</type></wpt>'
        for (x, y), kind in zip(points, frame["kind"], strict=True)
    )
    return f'<?xml version="1.0"?><gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">{body}</gpx>'


TOKENS = (
    b"<!DOCTYPE x [<!ENTITY a 'b'>]>", b"\x00", b"NaN", b"1e999", b"null", b"-", b"{", b"]", b"\xff\xfe", b"&lt;",
    str(mapping(shapely.Point(0, 0))).encode(), b"<coordinates>", b"9" * 400, b'"type":"Polygon"',
)  # fmt: skip


def mutate_bytes(rng: Rng, content: bytes) -> bytes:
    """Flip, cut, repeat and insert bytes."""
    data = bytearray(content)
    for _ in range(int(rng.integers(1, 6))):
        at, span = int(rng.integers(0, max(1, len(data)))), int(2 ** rng.integers(0, 10))
        kind = int(rng.integers(6))
        if kind == 0:
            for k in rng.integers(0, max(1, len(data)), span % 32 + 1):
                if data:
                    data[int(k)] = int(rng.integers(256))
        elif kind == 1:
            del data[at : at + span]
        elif kind == 2:
            data[at:at] = data[at : at + span]
        elif kind == 3:
            data[at:at] = TOKENS[int(rng.integers(len(TOKENS)))]
        elif kind == 4:
            data[at : at + span] = bytes(span)
        else:
            data = data[: max(1, at)] if rng.random() < 0.3 else data
    return bytes(data)


def mutated_folder(rng: Rng, root: str) -> Path:
    """A folder of survey files, one of them with its bytes changed."""
    base, suffix = int(rng.integers(len(bases()))), str(rng.choice(FORMATS))
    source = _files(base, suffix, root)
    target = Path(root) / "case"
    shutil.rmtree(target, ignore_errors=True)
    shutil.copytree(source, target)
    files = sorted(file for file in target.iterdir() if file.is_file())
    victim = files[int(rng.integers(len(files)))]
    victim.write_bytes(mutate_bytes(rng, victim.read_bytes()))
    return target / "survey.gpkg" if suffix == "gpkg" else target


# One case --------------------------------------------------------------------------------------------------


class TooSlowError(Exception):
    """A case that took longer than `LIMIT_S`."""


def _too_slow(*_: object) -> None:
    raise TooSlowError


def ledger_gap(job: wz.Job) -> float:
    """By how much the ledger misses the infested ground, in units of what rounding allows."""
    infested = job.survey.local.infested
    total = strategies.infested_m2(job.survey)
    allowed = 1e-6 * total + 1e-5 + 2e-6 * float(shapely.length(infested.geoms).sum())
    return abs(float(job.ledger["area_m2"].sum()) - total) / allowed


def case(number: int, seed: int, root: str) -> tuple[str, str]:
    """Outcome of one case: "job", "error" or "fault", and what it says."""
    rng = np.random.default_rng([seed, number])
    bases()  # a fault in the making of a case is no outcome
    signal.signal(signal.SIGALRM, _too_slow)
    signal.alarm(LIMIT_S)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            kind = number % 3
            if kind == 2:
                survey = wz.read_survey(mutated_folder(rng, root))
            else:
                frames = {
                    name: frame.copy() for name, frame in bases()[int(rng.integers(len(bases())))].items()
                }
                if kind == 0 or rng.random() < 0.2:
                    mutate_geometry(rng, frames)
                if kind == 1:
                    mutate_attributes(rng, frames)
                survey = wz.Survey(**frames)
            job = strategies.job(survey)
            gap = ledger_gap(job)
        if not gap <= 1.0:
            return "fault", f"the ledger misses the infested ground by {gap:.3g} times what rounding allows"
        if not np.isfinite(job.totals["area_m2"].to_numpy()).all():
            return "fault", "a total that is no number"
    except wz.WeedzoneError as error:
        text = str(error)
        return ("fault", f"more than one line: {text!r}") if "\n" in text else ("error", type(error).__name__)
    except BaseException as error:
        trace, place = error.__traceback__, ""
        while trace is not None:
            name = Path(trace.tb_frame.f_code.co_filename).name
            place = f"{name}:{trace.tb_lineno}" if "weedzone" in trace.tb_frame.f_code.co_filename else place
            trace = trace.tb_next
        return "fault", f"{type(error).__name__} at {place}: {str(error)[:150]}"
    finally:
        signal.alarm(0)
    return "job", ""


def chunk(first: int, count: int, seed: int) -> list[tuple[int, str, str]]:
    """Outcomes of a run of cases."""
    with tempfile.TemporaryDirectory() as root:
        out = [(number, *case(number, seed, root)) for number in range(first, first + count)]
        _files.cache_clear()
    return out


def run(cases: int, seed: int = 1, processes: int = 2) -> tuple[collections.Counter[str], list[str]]:
    """Counts by outcome, and the faults with the number of their case."""
    counts: collections.Counter[str] = collections.Counter()
    faults = []
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        waiting = {
            first: pool.submit(chunk, first, min(CHUNK, cases - first), seed)
            for first in range(0, cases, CHUNK)
        }
        for first, future in waiting.items():
            try:
                for number, outcome, text in future.result(timeout=LIMIT_S * CHUNK):
                    counts[outcome if outcome != "error" else text] += 1
                    if outcome == "fault":
                        faults.append(f"case {number}: {text}")
            except (BrokenProcessPool, TimeoutError) as problem:
                faults.append(f"cases from {first}: {type(problem).__name__}")
                break
    return counts, faults


def main() -> int:
    """Run from a shell."""
    parser = argparse.ArgumentParser(description="Fuzz the survey's door.")
    parser.add_argument("cases", type=int, nargs="?", default=5_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    counts, faults = run(given.cases, given.seed, given.processes)
    sys.stdout.write(f"{dict(counts)}\n" + "".join(f"{fault}\n" for fault in faults))
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
