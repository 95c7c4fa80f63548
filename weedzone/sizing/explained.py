"""Why each product was chosen, in words: what it treats, what the others may not reach, what was left aside."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from weedzone.base.units import FT2_PER_M2, show
from weedzone.ground.shapes import Bools, Floats, Ints, near_pairs
from weedzone.sizing.run import Sized
from weedzone.zones import marks, names_weed, weeds_left

_NOTABLE = 0.005  # share of the ground from which a reason is worth a word
# What sets another product aside on ground, the first that holds.
_AGAINST = {
    "weed": "its label lacks the weed",
    "turf": "its label lacks the turf",
    "buffer": "its buffer",
    "limit": "its limits",
    "preferred": "the preferred product goes first",
    "fewer": "it controls fewer of the weeds",
    "rated": "it is rated lower for the weed",
    "dearer": "it costs more",
}
_MAY_NOT = ("weed", "turf", "buffer", "limit")


def explain(job: Sized) -> pd.DataFrame:
    """Say for each site and product why it goes where it goes.

    Parameters
    ----------
    job : Sized

    Returns
    -------
    DataFrame
        A row for each site, product and pass: ``site``, ``product``, ``pass``, ``area_ft2``, ``why``
        (sentences). The order that decides is that of `weedzone.zones.choice`.
    """
    view = _View.of(job)
    rows = []
    zoned = job.zoned
    passes = ((zoned.zone, zoned.product), (zoned.second_zone, zoned.second))
    for turn, (zone, chosen) in enumerate(passes, 1):
        product = np.where(zone >= 0, chosen, -1)
        for site, p, ground in _groups(job, product):
            words = _first(view, ground, p, product) if turn == 1 else _second(view, ground, p)
            area = float(view.area[ground].sum()) * FT2_PER_M2
            rows.append((str(job.survey.local.sites[site]), view.names[p], turn, area, words))
    table = pd.DataFrame(rows, columns=["site", "product", "pass", "area_ft2", "why"])
    return table.astype({"pass": int, "area_ft2": float})


def _groups(job: Sized, product: Ints) -> Iterator[tuple[int, int, Ints]]:
    """Site, product and parts of each."""
    rows = np.flatnonzero(product >= 0)
    if not len(rows):
        return
    keys = np.column_stack([job.zoned.parts.site[rows], product[rows]])
    distinct, of = np.unique(keys, axis=0, return_inverse=True)
    order = np.argsort(of.ravel(), kind="stable")
    ends = np.cumsum(np.bincount(of.ravel(), minlength=len(distinct)))
    for (site, p), members in zip(distinct, np.split(order, ends[:-1]), strict=True):
        yield int(site), int(p), rows[members]


@dataclass(frozen=True)
class _View:
    """What the sentences are made of, for every part."""

    job: Sized
    names: list[str]
    area: Floats
    weed: Bools
    count: Floats
    mean: Floats

    @classmethod
    def of(cls, job: Sized) -> _View:
        parts = job.zoned.parts
        table = marks(parts.weed_sets, list(job.plans.values()))
        count = (table > 0).sum(axis=1).astype(float)
        mean = table.sum(axis=1) / np.maximum(count, 1.0)
        weed = names_weed(parts, job.plans)
        return cls(job, list(job.plans), parts.area_m2, weed, count[parts.weeds], mean[parts.weeds])

    def turf_named(self, rows: Ints, q: int) -> Bools:
        """Whether a product's label names every turf of some parts."""
        parts, label = self.job.zoned.parts, list(self.job.plans.values())[q].label
        known = np.array([all(label.allows_turf(turf) for turf in turfs) for turfs in parts.turf_sets])
        return np.asarray(known[parts.turf[rows]])

    def against(self, rows: Ints, p: int, q: int) -> dict[str, Bools]:
        """What sets product `q` aside on each of the parts that `p` treats; the masks do not overlap."""
        zoned, rules = self.job.zoned, self.job.zoned.rules
        may = zoned.can[rows, q]
        prices = rules.price if rules.price and all(name in rules.price for name in self.names) else None
        mine, other = (self.names[one] in rules.prefer for one in (p, q))
        own = other_cost = np.zeros(len(rows))
        if prices is not None:
            own = zoned.dose[rows] * prices[self.names[p]]
            other_cost = own * 0.0 + self.job.plans[self.names[q]].dose_high * prices[self.names[q]]
        cases = {
            "weed": ~may & ~self.weed[rows, q],
            "turf": ~may & ~self.turf_named(rows, q),
            "buffer": ~may & zoned.parts.buffered[rows, q],
            "limit": ~may,
            "preferred": np.full(len(rows), mine and not other),
            "fewer": self.count[rows, q] < self.count[rows, p],
            "rated": (self.count[rows, q] == self.count[rows, p]) & (self.mean[rows, q] < self.mean[rows, p]),
            "dearer": other_cost > own,
            "equal": np.ones(len(rows), dtype=bool),
        }
        out, open_ = {}, np.ones(len(rows), dtype=bool)
        for name, holds in cases.items():
            out[name] = open_ & holds
            open_ &= ~holds
        return out

    def kinds(self, rows: Ints, q: int) -> str:
        """Kinds of feature whose buffers keep a product out of some parts."""
        reach, parts = self.job.reach, self.job.zoned.parts
        assert reach.features.outline is not None
        _, feature = near_pairs(
            parts.geoms[rows],
            parts.site[rows],
            reach.features.outline,
            reach.features.site,
            reach.widest_m[:, q],
        )
        return ", ".join(sorted({str(reach.kind[one]) for one in feature}))


def _first(view: _View, rows: Ints, p: int, product: Ints) -> str:
    job, name = view.job, view.names[p]
    parts, rules = job.zoned.parts, job.zoned.rules
    said = [f"{name} treats {show(view.area[rows].sum(), 'area')}: {_rated(view, rows, p)}."]
    if rules.products is not None:
        return " ".join([*said, "It was named for this turf."])
    if name in rules.prefer:
        said.append("It is preferred.")
    site = parts.site[rows[0]]
    here = np.flatnonzero(parts.site == site)
    used = {int(one) for one in np.unique(product[here]) if one >= 0} - {p}
    for q in sorted(used, key=lambda one: -view.area[here][product[here] == one].sum()):
        said += _beside(view, rows, p, q)
    rest = [q for q in range(len(view.names)) if q != p and q not in used]
    aside = [text for q in rest if (text := _aside(view, rows, p, q))]
    if aside:
        said.append(f"Left aside: {'; '.join(aside)}.")
    elif not used:
        said.append("No other product at hand may treat this ground.")
    return " ".join([*said, *_one_more(job, site)])


def _one_more(job: Sized, site: int) -> Iterator[str]:
    """What the best set with one product more would add, where one was weighed."""
    made = job.choices[job.choices["site"] == job.survey.local.sites[site]]
    taken = made["mixes"][made["taken"]].max()
    for row in made[made["mixes"] > taken].to_dict("records"):
        yield f"One product more ({row['products']}) {row['why']}."


def _rated(view: _View, rows: Ints, p: int) -> str:
    parts, label = view.job.zoned.parts, list(view.job.plans.values())[p].label
    weeds = sorted({weed for one in np.unique(parts.weeds[rows]) for weed in parts.weed_sets[one]})
    return ", ".join(f"{weed} {label.weeds.get(weed, 'not controlled')}" for weed in weeds)


def _shares(view: _View, rows: Ints, p: int, q: int) -> dict[str, tuple[float, Ints]]:
    """Area and parts of each notable reason against a product, the largest first."""
    total = view.area[rows].sum()
    found = {
        name: (float(view.area[rows][mask].sum()), rows[mask])
        for name, mask in view.against(rows, p, q).items()
    }
    notable = {name: one for name, one in found.items() if one[0] > _NOTABLE * total}
    return dict(sorted(notable.items(), key=lambda one: -one[1][0]))


def _beside(view: _View, rows: Ints, p: int, q: int) -> list[str]:
    """What a product does beside another one that is used on the site."""
    shares, other = _shares(view, rows, p, q), view.names[q]
    closed = {name: one for name, one in shares.items() if name in _MAY_NOT}
    said = []
    if closed:
        area = sum(one[0] for one in closed.values())
        why = " and ".join(_reason(view, name, one[1], q) for name, one in closed.items())
        said.append(f"It fills {show(area, 'area')} that {other} may not treat because of {why}.")
    for name, (area, _) in shares.items():
        if name == "equal":
            said.append(f"On {show(area, 'area')} {other} would do as well: the order of the labels decides.")
        elif name not in _MAY_NOT:
            said.append(f"On {show(area, 'area')} {other} could be used too, but {_AGAINST[name]}.")
    return said


def _reason(view: _View, name: str, rows: Ints, q: int) -> str:
    if name == "buffer":
        kinds = view.kinds(rows, q)
        return f"its buffers ({kinds})" if kinds else "its buffers"
    return {"weed": "the weed", "turf": "the turf", "limit": "its limits"}[name]


def _aside(view: _View, rows: Ints, p: int, q: int) -> str:
    """Why a product that is not used on the site was left aside; empty where it may treat nothing here."""
    shares = _shares(view, rows, p, q)
    may = view.job.zoned.can[rows, q]
    if not may.any():
        return ""
    part = view.area[rows][may].sum() / view.area[rows].sum()
    if part < 1.0 - _NOTABLE:
        return f"{view.names[q]} may treat only {100 * part:.0f} % of it"
    name = next(iter(shares), "equal")
    word = "one product more would be needed" if name == "equal" else _AGAINST[name]
    return f"{view.names[q]}, {word}"


def _second(view: _View, rows: Ints, p: int) -> str:
    zoned = view.job.zoned
    sets, left = weeds_left(zoned.parts, np.where(zoned.zone >= 0, zoned.product, -1), view.job.plans)
    label = list(view.job.plans.values())[p].label
    weeds = sorted({weed for one in np.unique(left[rows]) for weed in sets[one] if weed in label.weeds})
    before = sorted({view.names[one] for one in np.unique(zoned.product[rows])})
    marks = ", ".join(f"{weed} {label.weeds[weed]}" for weed in weeds)
    return (
        f"{view.names[p]} follows {' and '.join(before)} on {show(view.area[rows].sum(), 'area')} for the weeds "
        f"left there: {marks}. The limits of both labels allow both."
    )
