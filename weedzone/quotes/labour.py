"""Labour from the geometry: set-up, mixing, rinsing, spraying and the walk from patch to patch.

The walk is the shortest closed tour over the centres of a product's patches on a site, a tour of its own for
each product, since each needs its own filling. Up to nine patches the tour is the shortest there is (dynamic
programming: Held and Karp, "A dynamic programming approach to sequencing problems", J. SIAM 10, 1962); beyond,
it is Christofides' tour from networkx, never longer than 1.5 times the shortest, made shorter by uncrossing
(2-opt). Left out, and said so on the quote: the way round keep-outs, hoses carried, walks back to refill, and
the way from the vehicle to the first patch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from weedzone.base.errors import RigError
from weedzone.ground.shapes import Floats, Ints, parts_of
from weedzone.kit import Prices, Spreader
from weedzone.sizing import Sized
from weedzone.zones import dissolve

EXACT_UP_TO = 9
_CHRISTOFIDES_UP_TO = 200  # its matching grows with the cube of the patches
LEFT_OUT = (
    "Walking is reckoned straight from centre to centre of the patches. The way round keep-outs, hoses carried, "
    "walks back to refill and the way from the vehicle to the first patch are left out."
)


@dataclass(frozen=True)
class Walk:
    """The walk over the patches of one product on one site.

    Attributes
    ----------
    patches : int
    length_m : float
        Closed tour over the patches' centres [m].
    exact : bool
        Whether it is known to be the shortest.
    """

    patches: int
    length_m: float
    exact: bool


@dataclass(frozen=True)
class Minutes:
    """Time of one visit to one site [min]."""

    setup: float
    mixing: float
    rinsing: float
    spraying: float
    walking: float

    @property
    def total(self) -> float:
        """All of it [min]."""
        return self.setup + self.mixing + self.rinsing + self.spraying + self.walking


def walks(job: Sized) -> dict[tuple[str, str], Walk]:
    """The walk for each site and product of a sized job.

    Returns
    -------
    dict of (site, product) to Walk
        Patches are connected pieces of the ground that the product treats, across zones.
    """
    parts, zone = job.zoned.parts, job.zoned.zone
    rows = np.flatnonzero(zone >= 0)
    keys, of = np.unique(
        np.column_stack([parts.site[rows], job.zoned.product[rows]]), axis=0, return_inverse=True
    )
    ground, owner = parts_of(dissolve(parts.geoms[rows], of.ravel(), parts.fresh[rows]))
    centres = shapely.get_coordinates(shapely.centroid(ground))
    names = list(job.plans)
    found = {}
    for number, (site, product) in enumerate(keys):
        mine = centres[owner == number]
        length, exact = shortest_tour(mine)
        found[str(job.survey.local.sites[site]), names[product]] = Walk(len(mine), length, exact)
    return found


def shortest_tour(points: Floats) -> tuple[float, bool]:
    """Length of the shortest closed tour over points, or of a good one.

    Parameters
    ----------
    points : ndarray of float, shape (n, 2)

    Returns
    -------
    length : float
        In the unit of the points; 0 for fewer than two.
    exact : bool
        True up to nine points.
    """
    distance = np.hypot(*(points[:, np.newaxis, :] - points[np.newaxis, :, :]).transpose(2, 0, 1))
    if len(points) < 2:
        return 0.0, True
    if len(points) <= EXACT_UP_TO:
        return _held_karp(distance), True
    order = _uncrossed(distance, _first_tour(distance))
    return float(distance[order, np.roll(order, -1)].sum()), False


def spraying_min(job: Sized, prices: Prices, area_m2: float, solution_L: float) -> tuple[float, str]:
    """Minutes that covering takes, with the reckoning in words.

    Spot work goes by the flow of the gun where the rig states one; all else by ground area over swath times
    pace (the walker passes over the whole patch, whatever its cover), divided by the efficiency.

    Raises
    ------
    RigError
        If the rig states neither flow nor swath and pace.
    """
    rig = job.rig
    flow = None if isinstance(rig, Spreader) else rig.flow_L_per_s
    has_pace = rig.swath_m is not None and rig.pace_mps is not None
    after = "" if prices.efficiency == 1.0 else f", {100 * prices.efficiency:g} % of the time spent covering"
    if flow is not None and (job.use == "spot" or not has_pace):
        return solution_L / flow / 60.0 / prices.efficiency, f"solution over the rig's flow{after}"
    if rig.swath_m is not None and rig.pace_mps is not None:
        seconds = area_m2 / (rig.swath_m * rig.pace_mps * prices.efficiency)
        return seconds / 60.0, f"area over swath times pace{after}"
    either = "" if isinstance(rig, Spreader) else ', or flow = "0.5 gal/min"'
    raise RigError(
        "labour cannot be reckoned: how fast the rig covers ground is not stated",
        feature=rig.name,
        field="swath, pace",
        mend=f'write swath = "3 ft" and pace = "2 mph"{either}',
    )


def _held_karp(distance: Floats) -> float:
    """Shortest closed tour by dynamic programming over sets of points, from the first point."""
    n = len(distance) - 1
    best = np.full((1 << n, n), np.inf)
    best[1 << np.arange(n), np.arange(n)] = distance[0, 1:]
    for visited in range(1, 1 << n):
        for new in range(n):
            if not visited >> new & 1:
                reached = (best[visited] + distance[1:, new + 1]).min()
                with_it = visited | 1 << new
                best[with_it, new] = min(best[with_it, new], reached)
    return float((best[-1] + distance[1:, 0]).min())


def _first_tour(distance: Floats) -> Ints:
    import networkx as nx

    graph = nx.from_numpy_array(distance)
    # Points in one place: networkx leaves out edges of no length, and the graph must be complete.
    graph.add_weighted_edges_from((int(i), int(j), 0.0) for i, j in np.argwhere(distance == 0) if i < j)
    solve = (
        nx.approximation.christofides if len(distance) <= _CHRISTOFIDES_UP_TO else nx.approximation.greedy_tsp
    )
    return np.array(solve(graph)[:-1], dtype=np.intp)


def _uncrossed(distance: Floats, order: Ints) -> Ints:
    """Tour made shorter by turning stretches round (2-opt) until no turn helps."""
    n = len(order)
    improved = True
    while improved:
        improved = False
        for i in range(n - 2):
            a, b = order[i], order[i + 1]
            c, d = order[i + 2 :], np.append(order[i + 3 :], order[0])
            gain = distance[a, b] + distance[c, d] - distance[a, c] - distance[b, d]
            j = int(np.argmax(gain))
            if gain[j] > 1e-9 * distance[a, b] + 1e-12:
                order[i + 1 : i + 3 + j] = order[i + 1 : i + 3 + j][::-1]
                improved = True
    return order
