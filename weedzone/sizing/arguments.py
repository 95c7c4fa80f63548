"""What a run is asked for: one frozen record, each field checked at the door with one clear error.

And the rules of the plan that it comes to.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from numbers import Integral, Real
from typing import Any

import numpy as np

from weedzone.base.errors import Finding, InputError, LabelError, kind_of, refuse_unless
from weedzone.base.names import chief_name, nearest
from weedzone.base.units import to_si
from weedzone.base.words import read_date
from weedzone.kit import Label, Policy, Prices, no_price
from weedzone.sizing.loads import at_start
from weedzone.survey import Survey
from weedzone.zones import Least, Plan, Rig, Rules, Worth


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What a run is asked for; `weedzone.size_job` says what each field means and takes.

    Attributes
    ----------
    use, products, on, worth, max_products, exclude, prefer, avoid_caution, prices, policy, wind_from, wind_spread, \
min_width, min_area, even_loads, adjuvants, passes
        As the arguments of `weedzone.size_job`; they are checked when the run begins.
    """

    use: str = "spot"
    products: Mapping[str, str] | None = None
    on: dt.date | str | None = None
    max_products: int | None = None
    worth: str | None = None
    exclude: Iterable[str] = ()
    prefer: Iterable[str] = ()
    avoid_caution: bool = False
    prices: Mapping[str, str] | Prices | None = None
    policy: Policy | None = None
    wind_from: float | None = None
    wind_spread: float | None = None
    min_width: str | None = None
    min_area: str | None = None
    even_loads: bool = False
    adjuvants: str = "all"
    passes: int = 1


USUAL = Asked()
"""Nothing beyond what is usual."""

_READ_LABELS = 'give what read_labels("labels") returned'


def checked(survey: object, labels: object, rig: object) -> dict[str, Label]:
    """The labels by product, where survey, labels and rig are what they should be.

    Raises
    ------
    InputError
        Naming the argument and how to get what it wants.
    """
    found = checked_labels(survey, labels)
    mend = 'give what read_rig("rigs.toml", "backpack") or make_rig(...) returned'
    refuse_unless(isinstance(rig, Rig), rig, "a rig", "rig", mend)
    return found


def checked_labels(survey: object, labels: object) -> dict[str, Label]:
    """The labels by product, where the survey is one; see `checked`."""
    mend = 'give what read_survey("survey.gpkg") returned'
    refuse_unless(isinstance(survey, Survey), survey, "a survey", "survey", mend)
    return labels_of(labels)


def labels_of(labels: object) -> dict[str, Label]:
    """Labels by product: of a mapping, of one label or of several.

    Raises
    ------
    InputError
        Something else, or two labels of one name.
    """
    if isinstance(labels, Label):
        return {labels.name: labels}
    if isinstance(labels, Mapping):
        found: dict[Any, Any] = dict(labels)
    elif isinstance(labels, Iterable) and not isinstance(labels, str):
        several = list(labels)
        found = {one.name: one for one in several if isinstance(one, Label)}
        refuse_unless(len(found) == len(several), labels, "a label of each product", "labels", _READ_LABELS)
    else:
        raise InputError(f"labels are wanted here, not {kind_of(labels)}", field="labels", mend=_READ_LABELS)
    for name, one in found.items():
        refuse_unless(isinstance(one, Label), one, "a label", f"labels {name}", _READ_LABELS)
    return found


def names_given(names: object, field: str) -> tuple[str, ...]:
    """A list of products as such.

    Raises
    ------
    InputError
        A single text, or something that holds anything but texts.
    """
    mend = f'write {field}=["..."]'
    several = isinstance(names, Iterable) and not isinstance(names, str | bytes)
    refuse_unless(several, names, "a list of products", field, mend)
    found: tuple[str, ...] = tuple(names)  # type: ignore[arg-type]
    for one in found:
        refuse_unless(isinstance(one, str), one, "the name of a product", field, mend)
    return found


def flag(value: object, field: str) -> bool:
    """True or False, and nothing that only counts as one of them."""
    refuse_unless(isinstance(value, bool | np.bool_), value, "True or False", field, f"write {field}=True")
    return bool(value)


def day_of(on: dt.date | str | None, survey: Survey) -> tuple[dt.date, list[Finding]]:
    """Day of the job; today where none is named, which is said if it decides anything."""
    if on is None:
        today = dt.date.today()
        if survey.history is None:
            return today, []
        return today, [Finding("note", "history", "", f"past applications are held against today, {today}")]
    return read_date(on, "on"), []


def at_hand(
    labels: Mapping[str, Label],
    products: Mapping[str, str] | None,
    exclude: tuple[str, ...],
    prefer: tuple[str, ...],
) -> dict[str, Label]:
    """Labels that may be used; every product named anywhere must have a label."""
    if products is not None:
        mend = 'write {"tall fescue": "..."}'
        refuse_unless(isinstance(products, Mapping), products, "a product for each turf", "products", mend)
        names_given(products.values(), "products")
    if products is not None and not products:
        raise InputError("it names no product", field="products", mend='write {"tall fescue": "..."}')
    for field_name, names in (
        ("products", (products or {}).values()),
        ("exclude", exclude),
        ("prefer", prefer),
    ):
        for name in names:
            if name not in labels:
                close = nearest(str(name), labels)
                mend = f"did you mean {close!r}?" if close else f"known: {', '.join(labels)}"
                raise LabelError(f"no label is named {name!r}", field=field_name, mend=mend)
    both = set(exclude) & set((products or {}).values())
    if both:
        raise InputError(
            f"{min(both)!r} is both named and excluded", field="exclude", mend="leave it out of one"
        )
    left = {name: label for name, label in labels.items() if name not in exclude}
    if labels and not left:
        what = f"every label at hand is excluded ({', '.join(labels)})"
        raise InputError(what, field="exclude", mend="leave one in, or read more labels")
    return left


def by_turf(
    products: Mapping[str, str] | None, survey: Survey
) -> tuple[dict[str, str] | None, list[Finding]]:
    """The caller's {turf: product} under the chief names of the turf."""
    if products is None:
        return None, []
    found: dict[str, str] = {}
    for turf, name in products.items():
        chief = chief_name(turf, "turf")
        if found.setdefault(chief, name) != name:
            raise InputError(f"two products for {chief}", field="products", mend="name one for each turf")
    mapped = {str(one) for one in survey.turf["turf"].unique()}
    notes = []
    for turf in sorted(set(found) - mapped):
        close = nearest(turf, mapped)
        hint = f"; did you mean {close!r}?" if close else ""
        notes.append(
            Finding("warning", "turf", turf, f"a product was named, but no such turf is mapped{hint}")
        )
    return found, notes


def most_products(count: int | None) -> int | None:
    """Most products on a site, or None for as many as there are."""
    if count is not None and (isinstance(count, bool) or not isinstance(count, Integral) or count < 1):
        raise InputError(
            f"max_products is {count!r}", field="max_products", mend="write a whole number above zero"
        )
    return count


def passes_of(count: int, products: Mapping[str, str] | None) -> int:
    """Number of passes, 1 or 2."""
    if isinstance(count, bool) or not isinstance(count, Integral) or count not in (1, 2):
        raise InputError(f"passes is {count!r}", field="passes", mend="write 1 or 2")
    if count > 1 and products is not None:
        raise InputError(
            "products= names one product for each turf, so there is none for a second pass",
            field="passes",
            mend="leave products= or passes= out",
        )
    return int(count)


def prices_si(
    prices: Mapping[str, str] | Prices | None, labels: Mapping[str, Label], used: Iterable[str]
) -> tuple[dict[str, float] | None, list[Finding]]:
    """Price per L or kg of each product, from a price list or from "96/2.5 gal"."""
    if prices is None:
        return None, []
    mend = 'write {"Demo Trio": "96/2.5 gal"}, or give what read_prices("prices.toml") returned'
    refuse_unless(isinstance(prices, Mapping | Prices), prices, "a price for each product", "prices", mend)
    if isinstance(prices, Prices):
        listed = {name: prices.per_unit(name, liquid=one.form == "liquid") for name, one in labels.items()}
        known = {name: price for name, price in listed.items() if price is not None}
    else:
        known = {name: _price(text, name, labels[name]) for name, text in prices.items() if name in labels}
    lacking = [name for name in used if name not in known]
    notes = []
    if lacking:
        message = f"no price for {', '.join(lacking)}: products are chosen as if no price were known"
        notes.append(Finding("warning", "prices", "", message))
    return known, notes


def _price(text: object, name: str, label: Label) -> float:
    """Price per L or kg, from "96/2.5 gal"."""
    money, _, amount = str(text).partition("/")
    try:
        value = float(money)
    except ValueError:
        value = float("nan")
    if not value >= 0 or not np.isfinite(value):
        raise InputError(f"{text!r} is no price", field=f"prices {name}", mend='write "96/2.5 gal"')
    tidy = amount if amount[:1].isdigit() else f"1 {amount}"
    return value / to_si(tidy, "amount", form=label.form, field=f"prices {name}")


def rules_of(
    asked: Asked,
    rig: Rig,
    planned: Mapping[str, Plan],
    *,
    prefer: tuple[str, ...],
    products: Mapping[str, str] | None,
    price: Mapping[str, float] | None,
) -> Rules:
    """What to plan by: what was asked for, else what the local rules say, else what is usual."""
    use = asked.use
    said = {name: getattr(asked, name) for name in ("worth", "max_products", "min_width", "min_area")}
    said = {
        **({} if asked.policy is None else asked.policy.plan),
        **{name: value for name, value in said.items() if value is not None},
    }
    return Rules(
        products=products,
        worth=Worth(
            _worth_m2(said.get("worth", _WORTH[use]), asked, rig, planned, price),
            most_products(said.get("max_products")),
            obeyed=products is not None,
            two_passes=asked.passes == 2,
        ),
        prefer=prefer,
        avoid_caution=flag(asked.avoid_caution, "avoid_caution"),
        least=Least(
            to_si(said.get("min_width", _width(rig, use)), "length", allow_zero=True, field="min_width"),
            to_si(said.get("min_area", _AREA), "area", allow_zero=True, field="min_area"),
            by_wand=use != "spot",
        ),
        price=price,
        passes=passes_of(asked.passes, products),
    )


def _worth_m2(
    worth: object, asked: Asked, rig: Rig, planned: Mapping[str, Plan], price: Mapping[str, float] | None
) -> float:
    """Ground that another mix must add [m2]: as stated, or what one costs by the price list.

    Of what stays in the rig the dearest product counts, so that the figure is the same for every set.
    """
    if worth != "prices":
        return to_si(worth, "area", allow_zero=True, field="worth")
    if not isinstance(asked.prices, Prices):
        mend = 'give prices=read_prices("prices.toml")'
        raise InputError('worth="prices" asks for a price list', field="worth", mend=mend)
    left, known = at_start(rig), price or {}
    lacking = [name for name in planned if left > 0.0 and name not in known]
    if lacking:
        example = 'containers = [{ size = "2.5 gal", price = 96 }]'
        raise no_price(asked.prices, f"for {lacking[0]!r}", f'[product."{lacking[0]}"]', example)
    # A tank holds the product at its strength, a hopper nothing else.
    share = {name: plan.dose_high / plan.volume if plan.volume else 1.0 for name, plan in planned.items()}
    dearest = max((known.get(name, 0.0) * share[name] for name in planned), default=0.0)
    return asked.prices.mix_m2(asked.use, left * dearest)


_WORTH = {"spot": "200 ft2", "broadcast": "1000 ft2", "granular": "1000 ft2"}
"""Ground that makes another mix worth it: common practice, no source."""
_WIDTH = {"spot": "1 ft", "broadcast": "3 ft", "granular": "4 ft"}
_AREA = "10 ft2"
"""Least width and area of a piece that is worked as one: common practice, no source."""


def _width(rig: Rig, use: str) -> str:
    """Least width of a piece, by what the rig covers."""
    own, share = (rig.pattern_m, 1.0) if use == "spot" else (rig.swath_m, 0.5)
    return _WIDTH[use] if own is None else f"{share * own} m"


def check_wind(wind_from: float | None, wind_spread: float | None) -> None:
    """Refuse bearings and spreads that are none."""
    for name, value, most in (("wind_from", wind_from, 360.0), ("wind_spread", wind_spread, 180.0)):
        if value is None:
            continue
        number = isinstance(value, Real) and not isinstance(value, bool)
        if not number or not 0.0 <= value <= most or (name == "wind_spread" and value == 0):
            raise InputError(f"{name} is {value!r}", field=name, mend=f"write degrees up to {most:g}")


def unknown_names(
    survey: Survey, usable: Iterable[Label], labels: Mapping[str, Label], *, kinds: bool = False
) -> list[Finding]:
    """Weeds, turf, keep-out kinds and past products that no label names, with the nearest name that one does.

    Parameters
    ----------
    survey : Survey
    usable : iterable of Label
        Whose weeds, turf and kinds count.
    labels : mapping of product to Label
        All that are at hand, for the products of the history.
    kinds : bool
        Whether kinds are looked at; a run says of them what distance they get.

    Returns
    -------
    list of Finding
    """
    named = list(usable)
    known = {
        "weed": {weed for label in named for weed in label.weeds},
        "turf": {turf for label in named for turf in (*label.tolerant, *label.caution)},
        "kind": {
            kind
            for label in named
            for table in (label.buffers_m, label.downwind_m, *label.use_buffers_m.values())
            for kind in table
        },
        "product": set(labels),
    }
    asked = [("infestations", "weed", survey.infestations), ("turf", "turf", survey.turf)]
    asked += [("keep_out", "kind", survey.keep_out)] if kinds else []
    asked += [] if survey.history is None else [("history", "product", survey.history)]
    noticed = []
    for layer, column, table in asked:
        said = {
            "kind": "no label at hand names this kind: its default, or the widest buffer, is kept",
            "product": "no label at hand is of this product: the ground where it went is not sprayed within a year",
        }.get(column, f"no label at hand names this {column}: not sprayed")
        for name in sorted({str(value) for value in table[column].unique()} - known[column]):
            close = nearest(name, known[column])
            hint = f"; did you mean {close!r}?" if close else ""
            noticed.append(Finding("warning", layer, name, f"{said}{hint}"))
    return noticed
