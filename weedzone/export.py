"""Files of a sized job: GeoPackage, GeoJSON, KML, GeoParquet, CSV tables, pictures and mix sheets.

All of them appear together or not at all; see `weedzone.placed`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from weedzone.cells import write_csv
from weedzone.errors import InputError
from weedzone.filenames import file_names
from weedzone.geofiles import write_geojson, write_gpkg, write_kml, write_parquet
from weedzone.placed import check_place, place
from weedzone.sizing import Sized

_MAPS = 40  # sites with a picture of their own; the overview shows the rest
_DPI = 150


def write(job: Sized, folder: str | Path, formats: Iterable[str] = ("gpkg", "csv", "png")) -> list[Path]:
    """Write a job to a folder.

    Parameters
    ----------
    job : Sized
    folder : path
        Made if it is not there. Files of the same names are replaced; others stay.
    formats : iterable of str
        - ``gpkg``: ``job.gpkg`` with the layers ``zones``, ``eligible`` and ``ledger`` (`Sized.ground`: every
          part of the infested ground with its outcome), in the survey's CRS.
        - ``geojson``: the three layers, a file each, after RFC 7946: WGS 84 longitude and latitude to thirteen
          decimals, outer rings anticlockwise, cut at the antimeridian.
        - ``kml``: the same as KML.
        - ``parquet``: the same as GeoParquet, in the survey's CRS; needs pyarrow.
        - ``csv``: ``zones``, ``totals``, ``loads``, ``ledger`` and ``findings`` as tables. Cells that a
          spreadsheet would run as formulas get a leading apostrophe.
        - ``png``: ``map.png``, and of several sites (up to 40) a picture each in ``maps``.
        - ``html``: the mix sheets, in ``sheets``.

    Returns
    -------
    list of pathlib.Path
        The files written.

    Raises
    ------
    InputError
        An unknown format, a folder that cannot be written, a library that a format needs and that is missing.

    Notes
    -----
    Read back, GeoPackage and GeoParquet give the same columns, types and coordinates (a GeoPackage layer that holds
    any multipolygon holds only multipolygons). GeoJSON and KML move a vertex by up to 1e-13 degrees, and readers
    may take whole numbers for shorter ones. KML keeps columns as extended data beside those that readers add, and
    text loses characters that XML cannot hold. CSV keeps numbers in full but tells neither text from numbers (read
    ``site`` as text) nor no text from none.
    """
    wanted = _formats(formats)

    def all_of_them(new: Path) -> None:
        for one in wanted:
            _WRITERS[one](job, new)

    return place(Path(folder), all_of_them)


def check(folder: Path, formats: Iterable[str]) -> list[str]:
    """Refuse a place or formats that `write` would refuse, before the work is done.

    Nothing is left behind, and the folder is not made.

    Returns
    -------
    list of str
        The formats, by their own names.
    """
    wanted = _formats(formats)
    if "parquet" in wanted and find_spec("pyarrow") is None:
        raise InputError("GeoParquet needs the library pyarrow", field="formats", mend="pip install pyarrow")
    check_place(folder)
    return wanted


def _formats(formats: Iterable[str]) -> list[str]:
    names = [formats] if isinstance(formats, str) else list(formats)
    found = []
    for name in names:
        key = str(name).strip().lower().lstrip(".")
        key = _ALIASES.get(key, key)
        if key not in _WRITERS:
            raise InputError(f"no format {name!r}", field="formats", mend=f"known: {', '.join(_WRITERS)}")
        found.append(key)
    if not found:
        raise InputError("no format is given", field="formats", mend=f"known: {', '.join(_WRITERS)}")
    return list(dict.fromkeys(found))


def _layers(job: Sized) -> dict[str, gpd.GeoDataFrame]:
    return {"zones": job.zones, "eligible": job.eligible, "ledger": job.ground}


def _tables(job: Sized) -> dict[str, pd.DataFrame]:
    zones = pd.DataFrame(job.zones.drop(columns="geometry"))
    return {
        "zones": zones,
        "totals": job.totals,
        "loads": job.loads,
        "ledger": job.ledger,
        "findings": job.findings,
    }


def _gpkg(job: Sized, folder: Path) -> None:
    write_gpkg(_layers(job), folder / "job.gpkg")


def _each_layer(
    writer: Callable[[gpd.GeoDataFrame, Path], None], ending: str
) -> Callable[[Sized, Path], None]:
    def write_all(job: Sized, folder: Path) -> None:
        for name, layer in _layers(job).items():
            writer(layer, folder / f"{name}.{ending}")

    return write_all


def _csv(job: Sized, folder: Path) -> None:
    for name, table in _tables(job).items():
        write_csv(table, folder / f"{name}.csv")


def _png(job: Sized, folder: Path) -> None:
    from weedzone.maps import plot

    _save(plot(job), folder / "map.png")
    sites = job.survey.sites
    if not 1 < len(sites) <= _MAPS:
        return
    (folder / "maps").mkdir(exist_ok=True)
    for site, name in file_names(sites).items():
        _save(plot(job, site=site), folder / "maps" / f"{name}.png")


def _save(ax: Any, path: Path) -> None:
    from matplotlib import pyplot

    figure = ax.figure
    figure.savefig(path, dpi=_DPI)
    pyplot.close(figure)


def _html(job: Sized, folder: Path) -> None:
    from weedzone.sheet import sheet

    sheet(job, folder / "sheets")


_WRITERS: Mapping[str, Callable[[Sized, Path], None]] = {
    "gpkg": _gpkg,
    "geojson": _each_layer(write_geojson, "geojson"),
    "kml": _each_layer(write_kml, "kml"),
    "parquet": _each_layer(write_parquet, "parquet"),
    "csv": _csv,
    "png": _png,
    "html": _html,
}
_ALIASES = {"geopackage": "gpkg", "geoparquet": "parquet", "json": "geojson"}
