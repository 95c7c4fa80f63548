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
import pandas as pd
import pyarrow as pa
import shapely

from weedzone.base.errors import InputError, named_options, path_given
from weedzone.base.files import is_running
from weedzone.base.units import ACRE_PER_M2, KSQFT_PER_M2
from weedzone.base.words import DECIDES
from weedzone.blocks import TABLES, Run, place_of, size_block
from weedzone.job import size_job
from weedzone.kit import Label
from weedzone.sizing import Asked, labels_of
from weedzone.survey import layers_of, split
from weedzone.zones import Rig

BLOCK_SITES = 250
_MOST_NAMED = 100  # sites in a summary; the findings tables name all
TRIES = 3  # a worker that dies takes its block with it; the block is begun again this often


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
        tables = [_table(file, reader) for file in self.files(table)]
        found: pd.DataFrame = pd.concat(tables, ignore_index=True)
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
        sums += ["adjuvant_floz", "loads", "made_up_gal", "made_up_amount"]
        parts = [pd.DataFrame(columns=["product", "product_unit", *sums, "sites"])]
        for file in self.files("totals"):
            grouped = _table(file).groupby(["product", "product_unit"])
            parts.append(grouped[sums].sum().assign(sites=grouped["site"].nunique()).reset_index())
        return pd.concat(parts[1:] or parts).groupby(["product", "product_unit"], as_index=False).sum()

    @cached_property
    def by_outcome(self) -> pd.Series[Any]:
        """Infested ground by outcome [m2]."""
        parts = [_table(file).groupby("outcome")["area_m2"].sum() for file in self.files("ledger")]
        if not parts:
            return pd.Series(dtype=float)
        whole: pd.Series[Any] = pd.concat(parts).groupby(level=0).sum().sort_values(ascending=False)
        return whole

    @cached_property
    def failed(self) -> list[str]:
        """Sites that were not sized."""
        wanted = [("severity", "==", "error"), ("layer", "==", "site")]
        tables = [_table(file, filters=wanted) for file in self.files("findings")]
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
            table = _table(file)
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
                f"  made up site by site: {_figures(row.made_up_amount)} {row.product_unit} product, "
                f"{_figures(row.made_up_gal)} gal solution, {row.loads:,} loads"
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


def _table(file: Path, reader: Callable[..., Any] = pd.read_parquet, **more: Any) -> Any:
    """A table of one block."""
    try:
        return reader(file, **more)
    except (pa.ArrowException, shapely.GEOSException, OSError, ValueError) as problem:
        mend = "remove the folder of this block and run again"
        raise InputError("the results of a block are damaged", file=file, mend=mend) from problem


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
    for half in (place / "blocks").glob(".*.*"):  # of a process that was killed
        owner = half.name.rpartition(".")[2]
        if not owner.isdecimal() or not is_running(int(owner)):
            shutil.rmtree(half, ignore_errors=True)
    blocks = split(origin, place / "scratch", block)
    run = Run(blocks, known, rig, Asked(use=use, **options), place)
    todo = [number for number in range(len(blocks)) if not place_of(place, number).is_dir()]
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
        try:
            other = json.loads(file.read_text(encoding="utf-8"))["mark"] != mark
        except (OSError, ValueError, KeyError, TypeError) as problem:
            mend = "name another folder, or remove this one"
            raise InputError(
                "what says whose results these are is damaged", file=file, mend=mend
            ) from problem
        if other:
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
            running = {pool.submit(size_block, run, number): number for number in sorted(left)}
            try:
                for future in as_completed(running):
                    left.discard(future.result())
                    shown()
            except BrokenProcessPool:
                left = {number for number in left if not place_of(run.out, number).is_dir()}
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
    futures = [client.submit(size_block, everywhere, number, pure=False, retries=TRIES) for number in todo]
    for future in completed(futures):  # type: ignore[no-untyped-call]
        future.result()
        shown()
