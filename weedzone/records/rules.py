"""What the law commonly asks an applicator to write down, as data with citations; and what a record lacks.

The lists follow the rules in neutral wording and were read in part, not in full; rules change, and they
differ by place, product and licence. They remind; they do not decide.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import geopandas as gpd
import pandas as pd


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


_DATA = tomllib.loads((Path(__file__).parent / "rules.toml").read_text(encoding="utf-8"))
ELEMENTS: Mapping[str, str] = MappingProxyType(_DATA["elements"])
"""What each element is. Its name is the column of the record, and the argument that fills it if there is one."""
RULES = tuple(
    Rule(rule["citation"], tuple(rule["elements"]), rule.get("keep_years"), rule.get("verified", True))
    for rule in _DATA["rule"]
)

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
