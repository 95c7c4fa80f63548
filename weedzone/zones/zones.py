"""Where each product may go, which one goes where, and the ledger of the infested ground."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from weedzone.base.errors import Finding
from weedzone.base.units import show
from weedzone.ground.shapes import Array, Bools, Floats, Ints
from weedzone.kit import SLACK, Label
from weedzone.survey import Survey
from weedzone.zones.assign import (
    Given,
    Means,
    Rules,
    States,
    asked,
    could_follow,
    states,
    warned,
    weeds_left,
)
from weedzone.zones.choice import Choices
from weedzone.zones.dose import Plan
from weedzone.zones.limits import group_hint
from weedzone.zones.outcomes import CODE, FREE, OUTCOMES, STAGE, name_features, outcomes
from weedzone.zones.parts import Parts, split_ground
from weedzone.zones.pieces import dissolve, give_workable, zone_numbers
from weedzone.zones.reach import Reach

__all__ = [
    "OUTCOMES", "Rules", "Treatments", "Zoned", "dissolve", "zone_ground",
]  # fmt: skip


@dataclass(frozen=True)
class Treatments:
    """Ground and what goes on it, a row for each part and pass.

    Attributes
    ----------
    part, product, zone : ndarray of int
        Row in the parts, product, and number of the zone.
    dose : ndarray of float
        Product per area [L/m2 or kg/m2].
    turn : ndarray of int
        1 for the first pass, 2 for the second.
    before : ndarray of int
        Product of the pass before; -1 in the first.
    by_wand : ndarray of bool
        Too thin for boom or spreader.
    """

    part: Ints
    product: Ints
    zone: Ints
    dose: Floats
    turn: Ints
    before: Ints
    by_wand: Bools


@dataclass(frozen=True)
class Zoned:
    """The parts of the infested ground and what becomes of each.

    Attributes
    ----------
    parts : Parts
    can : ndarray of bool, shape (parts, products)
        Whether the product may treat the part.
    most : ndarray of float, shape (parts, products)
        Highest dose that limits and a caution on the turf leave [L/m2 or kg/m2].
    product : ndarray of int
        Product that treats the part; where it is not treated, the one that came furthest, or -1.
    outcome : ndarray of int
        Row in `OUTCOMES`.
    reason : ndarray of str
    dose : ndarray of float
        Product per area where it is treated [L/m2 or kg/m2].
    zone : ndarray of int
        Number of the zone of each part; -1 where it is not treated.
    second, second_zone : ndarray of int
        Product and zone of each part's second pass; -1 where there is none.
    second_dose : ndarray of float
    thin, second_thin : ndarray of bool
        Parts of the first and of the second pass that are too thin for boom or spreader: treated by wand.
    zone_geoms : ndarray of geometry, shape (zones,)
        [m, about the site's origin]. Zones of one pass do not overlap.
    rules : Rules
        What the caller asked for.
    choices : Choices
        The best set of products of every size on each site.
    """

    parts: Parts
    can: Bools
    most: Floats
    product: Ints
    outcome: Ints
    reason: Array
    dose: Floats
    zone: Ints
    second: Ints
    second_dose: Floats
    second_zone: Ints
    thin: Bools
    second_thin: Bools
    zone_geoms: Array
    rules: Rules
    choices: Choices

    @property
    def treatments(self) -> Treatments:
        """What goes on the ground in every pass."""
        one, two = np.flatnonzero(self.zone >= 0), np.flatnonzero(self.second_zone >= 0)
        return Treatments(
            part=np.concatenate([one, two]),
            product=np.concatenate([self.product[one], self.second[two]]),
            zone=np.concatenate([self.zone[one], self.second_zone[two]]),
            dose=np.concatenate([self.dose[one], self.second_dose[two]]),
            turn=np.repeat([1, 2], [len(one), len(two)]),
            before=np.concatenate([np.full(len(one), -1), self.product[two]]),
            by_wand=np.concatenate([self.thin[one], self.second_thin[two]]),
        )

    @property
    def zone_site(self) -> Ints:
        """Site of each zone."""
        site = np.zeros(len(self.zone_geoms), dtype=np.intp)
        every = self.treatments
        site[every.zone] = self.parts.site[every.part]
        return site


def zone_ground(survey: Survey, reach: Reach, means: Means) -> tuple[Zoned, list[Finding]]:
    """Split the infested ground, give it to products, and say what becomes of the rest.

    Parameters
    ----------
    survey : Survey
    reach : Reach
        Distances to keep, by feature and product.
    means : Means
    """
    plans, rules, sites = means.plans, means.rules, survey.local.sites
    parts, named, findings = split_ground(survey, plans, means.labels, reach)
    found = states(parts, plans, means.labels, means.on)
    stage, reasons = found.stage.copy(), found.reason.copy()
    wanted = asked(parts, plans, rules)
    avoided = warned(parts, plans) & rules.avoid_caution
    stage[avoided & (stage == STAGE[FREE])] = STAGE["caution turf"]
    reasons[avoided & (stage == STAGE["caution turf"])] = "the label warns of temporary injury to this turf"
    open_ground = (parts.turf >= 0) & ~parts.outside & ~parts.kept_out
    reachable = named & ~parts.buffered & open_ground[:, np.newaxis]
    can = reachable & (stage == STAGE[FREE])
    infested = survey.local.infested
    worked = give_workable(parts, can & wanted, found, means, (infested.geoms, infested.site))
    given = worked.given
    asks = _another_mix(given.choices, plans, rules, len(sites))
    for site, p in worked.dropped.items():
        asks[site] = (
            f"{list(plans)[p]} would be left with too little ground once its thin pieces went to neighbours"
        )
    reasons = np.where(stage == STAGE[FREE], asks[parts.site][:, np.newaxis], reasons)

    outcome, product, reason = outcomes(
        parts, named, wanted, stage, given.product, plans, reasons, found.opens, reach, survey.local.takers
    )
    _name_weaker(given, found, plans, product, reason)
    thin = worked.too_thin >= 0
    outcome[thin], product[thin] = CODE["sliver"], worked.too_thin[thin]
    reason[thin] = f"too thin to spray, under {show(rules.least.width_m, 'length')}: by hand"
    zone = zone_numbers(parts, given.product, given.dose, worked.thin)
    name_features(parts, outcome, product, reason, reach, plans)

    treated, second = given.product, given.second
    hinted = could_follow(parts, reachable & wanted & ~avoided, means, given) if rules.passes == 1 else second
    findings += _left_over(parts, treated, hinted, plans, sites, rules.passes)
    findings += _lost_by_width(parts, worked.planned, treated, plans, sites)
    second_zone = zone_numbers(parts, second, given.second_dose, worked.second_thin)
    n_first = int(zone.max(initial=-1)) + 1
    geoms = np.concatenate([dissolve(parts.geoms, turn, parts.fresh) for turn in (zone, second_zone)])
    second_zone[second_zone >= 0] += n_first
    findings += _reduced(parts, treated, given.dose, plans, found, sites)
    findings += _same_group(parts, treated, plans, means.labels, sites)
    zoned = Zoned(
        parts, can, found.dose, product, outcome, reason, given.dose, zone, second, given.second_dose, second_zone,
        worked.thin, worked.second_thin, geoms, rules, given.choices,
    )  # fmt: skip
    return zoned, findings


def _another_mix(choices: Choices, plans: Mapping[str, Plan], rules: Rules, n_sites: int) -> Array:
    """Why each site has no mix more, for ground that is allowed and left: what another one would add."""
    names = np.array(list(plans), dtype=object)
    told = np.full(n_sites, "no product was left for it", dtype=object)
    plan = {site: row for row, site in enumerate(choices.site) if choices.taken[row]}
    for row, site in enumerate(choices.site):
        own = plan[site]
        if choices.count[row] != choices.count[own] + 1:
            continue
        gain = float(choices.ground_m2[row] - choices.ground_m2[own])
        worth = float(choices.worth_m2[row])
        new = choices.members[row] & ~choices.members[own]
        several = " and ".join(names[new if new.sum() == 1 else choices.members[row]])
        if gain <= 0.0:
            text = "the site's mixes may not go there, and no other set treats more of the site"
        elif gain < worth:
            text = (
                f"another mix ({several}) would add {show(gain, 'area')} on the site, "
                f"less than the {show(worth, 'area')} that make one worth it"
            )
        elif rules.worth.most is not None:
            text = f"it would take more products than were allowed: {several} would add {show(gain, 'area')}"
        else:
            text = (
                f"a third product ({several}) would add {show(gain, 'area')} on the site; "
                "two are used at most unless max_products= says more"
            )
        told[site] = text
    return told


def _name_weaker(
    given: Given, found: States, plans: Mapping[str, Plan], product: Ints, reason: Array
) -> None:
    """Say of ground that allows less than the strength of the site's mix which dose it allows."""
    planned = list(plans.values())
    for row in np.flatnonzero(given.weaker >= 0):
        p = int(given.weaker[row])
        dose = show(float(found.dose[row, p]), "dose", form=planned[p].label.form)
        product[row] = p
        reason[row] = (
            f"it allows {planned[p].label.name} at {dose} at most, weaker than the site's mix, and is not worth another"
        )


def _left_over(
    parts: Parts, first: Ints, second: Ints, plans: Mapping[str, Plan], sites: Array, passes: int
) -> list[Finding]:
    """Weeds on treated ground that its products do not control, and the second pass that would be allowed."""
    names, labels = list(plans), [plan.label for plan in plans.values()]
    sets, left = weeds_left(parts, first, plans)
    area = parts.area_m2
    found: dict[tuple[int, str, str, str], float] = {}
    for row in np.flatnonzero(left >= 0):
        other = second[row]
        for weed in sets[left[row]]:
            helped = other >= 0 and weed in labels[other].weeds
            if helped and passes > 1:
                continue
            who, hint = names[first[row]], ""
            if helped:
                hint = f": a second pass with {names[other]} would be allowed (passes=2)"
            elif passes > 1:
                hint = ", and no second pass is allowed that does"
            key = (int(parts.site[row]), who, weed, hint)
            found[key] = found.get(key, 0.0) + float(area[row])
    return [
        Finding(
            "warning",
            "infestations",
            str(sites[site]),
            f"{name} does not control {weed} on {show(m2, 'area')}{hint}",
        )
        for (site, name, weed, hint), m2 in found.items()
    ]


def _lost_by_width(
    parts: Parts, planned: Ints, treated: Ints, plans: Mapping[str, Plan], sites: Array
) -> list[Finding]:
    """Weeds that are no longer controlled where a thin or small piece went to the product beside it."""
    names, labels = list(plans), [plan.label for plan in plans.values()]
    lost: dict[tuple[int, int, int, str], float] = {}
    for row in np.flatnonzero((planned >= 0) & (treated >= 0) & (planned != treated)):
        was, now = int(planned[row]), int(treated[row])
        for weed in parts.weed_sets[parts.weeds[row]]:
            if weed in labels[was].weeds and weed not in labels[now].weeds:
                key = (int(parts.site[row]), was, now, weed)
                lost[key] = lost.get(key, 0.0) + float(parts.area_m2[row])
    return [
        Finding(
            "warning",
            "infestations",
            str(sites[site]),
            f"{show(m2, 'area')} in thin or small pieces went from {names[was]} to {names[now]} beside them, which "
            f"does not control {weed}: min_width= and min_area= decide",
        )
        for (site, was, now, weed), m2 in lost.items()
    ]


def _reduced(
    parts: Parts, treated: Ints, dose: Floats, plans: Mapping[str, Plan], found: States, sites: Array
) -> list[Finding]:
    """Where past applications leave less than the label's highest dose."""
    planned = list(plans.values())
    full = np.array([plan.dose_high for plan in planned])
    rows = np.flatnonzero(treated >= 0)
    rows = rows[dose[rows] < full[treated[rows]] / SLACK]
    area = parts.area_m2
    cut: dict[tuple[int, int, str, str, str], float] = {}
    for row in rows:
        p = int(treated[row])
        fits = show(dose[row], "dose", form=planned[p].label.form)
        layer = "turf" if found.gentle[row, p] else "history"
        key = (int(parts.site[row]), p, fits, str(found.reason[row, p]), layer)
        cut[key] = cut.get(key, 0.0) + float(area[row])
    return [
        Finding(
            "warning",
            layer,
            str(sites[site]),
            f"{planned[p].label.name} is planned at {fits} on {show(m2, 'area')}, not at the labelled "
            f"{show(planned[p].dose_high, 'dose', form=planned[p].label.form)}: {why}",
        )
        for (site, p, fits, why, layer), m2 in cut.items()
    ]


def _same_group(
    parts: Parts, treated: Ints, plans: Mapping[str, Plan], labels: Mapping[str, Label], sites: Array
) -> list[Finding]:
    """Remind of resistance where each of the last applications had the product's mode of action."""
    rows = np.flatnonzero((treated >= 0) & (parts.past > 0))
    keys = np.unique(np.column_stack([parts.site[rows], treated[rows], parts.past[rows]]), axis=0)
    planned = list(plans.values())
    runs: dict[tuple[int, int, str], int] = {}
    for site, p, past in keys:
        hint = group_hint(parts.past_sets[past], planned[p].label, labels)
        if hint is not None:
            key = (int(site), int(p), hint[0])
            runs[key] = max(runs.get(key, 0), hint[1])
    return [
        Finding(
            "note",
            "history",
            str(sites[site]),
            f"mode of action group {groups} of {planned[p].label.name} was used in each of the last {run} "
            "applications on some of this ground: consider another group, so that no resistance builds up",
        )
        for (site, p, groups), run in runs.items()
    ]
