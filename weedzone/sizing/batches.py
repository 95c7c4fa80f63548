"""Many sites zoned a share at a time, on all processors: the same result as one after the other."""

from __future__ import annotations

import gc
import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import fields
from typing import Any

import numpy as np

from weedzone.base.errors import Finding
from weedzone.ground.shapes import Array, Ints
from weedzone.survey import Survey
from weedzone.zones import Choices, Parts, Reach, Zoned

SITES_AT_ONCE = 125  # arrays of so many sites stay small, whatever the survey; not a matter of the processors


def zone_sites(
    survey: Survey,
    reach: Reach,
    zone: Callable[[Survey, Reach], tuple[Zoned, list[Finding]]],
    threads: int | None = None,
) -> tuple[Zoned, list[Finding]]:
    """Zone a survey of any number of sites.

    Parameters
    ----------
    survey : Survey
    reach : Reach
    zone : callable
        What is done with the survey and the distances of a share; see `weedzone.zones.zone_ground`.
    threads : int, optional
        Shares worked on at a time. By default one for each processor, and a single one in a worker process
        of a portfolio. The engine works outside Python's lock, so that threads help.
    """
    n_sites = len(survey.local.sites)
    firsts = range(0, max(n_sites, 1), SITES_AT_ONCE)

    def zoned(first: int) -> tuple[Zoned, list[Finding]]:
        stop = min(first + SITES_AT_ONCE, n_sites)
        return zone(survey.only(first, stop), reach.only(first, stop))

    if threads is None:
        threads = 1 if multiprocessing.parent_process() else os.cpu_count() or 1
    with _no_collection():
        if len(firsts) > 1:
            # Also for one at a time: the memory that the main thread takes is full of holes from reading, and slower.
            with ThreadPoolExecutor(threads) as pool:
                found = list(pool.map(zoned, firsts))
        else:
            found = [zoned(first) for first in firsts]
    return _together([one for one, _ in found], firsts), [note for _, notes in found for note in notes]


@contextmanager
def _no_collection() -> Iterator[None]:
    """Without the search for cycles: shapes by the million have none, and looking at them takes time and the lock."""
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


def _together(shares: Sequence[Zoned], firsts: Sequence[int]) -> Zoned:
    if len(shares) == 1:
        return shares[0]
    n_zones = np.array([len(one.zone_geoms) for one in shares])
    before = np.cumsum(n_zones) - n_zones

    def column(name: str) -> Array:
        return np.concatenate([getattr(one, name) for one in shares])

    def numbered(name: str) -> Ints:
        """Zone numbers of all shares; -1 stays."""
        each = [getattr(one, name) for one in shares]
        return np.concatenate([np.where(z >= 0, z + add, z) for z, add in zip(each, before, strict=True)])

    return Zoned(
        parts=_parts([one.parts for one in shares], firsts),
        can=column("can"),
        most=column("most"),
        product=column("product"),
        outcome=column("outcome"),
        reason=column("reason"),
        dose=column("dose"),
        zone=numbered("zone"),
        second=column("second"),
        second_dose=column("second_dose"),
        second_zone=numbered("second_zone"),
        thin=column("thin"),
        second_thin=column("second_thin"),
        zone_geoms=column("zone_geoms"),
        rules=shares[0].rules,
        choices=_choices([one.choices for one in shares], firsts),
    )


def _choices(shares: Sequence[Choices], firsts: Sequence[int]) -> Choices:
    columns = {
        each.name: np.concatenate([getattr(one, each.name) for one in shares]) for each in fields(Choices)
    }
    columns["site"] = np.concatenate([one.site + first for one, first in zip(shares, firsts, strict=True)])
    return Choices(**columns)


def _parts(shares: Sequence[Parts], firsts: Sequence[int]) -> Parts:
    columns: dict[str, Any] = {
        one.name: np.concatenate([getattr(parts, one.name) for parts in shares])
        for one in fields(Parts)
        if not one.name.endswith("_sets")
    }
    columns["site"] = np.concatenate([p.site + first for p, first in zip(shares, firsts, strict=True)])
    for name in ("weeds", "turf", "past"):
        known: dict[Any, int] = {}
        moved = []
        for parts in shares:
            # The last stands for ground without any, number -1.
            sets = [known.setdefault(one, len(known)) for one in getattr(parts, _SETS[name])]
            moved.append(np.array([*sets, -1], dtype=np.intp)[getattr(parts, name)])
        columns[name] = np.concatenate(moved)
        columns[_SETS[name]] = list(known)
    return Parts(**columns)


_SETS = {"weeds": "weed_sets", "turf": "turf_sets", "past": "past_sets"}
