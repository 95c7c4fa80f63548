"""The ground of a job played forward in time: patches that are alike, and when each can be treated again.

Limits, interval, season and frost decide; patches of one product, past and set of weeds are followed together.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property
from typing import Any

import numpy as np
import pandas as pd

from weedzone.ground.shapes import Bools
from weedzone.kit import Label
from weedzone.season.dates import ONE_DAY, Frame
from weedzone.sizing import Sized, zone_order
from weedzone.zones import OUTCOMES, Application, Plan, State, shares_active, state, together

FOLLOW_UP_DAYS = (21, 28)
"""Where a label gives no interval: a second pass in 3 to 4 weeks (Purdue turf science, ground ivy and violets)."""

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
    earliest, latest : datetime.date
        First and last day of the first run of fit days; where there is none, the first lies after the last.
    reason : str
        Why there is none.
    opens : datetime.date or None
        First day on which the ground could be treated at all after a window that is closed.
    """

    earliest: dt.date = dt.date.max
    latest: dt.date = dt.date.min
    reason: str = ""
    opens: dt.date | None = None

    @property
    def fit(self) -> bool:
        """Whether there is a fit day."""
        return self.earliest <= self.latest


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
    done: int = 0
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

    track: Track
    window: Window
    date: dt.date
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
    alike = {
        "site": parts.site, "zone": zoned.zone, "product": zoned.product, "second_zone": zoned.second_zone,
        "second": zoned.second, "past": parts.past, "weeds": parts.weeds,
    }  # fmt: skip
    wetted = parts.area_m2 * (parts.cover if job.use == "spot" else 1.0)
    ground = pd.DataFrame({**alike, "area_m2": parts.area_m2, "wetted_m2": wetted})
    codes = [OUTCOMES.index(name) for name in _MAY_COME]
    ground = ground[np.isin(zoned.outcome, codes) & (zoned.product >= 0)]
    ground = ground.groupby(list(alike), as_index=False).sum()
    names = np.full(len(job.zones) + 1, "", dtype=object)
    names[zone_order(zoned)] = job.zones["zone"].to_numpy(dtype=object)
    labels = [plan.label for plan in job.plans.values()]
    found = []
    for row in ground[ground["area_m2"] >= _DUST_M2].to_dict("records"):
        present, label = parts.weed_sets[row["weeds"]], labels[row["product"]]
        weeds = tuple(weed for weed in present if weed in label.weeds)
        more: dict[str, Any] = {}
        if row["second"] >= 0:
            second = labels[row["second"]]
            left = tuple(weed for weed in present if weed in second.weeds and weed not in weeds)
            more = {"second": second.name, "second_zone": names[row["second_zone"]], "second_weeds": left}
        past, area = parts.past_sets[row["past"]], (row["area_m2"], row["wetted_m2"])
        found.append(Patch(row["site"], names[row["zone"]], label.name, weeds, past, *area, **more))
    return found


@dataclass(eq=False)
class Season:
    """What limits, interval, season and frost allow, day by day."""

    plans: Mapping[str, Plan]
    labels: Mapping[str, Label]
    frame: Frame
    until: dt.date
    by_weed: Mapping[str, Bools]
    frost_free: Bools

    @cached_property
    def state(self) -> Callable[..., State]:
        """What limits leave of a product, by its past and a day."""
        return cache(lambda product, past, day: state(self.plans[product], past, self.labels, day))

    def treat(self, track: Track, window: Window, day: dt.date) -> tuple[list[Stop], list[Closed], Track]:
        """What is done on a day, what cannot be done with it, and the ground after it.

        Doses are the highest that limits leave; of a second product what both labels allow beside the first.
        """
        dose, other = self.state(track.product, track.past, day).dose, track.other()
        stops, closed = [Stop(track, window, day, dose)], []
        made = [Application(track.product, day, dose)]
        if other is not None:
            first, second = self.plans[track.product], self.plans[other.product]
            beside = together(second, track.past, first, dose, self.labels, day)
            if beside > 0:
                stops.append(Stop(other, window, day, beside))
                made.append(Application(other.product, day, beside))
            else:
                reason = f"not allowed beside {track.product} on {day}"
                closed.append(Closed(other, Window(reason=reason)))
        past = tuple(sorted((*track.past, *made)))
        return stops, closed, replace(track, past=past, done=track.done + 1, last=day)

    def next_window(self, track: Track, start: dt.date) -> Window:
        """Days from `start` on for ground and both its products, or for the first where they share none."""
        window, other = self.window(track, start, planned=True), track.other()
        if other is None:
            return window
        with_it = self.window(other, start, planned=True)
        both = Window(max(window.earliest, with_it.earliest), min(window.latest, with_it.latest))
        return both if both.fit else window

    def interval(self, product: str) -> tuple[int, int] | None:
        """Whole days after an application, first and last; both alike where the label gives only one."""
        days = self.plans[product].label.interval_days
        if days is None:
            return None
        low = math.ceil(days[0] - 1e-9)
        return low, math.floor(days[1] + 1e-9) if days[1] > days[0] else low

    def running(self, track: Track, day: dt.date) -> bool:
        """Whether a day lies inside the interval that still runs from the last application, or before it."""
        last, interval = self._last(track), self.interval(track.product)
        return last is not None and interval is not None and (day - last).days <= interval[1]

    def _last(self, track: Track) -> dt.date | None:
        label = self.plans[track.product].label
        counted = [one.date for one in track.past if shares_active(label, self.labels.get(one.product))]
        return max(counted, default=None)

    def window(self, track: Track, start: dt.date, *, planned: bool = False) -> Window:
        """First run of days from `start` on which ground can be treated, inside an interval that runs.

        A follow-up that is `planned`, and for which no interval is given, comes in `FOLLOW_UP_DAYS`.
        """
        first, end = start, self.until
        last, interval = self._last(track), self.interval(track.product)
        if last is not None and interval is None and planned and track.last is not None:
            first = max(first, last + dt.timedelta(days=FOLLOW_UP_DAYS[0]))
            end = min(end, last + dt.timedelta(days=FOLLOW_UP_DAYS[1]))
        elif last is not None and interval is not None and interval[0] < interval[1]:
            closes = last + dt.timedelta(days=interval[1])
            end = min(end, closes) if start <= closes else end
        found = self.state(track.product, track.past, first)
        # As time passes limits only lapse: once open, ground stays open.
        opens = found.opens if found.outcome else first
        if opens is None:
            return Window(reason=found.reason)
        begin, fit = max(opens, first), self.seasonal(track.weeds) & self.frost_free
        run = self.frame.run(fit, begin, end)
        if run is not None:
            return Window(*run)
        later = self.frame.run(fit, begin, self.frame.last)
        reason = found.reason if found.outcome and opens > end else self._why(track.weeds, begin, end)
        return Window(reason=reason, opens=None if later is None else later[0])

    def seasonal(self, weeds: tuple[str, ...]) -> Bools:
        """Days on which all the weeds are in season; where they never are together, those on which any is."""
        days = [self.by_weed[weed] for weed in weeds]
        joint = np.logical_and.reduce(days)
        return np.asarray(joint if joint.any() else np.logical_or.reduce(days))

    def why_not(self, track: Track, day: dt.date) -> str:
        """Why ground cannot be treated on a day."""
        found = self.state(track.product, track.past, day)
        return found.reason if found.outcome else self._why(track.weeds, day, day)

    def _why(self, weeds: tuple[str, ...], start: dt.date, end: dt.date) -> str:
        if start > end:
            return f"the plan ends on {self.until}" if end == self.until else f"the interval closed on {end}"
        span = f"from {start} to {end}" if start < end else f"on {start}"
        in_season = self.frame.run(self.seasonal(weeds), start, end)
        return f"frost {span}" if in_season else f"{' and '.join(weeds)} out of season {span}"


def begin(patches: Sequence[Patch], season: Season, first: dt.date) -> list[Track]:
    """Tracks of a job's ground on the first day."""
    groups: dict[tuple[Any, ...], list[Patch]] = {}
    for patch in patches:
        key = (patch.product, patch.weeds, patch.past, patch.second, patch.second_weeds)
        groups.setdefault(key, []).append(patch)
    tracks = [
        Track(product, weeds, past, tuple(members)) for (product, weeds, past, *_), members in groups.items()
    ]
    return [replace(track, done=int(season.running(track, first))) for track in tracks]


def follow(
    tracks: Sequence[Track], season: Season, first: dt.date, count: int
) -> tuple[list[Stop], list[Closed]]:
    """Visits from a first day on: what is fit then, and later what can be done in one trip in one trip.

    Each trip is due when the first window of any ground closes; all ground whose window is open by then joins,
    on the first day that suits all of it (interval stabbing: no plan needs fewer trips).
    """
    stops: list[Stop] = []
    closed: list[Closed] = []
    waiting: list[tuple[Track, Window]] = []

    def wait(track: Track, start: dt.date) -> None:
        window = season.next_window(track, start)
        if window.fit:
            waiting.append((track, window))
        else:
            closed.append(Closed(track, window))

    for track in tracks:
        # Ground that only its last application closes has had that pass already.
        if track.done < count or any(patch.zone for patch in track.patches):
            wait(track, first)
    due = first
    while waiting:
        group = [one for one in waiting if one[1].earliest <= due]
        if group:
            day = max(window.earliest for _, window in group)
            waiting = [one for one in waiting if one[1].earliest > due]
            for track, window in group:
                made, shut, now = season.treat(track, window, day)
                stops += made
                closed += shut
                if now.done < count:
                    wait(now, day + ONE_DAY)
        due = min((window.latest for _, window in waiting), default=due)
    return stops, closed


def keep_to(
    tracks: Sequence[Track], season: Season, days: Sequence[dt.date]
) -> tuple[list[Stop], list[Closed]]:
    """Visits on given days: all ground that is fit on each of them."""
    stops: list[Stop] = []
    closed: list[Closed] = []
    now = list(tracks)
    for day in days:
        for at, track in enumerate(now):
            window = season.window(track, day)
            if window.earliest == day:
                made, shut, now[at] = season.treat(track, window, day)
                stops += made
                closed += shut
            else:
                opens = window.earliest if window.fit else window.opens
                why = f"on {day}: {season.why_not(track, day)}"
                closed.append(Closed(track, Window(reason=why, opens=opens)))
    return stops, closed
