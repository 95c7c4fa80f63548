"""From a job, and what was really applied, to the rows of a record; and what a person says of it, as checked texts."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from math import isnan
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely
from pyproj import Geod

from weedzone.base import units
from weedzone.base.errors import Finding, InputError
from weedzone.base.words import read_date
from weedzone.sizing import Sized
from weedzone.zones import Plan

_GEOD = Geod(ellps="WGS84")
UNIT_OF_FORM = {form: unit for form, (unit, _) in units.PRODUCT_UNIT.items()}
_ROUNDING = 1e-6
AS_PLANNED = "amounts as planned for the ground"
_OF_PLOTS = ("site", "zone", "product", "use", "turf", "weeds", "form", "mix", "remarks")


def treated(
    job: Sized, applied: Mapping[str, object] | gpd.GeoDataFrame | None, site: str | None
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Rows of a record with everything that the job knows, and what was noticed.

    Parameters
    ----------
    job : Sized
    applied : mapping, geopandas.GeoDataFrame or None
        See `weedzone.record`.
    site : str or None

    Returns
    -------
    tuple
        Rows in the CRS of the job's zones, and findings.
    """
    zones = job.zones if site is None else job.zones[job.zones["site"].astype(str) == str(site)]
    if zones.empty:
        raise InputError("the job has no zone there, so nothing could be applied", field="site", feature=site)
    zones = zones.reset_index(drop=True)
    zones["form"] = [job.plans[name].label.form for name in zones["product"]]
    findings: list[Finding] = []
    if applied is None:
        patches = _patches(job, zones)
        plots = [
            {**zone, "amount": _planned(zone), "remarks": "; ".join(filter(None, (AS_PLANNED, codes)))}
            for zone, codes in zip(zones.to_dict("records"), patches, strict=True)
        ]
    elif isinstance(applied, gpd.GeoDataFrame):
        plots = _as_sprayed(applied, zones, site, findings)
    elif isinstance(applied, Mapping):
        plots = _as_told(applied, zones.assign(remarks=_patches(job, zones)), findings)
    else:
        raise InputError("is neither a mapping nor polygons", field="applied")
    if not plots:
        raise InputError("says that nothing was applied, so there is nothing to record", field="applied")
    rows = [_row(job, plot, findings) for plot in plots]
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=zones.crs), findings


def _patches(job: Sized, zones: pd.DataFrame) -> list[str | None]:
    """Codes of the patches of each zone as on map and sheet; None where it is in one piece."""
    codes = zones.join(job.patch_codes, on=["site", "zone"])["patch"]
    return [
        None if code == zone else f"patches {code}" for code, zone in zip(codes, zones["zone"], strict=True)
    ]


def shares(
    applied: Mapping[str, object], rows: gpd.GeoDataFrame, weight: pd.Series[float]
) -> dict[Any, str | None]:
    """Amounts by row, from amounts by zone or product; None where nothing was applied.

    Parameters
    ----------
    applied : mapping
        Zone or product to amount of product, text or quantity.
    rows : geopandas.GeoDataFrame
        Columns ``site``, ``zone``, ``product``, ``form``.
    weight : pandas.Series
        By which the amount of a product is shared over its rows.

    Returns
    -------
    dict
        Index of `rows` to amount text. Rows that are not named are absent.
    """
    amounts: dict[Any, str | None] = {}
    for key, amount in applied.items():
        named = _named(key, rows)
        if not amounts.keys().isdisjoint(named.index):
            raise InputError(f"{key!r} is given twice, by zone and by product", field="applied")
        if amount is None:
            amounts.update(dict.fromkeys(named.index))
            continue
        form = named["form"].iloc[0]
        total = units.to_si(amount, "amount", form=form, field=f"applied[{key!r}]")
        parts = total * weight[named.index] / weight[named.index].sum()
        amounts.update({index: _amount(part, form) for index, part in parts.items()})
        if len(named) == 1 and isinstance(amount, str):
            amounts[named.index[0]] = amount.strip()
    return amounts


def dosed(amount: str, row: Mapping[str, Any]) -> dict[str, str | None]:
    """Columns of a row that follow from the amount of product on it, at the mixing rate of the plan.

    Parameters
    ----------
    amount : str
        Total product on the polygon.
    row : mapping
        With ``form``, ``area_m2`` and ``mix`` (text or None).
    """
    form = row["form"]
    total = units.to_si(amount, "amount", form=form, field="amount")
    unit = f"{UNIT_OF_FORM[form]}/ksqft"
    dose = units.convert(total / row["area_m2"], "dose", unit, form=form)
    solution = None
    if not absent(row["mix"]):
        litres = total / units.to_si(row["mix"], "mix", form=form, field="mix")
        solution = f"{units.convert(litres, 'volume', 'gal'):.4g} gal"
    return {"amount": amount, "dose": f"{dose:.10g} {unit}", "solution": solution}


def _named(key: object, rows: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    named = rows[rows["zone"] == key]
    if len(set(named["site"])) > 1:
        what = f"zone {key} is on several sites"
        raise InputError(what, field="applied", mend="record each site by itself")
    if named.empty:
        named = rows[rows["product"] == key]
    if named.empty:
        known = ", ".join(dict.fromkeys([*rows["zone"].dropna(), *rows["product"]]))
        raise InputError(f"{key!r} is no zone or product here", field="applied", mend=f"name one of: {known}")
    return named


def _as_told(
    applied: Mapping[str, object], zones: gpd.GeoDataFrame, findings: list[Finding]
) -> list[dict[Any, Any]]:
    amounts = shares(applied, zones, zones["product_amount"])
    plots = [{**zone, "amount": amounts.get(index)} for index, zone in enumerate(zones.to_dict("records"))]
    none = "recorded as not sprayed: no amount is given for it"
    findings += [
        Finding("note", "record", f"{plot['site']} {plot['zone']}", none)
        for plot in plots
        if plot["amount"] is None
    ]
    return [plot for plot in plots if plot["amount"] is not None]


def _as_sprayed(
    sprayed: gpd.GeoDataFrame, zones: gpd.GeoDataFrame, site: str | None, findings: list[Finding]
) -> list[dict[Any, Any]]:
    """Polygons as sprayed, each with what the zones of its product tell about it."""
    if not {"product", "amount"} <= set(sprayed.columns):
        raise InputError("the polygons need the columns product and amount", field="applied")
    if sprayed.crs is None:
        raise InputError("the polygons have no coordinate system", field="applied", mend="set their CRS")
    plots = sprayed.to_crs(zones.crs)
    if "site" not in plots:
        if len(set(zones["site"])) > 1:
            raise InputError("the job has several sites", field="applied", mend="add the column site")
        plots["site"] = zones["site"].iloc[0]
    known_of_each = plots.drop(columns=plots.geometry.name).to_dict("records")
    found = []
    for number, (plot, ground) in enumerate(zip(known_of_each, plots.geometry, strict=True), 1):
        if site is not None and str(plot["site"]) != str(site):
            continue
        place = f"polygon {number}"
        shape = _polygons(ground, place)
        degrees = gpd.GeoSeries([shape], crs=zones.crs).to_crs(4326).iloc[0]
        area_m2 = abs(_GEOD.geometry_area_perimeter(degrees)[0])
        zone = _zone_of(plot, shape, zones, place, findings)
        known = {name: value for name, value in plot.items() if not absent(value)}
        amount, form = plot["amount"], zone["form"]
        total = units.to_si(amount, "amount", form=form, field="amount of " + place)
        known["amount"] = amount.strip() if isinstance(amount, str) else _amount(total, form)
        area_ft2 = area_m2 * units.FT2_PER_M2
        found.append({**zone, **known, "area_m2": area_m2, "area_ft2": area_ft2, "geometry": shape})
    return found


def _zone_of(
    plot: Mapping[Any, Any], shape: Any, zones: gpd.GeoDataFrame, place: str, findings: list[Finding]
) -> dict[Any, Any]:
    """Zone that a polygon belongs to, or what all zones of its product have in common."""
    same = zones[zones["product"] == plot["product"]]
    if same.empty:
        mend = f"products of the job: {', '.join(zones['product'].unique())}"
        what = f"{plot['product']!r} is no product of the job"
        raise InputError(what, field="applied", feature=place, mend=mend)
    here = same[same["site"].astype(str) == str(plot["site"])]
    if here.empty:
        text = f"{plot['product']} was not planned on site {plot['site']}; recorded as sprayed"
        findings.append(Finding("warning", "record", place, text))
        here = same
    if not absent(plot.get("zone")):
        here = here[here["zone"] == plot["zone"]]
        if here.empty:
            raise InputError(f"no zone {plot['zone']} has this product", field="applied", feature=place)
        return dict(here.iloc[0])
    touched = here[here.intersects(shape)]
    here = here if touched.empty else touched
    several = {name: "; ".join(dict.fromkeys(here[name].dropna())) for name in ("turf", "weeds")}
    return {**here.iloc[0], **several, "zone": None if len(here) > 1 else here["zone"].iloc[0]}


def _row(job: Sized, plot: dict[Any, Any], findings: list[Finding]) -> dict[str, Any]:
    """One row of a record, from a zone or polygon with its ``amount``."""
    plan = job.plans[plot["product"]]
    place = f"{plot['site']} {plot.get('zone') or plot['product']}"
    if not plot["area_m2"] > 0:
        raise InputError("has no area", field="applied", feature=place)
    plot["mix"] = _mix(plot)
    findings += _above_label(plan, plot, place)
    told = {
        **{name: plot.get(name) for name in _OF_PLOTS},
        **dosed(plot["amount"], plot),
        "registration": plan.label.registration,
        "active": [active.name for active in plan.label.actives],
        "reentry": plan.label.reentry,
        "equipment": job.rig.name,
    }
    return {
        **{name: text_of(value, name) for name, value in told.items()},
        "area_m2": float(plot["area_m2"]),
        "area_ft2": float(plot["area_ft2"]),
        "geometry": _polygons(plot["geometry"], place),
    }


def _above_label(plan: Plan, plot: Mapping[Any, Any], place: str) -> list[Finding]:
    """Warn of more product than the label allows on the turf in one application. It is recorded all the same."""
    dose = units.to_si(plot["amount"], "amount", form=plot["form"]) / plot["area_m2"]
    turf = "" if absent(plot["turf"]) else str(plot["turf"])
    most = min(map(plan.most_dose, turf.split("; ")))
    if dose <= most * (1 + _ROUNDING):
        return []
    named = most == plan.dose_high
    what = "the label's highest rate" if named else f"the most that the label takes on {turf}"
    text = f"{plot['amount']} on {plot['area_ft2']:,.0f} ft2 is {dose / most:.2f} times {what}"
    return [Finding("warning", "record", place, text)]


def _planned(zone: Mapping[Any, Any]) -> str:
    return f"{zone['product_amount']:.10g} {zone['product_unit']}"


def _mix(zone: Mapping[Any, Any]) -> str | None:
    """Product per solution as planned; None for granules."""
    form, litres = zone["form"], zone["solution_L"]
    if form == "granule" or absent(litres) or not litres:
        return None
    unit = f"{UNIT_OF_FORM[form]}/gal"
    part = units.to_si(_planned(zone), "amount", form=form) / litres
    return f"{units.convert(part, 'mix', unit, form=form):.6g} {unit}"


def _amount(si: float, form: str) -> str:
    return f"{units.convert(si, 'amount', UNIT_OF_FORM[form], form=form):.10g} {UNIT_OF_FORM[form]}"


def _polygons(shape: Any, place: str) -> Any:
    """Polygons of a shape as one multipolygon in the plane; anything else is refused."""
    if shape is None or shape.is_empty or shape.geom_type not in ("Polygon", "MultiPolygon"):
        mend = "give the ground sprayed as polygons"
        raise InputError("is no polygon", field="applied", feature=place, mend=mend)
    if not shape.is_valid:
        shape = shapely.make_valid(shape, method="structure", keep_collapsed=False)
    flat = shapely.force_2d(shape)
    return flat if flat.geom_type == "MultiPolygon" else shapely.MultiPolygon([flat])


# --- what a person says ------------------------------------------------------------------------------------

Moment = dt.datetime | dt.time | None

_MEASURED = {  # kind, unit in which a pint quantity is written down, word that stands for a figure
    "wind": ("speed", "mph", "calm"),
    "temperature": ("temperature", "degF", ""),
    "humidity": ("fraction", "%", ""),
}
_COMPASS = "N NNE NE ENE E ESE SE SSE S SSW SW WSW W WNW NW NNW"
_DEGREES = re.compile(r"(\d{1,3}(?:\.\d+)?)\s*(?:°|deg|degrees?)?", re.IGNORECASE)
_UNPRINTABLE = re.compile("[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff\ufffe\uffff]")


def absent(value: object) -> bool:
    """Whether nothing is said: None, NaN, NaT or blank text."""
    if isinstance(value, str):
        return not value.strip()
    return value is None or value is pd.NaT or value is pd.NA or (isinstance(value, float) and isnan(value))


def text_of(value: object, name: str) -> str | None:
    """Any value as one clean text; None where nothing is said; booleans as yes and no."""
    if absent(value):
        return None
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple | set | frozenset):
        return "; ".join(part for part in (text_of(item, name) for item in value) if part) or None
    text = str(value).replace("\r\n", "\n").replace("\r", "\n").strip()
    if _UNPRINTABLE.search(text):
        raise InputError("has characters that cannot be printed", field=name, mend="type the text anew")
    return text


def texts_of(details: Mapping[str, object]) -> dict[str, str | None]:
    """Details as texts, without the times; weather is checked against its units."""
    read = {**dict.fromkeys(_MEASURED, _measured), "wind_from": _direction}
    return {
        name: read.get(name, text_of)(value, name)
        for name, value in details.items()
        if name not in ("start", "end")
    }


def _measured(value: object, name: str) -> str | None:
    if isinstance(value, list | tuple):  # at the start and at the end of the work
        return " to ".join(filter(None, (_measured(item, name) for item in value))) or None
    if absent(value):
        return None
    kind, unit, word = _MEASURED[name]
    if isinstance(value, str):
        text = text_of(value, name) or ""
        if " to " in text:  # as stored, when a record is corrected
            return _measured(text.split(" to "), name)
        if text.casefold() != word:
            units.to_si(text, kind, allow_zero=True, field=name)
        return text
    si = units.to_si(value, kind, allow_zero=True, field=name)
    return f"{units.convert(si, kind, unit):.4g} {unit}"


def figures_of(texts: Mapping[str, str | None], name: str) -> list[float | None]:
    """Figures of a detail in SI: one, or those of the start and the end of the work; None where nothing is said."""
    kind, _, word = _MEASURED[name]
    said = texts.get(name)
    if not said:
        return [None]
    return [
        0.0 if text.casefold() == word else units.to_si(text, kind, allow_zero=True)
        for text in said.split(" to ")
    ]


def _direction(value: object, name: str) -> str | None:
    text = text_of(value, name)
    if text is None or text.casefold() in {"calm", "variable"}:
        return text
    degrees = _DEGREES.fullmatch(text)
    if degrees and float(degrees[1]) <= 360:
        return f"{float(degrees[1]):g}°"
    if text.upper() in _COMPASS.split():
        return text.upper()
    mend = 'write a compass point ("NW") or degrees ("315")'
    raise InputError(f"{text!r} is no direction", field=name, mend=mend)


def moment(value: object, name: str) -> Moment:
    """Date-time or clock time that a value means; None where nothing is said."""
    if absent(value):
        return None
    if isinstance(value, dt.datetime | dt.time):  # pandas.Timestamp is one too
        return value
    text = re.sub(r"(^|\d{4}-\d\d-\d\d[ T])(\d:)", r"\g<1>0\2", text_of(value, name) or "")
    # A bare day would pass for its midnight, and bare digits for a time: ask for the colon.
    readers: list[Callable[[str], Moment]] = [dt.time.fromisoformat, dt.datetime.fromisoformat, _twelve_hours]
    for read in readers if ":" in text else readers[-1:]:
        with suppress(ValueError):
            return read(text)
    mend = 'write the time as "9:40", "2:15 pm" or "2025-04-30 09:40"'
    raise InputError(f"{text!r} is no time of day", field=name, mend=mend)


def _twelve_hours(text: str) -> dt.time:
    squeezed = re.sub(r"[\s.]", "", text).upper()
    return dt.datetime.strptime(squeezed, "%I:%M%p" if ":" in squeezed else "%I%p").time()


def day_of(date: object, start: Moment, planned: object) -> dt.date:
    """Day of the application, which is not in the future.

    The day given; else that of a full `start`; else the planned one. Today is what the computer's clock says.
    """
    of_start = start.date() if isinstance(start, dt.datetime) else None
    day = read_date(next(value for value in (date, of_start, planned) if not absent(value)), "date")
    if of_start and of_start != day:
        mend = 'write the day as "2025-04-30"'
        raise InputError(f"the start is on {of_start}, the record on {day}", field="start", mend=mend)
    if day > dt.date.today():
        mend = "record what was done, when it is done"
        raise InputError(f"{day} is in the future", field="date", mend=mend)
    return day


def clock(day: dt.date, start: Moment, end: Moment) -> dict[str, str | None]:
    """Start and end as texts, in order and not in the future; an end on another day keeps its date."""
    began, ended = (
        dt.datetime.combine(day, when) if isinstance(when, dt.time) else when for when in (start, end)
    )
    for name, when in (("start", began), ("end", ended)):
        if when is not None and _future(when):
            raise InputError(f"{when.isoformat(' ')} is in the future", field=name)
    if began and ended and _before(ended, began):
        mend = "an end after midnight needs its date" if isinstance(end, dt.time) else None
        what = f"the end, {_shown(ended, day)}, is before the start, {_shown(began, day)}"
        raise InputError(what, field="end", mend=mend)
    return {"start": _shown(began, day), "end": _shown(ended, day)}


def _future(when: dt.datetime) -> bool:
    # A time without zone is the site's, which may be ahead of this computer's: only its day is checked.
    if when.tzinfo is None:
        return when.date() > dt.date.today()
    return when > dt.datetime.now(dt.UTC)


def _before(one: dt.datetime, other: dt.datetime) -> bool:
    if (one.tzinfo is None) != (other.tzinfo is None):
        return one.replace(tzinfo=None) < other.replace(tzinfo=None)
    return one < other


def _shown(when: dt.datetime | None, day: dt.date) -> str | None:
    if when is None:
        return None
    text = when.isoformat(sep=" ", timespec="seconds" if when.second else "minutes")
    return text.removeprefix(f"{day} ")
