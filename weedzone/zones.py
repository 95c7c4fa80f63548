"""Where each product may go, which one goes where, and the ledger of the infested ground."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from weedzone.choose import Options, choose
from weedzone.dosing import Plan
from weedzone.errors import Finding
from weedzone.label import RATINGS, Label
from weedzone.limits import state
from weedzone.parts import Parts, names_weed, split_ground
from weedzone.reach import RULES, Reach
from weedzone.shapes import (
    Array,
    Bools,
    Floats,
    Ints,
    areal,
    clusters,
    collect,
    mean_width,
    near_pairs,
    parts_of,
    union_rows,
)
from weedzone.survey import Survey
from weedzone.units import show

OUTCOMES = (
    "treated",
    "outside boundary",
    "no turf",
    "keep-out",
    "weed not labelled",
    "turf not labelled",
    "buffer",
    "yearly limit",
    "applications used up",
    "too soon",
    "caution turf",
    "product not chosen",
    "sliver",
)
_CODE = {name: number for number, name in enumerate(OUTCOMES)}
# How far a product gets before a limit stops it; the last is a product that could have been used.
_STAGE = {
    name: rank
    for rank, name in enumerate(
        ("yearly limit", "applications used up", "too soon", "caution turf", "product not chosen")
    )
}
SEAM_M = 1e-6
MIN_WIDTH_M = 0.02
MIN_AREA_M2 = 0.005


@dataclass(frozen=True)
class Rules:
    """How ground is given to products; see `weedzone.job.size_job`."""

    products: Mapping[str, str] | None = None
    max_products: int | None = None
    prefer: tuple[str, ...] = ()
    avoid_caution: bool = False
    min_width_m: float = MIN_WIDTH_M
    min_area_m2: float = MIN_AREA_M2
    price: Mapping[str, float] | None = None


@dataclass(frozen=True)
class Zoned:
    """The parts of the infested ground and what becomes of each.

    Attributes
    ----------
    parts : Parts
    can : ndarray of bool, shape (parts, products)
        Whether the product may treat the part.
    product : ndarray of int
        Product that treats the part; where it is not treated, the one that came furthest, or -1.
    outcome : ndarray of int
        Row in `OUTCOMES`.
    reason : ndarray of str
    dose : ndarray of float
        Product per area where it is treated [L/m2 or kg/m2].
    zone : ndarray of int
        Number of the zone of each part; -1 where it is not treated.
    zone_geoms : ndarray of geometry, shape (zones,)
        [m, about the site's origin]
    """

    parts: Parts
    can: Bools
    product: Ints
    outcome: Ints
    reason: Array
    dose: Floats
    zone: Ints
    zone_geoms: Array


def zone_ground(
    survey: Survey,
    plans: Mapping[str, Plan],
    labels: Mapping[str, Label],
    reach: Reach,
    on: dt.date,
    load_share: Floats,
    rules: Rules,
) -> tuple[Zoned, list[Finding]]:
    """Split the infested ground, give it to products, and say what becomes of the rest.

    Parameters
    ----------
    load_share : ndarray of float, shape (products,)
        Full loads that 1 m2 takes of each product.
    """
    parts, named, findings = split_ground(survey, plans, labels, reach)
    stage, dose, reasons = _states(parts, plans, labels, on)
    asked = _asked(parts, plans, rules)
    warned = _warned(parts, plans) & rules.avoid_caution
    stage[warned & (stage == _STAGE["product not chosen"])] = _STAGE["caution turf"]
    reasons[stage == _STAGE["caution turf"]] = "the label warns of temporary injury to this turf"
    reasons[stage == _STAGE["product not chosen"]] = "it would take more products than were allowed"
    open_ground = (parts.turf >= 0) & ~parts.outside & ~parts.kept_out
    can = named & ~parts.buffered & open_ground[:, np.newaxis] & (stage == _STAGE["product not chosen"])
    chosen = _choose(parts, can & asked, plans, dose, load_share, rules)

    outcome, product, reason = _outcomes(parts, named, asked, stage, chosen, plans, reasons, reach)
    own_dose = np.where(chosen >= 0, dose[np.arange(len(chosen)), np.maximum(chosen, 0)], 0.0)
    zone, thin = _drop_slivers(parts, _zone_numbers(parts, chosen, own_dose), rules)
    outcome[thin] = _CODE["sliver"]
    reason[thin] = f"thinner than {rules.min_width_m:g} m or smaller than {rules.min_area_m2:g} m2"
    own_dose[thin] = 0.0
    _name_features(parts, outcome, product, reason, reach, plans)
    # Zones are numbered without gaps once the slivers are gone.
    kept = zone >= 0
    zone[kept] = np.unique(zone[kept], return_inverse=True)[1].ravel()
    findings += _weeds_left(parts, kept, product, plans, survey.local.sites)
    return Zoned(parts, can, product, outcome, reason, own_dose, zone, dissolve(parts.geoms, zone)), findings


def _states(
    parts: Parts, plans: Mapping[str, Plan], labels: Mapping[str, Label], on: dt.date
) -> tuple[Ints, Floats, Array]:
    """How far each product gets on each part, the dose that its limits leave, and the reason if it stops."""
    pasts, at = np.unique(parts.past, return_inverse=True)
    rows = [[state(plan, parts.past_sets[past], labels, on) for plan in plans.values()] for past in pasts]
    shape = (len(pasts), len(plans))
    free = "product not chosen"
    stage = np.array([[_STAGE[one.outcome or free] for one in row] for row in rows], dtype=np.intp).reshape(
        shape
    )
    dose = np.array([[one.dose for one in row] for row in rows], dtype=float).reshape(shape)
    reasons = np.array([[one.reason for one in row] for row in rows], dtype=object).reshape(shape)
    return stage[at.ravel()], dose[at.ravel()], reasons[at.ravel()]


def _asked(parts: Parts, plans: Mapping[str, Plan], rules: Rules) -> Bools:
    """Whether the caller's {turf: product} leaves the product to the part's turf."""
    if rules.products is None:
        return np.ones((len(parts.geoms), len(plans)), dtype=bool)
    names = list(plans)
    table = np.zeros((len(parts.turf_sets) + 1, len(plans)), dtype=bool)
    for row, turfs in enumerate(parts.turf_sets):
        wanted = {rules.products.get(turf) for turf in turfs}
        if len(wanted) == 1 and None not in wanted:
            table[row, names.index(str(wanted.pop()))] = True
    return table[parts.turf]


def _warned(parts: Parts, plans: Mapping[str, Plan]) -> Bools:
    """Whether the product's label warns of the part's turf."""
    table = np.zeros((len(parts.turf_sets) + 1, len(plans)), dtype=bool)
    for row, turfs in enumerate(parts.turf_sets):
        for p, plan in enumerate(plans.values()):
            table[row, p] = any(turf in plan.label.caution for turf in turfs)
    return table[parts.turf]


def ratings(weed_sets: Sequence[tuple[str, ...]], plans: Mapping[str, Plan]) -> tuple[Floats, Floats]:
    """How many of each set's weeds a product controls, and its mean rating for them (3 good to 1 poor)."""
    marks = [
        [
            [RATINGS[plan.label.weeds[weed]] for weed in weeds if weed in plan.label.weeds]
            for plan in plans.values()
        ]
        for weeds in weed_sets
    ]
    count = np.array([[len(one) for one in row] for row in marks], dtype=float)
    mean = np.array([[sum(one) / len(one) if one else 0.0 for one in row] for row in marks])
    return count.reshape(-1, len(plans)), mean.reshape(-1, len(plans))


def _choose(
    parts: Parts, can: Bools, plans: Mapping[str, Plan], dose: Floats, load_share: Floats, rules: Rules
) -> Ints:
    """Product of each part, chosen on the sums of alike ground of each site."""
    rows = np.flatnonzero(can.any(axis=1))
    out = np.full(len(can), -1, dtype=np.intp)
    if not len(rows):
        return out
    bits = can[rows] @ (1 << np.arange(can.shape[1], dtype=np.int64))
    covers = np.unique(parts.cover[rows], return_inverse=True)[1]
    keys = np.column_stack([parts.site[rows], bits, parts.weeds[rows], parts.past[rows], covers])
    _, first, kind = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    like = rows[first]
    kind = kind.ravel()
    count, mean = ratings(parts.weed_sets, plans)
    thinned = np.where(_is_spot(plans), parts.cover[like][:, np.newaxis], 1.0)
    price = np.zeros(len(plans))
    if rules.price is not None and all(name in rules.price for name in plans):
        price = np.array([rules.price[name] for name in plans])
    material = dose[like] * thinned
    options = Options(
        site=parts.site[like],
        area=np.bincount(kind, shapely.area(parts.geoms[rows])),
        can=can[like],
        weeds=count[parts.weeds[like]],
        rating=mean[parts.weeds[like]],
        material=material,
        load=load_share * (material if _is_dry(plans) else thinned),
        price=material * price,
        preferred=np.array([name in rules.prefer for name in plans]),
    )
    out[rows] = choose(options, rules.max_products)[kind]
    return out


def _is_spot(plans: Mapping[str, Plan]) -> Bools:
    return np.array([plan.use == "spot" for plan in plans.values()])


def _is_dry(plans: Mapping[str, Plan]) -> bool:
    return all(plan.use == "granular" for plan in plans.values())


def _outcomes(
    parts: Parts,
    named: Bools,
    asked: Bools,
    stage: Ints,
    chosen: Ints,
    plans: Mapping[str, Plan],
    reasons: Array,
    reach: Reach,
) -> tuple[Ints, Ints, Array]:
    """Outcome, product and reason of each part: the first rule that holds, in the ledger's order.

    A part gets as far as the product that got furthest: where one product's label names the turf and its
    buffer holds, the outcome is "buffer", whatever the other labels lack.
    """
    n = len(parts.geoms)
    outcome, product = np.full(n, -1, dtype=np.intp), np.full(n, -1, dtype=np.intp)
    reason = np.full(n, "", dtype=object)

    def settle(where: Any, name: str, text: str, whose: Array | None = None) -> None:
        rows = np.flatnonzero((outcome < 0) & where)
        outcome[rows] = _CODE[name]
        reason[rows] = text
        if whose is not None and len(rows):
            product[rows] = whose[rows].argmax(axis=1)

    treated = chosen >= 0
    outcome[treated], product[treated] = _CODE["treated"], chosen[treated]
    settle(parts.outside, "outside boundary", "outside the site's boundary")
    settle(parts.turf < 0, "no turf", "no turf is mapped there")
    settle(parts.kept_out, "keep-out", "inside a keep-out feature")
    weed = names_weed(parts, plans)
    settle(~weed.any(axis=1), "weed not labelled", "no label at hand names the weed")
    settle(~asked.any(axis=1), "turf not labelled", "no product was named for this turf")
    settle(~(weed & asked).any(axis=1), "weed not labelled", "the label of the product named lacks the weed")
    able = named & asked
    settle(
        ~able.any(axis=1), "turf not labelled", "no label that names the weed names this turf", weed & asked
    )
    reached = able & ~parts.buffered
    # The product with the narrowest buffers speaks for ground that all buffers hold.
    narrow = reach.widest_m.sum(axis=0)
    settle(~reached.any(axis=1), "buffer", "", able / (1.0 + narrow))
    furthest = np.where(reached, stage, -1)
    last = furthest.argmax(axis=1)
    for name in ("yearly limit", "applications used up", "too soon", "caution turf", "product not chosen"):
        rows = np.flatnonzero((outcome < 0) & (furthest.max(axis=1) == _STAGE[name]))
        outcome[rows], product[rows] = _CODE[name], last[rows]
        reason[rows] = reasons[rows, last[rows]]
    return outcome, product, reason


def _name_features(
    parts: Parts, outcome: Ints, product: Ints, reason: Array, reach: Reach, plans: Mapping[str, Plan]
) -> None:
    """Name the feature that keeps each part out, and the rule that sets its distance."""
    names = list(plans)
    outline = reach.features.outline
    assert outline is not None
    for name in ("keep-out", "buffer"):
        for p in range(len(names)) if name == "buffer" else [-1]:
            rows = np.flatnonzero((outcome == _CODE[name]) & (product == p))
            if not len(rows):
                continue
            shape, far = (
                (outline, reach.widest_m[:, p]) if p >= 0 else (reach.features.geoms, np.zeros(len(outline)))
            )
            i, j = near_pairs(parts.geoms[rows], parts.site[rows], shape, reach.features.site, far)
            # The feature that reaches deepest over the part speaks for it.
            depth = far[j] - shapely.distance(shapely.point_on_surface(parts.geoms[rows][i]), shape[j])
            order = np.lexsort((-depth, i))
            found, first = np.unique(i[order], return_index=True)
            for at, feature in zip(rows[found], j[order][first], strict=True):
                kind = reach.kind[feature]
                if p < 0:
                    reason[at] = f"inside: {kind}"
                    continue
                rule = RULES[reach.rule[feature, p]]
                reason[at] = f"within {show(far[feature], 'length')} of: {kind} ({rule}; {names[p]})"


def _zone_numbers(parts: Parts, chosen: Ints, dose: Floats) -> Ints:
    """Number of each treated part's zone: one product at one dose on one turf of one site."""
    zone = np.full(len(chosen), -1, dtype=np.intp)
    rows = np.flatnonzero(chosen >= 0)
    if len(rows):
        keys = np.column_stack([parts.site[rows], chosen[rows], parts.turf[rows], np.round(dose[rows], 12)])
        zone[rows] = np.unique(keys, axis=0, return_inverse=True)[1].ravel()
    return zone


def _drop_slivers(parts: Parts, zone: Ints, rules: Rules) -> tuple[Ints, Bools]:
    """Take out of each zone what is too thin or too small once its parts are joined."""
    thin = np.zeros(len(zone), dtype=bool)
    rows = np.flatnonzero(zone >= 0)
    geoms, of = parts.geoms[rows], zone[rows]
    meagre = np.flatnonzero(
        (mean_width(geoms) < rules.min_width_m) | (shapely.area(geoms) < rules.min_area_m2)
    )
    if not len(meagre):
        return zone, thin
    i, j = near_pairs(geoms[meagre], of[meagre], geoms, of, np.full(len(geoms), SEAM_M))
    label = clusters(len(geoms), meagre[i], j)
    lean = np.ones(int(label.max()) + 1, dtype=bool)
    sound = np.ones(len(geoms), dtype=bool)
    sound[meagre] = False
    lean[label[sound]] = False
    members = np.flatnonzero(lean[label])
    order = np.argsort(label[members], kind="stable")
    _, dense = np.unique(label[members][order], return_inverse=True)
    joined = union_rows(geoms[members[order]], dense.ravel())
    poor = (mean_width(joined) < rules.min_width_m) | (shapely.area(joined) < rules.min_area_m2)
    thin[rows[members[order[poor[dense.ravel()]]]]] = True
    return np.where(thin, -1, zone), thin


def dissolve(geoms: Array, zone: Ints) -> Array:
    """One valid shape a zone, without the seams between its parts."""
    rows = np.flatnonzero(zone >= 0)
    if not len(rows):
        return np.empty(0, dtype=object)
    parts, of = geoms[rows], zone[rows]
    n_zones = int(of.max()) + 1
    i, j = near_pairs(parts, of, parts, of, np.full(len(parts), SEAM_M))
    label = clusters(len(parts), i, j)
    order = np.argsort(label, kind="stable")
    _, start, dense = np.unique(label[order], return_index=True, return_inverse=True)
    count = np.bincount(dense.ravel())
    joined = parts[order[start]].copy()
    many = count > 1
    if many.any():
        member = many[dense.ravel()]
        joined[many] = union_rows(parts[order[member]], (np.cumsum(many) - 1)[dense.ravel()[member]])
    pieces, owner = parts_of(joined)
    whole = collect(pieces, of[order[start]][owner], n_zones)
    truth = np.bincount(of, shapely.area(parts), n_zones)
    off = np.abs(shapely.area(whole) - truth) > 1e-6 * truth + 1e-6 * shapely.length(whole)
    for at in np.flatnonzero(~shapely.is_valid(whole) | off):
        members = parts[of == at]
        again = areal(np.array([shapely.union_all(members, grid_size=1e-6)]))[0]
        # Seams are only a matter of looks: where they cannot be taken out truthfully they stay.
        slack = 1e-6 * truth[at] + 1e-5 * sum(shapely.length(members))
        loose = shapely.make_valid(
            collect(members, np.zeros(len(members), dtype=np.intp), 1)[0], method="structure"
        )
        whole[at] = again if abs(again.area - truth[at]) <= slack else loose
    return whole


def _weeds_left(
    parts: Parts, treated: Bools, product: Ints, plans: Mapping[str, Plan], sites: Array
) -> list[Finding]:
    """Weeds on treated ground that the product's label does not name."""
    labels = [plan.label for plan in plans.values()]
    rows = np.flatnonzero(treated & (np.array([len(one) for one in parts.weed_sets])[parts.weeds] > 1))
    area = shapely.area(parts.geoms)
    left: dict[tuple[int, str, str], float] = {}
    for row in rows:
        label = labels[product[row]]
        for weed in parts.weed_sets[parts.weeds[row]]:
            if weed not in label.weeds:
                key = (int(parts.site[row]), label.name, weed)
                left[key] = left.get(key, 0.0) + float(area[row])
    return [
        Finding(
            "warning",
            "infestations",
            str(sites[site]),
            f"{name} does not control {weed} on {show(m2, 'area')}",
        )
        for (site, name, weed), m2 in left.items()
    ]
