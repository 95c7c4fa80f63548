"""Dry goods for an area, seed or fertilizer: total, bags to buy and hopper loads; and the feeding of a year.

Called through `weedzone.turfcare`. Sources: product for a nitrogen rate, University of Nebraska-Lincoln "Lawn
Fertilizer Calculations"; yearly and single figures, University of Illinois lawn fertilizing table (1995).
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from weedzone.base.errors import Finding, InputError, UnitError
from weedzone.base.units import convert, quantity, to_si
from weedzone.base.words import read_date
from weedzone.kit import SINGLE_NITROGEN, Analysis, analysis
from weedzone.kit.calibration import Measure, read_si, usable

ROUNDING = 1e-9
"""Share by which floats of the same figure may differ."""


@dataclass(frozen=True, kw_only=True)
class Supply:
    """Dry goods for an area: how much, how many bags and hopper loads.

    Attributes
    ----------
    area_m2, rate_kg_per_m2, total_kg : float
        Ground, goods per ground area, goods in all.
    bag_kg, hopper_kg : float, optional
        Contents of one bag, and of a full hopper.
    findings : tuple of Finding
        What was noticed.
    """

    area_m2: float
    rate_kg_per_m2: float
    total_kg: float
    bag_kg: float | None = None
    hopper_kg: float | None = None
    findings: tuple[Finding, ...] = ()

    @property
    def area(self) -> Any:
        """Ground, a pint area."""
        return quantity(self.area_m2, "area")

    @property
    def rate(self) -> Any:
        """Goods per ground area, a pint quantity."""
        return quantity(self.rate_kg_per_m2, "mass_per_area")

    @property
    def total(self) -> Any:
        """Goods in all, a pint mass."""
        return quantity(self.total_kg, "mass")

    @property
    def bags(self) -> int | None:
        """Whole bags to buy, rounded up; None where the bag is not known."""
        return None if self.bag_kg is None else whole(self.total_kg / self.bag_kg)

    @property
    def left_over_kg(self) -> float | None:
        """What stays over of the bags bought, kg."""
        if self.bag_kg is None or self.bags is None:
            return None
        return max(self.bags * self.bag_kg - self.total_kg, 0.0)

    @property
    def hopper_loads(self) -> int | None:
        """Number of hopper fillings; None where the hopper is not known."""
        return None if self.hopper_kg is None else whole(self.total_kg / self.hopper_kg)

    @property
    def loads_kg(self) -> tuple[float, ...]:
        """Hopper fillings, kg: full ones, and a last partial one; empty where the hopper is not known."""
        if self.hopper_kg is None or self.hopper_loads is None:
            return ()
        full = self.hopper_loads - 1
        return (self.hopper_kg,) * full + (min(self.total_kg - full * self.hopper_kg, self.hopper_kg),)


def overseed(
    *, area: Measure, rate: Measure, bag: Measure | None = None, hopper: Measure | None = None
) -> Supply:
    """Seed for thin turf: rate times area, in bags and hopper loads.

    Parameters
    ----------
    area, rate : str or pint.Quantity
        Ground to overseed, and seed per area. The seed label's overseeding rate counts; common ones are
        half of a new seeding's 6 to 8 lb/ksqft of tall fescue or 2 to 3 lb/ksqft of Kentucky bluegrass
        (Nebraska Extension, 2021).
    bag, hopper : str or pint.Quantity, optional
        Mass in one bag, and in a full hopper.

    Returns
    -------
    Supply
        With a note to mind the wait between spraying and seeding.

    Raises
    ------
    UnitError
        Naming the argument that cannot be taken.
    """
    wait = "herbicide labels ask for weeks between spraying and seeding; read the label of what was sprayed"
    return Supply(
        **_supply(area, read_si(rate, "mass_per_area", "rate"), bag, hopper),
        findings=(Finding("note", "turfcare", "overseeding", wait),),
    )


def _supply(
    area: Measure, rate_kg_per_m2: float, bag: Measure | None, hopper: Measure | None
) -> dict[str, Any]:
    """Figures of a supply at a rate."""
    area_m2 = read_si(area, "area", "area")
    return {
        "area_m2": area_m2,
        "rate_kg_per_m2": rate_kg_per_m2,
        "total_kg": usable(rate_kg_per_m2 * area_m2, "area"),
        "bag_kg": None if bag is None else read_si(bag, "mass", "bag"),
        "hopper_kg": None if hopper is None else read_si(hopper, "mass", "hopper"),
    }


def whole(count: float) -> int:
    """Round up, but not for the rounding error of a whole number."""
    return max(math.ceil(count * (1.0 - ROUNDING)), 1)


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
    nitrogen_kg = read_si(nitrogen, "mass_per_area", "nitrogen")
    rate = usable(nitrogen_kg / grade.nitrogen, "nitrogen")
    given_kg = 0.0 if given is None else to_si(given, "mass_per_area", field="given", allow_zero=True)
    yearly_kg = None if yearly is None else read_si(yearly, "mass_per_area", "yearly")
    return Feeding(
        **_supply(area, rate, bag, hopper),
        findings=_nitrogen_findings(nitrogen_kg, given_kg, yearly_kg),
        nitrogen_kg_per_m2=nitrogen_kg,
        phosphate_kg_per_m2=rate * grade.phosphate,
        potash_kg_per_m2=rate * grade.potash,
        on=None if on is None else read_date(on, "on"),
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
    if dates is not None:
        days = sorted(read_date(one, "dates") for one in dates)
    else:
        days = _cool_season_days(year or 0, count)
    if len(days) < count:
        what = f"{len(days)} feedings would each pass the single figure"
        raise InputError(what, field="dates", mend=f"give {count} dates or more, or less nitrogen")
    portion = quantity(yearly_kg / len(days), "mass_per_area")
    return tuple(
        feed(area=area, nitrogen=portion, analysis=analysis, bag=bag, hopper=hopper, on=one) for one in days
    )


def _nitrogen_findings(nitrogen: float, given: float, yearly: float | None) -> tuple[Finding, ...]:
    """Warn where one feeding or the year would pass its figure (kg/m2)."""
    messages = []
    if nitrogen > to_si(SINGLE_NITROGEN, "mass_per_area") * (1.0 + ROUNDING):
        messages.append(
            f"{_per_ksqft(nitrogen)} of nitrogen in one feeding passes the usual {SINGLE_NITROGEN};"
            " split it, or use slow release as its label says"
        )
    if yearly is not None and given + nitrogen > yearly * (1.0 + ROUNDING):
        messages.append(
            f"{_per_ksqft(given + nitrogen)} of nitrogen would pass the year's"
            f" {_per_ksqft(yearly)}; {_per_ksqft(max(yearly - given, 0.0))} is left"
        )
    return tuple(Finding("warning", "turfcare", "nitrogen", message) for message in messages)


def _cool_season_days(year: int, count: int) -> list[dt.date]:
    if count not in FEEDING_DAYS:
        what = f"{count} feedings are more than the usual {max(FEEDING_DAYS)} of cool-season turf"
        raise InputError(what, field="yearly", mend="give dates of your own, or less nitrogen")
    try:
        return [dt.date(year, month, day) for month, day in FEEDING_DAYS[count]]
    except (TypeError, ValueError) as error:
        raise InputError(f"{year!r} is no year", field="year", mend="give a year such as 2025") from error


def _grade(text: str) -> Analysis:
    grade = analysis(text)
    if grade.nitrogen <= 0.0:
        mend = "choose a fertilizer with nitrogen"
        raise UnitError(f"{text!r} holds no nitrogen", field="analysis", mend=mend)
    return grade


def _per_ksqft(kg_per_m2: float) -> str:
    return f"{convert(kg_per_m2, 'mass_per_area', 'lb/ksqft'):.4g} lb/ksqft"
