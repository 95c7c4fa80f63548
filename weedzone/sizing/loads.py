"""From treated ground to solution, product, adjuvant and water: plain arithmetic on columns, in SI.

From amounts to tank or hopper loads: full ones and one last partial load, each with its own amounts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from weedzone.base.errors import RigError
from weedzone.ground.shapes import Bools, Floats, Ints
from weedzone.kit import Sprayer, Spreader
from weedzone.zones import Plan, Rig


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


_ROUNDING = 2e-6  # part of a load that is rounding of areas, not a load
_NEARLY_loads = 1e-9


def carried(solution_L: Floats, product_kg: Floats, rig: Rig) -> tuple[Floats, float]:
    """What fills the rig, and how much of it one load puts on the ground: solution [L] or granules [kg]."""
    if isinstance(rig, Spreader):
        return product_kg, rig.load_kg
    return solution_L, rig.load_L


def at_start(rig: Rig) -> float:
    """What the first load of a mix holds beyond what it puts on the ground [L or kg].

    It fills the sump and the lines, and is left in them when the mix is finished.
    """
    if isinstance(rig, Spreader):
        return rig.unusable_kg
    return rig.unusable_L + rig.priming_L


def made_up(on_ground: Floats, first: Bools, rig: Rig, *, alone: bool) -> Floats:
    """What each load is made up to: what goes on the ground, and what fills sump, lines or hopper before it.

    Parameters
    ----------
    on_ground : ndarray of float
        Solution [L], or granules [kg].
    first : ndarray of bool
        Whether it is the first load of its mix on its site: only that fills sump and lines.
    rig : Sprayer or Spreader
    alone : bool
        The site is the only one: no load of it is made smaller than the least that the rig mixes.

    Returns
    -------
    ndarray of float
        [L or kg]
    """
    filled = on_ground + np.where(first, at_start(rig), 0.0)
    if alone and isinstance(rig, Sprayer):
        filled = np.maximum(filled, rig.least_mix_L)
    return filled


def split_loads(
    carried_total: Floats, load: float, *, even: bool = False, priming: float = 0.0
) -> tuple[Ints, Ints, Floats]:
    """Loads of each row: as many full ones as go in, then one partial load with the rest.

    A rest of less than two millionths of a load is no load: it goes with the last full one.

    Parameters
    ----------
    carried_total : ndarray of float
        What has to be carried, a row for each mix of a site [L or kg].
    load : float
        What one load puts on the ground.
    even : bool
        Share the fillings evenly over the same number of loads.
    priming : float
        Part of the first load that fills the lines [L or kg]; less than `load`.

    Returns
    -------
    row : ndarray of int
        The row that each load serves.
    number : ndarray of int
        1, 2, ... within the row.
    share : ndarray of float
        Part of the row's total that the load carries; they sum to one.
    """
    filled = carried_total + priming
    count = np.maximum(np.ceil(filled / load - _ROUNDING), 1).astype(np.intp)
    row = np.repeat(np.arange(len(count)), count)
    number = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count) + 1
    total = filled[row]
    end = total * number / count[row] if even else np.minimum(number * load, total)
    # The lines take theirs of what is filled first.
    on_ground = np.where(number == count[row], carried_total[row], np.maximum(end - priming, 0.0))
    before = np.where(number == 1, 0.0, np.roll(on_ground, 1))
    return row, number, (on_ground - before) / carried_total[row]


def served(
    row_of_zone: Ints, zone_carried: Floats, row_of_load: Ints, load_share: Floats
) -> tuple[Ints, Ints, Floats]:
    """Which zones each load serves: a row's loads are emptied over its zones in order.

    Parameters
    ----------
    row_of_zone, row_of_load : ndarray of int
        The row of each, in ascending order and every row in both.
    zone_carried : ndarray of float
        What each zone takes, above zero.
    load_share : ndarray of float
        Part of the row's total that each load carries.

    Returns
    -------
    load, zone : ndarray of int
        Pairs in the order of work.
    share : ndarray of float
        Part of the zone that the load covers; of a zone they sum to one.
    """
    n_rows = int(row_of_zone[-1]) + 1 if len(row_of_zone) else 0
    total = np.bincount(row_of_zone, zone_carried, n_rows)
    # Every row is one unit long, so that the ends of all rows' zones and loads lie on one line.
    zone_end = _ends(row_of_zone, zone_carried / total[row_of_zone])
    load_end = _ends(row_of_load, load_share)
    marks = np.unique(np.concatenate([[0.0], zone_end, load_end]))
    length = np.diff(marks)
    keep = length > _NEARLY_loads
    middle = (marks[:-1] + length / 2)[keep]
    load, zone = np.searchsorted(load_end, middle), np.searchsorted(zone_end, middle)
    length = length[keep]
    return load, zone, length / np.bincount(zone, length, len(zone_end))[zone]


def _ends(row: Ints, share: Floats) -> Floats:
    """Where each ends on a line on which every row is one unit long."""
    ends = np.cumsum(share)
    last = np.flatnonzero(np.diff(row, append=row[-1:] + 1))
    before = np.concatenate([[0.0], ends[last]])[row] if len(row) else ends
    ends = row + (ends - before)
    ends[last] = row[last] + 1.0
    return np.asarray(ends)
