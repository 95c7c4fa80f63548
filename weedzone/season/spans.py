"""Spans of days in which a weed may be treated: seasons by date or by warmth, and the time without frost."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from weedzone.base.errors import Finding, InputError
from weedzone.base.names import chief_name
from weedzone.ground.shapes import Bools
from weedzone.season.dates import DegreeDays, MonthDay, day_in, reached, read_day_of_year

Point = dt.date | MonthDay | DegreeDays
Span = tuple[Point, Point]
ONE_DAY = dt.timedelta(days=1)


@dataclass(frozen=True)
class Frame:
    """The days that a plan looks at: `first` to `last`, both in it."""

    first: dt.date
    last: dt.date

    def __len__(self) -> int:
        """Number of days."""
        return (self.last - self.first).days + 1

    def index(self, day: dt.date) -> int:
        """Place of a day; below 0 or beyond the end for days outside."""
        return (day - self.first).days

    def day(self, index: int) -> dt.date:
        """Day at a place."""
        return self.first + dt.timedelta(days=index)

    def none(self) -> Bools:
        """No day."""
        return np.zeros(len(self), dtype=bool)

    def mark(self, days: Bools, start: dt.date, end: dt.date) -> None:
        """Set the days of a span, as far as they are looked at."""
        days[max(self.index(start), 0) : max(self.index(end) + 1, 0)] = True

    @property
    def years(self) -> range:
        """Years whose spans may reach into the frame."""
        return range(self.first.year - 1, self.last.year + 2)


def read_point(value: object, field: str) -> Point:
    """A date, "month-day" or `DegreeDays`."""
    return value if isinstance(value, DegreeDays) else read_day_of_year(value, field)


def read_spans(value: object, field: str) -> list[Span]:
    """One span, a pair of points, or a list of spans.

    Raises
    ------
    InputError
        No pair, no date, or an end before its start.
    """
    if not _is_list(value):
        raise InputError(f"{value!r} is no span"[:90], field=field, mend='write ("09-15", "10-31")')
    assert isinstance(value, Sequence)
    pairs = value if value and all(_is_list(one) for one in value) else [value]
    return [_span(pair, field) for pair in pairs]


def _span(pair: Sequence[object], field: str) -> Span:
    if len(pair) != 2:
        raise InputError(f"{len(pair)} ends of a span", field=field, mend="write a first and a last day")
    start, end = (read_point(one, field) for one in pair)
    reversed_ = (
        (isinstance(start, dt.date) and isinstance(end, dt.date) and end < start)
        or (
            isinstance(start, DegreeDays)
            and isinstance(end, DegreeDays)
            and (start.base_c, start.start) == (end.base_c, end.start)
            and end.total_k < start.total_k
        )
    )  # fmt: skip
    if reversed_:
        raise InputError(
            f"the span ends ({end}) before it starts ({start})", field=field, mend="turn it round"
        )
    if {type(start), type(end)} == {dt.date, MonthDay}:
        mend = "write both with the year, or both without"
        raise InputError(f"one end has a year, the other has none ({start}, {end})", field=field, mend=mend)
    return start, end


def _years(span: Span, frame: Frame) -> Sequence[int]:
    """Years in which a span lies: a date fixes it."""
    fixed = [point.year for point in span if isinstance(point, dt.date)]
    return fixed[:1] or frame.years


def read_by_weed(value: object, field: str) -> dict[str, object]:
    """A mapping of weed to something, with the chief names of the weeds; what stands alone is for all ("")."""
    if not isinstance(value, Mapping):
        return {"": value}
    found: dict[str, object] = {}
    for name, one in value.items():
        chief = chief_name(name, "weed")
        if not isinstance(name, str) or not chief:
            raise InputError(f"{name!r} is no weed", field=field, mend="write the weed's name")
        if chief in found:
            raise InputError(f"{chief} stands twice", field=field, mend="give each weed once")
        found[chief] = one
    return found


def span_days(
    spans: Sequence[Span], frame: Frame, heat: pd.DataFrame | None, what: str
) -> tuple[Bools, list[Finding]]:
    """Days of the frame inside any of the spans; what the temperatures do not tell is outside.

    Parameters
    ----------
    heat : DataFrame or None
        From `weedzone.season.dates.read_temperatures`; needed where a point is `DegreeDays`.
    what : str
        The weed, for findings.
    """
    days, findings = frame.none(), []
    for start, end in spans:
        for year in _years((start, end), frame):
            first, last = resolve(start, year, heat), resolve(end, year, heat)
            if isinstance(start, MonthDay) and isinstance(end, MonthDay) and end < start:
                last = resolve(end, year + 1, heat)
            if first is None:
                continue
            if last is None:
                assert heat is not None
                last = heat.index[-1].date()
                if first <= last:
                    message = (
                        f"{end}: not reached when the temperatures end on {last}; "
                        "later days count as out of season"
                    )
                    findings.append(Finding("note", "season", what, message))
            frame.mark(days, first, last)
        if isinstance(start, DegreeDays) and all(resolve(start, y, heat) is None for y in frame.years):
            message = f"{start}: not reached in the temperatures given, so the season has not begun"
            findings.append(Finding("warning", "season", what, message))
    return days, list(dict.fromkeys(findings))


def resolve(point: Point, year: int, heat: pd.DataFrame | None) -> dt.date | None:
    """Day of a point in a year; None where the temperatures do not tell."""
    if not isinstance(point, DegreeDays):
        return day_in(point, year)
    if heat is None:
        mend = "give temperatures=, one row a day"
        raise InputError("degree-days need daily temperatures", field="temperatures", mend=mend)
    return reached(point, heat, year)


def frost_free(frost: object, frame: Frame) -> tuple[Bools, list[Finding]]:
    """Days of the frame without frost.

    Parameters
    ----------
    frost : None, a point, a pair, or a list of pairs
        The first frost of autumn; or the last frost of spring and the first of autumn. After a first frost
        whose spring is not given everything is closed: nothing is known of it.
    """
    days = frame.none()
    if frost is None:
        days[:] = True
        return days, []
    if not _is_list(frost):
        first = read_day_of_year(frost, "frost")
        autumn = _first_frost(first, frame.first)
        frame.mark(days, frame.first, autumn - ONE_DAY)
        message = (
            f"no visit from the first frost, {autumn}, on: the last frost of spring is not given "
            '(write frost=("04-25", "10-15") to plan beyond)'
        )
        return days, [Finding("note", "season", "frost", message)]
    for spring, autumn_ in read_spans(frost, "frost"):
        for point in (spring, autumn_):
            if isinstance(point, DegreeDays):
                raise InputError("frost is a date, not degree-days", field="frost", mend='write "10-15"')
        for year in _years((spring, autumn_), frame):
            start, end = resolve(spring, year, None), resolve(autumn_, year, None)
            if isinstance(spring, MonthDay) and isinstance(autumn_, MonthDay) and autumn_ < spring:
                end = resolve(autumn_, year + 1, None)
            assert start is not None
            assert end is not None
            if start < end - ONE_DAY:
                frame.mark(days, start + ONE_DAY, end - ONE_DAY)
    return days, []


def _first_frost(frost: dt.date | MonthDay, start: dt.date) -> dt.date:
    """First frost of the growing season that a day lies in: a calendar year, or July to June south of the line."""
    if isinstance(frost, dt.date):
        return frost
    south = frost.month < 7
    return day_in(frost, start.year + (1 if south and start.month >= 7 else 0))


def _is_list(value: object) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str | bytes)
