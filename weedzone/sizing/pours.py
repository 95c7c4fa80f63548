"""Amounts of a sized job in the words of the person who measures them, for summary and mix sheet.

Product and adjuvant are rounded down to what can be measured, water up: a rounded mix is never stronger than
the label's.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
import pandas as pd

from weedzone.base.units import FORM_OF_UNIT, GAL_PER_L, LB_PER_KG, PRODUCT_UNIT, UNIT_PER_SI
from weedzone.base.words import (
    fine_steps,
    pour,
    pour_step_L,
    short,
    weigh,
    weigh_step_kg,
)
from weedzone.kit import Label, Sprayer, Spreader
from weedzone.sizing.loads import carried, made_up, split_loads
from weedzone.zones import Rig

_FAINT, _SLIGHT = 1e-3, 1e-2  # [L or kg]
_FEWEST_STEPS, _SHARE = 20, 0.05  # of an amount, and the share of it that one of them is
_NEARLY = 1e-9  # part of a step that is rounding noise of the floats
_COLUMN_LEAST = {"us": 0.01, "metric": 0.1}


@dataclass(frozen=True)
class Pour:
    """One amount to measure, rounded down to what can be measured.

    Attributes
    ----------
    si : float
        As measured [L or kg].
    unit : {"fl oz", "oz", "lb"}
    fine : bool
        Whether it is measured in mL or g: the measure at hand, or the steps of US units, are too coarse.
    step : float
        Steps in which it is measured otherwise [L or kg].
    asked : float
        As planned, before any rounding [L or kg].
    """

    si: float
    unit: str
    fine: bool
    step: float
    asked: float

    @property
    def faint(self) -> bool:
        """Whether it is too little to measure well: below 1 mL or 1 g (common practice, no source)."""
        return self.si < _FAINT

    @property
    def slight(self) -> bool:
        """Whether it wants a syringe or a fine scale: below 10 mL or 10 g (common practice, no source)."""
        return self.si < _SLIGHT

    def texts(self, system: str = "us") -> tuple[str, str]:
        """Print what the crew measures, and the same amount in the other units; empty if it is in mL or g alone."""
        text = pour if self.unit == "fl oz" else weigh
        if not self.fine and _tidy_in_metric(self.step, self.unit):  # a cup in mL is read in mL
            return text(self.si, "metric", self.step, round_down=True), ""
        down = _common_step(self.si, self.unit, "metric")
        least = down / 1000.0
        least_si = self.asked * (1.0 - _SHARE)
        while math.floor(self.si / down + 1e-9) * down < least_si and down > least:
            down /= 10.0  # rounded down for a second time: in finer steps where the two leave out too much
        metric = text(self.si, "metric", down, round_down=True)
        if self.fine:
            return metric, ""
        us = text(self.si, "us", self.step, round_down=True)
        return (us, metric) if system == "us" else (metric, us)

    def text(self, system: str = "us") -> str:
        """Both in one: "28 fl oz (828 mL)"."""
        first, other = self.texts(system)
        return f"{first} ({other})" if other else first


def pour_of(si: float, unit: str, rig: Rig) -> Pour:
    """Round an amount down to the step of the rig's measure, or to common steps where it names none.

    The planned dose is the highest that label, limits and past applications allow: the next step up would pass it.
    Less than twenty steps of a measure are too few for it, and common steps that leave out more than a twentieth too
    coarse: such an amount is measured in mL or g.

    Parameters
    ----------
    si : float
        [L or kg]
    unit : {"fl oz", "oz", "lb"}
        Of a job's ``product_unit``.
    """
    own = rig.step(FORM_OF_UNIT[unit])
    return _rounded(si, unit, own)


def _rounded(si: float, unit: str, own: float | None) -> Pour:
    step = _common_step(si, unit, "us") if own is None else own
    measured = _down(si, step)
    coarse = measured < (1.0 - _SHARE) * si if own is None else si < _FEWEST_STEPS * step * (1.0 - _NEARLY)
    if coarse:
        measured = _down(si, float(fine_steps(np.array([si]))[0]))
    # Below what US units are used for, the common step is already that of mL or g.
    return Pour(
        measured, unit, coarse or (own is None and step == _common_step(si, unit, "metric")), step, si
    )


def _down(si: float, step: float) -> float:
    return min(math.floor(si / step + _NEARLY) * step, si)


def _common_step(si: float, unit: str, system: str) -> float:
    return pour_step_L(si, system) if unit == "fl oz" else weigh_step_kg(si, system)


def _tidy_in_metric(step: float, unit: str) -> bool:
    """Whether a step is a round part of a mL or g, and none of an ounce or pound."""
    us, metric = Fraction(step * UNIT_PER_SI[unit]), Fraction(step * 1000)
    return abs(metric.limit_denominator(10) / metric - 1) < 1e-9 < abs(us.limit_denominator(100) / us - 1)


def amount_text(si: float, unit: str, system: str = "us", *, fine: bool = False) -> str:
    """Print an amount that is not measured by itself, to three figures: "28 fl oz (828 mL)", or "3.8 mL" if fine."""
    us = f"{short(si * UNIT_PER_SI[unit])} {unit}"
    small, large = ("mL", "L") if unit == "fl oz" else ("g", "kg")
    metric = f"{short(si)} {large}" if si >= 1 else f"{short(1000 * si)} {small}"
    if fine:
        return metric
    return f"{us} ({metric})" if system == "us" else f"{metric} ({us})"


def plain_amount(amount: float, unit: str, system: str = "us") -> str:
    """Print an amount in one unit for a column: fl oz, oz and lb, or mL, g and kg.

    Less than 0.1 mL or 0.01 oz is no amount that anybody measures, and only said to be below.
    """
    least = _COLUMN_LEAST[system]
    si = amount / UNIT_PER_SI[unit]
    if system == "us":
        return f"{short(amount)} {unit}" if amount >= least else f"under {least:g} {unit}"
    if unit != "lb" and 1000 * si < least:
        return f"under {least:g} {'mL' if unit == 'fl oz' else 'g'}"
    return f"{short(si)} kg" if unit == "lb" else f"{short(1000 * si)} {'mL' if unit == 'fl oz' else 'g'}"


def water_texts(litres: float, system: str = "us") -> tuple[str, str]:
    """Print water to add, rounded up to the step of a jug, and the same amount in the other units."""
    if litres <= 0:
        return pour(0.0, system), ""
    step = pour_step_L(litres, system)
    rounded = math.ceil(litres / step - 1e-9) * step
    return pour(rounded, system), pour(rounded, "metric" if system == "us" else "us")


def added(label: Label, rig: Rig, solution_L: float) -> list[tuple[str, Pour]]:
    """Name and amount of each adjuvant of the label and extra of the rig for a volume of solution, rounded down."""
    extras = rig.extras if isinstance(rig, Sprayer) else ()
    each = [(one.name, one.rate) for one in label.adjuvants] + [(one.name, one.rate) for one in extras]
    return [(name, _rounded(rate * solution_L, "fl oz", None)) for name, rate in each]


def added_L(label: Label, rig: Rig, solutions_L: Iterable[float]) -> dict[str, float]:
    """Each adjuvant of the label and extra of the rig over loads of so much solution, as measured for each [L]."""
    total: dict[str, float] = {}
    for solution_L in solutions_L:
        for name, measured in added(label, rig, solution_L):
            total[name] = total.get(name, 0.0) + measured.si
    return total


@dataclass(frozen=True)
class Mixed:
    """What is made up for one mix on one site, over all its loads.

    Attributes
    ----------
    loads : int
    solution_L : float
        0 for granules.
    product : float
        As measured [L or kg].
    added_L : mapping of str to float
        Adjuvants of the label and extras of the rig, as measured.
    """

    loads: int
    solution_L: float
    product: float
    added_L: Mapping[str, float]


def mixed(
    label: Label, rig: Rig, solution_L: float, product: float, *, even: bool = False, alone: bool = False
) -> Mixed:
    """What is made up to put solution and product on the ground; see `made_up` and `split_loads`.

    Parameters
    ----------
    label : Label
    rig : Sprayer or Spreader
    solution_L, product : float
        On the ground; product in L or kg.
    even, alone : bool
        As `split_loads` and `made_up` take them.

    Returns
    -------
    Mixed
    """
    fill, capacity = carried(np.array([solution_L]), np.array([product]), rig)
    priming = rig.priming_L if isinstance(rig, Sprayer) else 0.0
    _, number, share = split_loads(fill, capacity, even=even, priming=priming)
    filled = made_up(fill * share, number == 1, rig, alone=alone)
    unit = PRODUCT_UNIT[label.form][0]
    measured = sum(pour_of(float(si), unit, rig).si for si in filled / fill * product)
    litres = [float(one) for one in filled] if isinstance(rig, Sprayer) else []
    return Mixed(len(number), sum(litres), measured, added_L(label, rig, litres))


def solution_text(litres: float, system: str = "us") -> str:
    """Print a volume of solution in both units."""
    texts = f"{short(litres * GAL_PER_L)} gal", f"{short(litres)} L"
    return f"{texts[0]} ({texts[1]})" if system == "us" else f"{texts[1]} ({texts[0]})"


def size_text(load: Mapping[Any, Any], rig: Rig) -> str:
    """Size of a row of `loads` or `totals`: gallons of solution, pounds of granules."""
    if isinstance(rig, Spreader):
        return f"{short(load['product_amount'])} lb"
    return f"{short(load['solution_gal'])} gal"


def capacity_text(rig: Rig) -> str:
    """Size of one full load."""
    if isinstance(rig, Spreader):
        return f"{short(rig.load_kg * LB_PER_KG)} lb"
    return f"{short(rig.load_L * GAL_PER_L)} gal"


def loads_text(loads: pd.DataFrame, rig: Rig) -> str:
    """Print the loads of one site and product: "2 full loads of 3.9 gal + 1 of 1.3 gal"."""
    groups: list[tuple[str, bool, int]] = []
    for load in loads.to_dict("records"):
        size, full = size_text(load, rig), bool(load["tanks"] > 1 - 1e-9)
        if groups and groups[-1][:2] == (size, full):
            groups[-1] = (size, full, groups[-1][2] + 1)
        else:
            groups.append((size, full, 1))
    return together(groups)


def run_text(tanks: float, rig: Rig) -> str:
    """Print the loads of several sites served in one run, from the sum of their ``tanks``."""
    full = math.floor(tanks + 1e-9)
    rest = max(tanks - full, 0.0)
    groups = [(capacity_text(rig), True, full)] if full else []
    if rest > 1e-9 or not full:
        spread = isinstance(rig, Spreader)
        size = rest * (rig.load_kg * LB_PER_KG if isinstance(rig, Spreader) else rig.load_L * GAL_PER_L)
        groups.append((f"{short(size)} {'lb' if spread else 'gal'}", False, 1))
    return together(groups)


def together(groups: Iterable[tuple[str, bool, int]]) -> str:
    """Join groups of like loads (size, whether full, how many)."""
    texts: list[str] = []
    for size, full, count in groups:
        name = ("full load" if full else "load") + ("s" if count > 1 else "")
        texts.append(f"{count} of {size}" if texts and not full else f"{count} {name} of {size}")
    return " + ".join(texts)
