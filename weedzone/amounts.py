"""From treated ground to solution, product, adjuvant and water: plain arithmetic on columns, in SI."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from weedzone.dosing import Plan
from weedzone.errors import RigError
from weedzone.shapes import Bools, Floats, Ints
from weedzone.units import FLOZ_PER_L, LB_PER_KG, OZ_PER_KG

PRODUCT_UNIT = {"liquid": ("fl oz", FLOZ_PER_L), "dry": ("oz", OZ_PER_KG), "granule": ("lb", LB_PER_KG)}


COARSE = 0.95
_NEARLY = 1e-9  # part of a step that is rounding noise of the floats


@dataclass(frozen=True)
class Amounts:
    """What goes on the ground, a row each.

    Attributes
    ----------
    solution_L, water_L, adjuvant_L, extras_L : ndarray of float
        [L]; zero for granules.
    product : ndarray of float
        [L for liquids, kg for dry products and granules]
    """

    solution_L: Floats
    product: Floats
    adjuvant_L: Floats
    water_L: Floats
    extras_L: Floats

    def times(self, share: Floats) -> Amounts:
        """The same mix in other quantities."""
        return Amounts(*(values * share for values in self._columns()))

    def rows(self, at: Ints) -> Amounts:
        """Some of the rows."""
        return Amounts(*(values[at] for values in self._columns()))

    def sums(self, of: Ints, n_rows: int) -> Amounts:
        """Rows added up by the number of the row that each belongs to."""
        return Amounts(*(np.bincount(of, values, n_rows) for values in self._columns()))

    def _columns(self) -> tuple[Floats, ...]:
        return self.solution_L, self.product, self.adjuvant_L, self.water_L, self.extras_L


def amounts(
    treated_m2: Floats, dose: Floats, plan: Ints, plans: Sequence[Plan], extras: float = 0.0
) -> Amounts:
    """Amounts for treated ground.

    The water to add is the solution less the liquids that go in: product, label adjuvants and what the crew
    adds beside. A dry product displaces nothing, as the trade reckons it.

    Parameters
    ----------
    treated_m2 : ndarray of float
        Wetted ground [m2]: of spot work the area times the weed's cover.
    dose : ndarray of float
        Product per wetted area [L/m2 or kg/m2].
    plan : ndarray of int
        Row in `plans` of each.
    extras : float
        What the rig adds to every tank, such as a defoamer [L per L of solution].

    Raises
    ------
    RigError
        What goes in leaves no room for water.
    """
    volume = np.array([one.volume for one in plans], dtype=float)[plan]
    adjuvant = np.array([sum(added.rate for added in one.label.adjuvants) for one in plans], dtype=float)[
        plan
    ]
    liquid = np.array([one.label.form == "liquid" for one in plans], dtype=bool)[plan]
    solution = treated_m2 * volume
    product = treated_m2 * dose
    added, beside = solution * adjuvant, solution * extras
    water = solution - added - beside - np.where(liquid, product, 0.0)
    if (water[solution > 0] <= 0).any():
        raise RigError(
            "product, adjuvants and extras leave no room for water",
            field="extra",
            mend="check the rates of the rig's extras",
        )
    return Amounts(solution, product, added, water, beside)


def on_the_measure(product: Floats, step: Floats) -> tuple[Floats, Bools]:
    """Product as the measure at hand can show it: whole steps, always down.

    The planned dose is the highest that label, limits and past applications allow, so that the next step up
    would pass it. Where rounding down would leave out more than a twentieth, the measure is too coarse: the
    amount is then given in mL or g as `weedzone.pour` prints them, for a finer one.

    Parameters
    ----------
    product : ndarray of float
        [L or kg]
    step : ndarray of float
        Smallest step of the measure in the same unit; NaN where no measure is named.

    Returns
    -------
    measured : ndarray of float
        Never above `product`; `product` itself where no measure is named.
    coarse : ndarray of bool
        Where the measure is too coarse.
    """
    coarse = _down(product, step) < COARSE * product
    fine = _down(product, np.where(coarse, _fine_step(product), step))
    return np.where(np.isnan(step), product, fine), coarse


def _down(product: Floats, step: Floats) -> Floats:
    return np.asarray(np.minimum(np.floor(product / step + _NEARLY) * step, product))


def _fine_step(product: Floats) -> Floats:
    """Steps of `weedzone.pour` in litres or kilograms: 100, 10, 1 and 0.1 mL, and two figures below 1 mL."""
    small = np.maximum(product, 1e-12)
    figures = 10.0 ** (np.floor(np.log10(small) + _NEARLY) - 1.0)
    return np.select(
        [small >= 10.0, small >= 1.0, small >= 0.01, small >= 0.001], [0.1, 0.01, 1e-3, 1e-4], figures
    )
