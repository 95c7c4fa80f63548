"""Survey: what the walk found, read and checked once at the door; where its sites landed, and what is not plausible."""

from __future__ import annotations

import copy
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from weedzone.base.errors import Finding, SurveyError, findings_table, naming, path_given
from weedzone.base.units import ACRE_PER_M2, FT2_PER_M2, FT_PER_M
from weedzone.ground.shapes import Array, extents
from weedzone.survey.files import LAYERS, read_layers
from weedzone.survey.layers import checked_layer
from weedzone.survey.local import Local, lay

MOST_ACRES = 500.0  # a site beyond it is worth a second look: common practice, no source
_MORE = 1.001  # infested ground drawn along the edge of its turf is no more than the turf
_SITES = 12  # that a summary names


@dataclass(frozen=True, eq=False)
class Survey:
    """The layers of one survey, of one site or of many.

    Parameters
    ----------
    turf : GeoDataFrame
        Polygons with a column ``turf``.
    infestations : GeoDataFrame
        Polygons, lines with ``width_ft`` or ``width_m``, points with ``radius_ft`` or ``radius_m``; a column
        ``weed`` and optionally ``cover`` (0..1].
    keep_out : GeoDataFrame, optional
        Shapes of any kind with ``kind`` and optionally ``buffer_ft`` or ``buffer_m``. A shape without a site,
        in a survey of several, holds for every site that it comes near.
    boundary : GeoDataFrame, optional
        Polygons.
    history : GeoDataFrame, optional
        Polygons with ``product``, ``date`` and ``dose`` or ``amount``.
    crs : any, optional
        CRS of the layers that state none. Nothing is assumed where it is not given.
    file : str, optional
        Named in messages.
    guests : tuple of str
        Sites that are sized elsewhere: they are there only to take ground that is drawn under them too.

    Attributes
    ----------
    turf, infestations, keep_out, boundary, history : GeoDataFrame or None
        The layers as checked: each in its own CRS, with ``feature`` (row number as given, from 1), ``site``
        and the columns listed in `weedzone.survey.layers.checked_layer`. The frames passed in are not changed.
    crs : pyproj.CRS
        The CRS of the infestations, in which zones come back.
    local : Local
        The same in local metres; for the kernels.

    Raises
    ------
    SurveyError, CrsError
        Naming layer, feature and mend.
    """

    turf: Any
    infestations: Any
    keep_out: Any = None
    boundary: Any = None
    history: Any = None
    crs: Any = None
    file: str | None = None
    noticed: tuple[Finding, ...] = ()
    guests: tuple[str, ...] = ()
    local: Local = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Check the layers and lay them on the ground."""
        noticed = list(self.noticed)
        layers: dict[str, gpd.GeoDataFrame | None] = {}
        for name in LAYERS:
            given = getattr(self, name)
            if given is None and name in ("turf", "infestations"):
                raise SurveyError("the layer is missing", file=self.file, layer=name, mend="add it")
            if name == "keep_out" and (given is None or _is_empty(given)):
                message = "no keep-out feature is mapped: no ground is kept out and no buffer applies"
                noticed.append(Finding("warning", name, "", message))
                columns: dict[str, list[Any]] = {column: [] for column in ("site", "kind", "geometry")}
                given = gpd.GeoDataFrame(columns, geometry="geometry", crs=self._crs_of("infestations"))
            if name == "boundary" and _is_empty(given):
                message = "the boundary layer is empty: sites are not limited"
                noticed.append(Finding("warning", name, "", message))
            if given is None or (name in ("boundary", "history") and _is_empty(given)):
                layers[name] = None
                continue
            layers[name], found = checked_layer(given, name, self.crs, self.file)
            noticed += found
        with naming(file=self.file):
            local, crs = lay(layers, self.guests)
        for name, layer in layers.items():
            object.__setattr__(self, name, layer)
        object.__setattr__(self, "crs", crs)
        object.__setattr__(self, "local", local)
        object.__setattr__(self, "noticed", (*noticed, *local.findings, *implausible(local)))

    def _crs_of(self, name: str) -> Any:
        given = getattr(self, name)
        return getattr(given, "crs", None) or self.crs

    def only(self, first: int, stop: int) -> Survey:
        """Sites number `first` to `stop` of the survey, for the kernels; the layers stay whole.

        Parameters
        ----------
        first, stop : int
            Numbers of sites, as Python counts.

        Returns
        -------
        Survey
        """
        share = copy.copy(self)
        object.__setattr__(share, "local", self.local.only(first, stop))
        return share

    @property
    def findings(self) -> pd.DataFrame:
        """What was repaired, dropped or doubted: severity, layer, feature, message."""
        return findings_table(self.noticed)

    @property
    def sites(self) -> list[str]:
        """Names of the sites."""
        return [str(name) for name in self.local.sites]

    @property
    def places(self) -> pd.DataFrame:
        """Where each site landed and how large it is; see `weedzone.survey.survey.site_places` for the columns."""
        return site_places(self.local)

    def summary(self, more: Iterable[Finding] = ()) -> str:
        """The survey in words: coordinate system, shapes of each layer, where the sites landed, findings.

        Parameters
        ----------
        more : iterable of Finding
            What was found out beside, such as by holding the survey against labels.

        Returns
        -------
        str
        """
        counts = []
        for name in LAYERS:
            layer = getattr(self, name)
            counts.append(f"{name} {'-' if layer is None else len(layer)}")
        rows = findings_table((*self.noticed, *more))
        lines = [
            f"{len(self.sites)} site(s), {self.crs.name}",
            ", ".join(counts),
            *place_texts(self.places, _SITES),
            f"{len(rows)} finding(s)" + (":" if len(rows) else ""),
        ]
        lines += [f"  {row.severity}: {row.layer} {row.feature}: {row.message}" for row in rows.itertuples()]
        return "\n".join(lines)

    def __str__(self) -> str:
        """The summary."""
        return self.summary()


def _is_empty(layer: object) -> bool:
    return hasattr(layer, "__len__") and not len(layer)


def read_survey(path: str | Path, *, crs: object = None) -> Survey:
    """Read a survey from a GeoPackage, or from a folder of files named after the layers.

    Parameters
    ----------
    path : path
    crs : any, optional
        CRS of the layers whose files state none, such as "EPSG:26915". Without it they are refused.

    Returns
    -------
    Survey

    Raises
    ------
    SurveyError, CrsError, InputError
        Naming file, layer, feature and mend.
    """
    frames, noticed = read_layers(path_given(path, "a survey", 'read_survey("survey.gpkg")'))
    if crs is not None and all(frame.crs is not None for frame in frames.values()):
        message = f"every layer states its own coordinate system: the one given ({str(crs)[:40]}) is not used"
        noticed.append(Finding("note", "crs", "", message))
    for name in ("turf", "infestations", "keep_out"):
        if name not in frames:
            found = ", ".join(frames)
            mend = f"add it; found: {found}"
            if name == "keep_out":
                mend = f"add it, empty if nothing has to be kept out; found: {found}"
            raise SurveyError("the layer is missing", file=str(path), layer=name, mend=mend)
    return Survey(**frames, crs=crs, file=str(path), noticed=tuple(noticed))


def site_places(local: Local) -> pd.DataFrame:
    """Size and place of each site.

    Parameters
    ----------
    local : Local

    Returns
    -------
    DataFrame
        ``site``, ``turf_ft2``, ``turf_m2``, ``infested_ft2``, ``infested_m2`` (patches added up, so that ground drawn
        twice counts twice), ``east_ft`` and ``north_ft`` (extent of turf and patches), ``lat`` and ``lon`` of the
        middle of the infested ground.
    """
    n = len(local.sites)
    turf, infested = (np.bincount(of.site, shapely.area(of.geoms), n) for of in (local.turf, local.infested))
    shapes = np.concatenate([local.turf.geoms, local.infested.geoms])
    box = extents(shapely.bounds(shapes), np.concatenate([local.turf.site, local.infested.site]), n)
    west, south, east, north = local.boxes_degrees.T
    return pd.DataFrame(
        {
            "site": local.sites,
            "turf_ft2": turf * FT2_PER_M2,
            "turf_m2": turf,
            "infested_ft2": infested * FT2_PER_M2,
            "infested_m2": infested,
            "east_ft": (box[:, 2] - box[:, 0]) * FT_PER_M,
            "north_ft": (box[:, 3] - box[:, 1]) * FT_PER_M,
            "lat": (south + north) / 2.0,
            "lon": ((west + east) / 2.0 + 180.0) % 360.0 - 180.0,
        }
    )


def place_texts(places: pd.DataFrame, most: int) -> list[str]:
    """The places in lines: "Alder Court: turf 6,200 ft², 120 by 90 ft, at 41.60012 N 93.60034 W".

    Parameters
    ----------
    places : DataFrame
        Of `site_places`.
    most : int
        Sites that are named at most; of the others it is said how many they are.

    Returns
    -------
    list of str
    """
    lines = [
        f"{row['site']}: turf {row['turf_ft2']:,.0f} ft², {row['east_ft']:,.0f} by {row['north_ft']:,.0f} ft, "
        f"at {_degrees(row['lat'], 'NS')} {_degrees(row['lon'], 'EW')}"
        for row in places.head(most).to_dict("records")
    ]
    return [*lines, *([f"and {len(places) - most} more sites"] if len(places) > most else [])]


def _degrees(value: float, sides: str) -> str:
    return f"{abs(value):.5f} {sides[int(value < 0)]}"


def implausible(local: Local) -> list[Finding]:
    """What can hardly be meant: sites of hundreds of acres, more infested ground than turf.

    Parameters
    ----------
    local : Local

    Returns
    -------
    list of Finding
    """
    places = site_places(local)
    noticed = []
    acres = places["turf_m2"].to_numpy() * ACRE_PER_M2
    for at in np.flatnonzero(acres > MOST_ACRES):
        message = f"its turf is {acres[at]:,.0f} acres: is the unit of its coordinates right?"
        noticed.append(Finding("warning", "turf", str(local.sites[at]), message))
    turf, infested = (places[name].to_numpy(dtype=float) for name in ("turf_m2", "infested_m2"))
    for at in np.flatnonzero((infested > _MORE * turf) & (turf > 0)):
        once, grown = (_once(of.geoms[of.site == at]) for of in (local.infested, local.turf))
        if once > _MORE * grown:
            message = (
                f"infested ground ({once * FT2_PER_M2:,.0f} ft2) is more than the turf that is mapped "
                f"({grown * FT2_PER_M2:,.0f} ft2): is the turf whole?"
            )
            noticed.append(Finding("warning", "infestations", str(local.sites[at]), message))
    return noticed


def _once(shapes: Array) -> float:
    """Area of shapes, ground that several hold counted once [m2]."""
    return float(shapely.area(shapely.union_all(shapes)))
