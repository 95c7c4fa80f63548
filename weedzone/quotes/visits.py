"""What each visit to each site takes: ground, material, loads and minutes; and which follow-ups the labels allow."""

from __future__ import annotations

import datetime as dt
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from numbers import Integral
from typing import Any

import numpy as np
import pandas as pd

from weedzone.base.errors import Finding, InputError
from weedzone.base.money import percent
from weedzone.base.units import FT2_PER_M2, GAL_PER_L, PRODUCT_UNIT, UNIT_PER_SI
from weedzone.ground.shapes import Floats
from weedzone.kit import FollowUp, Prices, Sprayer, follow_up
from weedzone.quotes.labour import Minutes, Walk, spraying_min
from weedzone.sizing import Sized, added_L, amounts, mixed
from weedzone.zones import Application, state


@dataclass(frozen=True)
class Need:
    """What one product takes on one site in one visit.

    Attributes
    ----------
    product : str
    area_m2 : float
        Ground treated [m2].
    solution_L, amount : float
        Solution [L] (0 for granules) and product, in `unit`, on the ground.
    unit : str
        ``fl oz``, ``oz`` or ``lb``.
    loads : int
    made_up_L, made_up : float
        Solution and product that are made up for it, with what fills pump and lines: this is what is charged.
    added_L : mapping of str to float
        What goes into it beside the product, as measured [L].
    thin_m2, thin_L : float
        Of ground and solution, what is too thin for the boom; of a follow-up not known.
    """

    product: str
    area_m2: float
    solution_L: float
    amount: float
    unit: str
    loads: int = 1
    made_up_L: float = 0.0
    made_up: float = 0.0
    added_L: Mapping[str, float] = field(default_factory=dict)
    thin_m2: float = 0.0
    thin_L: float = 0.0


@dataclass(frozen=True)
class SiteVisit:
    """One visit to one site; `walked` are the walks of its products."""

    site: str
    number: int
    title: str
    needs: tuple[Need, ...]
    minutes: Minutes
    spraying_basis: str
    walked: tuple[Walk, ...]

    @property
    def area_m2(self) -> float:
        """Ground treated [m2]."""
        return sum(need.area_m2 for need in self.needs)


Needs = dict[str, tuple[Need, ...]]


def first_needs(job: Sized) -> Needs:
    """What the job itself takes, by site; every site of the survey has its entry."""
    found: dict[str, list[Need]] = {site: [] for site in job.survey.sites}
    by = ["site", "product"]
    thin = job.zones[job.zones["by_wand"]].groupby(by)[["area_m2", "solution_L"]].sum()
    thin = thin.reindex(pd.MultiIndex.from_frame(job.totals[by]), fill_value=0.0)
    litres = (job.loads["made_up_gal"] / GAL_PER_L).groupby([job.loads[name] for name in by]).agg(list)
    for row, (thin_m2, thin_L) in zip(job.totals.to_dict("records"), thin.to_numpy(), strict=True):
        need = replace(
            need_of(row),
            loads=int(row["loads"]),
            made_up_L=row["made_up_gal"] / GAL_PER_L,
            made_up=row["made_up_amount"],
            added_L=added_L(
                job.labels[row["product"]],
                job.rig,
                litres[row["site"], row["product"]] if row["solution_L"] else (),
            ),
            thin_m2=float(thin_m2),
            thin_L=float(thin_L),
        )
        found[str(row["site"])].append(need)
    return {site: tuple(needs) for site, needs in found.items()}


def need_of(row: Mapping[Hashable, Any]) -> Need:
    """A row of a job's totals, or of a doubt's cases, as a need on the ground."""
    return Need(row["product"], row["area_m2"], row["solution_L"], row["product_amount"], row["product_unit"])


def planned_follow_ups(visits: object, prices: Prices) -> tuple[FollowUp, ...]:
    """The follow-ups that `weedzone.quote` is asked for: by number, by themselves, or as the list plans.

    Raises
    ------
    InputError
    """
    known = prices.followups
    if visits is None:
        return known
    if isinstance(visits, Integral) and not isinstance(visits, bool):
        count = int(visits)
        if count < 1:
            raise InputError(
                f"{count} visits are asked for", field="visits", mend="ask for at least 1, the first"
            )
        if count > len(known) + 1:
            raise InputError(
                f"{count} visits are asked for, the price list plans {len(known) + 1}",
                field="visits",
                mend='add [[followup]] after = "28 day", share = "30 %" to it',
            )
        return known[: count - 1]
    if isinstance(visits, str | Mapping) or not isinstance(visits, Iterable):
        mend = 'write [{"after": "28 day", "share": "30 %"}]'
        raise InputError("the follow-up visits come as a number or a list", field="visits", mend=mend)
    return tuple(follow_up(one) for one in visits)


def needs_later(
    job: Sized, followups: Sequence[FollowUp], visits: object, prices: Prices
) -> tuple[list[Needs], list[Finding]]:
    """`follow_up_needs`; an error says so where it is the price list that plans the visit.

    Raises
    ------
    InputError
    """
    try:
        return follow_up_needs(job, followups)
    except InputError as problem:
        if visits is not None and not isinstance(visits, Integral):
            raise
        raise InputError(
            f"{problem.what} (the visit comes from the price list)",
            file=prices.file or None,
            field="[[followup]]",
            mend=f"{problem.mend}, or price the first visit alone: visits=1 (--visits 1)",
        ) from None


def follow_up_needs(job: Sized, visits: Sequence[FollowUp]) -> tuple[list[Needs], list[Finding]]:
    """What follow-up visits are expected to take, on the ground that stays open to the same products.

    Any patch may need treating again, so each label is held as if every visit treated the same patch. The
    share of the area is the same on every site.

    Raises
    ------
    InputError
        A visit before a label's interval is over, or one on which no ground is open.
    """
    parts, zoned = job.zoned.parts, job.zoned
    rows = np.flatnonzero(zoned.zone >= 0)
    keys, of = np.unique(
        np.column_stack([zoned.product[rows], parts.past[rows], zoned.dose[rows]]),
        axis=0,
        return_inverse=True,
    )
    doses, findings = _follow_up_doses(job, keys, visits)
    area = parts.area_m2[rows]
    plans, names = list(job.plans.values()), list(job.plans)
    spot = job.use == "spot"
    found: list[Needs] = []
    for number, (visit, by_key) in enumerate(zip(visits, doses, strict=True), 1):
        dose = by_key[of.ravel()]
        is_open = dose > 0.0
        closed = float(area[~is_open].sum()) * FT2_PER_M2
        if not is_open.any():
            raise InputError(
                f"follow-up {number} has no ground open to it: the labels allow no further application",
                field="visits",
                mend="leave the visit out",
            )
        if closed:
            message = f"{closed:,.0f} ft2 of the first visit's ground is closed by label limits: not priced"
            findings.append(Finding("warning", "visits", f"follow-up {number}", message))
        part = float(visit.share)
        ground = np.where(is_open, area, 0.0) * part
        wetted = ground * (parts.cover[rows] if spot else 1.0)
        each = amounts(wetted, dose, zoned.product[rows], plans)
        needs: dict[str, list[Need]] = {site: [] for site in job.survey.sites}
        pairs, at = np.unique(
            np.column_stack([parts.site[rows], zoned.product[rows]]), axis=0, return_inverse=True
        )

        def total(values: Floats, at: Floats = at, n: int = len(pairs)) -> Floats:
            return np.bincount(at.ravel(), values, n)

        ground_sum, solution, product = total(ground), total(each.solution_L), total(each.product)
        for row, (site, p) in enumerate(pairs):
            if ground_sum[row] > 0.0:
                unit, factor = PRODUCT_UNIT[plans[p].label.form]
                need = Need(
                    names[p], float(ground_sum[row]), float(solution[row]), float(product[row] * factor), unit
                )
                needs[str(job.survey.local.sites[site])].append(loaded(job, need))
        found.append({site: tuple(one) for site, one in needs.items()})
    return found, findings


def loaded(job: Sized, need: Need) -> Need:
    """The need with the loads that it makes, and what is made up for them."""
    label, factor = job.labels[need.product], UNIT_PER_SI[need.unit]
    alone = len(job.survey.sites) == 1
    made = mixed(
        label, job.rig, need.solution_L, need.amount / factor, even=job.asked.even_loads, alone=alone
    )
    return replace(
        need,
        loads=made.loads,
        made_up_L=made.solution_L,
        made_up=made.product * factor,
        added_L=made.added_L,
    )


def site_visits(
    job: Sized,
    prices: Prices,
    needs: Sequence[Needs],
    followups: Sequence[FollowUp],
    walked: Mapping[tuple[str, str], Walk],
) -> list[SiteVisit]:
    """Visits with their minutes: the first to every site, follow-ups only where something is to be done."""
    titles = [
        "first visit",
        *(
            f"follow-up {n}, {one.after_days:g} days on, {percent(one.share)} of the ground expected"
            for n, one in enumerate(followups, 1)
        ),
    ]
    found = []
    for number, (title, by_site) in enumerate(zip(titles, needs, strict=True), 1):
        for site, mine in by_site.items():
            if mine or number == 1:
                walk = tuple(walked[site, need.product] for need in mine if (site, need.product) in walked)
                minutes, basis = _minutes(job, prices, mine, walk)
                found.append(SiteVisit(site, number, title, mine, minutes, basis, walk))
    return found


def _minutes(
    job: Sized, prices: Prices, needs: tuple[Need, ...], walk: Iterable[Walk]
) -> tuple[Minutes, str]:
    if not needs or prices.labour_rate is None:
        return Minutes(0.0, 0.0, 0.0, 0.0, 0.0), ""
    spraying, basis = 0.0, ""
    flow = job.rig.wand.flow_L_per_s if isinstance(job.rig, Sprayer) and job.rig.wand is not None else None
    by_wand_L = 0.0 if flow is None else sum(need.thin_L for need in needs)
    for need in needs:
        thin_m2, thin_L = (0.0, 0.0) if flow is None else (need.thin_m2, need.thin_L)
        minutes, basis = spraying_min(job, prices, need.area_m2 - thin_m2, need.solution_L - thin_L)
        spraying += minutes
    if flow is not None and by_wand_L > 0.0:
        spraying += by_wand_L / flow / 60.0 / prices.efficiency
        basis += "; thin ground by the flow of the wand"
    return Minutes(
        setup=prices.setup_s / 60.0,
        mixing=sum(need.loads for need in needs) * prices.mixing_s / 60.0,
        rinsing=(len({need.product for need in needs}) - 1) * prices.rinse_s / 60.0,
        spraying=spraying,
        walking=sum(one.length_m for one in walk) / prices.walking_mps / 60.0,
    ), basis


def _follow_up_doses(
    job: Sized, keys: Floats, visits: Sequence[FollowUp]
) -> tuple[list[Floats], list[Finding]]:
    """Dose of each follow-up on each kind of ground (product, past, first dose); 0 where a limit closes it."""
    found = [np.zeros(len(keys)) for _ in visits]
    findings: list[Finding] = []
    plans = list(job.plans.values())
    for row, (product, past, first_dose) in enumerate(keys):
        plan, name = plans[int(product)], plans[int(product)].label.name
        known = (*job.zoned.parts.past_sets[int(past)], Application(name, job.on, float(first_dose)))
        day = job.on
        for number, visit in enumerate(visits):
            day += dt.timedelta(days=int(visit.after_days))
            left = state(plan, known, job.labels, day)
            if left.outcome == "too soon":
                when = f"follow-up {number + 1} of {name!r}, {visit.after_days:g} days on,"
                raise InputError(
                    f"{when} is {left.outcome}: {left.reason}",
                    field="visits",
                    mend="plan it later",
                )
            interval = plan.label.interval_days
            if interval is not None and visit.after_days > interval[1]:
                message = (
                    f"{name}: {visit.after_days:g} days are past the label's interval, "
                    f"{interval[0]:g} to {interval[1]:g} days"
                )
                findings.append(Finding("warning", "visits", f"follow-up {number + 1}", message))
            if not left.outcome:
                found[number][row] = min(float(first_dose), left.dose)
                known = (*known, Application(name, day, found[number][row]))
    return found, findings
