"""Shopping list: which containers to open and which to buy, for one job or for a day of jobs.

What to buy is solved exactly by `scipy.optimize.milp`: at the least cost where prices are known, then with the
least left over, then in the fewest containers.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import Bounds, LinearConstraint, milp

from weedzone.base.errors import InputError
from weedzone.base.names import nearest
from weedzone.base.units import GAL_PER_L, PRODUCT_UNIT, to_si
from weedzone.kit import Sprayer
from weedzone.sizing import Sized, added_L, check_job

Containers = Mapping[str, Sequence[str] | Mapping[str, float]]
_NEARLY = 1e-6  # share of what is needed by which a container may be short of it


@dataclass(frozen=True)
class _Need:
    """How much of one thing [L or kg]."""

    form: str
    amount: float


def shopping_list(
    jobs: Sized | Iterable[Sized],
    containers: Containers,
    on_hand: Mapping[str, Sequence[str]] | None = None,
) -> pd.DataFrame:
    """Containers to open and to buy.

    Parameters
    ----------
    jobs : Sized or iterable of Sized
        One job, or all jobs of a day.
    containers : mapping of name to sizes, or to {size: price}
        What can be bought of each product, adjuvant and extra: ``{"Demo Trio": {"2.5 gal": 96.0, "1 qt": 14.0}}``.
        Either every size of a thing has a price or none.
    on_hand : mapping of name to contents, optional
        What is at hand, a text for each container: ``{"Demo Trio": ["0.4 gal", "2.5 gal"]}``. The emptiest are
        used up first (common practice, no source).

    Returns
    -------
    DataFrame
        A row for each product, adjuvant and extra: ``item``, ``needed``, ``unit`` (``fl oz``, ``oz`` by weight
        or ``lb``), ``open`` (containers at hand to use, "0.4 gal; 2.5 gal"), ``buy`` ("1 x 2.5 gal + 2 x 1 qt"),
        ``bought``, ``left_over`` (of what was opened and bought), ``cost`` (NaN where no price is known) and
        ``lacking`` (what neither the shelf nor any named container covers).

    Raises
    ------
    InputError, UnitError
        An unknown name, a size that is no amount, a price that is none; one product in two forms.
    """
    day = list(jobs) if isinstance(jobs, Iterable) else [jobs]
    for one in day:
        check_job(one)
    needs = _needs(day)
    held = on_hand or {}
    for field, given in (("containers", containers), ("on_hand", held)):
        for name, sizes in given.items():
            if isinstance(sizes, str):
                raise InputError(
                    f"{sizes!r} is no list of sizes", field=f"{field} {name}", mend='write ["2.5 gal"]'
                )
    rows = []
    for name, need in needs.items():
        opened, used = _opened(need, held.get(name, ()), name)
        rest = max(need.amount - used, 0.0)
        bought, counts, cost = _bought(need, rest, containers.get(name, ()), name)
        unit, factor = PRODUCT_UNIT[need.form]
        left = used + bought - need.amount
        short = max(-left, 0.0) if rest > _NEARLY * need.amount and not counts else 0.0
        rows.append(
            {
                "item": name,
                "needed": need.amount * factor,
                "unit": unit,
                "open": "; ".join(opened),
                "buy": " + ".join(f"{count} x {size}" for size, count in counts),
                "bought": bought * factor,
                "left_over": max(left, 0.0) * factor,
                "cost": cost,
                "lacking": short * factor,
            }
        )
    _refuse_strangers(needs, containers, held)
    columns = ["item", "needed", "unit", "open", "buy", "bought", "left_over", "cost", "lacking"]
    return pd.DataFrame(rows, columns=columns)


def _needs(jobs: Sequence[Sized]) -> dict[str, _Need]:
    """What the jobs take: products, label adjuvants and the rigs' extras."""
    found: dict[str, _Need] = {}

    def add(name: str, form: str, amount: float) -> None:
        have = found.get(name, _Need(form, 0.0))
        if have.form != form:
            raise InputError(
                f"{name!r} is {have.form} in one job and {form} in another",
                field="jobs",
                mend="list them apart",
            )
        found[name] = _Need(form, have.amount + amount)

    for job in jobs:
        for product, loads in job.loads.groupby("product", sort=False):
            label = job.plans[str(product)].label
            add(label.name, label.form, loads["made_up_amount"].sum() / PRODUCT_UNIT[label.form][1])
            litres = loads["made_up_gal"] / GAL_PER_L if isinstance(job.rig, Sprayer) else ()
            for name, needed_L in added_L(label, job.rig, litres).items():
                add(name, "liquid", needed_L)
    return found


def _refuse_strangers(needs: Mapping[str, _Need], *given: Mapping[str, Any]) -> None:
    """A name close to one that is needed is a slip; others are simply not needed today."""
    for names in given:
        for name in names:
            close = None if name in needs else nearest(name, [one for one in needs if one not in names])
            if close:
                raise InputError(
                    f"nothing named {name!r} is needed", field="containers", mend=f"did you mean {close!r}?"
                )


def _opened(need: _Need, contents: Sequence[str], name: str) -> tuple[list[str], float]:
    sizes = sorted((_size(text, need, name), text) for text in contents)
    opened: list[str] = []
    used = 0.0
    for size, text in sizes:
        if used >= need.amount * (1.0 - _NEARLY):
            break
        opened.append(text)
        used += size
    return opened, used


def _size(text: str, need: _Need, name: str) -> float:
    return to_si(text, "amount", form=need.form, field=f"container of {name}")


def _bought(
    need: _Need, rest: float, offered: Sequence[str] | Mapping[str, float], name: str
) -> tuple[float, list[tuple[str, int]], float]:
    """What to buy [L or kg], how many of each size, and at what cost."""
    texts = list(offered)
    sizes = np.array([_size(text, need, name) for text in texts])
    prices = _prices(offered, name)
    nothing = 0.0 if prices is not None or not texts else float("nan")
    if rest <= _NEARLY * need.amount:
        return 0.0, [], 0.0 if texts else float("nan")
    if not texts:
        return 0.0, [], nothing
    counts = fewest(rest, sizes, prices)
    cost = float("nan") if prices is None else float(counts @ prices)
    listed = [(text, int(count)) for text, count in zip(texts, counts, strict=True) if count]
    return float(counts @ sizes), listed, cost


def _prices(offered: Sequence[str] | Mapping[str, float], name: str) -> Any:
    if not isinstance(offered, Mapping):
        return None
    found = []
    for size, price in offered.items():
        if isinstance(price, bool) or not isinstance(price, int | float) or not 0 <= price < float("inf"):
            raise InputError(
                f"{price!r} is no price", field=f"{name} {size}", mend="write a number such as 96.0"
            )
        found.append(float(price))
    return np.array(found)


def fewest(rest: float, sizes: Any, prices: Any = None) -> Any:
    """How many containers of each size to buy.

    Parameters
    ----------
    rest : float
        What has to be covered, to a millionth [the unit of `sizes`].
    sizes : ndarray of float, shape (sizes,)
    prices : ndarray of float, shape (sizes,), optional

    Returns
    -------
    ndarray of int, shape (sizes,)
        The cheapest, then the one with the least left over, then the one with the fewest containers.
    """
    unit = sizes / rest
    goals = [unit, np.ones(len(sizes))]
    if prices is not None:
        goals.insert(0, prices / max(float(prices.max()), 1e-9))
    most = np.ceil(1.0 / unit)
    limits = [LinearConstraint(unit, 1.0 - _NEARLY, np.inf)]
    counts = most
    for goal, following in pairwise([*goals, None]):
        assert goal is not None
        found = milp(goal, integrality=np.ones(len(sizes)), bounds=Bounds(0, most), constraints=limits,
                     options={"mip_rel_gap": 0.0})  # fmt: skip
        counts = np.round(found.x).astype(int)
        if following is not None:
            reached = float(goal @ counts)
            limits.append(LinearConstraint(goal, -np.inf, reached * (1.0 + _NEARLY) + 1e-12))
    return counts
