"""What the law commonly asks an applicator to write down, as data with citations; and what a record lacks.

The lists follow the rules in neutral wording and were read in part, not in full; rules change, and they
differ by place, product and licence. They remind; they do not decide.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import geopandas as gpd
import pandas as pd

CAUTION = (
    "This record names elements that rules commonly ask for. It is no legal advice: the product label, the "
    "rules of the place and the licence decide what must be written down, how soon, and how long it is kept "
    "(often two years, in some places seven). Products for restricted use are for certified applicators only."
)


@dataclass(frozen=True)
class Rule:
    """One rule and the elements that it asks for.

    Attributes
    ----------
    citation : str
        Where the rule stands, and whom it binds.
    elements : tuple of str
        Names in `ELEMENTS`.
    keep_years : int or None
        How long records are kept, at least.
    verified : bool
        False: from memory, never held against the text.
    """

    citation: str
    elements: tuple[str, ...]
    keep_years: int | None
    verified: bool = True


# Element -> what it is. The name is the column of the record, and the argument that fills it if there is one.
ELEMENTS: Mapping[str, str] = MappingProxyType({
    "product": "product name",
    "registration": "registration number of the product (from its label file)",
    "active": "common name of the active ingredient (from the label file)",
    "amount": "total amount of product",
    "dose": "rate",
    "mix": "concentration, or mixing rate",
    "solution": "total amount of mix",
    "address": "address of the property",
    "area_ft2": "size of the area",
    "turf": "turf or site treated",
    "weeds": "target weed",
    "date": "day, month and year",
    "start": "time of day",
    "applicator": "who applied",
    "licence": "licence or certificate number of the applicator, or of the supervisor",
    "supervisor": "who supervised an applicator without a licence",
    "supervisor_licence": "licence or certificate number of the supervisor",
    "customer": "customer, owner or tenant",
    "billing_address": "address of the customer (the property's own serves if it is the same)",
    "equipment": "type of equipment",
    "wind": "wind speed",
    "wind_from": "direction that the wind came from",
    "temperature": "air temperature",
    "signs_posted": "signs posted at the access points, when",
})  # fmt: skip

RULES: tuple[Rule, ...] = (
    Rule(
        "7 CFR 110.3 (US, restricted-use products, certified applicators)",
        ("product", "registration", "amount", "area_ft2", "turf", "date", "applicator", "licence"),
        2,
    ),
    Rule(
        "40 CFR 171.303(b)(7)(vi) (US, restricted-use products, commercial applicators)",
        (
            "customer", "billing_address", "address", "area_ft2", "turf", "date", "start", "product",
            "registration", "amount", "applicator", "licence", "supervisor", "supervisor_licence",
        ),
        2,
    ),
    Rule(
        "COMAR 15.05.01.12 (Maryland, all products)",
        (
            "applicator", "date", "turf", "weeds", "area_ft2", "address", "customer", "active",
            "registration", "dose", "mix", "amount", "equipment", "start", "wind_from", "wind",
        ),
        2,
    ),
    Rule(
        "4 TAC 7.143 (Texas, structural pest control)",
        (
            "customer", "billing_address", "address", "product", "registration", "amount", "mix", "solution",
            "weeds", "date", "applicator", "licence", "supervisor", "supervisor_licence",
        ),
        2,
    ),
    Rule(
        "WAC 16-228 (Washington; from memory, not verified)",
        ("wind", "wind_from", "temperature"),
        7,
        verified=False,
    ),
    Rule("357 IAC 1-5 (Indiana, lawns: posting of signs)", ("signs_posted",), None),
    Rule("ECL 33-1003 (New York, lawns: posting of signs)", ("signs_posted",), None),
)  # fmt: skip

# Columns that serve for an element besides its own: one address given is the customer's and the site's.
_SERVED_BY = {"licence": ("licence", "supervisor_licence"), "billing_address": ("billing_address", "address")}
_NO_ANSWER = frozenset({"", "-", "?", "n/a", "na", "nan", "tbd", "unknown", "not known"})


def missing_elements(rows: gpd.GeoDataFrame) -> Mapping[str, tuple[str, ...]]:
    """Elements that rules ask for and that some row of a record lacks.

    Parameters
    ----------
    rows : geopandas.GeoDataFrame
        Rows of one record, as stored.

    Returns
    -------
    Mapping[str, tuple[str, ...]]
        Element to the citations of the rules that ask for it, in the order of `ELEMENTS`.
    """
    if rows.empty:
        return MappingProxyType({})
    return MappingProxyType(
        {
            name: tuple(rule.citation for rule in RULES if name in rule.elements)
            for name in ELEMENTS
            if any(_lacks(row, name) for _, row in rows.iterrows())
        }
    )


def _lacks(row: pd.Series[str], name: str) -> bool:
    if name in {"mix", "solution"} and row["form"] == "granule":
        return False
    # A supervisor is asked for only where someone without a licence applied.
    if name == "supervisor" and _given(row, "licence"):
        return False
    if name == "supervisor_licence" and not _given(row, "supervisor"):
        return False
    return not any(_given(row, column) for column in _SERVED_BY.get(name, (name,)))


def _given(row: pd.Series[str], column: str) -> bool:
    value = row[column]
    return not pd.isna(value) and str(value).strip().casefold() not in _NO_ANSWER
