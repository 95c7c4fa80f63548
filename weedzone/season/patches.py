"""The ground of a job as a season sees it: patches that are alike over time, what was done to them and when."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np

from weedzone.sizing import Sized, zone_order
from weedzone.zones import OUTCOMES, Application

_DUST_M2 = 0.005  # a smaller piece asks for no visit of its own
_MAY_COME = ("treated", "yearly limit", "applications used up", "too soon")


@dataclass(frozen=True)
class Patch:
    """Ground of one site that is alike in everything that matters over time.

    Attributes
    ----------
    site : int
        Row in the survey's sites.
    zone : str
        Empty for ground that no zone of the job holds, because it was treated before.
    product : str
    weeds : tuple of str
        Those on it that the product's label names.
    past : tuple of Application
    area_m2, wetted_m2 : float
        Ground, and what of it the work wets (spot work: the weed's cover).
    second, second_zone : str
        Product that follows on the same day, and its zone; empty where there is none.
    second_weeds : tuple of str
        Those that the first product leaves to it.
    """

    site: int
    zone: str
    product: str
    weeds: tuple[str, ...]
    past: tuple[Application, ...]
    area_m2: float
    wetted_m2: float
    second: str = ""
    second_zone: str = ""
    second_weeds: tuple[str, ...] = ()

    def other(self) -> Patch:
        """The same ground under its second product."""
        return replace(
            self, zone=self.second_zone, product=self.second, weeds=self.second_weeds,
            second="", second_zone="", second_weeds=(),
        )  # fmt: skip


@dataclass(frozen=True)
class Window:
    """When ground can next be treated.

    Attributes
    ----------
    earliest, latest : datetime.date or None
        First and last day of the first run of fit days; None where there is none.
    reason : str
        Why there is none.
    again : datetime.date or None
        First day on which the ground could be treated at all after a window that is closed.
    """

    earliest: dt.date | None
    latest: dt.date | None
    reason: str = ""
    again: dt.date | None = None


@dataclass(frozen=True)
class Track:
    """Patches with one product, past and set of weeds, followed through the season.

    Attributes
    ----------
    done : int
        Applications made, with one before the plan that its interval still runs from.
    last : datetime.date or None
        The day of the last planned application.
    """

    product: str
    weeds: tuple[str, ...]
    past: tuple[Application, ...]
    patches: tuple[Patch, ...]
    done: int
    last: dt.date | None = None

    def other(self) -> Track | None:
        """The same ground under its second product, where it has one."""
        if not self.patches[0].second:
            return None
        patches = tuple(patch.other() for patch in self.patches)
        return replace(self, product=patches[0].product, weeds=patches[0].weeds, patches=patches)


@dataclass(frozen=True)
class Stop:
    """A track treated on a day, at a dose [L/m2 or kg/m2]."""

    day: dt.date
    track: Track
    window: Window
    dose: float


@dataclass(frozen=True)
class Closed:
    """A track that has no further visit, and why."""

    track: Track
    window: Window


def patches_of(job: Sized) -> list[Patch]:
    """The treated ground of a job, and the ground that only past applications close.

    Ground too small to be a zone of its own (a hair between two outlines that do not quite meet) is left out.
    """
    zoned, parts = job.zoned, job.zoned.parts
    codes = [OUTCOMES.index(name) for name in _MAY_COME]
    rows = np.flatnonzero(np.isin(zoned.outcome, codes) & (zoned.product >= 0))
    columns = (
        parts.site, zoned.zone, zoned.product, zoned.second_zone, zoned.second, parts.past, parts.weeds,
    )  # fmt: skip
    distinct, of = np.unique(np.column_stack([one[rows] for one in columns]), axis=0, return_inverse=True)
    area = parts.area_m2[rows]
    wetted = area * (parts.cover[rows] if job.use == "spot" else 1.0)
    areas, wets = (np.bincount(of.ravel(), values, len(distinct)) for values in (area, wetted))
    names = np.full(len(job.zones) + 1, "", dtype=object)
    names[zone_order(zoned)] = job.zones["zone"].to_numpy(dtype=object)
    labels = [plan.label for plan in job.plans.values()]
    found = []
    grown = areas >= _DUST_M2
    for (site, zone, p, zone_2, p_2, past, set_), area_m2, wetted_m2 in zip(
        distinct[grown].tolist(), areas[grown].tolist(), wets[grown].tolist(), strict=True
    ):
        weeds = tuple(weed for weed in parts.weed_sets[set_] if weed in labels[p].weeds)
        more: tuple[str, str, tuple[str, ...]] = ("", "", ())
        if p_2 >= 0:
            rest = (one for one in parts.weed_sets[set_] if one in labels[p_2].weeds and one not in weeds)
            more = (labels[p_2].name, names[zone_2], tuple(rest))
        found.append(
            Patch(site, names[zone], labels[p].name, weeds, parts.past_sets[past], area_m2, wetted_m2, *more)
        )
    return found
