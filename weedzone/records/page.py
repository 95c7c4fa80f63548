"""What a record lacks, and records on paper and in a spreadsheet for whoever inspects them.

What rules commonly ask for stands in ``rules.toml``, with citations, beside the titles of the page.
"""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from weedzone.base.data import table_beside
from weedzone.base.files import html_page, place_file, write_csv
from weedzone.base.units import FT_PER_M
from weedzone.base.words import OF_A_RECORD

_DATA = table_beside(__file__, "rules.toml")
ELEMENTS: dict[str, str] = _DATA["elements"]
"""What each element is. Its name is the column of the record, and the argument that fills it if there is one."""
RULES: list[dict[str, Any]] = _DATA["rule"]
_HEAD: dict[str, str] = _DATA["head"]
_COLUMNS: dict[str, str] = _DATA["columns"]
_NO_ANSWER = ("", "-", "?", "n/a", "na", "nan", "tbd", "unknown", "not known", "not given")
_MAP_PX = 260.0
# Amounts are kept to ten figures, so that rounding never counts against a yearly limit; six are read.
_LONG_NUMBER = re.compile(r"\b\d+\.\d{6,}\b")


def missing_elements(rows: gpd.GeoDataFrame) -> dict[str, tuple[str, ...]]:
    """Elements that rules ask for and that some row of a record lacks.

    Parameters
    ----------
    rows : geopandas.GeoDataFrame
        Rows of one record, as stored.

    Returns
    -------
    dict[str, tuple[str, ...]]
        Element to the citations of the rules that ask for it, in the order of `ELEMENTS`.
    """
    said = pd.DataFrame(rows)[[*ELEMENTS]]
    told = said.notna() & ~said.apply(lambda one: one.astype(str).str.strip().str.casefold().isin(_NO_ANSWER))
    dry = rows["form"] == "granule"
    enough = told.assign(
        mix=told["mix"] | dry,
        solution=told["solution"] | dry,
        # A supervisor is asked for only where someone without a licence applied.
        licence=told["licence"] | told["supervisor_licence"],
        supervisor=told["supervisor"] | told["licence"],
        supervisor_licence=told["supervisor_licence"] | ~told["supervisor"],
        # One address given is the customer's and the site's.
        billing_address=told["billing_address"] | told["address"],
    )
    return {
        name: tuple(rule["citation"] for rule in RULES if name in rule["elements"])
        for name in ELEMENTS
        if not enough[name].all()
    }


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
    titles = list(_COLUMNS.values())
    text = html_page("record.html", sheets=sheets, titles=titles, caution=OF_A_RECORD, elements=ELEMENTS)
    return place_file(Path(path), lambda new: new.write_text(text, encoding="utf-8", newline=""))


def _sheet(name: str, rows: gpd.GeoDataFrame) -> dict[str, Any]:
    head = {**rows.iloc[0], "digest": rows["digest"].iloc[-1]}
    return {
        "name": name,
        "status": head.get("status", "superseded" if _shown(head["superseded_at"]) else "current"),
        "head": [(title, _shown(head[column])) for column, title in _HEAD.items() if _shown(head[column])],
        "rows": [[_to_read(column, row[column]) for column in _COLUMNS] for row in rows.to_dict("records")],
        "missing": missing_elements(rows),
        "map": _outline(rows),
    }


def _shown(value: object) -> str:
    if value is None or value != value:  # NaN is not itself
        return ""
    return f"{value:,.0f}" if isinstance(value, float) else str(value)


def _to_read(column: str, value: object) -> str:
    if column not in ("amount", "dose"):
        return _shown(value)
    return _LONG_NUMBER.sub(lambda found: f"{float(found[0]):.6g}", _shown(value))


def _outline(rows: gpd.GeoDataFrame) -> dict[str, Any]:
    """Treated ground as an SVG path, north up, with its extent in feet and a point of it in degrees."""
    point = rows.geometry.representative_point().to_crs(4326).iloc[0]
    local = rows.geometry.to_crs(f"+proj=laea +lat_0={point.y} +lon_0={point.x} +units=m")
    min_x, min_y, max_x, max_y = local.total_bounds
    wide, high = max_x - min_x, max_y - min_y
    scale = _MAP_PX / max(wide, high, 0.1)
    path = ""
    for part in local.explode().geometry:
        for ring in (part.exterior, *part.interiors):
            points = [f"{(x - min_x) * scale:.1f},{(max_y - y) * scale:.1f}" for x, y in ring.coords]
            path += f"M{'L'.join(points)}Z"
    return {
        "path": path,
        "width": math.ceil(wide * scale),
        "height": math.ceil(high * scale),
        "feet": (wide * FT_PER_M, high * FT_PER_M),
        "lon": point.x,
        "lat": point.y,
    }
