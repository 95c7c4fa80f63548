"""The layers of a survey as they come at the door: columns checked, names brought to one spelling."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from weedzone.base.errors import Finding, SurveyError
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
MOST_REACH_M = (
    300.0 / FT_PER_M
)  # of a patch about a point or along a line, without a word: common practice, no source
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
    if not isinstance(frame, gpd.GeoDataFrame) or frame.active_geometry_name is None:
        raise SurveyError(
            "the layer is no table of shapes", file=file, layer=layer, mend="pass a GeoDataFrame"
        )
    columns = {re.sub(r"[\s-]+", "_", str(name).strip().lower()): name for name in frame.columns}
    door = _Door(frame, columns, layer, file)
    door.refuse_strange_lengths()
    unread = door.unread()
    stated = checked_crs(frame.crs if frame.crs is not None else crs, layer=layer, file=file)
    shapes, kept, findings = _shapes(frame.geometry.to_numpy(), layer, file)
    data: dict[str, Any] = {"feature": np.arange(1, len(frame) + 1), "site": door.sites()}
    if layer in CLASS:
        data[CLASS[layer]] = door.names(CLASS[layer])
    if layer == "infestations":
        data["cover"] = door.cover()
        data["reach_m"] = door.reach(shapes, kept)
        findings += door.far_reaches(shapes)
    elif layer == "keep_out":
        data["buffer_m"] = door.metres("buffer")
    elif layer == "history":
        data |= door.applications()
    # Left to itself pandas may turn a missing text into a number (NaN), which is a value and not missing.
    texts = {
        name: pd.Series(values, dtype=object)
        for name, values in data.items()
        if np.asarray(values).dtype == object
    }
    out = gpd.GeoDataFrame({**data, **texts}, geometry=shapes, crs=stated)[kept].reset_index(drop=True)
    if not len(out) and layer in ("turf", "infestations"):
        raise _nothing_left(findings, len(frame), layer, file)
    return out, findings + unread


def _nothing_left(dropped: list[Finding], rows: int, layer: str, file: str | None) -> SurveyError:
    """The error for a layer without a shape that can be used."""
    if not rows:
        return SurveyError("the layer is empty", file=file, layer=layer, mend="draw at least one shape")
    told = [f"feature {one.feature}: {one.message.removeprefix('dropped: ')}" for one in dropped[:MOST_TOLD]]
    more = f" and {len(dropped) - MOST_TOLD} more" if len(dropped) > MOST_TOLD else ""
    what = f"none of its {rows} shape{'s' * (rows != 1)} can be used ({'; '.join(told)}{more})"
    return SurveyError(what, file=file, layer=layer, mend="draw them again")


def _shapes(shapes: Array, layer: str, file: str | None) -> tuple[Array, Array, list[Finding]]:
    """Two-dimensional shapes, which of them can be used, and what to say of the rest."""
    findings = []
    missing = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    coordinates, owner = shapely.get_coordinates(shapes, return_index=True)
    broken = np.zeros(len(shapes), dtype=bool)
    broken[owner[~np.isfinite(coordinates).all(axis=1)]] = True
    for rows, what in ((missing, "it has no shape"), (broken, "its coordinates are not all numbers")):
        for row in np.flatnonzero(rows):
            if layer in _CAREFUL:
                raise SurveyError(
                    what, file=file, layer=layer, feature=row + 1, mend="draw it, or delete the row"
                )
            findings.append(Finding("warning", layer, str(row + 1), f"dropped: {what}"))
    kept = ~(missing | broken)
    solid = np.flatnonzero(kept & (shapely.has_z(shapes) | shapely.has_m(shapes)))
    if len(solid):
        findings.append(
            Finding("note", layer, "", f"heights or measures of {len(solid)} shapes are not used")
        )
        shapes = shapes.copy()
        shapes[solid] = shapely.force_2d(shapes[solid])
    if layer in _AREAL:
        flat = np.flatnonzero(kept & (shapely.get_dimensions(shapes) < 2))
        if len(flat):
            kind = "point" if shapely.get_dimensions(shapes[flat[0]]) == 0 else "line"
            raise SurveyError(
                f"this layer holds polygons, but this is a {kind}",
                file=file,
                layer=layer,
                feature=flat[0] + 1,
                mend="draw the polygon, or delete the row",
            )
    return shapes, kept, findings


class _Door:
    """Columns of one frame, looked up case-blind."""

    def __init__(
        self, frame: gpd.GeoDataFrame, columns: dict[str, Any], layer: str, file: str | None
    ) -> None:
        self.frame, self.columns, self.layer, self.file = frame, columns, layer, file

    def fail(self, row: Any, what: str, mend: str) -> SurveyError:
        feature = None if row is None else int(row) + 1
        return SurveyError(what, file=self.file, layer=self.layer, feature=feature, mend=mend)

    def column(self, name: str) -> pd.Series[Any] | None:
        if name not in self.columns:
            return None
        found = self.frame[self.columns[name]]
        return found.iloc[:, 0] if isinstance(found, pd.DataFrame) else found

    def mapped(self, values: pd.Series[Any], convert: Callable[[Any], Any]) -> Array:
        """Convert each distinct value once; missing values become None."""
        objects = values.astype(object)
        try:
            codes, distinct = pd.factorize(objects, use_na_sentinel=True)
        except TypeError:  # lists and the like, which some formats can hold
            codes, distinct = pd.factorize(objects.map(str, na_action="ignore"), use_na_sentinel=True)
        table = np.array([*[convert(value) for value in distinct], None], dtype=object)
        return np.asarray(table[codes], dtype=object)

    def sites(self) -> Array:
        values = self.column("site")
        if values is None:
            return np.full(len(self.frame), None, dtype=object)
        return self.mapped(values, site_name)

    def names(self, name: str) -> Array:
        values = self.column(name)
        if values is None:
            stand_in = [other for other in _STAND_IN if other in self.columns]
            gpx_like = {"type", "desc"} <= set(self.columns) or {"name", "description"} <= set(self.columns)
            values = self.column(stand_in[0]) if stand_in and gpx_like else None
        if values is None:
            have = ", ".join(str(column) for column in self.frame.columns)[:200]
            raise self.fail(None, f"the column {name!r} is missing (there are: {have})", "add or rename it")
        found = self.mapped(values, lambda value: chief_name(value, name))
        for row in np.flatnonzero([value is None or not value for value in found]):
            # A name that is missing is a name that no label holds.
            found[row] = "unknown"
        return found

    def numbers(self, name: str) -> Floats | None:
        values = self.column(name)
        if values is None:
            return None
        found = pd.to_numeric(values, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        given = values.notna().to_numpy() & (values.astype(str).str.strip() != "").to_numpy()
        for row in np.flatnonzero(given & ~np.isfinite(found)):
            raise self.fail(
                row, f"{name} is {str(values.iloc[row])[:40]!r}, which is no number", "write a number"
            )
        for row in np.flatnonzero(found < 0):
            raise self.fail(row, f"{name} is negative", "write a number of at least zero")
        return found

    def metres(self, name: str) -> Floats:
        """Lengths given in feet or metres; NaN where neither is.

        Where both are, the larger holds of a buffer; two widths or radii must be the same length.
        """
        given = [self.numbers(f"{name}_{unit}") for unit in ("ft", "m")]
        nothing = np.full(len(self.frame), np.nan)
        feet, metres = (nothing if one is None else one for one in given)
        found = np.fmax(feet / FT_PER_M, metres)
        if name != "buffer":
            for row in np.flatnonzero(np.abs(feet / FT_PER_M - metres) > AGREE * found):
                raise self.fail(
                    row, f"{name}_ft {feet[row]:g} and {name}_m {metres[row]:g} are two lengths", "keep one"
                )
        for row in np.flatnonzero(found > MOST_M):
            raise self.fail(row, f"{name} is {found[row]:g} m", f"write at most {MOST_M:g} m")
        return found

    def refuse_strange_lengths(self) -> None:
        """Refuse a length under a name that is not read: a buffer must not be lost for want of its unit."""
        for name, stated in self.columns.items():
            stem = next((one for one in _LENGTHS if name.startswith(one)), None)
            if stem is None or name in (f"{stem}_ft", f"{stem}_m"):
                continue
            values = self.frame[stated]
            if isinstance(values, pd.DataFrame) or values.notna().any():
                raise self.fail(
                    None, f"the column {str(stated)[:40]!r} is not read", f"name it {stem}_ft or {stem}_m"
                )

    def unread(self) -> list[Finding]:
        """Columns that nobody reads, in one finding; one that resembles a column that is missing is refused."""
        read = {"site", *_READ[self.layer]}
        shapes = {str(name).lower() for name in self.frame.columns[self.frame.dtypes == "geometry"]}
        rest = [name for name in self.columns if name not in read | _OWN | shapes]
        for name in rest:
            meant = _meant(name, read - set(self.columns))
            values = self.column(name)
            if meant is None or values is None:
                continue
            said = values[values.notna() & (values.astype(str).str.strip() != "")]
            fits = pd.to_numeric(said, errors="coerce").ge(0).all() if meant in _NUMBERS else True
            if len(said) and fits:
                what = f"the column {str(self.columns[name])[:40]!r} is not read"
                raise self.fail(None, what, f"name it {meant}, or leave it out")
        if not rest or "recorded_at" in self.columns:  # a record file holds more than a survey reads
            return []
        names = ", ".join(str(self.columns[name])[:40] for name in rest[:MOST_TOLD])
        more = f" and {len(rest) - MOST_TOLD} more" if len(rest) > MOST_TOLD else ""
        return [Finding("note", self.layer, "", f"columns that are not used: {names}{more}")]

    def cover(self) -> Floats:
        found = self.numbers("cover")
        if found is None:
            return np.ones(len(self.frame))
        for row in np.flatnonzero((found > 1) | (found == 0)):
            raise self.fail(row, f"cover is {found[row]:g}", "write a share above 0 and at most 1")
        return np.where(np.isnan(found), 1.0, found)

    def reach(self, shapes: Array, kept: Array) -> Floats:
        """Half the width of lines and the radius of points [m]; zero for polygons."""
        dimension = shapely.get_dimensions(shapes)
        half_width, radius = self.metres("width") / 2.0, self.metres("radius")
        mixed = shapely.get_type_id(shapes) == 7
        for wanted, value, name, what in (
            (1, half_width, "width", "line"),
            (0, radius, "radius", "point"),
        ):
            lacking = np.flatnonzero(kept & (dimension == wanted) & ~mixed & ~(value > 0))
            if len(lacking):
                raise self.fail(
                    int(lacking[0]),
                    f"a {what} has no area of its own",
                    f"give {name}_ft or {name}_m above zero",
                )
        return np.where(dimension == 1, half_width, np.where(dimension == 0, radius, 0.0))

    def far_reaches(self, shapes: Array) -> list[Finding]:
        """Patches about a point or along a line that are wider than anybody walks: a unit mistaken, more likely."""
        dimension = shapely.get_dimensions(shapes)
        return [
            Finding(
                "warning",
                "infestations",
                str(row + 1),
                f"{name} is {length[row] * FT_PER_M:,.0f} ft: is the unit right?",
            )
            for name, of in (("radius", 0), ("width", 1))
            for length in (self.metres(name),)
            for row in np.flatnonzero((dimension == of) & (length > MOST_REACH_M))
        ]

    def applications(self) -> dict[str, Any]:
        products, dates = self.column("product"), self.column("date")
        for name, values in (("product", products), ("date", dates)):
            if values is None:
                raise self.fail(None, f"the column {name!r} is missing", "add it")
            for row in np.flatnonzero(values.isna().to_numpy()):
                raise self.fail(row, f"the {name} is missing", "write it, or delete the row")
        texts = {}
        for name in ("dose", "amount"):
            values = self.column(name)
            texts[name] = (
                np.full(len(self.frame), None, dtype=object) if values is None else self.mapped(values, str)
            )
        for at in range(len(self.frame)):
            if not texts["dose"][at] and not texts["amount"][at]:
                raise self.fail(at, "neither dose nor amount is given", 'write dose = "3 fl oz/ksqft"')
        assert products is not None
        assert dates is not None
        return {
            "product": self.mapped(products, lambda value: " ".join(str(value).split())),
            "date": [self._date(row, value) for row, value in enumerate(dates)],
            **texts,
        }

    def _date(self, row: int, value: Any) -> Any:
        date = as_date(value)
        if date is None:
            raise self.fail(row, f"the date {str(value)[:40]!r} is not one", DATE_FORM)
        return date


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
