"""Amounts of a sized job in the words of the person who measures them, for summary and mix sheet.

Product and adjuvant are rounded down to what can be measured, water up: a rounded mix is never stronger than
the label's.
"""

from __future__ import annotations

import datetime as dt
import math
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import pandas as pd

from weedzone.dosing import Rig
from weedzone.label import Label
from weedzone.pour import pour_step_L, weigh_step_kg
from weedzone.rig import Sprayer, Spreader
from weedzone.units import FLOZ_PER_L, FT2_PER_M2, GAL_PER_L, LB_PER_KG, OZ_PER_KG, pour, weigh

_JOINERS = "\u200c\u200d"
_PER_SI = {"fl oz": FLOZ_PER_L, "oz": OZ_PER_KG, "lb": LB_PER_KG}


def product_text(amount: float, unit: str, rig: Rig, system: str = "us") -> str:
    """Print an amount of product as poured or weighed, rounded down to the step of the rig's measure.

    Where that would leave out more than a twentieth, it is printed in mL or g, finer than the measure.

    Parameters
    ----------
    amount : float
    unit : {"fl oz", "oz", "lb"}
        Of a job's ``product_unit``.
    """
    si = amount / _PER_SI[unit]
    if unit == "fl oz":
        return _down(si, pour, pour_step_L, _step(unit, rig), system)
    return _down(si, weigh, weigh_step_kg, _step(unit, rig), system)


def _step(unit: str, rig: Rig) -> float | None:
    """Step of the rig's measure, where it measures this sort of amount."""
    return rig.measure if rig.measure_kind == ("volume" if unit == "fl oz" else "mass") else None


def _down(
    si: float, text: Callable[..., str], own: Callable[[float, str], float], step: float | None, system: str
) -> str:
    if system == "us" and not _coarse(si, step or own(si, system)):
        return text(si, system, step, round_down=True)
    return text(si, "metric", round_down=True)


def _coarse(si: float, step: float) -> bool:
    """Whether rounding down to steps leaves out more than a twentieth."""
    return math.floor(si / step + 1e-9) * step < 0.95 * si


def too_fine(amount: float, unit: str, rig: Rig) -> bool:
    """Whether an amount is too small for the steps of the rig's measure."""
    step = _step(unit, rig)
    return step is not None and _coarse(amount / _PER_SI[unit], step)


def water_text(litres: float, system: str = "us") -> str:
    """Print water to add, rounded up to the step of a jug."""
    if litres <= 0:
        return pour(0.0, system)
    step = pour_step_L(litres, system)
    return pour(math.ceil(litres / step - 1e-9) * step, system)


def added_texts(label: Label, rig: Rig, solution_L: float, system: str = "us") -> list[tuple[str, str]]:
    """Name and amount of each adjuvant of the label and extra of the rig for a volume of solution, rounded down."""
    extras = rig.extras if isinstance(rig, Sprayer) else ()
    added = [(one.name, one.rate) for one in label.adjuvants] + [(one.name, one.rate) for one in extras]
    return [(name, _down(rate * solution_L, pour, pour_step_L, None, system)) for name, rate in added]


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


def short(number: float) -> str:
    """Print three figures, without an exponent, and every figure before the decimal point."""
    if number == 0 or not math.isfinite(number):
        return "0" if number == 0 else "?"
    decimals = max(0, 2 - math.floor(math.log10(abs(number))))
    text = f"{number:,.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def ground_text(area_m2: float, area_ft2: float) -> str:
    """Print an area in square feet and square metres."""
    return f"{area(area_ft2)} ft² ({area(area_m2)} m²)"


def ground_pair(area_m2: float, system: str) -> tuple[str, str]:
    """An area in the units that come first, and in the others."""
    us, metric = f"{area(area_m2 * FT2_PER_M2)} ft²", f"{area(area_m2)} m²"
    return (us, metric) if system == "us" else (metric, us)


def area(number: float) -> str:
    """Print an area: whole from 10 on, else two figures."""
    return f"{number:,.0f}" if number >= 10 else short(float(f"{number:.2g}"))


def day_text(day: dt.date) -> str:
    """Print a date in words: 5 May 2026."""
    return f"{day.day} {day:%B %Y}"


def plain_line(text: object, longest: int = 400) -> str:
    """Make a user's text one line of at most `longest` letters that steers neither a terminal nor a page.

    Control characters and marks that turn the direction of text are dropped; the joiners that scripts and
    emoji need stay.
    """
    kept = "".join(
        one if unicodedata.category(one)[0] != "C" or one in _JOINERS else " " if one.isspace() else ""
        for one in str(text)
    )
    line = " ".join(kept.split())
    return line if len(line) <= longest else f"{line[: longest - 1]}…"
