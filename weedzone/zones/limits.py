"""The label's limits over time: what past applications leave of each product's allowance on a patch.

A year is any 365 days unless the label says the calendar's: that is never laxer than the calendar year to
date. Applications of every product that shares an active ingredient count toward the number of applications
and the interval, which is the safe reading where a label leaves it open; an ingredient counts as one under any of
its common names (`weedzone.base.names`). An application dated after the day asked for counts too: ground that is to
be treated later must not be treated before.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from weedzone.base.errors import SurveyError
from weedzone.base.names import chief_name
from weedzone.base.units import show, to_si
from weedzone.kit import SLACK, YEAR_DAYS, Label, Limits
from weedzone.zones.dose import Plan


@dataclass(frozen=True, order=True)
class Application:
    """One past application: the product, the day, and product per area [L/m2 or kg/m2]."""

    product: str
    date: dt.date
    dose: float


@dataclass(frozen=True)
class State:
    """What past applications leave of one product's allowance.

    Attributes
    ----------
    outcome : str
        Empty where the product may be applied; else the ledger's outcome.
    reason : str
        Which limit, and the first date on which it opens again; where the product may be applied, which limit
        keeps it below its highest dose, if any.
    dose : float
        Highest dose allowed [L/m2 or kg/m2].
    opens : datetime.date or None
        First date on which the product may be applied again, when it is not allowed.
    """

    outcome: str
    reason: str
    dose: float
    opens: dt.date | None


def history_dose(
    product: str,
    dose: str | None,
    amount: str | None,
    area_m2: float,
    labels: Mapping[str, Label],
    feature: object,
) -> float:
    """Product per area of one past application [L/m2 or kg/m2].

    Where both are written the larger counts. For a product without a label here, whose form is unknown, it is 0;
    the missing label itself keeps the ground from being sprayed.
    """
    label = labels.get(product)
    if label is None:
        return 0.0
    found = []
    try:
        if dose:
            found.append(_text_si(dose, "dose", label.form))
        if amount:
            found.append(_text_si(amount, "amount", label.form) / area_m2)
    except ValueError as problem:
        raise SurveyError(str(problem), layer="history", feature=feature) from None
    return max(found)


@lru_cache(maxsize=4096)
def _text_si(text: str, kind: str, form: str) -> float:
    return to_si(text, kind, form=form, field=kind)


def in_force(label: Label, past: Iterable[Application], on: dt.date) -> list[Application]:
    """Applications that fall in the label's year about a date."""
    if label.calendar_year:
        return [one for one in past if one.date.year == on.year or one.date > on]
    return [one for one in past if (on - one.date).days < YEAR_DAYS]


def active_names(label: Label) -> set[str]:
    """Chief names of a label's active ingredients."""
    return {chief_name(active.name, "active") for active in label.actives}


def applied(active: str, past: Iterable[Application], labels: Mapping[str, Label]) -> float:
    """Active ingredient that applications put down [kg/m2], across all products that hold it."""
    total, wanted = 0.0, chief_name(active, "active")
    for one in past:
        label = labels.get(one.product)
        for held in label.actives if label else ():
            if chief_name(held.name, "active") == wanted:
                total += one.dose * held.concentration
    return total


def shares_active(label: Label, other: Label | None) -> bool:
    """Whether two products count toward each other's applications; an unknown product counts for all."""
    if other is None:
        return True
    return label.name == other.name or bool(active_names(label) & active_names(other))


def state(plan: Plan, past: tuple[Application, ...], labels: Mapping[str, Label], on: dt.date) -> State:
    """Whether a product may be applied on a date to ground with the given past, and at which dose."""
    found = _state_on(plan, past, labels, on)
    if not found[0]:
        return State("", found[1], found[2], None)
    opens = _opening(plan, past, labels, on)
    when = f"opens again on {opens}" if opens else "does not open again within two years"
    return State(found[0], f"{found[1]}; {when}", 0.0, opens)


def _state_on(
    plan: Plan, past: tuple[Application, ...], labels: Mapping[str, Label], on: dt.date
) -> tuple[str, str, float]:
    label = plan.label
    counted = [one for one in past if shares_active(label, labels.get(one.product))]
    year = in_force(label, counted, on)
    strange = next((one for one in year if one.product not in labels), None)
    if strange is not None:
        return (
            "yearly limit",
            f"{strange.product!r} of {strange.date} has no label here, so its actives are unknown",
            0.0,
        )
    remaining, why = plan.dose_high, ""
    for active in label.actives:
        limit = label.limits.get(active.name)
        if limit is None or limit.per_year is None:
            continue
        left = limit.per_year - applied(active.name, year, labels)
        # The last digits of a limit in other units may not close ground, nor may they be sprayed.
        if left + limit.per_year * (SLACK - 1.0) < plan.dose_low * active.concentration:
            return "yearly limit", _left(active.name, left, limit.per_year), 0.0
        if left / active.concentration < remaining:
            remaining, why = left / active.concentration, _left(active.name, left, limit.per_year)
    allowed = label.applications_per_year
    if allowed is not None and len(year) >= allowed:
        return "applications used up", f"{allowed} a year are allowed", 0.0
    if label.interval_days is not None:
        last = max((one.date for one in counted), default=None)
        if last is not None and (on - last).days < label.interval_days[0]:
            return "too soon", f"{label.interval_days[0]:g} days after {last} are asked for", 0.0
    return "", why, remaining


def _left(active: str, left: float, most: float) -> str:
    return f"{show(max(left, 0.0), 'mass_per_area')} of {active} left of {show(most, 'mass_per_area')} a year"


def _opening(
    plan: Plan, past: tuple[Application, ...], labels: Mapping[str, Label], on: dt.date
) -> dt.date | None:
    """First date from `on` on which the product may be applied; only days on which something lapses can be it."""
    lapses = {on}
    interval = plan.label.interval_days
    for one in past:
        lapses.add(one.date + dt.timedelta(days=YEAR_DAYS))
        lapses.add(dt.date(one.date.year + 1, 1, 1))
        if interval is not None:
            lapses.add(one.date + dt.timedelta(days=-int(-interval[0] // 1)))
    for day in sorted(lapse for lapse in lapses if lapse >= on):
        if not _state_on(plan, past, labels, day)[0]:
            return day
    return None


def together(
    plan: Plan,
    past: tuple[Application, ...],
    first: Plan,
    first_dose: float,
    labels: Mapping[str, Label],
    on: dt.date,
) -> float:
    """Highest dose of a second product on ground that gets a first one the same day; 0 where not allowed.

    Either label must allow what both put down: in one application (the same day counts as one), in the year,
    in the number of applications and in the interval after an application of a shared ingredient.
    """
    if plan.label.name == first.label.name:
        return 0.0
    mine = state(plan, (*past, Application(first.label.name, on, first_dose)), labels, on)
    dose = 0.0 if mine.outcome else mine.dose
    held = {chief_name(one.name, "active"): one for one in first.label.actives}
    for active in plan.label.actives:
        other = held.get(chief_name(active.name, "active"))
        if other is None:
            continue
        down = first_dose * other.concentration
        year_down = applied(active.name, in_force(first.label, past, on), labels) + down
        for label, name in ((plan.label, active.name), (first.label, other.name)):
            limit = label.limits.get(name, Limits())
            if limit.per_application is not None:
                dose = min(dose, (limit.per_application - down) / active.concentration)
            if limit.per_year is not None and label is first.label:
                dose = min(dose, (limit.per_year - year_down) / active.concentration)
    if dose < plan.dose_low / SLACK or dose <= 0.0:
        return 0.0
    theirs = state(first, (*past, Application(plan.label.name, on, dose)), labels, on)
    return 0.0 if theirs.outcome else dose


def group_hint(
    past: Iterable[Application], label: Label, labels: Mapping[str, Label]
) -> tuple[str, int] | None:
    """Modes of action of a product that each of the last applications had too, and how many days in a row.

    None where the last two days of application do not share one with the product.
    """
    days: dict[dt.date, set[str]] = {}
    for one in past:
        known = labels.get(one.product)
        groups = {active.group for active in known.actives if active.group} if known else set()
        days.setdefault(one.date, set()).update(groups)
    common, run = {active.group for active in label.actives if active.group}, 0
    for _, groups in sorted(days.items(), reverse=True):
        if not common & groups:
            break
        common, run = common & groups, run + 1
    return (", ".join(sorted(common)), run) if run > 1 else None
