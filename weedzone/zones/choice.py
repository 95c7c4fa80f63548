"""Which product goes where: few mixes, and another one only where it is worth it.

Within a set of products every piece of ground goes to the one that is best for it: turf without a caution, preferred,
every weed on it rated good, most of its weeds, best rating, lowest price, the order of the labels. For each number of
products the best set is found among those that treat at least 95 % of what the best of that size treats. Then sizes
are gone through from one: a larger set is taken if each product more adds enough ground, or brings enough of it under
"every weed good". See docs/plan.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from weedzone.base.errors import LabelError
from weedzone.base.units import show
from weedzone.ground.shapes import Bools, Floats, Ints

MOST_WEIGHED = 12
"""Products that can be weighed where more than two may be used: the sets double with each."""

USUAL_PRODUCTS = 2
_ENOUGH, _SHARE = 0.95, 0.25
_FIGURE_M2 = 3  # decimals: areas are compared to 0.001 m2, so that every machine and CRS chooses alike


@dataclass(frozen=True)
class Worth:
    """When another mix is worth it.

    Attributes
    ----------
    ground_m2 : float
        Ground that each product more must add; twice as much counts where it comes under "every weed good" instead.
        Zero takes a larger set for any ground more than nothing.
    most : int or None
        Most products on a site; None for two, or with `ground_m2` zero for as many as there are.
    obeyed : bool
        The caller has named the products: all of them are used, and nothing is weighed.
    two_passes : bool
        A second product may follow on the same ground: with `ground_m2` zero, more weeds are worth it too.
    """

    ground_m2: float = 0.0
    most: int | None = None
    obeyed: bool = False
    two_passes: bool = False

    @property
    def any_ground(self) -> bool:
        """Whether any ground more is worth another mix."""
        return self.ground_m2 <= 0.0

    def on(self, allowed_m2: Floats) -> Floats:
        """What each product more has to add on sites where labels allow so much ground [m2]."""
        return np.minimum(self.ground_m2, _SHARE * allowed_m2)

    def most_of(self, products: int) -> int:
        """Most products of a number at hand that a site may get."""
        usual = products if self.any_ground else USUAL_PRODUCTS
        return min(usual if self.most is None else self.most, products)


@dataclass(frozen=True)
class Options:
    """Ground to be given to treatments, a row for each kind of ground on a site.

    A treatment is one product, or a first and a second one after it.

    Attributes
    ----------
    site : ndarray of int, shape (rows,)
    area_m2 : ndarray of float, shape (rows,)
    uses : ndarray of bool, shape (treatments, products)
        The products of each treatment.
    can : ndarray of bool, shape (rows, treatments)
    cautioned, all_good : ndarray of bool, shape (rows, treatments)
        Whether a label warns of the turf, and whether every weed is rated good by one of the products.
    weeds, rating : ndarray of float, shape (rows, treatments)
        Number of the ground's weeds that are controlled, and how well.
    price : ndarray of float, shape (rows, treatments)
        Cost of 1 m2; zero where prices are not known.
    preferred : ndarray of bool, shape (treatments,)
    fill : ndarray of float, shape (rows, products)
        What each product takes of tank or hopper there [L or kg].
    """

    site: Ints
    area_m2: Floats
    uses: Bools
    can: Bools
    cautioned: Bools
    all_good: Bools
    weeds: Floats
    rating: Floats
    price: Floats
    preferred: Bools
    fill: Floats


@dataclass(frozen=True)
class Choices:
    """The best set of every size that was weighed, a row for each site and size.

    Attributes
    ----------
    site, count : ndarray of int
    members : ndarray of bool, shape (rows, products)
    ground_m2, good_m2, allowed_m2 : ndarray of float
        Treated, treated with every weed rated good, and allowed to any product on the site.
    worth_m2 : ndarray of float
        What each product more has to add there.
    price : ndarray of float
    fill : ndarray of float, shape (rows, products)
        What each product takes of tank or hopper [L or kg].
    taken : ndarray of bool
        The set that the plan uses.
    """

    site: Ints
    count: Ints
    members: Bools
    ground_m2: Floats
    good_m2: Floats
    allowed_m2: Floats
    worth_m2: Floats
    price: Floats
    fill: Floats
    taken: Bools


def choose(options: Options, worth: Worth) -> tuple[Ints, Choices]:
    """Choose a set of products for every site, and a treatment of it for every row.

    Returns
    -------
    treatment : ndarray of int, shape (rows,)
        -1 where none of the set may treat the row.
    choices : Choices

    Raises
    ------
    LabelError
        More than twelve products may treat ground where more than two may be used: the sets could not be gone through.
    """
    n_products = options.uses.shape[1]
    live = np.flatnonzero(options.uses[options.can.any(axis=0)].any(axis=0))
    most = 1 if worth.obeyed else worth.most_of(len(live))
    if most > USUAL_PRODUCTS and len(live) > MOST_WEIGHED:
        raise LabelError(
            f"{len(live)} products may treat the ground, more than the {MOST_WEIGHED} that can be weighed exactly",
            mend="name fewer labels, use exclude=, or max_products=2",
        )
    weighed = most if len(live) > MOST_WEIGHED else min(most + 1, len(live))
    n_sites = int(options.site.max(initial=-1)) + 1
    table = _Table.of(options, n_sites, worth)
    counts = [len(live)] if worth.obeyed else range(1, weighed + 1)
    if not len(live):
        return np.full(len(options.site), -1, dtype=np.intp), _listed(
            table, [], np.zeros(n_sites, np.intp), n_products
        )
    sizes = [
        table.best([np.array(members, dtype=np.intp) for members in combinations(live, count)])
        for count in counts
    ]
    asked = worth.on(table.allowed_m2)
    last = np.zeros(n_sites, dtype=np.intp)
    for count in range(2, most + 1):
        last = np.where(_is_worth(sizes, last, count - 1, asked, worth), count - 1, last)
    treatment = np.full(len(options.site), -1, dtype=np.intp)
    for number, size in enumerate(sizes):
        for chosen in np.unique(size.number[last == number]):
            rows = (last[options.site] == number) & (size.number[options.site] == chosen)
            treatment[rows] = table.given(size.sets[chosen])[rows]
    return treatment, _listed(table, sizes, last, n_products)


@dataclass(frozen=True)
class _Size:
    """The best set of one size for every site."""

    sets: Sequence[Ints]
    number: Ints  # row in `sets`, by site
    sums: Floats  # shape (sites, levels), as in `_Table.sums`


@dataclass(frozen=True)
class _Table:
    """Options in order of site, with what each treatment of each row adds to the sums of its site."""

    options: Options
    rank: Ints  # of each treatment on each row, the best first; where it cannot go, the number of treatments
    values: Floats  # shape (rows, treatments + 1, levels); the last treatment is none
    n_sites: int
    allowed_m2: Floats  # by site
    usable: Bools  # shape (sites, products): what may go somewhere on the site
    worth: Worth

    @classmethod
    def of(cls, options: Options, n_sites: int, worth: Worth) -> _Table:
        rows, n = options.can.shape
        order = np.arange(n)
        keys = (
            np.broadcast_to(order, (rows, n)),
            np.round(options.price, 12),
            -np.round(options.rating, 9),
            -options.weeds,
            ~options.all_good,
            np.broadcast_to(~options.preferred, (rows, n)),
            options.cautioned,
            ~options.can,
        )
        rank = np.lexsort(keys, axis=-1).argsort(axis=-1)
        rank = np.where(options.can, rank, n)
        preferred = np.broadcast_to(options.preferred, (rows, n))
        gains = [-1.0 * options.cautioned, preferred, options.all_good, options.weeds, options.rating,
                 np.ones((rows, n)), -options.price]  # fmt: skip
        values = np.zeros((rows, n + 1, len(gains)))
        values[:, :n] = np.stack(gains, axis=-1) * options.area_m2[:, np.newaxis, np.newaxis]
        allowed = np.bincount(options.site, options.area_m2 * options.can.any(axis=1), n_sites)
        usable = np.zeros((n_sites, options.uses.shape[1]), dtype=bool)
        row, treatment = np.nonzero(options.can)
        np.logical_or.at(usable, options.site[row], options.uses[treatment])
        return cls(options, rank, values, n_sites, allowed, usable, worth)

    def given(self, members: Ints) -> Ints:
        """Best treatment of a set of products for each row; -1 where it has none."""
        allowed = np.zeros(self.options.uses.shape[1], dtype=bool)
        allowed[members] = True
        within = np.flatnonzero(self.options.uses[:, ~allowed].sum(axis=1) == 0)
        rank = self.rank[:, within]
        best = rank.argmin(axis=1)
        return np.where(rank[np.arange(len(rank)), best] < self.rank.shape[1], within[best], -1)

    def sums(self, members: Ints) -> Floats:
        """What a set gains on every site, the most important first; more is better. Shape (sites, levels)."""
        value = self.values[np.arange(len(self.rank)), self.given(members)]
        site = self.options.site
        sums = np.stack([np.bincount(site, column, self.n_sites) for column in value.T], axis=-1)
        return np.round(sums, _FIGURE_M2)

    def fills(self, members: Ints) -> Floats:
        """What each product of a set takes on every site [L or kg]. Shape (sites, products)."""
        treatment = self.given(members)
        taken = self.options.fill * self.options.uses[treatment] * (treatment >= 0)[:, np.newaxis]
        return np.stack([np.bincount(self.options.site, one, self.n_sites) for one in taken.T], axis=-1)

    def best(self, sets: Sequence[Ints]) -> _Size:
        """The best of sets of one size, for every site; of equals the first in the order of the labels.

        Only sets of products that the site can use are weighed, so that what it gets does not hang on other sites.
        Where it has too few, its sums are minus infinity.
        """
        table = np.stack([self.sums(members) for members in sets])
        fits = np.stack([self.usable[:, members].all(axis=1) | self.worth.obeyed for members in sets])
        table[~fits] = -np.inf
        ground = table[:, :, _GROUND]
        enough = 1.0 if self.worth.any_ground else _ENOUGH
        open_ = fits & (ground >= np.round(enough * ground.max(axis=0), _FIGURE_M2))
        for level in range(table.shape[2]):
            value = np.where(open_, table[:, :, level], -np.inf)
            open_ &= value >= value.max(axis=0)
        number = open_.argmax(axis=0)
        return _Size(sets, number, table[number, np.arange(self.n_sites)])


_GOOD, _WEEDS, _GROUND, _PRICE = 2, 3, 5, 6  # places among the levels of `_Table.values`


def _is_worth(sizes: Sequence[_Size], last: Ints, new: int, asked: Floats, worth: Worth) -> Bools:
    """Whether the best set of a size adds enough to the one that each site has."""
    sites = np.arange(len(last))
    before = np.stack([size.sums for size in sizes])[last, sites]
    with np.errstate(invalid="ignore"):
        gain = np.nan_to_num(np.round(sizes[new].sums - before, _FIGURE_M2), nan=-np.inf)
    if worth.any_ground:
        return np.asarray((gain[:, _GROUND] > 0.0) | (worth.two_passes & (gain[:, _WEEDS] > 0.0)))
    more = np.round((new - last) * asked, _FIGURE_M2)
    # Where nothing may be treated, nothing is asked for and nothing added: that is no reason for another mix.
    return np.asarray((more > 0.0) & ((gain[:, _GROUND] >= more) | (gain[:, _GOOD] >= 2.0 * more)))


def _listed(table: _Table, sizes: Sequence[_Size], last: Ints, n_products: int) -> Choices:
    """The sets of every site up to one product more than its plan, as far as it has products to use."""
    pairs = [
        (site, count)
        for site, (plan, most) in enumerate(zip(last, table.usable.sum(axis=1), strict=True))
        for count in range(min(plan + 2, most, len(sizes)))
    ]
    site, number = np.array(pairs, dtype=np.intp).reshape(-1, 2).T
    members = np.zeros((len(pairs), n_products), dtype=bool)
    sums, fill = np.zeros((len(pairs), table.values.shape[2])), np.zeros((len(pairs), n_products))
    fills: dict[bytes, Floats] = {}
    for at, (where, count) in enumerate(pairs):
        chosen = sizes[count].sets[sizes[count].number[where]]
        members[at, chosen] = True
        sums[at] = sizes[count].sums[where]
        key = chosen.tobytes()
        if key not in fills:
            fills[key] = table.fills(chosen)
        fill[at] = fills[key][where]
    return Choices(
        site=site,
        count=members.sum(axis=1),
        members=members,
        ground_m2=sums[:, _GROUND],
        good_m2=sums[:, _GOOD],
        allowed_m2=table.allowed_m2[site],
        worth_m2=table.worth.on(table.allowed_m2)[site],
        price=-sums[:, _PRICE],
        fill=fill,
        taken=number == last[site],
    )


def reasons_of(choices: Choices, worth: Worth) -> list[str]:
    """Why each set was taken or not, in words."""
    plan = {int(site): row for row, site in enumerate(choices.site) if choices.taken[row]}
    texts = []
    for row, site in enumerate(choices.site):
        own = plan[int(site)]
        if worth.obeyed:
            text = "the products named"
        elif choices.count[row] < choices.count[own]:
            text = f"{choices.count[own] - choices.count[row]} more was worth it"
        elif choices.taken[row]:
            text = (
                "as much ground as labels allow" if worth.any_ground else "the fewest mixes that are worth it"
            )
        else:
            gain = float(choices.ground_m2[row] - choices.ground_m2[own])
            step = float(choices.worth_m2[row])
            text = f"adds {show(gain, 'area')}" if gain > 0.0 else "adds no ground"
            if gain > 0.0 and not worth.any_ground:
                too_little = f", less than the {show(step, 'area')} that make it worth another mix"
                text += too_little if gain < step else ", but more products than may be used"
        texts.append(text)
    return texts


def strengths(site: Ints, product: Ints, dose: Floats, area_m2: Floats, worth_m2: Floats) -> Floats:
    """One strength of a product on a site: the highest dose that at least 95 % of its ground allows.

    Ground that allows only less is left, unless what is left is worth another strength, which is another mix.

    Parameters
    ----------
    site, product : ndarray of int, shape (rows,)
        Product of -1: not treated.
    dose : ndarray of float, shape (rows,)
        Highest that each row allows [L/m2 or kg/m2].
    area_m2 : ndarray of float, shape (rows,)
    worth_m2 : ndarray of float, shape (sites,)
        What another strength has to add.

    Returns
    -------
    ndarray of float, shape (rows,)
        Dose planned; 0 where the ground is left.
    """
    planned = np.zeros(len(dose))
    left = np.flatnonzero(product >= 0)
    first = True
    while len(left):
        key, of = np.unique(np.column_stack([site[left], product[left]]), axis=0, return_inverse=True)
        of = of.ravel()
        order = np.lexsort((-dose[left], of))
        ground = np.cumsum(area_m2[left][order])
        begin = np.searchsorted(of[order], np.arange(len(key)))
        before = np.where(begin > 0, ground[begin - 1], 0.0)
        total = np.bincount(of, area_m2[left], len(key))
        if not first:
            worth = worth_m2[key[:, 0]]
            kept = (np.round(total, _FIGURE_M2) >= np.round(worth, _FIGURE_M2))[of]
            if not kept.all():
                left = left[kept]
                continue
        reached = ground - before[of[order]] >= _ENOUGH * total[of[order]] - 1e-9
        at = np.flatnonzero(reached)
        strength = np.empty(len(key))
        strength[of[order][at[::-1]]] = dose[left][order][at[::-1]]
        fits = dose[left] >= strength[of] * (1.0 - 1e-9)
        planned[left[fits]] = strength[of[fits]]
        left, first = left[~fits], False
    return planned
