"""Products given to parts of the ground: what limits leave, what the caller asked for, and one or two passes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from weedzone.ground.shapes import Array, Bools, Floats, Ints
from weedzone.kit import RATINGS, SLACK, Label
from weedzone.zones.choice import Choices, Options, Worth, choose, strengths
from weedzone.zones.dose import Plan
from weedzone.zones.limits import state, together
from weedzone.zones.outcomes import FREE, STAGE
from weedzone.zones.parts import Parts


@dataclass(frozen=True)
class Least:
    """The least that is worked as a piece of its own.

    Attributes
    ----------
    width_m, area_m2 : float
        Diameter of a circle that fits in a piece, and its area; zero asks for nothing.
    by_wand : bool
        Thin ground that no neighbour takes stays treated, by wand; otherwise it is left to be done by hand.
    """

    width_m: float = 0.0
    area_m2: float = 0.0
    by_wand: bool = False

    @property
    def asks(self) -> bool:
        """Whether any piece can be too thin or too small."""
        return self.width_m > 0.0 or self.area_m2 > 0.0


@dataclass(frozen=True)
class Rules:
    """How ground is given to products; see `weedzone.size_job`."""

    products: Mapping[str, str] | None = None
    worth: Worth = field(default_factory=Worth)
    prefer: tuple[str, ...] = ()
    avoid_caution: bool = False
    least: Least = field(default_factory=Least)
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
        Highest dose that its limits and a caution on the turf leave [L/m2 or kg/m2]; 0 where it may not be applied.
    reason : ndarray of str
        What stops it, or what keeps it below its label's dose.
    opens : ndarray of float
        First day on which it may be applied again, as an ordinal; infinite where there is none.
    gentle : ndarray of bool
        A caution on the turf, and not a limit, sets the dose.
    """

    stage: Ints
    dose: Floats
    reason: Array
    opens: Floats
    gentle: Bools


def states(parts: Parts, plans: Mapping[str, Plan], labels: Mapping[str, Label], on: dt.date) -> States:
    """Ask the limits about every product on every part."""
    pasts, at = np.unique(parts.past, return_inverse=True)
    found = [[state(plan, parts.past_sets[past], labels, on) for plan in plans.values()] for past in pasts]
    shape, row = (len(pasts), len(plans)), at.ravel()

    def table(values: list[list[Any]], kind: Any) -> Array:
        return np.array(values, dtype=kind).reshape(shape)[row]

    stage = table([[STAGE[one.outcome or FREE] for one in each] for each in found], np.intp)
    dose = table([[one.dose for one in each] for each in found], float)
    reason = table([[one.reason for one in each] for each in found], object)
    most = _most_doses(parts, plans)
    gentle = (stage == STAGE[FREE]) & (most < dose / SLACK)
    reason[gentle] = (
        "the label warns of this turf, and takes the low end of its range or the caution's own dose there"
    )
    least = np.array([plan.dose_low for plan in plans.values()])
    stage[gentle & (most < least / SLACK)] = STAGE["caution turf"]
    return States(
        stage=stage,
        dose=np.where(gentle, most, dose),
        reason=reason,
        opens=table(
            [[one.opens.toordinal() if one.opens else np.inf for one in each] for each in found], float
        ),
        gentle=gentle,
    )


def _most_doses(parts: Parts, plans: Mapping[str, Plan]) -> Floats:
    """Most of each product that its label takes on each part's turf [L/m2 or kg/m2]."""
    full = [plan.dose_high for plan in plans.values()]
    rows = [[min(map(plan.most_dose, turfs)) for plan in plans.values()] for turfs in parts.turf_sets]
    return np.array([*rows, full], dtype=float)[parts.turf]


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


@dataclass(frozen=True)
class Given:
    """What each part gets.

    Attributes
    ----------
    product, second : ndarray of int, shape (parts,)
        Product of the first pass and of the second; -1 where there is none.
    dose, second_dose : ndarray of float, shape (parts,)
        Planned [L/m2 or kg/m2]; 0 where there is no product.
    weaker : ndarray of int, shape (parts,)
        Product that the part would have got, had it allowed the strength that the site's mix has; else -1.
    choices : Choices
    """

    product: Ints
    dose: Floats
    second: Ints
    second_dose: Floats
    weaker: Ints
    choices: Choices


@dataclass(frozen=True)
class Means:
    """What ground may be given: products as planned, every label at hand, the day, and the caller's rules."""

    plans: Mapping[str, Plan]
    labels: Mapping[str, Label]
    on: dt.date
    rules: Rules


def give(parts: Parts, can: Bools, found: States, means: Means) -> Given:
    """Give products to parts, chosen on the sums of alike ground of each site; see `weedzone.zones.choice`.

    Parameters
    ----------
    can : ndarray of bool, shape (parts, products)
        Whether the product may treat the part, by labels, limits and the caller's wishes.
    found : States
    """
    rules, plans = means.rules, list(means.plans.values())
    kind, like, area = _alike(parts, can)
    dose = found.dose[like] * can[like]
    first, after = _treatments(len(plans), rules.passes)
    options = _options(parts, like, area, can[like], dose, (first, after), means)
    treatment, choices = choose(options, rules.worth)
    site = parts.site[like]
    n_sites = int(parts.site.max(initial=-1)) + 1
    allowed = np.bincount(site, area * can[like].any(axis=1), n_sites)
    enough = np.zeros(n_sites) if rules.worth.obeyed else rules.worth.on(allowed)
    product, second = (np.where(treatment >= 0, turn[treatment], -1) for turn in (first, after))
    planned = strengths(site, product, _at(dose, product), area, enough)
    weaker = np.where((product >= 0) & (planned == 0.0), product, -1)
    product = np.where(planned > 0.0, product, -1)
    second = np.where(product >= 0, second, -1)
    rest = np.zeros(len(like))
    if rules.passes > 1:
        asked = np.arange(len(plans)) == second[:, np.newaxis]
        after_first = _doses_after(parts, parts.past[like], asked, means, product, planned)
        most = np.minimum(_at(after_first, second), _at(dose, second))
        rest = strengths(site, second, _at_a_strength(site, second, most, product, planned), area, enough)
        second = np.where(rest > 0.0, second, -1)
    return Given(product[kind], planned[kind], second[kind], rest[kind], weaker[kind], choices)


def _alike(parts: Parts, can: Bools) -> tuple[Ints, Ints, Floats]:
    """Number of each part's kind of ground, a part of each kind, and the area of each kind."""
    words = np.packbits(can, axis=1).astype(np.intp)
    cover = np.unique(parts.cover, return_inverse=True)[1].ravel()
    keys = np.column_stack([parts.site, words, parts.weeds, parts.past, cover, parts.turf])
    _, like, kind = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    return kind.ravel(), like, np.bincount(kind.ravel(), parts.area_m2, len(like))


def _treatments(n_products: int, passes: int) -> tuple[Ints, Ints]:
    """First and second product of every treatment that may be given; -1 for no second."""
    one = np.arange(n_products)
    if passes == 1:
        return one, np.full(n_products, -1)
    pair = np.argwhere(one[:, np.newaxis] != one)
    return np.concatenate([one, pair[:, 0]]), np.concatenate([np.full(n_products, -1), pair[:, 1]])


def _options(
    parts: Parts, like: Ints, area: Floats, can: Bools, dose: Floats, turns: tuple[Ints, Ints], means: Means
) -> Options:
    """Kinds of ground as options: what each treatment is to each of them."""
    (first, after), plans, rules = turns, list(means.plans.values()), means.rules
    table = marks(parts.weed_sets, plans)
    mark = np.maximum(table[:, :, first], np.where(after >= 0, table[:, :, after], 0.0))
    count = (mark > 0).sum(axis=1)
    size = np.array([len(weeds) for weeds in parts.weed_sets])
    mean = np.divide(mark.sum(axis=1), count, out=np.zeros(count.shape), where=count > 0)
    good = (mark == RATINGS["good"]).sum(axis=1) == size[:, np.newaxis]
    weeds = parts.weeds[like]
    able, cautioned = can[:, first], warned(parts, means.plans)[like]
    paired = np.flatnonzero(after >= 0)
    if len(paired):
        more = (count[:, paired] > (table[:, :, first[paired]] > 0).sum(axis=1))[weeds]
        follows = can[:, after[paired]] & able[:, paired] & more
        for p in range(len(plans)):
            mine = first[paired] == p
            full = np.where(can[:, p], dose[:, p], 0.0)
            asked = np.zeros(can.shape, dtype=bool)
            asked[:, after[paired[mine]]] = follows[:, mine]
            down = _doses_after(parts, parts.past[like], asked, means, np.where(can[:, p], p, -1), full)
            follows[:, mine] &= down[:, after[paired[mine]]] > 0.0
        able[:, paired] = follows
    warn = cautioned[:, first] | (cautioned[:, after] & (after >= 0))
    cost = np.zeros(len(plans))
    if rules.price is not None and all(name in rules.price for name in means.plans):
        cost = np.array([rules.price[name] for name in means.plans])
    thinned = np.where([plan.use == "spot" for plan in plans], parts.cover[like][:, np.newaxis], 1.0)
    price = dose * thinned * cost
    volume = np.array([plan.volume or 0.0 for plan in plans])
    liked = np.array([name in rules.prefer for name in means.plans])
    uses = np.arange(len(plans)) == first[:, np.newaxis]
    return Options(
        site=parts.site[like],
        area_m2=area,
        uses=uses | (np.arange(len(plans)) == after[:, np.newaxis]),
        can=able,
        cautioned=warn,
        all_good=good[weeds],
        weeds=count[weeds].astype(float),
        rating=mean[weeds],
        price=price[:, first] + np.where(after >= 0, price[:, after], 0.0),
        preferred=liked[first],
        fill=area[:, np.newaxis] * thinned * np.where(volume > 0.0, volume, dose),
    )


def marks(weed_sets: Sequence[tuple[str, ...]], plans: Sequence[Plan]) -> Floats:
    """Rating (3 good to 1 poor, 0 not named) of each weed of each set by each product: sets, weeds, products."""
    most = max((len(weeds) for weeds in weed_sets), default=0)
    table = np.zeros((len(weed_sets), max(most, 1), len(plans)))
    for row, weeds in enumerate(weed_sets):
        for at, weed in enumerate(weeds):
            table[row, at] = [RATINGS.get(plan.label.weeds.get(weed, ""), 0) for plan in plans]
    return table


def _at(table: Array, product: Ints) -> Array:
    """Value of each row's product; of the first where there is none."""
    return np.asarray(table[np.arange(len(table)), np.maximum(product, 0)])


def _at_a_strength(site: Ints, second: Ints, most: Floats, product: Ints, planned: Floats) -> Floats:
    """Highest doses of a second pass, brought down to a strength that the site mixes anyway."""
    out = most.copy()
    for row in np.flatnonzero(second >= 0):
        mixed = planned[(site == site[row]) & (product == second[row])]
        fits = mixed[mixed <= most[row] * (1.0 + 1e-9)]
        if len(fits):
            out[row] = fits.max()
    return out


def could_follow(parts: Parts, can: Bools, means: Means, given: Given) -> Ints:
    """Product that labels would allow as a second pass for the weeds that each part's first one leaves; -1 for none."""
    sets, left = weeds_left(parts, given.product, means.plans)
    table = marks(sets, list(means.plans.values()))[left]
    asked = can & (table > 0).any(axis=1) & (left >= 0)[:, np.newaxis]
    asked &= _doses_after(parts, parts.past, asked, means, given.product, given.dose) > 0.0
    worth = (table > 0).sum(axis=1) + table.sum(axis=1) / 1e3
    return np.where(asked.any(axis=1), np.where(asked, worth, -1.0).argmax(axis=1), -1)


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
    parts: Parts, past: Ints, can: Bools, means: Means, first: Ints, first_dose: Floats
) -> Floats:
    """Dose of each product that labels allow after the first on each row; 0 where they do not.

    `past` is the rows' number among the past applications of the parts.
    """
    out, planned = np.zeros(can.shape), list(means.plans.values())
    known: dict[tuple[int, int, int, float], float] = {}
    for row, p in zip(*np.nonzero(can), strict=True):
        key = (int(p), int(past[row]), int(first[row]), float(first_dose[row]))
        if key not in known:
            before = parts.past_sets[key[1]]
            known[key] = together(planned[key[0]], before, planned[key[2]], key[3], means.labels, means.on)
        out[row, p] = known[key]
    return out
