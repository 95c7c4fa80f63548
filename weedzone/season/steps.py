"""Which ground can be treated again on which day: limits, interval, season and frost played forward in time."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

from weedzone.ground.shapes import Bools
from weedzone.kit import Label
from weedzone.season.patches import Closed, Patch, Stop, Track, Window
from weedzone.season.spans import ONE_DAY, Frame
from weedzone.zones import Application, Plan, State, shares_active, state, together

FOLLOW_UP_DAYS = (21, 28)
"""Where a label gives no interval: a second pass in 3 to 4 weeks (Purdue turf science, ground ivy and violets)."""


class Season:
    """What limits, interval, season and frost allow, day by day."""

    def __init__(
        self,
        plans: Mapping[str, Plan],
        labels: Mapping[str, Label],
        frame: Frame,
        until: dt.date,
        by_weed: Mapping[str, Bools],
        frost_free: Bools,
    ) -> None:
        self.plans, self.labels, self.frame, self.until = plans, labels, frame, until
        self.by_weed, self.frost_free = by_weed, frost_free
        self._state = lru_cache(maxsize=None)(self._state_of)
        self.window = lru_cache(maxsize=None)(self._window)

    def treat(self, track: Track, window: Window, day: dt.date) -> tuple[list[Stop], list[Closed], Track]:
        """What is done on a day, what cannot be done with it, and the ground after it.

        Doses are the highest that limits leave; of a second product what both labels allow beside the first.
        """
        dose, other = self._state(track.product, track.past, day).dose, track.other()
        stops, closed = [Stop(day, track, window, dose)], []
        made = [Application(track.product, day, dose)]
        if other is not None:
            first, second = self.plans[track.product], self.plans[other.product]
            beside = together(second, track.past, first, dose, self.labels, day)
            if beside > 0:
                stops.append(Stop(day, other, window, beside))
                made.append(Application(other.product, day, beside))
            else:
                reason = f"not allowed beside {track.product} on {day}"
                closed.append(Closed(other, Window(None, None, reason)))
        past = tuple(sorted((*track.past, *made)))
        return stops, closed, replace(track, past=past, done=track.done + 1, last=day)

    def next_window(self, track: Track, start: dt.date, *, follow_up: bool) -> Window:
        """Days from `start` on for ground and both its products, or for the first where they share none."""
        window = self.window(track.product, track.past, track.weeds, start, follow_up)
        other = track.other()
        if other is None or window.earliest is None or window.latest is None:
            return window
        with_it = self.window(other.product, other.past, other.weeds, start, follow_up)
        if with_it.earliest is None or with_it.latest is None:
            return window
        both = max(window.earliest, with_it.earliest), min(window.latest, with_it.latest)
        return Window(*both) if both[0] <= both[1] else window

    def interval(self, product: str) -> tuple[int, int] | None:
        """Whole days after an application, first and last; the last is very far where the label gives only one."""
        days = self.plans[product].label.interval_days
        if days is None:
            return None
        low = math.ceil(days[0] - 1e-9)
        return low, math.floor(days[1] + 1e-9) if days[1] > days[0] else low

    def running(self, product: str, past: tuple[Application, ...], day: dt.date) -> bool:
        """Whether a day lies inside the interval that still runs from the last application, or before it."""
        last, interval = self._last(product, past), self.interval(product)
        return last is not None and interval is not None and (day - last).days <= interval[1]

    def _closes(self, product: str, past: tuple[Application, ...], day: dt.date) -> bool:
        """Whether an interval with a last day runs on a day."""
        interval = self.interval(product)
        return interval is not None and interval[1] > interval[0] and self.running(product, past, day)

    def _last(self, product: str, past: tuple[Application, ...]) -> dt.date | None:
        label = self.plans[product].label
        counted = [one.date for one in past if shares_active(label, self.labels.get(one.product))]
        return max(counted, default=None)

    def _state_of(self, product: str, past: tuple[Application, ...], day: dt.date) -> State:
        return state(self.plans[product], past, self.labels, day)

    def _window(
        self,
        product: str,
        past: tuple[Application, ...],
        weeds: tuple[str, ...],
        start: dt.date,
        follow_up: bool = False,
    ) -> Window:
        """First run of days from `start` on which the ground can be treated, inside an interval that runs."""
        first, end = start, self.until
        last, interval = self._last(product, past), self.interval(product)
        if follow_up and interval is None and last is not None:
            first = max(first, last + dt.timedelta(days=FOLLOW_UP_DAYS[0]))
            end = min(end, last + dt.timedelta(days=FOLLOW_UP_DAYS[1]))
        elif last is not None and self._closes(product, past, start):
            assert interval is not None
            end = min(end, last + dt.timedelta(days=interval[1]))
        found = self._state(product, past, first)
        # As time passes limits only lapse: once open, ground stays open.
        opens = found.opens if found.outcome else first
        fit = self._fit(weeds)
        if opens is None:
            return Window(None, None, found.reason)
        run = _first_run(fit, self.frame.index(max(opens, first)), self.frame.index(end))
        if run is not None:
            return Window(self.frame.day(run[0]), self.frame.day(run[1]))
        later = _first_run(fit, self.frame.index(max(opens, first)), len(self.frame) - 1)
        again = None if later is None else self.frame.day(later[0])
        if opens > end and found.outcome:
            return Window(None, None, found.reason, again)
        return Window(None, None, self._why(weeds, max(opens, first), end), again)

    def _fit(self, weeds: tuple[str, ...]) -> Bools:
        return self.seasonal(weeds) & self.frost_free

    def seasonal(self, weeds: tuple[str, ...]) -> Bools:
        """Days on which all the weeds are in season; where they never are together, those on which any is."""
        days = [self.by_weed[weed] for weed in weeds]
        joint = np.logical_and.reduce(days)
        return np.asarray(joint if joint.any() else np.logical_or.reduce(days))

    def why_not(self, track: Track, day: dt.date) -> str:
        """Why ground cannot be treated on a day."""
        found = self._state(track.product, track.past, day)
        return found.reason if found.outcome else self._why(track.weeds, day, day)

    def _why(self, weeds: tuple[str, ...], start: dt.date, end: dt.date) -> str:
        if start > end:
            return f"the plan ends on {self.until}" if end == self.until else f"the interval closed on {end}"
        span = f"from {start} to {end}" if start < end else f"on {start}"
        if _first_run(self.seasonal(weeds), self.frame.index(start), self.frame.index(end)) is None:
            return f"{' and '.join(weeds)} out of season {span}"
        return f"frost {span}"


def _first_run(days: Bools, first: int, last: int) -> tuple[int, int] | None:
    """First and last place of the first run of days between two places."""
    part = np.flatnonzero(days[max(first, 0) : last + 1]) + max(first, 0)
    if last < first or not len(part):
        return None
    breaks = np.flatnonzero(np.diff(part) > 1)
    return int(part[0]), int(part[breaks[0]] if len(breaks) else part[-1])


def begin(patches: Sequence[Patch], season: Season, first: dt.date) -> list[Track]:
    """Tracks of a job's ground on the first day."""
    groups: dict[tuple[Any, ...], list[Patch]] = {}
    for patch in patches:
        key = (patch.product, patch.weeds, patch.past, patch.second, patch.second_weeds)
        groups.setdefault(key, []).append(patch)
    return [
        Track(product, weeds, past, tuple(members), int(season.running(product, past, first)))
        for (product, weeds, past, *_), members in groups.items()
    ]


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
        window = season.next_window(track, start, follow_up=track.last is not None)
        if window.earliest is None:
            closed.append(Closed(track, window))
        else:
            waiting.append((track, window))

    for track in tracks:
        # Ground that only its last application closes has had that pass already.
        if track.done < count or any(patch.zone for patch in track.patches):
            wait(track, first)
    due = first
    while waiting:
        group = [one for one in waiting if _when(one)[0] <= due]
        if group:
            day = max(_when(one)[0] for one in group)
            waiting = [one for one in waiting if _when(one)[0] > due]
            for track, window in group:
                made, shut, now = season.treat(track, window, day)
                stops += made
                closed += shut
                if now.done < count:
                    wait(now, day + ONE_DAY)
        if waiting:
            due = min(_when(one)[1] for one in waiting)
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
            window = season.window(track.product, track.past, track.weeds, day)
            if window.earliest == day:
                made, shut_2, now[at] = season.treat(track, window, day)
                stops += made
                closed += shut_2
            else:
                again = window.earliest or window.again
                shut = Window(None, None, f"on {day}: {season.why_not(track, day)}", again)
                closed.append(Closed(track, shut))
    return stops, closed


def _when(one: tuple[Track, Window]) -> tuple[dt.date, dt.date]:
    window = one[1]
    assert window.earliest is not None
    assert window.latest is not None
    return window.earliest, window.latest
