"""What was really done: application records with what the law commonly asks for, kept in a GeoPackage.

The layer ``history`` of the file is the ``history`` layer of the next survey, so it holds current rows only;
rows that a correction replaced stay in the layer ``superseded``. How a record survives a crash is told in
`weedzone.records.store`, what rules ask for in `weedzone.records.page`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypedDict, Unpack

import geopandas as gpd
import shapely

from weedzone.base import units
from weedzone.base.errors import Finding, InputError, path_given, unknown_options
from weedzone.base.words import plain_line
from weedzone.records import store
from weedzone.records.page import ELEMENTS, missing_elements, records_to_csv, records_to_html
from weedzone.records.rows import (
    AS_PLANNED,
    UNIT_OF_FORM,
    clock,
    day_of,
    dosed,
    figures_of,
    moment,
    shares,
    text_of,
    texts_of,
    treated,
)
from weedzone.sizing import Sized, amount_text, check_job
from weedzone.weather import broken

_OF_ROWS = ("registration", "active", "turf", "weeds")  # known from the job: never given, but corrected


class Details(TypedDict, total=False):
    """What only the person who was there can tell. What is left out is named in `Record.missing`.

    Times are clock times ("9:40", "2:15 pm") or date-times. Weather is text with units ("6 mph", "72 degF",
    "55 %") or pint quantities, or a pair of them for the start and the end of the work; `wind_from` is a
    compass point or degrees. The rest is free text. `reentry` and `equipment` come from the label and the rig
    where they are not given; `ppe` is what was worn, which no label knows.
    """

    start: object
    end: object
    applicator: object
    licence: object
    supervisor: object
    supervisor_licence: object
    customer: object
    address: object
    billing_address: object
    equipment: object
    wind: object
    wind_from: object
    temperature: object
    humidity: object
    signs_posted: object
    signs_removed: object
    permit: object
    ppe: object
    reentry: object
    remarks: object


@dataclass(frozen=True)
class Record:
    """One application as stored.

    Attributes
    ----------
    id : str
        Name of the record in its file.
    path : pathlib.Path
        The file.
    rows : geopandas.GeoDataFrame
        One row per product and polygon, in the CRS of the file.
    missing : Mapping[str, tuple[str, ...]]
        Elements that rules commonly ask for and that are not given, each with the citations of those rules.
    findings : tuple of Finding
        What was noticed or assumed.
    """

    id: str
    path: Path
    rows: gpd.GeoDataFrame = field(repr=False)
    missing: Mapping[str, tuple[str, ...]]
    findings: tuple[Finding, ...] = ()

    def __str__(self) -> str:
        """The record in a few lines."""
        lines = [f"Record {self.id} in {self.path}: {len(self.rows)} row(s)"]
        for (site, product), mine in self.rows.groupby(["site", "product"], sort=False):
            form = mine["form"].iloc[0]
            si = sum(units.to_si(one, "amount", form=form) for one in mine["amount"])
            amount = amount_text(si, UNIT_OF_FORM[form])
            lines.append(f"  {site}: {product}, {amount} on {mine['area_ft2'].sum():,.0f} ft²")
        if self.missing:
            lines.append(f"  not written down: {', '.join(ELEMENTS[name] for name in self.missing)}")
        lines += [f"  {one.severity}: {one.feature}: {one.message}" for one in self.findings]
        return "\n".join(plain_line(one) if one.strip() == one else f"  {plain_line(one)}" for one in lines)

    def to_csv(self, path: str | Path) -> Path:
        """Write the rows for a spreadsheet; see `records_to_csv`.

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
        return records_to_csv(self.rows, path)

    def to_html(self, path: str | Path) -> Path:
        """Write a printable page; see `records_to_html`.

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
        return records_to_html(self.rows, path)


def record(
    job: Sized,
    path: str | Path,
    *,
    applied: Mapping[str, object] | gpd.GeoDataFrame | None = None,
    site: str | None = None,
    date: object = None,
    **details: Unpack[Details],
) -> Record:
    """Append what was done on a job to a record file, whole or not at all.

    Parameters
    ----------
    job : weedzone.Job
        The job that was carried out.
    path : str or pathlib.Path
        The GeoPackage; made if it does not exist. Its layer ``history`` serves the next survey.
    applied : mapping or geopandas.GeoDataFrame, optional
        None: every zone as planned, with the job's ``product_amount``; the remarks say so. A mapping of zone or
        product to the amount of product really used ("1.2 gal"): zones that it does not name were not sprayed (a
        finding says so), and the amount of a product is shared over its zones as planned. Or the polygons really
        sprayed, with columns ``product`` and ``amount`` (the total on the polygon), and ``site``, ``zone``,
        ``turf``, ``weeds`` where known.
    site : str, optional
        The site sprayed, where the job holds several; without it the record covers all of them.
    date : datetime.date or ISO text, optional
        Day of the application; without it that of `start` if it has one, else the job's own.
    **details : Details
        Who, for whom, when, with what, in what weather.

    Returns
    -------
    Record

    Raises
    ------
    InputError
        A date in the future, an end before its start, an unknown zone, a record that is there already, a file
        that is not a record file or cannot be written. Nothing is written then.
    UnitError
        A quantity that cannot be read.
    CrsError
        No coordinate system, or one that a GeoPackage cannot hold.
    """
    check_job(job)
    place = path_given(path, "a record", 'record(job, "records.gpkg")')
    day, given = _told(dict(details), date, job.on)
    rows, findings = treated(job, applied, site)
    findings += _in_weather(job, rows, given)
    said = given.pop("remarks", None)
    if said:
        rows["remarks"] = [f"{said}; {one}" if one else said for one in rows["remarks"]]
    for name, value in {"date": day, **given}.items():
        # What label and rig say stands where the applicator says nothing.
        if value is not None or name not in rows:
            rows[name] = value
    stored, notes = store.append(place, _named(rows))
    return Record(stored["record"].iloc[0], place, stored, missing_elements(stored), (*findings, *notes))


def correct(path: str | Path, record_id: str, *, reason: str, **changes: object) -> Record:
    """Correct a record; the old one stays readable in the layer ``superseded``.

    Parameters
    ----------
    path : str or pathlib.Path
    record_id : str
        A record that is current.
    reason : str
        Why, in words; kept with both.
    **changes
        Any of `Details`, ``date``, ``registration``, ``active``, ``turf``, ``weeds``; or ``applied``, a
        mapping of zone or product to the right amount, where None says that nothing was applied there: the
        row leaves the history. So is a record of the wrong product or ground taken back.

    Returns
    -------
    Record
        The record that stands now (without rows if all were taken back).

    Raises
    ------
    InputError
        As `record`; also an unknown record, or one that was corrected already.
    """
    why = text_of(reason, "reason")
    if not why:
        raise InputError("a correction needs its reason", field="reason")
    known = [*Details.__annotations__, *_OF_ROWS, "date", "applied"]
    unknown = sorted(set(changes) - set(known))
    if unknown or not changes:
        what = f"cannot correct {', '.join(unknown)}" if unknown else "no change is given"
        raise InputError(what, file=path, feature=record_id, mend=f"to correct: {', '.join(known)}")
    place = path_given(path, "a correction", 'correct("records.gpkg", ...)')
    stored, said = store.supersede(place, record_id, lambda old: _corrected(old, changes, why), why)
    name = stored["record"].iloc[0] if len(stored) else record_id
    return Record(name, place, stored, missing_elements(stored), tuple(said))


def _in_weather(job: Sized, rows: gpd.GeoDataFrame, given: Mapping[str, str | None]) -> list[Finding]:
    """What is said of work in weather that a label or the job's policy forbids. It is recorded all the same."""
    labels = [job.plans[name].label for name in rows["product"].unique()]
    said = [
        text
        for wind in figures_of(given, "wind")
        for temperature in figures_of(given, "temperature")
        for text in broken(labels, job.asked.policy, wind, temperature)
    ]
    return [Finding("warning", "record", "weather", text) for text in dict.fromkeys(said)]


def _told(details: dict[str, object], date: object, planned: object) -> tuple[str, dict[str, str | None]]:
    """Day and texts of a record, checked."""
    unknown_options(details, Details.__annotations__, "record")
    start, end = (moment(details.get(name), name) for name in ("start", "end"))
    day = day_of(date, start, planned)
    times = clock(day, start, end)
    return day.isoformat(), {**texts_of(details), **times}


def _corrected(old: gpd.GeoDataFrame, changes: Mapping[str, object], why: str) -> gpd.GeoDataFrame:
    before = old.iloc[0]
    details = {name: value for name, value in changes.items() if name in Details.__annotations__}
    times = {name: before[name] for name in ("start", "end")}
    day, given = _told({**times, **details}, changes.get("date"), before["date"])
    given |= {name: text_of(changes[name], name) for name in _OF_ROWS if name in changes}
    new = old.assign(date=day, **given)
    applied = changes.get("applied")
    if isinstance(applied, Mapping):
        new = _reallotted(new, applied)
    elif "applied" in changes:
        raise InputError("a correction wants a mapping of zone or product to amount", field="applied")
    return _named(new.assign(corrects=before["record"], reason=why))


def _reallotted(rows: gpd.GeoDataFrame, applied: Mapping[str, object]) -> gpd.GeoDataFrame:
    kept = rows.to_dict("index")
    for index, amount in shares(applied, rows, rows["area_m2"]).items():
        row = kept.pop(index) if amount is None else kept[index]
        if amount is not None:
            # What the remarks said of the amount no longer holds once the true one is known.
            said = "; ".join(one for one in (row["remarks"] or "").split("; ") if one != AS_PLANNED)
            row.update(dosed(amount, row), remarks=said or None)
    return gpd.GeoDataFrame([*kept.values()], columns=rows.columns, geometry="geometry", crs=rows.crs)


def _named(rows: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Rows with the time of writing and the name of their record: its day and a digest of all it holds."""
    if rows.empty:
        return rows
    rows = rows.assign(recorded_at=store.utc_now()).drop(columns=["record", "row"], errors="ignore")
    shapes = shapely.to_wkb(rows.geometry.to_numpy(), output_dimension=2)
    content = rows.drop(columns="geometry").to_json(orient="split", index=False).encode() + b"".join(shapes)
    name = f"{rows['date'].iloc[0]}-{hashlib.sha256(content).hexdigest()[:12]}"
    return rows.assign(record=name, row=[f"{name}-{number}" for number in range(1, len(rows) + 1)])
