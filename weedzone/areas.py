"""The areas of a sized job as one flat table, made to be fed into an estimating sheet.

Column names are stable; ``docs/schema/areas.schema.json`` describes the JSON form.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import shapely

from weedzone.cells import write_csv
from weedzone.errors import InputError
from weedzone.placed import place_file
from weedzone.shapes import parts_of
from weedzone.sizing import Sized
from weedzone.tables import zone_order
from weedzone.units import ACRE_PER_M2, FT2_PER_M2, FT_PER_M, KSQFT_PER_M2

SCHEMA = "weedzone/areas/1"
COLUMNS = (
    "site", "zone", "turf", "product", "use", "area_ft2", "area_ksqft", "area_acre", "area_m2", "perimeter_ft",
    "perimeter_m", "patches", "loads",
)  # fmt: skip


def areas(job: Sized, path: str | Path | None = None) -> pd.DataFrame:
    """Areas, perimeter, patches and loads of each zone.

    Parameters
    ----------
    job : Sized
    path : path, optional
        Also written there: as CSV where it ends in ``.csv`` (cells that a spreadsheet would run as formulas get
        a leading apostrophe), as JSON where it ends in ``.json``.

    Returns
    -------
    DataFrame
        A row for each zone: ``site``, ``zone``, ``turf``, ``product``, ``use``, ``area_ft2``, ``area_ksqft``,
        ``area_acre``, ``area_m2`` (ground area), ``perimeter_ft``, ``perimeter_m`` (all edges, those of holes
        too), ``patches`` (connected pieces), ``loads`` (a fraction: those of a site's product add up to the
        filled part of its loads; round the sum up for whole loads). Empty where nothing is treated.

    Raises
    ------
    InputError
        An ending that is neither, or a place that cannot be written.
    """
    zones = job.zones
    shapes = job.zoned.zone_geoms[zone_order(job.zoned)]
    area = zones["area_m2"].to_numpy(dtype=float)
    perimeter = shapely.length(shapes)
    _, owner = parts_of(shapes)
    table = pd.DataFrame(
        {
            **{column: zones[column].to_numpy(dtype=object) for column in COLUMNS[:5]},
            "area_ft2": area * FT2_PER_M2,
            "area_ksqft": area * KSQFT_PER_M2,
            "area_acre": area * ACRE_PER_M2,
            "area_m2": area,
            "perimeter_ft": perimeter * FT_PER_M,
            "perimeter_m": perimeter,
            "patches": np.bincount(owner, minlength=len(zones)),
            "loads": zones["tanks"].to_numpy(dtype=float),
        }
    )
    if path is not None:
        _write(table, Path(path))
    return table


def _write(table: pd.DataFrame, path: Path) -> None:
    ending = path.suffix.lower()
    if ending not in (".csv", ".json"):
        raise InputError(f"no format {ending!r} for areas", file=path, mend="end the name in .csv or .json")

    def write(file: Path) -> None:
        if ending == ".csv":
            write_csv(table, file)
            return
        document = {"schema": SCHEMA, "zones": table.to_dict(orient="records")}
        text = json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False)
        file.write_text(text, encoding="utf-8", errors="replace")

    place_file(path, write)
