"""The season of a job: when to come back, with what, where, and what closes the door."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from pathlib import Path

import pandas as pd

from weedzone.base.errors import Finding, InputError, findings_table
from weedzone.base.files import place_file, write_csv
from weedzone.base.words import CAUTIONS, read_date
from weedzone.ground.shapes import Bools
from weedzone.season.dates import (
    DegreeDays,
    Frame,
    degree_days,
    frost_free,
    read_by_weed,
    read_spans,
    read_temperatures,
    span_days,
)
from weedzone.season.steps import FOLLOW_UP_DAYS, Season, begin, follow, keep_to, patches_of
from weedzone.season.tables import (
    around,
    closed_table,
    notes,
    seed_reminders,
    visits_table,
    write_calendar,
    zones_table,
)
from weedzone.sizing import Sized, check_job

__all__ = ["AUTUMN", "FOLLOW_UP_DAYS", "DegreeDays", "SeasonPlan", "degree_days", "season_plan"]

AUTUMN: Mapping[str, tuple[str, str]] = {
    # Purdue turf science, "Controlling ground ivy and/or violets": mid-September to mid-October.
    "ground ivy": ("09-15", "10-15"),
    "wild violet": ("09-15", "10-15"),
    # Iowa State extension, "Timing and applying broadleaf lawn herbicides" (2017): mid-September to early November.
    "dandelion": ("09-15", "11-05"),
    "white clover": ("09-15", "11-05"),
    "broadleaf plantain": ("09-15", "11-05"),
}
"""When perennial broadleaf weeds of cool-season lawns take spray best in the middle of North America."""

_A_YEAR = dt.timedelta(days=364)  # the last day before the first visit's own day comes round
_MOST = dt.timedelta(days=5 * 366)
_LOOK_AHEAD = dt.timedelta(days=2 * 366)


@dataclass(frozen=True, eq=False)
class SeasonPlan:
    """Visits to the ground of a job.

    Attributes
    ----------
    visits : DataFrame
        A row for each visit, site, product and dose: ``visit`` (1, 2, ... in order of time), ``date`` (proposed),
        ``earliest``, ``latest`` (days on which all its ground may be done, if the visits before keep to their
        dates), ``site``, ``zones``, ``product``, ``application`` (1 first, 2 second, ...), ``dose``, ``weeds``,
        ``area_ft2``, ``area_m2``, ``product_amount``, ``product_unit``, ``solution_gal`` (as many weeds as now:
        the most that it can take), ``made_up_amount``, ``made_up_gal`` (to measure, with what stays in the rig),
        ``mowing``, ``watering``, ``hints`` (as the label states them).
    zones : DataFrame
        A row for each visit and zone: ``visit``, ``date``, ``site``, ``zone``, ``product``, ``area_ft2``,
        ``area_m2``, ``share`` (of the zone's ground that can be done then). ``zone`` is empty for ground that
        was treated before the job and is in none of its zones.
    closed : DataFrame
        Ground that has no further visit: ``site``, ``zones``, ``product``, ``weeds``, ``applications`` (made by then),
        ``reason``, ``opens`` (first day on which it could be treated again, or None), ``area_ft2``, ``area_m2``.
    reminders : DataFrame
        ``date``, ``weed``, ``seed_set``, ``sites``, ``message``.
    noticed : tuple of Finding
    first, until : datetime.date
        The days that the plan runs from and to.
    """

    visits: pd.DataFrame
    zones: pd.DataFrame
    closed: pd.DataFrame
    reminders: pd.DataFrame
    noticed: tuple[Finding, ...]
    first: dt.date
    until: dt.date

    @cached_property
    def findings(self) -> pd.DataFrame:
        """What was noticed: ``severity``, ``layer``, ``feature``, ``message``; the worst first."""
        return findings_table(self.noticed)

    def table(self) -> pd.DataFrame:
        """A row for each visit to a site, to be read or printed: visit, date, window, site, work, around it.

        Returns
        -------
        DataFrame
        """
        rows = []
        for (visit, site), part in self.visits.groupby(["visit", "site"], sort=False):
            doings = zip(part["zones"], part["product"], part["dose"], strict=True)
            work = [f"{zones}: {product} {dose}" for zones, product, dose in doings]
            told = dict.fromkeys(f"{product}: {said}" for product, _, said in around(part))
            window = f"{part['earliest'].max()} to {part['latest'].min()}"
            texts = site, "; ".join(work), part["area_ft2"].sum(), "; ".join(told)
            rows.append((visit, part["date"].iloc[0], window, *texts))
        return pd.DataFrame(rows, columns=["visit", "date", "window", "site", "work", "area_ft2", "around"])

    def to_csv(self, path: str | Path) -> Path:
        """Write `visits` as CSV (UTF-8), safe to open in a spreadsheet.

        Parameters
        ----------
        path : path

        Returns
        -------
        pathlib.Path

        Raises
        ------
        InputError
            The file cannot be written.
        """
        return place_file(Path(path), lambda new: write_csv(self.visits, new))

    def to_ics(self, path: str | Path) -> Path:
        """Write visits and reminders as an iCalendar file of all-day events; a visit is on its day wherever it is read.

        Parameters
        ----------
        path : path

        Returns
        -------
        pathlib.Path

        Raises
        ------
        InputError
            The file cannot be written.
        """
        return write_calendar(path, self.visits, self.reminders, self.first)

    def summary(self) -> str:
        """Visits, findings and cautions as a few lines of text.

        Returns
        -------
        str
        """
        lines = [
            f"visit {row.visit}  {row.date} ({row.window})  {row.site}  {row.work}"
            for row in self.table().itertuples()
        ]
        said = self.findings[["severity", "feature", "message"]].itertuples(index=False)
        return "\n".join(
            [*(lines or ["no visit"]), *(": ".join(filter(None, row)) for row in said), *CAUTIONS]
        )

    __str__ = summary


def season_plan(
    job: Sized,
    *,
    visits: object = None,
    seasons: object = None,
    temperatures: pd.DataFrame | None = None,
    frost: object = None,
    seed_set: Mapping[str, object] | None = None,
    until: object = None,
    count: int = 2,
    lead_days: int = 7,
) -> SeasonPlan:
    """Plan the visits to the ground of a job.

    Every patch keeps inside the reapplication interval of its product's label, within its number of applications
    a year and the yearly limits of its active ingredients (what other products put down of them counts), within
    the season of its weeds, and outside frost. Ground that the job leaves alone because it was treated before
    gets its visit when it opens again. Visits that can be made in one trip are. A plan is no order to spray: walk
    the ground and size the job again on the day, with what was done recorded as history.

    Parameters
    ----------
    job : Job
    visits : date, list of dates, or None
        The day of the first visit (that of the job if not given), from which follow-ups are planned; or two or
        more days to keep to, on which all ground that is fit is visited. Dates are datetime.date, ISO text
        ("2026-09-20") or any datetime, of which only the day as written counts.
    seasons : pair, mapping of weed to pair or list of pairs, or None
        First and last day on which each weed may be treated; without a weed's name, for all of them. An end is
        a date, a month and day for every year ("09-15"), or `DegreeDays`. A weed that is not named has no season
        (a note says so). `AUTUMN` holds the usual ones for cool-season lawns in the middle of North America.
        Ground with several weeds wants all of them in season, or where that is never so any of them.
    temperatures : DataFrame, optional
        Daily lows and highs for `DegreeDays`, see `degree_days`; past days, or with the normals of days to come.
    frost : date, pair of dates, or list of pairs, optional
        First frost of autumn ("10-15"), from which on nothing is planned; or last frost of spring and first
        frost of autumn (("04-25", "10-15")), between which visits lie.
    seed_set : mapping of weed to date, optional
        When each weed sets seed, a date, "month-day" or `DegreeDays`: gives a reminder to act before.
    until : date, optional
        Last day of the plan; a year after the first visit if not given.
    count : int, default 2
        Most applications on any ground, with one before the plan whose interval still runs. Limits may allow fewer.
    lead_days : int, default 7
        Days before seed set at which to remind (common practice, no source).

    Returns
    -------
    SeasonPlan

    Raises
    ------
    InputError, UnitError
        What is no date, dates that run backwards or come twice, days before the job's own, a weed twice, daily
        temperatures with a gap.

    Notes
    -----
    Follow-ups are planned at the job's dose or what limits leave of it. Where a label gives no interval the
    second pass comes in 3 to 4 weeks (Purdue turf science, on ground ivy and violets).
    """
    check_job(job)
    days, first, last = _days(job, visits, until)
    _whole(count, "count", 1)
    _whole(lead_days, "lead_days", 0)
    frame = Frame(first, last + _LOOK_AHEAD)
    heat = None if temperatures is None else read_temperatures(temperatures)
    patches = patches_of(job)
    weeds = list(dict.fromkeys(weed for patch in patches for weed in (*patch.weeds, *patch.second_weeds)))
    by_weed, found = _by_weed(seasons, weeds, frame, heat)
    free, frosty = frost_free(frost, frame)
    season = Season(job.plans, job.labels, frame, last, by_weed, free)
    tracks = begin(patches, season, first)
    if len(days) > 1:
        stops, shut = keep_to(tracks, season, days)
    else:
        stops, shut = follow(tracks, season, first, count)
    reminders, late = seed_reminders(seed_set, job, patches, stops, frame, last, heat, lead_days)
    zones, closed = zones_table(job, stops), closed_table(job, shut)
    nowhere = [] if patches else [Finding("warning", "season", "", "the job has no ground to visit")]
    told = dict.fromkeys([*nowhere, *notes(job, stops, season, count, zones, closed)])
    noticed = (*found, *frosty, *late, *told)
    return SeasonPlan(visits_table(job, stops), zones, closed, reminders, noticed, first, last)


def _days(job: Sized, visits: object, until: object) -> tuple[list[dt.date], dt.date, dt.date]:
    given = job.on if visits is None else visits
    several = isinstance(given, Iterable) and not isinstance(given, str | bytes)
    days = [read_date(one, "visits") for one in (given if several else [given])]  # type: ignore[attr-defined]
    if not days:
        raise InputError("no date is given", field="visits", mend="give the first visit's")
    for before, after in pairwise(days):
        if after <= before:
            what = f"{after} comes after {before} in the list"
            raise InputError(what, field="visits", mend="give each day once, in order of time")
    first, end = days[0], days[-1]
    if first < job.on:
        what = f"the first visit, {first}, is before the day that the job was sized for, {job.on}"
        raise InputError(what, field="visits", mend=f'size the job with on="{first}"')
    last = max(first + _A_YEAR, end) if until is None else read_date(until, "until")
    if last < end:
        raise InputError(f"{last} is before the last visit, {end}", field="until", mend="check the dates")
    if last - first > _MOST:
        raise InputError(f"{last} is over five years off", field="until", mend="check the dates")
    return days, first, last


def _whole(value: object, field: str, least: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or value < least:
        what = f"{value!r} is no number of {field}"[:80]
        raise InputError(what, field=field, mend=f"write {least} or more")


def _by_weed(
    seasons: object, weeds: Sequence[str], frame: Frame, heat: pd.DataFrame | None
) -> tuple[dict[str, Bools], list[Finding]]:
    """Days of each weed's season, and what was noticed."""
    given = {} if seasons is None else read_by_weed(seasons, "seasons")
    spans = {name: read_spans(value, f"seasons {name}".strip()) for name, value in given.items()}
    days: dict[str, Bools] = {}
    findings: list[Finding] = []
    for weed in weeds:
        own = spans.get(weed, spans.get(""))
        if own is not None:
            days[weed], found = span_days(own, frame, heat, weed)
            findings += found
            continue
        days[weed] = ~frame.none()
        if seasons is not None:
            message = "no season is given for it: any day counts as in season"
            findings.append(Finding("note", "season", weed, message))
    if seasons is None and weeds:
        message = "no season is given for any weed: visits follow interval and limits alone"
        findings.append(Finding("warning", "season", "", message))
    if spans.keys() - {""} and not spans.keys() & set(weeds):
        message = f"the seasons given are of no weed here ({', '.join(weeds)})"
        findings.append(Finding("warning", "season", ", ".join(spans), message))
    return days, findings
