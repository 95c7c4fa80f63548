"""From treated ground to solution, product, adjuvant and water: plain arithmetic on columns, in SI."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from weedzone.dosing import Plan
from weedzone.shapes import Floats, Ints
from weedzone.units import FLOZ_PER_L, LB_PER_KG, OZ_PER_KG

PRODUCT_UNIT = {"liquid": ("fl oz", FLOZ_PER_L), "dry": ("oz", OZ_PER_KG), "granule": ("lb", LB_PER_KG)}


@dataclass(frozen=True)
class Amounts:
    """What goes on the ground, a row each.

    Attributes
    ----------
    solution_L, water_L, adjuvant_L : ndarray of float
        [L]; zero for granules.
    product : ndarray of float
        [L for liquids, kg for dry products and granules]
    """

    solution_L: Floats
    product: Floats
    adjuvant_L: Floats
    water_L: Floats

    def times(self, share: Floats) -> Amounts:
        """The same mix in other quantities."""
        return Amounts(
            self.solution_L * share, self.product * share, self.adjuvant_L * share, self.water_L * share
        )


def amounts(treated_m2: Floats, dose: Floats, plan: Ints, plans: Sequence[Plan]) -> Amounts:
    """Amounts for treated ground.

    The water to add is the solution less the liquids that go in; a dry product displaces nothing, as the trade
    reckons it.

    Parameters
    ----------
    treated_m2 : ndarray of float
        Wetted ground [m2]: of spot work the area times the weed's cover.
    dose : ndarray of float
        Product per wetted area [L/m2 or kg/m2].
    plan : ndarray of int
        Row in `plans` of each.
    """
    volume = np.array([one.volume for one in plans], dtype=float)[plan]
    adjuvant = np.array([sum(added.rate for added in one.label.adjuvants) for one in plans], dtype=float)[
        plan
    ]
    liquid = np.array([one.label.form == "liquid" for one in plans], dtype=bool)[plan]
    solution = treated_m2 * volume
    product = treated_m2 * dose
    added = solution * adjuvant
    return Amounts(solution, product, added, solution - added - np.where(liquid, product, 0.0))
