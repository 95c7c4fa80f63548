"""One block of a portfolio: its sites sized, what costs only some of them, and its results moved into place."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from weedzone.base.errors import Finding, WeedzoneError, findings_table
from weedzone.base.names import chief_name
from weedzone.kit import Label, Sprayer
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
    for table in TABLES[:-1] if sized else ():
        frame = pd.concat([getattr(one, table) for one in sized], ignore_index=True)
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
        return [_sized(run, frames, sites)], []
    except WeedzoneError as error:
        keep_out = frames.get("keep_out")
        bad = {} if keep_out is None else _misspelt(keep_out, error) or _unusable(keep_out)
    if not bad or keep_out is None:
        return _size_sites(run, frames, sites)
    lost = {name: message for row, message in bad.items() for name in _in_reach(run, frames, sites, row)}
    left = [name for name in sites if name not in lost]
    rest = {**frames, "keep_out": keep_out.drop(index=list(bad))}
    sized, findings = _size_block(run, rest, left) if left else ([], [])
    return sized, findings + [_not_sized(name, message) for name, message in lost.items()]


def _misspelt(keep_out: gpd.GeoDataFrame, error: WeedzoneError) -> dict[Any, str]:
    """Rows of the kind that a run refused as a slip of the finger, if that is what it refused."""
    if (error.layer, error.field) != ("keep_out", "kind") or "kind" not in keep_out.columns:
        return {}
    kinds = keep_out["kind"].map(lambda kind: chief_name(kind, "kind"), na_action="ignore")
    return dict.fromkeys(keep_out.index[kinds == error.feature], str(error))


def _sized(run: Run, frames: Layers, sites: list[str]) -> Sized:
    """Sites sized among others that are there only for the ground that is theirs."""
    guests = tuple(name for name in _names(frames) if name not in sites)
    # A layer of which nothing is left is missed by the survey, with an error of its own.
    survey = Survey(**{"turf": None, "infestations": None, **frames}, guests=guests)
    # One of several sites is made up as among the others, also where it stands alone in its block.
    several = sum(map(len, run.blocks.sites)) > 1
    rig = replace(run.rig, smallest_mix_L=0.0) if several and isinstance(run.rig, Sprayer) else run.rig
    return size_counted(survey, run.labels, rig, run.asked)


def _not_sized(site: str, message: object) -> Finding:
    return Finding("error", "site", site, f"not sized: {message}")


def _unusable(layer: gpd.GeoDataFrame, name: str = "keep_out") -> dict[Any, str]:
    """Rows of a layer that cannot be read, and why."""
    faults = _faults(range(len(layer)), lambda rows: checked_layer(layer.iloc[rows], name, None, None))
    return {layer.index[row]: what for row, what in faults.items()}


def _faults(members: Sequence[Any], attempt: Callable[[Any], object]) -> dict[Any, str]:
    """Members at fault in an attempt on all of them, and why; halves are tried, down to the one at fault."""
    try:
        attempt(members)
    except WeedzoneError as error:
        if len(members) <= 1:
            return dict.fromkeys(members, str(error))
        middle = len(members) // 2
        return _faults(members[:middle], attempt) | _faults(members[middle:], attempt)
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
    """Size sites together, without those at fault; these still take what can be read of their ground."""
    every = _names(frames)
    lost = _at_fault(run, frames, every)
    left = [name for name in sites if name not in lost]
    readable = {layer: frame.drop(index=list(_unusable(frame, layer))) for layer, frame in frames.items()}
    there = [name for name in every if name not in lost or not _at_fault(run, readable, [name])]
    sized = []
    if left:
        try:
            sized = [_sized(run, _of_sites(readable, there), left)]
        except WeedzoneError as error:
            lost |= dict.fromkeys(left, str(error))
    return sized, [_not_sized(name, lost[name]) for name in sites if name in lost]


def _at_fault(run: Run, frames: Layers, sites: list[str]) -> dict[str, str]:
    """Sites that cannot be sized, and why."""
    return _faults(sites, lambda some: _sized(run, _of_sites(frames, some), some))


def _names(frames: Layers) -> list[str]:
    """Names of the sites under which turf or infested ground is drawn."""
    columns = [frames[layer]["site"] for layer in ("infestations", "turf") if "site" in frames.get(layer, ())]
    return list(dict.fromkeys(name for column in columns for name in map(_name, column) if name is not None))


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


def place_of(out: Path, number: int) -> Path:
    """Folder of a block's results."""
    return out / "blocks" / f"{number:06d}"
