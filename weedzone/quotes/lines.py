"""The lines of a quote: what is charged, how much of it, at what price, and why.

Each amount is its line's quantity times its unit price, rounded to the smallest coin, halves away from zero;
every total is the plain sum of its lines. Shares of one sum (a day's travel, whole containers) are dealt out in
coins that add up to it. Quantities are first rounded to a ten-thousandth of their unit and unit prices to a
millionth, as they stand on the line, so that each line can be checked by hand.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

import numpy as np

from weedzone.base.errors import InputError
from weedzone.base.money import deal, percent, rounded
from weedzone.base.names import plain
from weedzone.base.units import FLOZ_PER_L, UNIT_PER_SI, convert, show
from weedzone.crew import fewest
from weedzone.kit import Container, Discount, Label, Prices, no_price
from weedzone.quotes.visits import SiteVisit

KINDS = ("material", "service")
_QUANTITY, _PRICE = Decimal("0.0001"), Decimal("0.000001")
ROUNDING = (
    "Each line is its quantity times its unit price, rounded to the smallest coin, halves up; totals are the sums "
    "of the lines."
)


@dataclass(frozen=True)
class Line:
    """One line of a quote; its fields are the columns of `Quote.lines`.

    `step` is ``price`` for what makes up the price of material and work, and ``charge`` for what follows upon it.
    """

    pricing: str
    site: str
    visit: int
    item: str
    kind: str
    step: str
    quantity: Decimal
    unit: str
    unit_price: Decimal
    amount: Decimal
    basis: str


@dataclass(frozen=True)
class Material:
    """Product or adjuvant of one visit to a site, in its unit."""

    name: str
    product: str
    amount: float
    unit: str


class Writer:
    """Writes the lines of one visit in one way of pricing."""

    def __init__(self, pricing: str, visit: SiteVisit, coin: Decimal) -> None:
        self.pricing, self.visit, self.coin = pricing, visit, coin
        self.step = "price"
        self.lines: list[Line] = []

    def add(
        self, item: str, kind: str, quantity: float | Decimal, unit: str, price: Decimal, basis: str
    ) -> None:
        """Add a line; its amount follows."""
        number = quantity if isinstance(quantity, Decimal) else Decimal(repr(float(quantity)))
        number, price = rounded(number, _QUANTITY), rounded(price, _PRICE)
        amount = rounded(number * price, self.coin)
        site, visit = self.visit.site, self.visit.number
        self.lines.append(
            Line(self.pricing, site, visit, item, kind, self.step, number, unit, price, amount, basis)
        )

    def sum(self, kind: str) -> Decimal:
        """Sum of the lines of a kind so far."""
        return sum((line.amount for line in self.lines if line.kind == kind), Decimal(0))

    def share(self, item: str, kind: str, part: Decimal, base: Decimal, of: str) -> None:
        """Add a line that is a share of a base; none where it comes to nothing."""
        amount = rounded(base * part, self.coin)
        if amount:
            self.add(item, kind, Decimal(1), "sum", amount, f"{percent(part)} of {base} {of}")


def coin_of(prices: Prices) -> Decimal:
    """The smallest coin of a price list's currency."""
    return Decimal(1).scaleb(-prices.decimals)


def check_prices(
    pricings: Sequence[str],
    prices: Prices,
    visits: Sequence[SiteVisit],
    labels: Mapping[str, Label],
    use: str,
) -> None:
    """Refuse at once, naming everything that the list has no price for."""
    if "per-area" in pricings and use not in prices.area:
        raise no_price(
            prices, f"per area for the use {use!r}", "[area]", f'{use} = "14/ksqft", or price it cost-plus'
        )
    if "cost-plus" not in pricings:
        return
    if prices.labour_rate is None:
        raise no_price(prices, "of labour", "[labour]", 'rate = "45/hour"')
    used = {one.name: one for visit in visits for one in materials(visit, labels)}
    missing = [one for one in used.values() if plain(one.name) not in prices.containers]
    if missing:
        sort = "product" if missing[0].name == missing[0].product else "adjuvant"
        names = ", ".join(repr(one.name) for one in missing)
        field = f'[{sort}."{missing[0].name}"]'
        raise no_price(prices, f"for {names}", field, 'containers = [{ size = "2.5 gal", price = 96 }]')
    for one in used.values():
        prices.per_unit(one.name, liquid=one.unit == "fl oz")


def materials(visit: SiteVisit, labels: Mapping[str, Label]) -> list[Material]:
    """Products of a visit and what their labels add to the solution."""
    found = []
    for need in visit.needs:
        found.append(Material(need.product, need.product, need.made_up, need.unit))
        found += [
            Material(added.name, need.product, need.added_L[added.name] * FLOZ_PER_L, "fl oz")
            for added in labels[need.product].adjuvants
            if need.made_up_L
        ]
    return found


def price_visits(
    visits: Sequence[SiteVisit],
    prices: Prices,
    labels: Mapping[str, Label],
    use: str,
    pricing: str,
    material: str,
    days: Mapping[str, Hashable] | None = None,
) -> list[Line]:
    """Lines of every visit in one way of pricing; see `weedzone.quote`."""
    coin = coin_of(prices)
    travel = _travel(visits, prices, days, coin)
    off, off_words = discount(visits, prices.discounts)
    shared = _containers(visits, prices, labels, coin) if material == "containers" else {}
    lines: list[Line] = []
    for at, visit in enumerate(visits):
        write = Writer(pricing, visit, coin)
        if not visit.needs:
            write.add(
                "nothing to spray",
                "service",
                Decimal(0),
                "visit",
                Decimal(0),
                "no ground that may be treated",
            )
        elif pricing == "cost-plus":
            for number, one in enumerate(materials(visit, labels)):
                _material(write, one, prices, shared.get((at, number)))
            _labour(write, prices)
            _margin(write, prices)
        else:
            _by_area(write, prices, use)
        if visit.needs:
            _charges(write, prices, off, off_words, *travel[at])
        lines += write.lines
    return lines


def discount(visits: Sequence[SiteVisit], discounts: Sequence[Discount]) -> tuple[Decimal, str]:
    """Share off for the area and the number of sites of the whole quote's first visits, and why.

    Of the steps reached by area the highest counts, and of those by sites; the two add up.
    """
    first = [visit for visit in visits if visit.number == 1 and visit.needs]
    area, sites = sum(visit.area_m2 for visit in first), len(first)
    by_area = [one for one in discounts if one.over_m2 is not None and area > one.over_m2]
    by_sites = [one for one in discounts if one.sites is not None and sites >= one.sites]
    reached = [
        *sorted(by_area, key=lambda one: one.over_m2 or 0.0)[-1:],
        *sorted(by_sites, key=lambda one: one.sites or 0)[-1:],
    ]
    off = sum((one.off for one in reached), Decimal(0))
    if off >= 1:
        raise InputError("the discounts take everything off", field="[[discount]]", mend="lower them")
    words = [
        f"{percent(one.off)} for " + (f"more than {one.over}" if one.over else f"{one.sites} sites or more")
        for one in reached
    ]
    return off, " and ".join(words)


def _material(write: Writer, one: Material, prices: Prices, shared: tuple[Decimal, str] | None) -> None:
    if shared is not None:
        write.add(one.name, "material", Decimal(1), "share", *shared)
        return
    sold = prices.containers[plain(one.name)][0]
    per_unit = _five_figures(
        sold.price / rounded(Decimal(repr(sold.content * UNIT_PER_SI[one.unit])), _PRICE)
    )
    with_it = "" if one.name == one.product else f", added to {one.product}"
    write.add(
        one.name,
        "material",
        one.amount,
        one.unit,
        per_unit,
        f"by use, {rounded(sold.price, write.coin)} for {sold.size}{with_it}",
    )


def _five_figures(price: Decimal) -> Decimal:
    """A price worked out from a container, in figures that can be read: 1.3906, not 1.390625."""
    return rounded(price, max(_PRICE, Decimal(1).scaleb(price.adjusted() - 4))) if price else price


def _labour(write: Writer, prices: Prices) -> None:
    visit, minutes, rate = write.visit, write.visit.minutes, prices.labour_rate
    assert rate is not None
    loads = sum(need.loads for need in visit.needs)
    patches = sum(one.patches for one in visit.walked)
    length = show(sum(one.length_m for one in visit.walked), "length")
    tour = "shortest tour" if all(one.exact for one in visit.walked) else "a short tour"
    for item, spent, basis in (
        ("set-up", minutes.setup, f"{minutes.setup:g} min a visit"),
        ("mixing", minutes.mixing, f"{loads} load{'s' * (loads != 1)}, {prices.mixing_s / 60:g} min each"),
        ("rinsing", minutes.rinsing, f"between products, {prices.rinse_s / 60:g} min each"),
        ("covering", minutes.spraying, visit.spraying_basis),
        ("walking", minutes.walking, f"{tour} of {length} over {patches} patches"),
    ):
        if spent > 0.0:
            write.add(item, "service", spent / 60.0, "hour", rate, f"{spent:.1f} min: {basis}")


def _margin(write: Writer, prices: Prices) -> None:
    for kind in KINDS:
        write.share(f"overhead on {kind}", kind, prices.overhead, write.sum(kind), f"cost of {kind}")
    for kind in KINDS:
        if prices.margin:
            price = write.sum(kind) / (1 - prices.margin)
            amount = rounded(price - write.sum(kind), write.coin)
            if amount:
                basis = f"{percent(prices.margin)} of the price {rounded(price, write.coin)} before discounts"
                write.add(f"margin on {kind}", kind, Decimal(1), "sum", amount, basis)
        write.share(f"mark-up on {kind}", kind, prices.markup, write.sum(kind), f"{kind} with overhead")


def _by_area(write: Writer, prices: Prices, use: str) -> None:
    price = prices.area[use]
    area = convert(write.visit.area_m2, "area", price.unit)
    write.add(
        f"{use} treatment", "service", area, price.unit, price.price, "ground treated, material included"
    )


def _charges(
    write: Writer, prices: Prices, off: Decimal, off_words: str, travel: Decimal, sharing: int
) -> None:
    """Discount, the least charge, travel and tax."""
    write.step = "charge"
    if off:
        for kind in KINDS:
            amount = rounded(-write.sum(kind) * off, write.coin)
            if amount:
                write.add(
                    f"discount on {kind}",
                    kind,
                    Decimal(1),
                    "sum",
                    amount,
                    f"{off_words}, of {write.sum(kind)}",
                )
    so_far = write.sum("material") + write.sum("service")
    minimum = rounded(prices.minimum, write.coin)
    if so_far < minimum:
        basis = f"up to {minimum} for a visit before travel and tax"
        write.add("minimum charge", "service", Decimal(1), "sum", minimum - so_far, basis)
    if travel:
        total = rounded(prices.travel, write.coin)
        basis = f"{total} for the day" + (f", shared by {sharing} sites" if sharing > 1 else "")
        write.add("travel", "service", Decimal(1), "share", travel, basis)
    for kind in KINDS:
        rate = prices.tax.get(kind, Decimal(0))
        write.share(f"tax on {kind}", "tax", rate, write.sum(kind), kind)


def _travel(
    visits: Sequence[SiteVisit], prices: Prices, days: Mapping[str, Hashable] | None, coin: Decimal
) -> dict[int, tuple[Decimal, int]]:
    """Share of the day's travel of each visit, and how many sites share it."""
    rounds: dict[Hashable, list[int]] = {}
    count: dict[int, int] = {}
    for at, visit in enumerate(visits):
        if visit.needs:
            place = count.get(visit.number, 0)
            count[visit.number] = place + 1
            day = place // prices.sites_per_day if prices.sites_per_day else 0
            key = (visit.number, day if days is None else days[visit.site])
            rounds.setdefault(key, []).append(at)
    found = {}
    for members in rounds.values():
        dealt = deal(rounded(prices.travel, coin), [1.0] * len(members), coin)
        found.update({at: (mine, len(members)) for at, mine in zip(members, dealt, strict=True)})
    return found


def _containers(
    visits: Sequence[SiteVisit], prices: Prices, labels: Mapping[str, Label], coin: Decimal
) -> dict[tuple[int, int], tuple[Decimal, str]]:
    """Share of whole containers of each visit's materials: bought for the whole quote, dealt out by use."""
    uses: dict[str, list[tuple[int, int, Material]]] = {}
    for at, visit in enumerate(visits):
        for number, one in enumerate(materials(visit, labels)):
            uses.setdefault(plain(one.name), []).append((at, number, one))
    found = {}
    for name, mine in uses.items():
        unit, need = mine[0][2].unit, sum(one.amount for _, _, one in mine)
        bought, words = cheapest(prices.containers[name], need / UNIT_PER_SI[unit])
        dealt = deal(rounded(bought, coin), [one.amount for _, _, one in mine], coin)
        for (at, number, one), part in zip(mine, dealt, strict=True):
            basis = f"{one.amount:.4g} of {need:.4g} {unit} used out of {words}, whole containers"
            found[at, number] = part, basis
    return found


@lru_cache(maxsize=4096)
def cheapest(sold: tuple[Container, ...], need: float) -> tuple[Decimal, str]:
    """The cheapest whole containers that hold an amount [L or kg]: their price, and what they are."""
    count = fewest(
        need, np.array([one.content for one in sold]), np.array([float(one.price) for one in sold])
    )
    words = " and ".join(f"{n} x {one.size}" for n, one in zip(count, sold, strict=True) if n)
    return sum((int(n) * one.price for n, one in zip(count, sold, strict=True)), Decimal(0)), words
