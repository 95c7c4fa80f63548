"""Portfolios: any number of sites, block by block, in bounded memory, by one worker or many."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sys
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import cached_property
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from weedzone.base.errors import (
    Finding,
    InputError,
    WeedzoneError,
    findings_table,
    named_options,
    path_given,
)
from weedzone.base.units import ACRE_PER_M2, KSQFT_PER_M2
from weedzone.base.words import DECIDES
from weedzone.job import size_job
from weedzone.kit import Label
from weedzone.sizing import Asked, Sized, labels_of, size
from weedzone.survey import Blocks, Survey, block_layers, checked_layer, layers_of, site_name, split
from weedzone.zones import Rig

TABLES = ("zones", "totals", "loads", "ledger", "findings")
BLOCK_SITES = 250
_MOST_NAMED = 100  # sites in a summary; the findings tables name all
TRIES = 3  # a worker that dies takes its block with it; the block is begun again this often
Layers = dict[str, gpd.GeoDataFrame]


@dataclass(frozen=True)
class Run:
    """What every block of a portfolio is sized with."""

    blocks: Blocks
    labels: Mapping[str, Label]
    rig: Rig
    use: str
    options: Mapping[str, Any]
    out: Path


@dataclass(frozen=True)
class Portfolio:
    """A sized portfolio, on disk.

    Attributes
    ----------
    out : Path
        Folder of the results: ``blocks/NNNNNN/`` holds ``zones.parquet`` (GeoParquet), ``totals.parquet``,
        ``loads.parquet``, ``ledger.parquet`` and ``findings.parquet``, with the columns of
        `weedzone.sizing.Sized`.
    n_sites : int
    done, skipped : int
        Blocks sized in this run, and blocks found finished.
    """

    out: Path
    n_sites: int
    done: int
    skipped: int

    def read(self, table: str) -> pd.DataFrame:
        """One table of every block, in the order of the blocks; it must fit in memory.

        Parameters
        ----------
        table : {"zones", "totals", "loads", "ledger"}

        Returns
        -------
        DataFrame
            A GeoDataFrame for ``zones``.

        Raises
        ------
        InputError
            There is no such table.
        """
        if table not in TABLES:
            raise InputError(f"no table {table!r}", mend=f"one of {', '.join(TABLES)}")
        reader = gpd.read_parquet if table == "zones" else pd.read_parquet
        found: pd.DataFrame = pd.concat([reader(file) for file in self.files(table)], ignore_index=True)
        return found

    def files(self, table: str) -> list[Path]:
        """Files of one table, a block each.

        Parameters
        ----------
        table : {"zones", "totals", "loads", "ledger", "findings"}

        Returns
        -------
        list of pathlib.Path
        """
        return sorted((self.out / "blocks").glob(f"[0-9]*/{table}.parquet"))

    @cached_property
    def by_product(self) -> pd.DataFrame:
        """Totals of each product over all sites: sites, area, solution, water, product, adjuvant, loads."""
        sums = ["area_ft2", "area_m2", "solution_gal", "solution_L", "water_gal", "water_L", "product_amount"]
        sums += ["adjuvant_floz", "loads"]
        parts = []
        for file in self.files("totals"):
            table = pd.read_parquet(file)
            grouped = table.groupby(["product", "product_unit"], sort=True)
            parts.append(grouped[sums].sum().assign(sites=grouped["site"].nunique()))
        if not parts:
            return pd.DataFrame(columns=["product", "product_unit", *sums, "sites"])
        return pd.concat(parts).groupby(level=[0, 1]).sum().reset_index()

    @cached_property
    def by_outcome(self) -> pd.Series[Any]:
        """Infested ground by outcome [m2]."""
        parts = [pd.read_parquet(file).groupby("outcome")["area_m2"].sum() for file in self.files("ledger")]
        return (
            pd.concat(parts).groupby(level=0).sum().sort_values(ascending=False)
            if parts
            else pd.Series(dtype=float)
        )

    @cached_property
    def failed(self) -> list[str]:
        """Sites that were not sized."""
        wanted = [("severity", "==", "error"), ("layer", "==", "site")]
        tables = [pd.read_parquet(file, filters=wanted) for file in self.files("findings")]
        return sorted({str(name) for table in tables for name in table["feature"]})

    def findings(self, most: int = 200) -> pd.DataFrame:
        """The worst findings, errors first.

        Parameters
        ----------
        most : int
            Rows to give at most.

        Returns
        -------
        DataFrame
            ``severity``, ``layer``, ``feature``, ``message``.
        """
        tables = []
        for file in self.files("findings"):
            table = pd.read_parquet(file)
            tables.append(table[table["severity"] != "note"].head(most))
        rows = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=["severity"])
        worst = rows["severity"].map({"error": 0, "warning": 1}).sort_values(kind="stable").index
        return rows.loc[worst].drop_duplicates().head(most).reset_index(drop=True)

    def summary(self) -> str:
        """The portfolio in words: totals by product, ground by outcome, the worst findings.

        Returns
        -------
        str
        """
        lines = [f"{self.n_sites:,} sites, {self.done} block(s) sized now, {self.skipped} found finished", ""]
        rows: Any = self.by_product.itertuples()
        for row in rows:
            ground = f"{row.area_m2 * KSQFT_PER_M2:,.1f} ksqft ({row.area_m2 * ACRE_PER_M2:,.2f} acre)"
            lines.append(f"{row.product}: {ground} on {row.sites:,} sites")
            lines.append(
                f"  {_figures(row.product_amount)} {row.product_unit} product, "
                f"{_figures(row.solution_gal)} gal solution, "
                f"{row.loads:,} loads"
            )
        lines += ["", "Infested ground:"]
        total = float(self.by_outcome.sum()) or 1.0
        lines += [f"  {name:22s} {area / total:6.1%}" for name, area in self.by_outcome.items()]
        if self.failed:
            more = f" and {len(self.failed) - _MOST_NAMED:,} more" if len(self.failed) > _MOST_NAMED else ""
            lines += ["", f"Not sized ({len(self.failed):,}): {', '.join(self.failed[:_MOST_NAMED])}{more}"]
        worst = self.findings(12)
        if len(worst):
            lines += ["", "Findings (worst first):"]
            lines += [
                f"  {row.severity}: {row.layer} {row.feature}: {row.message}" for row in worst.itertuples()
            ]
        lines += ["", DECIDES]
        return "\n".join(lines)

    def __str__(self) -> str:
        """The summary."""
        return self.summary()


def _figures(value: float) -> str:
    """Three figures, and every figure before the decimal point: a small amount is never shown as none."""
    return f"{value:,.0f}" if value >= 1000 else f"{value:#.3g}".rstrip(".")


@named_options(like=size_job)
def size_portfolio(
    source: str | Path,
    labels: Mapping[str, Label],
    rig: Rig,
    use: str = "spot",
    *,
    out: str | Path,
    block: int = BLOCK_SITES,
    workers: int = 1,
    client: Any = None,
    progress: bool | None = None,
    **options: Any,
) -> Portfolio:
    """Size any number of sites, streamed block by block.

    Finished blocks are kept: a run that was stopped goes on where it was. A block appears whole or not at all.
    A site that cannot be sized is a finding of its block and does not stop the others; a keep-out that cannot be
    used costs only the sites that it may reach. `Portfolio.failed` names them.

    Parameters
    ----------
    source : path
        GeoPackage, or folder of GeoParquet files (or datasets) named after the layers. ``infestations`` must
        have a ``site``; ``keep_out`` shapes without one hold for every site that they come near.
    labels, rig, use, **options
        As of `weedzone.size_job`.
    out : path
        Folder for the results and the scratch files; made if it is not there.
    block : int
        Sites in a block.
    workers : int
        Local processes; 0 for as many as there are processors.
    client : distributed.Client, optional
        A Dask cluster to send the blocks to, in place of local processes. Its workers must see `out`.
    progress : bool, optional
        Show a bar; by default on a terminal only.

    Returns
    -------
    Portfolio

    Raises
    ------
    WeedzoneError
        A source that cannot be read; a folder that holds the results of another run.
    """
    known = labels_of(labels)
    origin = path_given(source, "a portfolio", 'size_portfolio("sites.gpkg", ...)')
    place = path_given(out, "a portfolio's results", 'out="out"')
    layers_of(origin)  # refused before the folder of results is claimed for it
    if block < 1 or workers < 0:
        raise InputError("block must be at least 1 and workers at least 0", field="block, workers")
    place.mkdir(parents=True, exist_ok=True)
    _claim(place, origin, known, rig, use, block, options)
    blocks = split(origin, place / "scratch", block)
    run = Run(blocks, known, rig, use, options, place)
    todo = [number for number in range(len(blocks)) if not _place(place, number).is_dir()]
    shown = _bar(progress, len(todo))
    if client is not None:
        _on_cluster(client, run, todo, shown)
    elif workers == 1 or len(todo) <= 1:
        for number in todo:
            size_block(run, number)
            shown()
    else:
        _in_processes(run, todo, workers or os.cpu_count() or 1, shown)
    return Portfolio(place, sum(len(one) for one in blocks.sites), len(todo), len(blocks) - len(todo))


def size_block(run: Run, number: int) -> int:
    """Size one block and move its results into place."""
    frames = block_layers(run.blocks, number)
    sized, findings = _size_block(run, frames, run.blocks.sites[number])
    final = _place(run.out, number)
    temporary = final.with_name(f".{final.name}.{os.getpid()}")
    shutil.rmtree(temporary, ignore_errors=True)
    temporary.mkdir(parents=True)
    for table in ("zones", "totals", "loads", "ledger"):
        frame = pd.concat([getattr(one, table) for one in sized], ignore_index=True) if sized else None
        if frame is not None:
            frame.to_parquet(temporary / f"{table}.parquet", index=False)
    noticed = [finding for one in sized for finding in one.noticed] + findings
    findings_table(noticed).to_parquet(temporary / "findings.parquet", index=False)
    try:
        temporary.rename(final)
    except OSError:
        # Another worker was given the same block after a fault and was first: the results are the same.
        if not final.is_dir():
            raise
        shutil.rmtree(temporary, ignore_errors=True)
    return number


# What workers are sent: one name, so that every kind of worker runs the same thing.
work_on = size_block


def _size_block(run: Run, frames: Layers, sites: list[str]) -> tuple[list[Sized], list[Finding]]:
    """Size the sites of a block; a keep-out that cannot be used costs those that it may reach."""
    try:
        return [_sized(run, frames)], []
    except WeedzoneError:
        bad = _unusable(frames["keep_out"]) if "keep_out" in frames else {}
    lost = {name: message for row, message in bad.items() for name in _in_reach(run, frames, sites, row)}
    if bad:
        frames = {**frames, "keep_out": frames["keep_out"].drop(index=list(bad))}
    left = [name for name in sites if name not in lost]
    sized, findings = _size_sites(run, _of_sites(frames, left), left) if left else ([], [])
    return sized, findings + [_not_sized(name, message) for name, message in lost.items()]


def _sized(run: Run, frames: Layers) -> Sized:
    # A layer of which nothing is left is missed by the survey, with an error of its own.
    survey = Survey(**{"turf": None, "infestations": None, **frames})
    return size(survey, run.labels, run.rig, Asked(use=run.use, **run.options))


def _not_sized(site: str, message: object) -> Finding:
    return Finding("error", "site", site, f"not sized: {message}")


def _unusable(layer: gpd.GeoDataFrame) -> dict[Any, str]:
    """Rows of a keep-out layer that cannot be read, and why; halves are tried until a row stands alone."""
    try:
        checked_layer(layer, "keep_out", None, None)
    except WeedzoneError as error:
        if len(layer) == 1:
            return {layer.index[0]: str(error)}
        middle = len(layer) // 2
        return _unusable(layer.iloc[:middle]) | _unusable(layer.iloc[middle:])
    return {}


def _in_reach(run: Run, frames: Layers, sites: list[str], row: Any) -> list[str]:
    """Sites that an unusable keep-out may reach: its own, and those within the widest distance that may be meant."""
    own, ground = frames["keep_out"].loc[[row]], frames["infestations"]
    metres = ground.estimate_utm_crs()
    shape = _in_metres(own, metres)[0]
    rules: list[Mapping[str, float]] = []
    for label in run.labels.values():
        rules += [label.buffers_m, label.downwind_m, *label.use_buffers_m.values()]
    policy = run.options.get("policy")
    for local in () if policy is None else (policy, *policy.districts):
        rules += [local.buffers.general, *local.buffers.by_use.values()]
    known = [0.0, *(distance for kinds in rules for distance in kinds.values())]
    stated = own[[column for column in own.columns if "buffer" in str(column).lower()]].iloc[0].dropna()
    # Feet taken as metres are on the safe side; what is no number may mean any distance.
    known += pd.to_numeric(stated, errors="coerce").abs().tolist()
    # A tenth and a metre more: for the projection's scale, and for what is walked beyond the turf.
    apart = shapely.distance(_in_metres(ground, metres), shape)
    near = ~(apart > 1.1 * float(np.max(known)) + 1.0)  # not a number: in reach
    names = {_name(value) for value in ground.loc[near, "site"]}
    if "site" in own.columns:
        names.add(_name(own["site"].iloc[0]))
    return [name for name in sites if name in names]


def _in_metres(layer: gpd.GeoDataFrame, metres: Any) -> Any:
    """Shapes in a projection, their edges as straight as they were drawn."""
    step = 0.001 if layer.crs.is_geographic else 100.0
    return layer.geometry.segmentize(step).to_crs(metres).to_numpy()


def _size_sites(run: Run, frames: Layers, sites: list[str]) -> tuple[list[Sized], list[Finding]]:
    """Size sites together; where that fails, halves of them, down to the one at fault."""
    try:
        return [_sized(run, frames)], []
    except WeedzoneError as error:
        if len(sites) <= 1:
            return [], [_not_sized(str(sites[0]) if sites else "", error)]
    middle = len(sites) // 2
    sized, findings = [], []
    for half in (sites[:middle], sites[middle:]):
        found, said = _size_sites(run, _of_sites(frames, half), half)
        sized += found
        findings += said
    return sized, findings


def _of_sites(frames: Layers, sites: list[str]) -> Layers:
    """Layers of some sites; keep-outs of the others stay as shared ones, which hold wherever they come near."""
    part = dict(frames)
    for layer, frame in frames.items():
        if "site" in frame.columns:
            names = frame["site"].map(_name, na_action=None)
            own = names.isin(sites) | names.isna()
            part[layer] = frame.assign(site=names.where(own, None)) if layer == "keep_out" else frame[own]
    return {layer: frame for layer, frame in part.items() if len(frame) or layer == "keep_out"}


def _name(value: Any) -> str | None:
    return None if pd.isna(value) else site_name(value)


def _place(out: Path, number: int) -> Path:
    return out / "blocks" / f"{number:06d}"


def _claim(
    out: Path,
    source: Path,
    labels: Mapping[str, Label],
    rig: Rig,
    use: str,
    block: int,
    options: Mapping[str, Any],
) -> None:
    """Refuse a folder that holds the results of another source, label, rig or option."""
    files = [source] if source.is_file() else sorted(source.rglob("*")) if source.is_dir() else []
    stamps = [(str(file), file.stat().st_size, file.stat().st_mtime_ns) for file in files if file.is_file()]
    plain_labels = [replace(label, file="") for _, label in sorted(labels.items())]
    told = json.dumps([stamps, plain_labels, rig, use, block, dict(options)], default=_plain, sort_keys=True)
    mark = hashlib.sha256(told.encode()).hexdigest()
    file = out / "portfolio.json"
    if file.is_file():
        if json.loads(file.read_text(encoding="utf-8")).get("mark") != mark:
            raise InputError(
                "the folder holds the results of another source, labels, rig or options",
                file=out,
                mend="name another folder, or remove it",
            )
        return
    temporary = file.with_suffix(".new")
    temporary.write_text(json.dumps({"mark": mark}), encoding="utf-8")
    temporary.replace(file)


def _plain(value: Any) -> Any:
    """What the mark of a run is made of, the same in every process."""
    if is_dataclass(value) and not isinstance(value, type):
        return {one.name: getattr(value, one.name) for one in fields(value)}
    return sorted(value, key=str) if isinstance(value, set | frozenset | tuple) else str(value)


def _bar(progress: bool | None, total: int) -> Callable[[], None]:
    wanted = sys.stderr.isatty() if progress is None else progress
    if not wanted:
        return lambda: None
    try:
        from tqdm import tqdm
    except ImportError:
        return lambda: None
    bar = tqdm(total=total, unit="block")
    return lambda: bar.update(1)


def _in_processes(run: Run, todo: Iterable[int], workers: int, shown: Callable[[], None]) -> None:
    """Blocks in local processes; those of a worker that died are begun again."""
    left = set(todo)
    for _ in range(TRIES):
        # Fresh processes: forking one that has loaded GEOS and pyarrow threads can lock up.
        with ProcessPoolExecutor(workers, get_context("spawn"), _to_errors) as pool:
            running = {pool.submit(work_on, run, number): number for number in sorted(left)}
            try:
                for future in as_completed(running):
                    left.discard(future.result())
                    shown()
            except BrokenProcessPool:
                left = {number for number in left if not _place(run.out, number).is_dir()}
        if not left:
            return
    raise InputError(
        f"workers died on {len(left)} block(s), the first is {min(left)}", mend="use smaller blocks"
    )


def _to_errors() -> None:
    """What libraries print in a worker goes to the errors: the output belongs to the caller."""
    with suppress(OSError):  # no errors to go to
        os.dup2(2, 1)


def _on_cluster(client: Any, run: Run, todo: list[int], shown: Callable[[], None]) -> None:
    from distributed import as_completed as completed

    everywhere = client.scatter(run, broadcast=True, hash=False)
    futures = [client.submit(work_on, everywhere, number, pure=False, retries=TRIES) for number in todo]
    for future in completed(futures):  # type: ignore[no-untyped-call]
        future.result()
        shown()
