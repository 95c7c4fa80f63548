"""The label's limits over time: what past applications leave of each product's allowance on a patch.

A year is any 365 days unless the label says the calendar's: that is never laxer than the calendar year to
date. Applications of every product that shares an active ingredient count toward the number of applications
and the interval, which is the safe reading where a label leaves it open. An application dated after the day
asked for counts too: ground that is to be treated later must not be treated before.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from weedzone.dosing import SLACK, Plan
from weedzone.errors import Finding, SurveyError
from weedzone.label import Label
from weedzone.units import show, to_si

YEAR_DAYS = 365


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
        Which limit, and the first date on which it opens again.
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


def applied(active: str, past: Iterable[Application], labels: Mapping[str, Label]) -> float:
    """Active ingredient that applications put down [kg/m2], across all products that hold it."""
    total = 0.0
    for one in past:
        label = labels.get(one.product)
        for held in label.actives if label else ():
            if held.name == active:
                total += one.dose * held.concentration
    return total


def shares_active(label: Label, other: Label | None) -> bool:
    """Whether two products count toward each other's applications; an unknown product counts for all."""
    if other is None:
        return True
    mine, theirs = ({active.name for active in one.actives} for one in (label, other))
    return label.name == other.name or bool(mine & theirs)


def state(plan: Plan, past: tuple[Application, ...], labels: Mapping[str, Label], on: dt.date) -> State:
    """Whether a product may be applied on a date to ground with the given past, and at which dose."""
    found = _state_on(plan, past, labels, on)
    if not found[0]:
        return State("", "", found[2], None)
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
    remaining = plan.dose_high
    for active in label.actives:
        limit = label.limits.get(active.name)
        if limit is None or limit.per_year is None:
            continue
        left = limit.per_year * SLACK - applied(active.name, year, labels)
        if left / active.concentration < plan.dose_low / SLACK:
            have, most = show(max(left, 0.0), "mass_per_area"), show(limit.per_year, "mass_per_area")
            return "yearly limit", f"{have} of {active.name} left of {most} a year", 0.0
        remaining = min(remaining, left / active.concentration)
    allowed = label.applications_per_year
    if allowed is not None and len(year) >= allowed:
        return "applications used up", f"{allowed} a year are allowed", 0.0
    if label.interval_days is not None:
        last = max((one.date for one in counted), default=None)
        if last is not None and (on - last).days < label.interval_days[0]:
            return "too soon", f"{label.interval_days[0]:g} days after {last} are asked for", 0.0
    return "", "", remaining


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


def group_hint(past: Iterable[Application], label: Label, labels: Mapping[str, Label]) -> Finding | None:
    """Remind of resistance where each of the last applications (two or more days) had the same mode of action."""
    days: dict[dt.date, set[str]] = {}
    for one in past:
        known = labels.get(one.product)
        groups = {active.group for active in known.actives if active.group} if known else set()
        days.setdefault(one.date, set()).update(groups)
    if len(days) < 2:
        return None
    common = set.intersection(*days.values()) & {active.group for active in label.actives}
    if not common:
        return None
    names = ", ".join(sorted(common))
    message = f"mode of action group {names} was used in each of the last {len(days)} applications: consider another"
    return Finding("note", "history", label.name, message)
