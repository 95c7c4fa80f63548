"""The zone map: what is sprayed with which product, what is not and why, drawn with matplotlib."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from weedzone.errors import InputError
from weedzone.map_scene import Scene, scene, seamless
from weedzone.map_style import (
    BUFFER_DASHES,
    BUFFER_FILL,
    FEATURE,
    INK,
    Fill,
    area_text,
    fill_text,
    kinds_text,
    ordered,
    product_fills,
    short,
    turf_fills,
    untreated_fill,
)
from weedzone.rig import Spreader
from weedzone.shapes import Array
from weedzone.sizing import Sized

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from weedzone.map_frame import Entry

_LONGEST_IN = 7.0
_LEGEND_IN = 2.7
_MARGIN = 0.05


def plot(
    job: Sized,
    ax: Axes | None = None,
    *,
    site: str | Iterable[str] | None = None,
    turf: bool = True,
    zones: bool = True,
    untreated: bool = True,
    keep_out: bool = True,
    buffers: bool = True,
    boundary: bool = True,
    labels: bool = True,
    legend: bool | str = True,
    scale: bool = True,
    north: bool = True,
    cautions: bool = True,
    title: str | None = None,
    system: str = "us",
) -> Axes:
    """Draw the zone map of one site, or an overview of several.

    Parameters
    ----------
    job : Sized
    ax : Axes, optional
        Drawn on, and only there; without it a figure is made to fit the ground.
    site : str or several, optional
        Sites to show; all if not given. Several make an overview, in which sites are named rather than zones.
    turf, zones, untreated, keep_out, buffers, boundary : bool
        Layers. Untreated ground is infested ground that no product may treat, by its reason.
    labels : bool
        Names of zones (or sites), with area and tanks; they never overlap, and small zones get a leader line.
    legend : bool, "right" or "below"
    scale, north, cautions : bool
        Scale bars in feet and metres, north arrow, and a line of cautions, below the map.
    title : str, optional
        In place of the site's name and the date; "" for none.
    system : {"us", "metric"}
        Units of areas in labels and legend.

    Returns
    -------
    Axes
        Its units are metres on the ground.

    Raises
    ------
    InputError
        A site that the survey lacks; an unknown place of the legend or system of units.
    """
    if legend not in (True, False, "right", "below"):
        raise InputError(f"the legend cannot go {legend!r}", field="legend", mend='write "right" or "below"')
    if system not in ("us", "metric"):
        raise InputError(f"no system of units {system!r}", field="system", mend='write "us" or "metric"')
    shown = scene(job, site)
    where = legend if isinstance(legend, str) else _beside(shown)
    own = ax is None
    ax = _new_axes(shown, where if legend else "") if ax is None else ax
    _set_view(ax, shown)
    layers = _Layers(job, shown, ax, system)
    groups: list[tuple[str, list[Entry]]] = []
    key = {name: [] for name in ("zones", "untreated", "rest", "turf")}
    if turf:
        key["turf"] = layers.turf()
    if buffers:
        key["rest"] += layers.buffers()
    if keep_out:
        key["rest"] = layers.keep_out() + key["rest"]
    if untreated:
        key["untreated"] = layers.untreated()
    if zones:
        key["zones"] = layers.zones()
    if boundary:
        key["rest"] += layers.boundary()
    if labels:
        layers.labels(zones=zones, kinds=keep_out)
    groups = [
        ("Sprayed" if not isinstance(job.rig, Spreader) else "Spread", key["zones"]),
        ("Infested, left alone", key["untreated"]),
        ("Kept out", key["rest"]),
        ("Turf", key["turf"]),
    ]
    _surround(ax, job, shown, groups, legend and where, title, scale=scale, north=north, cautions=cautions)
    if labels:
        layers.arrange(own)
    return ax


def _beside(shown: Scene) -> str:
    """Where the legend takes least room."""
    left, bottom, right, top = shown.extent
    return "below" if (right - left) > 1.7 * (top - bottom) else "right"


def _new_axes(shown: Scene, where: str) -> Axes:
    from matplotlib import pyplot as plt

    left, bottom, right, top = shown.extent
    wide, high = max(right - left, 1.0), max(top - bottom, 1.0)
    inch = _LONGEST_IN / max(wide, high)
    width, height = max(wide * inch, 3.2), max(high * inch, 2.2)
    size = {"right": (width + _LEGEND_IN, height + 1.4), "below": (width + 0.5, height + 4.2)}
    _, ax = plt.subplots(figsize=size.get(where, (width + 0.3, height + 1.4)), layout="constrained")
    return ax


def _set_view(ax: Axes, shown: Scene) -> None:
    left, bottom, right, top = shown.extent
    edge = max(right - left, top - bottom, 1.0) * _MARGIN
    ax.set_aspect("equal")
    ax.set_xlim(left - edge, right + edge)
    ax.set_ylim(bottom - edge, top + edge)
    ax.set_xticks([])
    ax.set_yticks([])
    for spine in ax.spines.values():
        spine.set_color("#BBBBBB")


class _Layers:
    """Draws the layers of one map; each gives its entries of the legend."""

    def __init__(self, job: Sized, shown: Scene, ax: Axes, system: str) -> None:
        self.job, self.scene, self.ax, self.system = job, shown, ax, system
        self.fills = product_fills(list(job.plans))
        self.holder = "hopper" if isinstance(job.rig, Spreader) else "tank"
        self.placer: Any = None

    def turf(self) -> list[Entry]:
        names = self.scene.turf_name.astype(str)
        tints = turf_fills(list(dict.fromkeys(names)))
        out: list[Entry] = []
        for name, tint in tints.items():
            style = {"facecolor": tint, "edgecolor": "#B9C4A8", "linewidth": 0.6}
            self._areas(self.scene.turf[names == name], f"turf:{short(name)}", 1.0, **style)
            out.append((self._swatch(**style), short(name)))
        return out

    def zones(self) -> list[Entry]:
        table = self.job.zones.iloc[self.scene.zone_row]
        product = table["product"].to_numpy(dtype=object)
        out: list[Entry] = []
        for name, fill in self.fills.items():
            mine = product == name
            if not mine.any():
                continue
            self._filled(self.scene.zones[mine], f"zones:{short(name)}", 6.0, fill, outline=INK)
            rows = table[mine]
            figures = f"{area_text(rows['area_m2'].sum(), self.system)}, {fill_text(rows['tanks'].sum(), self.holder)}"
            out.append((self._swatch(facecolor=fill.face, edgecolor=fill.ink, hatch=fill.hatch), f"{short(name)}\n{figures}"))
        return out

    def untreated(self) -> list[Entry]:
        area = shapely.area(self.scene.parts)
        out: list[Entry] = []
        for name in ordered(set(self.scene.outcome)):
            mine = self.scene.outcome == name
            fill = untreated_fill(name)
            self._filled(seamless(self.scene.parts[mine]), f"untreated:{name}", 5.0, fill, outline=fill.ink)
            words = f"{name}, {area_text(area[mine].sum(), self.system)}"
            out.append((self._swatch(facecolor=fill.face, edgecolor=fill.ink, hatch=fill.hatch), words))
        return out

    def keep_out(self) -> list[Entry]:
        shapes, kinds = self.scene.features, self.scene.feature_kind.astype(str)
        dimension = shapely.get_dimensions(shapes)
        style = {"facecolor": FEATURE["fill"], "edgecolor": FEATURE["edge"], "linewidth": 0.8}
        out: list[Entry] = []
        if (dimension == 2).any():
            self._areas(shapes[dimension == 2], "keep-out", 4.0, **style)
            out.append((self._swatch(**style), kinds_text(list(kinds[dimension == 2]))))
        if (dimension == 1).any():
            line = self._lines(shapes[dimension == 1], "keep-out lines", 7.0, color=FEATURE["edge"], linewidth=2.2)
            out.append((line, kinds_text(list(kinds[dimension == 1]))))
        if (dimension == 0).any():
            points = self._points(shapes[dimension == 0])
            out.append((points, kinds_text(list(kinds[dimension == 0]))))
        return out

    def buffers(self) -> list[Entry]:
        from matplotlib.lines import Line2D

        out: list[Entry] = []
        every = [shapes for shapes in self.scene.buffers.values() if len(shapes)]
        if not every:
            return out
        self._areas(seamless(np.concatenate(every)), "buffers", 2.0, facecolor=BUFFER_FILL, edgecolor="none")
        for at, (name, shapes) in enumerate(self.scene.buffers.items()):
            if not len(shapes):
                continue
            style = {
                "color": self.fills[name].ink,
                "linewidth": 1.0,
                "linestyle": (0.0, BUFFER_DASHES[at % len(BUFFER_DASHES)]),
            }
            self._lines(shapely.boundary(shapes), f"buffers:{short(name)}", 7.5, **style)
            out.append((Line2D([], [], **style), f"buffer for {short(name, 24)}"))
        return out

    def boundary(self) -> list[Entry]:
        if not len(self.scene.boundary):
            return []
        style = {"color": INK, "linewidth": 1.6, "linestyle": (0.0, (9.0, 2.5, 1.5, 2.5))}
        return [(self._lines(shapely.boundary(self.scene.boundary), "boundary", 8.0, **style), "boundary")]

    def labels(self, *, zones: bool, kinds: bool) -> None:
        """Names of the zones or, in an overview, of the sites; then the kinds of feature where there is room."""
        from weedzone.map_labelled import Labels

        shapes: list[Any] = []
        texts: list[list[str]] = []
        styles: list[dict[str, Any]] = []
        must: list[bool] = []
        box = {"boxstyle": "round,pad=0.2", "facecolor": "#FFFFFF", "edgecolor": "#777777", "linewidth": 0.5}
        if self.scene.overview:
            for name, edges in zip(self.scene.names, self.scene.boxes, strict=True):
                shapes.append(shapely.box(*edges))
                texts.append([short(name, 24), short(name, 10)])
                styles.append({"fontsize": 7.5, "bbox": box, "color": INK, "gid": "label:site"})
                must.append(True)
        elif zones:
            table = self.job.zones.iloc[self.scene.zone_row]
            for shape, row in zip(self.scene.zones, table.to_dict("records"), strict=True):
                figures = area_text(row["area_m2"], self.system), fill_text(row["tanks"], self.holder)
                shapes.append(shape)
                texts.append([f"{row['zone']}  {figures[0]}\n{figures[1]}", row["zone"]])
                styles.append({"fontsize": 7.5, "bbox": box, "color": INK, "gid": "label:zone"})
                must.append(True)
        if kinds and not self.scene.overview:
            for shape, kind in _few(self.scene.features, self.scene.feature_kind):
                shapes.append(shape)
                texts.append([short(kind, 20)])
                styles.append({"fontsize": 7.0, "style": "italic", "color": INK, "gid": "label:kind"})
                must.append(False)
        if shapes:
            covered = np.concatenate([self.scene.zones, self.scene.parts])
            self.placer = Labels(self.ax, np.array(shapes, dtype=object), texts, must, covered, styles)

    def arrange(self, own: bool) -> None:
        """Place the labels now, so that they stand right before the first drawing too."""
        if self.placer is None:
            return
        figure = self.ax.get_figure(root=True)
        assert figure is not None
        if own:
            figure.draw_without_rendering()
        else:
            self.ax.apply_aspect()
            self.placer.arrange(figure._get_renderer())

    def _filled(self, shapes: Array, gid: str, zorder: float, fill: Fill, outline: str) -> None:
        """Hatched ground: the hatch takes the colour of its patch's edge, so the outline is drawn by itself."""
        self._areas(shapes, gid, zorder, facecolor=fill.face, edgecolor=fill.ink, hatch=fill.hatch, linewidth=0.0)
        self._areas(shapes, f"{gid}:outline", zorder + 0.3, facecolor="none", edgecolor=outline, linewidth=0.9)

    def _areas(self, shapes: Array, gid: str, zorder: float, **style: Any) -> None:
        from matplotlib.patches import PathPatch

        from weedzone.map_paths import area_path

        patch = PathPatch(area_path(shapes), zorder=zorder, gid=gid, **style)
        self.ax.add_patch(patch)

    def _lines(self, shapes: Array, gid: str, zorder: float, **style: Any) -> Any:
        from matplotlib.lines import Line2D

        from weedzone.map_paths import line_xy

        x, y = line_xy(shapes)
        return self.ax.add_line(Line2D(x, y, zorder=zorder, gid=gid, **style))

    def _points(self, shapes: Array) -> Any:
        from matplotlib.lines import Line2D

        xy = shapely.get_coordinates(shapes)
        line = Line2D(
            xy[:, 0], xy[:, 1], linestyle="none", marker="X", markersize=8.0, markerfacecolor=FEATURE["edge"],
            markeredgecolor="#FFFFFF", markeredgewidth=0.8, zorder=9.0, gid="keep-out points",
        )  # fmt: skip
        return self.ax.add_line(line)

    @staticmethod
    def _swatch(**style: Any) -> Any:
        from matplotlib.patches import Patch

        return Patch(**{"linewidth": 0.8, **style})


def _few(shapes: Array, kinds: Array, most: int = 6) -> list[tuple[Any, str]]:
    """Features whose kind is rare enough to be written beside each of them."""
    names, count = np.unique(kinds.astype(str), return_counts=True)
    rare = set(names[count <= most])
    return [(shape, str(kind)) for shape, kind in zip(shapes, kinds, strict=True) if kind in rare]


def _surround(
    ax: Axes,
    job: Sized,
    shown: Scene,
    groups: list[tuple[str, list[Entry]]],
    where: str | bool,
    title: str | None,
    *,
    scale: bool,
    north: bool,
    cautions: bool,
) -> None:
    """Title, strip and legend."""
    from weedzone import map_frame

    if title is None:
        name = short(shown.names[0], 40) if not shown.overview else f"{len(shown.names)} sites"
        title = f"{name}, {job.on.isoformat()}: {job.use}"
    heading = ax.set_title(short(title, 80), loc="left", fontsize=11.0)
    heading.set(parse_math=False, usetex=False)
    strip = map_frame.strip(ax, scale=scale, north=north, cautions=cautions)
    if isinstance(where, str):
        below = 0.0
        if strip is not None:
            figure = ax.get_figure(root=True)
            assert figure is not None
            below = strip.get_window_extent(figure._get_renderer()).height * 72.0 / figure.dpi + 8.0
        map_frame.legend(ax, groups, where, below)
