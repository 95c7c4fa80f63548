"""Products given to parts of the ground: what limits leave, what the caller asked for, and the two passes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from weedzone.ground.shapes import Array, Bools, Floats, Ints
from weedzone.kit import RATINGS, Label
from weedzone.zones.choice import Options, choose
from weedzone.zones.dose import Plan
from weedzone.zones.limits import state, together
from weedzone.zones.outcomes import FREE, STAGE
from weedzone.zones.parts import Parts

MIN_WIDTH_M = 0.02
MIN_AREA_M2 = 0.005


@dataclass(frozen=True)
class Rules:
    """How ground is given to products; see `weedzone.size_job`."""

    products: Mapping[str, str] | None = None
    max_products: int | None = None
    prefer: tuple[str, ...] = ()
    avoid_caution: bool = False
    min_width_m: float = MIN_WIDTH_M
    min_area_m2: float = MIN_AREA_M2
    price: Mapping[str, float] | None = None
    passes: int = 1


@dataclass(frozen=True)
class States:
    """What limits leave of each product on each part; every array of shape (parts, products).

    Attributes
    ----------
    stage : ndarray of int
        How far the product gets, as in `weedzone.zones.outcomes.STAGE`.
    dose : ndarray of float
        Highest dose that its limits leave [L/m2 or kg/m2]; 0 where it may not be applied.
    reason : ndarray of str
        What stops it, or what keeps it below its label's dose.
    opens : ndarray of float
        First day on which it may be applied again, as an ordinal; infinite where there is none.
    """

    stage: Ints
    dose: Floats
    reason: Array
    opens: Floats


def states(parts: Parts, plans: Mapping[str, Plan], labels: Mapping[str, Label], on: dt.date) -> States:
    """Ask the limits about every product on every part."""
    pasts, at = np.unique(parts.past, return_inverse=True)
    found = [[state(plan, parts.past_sets[past], labels, on) for plan in plans.values()] for past in pasts]
    shape, row = (len(pasts), len(plans)), at.ravel()

    def table(values: list[list[Any]], kind: Any) -> Array:
        return np.array(values, dtype=kind).reshape(shape)[row]

    return States(
        stage=table([[STAGE[one.outcome or FREE] for one in each] for each in found], np.intp),
        dose=table([[one.dose for one in each] for each in found], float),
        reason=table([[one.reason for one in each] for each in found], object),
        opens=table(
            [[one.opens.toordinal() if one.opens else np.inf for one in each] for each in found], float
        ),
    )


def asked(parts: Parts, plans: Mapping[str, Plan], rules: Rules) -> Bools:
    """Whether the caller's {turf: product} leaves the product to the part's turf."""
    if rules.products is None:
        return np.ones((len(parts.geoms), len(plans)), dtype=bool)
    names = list(plans)
    table = np.zeros((len(parts.turf_sets) + 1, len(plans)), dtype=bool)
    for row, turfs in enumerate(parts.turf_sets):
        wanted = {rules.products.get(turf) for turf in turfs}
        if len(wanted) == 1 and None not in wanted:
            table[row, names.index(str(wanted.pop()))] = True
    return table[parts.turf]


def warned(parts: Parts, plans: Mapping[str, Plan]) -> Bools:
    """Whether the product's label warns of the part's turf."""
    table = np.zeros((len(parts.turf_sets) + 1, len(plans)), dtype=bool)
    for row, turfs in enumerate(parts.turf_sets):
        for p, plan in enumerate(plans.values()):
            table[row, p] = any(turf in plan.label.caution for turf in turfs)
    return table[parts.turf]


def ratings(weed_sets: Sequence[tuple[str, ...]], plans: Mapping[str, Plan]) -> tuple[Floats, Floats]:
    """How many of each set's weeds a product controls, and its mean rating for them (3 good to 1 poor)."""
    marks = [
        [
            [RATINGS[plan.label.weeds[weed]] for weed in weeds if weed in plan.label.weeds]
            for plan in plans.values()
        ]
        for weeds in weed_sets
    ]
    count = np.array([[len(one) for one in row] for row in marks], dtype=float)
    mean = np.array([[sum(one) / len(one) if one else 0.0 for one in row] for row in marks])
    return count.reshape(-1, len(plans)), mean.reshape(-1, len(plans))


def first_pass(
    parts: Parts, can: Bools, plans: Mapping[str, Plan], dose: Floats, load_share: Floats, rules: Rules
) -> Ints:
    """Product of each part; -1 where none may treat it."""
    count, mean = ratings(parts.weed_sets, plans)
    none = np.full(len(can), -1, dtype=np.intp)
    return _choose(parts, can, plans, dose, load_share, rules, (count, mean), parts.weeds, none)


def second_pass(
    parts: Parts,
    can: Bools,
    plans: Mapping[str, Plan],
    labels: Mapping[str, Label],
    on: dt.date,
    load_share: Floats,
    rules: Rules,
    first: Ints,
    first_dose: Floats,
) -> tuple[Ints, Floats]:
    """Second product of each part for the weeds that its first one leaves, and its dose.

    Parameters
    ----------
    can : ndarray of bool, shape (parts, products)
        Whether the product may treat the part by turf, buffers and the caller's wishes.
    first : ndarray of int
        Product of the first pass; -1 where the part is not treated.
    first_dose : ndarray of float

    Returns
    -------
    product : ndarray of int
        -1 where no product is left whose label, and that of the first, allow both on one day.
    dose : ndarray of float
    """
    left_sets, left = weeds_left(parts, first, plans)
    dose = _doses_after(parts, can & (left >= 0)[:, np.newaxis], plans, labels, on, first, first_dose)
    count, mean = ratings(left_sets, plans)
    can = (dose > 0) & (count[left] > 0) & (left >= 0)[:, np.newaxis]
    if rules.max_products is not None:
        # No product is added to those that the first pass uses: their number is at most what was allowed.
        used = np.zeros((int(parts.site.max(initial=-1)) + 1, len(plans)), dtype=bool)
        used[parts.site[first >= 0], first[first >= 0]] = True
        can &= used[parts.site]
    chosen = _choose(parts, can, plans, dose, load_share, rules, (count, mean), left, first)
    return chosen, np.where(chosen >= 0, dose[np.arange(len(chosen)), np.maximum(chosen, 0)], 0.0)


def weeds_left(parts: Parts, product: Ints, plans: Mapping[str, Plan]) -> tuple[list[tuple[str, ...]], Ints]:
    """Weeds of each part that its product's label does not name.

    Returns
    -------
    sets : list of tuple of str
    number : ndarray of int, shape (parts,)
        Row in `sets`; -1 where the part is not treated or nothing is left.
    """
    labels = [plan.label for plan in plans.values()]
    number = np.full(len(product), -1, dtype=np.intp)
    rows = np.flatnonzero(product >= 0)
    sets: dict[tuple[str, ...], int] = {}
    pairs, of = np.unique(np.column_stack([parts.weeds[rows], product[rows]]), axis=0, return_inverse=True)
    found = []
    for weeds, p in pairs:
        names = tuple(weed for weed in parts.weed_sets[weeds] if weed not in labels[p].weeds)
        found.append(sets.setdefault(names, len(sets)) if names else -1)
    number[rows] = np.array(found, dtype=np.intp)[of.ravel()]
    return list(sets) or [()], number


def _doses_after(
    parts: Parts,
    can: Bools,
    plans: Mapping[str, Plan],
    labels: Mapping[str, Label],
    on: dt.date,
    first: Ints,
    first_dose: Floats,
) -> Floats:
    """Dose of each product that labels allow after the first on each part; 0 where they do not."""
    out, planned = np.zeros(can.shape), list(plans.values())
    known: dict[tuple[int, int, int, float], float] = {}
    for row, p in zip(*np.nonzero(can), strict=True):
        key = (int(p), int(parts.past[row]), int(first[row]), float(first_dose[row]))
        if key not in known:
            past = parts.past_sets[key[1]]
            known[key] = together(planned[key[0]], past, planned[key[2]], key[3], labels, on)
        out[row, p] = known[key]
    return out


def _choose(
    parts: Parts,
    can: Bools,
    plans: Mapping[str, Plan],
    dose: Floats,
    load_share: Floats,
    rules: Rules,
    marks: tuple[Floats, Floats],
    weeds: Ints,
    before: Ints,
) -> Ints:
    """Product of each part, chosen on the sums of alike ground of each site.

    Parameters
    ----------
    marks : two ndarrays of float, shape (weed sets, products)
        Number of weeds controlled, and the mean rating; `weeds` holds the row of each part.
    before : ndarray of int
        Product already put on each part; ground that differs in it is not alike.
    """
    rows = np.flatnonzero(can.any(axis=1))
    out = np.full(len(can), -1, dtype=np.intp)
    if not len(rows):
        return out
    bits = can[rows] @ (1 << np.arange(can.shape[1], dtype=np.int64))
    covers = np.unique(parts.cover[rows], return_inverse=True)[1]
    keys = np.column_stack(
        [parts.site[rows], bits, weeds[rows], parts.past[rows], covers.ravel(), before[rows]]
    )
    _, one_of, kind = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    like = rows[one_of]
    kind = kind.ravel()
    thinned = np.where(_is_spot(plans), parts.cover[like][:, np.newaxis], 1.0)
    price = np.zeros(len(plans))
    if rules.price is not None and all(name in rules.price for name in plans):
        price = np.array([rules.price[name] for name in plans])
    material = dose[like] * thinned
    options = Options(
        site=parts.site[like],
        area=np.bincount(kind, parts.area_m2[rows]),
        can=can[like],
        weeds=marks[0][weeds[like]],
        rating=marks[1][weeds[like]],
        material=material,
        load=load_share * (material if _is_dry(plans) else thinned),
        price=material * price,
        preferred=np.array([name in rules.prefer for name in plans]),
    )
    out[rows] = choose(options, rules.max_products)[kind]
    return out


def _is_spot(plans: Mapping[str, Plan]) -> Bools:
    return np.array([plan.use == "spot" for plan in plans.values()])


def _is_dry(plans: Mapping[str, Plan]) -> bool:
    return all(plan.use == "granular" for plan in plans.values())
