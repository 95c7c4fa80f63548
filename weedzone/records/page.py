"""Records on paper and in a spreadsheet: a printable page and CSV for whoever inspects them."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from weedzone.base.files import html_page, place_file, write_csv
from weedzone.base.words import OF_A_RECORD
from weedzone.records.rules import ELEMENTS, missing_elements

_MAP_PX = 260.0
# Amounts are kept to ten figures, so that rounding never counts against a yearly limit; six are read.
_LONG_NUMBER = re.compile(r"\b\d+\.\d{6,}\b")
_HEAD = (
    ("Customer", "customer"), ("Address of the property", "address"),
    ("Address of the customer", "billing_address"), ("Date", "date"), ("Start", "start"), ("End", "end"),
    ("Applicator", "applicator"), ("Licence", "licence"), ("Supervisor", "supervisor"),
    ("Licence of the supervisor", "supervisor_licence"), ("Equipment", "equipment"),
    ("Wind", "wind"), ("Wind from", "wind_from"), ("Temperature", "temperature"), ("Humidity", "humidity"),
    ("Signs posted", "signs_posted"), ("Signs removed", "signs_removed"), ("Permit", "permit"),
    ("Protective equipment", "ppe"), ("Re-entry", "reentry"), ("Remarks", "remarks"),
    ("Written down", "recorded_at"), ("Corrects record", "corrects"), ("Reason of the correction", "reason"),
    ("Replaced by record", "superseded_by"), ("Replaced at", "superseded_at"),
    ("Reason of the replacement", "superseded_because"), ("Digest of the chain", "digest"),
)  # fmt: skip
_TABLE = (
    ("Site", "site"), ("Zone", "zone"), ("Product", "product"), ("Registration", "registration"),
    ("Active ingredient", "active"), ("Turf", "turf"), ("Target weeds", "weeds"), ("Use", "use"),
    ("Product used", "amount"), ("Rate", "dose"), ("Mixing rate", "mix"), ("Total mix", "solution"),
    ("Area, ft²", "area_ft2"),
)  # fmt: skip


def records_to_csv(records: gpd.GeoDataFrame, path: str | Path) -> Path:
    """Write records as CSV (UTF-8, with a point of each polygon in degrees), safe to open in a spreadsheet.

    Text that a spreadsheet would run as a formula gets a leading apostrophe (OWASP, "CSV Injection").

    Parameters
    ----------
    records : geopandas.GeoDataFrame
        From `read_records`, or the rows of a `Record`.
    path : str or pathlib.Path
        Replaced if it exists.

    Returns
    -------
    pathlib.Path
        The file written.
    """
    table = pd.DataFrame(records.drop(columns=records.geometry.name))
    points = records.geometry.representative_point().to_crs(4326)
    table["longitude"], table["latitude"] = points.x.round(6), points.y.round(6)
    return place_file(Path(path), lambda new: write_csv(table, new))


def records_to_html(records: gpd.GeoDataFrame, path: str | Path) -> Path:
    """Write records as one printable page, a sheet per record, with what is missing and the cautions.

    Parameters
    ----------
    records : geopandas.GeoDataFrame
        From `read_records`, or the rows of a `Record`.
    path : str or pathlib.Path
        Replaced if it exists. The page needs no other file and runs no script.

    Returns
    -------
    pathlib.Path
        The file written.
    """
    sheets = [_sheet(str(name), rows) for name, rows in records.groupby("record", sort=False)]
    text = html_page(
        "record.html",
        sheets=sheets,
        titles=[title for title, _ in _TABLE],
        caution=OF_A_RECORD,
        elements=ELEMENTS,
    )
    return place_file(Path(path), lambda new: new.write_text(text, encoding="utf-8", newline=""))


def _sheet(name: str, rows: gpd.GeoDataFrame) -> dict[str, Any]:
    head = rows.iloc[0].copy()
    head["digest"] = rows["digest"].iloc[-1] if "digest" in rows else None
    return {
        "name": name,
        "status": head.get("status", "superseded" if _shown(head["superseded_at"]) else "current"),
        "head": [(title, _shown(head[column])) for title, column in _HEAD if _shown(head[column])],
        "rows": [[_to_read(column, row[column]) for _, column in _TABLE] for _, row in rows.iterrows()],
        "missing": missing_elements(rows),
        "map": _outline(rows),
    }


def _shown(value: object) -> str:
    if value is None or value != value:  # NaN is not itself
        return ""
    return f"{value:,.0f}" if isinstance(value, float) else str(value)


def _to_read(column: str, value: object) -> str:
    text = _shown(value)
    return (
        _LONG_NUMBER.sub(lambda found: f"{float(found[0]):.6g}", text)
        if column in ("amount", "dose")
        else text
    )


def _outline(rows: gpd.GeoDataFrame) -> dict[str, Any]:
    """Treated ground as an SVG path, north up, with its extent in feet and a point of it in degrees."""
    point = rows.geometry.representative_point().to_crs(4326).iloc[0]
    local = rows.geometry.to_crs(f"+proj=laea +lat_0={point.y} +lon_0={point.x} +units=m")
    min_x, min_y, max_x, max_y = local.total_bounds
    scale = _MAP_PX / max(max_x - min_x, max_y - min_y, 0.1)
    rings = [
        ring
        for part in local.explode().geometry
        for ring in (part.exterior, *part.interiors)
    ]  # fmt: skip
    path = "".join(
        "M" + "L".join(f"{(x - min_x) * scale:.1f},{(max_y - y) * scale:.1f}" for x, y in ring.coords) + "Z"
        for ring in rings
    )
    size = (math.ceil((max_x - min_x) * scale), math.ceil((max_y - min_y) * scale))
    feet = (max_x - min_x) / 0.3048, (max_y - min_y) / 0.3048
    return {"path": path, "width": size[0], "height": size[1], "feet": feet, "lon": point.x, "lat": point.y}
