"""As applied: what a GPS track and a swath really covered, against the zones that were to be covered."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from weedzone.base import units
from weedzone.base.errors import Finding, InputError, UnitError, findings_table
from weedzone.base.units import FT2_PER_M2
from weedzone.base.words import OF_A_TRACK
from weedzone.ground.buffers import safe_buffer
from weedzone.ground.edges import straight
from weedzone.ground.frame import Ground, checked_crs, frame, geodetic_base, to_degrees
from weedzone.ground.overlay import cut
from weedzone.ground.shapes import Array, Floats, areal, collect, repair, union_rows
from weedzone.records.covered.passes import Limits, sprayed_passes
from weedzone.records.covered.swaths import swept_ground, without_hairs
from weedzone.records.covered.tracks import Source, Track, read_track

if TYPE_CHECKING:
    from matplotlib.axes import Axes

DOUBLE_SHARE = 0.01  # below this share of the zones, doubled ground is told in the table only
REACH_M = 100_000.0  # fixes further than this from the zones' middle belong to another place
WIDEST_M = 60.0  # no boom is wider; a swath above it is a slip of units


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
        return "\n".join([*lines, OF_A_TRACK])

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
    limits = _limits(swath, gap, min_speed, max_speed)
    put_out = None if amount is None else _either(amount, "amount", "volume", "mass")
    if zones is None:
        if job is None:
            raise InputError("there are no zones to compare the track with", mend="give zones or job")
        zones = job.zones
    ground, area, names = _zones(zones)
    log = read_track(track, crs=crs)
    lines, notes = sprayed_passes(log, _in_metres(log, ground), limits)
    findings = [*log.findings, *notes]
    covered, twice = swept_ground(lines, limits.swath_m)

    inside, missed = _split(area, covered, names)
    doubled, _ = _split(area, twice, names)
    whole = union_rows(area, np.zeros(len(area), dtype=np.intp))
    _, outside = _split(np.array([covered], dtype=object), whole[0], ["sprayed ground"])
    banned, banned_names = _forbidden(forbidden, ground)
    kept, kept_names = _keep_out(job, zones, ground)
    # What a zone holds is allowed to its own product, though another product's buffer may reach over it.
    _, kept = _split(kept, whole[0], kept_names)
    banned_names = [*banned_names, *kept_names]
    in_banned, _ = _split(np.concatenate([banned, kept]), covered, banned_names)

    overlap = bool(shapely.area(area).sum() > shapely.area(whole[0]) * (1 + 1e-7))
    if overlap:
        findings.append(Finding("warning", "zones", "", "zones overlap: the totals count their ground once"))
    # Ground of overlapping zones is missed or covered in each alike, so the totals still add up.
    sums = {
        "zones": shapely.area(whole[0]),
        "covered": _together(inside, overlap),
        "missed": _together(missed, overlap),
        "twice": _together(doubled, overlap),
        "outside": shapely.area(outside).sum(),
        "inside buffers": _together(in_banned, overlap=True),
        "sprayed": shapely.area(covered),
    }
    findings += _judged(sums, shapely.area(in_banned), banned_names)
    passes = np.array([shapely.linestrings(line) for line in lines], dtype=object)
    travelled = {"pass": np.arange(1, len(lines) + 1), "length_m": shapely.length(passes)}
    area_m2 = np.array(list(sums.values()), dtype=float)
    return Coverage(
        zones=_table(ground, area, zone=names),
        covered=_table(ground, inside, zone=names),
        missed=_table(ground, missed, zone=names),
        twice=_table(ground, doubled, zone=names),
        outside=_table(ground, outside),
        inside_buffers=_table(ground, in_banned, feature=banned_names),
        passes=gpd.GeoDataFrame(travelled, geometry=_returned(ground, passes), crs=ground.crs),
        areas=pd.DataFrame(
            {
                "part": list(sums),
                "area_m2": area_m2,
                "area_ft2": FT2_PER_M2 * area_m2,
                "share": area_m2 / sums["zones"],
            }
        ),
        dose=_dose_table(put_out, travelled["length_m"].sum() * limits.swath_m, sums),
        findings=findings_table(findings),
        swath_m=limits.swath_m,
    )


# --- what is given, checked and brought to SI units and local metres ----------------------------------------


def _limits(swath: object, gap: object, min_speed: object, max_speed: object) -> Limits:
    width = units.to_si(swath, "length", field="swath")
    if width > WIDEST_M:
        what = f"a swath of {width:.0f} m is wider than any boom"
        raise InputError(what, field="swath", mend="check its unit")
    longest, kind = _either(gap, "gap", "time", "length")
    slow = units.to_si(min_speed, "speed", field="min_speed")
    fast = units.to_si(max_speed, "speed", field="max_speed")
    if slow >= fast:
        raise InputError("min_speed is not below max_speed", field="min_speed", mend="give a lower one")
    gap_s, gap_m = (longest, inf) if kind == "time" else (inf, longest)
    return Limits(width, gap_s, gap_m, slow, fast)


def _either(value: object, field: str, first: str, second: str) -> tuple[float, str]:
    """A quantity of one of two kinds in SI, and its kind."""
    try:
        return units.to_si(value, first, field=field), first
    except UnitError as error:
        try:
            return units.to_si(value, second, field=field), second
        except UnitError:
            raise error from None


def _zones(zones: gpd.GeoDataFrame) -> tuple[Ground, Array, list[str]]:
    """Local frame, shapes in local metres, and names of the zones."""
    drawn = _polygons(zones, "zones")
    if not len(zones):
        raise InputError("there are no zones", mend="give at least one")
    system = checked_crs(zones.crs, layer="zones")
    degrees = to_degrees(drawn, system, geodetic_base(system))
    if not np.isfinite(shapely.bounds(degrees)).all():
        raise InputError("zones lie outside their coordinate system", layer="zones", mend="check the system")
    site = np.zeros(len(drawn), dtype=np.intp)
    ground = frame(degrees, site, 1, system, np.array(["of the zones"]))
    return ground, repair(ground.to_local(degrees, site))[0], _row_names(zones, "zone", "zone")


def _polygons(table: gpd.GeoDataFrame, layer: str) -> Array:
    if not isinstance(table, gpd.GeoDataFrame) or table.active_geometry_name is None:
        what = f"{type(table).__name__} is no table of shapes"
        raise InputError(what, layer=layer, mend="give a GeoDataFrame with a geometry")
    drawn = shapely.force_2d(table.geometry.to_numpy().astype(object))
    polygons = areal(drawn)
    bad = np.flatnonzero(shapely.is_missing(drawn) | (shapely.area(polygons) <= 0))
    if len(bad):
        what = "the shape is no polygon"
        raise InputError(what, layer=layer, feature=int(bad[0]) + 1, mend="drop or redraw it")
    return polygons


def _row_names(table: gpd.GeoDataFrame, column: str, word: str) -> list[str]:
    if column not in table:
        return [f"{word} {number + 1}" for number in range(len(table))]
    names = table[column].astype(str)
    if "site" in table and len(set(table["site"])) > 1:
        names = table["site"].astype(str) + " " + names
    return list(names)


def _in_metres(log: Track, ground: Ground) -> Floats:
    """Positions of the track in local metres; infinite where they lie nowhere near the zones."""
    degrees = to_degrees(shapely.points(log.xy), log.crs, ground.base)
    local = ground.to_local(degrees, np.zeros(len(log), dtype=np.intp))
    xy = np.column_stack([shapely.get_x(local), shapely.get_y(local)])
    far = ~(np.hypot(*xy.T) < REACH_M)
    if far.all():
        what = "the whole track lies more than 100 km from the zones"
        raise InputError(what, layer="track", mend="check both")
    xy[far] = np.inf
    return xy


def _forbidden(given: Any, ground: Ground) -> tuple[Array, list[str]]:
    """Ground that must not be sprayed, as given, in local metres, and its names."""
    if given is None:
        return np.empty(0, dtype=object), []
    local = _local(_polygons(given, "forbidden"), given.crs, "forbidden", ground)
    return local, _row_names(given, "kind" if "kind" in given else "feature", "forbidden ground")


def _keep_out(job: Any, zones: gpd.GeoDataFrame, ground: Ground) -> tuple[Array, list[str]]:
    """Keep-outs of the zones' sites with the widest buffer that any product of the zones asks for."""
    keep_out = None if job is None else job.survey.keep_out
    if keep_out is None or not len(keep_out):
        return np.empty(0, dtype=object), []
    # What the job keeps from each feature: labels, the features' own distances, local rules and the wind.
    named = set(zones["product"]) if "product" in zones else set(job.plans)
    used = [at for at, name in enumerate(job.plans) if name in named]
    far = np.zeros(len(keep_out))
    np.maximum.at(far, job.reach.features.row, job.reach.widest_m[:, used].max(axis=1, initial=0.0))
    if "site" in zones:
        here = (keep_out["site"].isin(set(zones["site"])) | keep_out["site"].isna()).to_numpy()
        keep_out, far = keep_out[here], far[here]
    local = _local(keep_out.geometry.to_numpy(), keep_out.crs, "keep_out", ground)
    return safe_buffer(local, far), keep_out["kind"].astype(str).to_list()


def _local(shapes: Array, crs: object, layer: str, ground: Ground) -> Array:
    system = checked_crs(crs, layer=layer)
    flat = shapely.force_2d(np.asarray(shapes, dtype=object))
    degrees = to_degrees(straight(flat, system), system, ground.base)
    local = ground.to_local(degrees, np.zeros(len(degrees), dtype=np.intp))
    polygonal = np.isin(shapely.get_type_id(local), (3, 6))
    local[polygonal] = repair(local[polygonal])[0]
    return local


# --- what comes of it --------------------------------------------------------------------------------------


def _split(rows: Array, cell: Any, names: list[str]) -> tuple[Array, Array]:
    """Part of each row inside the cell, and outside it."""
    group = np.zeros(len(rows), dtype=np.intp)
    made = cut(rows, group, np.array([cell], dtype=object), np.zeros(1, dtype=np.intp))
    if len(made.failed):
        what = "the overlay with the swept ground failed"
        raise InputError(what, feature=names[made.failed[0]], mend="give the track in parts")
    held = made.cell >= 0
    inside = collect(made.geoms[held], made.source[held], len(rows))
    outside = collect(made.geoms[~held], made.source[~held], len(rows))
    return without_hairs(inside), without_hairs(outside)


def _together(parts: Array, overlap: bool) -> float:
    """Area of the parts, ground under several of them counted once."""
    parts = parts[~shapely.is_empty(parts)]
    if overlap and len(parts):
        parts = union_rows(parts, np.zeros(len(parts), dtype=np.intp))
    return float(shapely.area(parts).sum())


def _table(ground: Ground, parts: Array, **names: list[str]) -> gpd.GeoDataFrame:
    """Parts that are not empty, with their areas, in the zones' CRS."""
    full = np.flatnonzero(~shapely.is_empty(parts))
    data: dict[str, Any] = {key: [values[row] for row in full] for key, values in names.items()}
    area_m2 = shapely.area(parts[full])
    data |= {"area_m2": area_m2, "area_ft2": FT2_PER_M2 * area_m2}
    # Rounding to degrees can fold a hair-thin corner.
    shapes = repair(_returned(ground, parts[full]))[0]
    return gpd.GeoDataFrame(data, geometry=shapes, crs=ground.crs)


def _returned(ground: Ground, local: Array) -> Array:
    return ground.to_survey(local, np.zeros(len(local), dtype=np.intp))


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
    text = [units.show(value, f"{kind}_per_area") for value in rows.values()]
    return pd.DataFrame({"where": list(rows), "per_area": list(rows.values()), "text": text})


def _judged(sums: dict[str, float], hit_m2: Floats, names: list[str]) -> list[Finding]:
    hits = pd.Series(hit_m2 * FT2_PER_M2)[hit_m2 > 0].groupby(np.array(names, dtype=object)[hit_m2 > 0])
    found = [
        Finding(
            "error",
            "keep_out",
            str(name),
            f"{places.sum():.3g} ft² sprayed inside it or its buffer, at {len(places)} place(s)",
        )
        for name, places in hits
    ]
    if sums["covered"] == 0:
        found.append(Finding("error", "track", "", "no zone was touched: is this the right track?"))
    if sums["twice"] > DOUBLE_SHARE * sums["zones"]:
        message = (
            f"{sums['twice'] * FT2_PER_M2:,.0f} ft² got the dose twice: compare it with the label's maximum"
        )
        found.append(Finding("warning", "zones", "", message))
    return found
