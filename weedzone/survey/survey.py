"""Survey: what the walk found, read and checked once at the door."""

from __future__ import annotations

import copy
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from weedzone.base.errors import Finding, SurveyError, findings_table, path_given
from weedzone.survey.files import LAYERS, read_layers
from weedzone.survey.layers import checked_layer
from weedzone.survey.local import Local, lay
from weedzone.survey.places import implausible, place_texts, site_places


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
        local, crs = lay(layers, self.file, self.guests)
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
        """Where each site landed and how large it is; see `weedzone.survey.places.site_places` for the columns."""
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


_SITES = 12  # that a summary names


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
