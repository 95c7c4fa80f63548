"""From amounts to tank or hopper loads: full ones and one last partial load, each with its own amounts."""

from __future__ import annotations

import numpy as np

from weedzone.dosing import Rig
from weedzone.rig import Spreader
from weedzone.shapes import Floats, Ints

_NEARLY = 1e-9  # part of a load that is rounding, not a load


def carried(solution_L: Floats, product_kg: Floats, rig: Rig) -> tuple[Floats, float]:
    """What fills the rig, and how much of it one load puts on the ground: solution [L] or granules [kg]."""
    if isinstance(rig, Spreader):
        return product_kg, rig.load_kg
    return solution_L, rig.load_L


def split_loads(carried_total: Floats, load: float, *, even: bool = False) -> tuple[Ints, Ints, Floats]:
    """Loads of each row: as many full ones as go in, then one partial load with the rest.

    Parameters
    ----------
    carried_total : ndarray of float
        What has to be carried, a row for each site and product [L or kg].
    load : float
        What one load puts on the ground.
    even : bool
        Share the total evenly over the same number of loads.

    Returns
    -------
    row : ndarray of int
        The row that each load serves.
    number : ndarray of int
        1, 2, ... within the row.
    share : ndarray of float
        Part of the row's total that the load carries; they sum to one.
    """
    count = np.maximum(np.ceil(carried_total / load - _NEARLY), 1).astype(np.intp)
    row = np.repeat(np.arange(len(count)), count)
    number = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count) + 1
    total = carried_total[row]
    if even:
        return row, number, 1.0 / count[row]
    last = number == count[row]
    share = np.where(last, total - (count[row] - 1) * load, load) / total
    return row, number, share
