"""Ground left alone, in few lines: by outcome and kind of feature, the largest first."""

from __future__ import annotations

import re
from dataclasses import dataclass

import pandas as pd

from weedzone.measured import LEAST_FT2
from weedzone.units import FT2_PER_M2

_NEXT = re.compile(r" and (?=within \S+ \S+ of: |inside: )")
_WITHIN = re.compile(r"within (\S+) (\S+) of: (.+) \(.*; .*\)", re.DOTALL)


@dataclass(frozen=True)
class Left:
    """Ground left alone for one reason: `others` is the part that other features hold too [m2]."""

    outcome: str
    reason: str
    area_m2: float
    others_m2: float = 0.0


@dataclass(frozen=True)
class LeftAlone:
    """Ground left alone; `faint` counts the reasons that make less than 1 ft2 each, of `faint_m2` together."""

    rows: tuple[Left, ...]
    faint: int
    faint_m2: float


def left_by_kind(rest: pd.DataFrame) -> LeftAlone:
    """Group rows of a ledger by outcome and by the feature that holds them deepest.

    Parameters
    ----------
    rest : DataFrame
        Rows of a job's ``ledger`` that are not treated.
    """
    found: dict[tuple[str, str], list[tuple[float, float, tuple[str, str] | None]]] = {}
    for row in rest[["outcome", "reason", "area_m2"]].to_dict("records"):
        first, *others = _NEXT.split(str(row["reason"]))
        within = _WITHIN.fullmatch(first)
        kind, far = (within[3], (within[1], within[2])) if within else (first.removeprefix("inside: "), None)
        held = float(row["area_m2"]) if others else 0.0
        found.setdefault((str(row["outcome"]), kind), []).append((float(row["area_m2"]), held, far))
    lines = [
        Left(outcome, kind + _distances([far for _, _, far in mine if far]), _sum(mine, 0), _sum(mine, 1))
        for (outcome, kind), mine in found.items()
    ]
    lines.sort(key=lambda one: -one.area_m2)
    least = LEAST_FT2 / FT2_PER_M2
    faint = [one.area_m2 for one in lines if one.area_m2 < least]
    return LeftAlone(tuple(one for one in lines if one.area_m2 >= least), len(faint), sum(faint))


def _sum(rows: list[tuple[float, float, tuple[str, str] | None]], column: int) -> float:
    return sum((row[0], row[1])[column] for row in rows)


def _distances(far: list[tuple[str, str]]) -> str:
    """How far a kind is kept from: ", within 25 ft", or where products differ ", within 4 to 25 ft"."""
    if not far:
        return ""
    units = {unit for _, unit in far}
    if len(units) > 1:
        return ", within " + " or ".join(dict.fromkeys(f"{number} {unit}" for number, unit in far))
    numbers = sorted({number for number, _ in far}, key=lambda one: float(one.replace(",", "")))
    span = numbers[0] if len(numbers) == 1 else f"{numbers[0]} to {numbers[-1]}"
    return f", within {span} {far[0][1]}"
