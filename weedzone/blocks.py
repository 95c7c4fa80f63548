"""One block of a portfolio: its sites sized, what costs only some of them, and its results moved into place."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from weedzone.base.errors import Finding, WeedzoneError, findings_table
from weedzone.base.names import chief_name
from weedzone.kit import Label
from weedzone.sizing import Asked, Sized, size_counted
from weedzone.survey import Blocks, Survey, block_layers, checked_layer, site_name
from weedzone.zones import Rig

TABLES = ("zones", "totals", "loads", "ledger", "findings")
Layers = dict[str, gpd.GeoDataFrame]


@dataclass(frozen=True)
class Run:
    """What every block of a portfolio is sized with."""

    blocks: Blocks
    labels: Mapping[str, Label]
    rig: Rig
    asked: Asked
    out: Path


def size_block(run: Run, number: int) -> int:
    """Size one block and move its results into place."""
    frames = block_layers(run.blocks, number)
    sized, findings = _size_block(run, frames, run.blocks.sites[number])
    final = place_of(run.out, number)
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


def _size_block(run: Run, frames: Layers, sites: list[str]) -> tuple[list[Sized], list[Finding]]:
    """Size the sites of a block; a keep-out that cannot be used costs those that it may reach."""
    try:
        return [_sized(run, frames)], []
    except WeedzoneError as error:
        keep_out = frames.get("keep_out")
        bad = {} if keep_out is None else _misspelt(keep_out, error) or _unusable(keep_out)
    if not bad or keep_out is None:
        return _size_sites(run, frames, sites)
    lost = {name: message for row, message in bad.items() for name in _in_reach(run, frames, sites, row)}
    left = [name for name in sites if name not in lost]
    rest = _of_sites({**frames, "keep_out": keep_out.drop(index=list(bad))}, left)
    sized, findings = _size_block(run, rest, left) if left else ([], [])
    return sized, findings + [_not_sized(name, message) for name, message in lost.items()]


def _misspelt(keep_out: gpd.GeoDataFrame, error: WeedzoneError) -> dict[Any, str]:
    """Rows of the kind that a run refused as a slip of the finger, if that is what it refused."""
    if (error.layer, error.field) != ("keep_out", "kind") or "kind" not in keep_out.columns:
        return {}
    kinds = keep_out["kind"].map(lambda kind: chief_name(kind, "kind"), na_action="ignore")
    return dict.fromkeys(keep_out.index[kinds == error.feature], str(error))


def _sized(run: Run, frames: Layers) -> Sized:
    if "beside" in frames:  # what cannot be read there is of a site that is not treated
        beside = frames["beside"].drop(index=list(_unusable(frames["beside"], "infestations")))
        frames = (
            {**frames, "beside": beside}
            if len(beside)
            else {k: v for k, v in frames.items() if k != "beside"}
        )
    # A layer of which nothing is left is missed by the survey, with an error of its own.
    survey = Survey(**{"turf": None, "infestations": None, **frames})
    return size_counted(survey, run.labels, run.rig, run.asked)


def _not_sized(site: str, message: object) -> Finding:
    return Finding("error", "site", site, f"not sized: {message}")


def _unusable(layer: gpd.GeoDataFrame, name: str = "keep_out") -> dict[Any, str]:
    """Rows of a layer that cannot be read, and why; halves are tried until a row stands alone."""
    try:
        checked_layer(layer, name, None, None)
    except WeedzoneError as error:
        if len(layer) == 1:
            return {layer.index[0]: str(error)}
        middle = len(layer) // 2
        return _unusable(layer.iloc[:middle], name) | _unusable(layer.iloc[middle:], name)
    return {}


def _in_reach(run: Run, frames: Layers, sites: list[str], row: Any) -> list[str]:
    """Sites that an unusable keep-out may reach: its own, and those within the widest distance that may be meant."""
    own, ground = frames["keep_out"].loc[[row]], frames["infestations"]
    metres = ground.estimate_utm_crs()
    shape = _in_metres(own, metres)[0]
    rules: list[Mapping[str, float]] = []
    for label in run.labels.values():
        rules += [label.buffers_m, label.downwind_m, *label.use_buffers_m.values()]
    policy = run.asked.policy
    local = [] if policy is None else [policy.buffers, *(district.buffers for district in policy.districts)]
    for buffers in local:
        rules += [buffers.general, *buffers.by_use.values()]
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
    """Layers of some sites; what is mapped on the others still holds wherever it comes near.

    Their keep-outs are shared ones, their infested ground is beside.
    """
    part = dict(frames)
    for layer, frame in frames.items():
        if "site" not in frame.columns or layer == "beside":
            continue
        names = frame["site"].map(_name, na_action=None)
        own = names.isin(sites) | names.isna()
        part[layer] = frame.assign(site=names.where(own, None)) if layer == "keep_out" else frame[own]
        if layer == "infestations":
            part["beside"] = pd.concat(
                [*([frames["beside"]] if "beside" in frames else []), frame[~own]], ignore_index=True
            )
    return {layer: frame for layer, frame in part.items() if len(frame) or layer == "keep_out"}


def _name(value: Any) -> str | None:
    return None if pd.isna(value) else site_name(value)


def place_of(out: Path, number: int) -> Path:
    """Folder of a block's results."""
    return out / "blocks" / f"{number:06d}"
