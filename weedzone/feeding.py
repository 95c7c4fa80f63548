"""Feeding of the whole turf: nitrogen, fertilizer, and the year's plan.

Called through `weedzone.turfcare`. Sources: product for a nitrogen rate, University of Nebraska-Lincoln "Lawn
Fertilizer Calculations"; yearly and single figures, University of Illinois lawn fertilizing table (1995).
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from weedzone.calibrated import Measure, day, read_si, usable
from weedzone.errors import Finding, InputError, UnitError
from weedzone.supply import ROUNDING, Supply, whole
from weedzone.units import convert, quantity, to_si

SINGLE_NITROGEN = "1 lb/ksqft"
"""Most nitrogen in one application (University of Illinois, 1995; Nebraska-Lincoln)."""

YEARLY_NITROGEN: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "fine fescue": ("1 lb/ksqft", "3 lb/ksqft"),
        "tall fescue": ("2 lb/ksqft", "4 lb/ksqft"),
        "perennial ryegrass": ("2 lb/ksqft", "4 lb/ksqft"),
        "kentucky bluegrass": ("1 lb/ksqft", "4 lb/ksqft"),
        "buffalograss": ("1 lb/ksqft", "3 lb/ksqft"),
        "creeping bentgrass": ("2 lb/ksqft", "6 lb/ksqft"),
        "bermudagrass": ("2 lb/ksqft", "4 lb/ksqft"),
        "st. augustinegrass": ("2 lb/ksqft", "4 lb/ksqft"),
        "zoysiagrass": ("1 lb/ksqft", "2 lb/ksqft"),
        "centipedegrass": ("1 lb/ksqft", "2 lb/ksqft"),
    }
)
"""Usual nitrogen a year by turf, least and most. Local rules may say less.

Cool-season turf and buffalograss: University of Illinois (1995); other warm-season turf: Virginia Department
of Conservation and Recreation. Illinois gives zoysiagrass 2 to 4; the lower stands.
"""

FEEDING_DAYS: Mapping[int, tuple[tuple[int, int], ...]] = MappingProxyType(
    {
        1: ((9, 5),),
        2: ((5, 5), (9, 5)),
        3: ((5, 5), (9, 5), (10, 31)),
        4: ((5, 5), (6, 15), (9, 5), (10, 31)),
    }
)
"""Month and day of 1 to 4 feedings of cool-season turf.

University of Illinois (1995): early September; early May; late October; mid June with slow release.
"""


@dataclass(frozen=True, kw_only=True)
class Analysis:
    """Guaranteed analysis of a fertilizer as mass fractions: nitrogen N, phosphate P2O5 and potash K2O."""

    nitrogen: float
    phosphate: float = 0.0
    potash: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Feeding(Supply):
    """One feeding: a supply of fertilizer, and the nutrients that it brings (kg/m2)."""

    nitrogen_kg_per_m2: float
    phosphate_kg_per_m2: float
    potash_kg_per_m2: float
    on: dt.date | None = None

    @property
    def nitrogen(self) -> Any:
        """Nitrogen per ground area, a pint quantity."""
        return quantity(self.nitrogen_kg_per_m2, "mass_per_area")


def analysis(text: str) -> Analysis:
    """Read a bag's N-P-K analysis.

    Parameters
    ----------
    text : str
        Three percentages, ``"28-3-6"``; or nitrogen alone, ``"25 %"``.

    Returns
    -------
    Analysis

    Raises
    ------
    UnitError
        No such text, or percentages that pass 100 together.
    """
    number = r"(\d{1,3}(?:\.\d{1,4})?)"
    found = re.fullmatch(
        rf"\s*(?:{number}\s*-\s*{number}\s*-\s*{number}|{number}\s*%)\s*", str(text), re.ASCII
    )
    percents = [float(group or 0) for group in found.groups()] if found else []
    if not percents or sum(percents) > 100.0:
        raise UnitError(
            f"{text!r} is no analysis", field="analysis", mend='give N-P-K in percent, such as "28-3-6"'
        )
    return Analysis(
        nitrogen=(percents[0] + percents[3]) / 100.0,
        phosphate=percents[1] / 100.0,
        potash=percents[2] / 100.0,
    )


def feed(
    *,
    area: Measure,
    nitrogen: Measure,
    analysis: str,
    bag: Measure | None = None,
    hopper: Measure | None = None,
    given: Measure | None = None,
    yearly: Measure | None = None,
    on: dt.date | None = None,
) -> Feeding:
    """Fertilizer for a nitrogen rate over an area, in bags and hopper loads.

    Parameters
    ----------
    area, nitrogen : str or pint.Quantity
        Turf, and nitrogen per area wanted in this feeding.
    analysis : str
        The bag's N-P-K, ``"28-3-6"``.
    bag, hopper : str or pint.Quantity, optional
        Mass in one bag, and in a full hopper.
    given, yearly : str or pint.Quantity, optional
        Nitrogen already given this year, and the most that a year may bring (label, policy or
        `YEARLY_NITROGEN`).
    on : datetime.date, optional
        The day of the feeding.

    Returns
    -------
    Feeding
        With a warning where one feeding passes `SINGLE_NITROGEN`, and where the year's figure is passed.

    Raises
    ------
    UnitError
        Naming the argument that cannot be taken, or an analysis without nitrogen.

    Notes
    -----
    University of Nebraska-Lincoln: product per area = nitrogen per area / nitrogen fraction. Bags are
    rounded up, the product is not.
    """
    grade = _grade(analysis)
    area_m2 = read_si(area, "area", "area")
    nitrogen_kg = read_si(nitrogen, "mass_per_area", "nitrogen")
    rate = usable(nitrogen_kg / grade.nitrogen, "nitrogen")
    given_kg = 0.0 if given is None else to_si(given, "mass_per_area", field="given", allow_zero=True)
    yearly_kg = None if yearly is None else read_si(yearly, "mass_per_area", "yearly")
    return Feeding(
        area_m2=area_m2,
        rate_kg_per_m2=rate,
        total_kg=usable(rate * area_m2, "area"),
        bag_kg=None if bag is None else read_si(bag, "mass", "bag"),
        hopper_kg=None if hopper is None else read_si(hopper, "mass", "hopper"),
        findings=_nitrogen_findings(nitrogen_kg, given_kg, yearly_kg),
        nitrogen_kg_per_m2=nitrogen_kg,
        phosphate_kg_per_m2=rate * grade.phosphate,
        potash_kg_per_m2=rate * grade.potash,
        on=None if on is None else day(on, "on"),
    )


def nitrogen_rate(*, product: Measure, analysis: str) -> Any:
    """Nitrogen per area that a product rate brings; `feed` turned round.

    Parameters
    ----------
    product : str or pint.Quantity
        Product per area.
    analysis : str
        The bag's N-P-K.

    Returns
    -------
    pint.Quantity
        Mass per area.
    """
    return quantity(read_si(product, "mass_per_area", "product") * _grade(analysis).nitrogen, "mass_per_area")


def feeding_plan(
    *,
    area: Measure,
    yearly: Measure,
    analysis: str,
    year: int | None = None,
    dates: Iterable[dt.date] | None = None,
    single: Measure = SINGLE_NITROGEN,
    bag: Measure | None = None,
    hopper: Measure | None = None,
) -> tuple[Feeding, ...]:
    """Nitrogen of a year in equal feedings, none above a single figure.

    Parameters
    ----------
    area, yearly : str or pint.Quantity
        Turf, and nitrogen per area for the year.
    analysis : str
        The bag's N-P-K.
    year : int, optional
        Takes the days of `FEEDING_DAYS`, which are for cool-season turf.
    dates : sequence of datetime.date, optional
        Instead of `year`, the days to feed on; for warm-season turf, from green-up to late summer.
    single : str or pint.Quantity, optional
        Most nitrogen in one feeding.
    bag, hopper : str or pint.Quantity, optional
        Mass in one bag, and in a full hopper.

    Returns
    -------
    tuple of Feeding
        In order of date; their nitrogen sums to `yearly`.

    Raises
    ------
    InputError
        Neither or both of `year` and `dates`, too few dates for the single figure, or more feedings than
        `FEEDING_DAYS` knows.
    UnitError
        Naming the argument that cannot be taken.
    """
    if (year is None) == (dates is None):
        raise InputError("feedings need days", field="year", mend="give either year or dates")
    yearly_kg = read_si(yearly, "mass_per_area", "yearly")
    count = whole(yearly_kg / read_si(single, "mass_per_area", "single"))
    days = (
        sorted(day(one, "dates") for one in dates)
        if dates is not None
        else _cool_season_days(year or 0, count)
    )
    if len(days) < count:
        raise InputError(
            f"{len(days)} feedings would each pass the single figure",
            field="dates",
            mend=f"give {count} dates or more, or less nitrogen",
        )
    portion = quantity(yearly_kg / len(days), "mass_per_area")
    return tuple(
        feed(area=area, nitrogen=portion, analysis=analysis, bag=bag, hopper=hopper, on=one) for one in days
    )


def _nitrogen_findings(nitrogen: float, given: float, yearly: float | None) -> tuple[Finding, ...]:
    """Warn where one feeding or the year would pass its figure (kg/m2)."""
    found = []
    single = to_si(SINGLE_NITROGEN, "mass_per_area")
    if nitrogen > single * (1.0 + ROUNDING):
        message = (
            f"{_per_ksqft(nitrogen)} of nitrogen in one feeding passes the usual {SINGLE_NITROGEN};"
            " split it, or use slow release as its label says"
        )
        found.append(Finding("warning", "turfcare", "nitrogen", message))
    if yearly is not None and given + nitrogen > yearly * (1.0 + ROUNDING):
        message = (
            f"{_per_ksqft(given + nitrogen)} of nitrogen would pass the year's"
            f" {_per_ksqft(yearly)}; {_per_ksqft(max(yearly - given, 0.0))} is left"
        )
        found.append(Finding("warning", "turfcare", "nitrogen", message))
    return tuple(found)


def _cool_season_days(year: int, count: int) -> list[dt.date]:
    if count not in FEEDING_DAYS:
        raise InputError(
            f"{count} feedings are more than the usual {max(FEEDING_DAYS)} of cool-season turf",
            field="yearly",
            mend="give dates of your own, or less nitrogen",
        )
    try:
        return [dt.date(year, month, day) for month, day in FEEDING_DAYS[count]]
    except (TypeError, ValueError) as error:
        raise InputError(f"{year!r} is no year", field="year", mend="give a year such as 2025") from error


def _grade(text: str) -> Analysis:
    grade = analysis(text)
    if grade.nitrogen <= 0.0:
        raise UnitError(
            f"{text!r} holds no nitrogen", field="analysis", mend="choose a fertilizer with nitrogen"
        )
    return grade


def _per_ksqft(kg_per_m2: float) -> str:
    return f"{convert(kg_per_m2, 'mass_per_area', 'lb/ksqft'):.4g} lb/ksqft"
