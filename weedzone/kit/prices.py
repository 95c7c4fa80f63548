"""Price lists: what labour, material, travel and area cost, read from TOML.

Every sum of money is an exact decimal. The file's currency is a word on the quote; nothing is converted.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

from weedzone.base.errors import Finding, InputError, UnitError
from weedzone.base.money import money, share
from weedzone.base.names import plain
from weedzone.base.toml import Table, read_toml
from weedzone.base.units import to_si
from weedzone.kit.label import USES

PRICINGS = ("cost-plus", "per-area", "both")
MATERIALS = ("use", "containers")
# Where the list is silent: common practice, no source. Each one used is told as a finding.
_USUAL = {"setup": "10 min", "mixing": "10 min", "rinse": "10 min", "walking": "3 mph"}
_PRICE_PER = re.compile(
    r"(?P<money>[0-9][0-9,]*(?:\.[0-9]+)?)\s*(?:/|\bper\b)\s*(?P<unit>[A-Za-z][A-Za-z0-9^² ]*)"
)


@dataclass(frozen=True)
class Container:
    """A container as sold: content [L or kg], whether that is a volume, its price, and its size in words."""

    content: float
    liquid: bool
    price: Decimal
    size: str


@dataclass(frozen=True)
class AreaPrice:
    """Price of one unit of treated ground."""

    price: Decimal
    unit: str


@dataclass(frozen=True)
class Discount:
    """Share off, for more than an area [m2], or for at least a number of sites."""

    off: Decimal
    over_m2: float | None = None
    over: str = ""
    sites: int | None = None


@dataclass(frozen=True)
class FollowUp:
    """A later visit, and the share of the first visit's ground that it is expected to treat.

    Attributes
    ----------
    after_days : float
        Days after the visit before it.
    share : decimal.Decimal
        Above 0, at most 1.
    """

    after_days: float
    share: Decimal


@dataclass(frozen=True)
class Prices:
    """A price list.

    Attributes
    ----------
    currency : str
        Code of three letters, such as "USD".
    decimals : int
        Decimal places of its smallest coin: 2 where a cent is the smallest.
    labour_rate : decimal.Decimal or None
        For an hour.
    setup_s, mixing_s, rinse_s : float
        Set-up for each visit to a site, mixing for each load, and rinsing the rig between two products [s].
    walking_mps : float
        Pace of walking from patch to patch [m/s].
    efficiency : float
        Part of the spraying time in which ground is covered; the rest is turning, overlap and stops.
    minimum, travel : decimal.Decimal
        Least charge for a visit to a site, without travel; charge for the travel of one day.
    sites_per_day : int or None
        Sites that share one day's travel; None: all of them.
    containers : mapping of product or adjuvant to tuple of Container
        Names in lower case. Where material is charged by use, the first container sets the price.
    area : mapping of use to AreaPrice
    overhead, margin, markup : decimal.Decimal
        Overhead as a share of cost; margin as a share of the price; mark-up as a share of cost with overhead.
    tax : mapping of ``material`` and ``service`` to decimal.Decimal
    discounts : tuple of Discount
    followups : tuple of FollowUp
    pricing : {"cost-plus", "per-area", "both"}
    material : {"use", "containers"}
    terms : str
        A sentence of the user's own for the foot of the quote.
    noticed : tuple of Finding
    file : str
    """

    currency: str
    decimals: int = 2
    labour_rate: Decimal | None = None
    setup_s: float = 600.0
    mixing_s: float = 600.0
    rinse_s: float = 600.0
    walking_mps: float = 1.34112
    efficiency: float = 1.0
    minimum: Decimal = Decimal(0)
    travel: Decimal = Decimal(0)
    sites_per_day: int | None = None
    containers: Mapping[str, tuple[Container, ...]] = field(default_factory=dict)
    area: Mapping[str, AreaPrice] = field(default_factory=dict)
    overhead: Decimal = Decimal(0)
    margin: Decimal = Decimal(0)
    markup: Decimal = Decimal(0)
    tax: Mapping[str, Decimal] = field(default_factory=dict)
    discounts: tuple[Discount, ...] = ()
    followups: tuple[FollowUp, ...] = ()
    pricing: str = "cost-plus"
    material: str = "use"
    terms: str = ""
    noticed: tuple[Finding, ...] = ()
    file: str = ""

    def per_unit(self, name: str, *, liquid: bool) -> float | None:
        """Price of 1 L or 1 kg of a product, by the first container listed.

        Parameters
        ----------
        name : str
        liquid : bool
            Whether it is measured by volume.

        Returns
        -------
        float or None
            None where the list has no price.

        Raises
        ------
        InputError
            Its containers are measured the other way.
        """
        sold = self.containers.get(plain(name), ())
        if not sold:
            return None
        if sold[0].liquid != liquid:
            way, example = ("volume", '"2.5 gal"') if liquid else ("weight", '"5 lb"')
            raise InputError(
                f"{name!r} is measured by {way}, its containers are not",
                file=self.file, field="containers", mend=f"write sizes such as {example}",
            )  # fmt: skip
        return float(sold[0].price) / sold[0].content

    def mix_m2(self, use: str, left: float) -> float:
        """Ground whose treatment pays for one mix more: its set-up, mixing and rinse, and product left in the rig.

        Parameters
        ----------
        use : str
        left : float
            Price of the product that is left.

        Returns
        -------
        float
            [m2].

        Raises
        ------
        InputError
            No price of labour, or none of ground for the use.
        """
        if self.labour_rate is None:
            raise no_price(self, "of labour", "[labour]", 'rate = "45/hour"')
        if use not in self.area or not self.area[use].price:
            raise no_price(self, f"per area for the use {use!r}", "[area]", f'{use} = "14/ksqft"')
        ground = self.area[use]
        time = float(self.labour_rate) * (self.setup_s + self.mixing_s + self.rinse_s) / 3600.0
        return (time + left) * to_si(f"1 {ground.unit}", "area") / float(ground.price)


def no_price(prices: Prices, what: str, field: str, add: str) -> InputError:
    """What a price list has to say and does not."""
    return InputError(f"no price {what}", file=prices.file, field=field, mend=f"add {add}")


def read_prices(path: str | Path) -> Prices:
    """Read a price list from TOML.

    Parameters
    ----------
    path : path
        ::

            currency = "USD"
            pricing = "cost-plus"             # or "per-area", "both"
            material = "use"                  # or "containers": whole ones
            [labour]
            rate = "45/hour"
            setup = "10 min"                  # each visit to a site
            mixing = "8 min"                  # each load
            rinse = "10 min"                  # between two products on a site
            walking = "3 mph"
            efficiency = "75 %"               # of the spraying time
            [visit]
            minimum = 65                      # for a visit to a site, without travel
            travel = 18                       # for a day, shared among its sites
            sites_per_day = 10
            [product."Demo Trio"]
            containers = [{ size = "2.5 gal", price = 96 }]
            [adjuvant."non-ionic surfactant"]
            containers = [{ size = "1 qt", price = 14.50 }]
            [area]
            spot = "14/ksqft"
            [margin]
            overhead = "12 %"                 # of cost
            margin = "20 %"                   # of the price; or markup = "25 %" on cost
            [tax]
            material = "7 %"
            service = "0 %"
            [[discount]]
            over = "20 ksqft"                 # or sites = 10
            off = "5 %"
            [[followup]]
            after = "28 day"
            share = "30 %"                    # of the first visit's ground

    Returns
    -------
    Prices

    Raises
    ------
    InputError, UnitError
        Naming file, field and mend.
    """
    top = Table(read_toml(path), str(path), "", InputError)
    top.only(
        (
            "currency", "decimals", "pricing", "material", "terms", "labour", "visit", "product", "adjuvant", "area",
            "margin", "tax", "discount", "followup",
        )
    )  # fmt: skip
    currency = top.text("currency").upper()
    if not re.fullmatch("[A-Z]{3}", currency):
        top.fail("currency", f"{currency[:20]!r} is no currency code", 'write three letters, such as "USD"')
    return Prices(
        currency=currency,
        decimals=_decimals(top),
        pricing=top.choice("pricing", PRICINGS, "cost-plus"),
        material=top.choice("material", MATERIALS, "use"),
        terms=top.text("terms") if "terms" in top.values else "",
        containers=_stock(top),
        area=_area(top.table("area")),
        tax=_tax(top.table("tax")),
        discounts=tuple(_discount(one) for one in top.tables("discount")),
        followups=tuple(_followup(one) for one in top.tables("followup")),
        file=str(path),
        **_labour(top.table("labour"), str(path)),
        **_visit(top.table("visit")),
        **_margin(top.table("margin")),
    )


def follow_up(
    value: FollowUp | Mapping[str, Any], *, field: str = "visits", file: str | None = None
) -> FollowUp:
    """Read one follow-up visit, given as a `FollowUp` or as ``{"after": "28 day", "share": "30 %"}``."""
    if isinstance(value, FollowUp):
        if not (value.after_days > 0 and math.isfinite(value.after_days) and 0 < value.share <= 1):
            raise InputError(
                "a follow-up comes after some days and treats some share of the ground", field=field
            )
        return value
    if not isinstance(value, Mapping):
        raise InputError(
            f"{value!r} is no follow-up visit", field=field, mend='write {"after": "28 day", "share": "30 %"}'
        )
    return _followup(Table(value, file or "", field, InputError))


def _followup(table: Table) -> FollowUp:
    table.only(("after", "share"))
    after = table.si("after", "time")
    if after is None or "share" not in table.values:
        table.fail("after" if after is None else "share", "missing", 'write after = "28 day", share = "30 %"')
    part = _share(table, "share")
    if not part:
        table.fail("share", "a visit that treats nothing", "leave the visit out")
    return FollowUp(after / 86_400.0, part)


def _decimals(top: Table) -> int:
    value = top.values.get("decimals", 2)
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 3:
        top.fail(
            "decimals", "this must be 0, 1, 2 or 3", "write decimals = 2 where a cent is the smallest coin"
        )
    return int(value)


def _labour(table: Table, file: str) -> dict[str, Any]:
    table.only(("rate", *_USUAL, "efficiency"))
    if not table.values:
        return {}
    notes = []
    for key, standard in _USUAL.items():
        if key not in table.values:
            message = f"the list gives no {key}: {standard} is used (common practice, no source)"
            notes.append(Finding("note", "prices", f"labour {key}", message))
    given = Table({**_USUAL, **table.values}, file, "[labour]", InputError)
    efficiency = _share(given, "efficiency") if "efficiency" in given.values else Decimal(1)
    if not efficiency:
        given.fail("efficiency", "nothing would ever be covered", 'write efficiency = "75 %"')
    price, seconds = _per(given, "rate", "time", "45/hour")
    return {
        "labour_rate": price * 3600 / Decimal(repr(seconds)),
        "setup_s": given.si("setup", "time", allow_zero=True),
        "mixing_s": given.si("mixing", "time", allow_zero=True),
        "rinse_s": given.si("rinse", "time", allow_zero=True),
        "walking_mps": given.si("walking", "speed"),
        "efficiency": float(efficiency),
        "noticed": tuple(notes),
    }


def _visit(table: Table) -> dict[str, Any]:
    table.only(("minimum", "travel", "sites_per_day"))
    return {
        "minimum": _money(table, "minimum"),
        "travel": _money(table, "travel"),
        "sites_per_day": table.whole("sites_per_day"),
    }


def _stock(top: Table) -> dict[str, tuple[Container, ...]]:
    found: dict[str, tuple[Container, ...]] = {}
    for sort in ("product", "adjuvant"):
        table = top.table(sort)
        for name in table.values:
            own = table.table(name)
            own.only(("containers",))
            sold = tuple(_container(one) for one in own.tables("containers"))
            if not sold:
                own.fail("containers", "missing", 'write containers = [{ size = "2.5 gal", price = 96 }]')
            if len({one.liquid for one in sold}) > 1:
                own.fail("containers", "some by volume, some by weight", "write all sizes the same way")
            if plain(name) in found:
                own.fail("containers", "priced twice", "keep one of the two")
            found[plain(name)] = sold
    return found


def _container(table: Table) -> Container:
    table.only(("size", "price"))
    size = table.text("size")
    if "price" not in table.values:
        table.fail("price", "missing", "write price = 96")
    price = _money(table, "price")
    where = {"field": table.field("size"), "file": table.file}
    try:
        return Container(to_si(size, "volume"), True, price, size)
    except UnitError:
        return Container(to_si(size, "mass", **where), False, price, size)  # type: ignore[arg-type]


def _area(table: Table) -> dict[str, AreaPrice]:
    table.only(USES)
    found = {}
    for use in table.values:
        price, _ = _per(table, use, "area", "14/ksqft")
        found[use] = AreaPrice(price, _match(table, use, "14/ksqft")["unit"].strip())
    return found


def _tax(table: Table) -> dict[str, Decimal]:
    table.only(("material", "service"))
    return {key: _share(table, key) for key in table.values}


def _margin(table: Table) -> dict[str, Any]:
    table.only(("overhead", "margin", "markup"))
    if "margin" in table.values and "markup" in table.values:
        table.fail(
            "markup", "both a margin and a mark-up", "give the margin (of the price) or the mark-up (on cost)"
        )
    limits = {"overhead": (10.0, False), "margin": (1.0, True), "markup": (10.0, False)}
    return {key: _share(table, key, *limits[key]) for key in table.values}


def _discount(table: Table) -> Discount:
    table.only(("over", "sites", "off"))
    if ("over" in table.values) == ("sites" in table.values):
        table.fail(
            "over", "a discount goes by area or by number of sites", 'write over = "20 ksqft", or sites = 10'
        )
    if "off" not in table.values:
        table.fail("off", "missing", 'write off = "5 %"')
    off = _share(table, "off", 1.0, below=True)
    over = table.si("over", "area", allow_zero=True)
    return Discount(off, over, table.text("over") if over is not None else "", table.whole("sites"))


def _money(table: Table, key: str) -> Decimal:
    return money(table.values.get(key, 0), field=table.field(key), file=table.file)


def _share(table: Table, key: str, most: float = 1.0, below: bool = False) -> Decimal:
    return share(table.values[key], most=most, below=below, field=table.field(key), file=table.file)


def _match(table: Table, key: str, example: str) -> re.Match[str]:
    found = _PRICE_PER.fullmatch(table.text(key))
    if found is None:
        table.fail(key, f"{table.values[key]!r} is no price per unit", f'write {key} = "{example}"')
    return found


def _per(table: Table, key: str, kind: str, example: str) -> tuple[Decimal, float]:
    """Price and the SI size of the unit that it is for."""
    found = _match(table, key, example)
    price = money(found["money"], field=table.field(key), file=table.file)
    return price, to_si(f"1 {found['unit'].strip()}", kind, field=table.field(key), file=table.file)
