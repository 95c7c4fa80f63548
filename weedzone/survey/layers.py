"""The layers of a survey as they come at the door: columns checked, names brought to one spelling."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from weedzone.base.errors import Finding, SurveyError, naming
from weedzone.base.names import chief_name, nearest, slip_of
from weedzone.base.units import FT_PER_M
from weedzone.base.words import DATE_FORM, as_date
from weedzone.ground.frame import checked_crs
from weedzone.ground.shapes import Array, Floats

ONE_SITE = "site"
# Class column of each layer, and what may stand in for it in files that have only standard fields.
CLASS = {"turf": "turf", "infestations": "weed", "keep_out": "kind"}
_STAND_IN = ("type", "name")
MOST_M = 10_000.0  # no rule keeps so far from anything; a number beyond it is a slip
# Of a patch about a point or along a line, without a word: common practice, no source.
MOST_REACH_M = 300.0 / FT_PER_M
MOST_TOLD = 5  # dropped shapes that one error names
AGREE = 0.01  # share by which a length may differ from the same in the other unit: they are written rounded
_LENGTHS = ("buffer", "radius", "width")
_READ = {
    "turf": {"turf"},
    "infestations": {"weed", "cover", "radius_ft", "radius_m", "width_ft", "width_m"},
    "keep_out": {"kind", "buffer_ft", "buffer_m"},
    "boundary": set[str](),
    "history": {"product", "date", "dose", "amount"},
}
_NUMBERS = {"cover", *(f"{name}_{unit}" for name in _LENGTHS for unit in ("ft", "m"))}
_SAME = {"id", "name", "no", "nr", "number", "pct", "percent", "share", "ft", "feet", "m", "metres", "meters"}
_OWN = {"feature", "reach_m", "fid", "index"}  # what is made here or by the file, and means nothing
_AREAL = ("turf", "boundary", "history")
_DROPPED = "dropped: "
_CAREFUL = ("keep_out", "boundary", "history")  # layers that take ground away: nothing of them is dropped


def checked_layer(
    frame: object, layer: str, crs: object, file: str | None
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Bring one layer to the columns that weedzone works with.

    Parameters
    ----------
    frame : GeoDataFrame
        As the user has it; it is not changed.
    layer : str
        One of the layers of a survey.
    crs : object
        CRS for frames that state none, or None.
    file : str or None
        For messages.

    Returns
    -------
    frame : GeoDataFrame
        Columns ``feature`` (number of the row as it came, from 1), ``site`` and those of the layer: ``turf``;
        ``weed``, ``cover``, ``reach_m``; ``kind``, ``buffer_m``; ``product``, ``date``, ``dose``, ``amount``.
    findings : list of Finding

    Raises
    ------
    SurveyError, CrsError
    """
    with naming(file=file, layer=layer):
        if not isinstance(frame, gpd.GeoDataFrame) or frame.active_geometry_name is None:
            raise SurveyError("the layer is no table of shapes", mend="pass a GeoDataFrame")
        columns = {re.sub(r"[\s-]+", "_", str(name).strip().lower()): name for name in frame.columns}
        return _checked(_Door(frame, columns, layer), layer, crs)


def _checked(door: _Door, layer: str, crs: object) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    frame = door.frame
    door.refuse_strange_lengths()
    unread = door.unread()
    stated = checked_crs(frame.crs if frame.crs is not None else crs, layer=layer)
    shapes, kept, findings = _shapes(frame.geometry.to_numpy(), layer)
    data: dict[str, Any] = {"feature": np.arange(1, len(frame) + 1), "site": door.sites()}
    if layer in CLASS:
        data[CLASS[layer]] = door.names(CLASS[layer])
    if layer == "infestations":
        data["cover"] = door.cover()
        data["reach_m"], far = door.reach(shapes, kept)
        findings += far
    elif layer == "keep_out":
        data["buffer_m"] = door.metres("buffer")
    elif layer == "history":
        data |= door.applications()
    # Left to itself pandas may turn a missing text into a number (NaN), which is a value and not missing.
    texts = [name for name, values in data.items() if np.asarray(values).dtype == object]
    data |= {name: pd.Series(data[name], dtype=object) for name in texts}
    out = gpd.GeoDataFrame(data, geometry=shapes, crs=stated)[kept].reset_index(drop=True)
    if not len(out) and layer in ("turf", "infestations"):
        raise _nothing_left(findings, len(frame))
    return out, findings + unread


def _nothing_left(dropped: list[Finding], rows: int) -> SurveyError:
    """The error for a layer without a shape that can be used."""
    if not rows:
        return SurveyError("the layer is empty", mend="draw at least one shape")
    told = [f"feature {one.feature}: {one.message.removeprefix(_DROPPED)}" for one in dropped[:MOST_TOLD]]
    more = f" and {len(dropped) - MOST_TOLD} more" if len(dropped) > MOST_TOLD else ""
    what = f"none of its {rows} shape{'s' * (rows != 1)} can be used ({'; '.join(told)}{more})"
    return SurveyError(what, mend="draw them again")


def _shapes(shapes: Array, layer: str) -> tuple[Array, Array, list[Finding]]:
    """Two-dimensional shapes, which of them can be used, and what to say of the rest."""
    findings = []
    missing = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    coordinates, owner = shapely.get_coordinates(shapes, return_index=True)
    broken = np.zeros(len(shapes), dtype=bool)
    broken[owner[~np.isfinite(coordinates).all(axis=1)]] = True
    for rows, what in ((missing, "it has no shape"), (broken, "its coordinates are not all numbers")):
        for row in np.flatnonzero(rows):
            if layer in _CAREFUL:
                raise SurveyError(what, feature=row + 1, mend="draw it, or delete the row")
            findings.append(Finding("warning", layer, str(row + 1), f"{_DROPPED}{what}"))
    kept = ~(missing | broken)
    solid = kept & (shapely.has_z(shapes) | shapely.has_m(shapes))
    if solid.any():
        message = f"heights or measures of {solid.sum()} shapes are not used"
        findings.append(Finding("note", layer, "", message))
        shapes = np.where(solid, shapely.force_2d(shapes), shapes)
    dimension = shapely.get_dimensions(shapes)
    for row in np.flatnonzero(kept & (dimension < 2)) if layer in _AREAL else ():
        what = f"this layer holds polygons, but this is a {'line' if dimension[row] else 'point'}"
        raise SurveyError(what, feature=row + 1, mend="draw the polygon, or delete the row")
    return shapes, kept, findings


def _refusal(row: Any, what: str, mend: str) -> SurveyError:
    return SurveyError(what, feature=int(row) + 1, mend=mend)


def _said(values: pd.Series[Any]) -> pd.Series[bool]:
    """Cells that are not blank."""
    return values.notna() & (values.astype(str).str.strip() != "")


@dataclass(frozen=True)
class _Door:
    """Columns of one frame, looked up case-blind."""

    frame: gpd.GeoDataFrame
    columns: dict[str, Any]
    layer: str

    def column(self, name: str) -> pd.Series[Any] | None:
        if name not in self.columns:
            return None
        found = self.frame[self.columns[name]]
        return found.iloc[:, 0] if isinstance(found, pd.DataFrame) else found

    def needed(self, name: str, mend: str = "add it", there: str = "") -> pd.Series[Any]:
        values = self.column(name)
        if values is None:
            raise SurveyError(f"the column {name!r} is missing{there}", mend=mend)
        return values

    def mapped(self, values: pd.Series[Any], convert: Callable[[Any], Any]) -> Array:
        """Convert each distinct value once; missing values become None."""
        objects = values.astype(object)
        try:
            codes, distinct = pd.factorize(objects, use_na_sentinel=True)
        except TypeError:  # lists and the like, which some formats can hold
            codes, distinct = pd.factorize(objects.map(str, na_action="ignore"), use_na_sentinel=True)
        table = np.array([*[convert(value) for value in distinct], None], dtype=object)
        return np.asarray(table[codes], dtype=object)

    def texts(self, name: str, convert: Callable[[Any], Any]) -> Array:
        """A column converted; nothing where there is none."""
        values = self.column(name)
        return (
            np.full(len(self.frame), None, dtype=object) if values is None else self.mapped(values, convert)
        )

    def sites(self) -> Array:
        return self.texts("site", site_name)

    def names(self, name: str) -> Array:
        gpx_like = {"type", "desc"} <= set(self.columns) or {"name", "description"} <= set(self.columns)
        stand_in = [other for other in _STAND_IN if other in self.columns and gpx_like]
        have = ", ".join(str(column) for column in self.frame.columns)[:200]
        column = stand_in[0] if stand_in and name not in self.columns else name
        values = self.needed(column, "add or rename it", f" (there are: {have})")
        found = self.mapped(values, lambda value: chief_name(value, name))
        # A name that is missing is a name that no label holds.
        return np.array([value or "unknown" for value in found], dtype=object)

    def numbers(self, name: str) -> Floats:
        """Numbers of a column; NaN where it is blank or missing."""
        values = self.column(name)
        if values is None:
            return np.full(len(self.frame), np.nan)
        found = pd.to_numeric(values, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        for row in np.flatnonzero(_said(values) & ~np.isfinite(found)):
            what = f"{name} is {str(values.iloc[row])[:40]!r}, which is no number"
            raise _refusal(row, what, "write a number")
        for row in np.flatnonzero(found < 0):
            raise _refusal(row, f"{name} is negative", "write a number of at least zero")
        return found

    def metres(self, name: str) -> Floats:
        """Lengths given in feet or metres; NaN where neither is.

        Where both are, the larger holds of a buffer; two widths or radii must be the same length.
        """
        feet, metres = self.numbers(f"{name}_ft"), self.numbers(f"{name}_m")
        found = np.fmax(feet / FT_PER_M, metres)
        if name != "buffer":
            for row in np.flatnonzero(np.abs(feet / FT_PER_M - metres) > AGREE * found):
                what = f"{name}_ft {feet[row]:g} and {name}_m {metres[row]:g} are two lengths"
                raise _refusal(row, what, "keep one")
        for row in np.flatnonzero(found > MOST_M):
            raise _refusal(row, f"{name} is {found[row]:g} m", f"write at most {MOST_M:g} m")
        return found

    def refuse_strange_lengths(self) -> None:
        """Refuse a length under a name that is not read: a buffer must not be lost for want of its unit."""
        for name, stated in self.columns.items():
            stem = next((one for one in _LENGTHS if name.startswith(one)), None)
            if stem is None or name in (f"{stem}_ft", f"{stem}_m"):
                continue
            values = self.frame[stated]
            if isinstance(values, pd.DataFrame) or values.notna().any():
                what = f"the column {str(stated)[:40]!r} is not read"
                raise SurveyError(what, mend=f"name it {stem}_ft or {stem}_m")

    def unread(self) -> list[Finding]:
        """Columns that nobody reads, in one finding; one that resembles a column that is missing is refused."""
        read = {"site", *_READ[self.layer]}
        shapes = {str(name).lower() for name in self.frame.columns[self.frame.dtypes == "geometry"]}
        rest = [name for name in self.columns if name not in read | _OWN | shapes]
        for name in rest:
            meant, values = _meant(name, read - set(self.columns)), self.column(name)
            if meant is None or values is None:
                continue
            said = values[_said(values)]
            fits = meant not in _NUMBERS or pd.to_numeric(said, errors="coerce").ge(0).all()
            if len(said) and fits:
                what = f"the column {str(self.columns[name])[:40]!r} is not read"
                raise SurveyError(what, mend=f"name it {meant}, or leave it out")
        if not rest or "recorded_at" in self.columns:  # a record file holds more than a survey reads
            return []
        names = ", ".join(str(self.columns[name])[:40] for name in rest[:MOST_TOLD])
        more = f" and {len(rest) - MOST_TOLD} more" if len(rest) > MOST_TOLD else ""
        return [Finding("note", self.layer, "", f"columns that are not used: {names}{more}")]

    def cover(self) -> Floats:
        found = self.numbers("cover")
        for row in np.flatnonzero((found > 1) | (found == 0)):
            raise _refusal(row, f"cover is {found[row]:g}", "write a share above 0 and at most 1")
        return np.where(np.isnan(found), 1.0, found)

    def reach(self, shapes: Array, kept: Array) -> tuple[Floats, list[Finding]]:
        """Half the width of lines and the radius of points [m]; zero for polygons.

        Patches wider than anybody walks are a finding: a unit mistaken, more likely.
        """
        dimension, mixed = shapely.get_dimensions(shapes), shapely.get_type_id(shapes) == 7
        width, radius = self.metres("width"), self.metres("radius")
        for wanted, value, name, what in ((1, width, "width", "line"), (0, radius, "radius", "point")):
            for row in np.flatnonzero(kept & (dimension == wanted) & ~mixed & ~(value > 0)):
                mend = f"give {name}_ft or {name}_m above zero"
                raise _refusal(row, f"a {what} has no area of its own", mend)
        far = []
        for wanted, value, name in ((0, radius, "radius"), (1, width, "width")):
            for row in np.flatnonzero((dimension == wanted) & (value > MOST_REACH_M)):
                message = f"{name} is {value[row] * FT_PER_M:,.0f} ft: is the unit right?"
                far.append(Finding("warning", "infestations", str(row + 1), message))
        return np.select([dimension == 1, dimension == 0], [width / 2.0, radius], 0.0), far

    def applications(self) -> dict[str, Any]:
        products, dates = self.needed("product"), self.needed("date")
        for name, values in (("product", products), ("date", dates)):
            for row in np.flatnonzero(values.isna()):
                raise _refusal(row, f"the {name} is missing", "write it, or delete the row")
        texts = {name: self.texts(name, str) for name in ("dose", "amount")}
        for at, given in enumerate(zip(*texts.values(), strict=True)):
            if not any(given):
                raise _refusal(at, "neither dose nor amount is given", 'write dose = "3 fl oz/ksqft"')
        days = [as_date(value) for value in dates]
        for at, day in enumerate(days):
            if day is None:
                raise _refusal(at, f"the date {str(dates.iloc[at])[:40]!r} is not one", DATE_FORM)
        names = self.mapped(products, lambda value: " ".join(str(value).split()))
        return {"product": names, "date": days, **texts}


def _meant(name: str, missing: set[str]) -> str | None:
    """The missing column that an unknown one resembles: a slip of it, or its name with another ending."""
    stem, _, ending = name.partition("_")
    if stem in missing and ending in _SAME:
        return stem
    return slip_of(name, missing) or nearest(name, missing)


def site_name(value: Any) -> str | None:
    """Name of a site as text; None where it is blank."""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return " ".join(str(value).split()) or None
