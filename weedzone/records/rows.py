"""From a job, and what was really applied, to the rows of a record."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely
from pyproj import Geod

from weedzone.base import units
from weedzone.base.errors import Finding, InputError
from weedzone.records.told import absent, text_of

_GEOD = Geod(ellps="WGS84")
UNIT_OF_FORM = {form: unit for form, (unit, _) in units.PRODUCT_UNIT.items()}
_AMOUNT = {form: ("volume" if form == "liquid" else "mass", unit) for form, unit in UNIT_OF_FORM.items()}
_DOSE_UNIT = {form: f"{unit}/ksqft" for form, unit in UNIT_OF_FORM.items()}
_MIX_UNIT = {form: f"{unit}/gal" for form, unit in UNIT_OF_FORM.items() if form != "granule"}
_ROUNDING = 1e-6
AS_PLANNED = "amounts as planned for the ground"


def treated(
    job: Any, applied: Mapping[str, object] | gpd.GeoDataFrame | None, site: str | None
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Rows of a record with everything that the job knows, and what was noticed.

    Parameters
    ----------
    job : weedzone.Job
    applied : mapping, geopandas.GeoDataFrame or None
        See `weedzone.record`.
    site : str or None

    Returns
    -------
    tuple
        Rows in the CRS of the job's zones, and findings.
    """
    zones = job.zones
    if site is not None:
        zones = zones[zones["site"].astype(str) == str(site)]
    if zones.empty:
        raise InputError("the job has no zone there, so nothing could be applied", field="site", feature=site)
    zones = zones.reset_index(drop=True)
    zones["form"] = [_form(job, zone) for zone in zones.to_dict("records")]
    findings: list[Finding] = []
    if applied is None:
        plots = [
            {**zone, "amount": _planned(zone), "remarks": AS_PLANNED} for zone in zones.to_dict("records")
        ]
    elif isinstance(applied, gpd.GeoDataFrame):
        plots = list(_as_sprayed(applied, zones, site, findings))
    elif isinstance(applied, Mapping):
        plots = list(_as_told(applied, zones, findings))
    else:
        raise InputError("is neither a mapping nor polygons", field="applied")
    if not plots:
        raise InputError("says that nothing was applied, so there is nothing to record", field="applied")
    rows = [_row(job, plot, findings) for plot in plots]
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=zones.crs), findings


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
        if any(index in amounts for index in named.index):
            raise InputError(f"{key!r} is given twice, by zone and by product", field="applied")
        if amount is None:
            amounts.update(dict.fromkeys(named.index))
            continue
        form = named["form"].iloc[0]
        total = units.to_si(amount, "amount", form=form, field=f"applied[{key!r}]")
        parts = (total * weight[named.index] / weight[named.index].sum()).tolist()
        texts = [_amount(part, form) for part in parts]
        if len(named) == 1 and isinstance(amount, str):
            texts = [amount.strip()]
        amounts.update(zip(named.index, texts, strict=True))
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
    kind = "volume_per_area" if form == "liquid" else "mass_per_area"
    dose = units.convert(total / row["area_m2"], kind, _DOSE_UNIT[form])
    columns: dict[str, str | None] = {
        "amount": amount,
        "dose": f"{dose:.10g} {_DOSE_UNIT[form]}",
        "solution": None,
    }
    if not absent(row["mix"]):
        litres = total / units.to_si(row["mix"], "mix", form=form, field="mix")
        columns["solution"] = f"{units.convert(litres, 'volume', 'gal'):.4g} gal"
    return columns


def _named(key: object, rows: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    named = rows[rows["zone"] == key]
    if len(set(named["site"])) > 1:
        raise InputError(
            f"zone {key} is on several sites", field="applied", mend="record each site by itself"
        )
    if named.empty:
        named = rows[rows["product"] == key]
    if named.empty:
        known = ", ".join(dict.fromkeys([*rows["zone"].dropna(), *rows["product"]]))
        raise InputError(f"{key!r} is no zone or product here", field="applied", mend=f"name one of: {known}")
    return named


def _as_told(
    applied: Mapping[str, object], zones: gpd.GeoDataFrame, findings: list[Finding]
) -> Iterator[dict[str, Any]]:
    amounts = shares(applied, zones, zones["product_amount"])
    for index, zone in zip(zones.index, zones.to_dict("records"), strict=True):
        amount = amounts.get(index)
        if amount is not None:
            yield {**zone, "amount": amount}
        else:
            place = f"{zone['site']} {zone['zone']}"
            findings.append(
                Finding("note", "record", place, "recorded as not sprayed: no amount is given for it")
            )


def _as_sprayed(
    sprayed: gpd.GeoDataFrame, zones: gpd.GeoDataFrame, site: str | None, findings: list[Finding]
) -> Iterator[dict[str, Any]]:
    """Polygons as sprayed, each with what the zones of its product tell about it."""
    if not {"product", "amount"} <= set(sprayed.columns):
        raise InputError("the polygons need the columns product and amount", field="applied")
    if sprayed.crs is None or zones.crs is None:
        raise InputError("the polygons have no coordinate system", field="applied", mend="set their CRS")
    plots = sprayed.to_crs(zones.crs)
    if "site" not in plots:
        if len(set(zones["site"])) > 1:
            raise InputError("the job has several sites", field="applied", mend="add the column site")
        plots["site"] = zones["site"].iloc[0]
    known_of_each = plots.drop(columns=plots.geometry.name).to_dict("records")
    for number, (plot, ground) in enumerate(zip(known_of_each, plots.geometry, strict=True), 1):
        if site is not None and str(plot["site"]) != str(site):
            continue
        place = f"polygon {number}"
        shape = _polygons(ground, place)
        area_m2 = abs(
            _GEOD.geometry_area_perimeter(gpd.GeoSeries([shape], crs=zones.crs).to_crs(4326).iloc[0])[0]
        )
        zone = _zone_of(plot, shape, zones, place, findings)
        known = {name: value for name, value in plot.items() if not absent(value)}
        form = zone["form"]
        total = units.to_si(plot["amount"], "amount", form=form, field="amount of " + place)
        amount = plot["amount"].strip() if isinstance(plot["amount"], str) else _amount(total, form)
        area_ft2 = units.convert(area_m2, "area", "ft2")
        yield {**zone, **known, "amount": amount, "area_m2": area_m2, "area_ft2": area_ft2, "geometry": shape}


def _zone_of(
    plot: Mapping[str, Any], shape: Any, zones: gpd.GeoDataFrame, place: str, findings: list[Finding]
) -> dict[str, Any]:
    """Zone that a polygon belongs to, or what all zones of its product have in common."""
    same = zones[zones["product"] == plot["product"]]
    if same.empty:
        mend = f"products of the job: {', '.join(zones['product'].unique())}"
        raise InputError(
            f"{plot['product']!r} is no product of the job", field="applied", feature=place, mend=mend
        )
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
    several = {
        name: "; ".join(dict.fromkeys(here[name].dropna())) for name in ("turf", "weeds") if name in here
    }
    return {**here.iloc[0], **several, "zone": None if len(here) > 1 else here["zone"].iloc[0]}


def _row(job: Any, plot: dict[str, Any], findings: list[Finding]) -> dict[str, Any]:
    """One row of a record, from a zone or polygon with its ``amount``."""
    product = plot["product"]
    label = job.labels.get(product) if getattr(job, "labels", None) else None
    place = f"{plot['site']} {plot.get('zone') or product}"
    if not plot["area_m2"] > 0:
        raise InputError("has no area", field="applied", feature=place)
    plot["mix"] = _mix(plot)
    columns = {**plot, **dosed(plot["amount"], plot)}
    findings += _above_label(getattr(job, "plans", {}).get(product), plot, place)
    actives = [active.name for active in getattr(label, "actives", ())]
    told = {
        "registration": getattr(label, "registration", None), "active": actives,
        "reentry": getattr(label, "reentry", None),
        "equipment": getattr(getattr(job, "rig", None), "name", None),
    }  # fmt: skip
    kept = (
        "site", "zone", "product", "use", "turf", "weeds", "form", "mix", "amount", "dose", "solution", "remarks",
    )  # fmt: skip
    return {
        **{name: text_of(columns.get(name), name) for name in kept},
        **{name: text_of(value, name) for name, value in told.items()},
        "area_m2": float(plot["area_m2"]), "area_ft2": float(plot["area_ft2"]),
        "geometry": _polygons(plot["geometry"], place),
    }  # fmt: skip


def _above_label(plan: Any, plot: Mapping[str, Any], place: str) -> list[Finding]:
    """Warn of more product than the label allows on the turf in one application. It is recorded all the same."""
    if plan is None:
        return []
    dose = units.to_si(plot["amount"], "amount", form=plot["form"]) / plot["area_m2"]
    turf = "" if absent(plot.get("turf")) else str(plot["turf"])
    most = min(map(plan.most_dose, turf.split("; ")))
    if dose <= most * (1 + _ROUNDING):
        return []
    what = (
        "the label's highest rate" if most == plan.dose_high else f"the most that the label takes on {turf}"
    )
    text = f"{plot['amount']} on {plot['area_ft2']:,.0f} ft2 is {dose / most:.2f} times {what}"
    return [Finding("warning", "record", place, text)]


def _form(job: Any, zone: Mapping[str, Any]) -> str:
    label = job.labels.get(zone["product"]) if getattr(job, "labels", None) else None
    return label.form if label is not None else units.FORM_OF_UNIT[zone["product_unit"]]


def _planned(zone: Mapping[str, Any]) -> str:
    return f"{zone['product_amount']:.10g} {zone['product_unit']}"


def _mix(zone: Mapping[str, Any]) -> str | None:
    """Product per solution as planned; None for granules."""
    form, litres = zone["form"], zone.get("solution_L")
    if form not in _MIX_UNIT or absent(litres) or not litres:
        return None
    part = units.to_si(_planned(zone), "amount", form=form) / litres
    return f"{units.convert(part, 'mix', _MIX_UNIT[form], form=form):.6g} {_MIX_UNIT[form]}"


def _amount(si: float, form: str) -> str:
    kind, unit = _AMOUNT[form]
    return f"{units.convert(si, kind, unit):.10g} {unit}"


def _polygons(shape: Any, place: str) -> Any:
    """Polygons of a shape as one multipolygon in the plane; anything else is refused."""
    if shape is None or shape.is_empty or shape.geom_type not in ("Polygon", "MultiPolygon"):
        raise InputError(
            "is no polygon", field="applied", feature=place, mend="give the ground sprayed as polygons"
        )
    if not shape.is_valid:
        shape = shapely.make_valid(shape, method="structure", keep_collapsed=False)
    flat = shapely.force_2d(shape)
    return flat if flat.geom_type == "MultiPolygon" else shapely.MultiPolygon([flat])
