"""Dry goods for an area, fertilizer or seed: total, bags to buy and hopper loads; and seed for thin turf.

Called through `weedzone.turfcare`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from weedzone.calibrated import Measure, read_si, usable
from weedzone.errors import Finding
from weedzone.units import quantity

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
    area_m2, rate_kg = read_si(area, "area", "area"), read_si(rate, "mass_per_area", "rate")
    wait = "herbicide labels ask for weeks between spraying and seeding; read the label of what was sprayed"
    return Supply(
        area_m2=area_m2,
        rate_kg_per_m2=rate_kg,
        total_kg=usable(area_m2 * rate_kg, "area"),
        bag_kg=None if bag is None else read_si(bag, "mass", "bag"),
        hopper_kg=None if hopper is None else read_si(hopper, "mass", "hopper"),
        findings=(Finding("note", "turfcare", "overseeding", wait),),
    )


def whole(count: float) -> int:
    """Round up, but not for the rounding error of a whole number."""
    return max(math.ceil(count * (1.0 - ROUNDING)), 1)
