"""As applied: what a GPS track and a swath really covered, against the zones that were to be covered."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from weedzone.base import units
from weedzone.base.errors import Finding, InputError, findings_table
from weedzone.base.words import DECIDES
from weedzone.ground.frame import Ground
from weedzone.ground.shapes import Array, Floats, Ints, areal, mean_width, parts_of, repair, union_rows
from weedzone.records.covered.given import (
    in_metres,
    read_amount,
    read_forbidden,
    read_keep_out,
    read_limits,
    read_zones,
)
from weedzone.records.covered.passes import sprayed_passes
from weedzone.records.covered.swaths import swept_ground, without_hairs
from weedzone.records.covered.tracks import Source, Track, read_track

if TYPE_CHECKING:
    from matplotlib.axes import Axes

DOUBLE_SHARE = 0.01  # below this share of the zones, doubled ground is told in the table only
CAUTION = (
    "A GPS track shows where the receiver went, within the receiver's own error; it does not prove that the "
    f"nozzles ran or what dose fell. {DECIDES}"
)


@dataclass(frozen=True, eq=False)
class Coverage:
    """What was covered, and what was not.

    All frames are in the zones' CRS, with columns ``area_m2``, ``area_ft2`` and ``geometry``.

    Attributes
    ----------
    zones : GeoDataFrame
        The ground that was to be covered, a row per zone (column ``zone``).
    covered, missed, twice : GeoDataFrame
        Inside the zones, a row per zone (column ``zone``): swept at all, never, at least two separate times.
        `twice` is part of `covered`; `covered` and `missed` make up the zones.
    outside : GeoDataFrame
        Swept outside every zone; one row, or none.
    inside_buffers : GeoDataFrame
        Swept inside the forbidden ground, a row per feature (column ``feature``); empty if none was given.
    passes : GeoDataFrame
        The lines along which the sprayer ran (columns ``pass``, ``length_m``).
    areas : DataFrame
        ``part`` (zones, covered, missed, twice, outside, inside buffers, sprayed), ``area_m2``, ``area_ft2``
        and ``share`` of the zones' area. "sprayed" is all swept ground, in the zones or not, counted once.
    dose : DataFrame
        ``where`` (once, twice, mean over zones, mean over sprayed ground), ``per_area`` (L/m² or kg/m²) and
        ``text``; empty without an amount. "once" is the amount over travel times swath.
    findings : DataFrame
    swath_m : float
    """

    zones: gpd.GeoDataFrame
    covered: gpd.GeoDataFrame
    missed: gpd.GeoDataFrame
    twice: gpd.GeoDataFrame
    outside: gpd.GeoDataFrame
    inside_buffers: gpd.GeoDataFrame
    passes: gpd.GeoDataFrame
    areas: pd.DataFrame
    dose: pd.DataFrame
    findings: pd.DataFrame
    swath_m: float

    def summary(self) -> str:
        """A few lines of plain text.

        Returns
        -------
        str
        """
        lines = [f"swath {self.swath_m:.2f} m ({units.convert(self.swath_m, 'length', 'ft'):.1f} ft)"]
        lines += [
            f"{row.part:<15}{row.area_ft2:>12,.0f} ft² {row.area_m2:>11,.1f} m² {row.share:>8.1%} of zones"
            for row in self.areas.itertuples()
        ]
        lines += [f"dose, {row.where}: {row.text}" for row in self.dose.itertuples()]
        lines += [
            f"{severity}: {feature or layer}: {message}"
            for severity, layer, feature, message in self.findings.itertuples(index=False)
        ]
        return "\n".join([*lines, CAUTION])

    def __repr__(self) -> str:
        """Return the summary, for notebooks and shells."""
        return f"Coverage\n{self.summary()}"

    def __str__(self) -> str:
        """The summary."""
        return self.summary()

    def plot(self, *, ax: Axes | None = None) -> Axes:
        """Draw the map.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Drawn on; a new figure is made without it.

        Returns
        -------
        matplotlib.axes.Axes
        """
        from weedzone.records.covered.drawn import draw

        return draw(self, ax)


def coverage(
    track: Source | Track,
    swath: object,
    zones: gpd.GeoDataFrame | None = None,
    *,
    job: Any = None,
    forbidden: gpd.GeoDataFrame | None = None,
    amount: object = None,
    gap: object = "10 s",
    min_speed: object = "0.5 mph",
    max_speed: object = "15 mph",
    crs: object = None,
) -> Coverage:
    """What a track covered of the zones.

    Ground counts as covered twice where the swath passes over it on two separate visits: on two passes, or
    on one pass after more than 1 to 1.5 swaths of travel. What overlaps on the inner side of a single bend
    counts once.

    Parameters
    ----------
    track : path, DataFrame, GeoDataFrame or Track
        See `read_track`.
    swath : text or quantity
        Width that one pass covers, such as "3 ft".
    zones : GeoDataFrame of polygons, optional
        Ground that was to be covered, such as ``job.zones``; its column ``zone`` names the rows. Zones that
        overlap are each accounted for in full, but the total counts their ground once.
    job : Job, optional
        Gives the zones unless `zones` is given, and forbidden ground: every keep-out of the zones' sites with
        the widest buffer that any product of the zones asks for, less the zones. Pass the zones of the one
        product in the tank, ``job.zones[job.zones["product"] == "..."]``, to have its buffers alone.
    forbidden : GeoDataFrame of polygons, optional
        Ground that must not be sprayed, buffers included; used beside the job's.
    amount : text or quantity, optional
        What was really put out, as a volume ("6.5 gal") or a weight ("3 lb").
    gap : text or quantity
        A pause longer than this time, or a step longer than this distance, ends a pass.
    min_speed : text or quantity
        Slower than this over ten seconds is standing still.
    max_speed : text or quantity
        Points that imply a higher speed are dropped.
    crs : optional
        Coordinate system of a track with x and y.

    Returns
    -------
    Coverage

    Raises
    ------
    InputError
        If the track cannot be read or holds no pass near the zones, or an argument is unfit.
    UnitError
        If a quantity cannot be read.
    CrsError
        If a layer's coordinate system is missing.

    Notes
    -----
    Areas are exact on the ellipsoid (a local equal-area projection). Round ends are not drawn: a pass is
    square at its ends, and a bend is rounded on its outer side.
    """
    limits = read_limits(swath, gap, min_speed, max_speed)
    if zones is None:
        if job is None:
            raise InputError("there are no zones to compare the track with", mend="give zones or job")
        zones = job.zones
    system, ground, area, names = read_zones(zones)
    put_out = read_amount(amount)
    findings: list[Finding] = []
    log = read_track(track, crs=crs)
    xy = in_metres(log, ground)
    lines, notes = sprayed_passes(log, xy, limits)
    findings += [*log.findings, *notes]
    covered, twice = swept_ground(lines, limits.swath_m)
    back = _Return(ground, system)

    inside, missed = _split(area, covered, names)
    doubled, _ = _split(area, twice, names)
    whole = union_rows(area, np.zeros(len(area), dtype=np.intp))
    outside = _split(np.array([covered], dtype=object), whole[0], ["sprayed ground"])[1]
    banned, banned_names = read_forbidden(forbidden, ground)
    kept, kept_names = read_keep_out(job, zones, ground)
    # What a zone holds is allowed to its own product, though another product's buffer may reach over it.
    banned = np.concatenate([banned, _split(kept, whole[0], kept_names)[1]])
    banned_names = [*banned_names, *kept_names]
    in_banned = _split(banned, covered, banned_names)[0]

    overlap = bool(shapely.area(area).sum() > shapely.area(whole[0]) * (1 + 1e-7))
    if overlap:
        findings.append(Finding("warning", "zones", "", "zones overlap: the totals count their ground once"))
    sums = {
        "zones": shapely.area(whole[0]),
        "covered": _together(inside, overlap),
        "missed": _together(missed, overlap),
        "twice": _together(doubled, overlap),
        "outside": shapely.area(outside).sum(),
        "inside buffers": _together(in_banned, overlap=True),
        "sprayed": shapely.area(covered),
    }
    # Ground of overlapping zones is missed or covered in each alike, so the totals still add up.
    findings += _judged(sums, shapely.area(in_banned), banned_names)
    travel = sum(float(np.hypot(*np.diff(line, axis=0).T).sum()) for line in lines)
    return Coverage(
        zones=back.table(area, zone=names),
        covered=back.table(inside, zone=names),
        missed=back.table(missed, zone=names),
        twice=back.table(doubled, zone=names),
        outside=back.table(outside, zone=[""] * len(outside)).drop(columns="zone"),
        inside_buffers=back.table(in_banned, feature=banned_names),
        passes=back.lines(lines),
        areas=_area_table(sums),
        dose=_dose_table(put_out, travel * limits.swath_m, sums),
        findings=findings_table(findings),
        swath_m=limits.swath_m,
    )


def _split(rows: Array, cell: Any, names: list[str]) -> tuple[Array, Array]:
    """Part of each row inside the cell, and outside it; a grid of a micrometre where plain overlay fails."""
    if not len(rows) or shapely.is_empty(cell):
        return np.full(len(rows), shapely.Polygon(), dtype=object), rows
    shapely.prepare(cell)
    bad = names[0]
    for grid in (None, 1e-6):
        try:
            inside = areal(shapely.intersection(rows, cell, grid_size=grid))
            outside = areal(shapely.difference(rows, cell, grid_size=grid))
        except shapely.errors.GEOSException:
            continue
        wrong = _misplaced(rows, inside, outside, cell, grid or 0.0)
        if not len(wrong):
            clean = [
                np.array([without_hairs(geom) for geom in part], dtype=object) for part in (inside, outside)
            ]
            return clean[0], clean[1]
        bad = names[int(wrong[0])]
    raise InputError("the overlay with the swept ground failed", feature=bad, mend="give the track in parts")


def _misplaced(rows: Array, inside: Array, outside: Array, cell: Any, grid_m: float) -> Ints:
    """Rows whose parts do not add up, or have a part on the wrong side of the cell's edge.

    A sum that closes proves little (both parts may be wrong alike), so a point of every part is looked up.
    """
    length = shapely.length(rows) + shapely.length(inside) + shapely.length(outside)
    gap = np.abs(shapely.area(inside) + shapely.area(outside) - shapely.area(rows))
    bad = gap > 1e-8 * shapely.area(rows) + 1e-6 + length * grid_m
    for parts, wanted in ((inside, True), (outside, False)):
        single, owner = parts_of(parts)
        large = mean_width(single) > 1e-3
        points = shapely.get_coordinates(shapely.point_on_surface(single[large]))
        bad[owner[large][shapely.intersects_xy(cell, *points.T) != wanted]] = True
    return np.flatnonzero(bad)


def _together(parts: Array, overlap: bool) -> float:
    """Area of the parts, ground under several of them counted once."""
    parts = parts[~shapely.is_empty(parts)] if len(parts) else parts
    if overlap and len(parts):
        parts = union_rows(parts, np.zeros(len(parts), dtype=np.intp))
    return float(shapely.area(parts).sum())


@dataclass(frozen=True)
class _Return:
    """Local metres back to the zones' CRS."""

    ground: Ground
    system: pyproj.CRS

    def table(self, parts: Array, **names: list[str]) -> gpd.GeoDataFrame:
        full = np.flatnonzero(~shapely.is_empty(parts)) if len(parts) else np.empty(0, dtype=np.intp)
        area_m2 = shapely.area(parts[full])
        data: dict[str, Any] = {key: [values[row] for row in full] for key, values in names.items()}
        data |= {"area_m2": area_m2, "area_ft2": units.convert(1.0, "area", "ft2") * area_m2}
        return gpd.GeoDataFrame(data, geometry=self._shapes(parts[full]), crs=self.system)

    def lines(self, lines: list[Floats]) -> gpd.GeoDataFrame:
        drawn = np.array([shapely.linestrings(line) for line in lines], dtype=object)
        data = {"pass": np.arange(1, len(lines) + 1), "length_m": shapely.length(drawn)}
        return gpd.GeoDataFrame(data, geometry=self._shapes(drawn), crs=self.system)

    def _shapes(self, local: Array) -> Array:
        shapes = self.ground.to_survey(local, np.zeros(len(local), dtype=np.intp))
        # Rounding to degrees can fold a hair-thin corner.
        return repair(shapes)[0] if (shapely.get_dimensions(shapes) == 2).any() else shapes


def _area_table(sums: dict[str, float]) -> pd.DataFrame:
    area = np.array(list(sums.values()), dtype=float)
    return pd.DataFrame(
        {
            "part": list(sums),
            "area_m2": area,
            "area_ft2": units.convert(1.0, "area", "ft2") * area,
            "share": area / sums["zones"],
        }
    )


def _dose_table(put_out: tuple[float, str] | None, swept_m2: float, sums: dict[str, float]) -> pd.DataFrame:
    """Amount over ground: along one pass, under two, and on average."""
    if put_out is None:
        return pd.DataFrame({"where": [], "per_area": [], "text": []})
    total, kind = put_out
    once = total / swept_m2
    rows = {
        "once": once,
        "twice": 2 * once,
        "mean over zones": once * (sums["covered"] + sums["twice"]) / sums["zones"],
        "mean over sprayed ground": total / sums["sprayed"],
    }
    text = [units.show(value, kind) for value in rows.values()]
    return pd.DataFrame({"where": list(rows), "per_area": list(rows.values()), "text": text})


def _judged(sums: dict[str, float], hit_m2: Floats, names: list[str]) -> list[Finding]:
    ft2 = units.convert(1.0, "area", "ft2")
    areas: dict[str, list[float]] = {}
    for row in np.flatnonzero(hit_m2):
        areas.setdefault(names[row], []).append(hit_m2[row] * ft2)
    found = [
        Finding(
            "error",
            "keep_out",
            name,
            f"{sum(hits):.3g} ft² sprayed inside it or its buffer, at {len(hits)} place(s)",
        )
        for name, hits in sorted(areas.items())
    ]
    if sums["covered"] == 0:
        found.append(Finding("error", "track", "", "no zone was touched: is this the right track?"))
    if sums["twice"] > DOUBLE_SHARE * sums["zones"]:
        message = f"{sums['twice'] * ft2:,.0f} ft² got the dose twice: compare it with the label's maximum"
        found.append(Finding("warning", "zones", "", message))
    return found
