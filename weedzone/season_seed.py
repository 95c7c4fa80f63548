"""Reminders to act before a weed sets seed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from weedzone.errors import Finding, InputError
from weedzone.names import nearest
from weedzone.season_ground import Patch, Stop
from weedzone.season_spans import ONE_DAY, Frame, read_by_weed, read_point, resolve
from weedzone.sizing import Sized

COLUMNS = ["date", "weed", "seed_set", "sites", "message"]


def seed_reminders(
    seed_set: Mapping[str, object] | None,
    job: Sized,
    patches: Sequence[Patch],
    stops: Sequence[Stop],
    frame: Frame,
    until: dt.date,
    heat: pd.DataFrame | None,
    lead_days: int,
) -> tuple[pd.DataFrame, list[Finding]]:
    """A reminder for each weed and seed set within the plan, and a warning where no visit comes before it."""
    if seed_set is None:
        return pd.DataFrame(columns=COLUMNS), []
    given = read_by_weed(seed_set, "seed_set")
    if "" in given:
        raise InputError("seed set of which weed?", field="seed_set", mend='write {"dandelion": "05-10"}')
    here: dict[str, set[int]] = {}
    for patch in patches:
        for weed in (*patch.weeds, *patch.second_weeds):
            here.setdefault(weed, set()).add(patch.site)
    rows: list[dict[str, Any]] = []
    findings: list[Finding] = []
    for weed, value in given.items():
        point = read_point(value, f"seed_set {weed}")
        if weed not in here:
            close = nearest(weed, here)
            hint = f"; did you mean {close!r}?" if close else ""
            findings.append(Finding("note", "season", weed, f"seed set of a weed that no visit is for{hint}"))
            continue
        found = {resolve(point, year, heat) for year in frame.years} - {None}
        days = sorted(day for day in found if day is not None and frame.first <= day <= until)
        if not days:
            message = (
                f"seed set ({point}) is not known to fall between {frame.first} and {until}: no reminder"
            )
            findings.append(Finding("note", "season", weed, message))
        since = frame.first
        for day in days:
            row, late = _reminder(
                job, weed, here[weed], stops, since, day, max(frame.first, day - dt.timedelta(lead_days))
            )
            rows.append(row)
            findings += late
            since = day
    table = pd.DataFrame(rows, columns=COLUMNS).sort_values("date", kind="stable", ignore_index=True)
    return table, findings


def _reminder(
    job: Sized, weed: str, sites: set[int], stops: Sequence[Stop], since: dt.date, seeds: dt.date, on: dt.date
) -> tuple[dict[str, Any], list[Finding]]:
    """One reminder; sites without a visit between `since` and the seed set are named."""
    covered = {
        patch.site
        for stop in stops
        if since <= stop.day < seeds and weed in stop.track.weeds
        for patch in stop.track.patches
    }
    open_ = ", ".join(str(job.survey.local.sites[site]) for site in sorted(sites - covered))
    names = ", ".join(str(job.survey.local.sites[site]) for site in sorted(sites))
    message = f"{weed} sets seed about {seeds}: treat, mow or pull it by {seeds - ONE_DAY}"
    findings = []
    if open_:
        message += f"; no visit is planned before that at {open_}"
        findings.append(
            Finding("warning", "season", weed, f"sets seed about {seeds}, before any visit for it at {open_}")
        )
    return {"date": on, "weed": weed, "seed_set": seeds, "sites": names, "message": message}, findings
