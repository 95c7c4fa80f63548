"""Which product goes where: exact choice by enumeration, over many sites at once.

For every site each set of products is tried. The set is chosen that first treats the most ground, then most
of it with the preferred products, then covers the most weeds, then has the best rating for the weed, then costs
least: by price where prices are known, else by the fewest products, the fewest loads and the least material.
Within a set, ground goes to the product that is best by the same order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any

import numpy as np

from weedzone.base.errors import LabelError
from weedzone.ground.shapes import Array, Bools, Floats, Ints

MOST_PRODUCTS = 12
MOST_SHARINGS = 64  # above it only loads and material of each are compared, all at once
MOST_AT_ONCE = 1 << 17  # above it a solver is quicker
_CLOSE = 1e-9
_SPARE_LOAD = 1e-6  # a rest of a load this small is rounding; see `weedzone.sizing.loads`


@dataclass(frozen=True)
class Options:
    """Ground to be given to products, a row for each kind of ground on a site.

    Attributes
    ----------
    site : ndarray of int, shape (rows,)
    area : ndarray of float, shape (rows,)
        [m2]
    can : ndarray of bool, shape (rows, products)
        Whether the product may treat the ground.
    weeds, rating : ndarray of int or float, shape (rows, products)
        Number of the ground's weeds that the product controls, and how well.
    material, load, price : ndarray of float, shape (rows, products)
        Per m2: product [L or kg], share of a full load, cost (zero where prices are not known).
    preferred : ndarray of bool, shape (products,)
    """

    site: Ints
    area: Floats
    can: Bools
    weeds: Floats
    rating: Floats
    material: Floats
    load: Floats
    price: Floats
    preferred: Bools


def choose(options: Options, max_products: int | None = None) -> Ints:
    """Product of each row; -1 where none may treat it.

    Raises
    ------
    LabelError
        If more than twelve products may treat ground of one run: the enumeration would not end.
    """
    live = np.flatnonzero(options.can.any(axis=0))
    if len(live) > MOST_PRODUCTS:
        raise LabelError(
            f"{len(live)} products may treat the ground, more than the {MOST_PRODUCTS} that can be weighed exactly",
            mend="name fewer labels, or use exclude=",
        )
    out = np.full(len(options.site), -1, dtype=np.intp)
    if not len(live):
        return out
    most = len(live) if max_products is None else min(max_products, len(live))
    sets = [np.array(one) for size in range(1, most + 1) for one in combinations(live, size)]
    n_sites = int(options.site.max()) + 1
    given = [_give(options, one) for one in sets]
    best, tied = _best(options, sets, given, n_sites)
    for number, assigned in enumerate(given):
        mine = best[options.site] == number
        out[mine] = assigned[mine]
    for site in np.flatnonzero(tied):
        rows = np.flatnonzero(options.site == site)
        out[rows] = _exhaustive(options, rows, sets)
    return out


def _keys(options: Options, rows: Ints | slice, one: Ints) -> Floats:
    """What ground gains by each product of a set, most important first: shape (4, rows, products)."""
    can = options.can[rows][:, one]
    levels = [
        can,
        np.broadcast_to(options.preferred[one], can.shape),
        options.weeds[rows][:, one],
        options.rating[rows][:, one],
    ]
    return np.where(can, np.array(levels, dtype=float), -1.0)


def _give(options: Options, one: Ints) -> Ints:
    """Best product of a set for each row: ties go to the cheapest, then to the least material."""
    keys = _keys(options, slice(None), one)
    open_ = np.ones(keys.shape[1:], dtype=bool)
    for level in (*keys, -options.price[:, one], -options.material[:, one]):
        top = np.where(open_, level, -np.inf).max(axis=1, keepdims=True)
        open_ &= level >= top - _CLOSE * np.abs(top)
    return np.where(options.can[:, one].any(axis=1), one[open_.argmax(axis=1)], -1)


def _levels(options: Options, assigned: Ints, n_sites: int) -> list[Floats]:
    """What a whole site gains (more is better), most important first; each of shape (sites,)."""
    rows = np.flatnonzero(assigned >= 0)
    at = assigned[rows]
    site, area = options.site[rows], options.area[rows]

    def total(values: Array) -> Floats:
        return np.bincount(site, area * values, n_sites)

    used = np.zeros((n_sites, options.can.shape[1]), dtype=bool)
    used[site, at] = True
    share = np.zeros(used.shape)
    np.add.at(share, (site, at), area * options.load[rows, at])
    return [
        total(np.ones(len(rows))),
        total(options.preferred[at]),
        total(options.weeds[rows, at]),
        total(options.rating[rows, at]),
        -total(options.price[rows, at]),
        -used.sum(axis=1).astype(float),
        -np.ceil(share - _CLOSE).sum(axis=1),
        -total(options.material[rows, at]),
    ]


def _best(options: Options, sets: Sequence[Ints], given: Sequence[Ints], n_sites: int) -> tuple[Ints, Bools]:
    """Number of the best set of each site, and the sites where equal ground could be shared out otherwise."""
    open_ = np.ones((len(sets), n_sites), dtype=bool)
    table = np.array([_levels(options, assigned, n_sites) for assigned in given])
    tied = np.zeros(n_sites, dtype=bool)
    for number in range(table.shape[1]):
        level = table[:, number]
        if number == 6:
            fewest = -np.where(open_, level, -np.inf).max(axis=0)
            tied = _shareable(options, sets, given, open_ & (-level >= fewest), -table[:, 5], fewest)
        top = np.where(open_, level, -np.inf).max(axis=0)
        open_ &= level >= top - _CLOSE * np.maximum(1.0, np.abs(top))
    return open_.argmax(axis=0), tied


def _shareable(
    options: Options, sets: Sequence[Ints], given: Sequence[Ints], open_: Bools, used: Floats, fewest: Floats
) -> Bools:
    """Sites where sharing equally good ground out otherwise could take fewer loads.

    Only there is more to try: no sharing takes fewer loads than there are products, nor than the whole makes.
    """
    n_sites = open_.shape[1]
    tied = np.zeros(n_sites, dtype=bool)
    for number, one in enumerate(sets):
        if len(one) < 2 or not open_[number].any():
            continue
        keys = np.concatenate([_keys(options, slice(None), one), -options.price[np.newaxis, :, one]])
        mine = np.maximum(given[number], 0)
        where = np.searchsorted(one, mine)
        own = np.take_along_axis(
            keys, np.broadcast_to(where[np.newaxis, :, np.newaxis], (len(keys), len(mine), 1)), 2
        )
        equal = (np.abs(keys - own) <= _CLOSE * np.maximum(1.0, np.abs(own))).all(axis=0)
        equal &= options.can[:, one] & (given[number] >= 0)[:, np.newaxis]
        least = np.where(equal, options.load[:, one], np.inf).min(axis=1)
        share = np.bincount(options.site, np.where(equal.any(axis=1), options.area * least, 0.0), n_sites)
        better = np.maximum(used[number], np.ceil(share - _CLOSE)) < fewest
        several = (equal.sum(axis=1) > 1) & (open_[number] & better)[options.site]
        tied[options.site[several]] = True
    return tied


def _exhaustive(options: Options, rows: Ints, sets: Sequence[Ints]) -> Ints:
    """Best assignment of one site's rows, over every set and every sharing of equal ground."""
    zero = Options(
        np.zeros(len(rows), dtype=np.intp), options.area[rows], options.can[rows], options.weeds[rows],
        options.rating[rows], options.material[rows], options.load[rows], options.price[rows], options.preferred,
    )  # fmt: skip
    best: tuple[tuple[float, ...], Ints] | None = None
    seen: set[tuple[int, ...]] = set()
    for one in sets:
        for assigned in _sharings(zero, one):
            key = tuple(int(value) for value in assigned)
            if key in seen:
                continue
            seen.add(key)
            levels = tuple(float(f"{level[0]:.6g}") for level in _levels(zero, assigned, 1))
            if best is None or levels > best[0]:
                best = (levels, assigned)
    assert best is not None
    return best[1]


def _sharings(options: Options, one: Ints) -> list[Ints]:
    """Every way to give rows to the equally good products of a set; where they are too many, the best of them."""
    keys = np.concatenate([_keys(options, slice(None), one), -options.price[np.newaxis, :, one]])
    choices = []
    for row in range(len(options.site)):
        column = [tuple(float(f"{value:.9g}") for value in keys[:, row, at]) for at in range(len(one))]
        top = max(column)
        able = options.can[row, one].any()
        choices.append([int(one[at]) for at, found in enumerate(column) if found == top] if able else [-1])
    if np.prod([float(len(choice)) for choice in choices]) > MOST_SHARINGS:
        return [_fewest_loads(options, one, choices)]
    return [np.array(found, dtype=np.intp) for found in product(*choices)]


def _fewest_loads(options: Options, one: Ints, choices: Sequence[Sequence[int]]) -> Ints:
    """Sharing that takes the fewest loads, then the least material; of equals, the one that comes first."""
    if np.prod([float(len(choice)) for choice in choices]) > MOST_AT_ONCE:
        return _solved(options, one, choices)
    # Rounded, so that the last digits of an area, which differ between coordinate systems, decide nothing.
    load = np.round(options.area[:, np.newaxis] * options.load, 6)
    material = options.area[:, np.newaxis] * options.material
    full, used = np.zeros((1, options.can.shape[1])), np.zeros(1)
    for row, choice in enumerate(choices):
        more = np.zeros((len(choice), full.shape[1]))
        cost = np.zeros(len(choice))
        for at, p in enumerate(choice):
            if p >= 0:
                more[at, p], cost[at] = load[row, p], material[row, p]
        full = (full[:, np.newaxis] + more).reshape(-1, full.shape[1])
        used = (used[:, np.newaxis] + cost).ravel()
    # Half a step more, so that sums of rounded loads never lie on the limit itself.
    count = np.ceil(full - 1.5 * _SPARE_LOAD).sum(axis=1)
    fewest = np.flatnonzero(count == count.min())
    least = used[fewest].min()
    best = int(fewest[np.flatnonzero(used[fewest] <= least * (1.0 + 1e-6))[0]])
    out = np.empty(len(choices), dtype=np.intp)
    for row in reversed(range(len(choices))):
        best, at = divmod(best, len(choices[row]))
        out[row] = choices[row][at]
    return out


def _solved(options: Options, one: Ints, choices: Sequence[Sequence[int]]) -> Ints:
    """As `_fewest_loads`, by two integer programs that HiGHS solves."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    row = np.array([r for r, choice in enumerate(choices) for p in choice if p >= 0], dtype=np.intp)
    at = np.array([p for choice in choices for p in choice if p >= 0], dtype=np.intp)
    n, m = len(row), len(one)
    live = np.unique(row)
    once = np.zeros((len(live), n + m))
    once[np.searchsorted(live, row), np.arange(n)] = 1.0
    full = np.zeros((m, n + m))
    # Rounded, so that the last digits of an area, which differ between coordinate systems, decide nothing.
    full[np.searchsorted(one, at), np.arange(n)] = np.round(
        (options.area[:, np.newaxis] * options.load)[row, at], 6
    )
    full[np.arange(m), n + np.arange(m)] = -1.0
    rules = [LinearConstraint(once, 1.0, 1.0), LinearConstraint(full, -np.inf, _SPARE_LOAD)]
    count = np.concatenate([np.zeros(n), np.ones(m)])
    upper = np.concatenate([np.ones(n), np.ceil(full[:, :n].sum(axis=1))])
    material = (options.area[:, np.newaxis] * options.material)[row, at]
    scaled = np.concatenate([material / max(float(material.max(initial=0.0)), 1e-300), np.zeros(m)])
    # Where two sharings take the same, the earlier product takes more.
    scaled = np.round(scaled, 6) + 1e-6 * np.concatenate([np.searchsorted(one, at) / m, np.zeros(m)])

    def solve(cost: Floats, more: list[Any]) -> Any:
        return milp(
            cost, integrality=np.ones(n + m), bounds=Bounds(0.0, upper), constraints=[*rules, *more],
            options={"mip_rel_gap": 0.0, "presolve": False},
        )  # fmt: skip

    first = solve(count, [])
    second = (
        solve(scaled, [LinearConstraint(count, -np.inf, np.round(first.fun))]) if first.success else first
    )
    if not second.success:
        return _give(options, one)
    out = np.full(len(choices), -1, dtype=np.intp)
    taken = np.flatnonzero(second.x[:n] > 0.5)
    out[row[taken]] = at[taken]
    return out
