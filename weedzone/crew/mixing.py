"""The mix of each load as a list to work down: water, then what goes in and in which order, then the rest.

The order is data, since two are taught and they differ; the label's own order wins over both. Half-fill with
clean water, agitator on, add one item at a time and let it disperse before the next (Virginia Cooperative
Extension BSE-351P). Try a new mixture in a jar first, and keep to three partners or fewer.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import pandas as pd

from weedzone.base.data import table_beside
from weedzone.base.errors import InputError
from weedzone.base.units import FLOZ_PER_L, GAL_PER_L
from weedzone.kit import Extra, Label, Sprayer
from weedzone.sizing import Sized, added_L, check_job

DEFAULT_ORDER = "north dakota"


@dataclass(frozen=True)
class Order:
    """An order of addition.

    Attributes
    ----------
    source : str
        Who teaches it.
    groups : tuple of (str, frozenset of str)
        Name of each group in order, with the formulation types in it.
    """

    source: str
    groups: tuple[tuple[str, frozenset[str]], ...]


_DATA = table_beside(__file__, "orders.toml")
ORDERS: Mapping[str, Order] = MappingProxyType(
    {
        name: Order(order["source"], tuple((group, frozenset(types)) for group, types in order["groups"]))
        for name, order in _DATA.items()
    }
)
"""Orders of addition by name."""

# What a thing is where nobody says its formulation. North Dakota: ammonium sulfate is a soluble powder, oils go
# with the emulsifiables, most surfactants are solutions.
_BY_NAME = (("ammonium", "SP"), ("conditioner", "CONDITIONER"), ("oil", "EC"), ("surfactant", "SL"))
_BY_FORM = {"dry": "WG", "liquid": "EC"}
# A defoamer goes in before anything can foam, a dye last: common practice, no source.
_FIRST, _LAST = ("defoamer", "antifoam", "anti-foam"), ("dye", "colorant", "marker", "indicator")


@dataclass(frozen=True)
class Item:
    """One thing that goes into the tank.

    Attributes
    ----------
    name : str
    sort : str
        ``product``, ``adjuvant, required``, ``adjuvant, allowed`` or ``extra``.
    group : str
        Group of the order that it is added with.
    rate : float or None
        [L per L of solution]; None for the product, whose rate is the zone's.
    sure : bool
        Whether the label or rig names its formulation; else it was placed by its form or its name.
    """

    name: str
    sort: str
    group: str
    rate: float | None
    sure: bool


def order_of_addition(label: Label, extras: Iterable[Extra] = (), order: str = DEFAULT_ORDER) -> list[Item]:
    """What goes into the water, in order.

    Parameters
    ----------
    label : Label
        Its ``formulation`` decides; where it has none, dry products go in as dry granules and liquids as
        emulsifiables.
    extras : iterable of Extra
        What the rig adds to every tank.
    order : str
        A key of `ORDERS`.

    Raises
    ------
    InputError
        No such order.
    """
    if order not in ORDERS:
        raise InputError(f"no order of addition {order!r}", field="order", mend=f"one of {', '.join(ORDERS)}")
    given: list[tuple[str, str, str, str, float | None]] = [
        (label.name, "product", label.formulation, _BY_FORM.get(label.form, "SL"), None),
        *[
            (one.name, f"adjuvant, {'required' if one.required else 'allowed'}", "", "SL", one.rate)
            for one in label.adjuvants
        ],
        *[(one.name, "extra", one.formulation, "SL", one.rate) for one in extras],
    ]
    groups = ORDERS[order].groups
    placed = []
    for name, sort, formulation, fallback, rate in given:
        rank, sure = _rank(name, sort, formulation, fallback, groups)
        group = ("first of all", *(group for group, _ in groups), "last of all")[rank + 1]
        placed.append((rank, Item(name, sort, group, rate, sure)))
    return [item for _, item in sorted(placed, key=lambda one: one[0])]


def _rank(
    name: str, sort: str, formulation: str, fallback: str, groups: tuple[tuple[str, frozenset[str]], ...]
) -> tuple[int, bool]:
    words = name.lower()
    if sort == "extra" and any(word in words for word in _FIRST):
        return -1, True
    if sort == "extra" and any(word in words for word in _LAST):
        return len(groups), True
    code = formulation.strip().upper()
    known = [number for number, (_, codes) in enumerate(groups) if code in codes]
    if known:
        return known[0], True
    if sort != "product":
        fallback = next((one for word, one in _BY_NAME if word in words), fallback)
    return next((number for number, (_, codes) in enumerate(groups) if fallback in codes), 0), False


def mixes(sized: Sized, order: str = DEFAULT_ORDER) -> pd.DataFrame:
    """Every load as steps to work down.

    Parameters
    ----------
    sized : Sized
        Of a sprayer.
    order : str
        A key of `ORDERS`.

    Returns
    -------
    DataFrame
        ``site``, ``product``, ``load``, ``step`` (1, 2, ...), ``item``, ``sort`` (``water`` or as in `Item`),
        ``amount``, ``unit`` (``gal``, ``fl oz`` or ``oz`` by weight), ``rule`` (what to mind), of what is made up.
        The water comes in two steps. Empty for a spreader.
    """
    check_job(sized)
    names = ["site", "product", "load", "step", "item", "sort", "amount", "unit", "rule"]
    rows: list[tuple[object, ...]] = []
    if isinstance(sized.rig, Sprayer):
        labels = {name: sized.plans[name].label for name in sized.loads["product"].unique()}
        listed = {name: order_of_addition(label, sized.rig.extras, order) for name, label in labels.items()}
        for load in sized.loads.to_dict("records"):
            name = load["product"]
            beside = added_L(labels[name], sized.rig, [load["made_up_gal"] / GAL_PER_L])
            steps = _steps(load, listed[name], labels[name], beside)
            rows += [
                (load["site"], name, load["load"], number, *step) for number, step in enumerate(steps, 1)
            ]
    return pd.DataFrame(rows, columns=names)


def _steps(
    load: Mapping[Any, Any], items: list[Item], label: Label, beside: Mapping[str, float]
) -> list[tuple[object, ...]]:
    # What goes in first is dispersed in half of the solution, or in all of the water where there is less.
    solution_gal = load["made_up_gal"]
    water_gal = load["water_gal"] * solution_gal / load["solution_gal"]
    half = min(solution_gal / 2.0, water_gal)
    said = label.hints.get("mixing", "")
    rule = f"the label says: {said}" if said else "the label's own order wins; agitator on"
    steps: list[tuple[object, ...]] = [("water", "water", half, "gal", rule)]
    for item in items:
        hint = item.group if item.sure else f"{item.group}; its formulation is not given: read its label"
        if item.rate is None:
            steps.append((item.name, item.sort, load["made_up_amount"], load["product_unit"], hint))
        else:
            steps.append((item.name, item.sort, beside[item.name] * FLOZ_PER_L, "fl oz", hint))
    return [
        *steps,
        ("water", "water", water_gal - half, "gal", "fill up; keep it agitated until it is sprayed"),
    ]
