"""The drawn map: what is sprayed with which product, what is not and why, with matplotlib."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path

from weedzone.base.words import drawable
from weedzone.ground.shapes import Array, parts_of
from weedzone.maps.frame import Entry, Label, Labels, figure_of, legend, strip
from weedzone.maps.scene import Scene, seamless
from weedzone.maps.style import (
    BUFFER_FILL,
    FEATURE_EDGE,
    FEATURE_FILL,
    INK,
    Fill,
    area_text,
    fill_text,
    kinds_text,
    short,
)

_LONGEST_IN = 7.0
_OVERVIEW_IN = 10.0
_LEGEND_IN = 2.7
_MARGIN = 0.05
_RIM_IN = 0.08
_MOST_TRIMS = 5
_MOST_TOLD = 40  # patches; of more only the codes are written
_MOST_ALIKE = 6  # features of a kind; more of them are told by the legend alone
_OVERVIEW_PEN = 0.45
_BUFFER_DASHES = ((4.0, 2.0), (1.0, 1.5), (6.0, 1.5, 1.0, 1.5), (2.0, 1.0), (8.0, 2.0), (3.0, 1.0, 1.0, 1.0))


class Drawing:
    """One map, drawn layer by layer.

    Parameters
    ----------
    shown : Scene
    ax : Axes or None
        Without it a figure is made to fit the ground.
    where : bool or str
        Of the legend.
    """

    def __init__(self, shown: Scene, ax: Axes | None, where: bool | str) -> None:
        self.scene, self.own = shown, ax is None
        self.where = where if isinstance(where, str) else _beside(shown) if where else ""
        self.ax = _new_axes(shown, self.where) if ax is None else ax
        self.pen = _OVERVIEW_PEN if shown.overview else 1.0
        self.key: dict[str, list[Entry]] = {}
        self.placer: Labels | None = None
        left, bottom, right, top = shown.extent
        edge = max(right - left, top - bottom, 1.0) * _MARGIN
        self.ax.set_aspect("equal")
        self.ax.set(xlim=(left - edge, right + edge), ylim=(bottom - edge, top + edge), xticks=[], yticks=[])
        for spine in self.ax.spines.values():
            spine.set_color("#BBBBBB")

    def layers(self, wanted: Mapping[str, bool]) -> None:
        """Draw the layers wanted, and dots for sites that are too small to be seen."""
        self.key = {name: getattr(self, f"_{name}")() if on else [] for name, on in wanted.items()}
        if self.scene.specks:
            self._marks(shapely.centroid(self.scene.hulls), "sites", marker="s", markersize=4.0, color=INK)

    def surround(self, title: str, *, scale: bool, north: bool, cautions: bool) -> None:
        """Write the title, what stands below the map, and the legend."""
        head = self.ax.set_title(drawable(title), loc="left", fontsize=11.0)
        head.set(parse_math=False, usetex=False)
        below = strip(self.ax, scale=scale, north=north, cautions=cautions)
        if self.where:
            key = self.key
            groups = [
                ("Spread" if self.scene.holder == "hopper" else "Sprayed", key["zones"]),
                ("Infested, left alone", key["untreated"]),
                ("Kept out", key["keep_out"] + key["buffers"]),
                ("Ground", key["boundary"] + key["turf"]),
            ]
            legend(self.ax, groups, self.where, below)

    def settle(self) -> Axes:
        """The axes, labels in their place and a figure of their own cut to what is on it."""
        if self.own:
            _trim(self.ax, self.placer)
        elif self.placer is not None:
            self.ax.apply_aspect()
            self.placer.arrange()
        return self.ax

    def _turf(self) -> list[Entry]:
        return [
            (self._areas(turf.shapes, f"turf:{short(turf.name)}", 1.0, turf.fill, 0.6), short(turf.name))
            for turf in self.scene.turf
        ]

    def _zones(self) -> list[Entry]:
        """Zones by product, with area and tanks of each product in the legend."""
        out: list[Entry] = []
        by_pass: Any = self.scene.zone_table.groupby(["pass", "product"], sort=False)
        for (turn, name), rows in by_pass:
            fill, words, gid = self.scene.fills[name], short(name), f"zones:{short(name)}"
            if turn > 1:
                # A second pass lies over the first: hatched alone, so that both are seen.
                fill = Fill("none", fill.hatch or "////", fill.ink)
                words, gid = f"{words}, pass {turn}", f"{gid}:pass {turn}"
            order = 6.5 if turn > 1 else 6.0
            swatch = self._hatched(self.scene.zones[rows.index], gid, order, fill, INK)
            area = area_text(float(rows["area_m2"].sum()), self.scene.system)
            out.append(
                (swatch, f"{words}:\n{area}, {fill_text(float(rows['tanks'].sum()), self.scene.holder)}")
            )
        return out

    def _untreated(self) -> list[Entry]:
        """Infested ground that is not treated, by its reason."""
        out: list[Entry] = []
        for name, shapes, fill, _ in self.scene.left:
            swatch = self._hatched(seamless(shapes), f"untreated:{name}", 5.0, fill, fill.ink)
            area = area_text(float(shapely.area(shapes).sum()), self.scene.system)
            out.append((swatch, f"{name}, {area}"))
        return out

    def _keep_out(self) -> list[Entry]:
        """Features that must not be sprayed: areas, lines and points."""
        shapes, dimension = self.scene.features, shapely.get_dimensions(self.scene.features)
        solid, lines, points = (shapes[dimension == number] for number in (2, 1, 0))
        drawn: dict[int, Any] = {}
        if len(solid):
            drawn[2] = self._areas(solid, "keep-out", 4.0, Fill(FEATURE_FILL, "", FEATURE_EDGE), 0.8)
        if len(lines):
            drawn[1] = self._lines(lines, "keep-out lines", 7.0, color=FEATURE_EDGE, linewidth=2.4 * self.pen)
        if len(points):
            style = {"marker": "X", "markersize": 5.0 + 3.0 * self.pen, "markerfacecolor": FEATURE_EDGE}
            rim = {"markeredgecolor": "#FFFFFF", "markeredgewidth": 0.8}
            drawn[0] = self._marks(points, "keep-out points", zorder=9.0, **style, **rim)
        kinds = self.scene.feature_kind
        return [(artist, kinds_text(kinds[dimension == number])) for number, artist in drawn.items()]

    def _buffers(self) -> list[Entry]:
        """Ground that the products shown keep off: one band, and on a map of one site a line for each product."""
        named = self.scene.buffers
        if not named:
            return []
        band: dict[str, Any] = {"facecolor": BUFFER_FILL, "edgecolor": "none", "alpha": 0.75}
        self._patch(seamless(np.concatenate(list(named.values()))), "buffers", 2.0, **band)
        if self.scene.overview:
            return [(Patch(**band), "buffers, the widest in use")]
        out: list[Entry] = []
        for at, (name, shapes) in enumerate(named.items()):
            pen = {"color": self.scene.fills[name].ink, "linewidth": 1.0}
            dashes = (0.0, _BUFFER_DASHES[at % len(_BUFFER_DASHES)])
            gid = f"buffers:{short(name)}"
            line = self._lines(shapely.boundary(shapes), gid, 7.5, linestyle=dashes, **pen)
            out.append((line, f"buffer for {short(name, 24)}"))
        return out

    def _boundary(self) -> list[Entry]:
        """Edge of the property."""
        if not len(self.scene.boundary):
            return []
        pen = {"color": INK, "linewidth": 1.6 * self.pen, "linestyle": (0.0, (9.0, 2.5, 1.5, 2.5))}
        return [(self._lines(shapely.boundary(self.scene.boundary), "boundary", 8.0, **pen), "boundary")]

    def labels(self, *, zones: bool, kinds: bool) -> None:
        """Names of the zones or, in an overview, of the sites; then the kinds of feature where there is room."""
        shown, wanted = self.scene, []
        if shown.overview:
            wanted = [
                Label(hull, (short(name, 24), short(name, 10)), "label:site", "#777777", {"fontsize": 7.0})
                for name, hull in zip(shown.names, shown.hulls, strict=True)
            ]
        elif zones:
            crowded, products = (
                len(shown.patches) > _MOST_TOLD,
                shown.zone_table["product"].iloc[shown.patch_zone],
            )
            told = list(zip(shown.patches, shown.patch_texts, shown.patch_code, products, strict=True))
            for at in np.argsort(
                -shapely.area(shown.patches), kind="stable"
            ):  # the largest has the first choice
                shape, full, code, product = told[at]
                texts = (full, str(code))[crowded:]
                wanted.append(Label(shape, texts, "label:zone", shown.fills[product].ink, {"fontsize": 7.5}))
        if kinds and not shown.overview:
            names, count = np.unique(shown.feature_kind, return_counts=True)
            rare = np.isin(shown.feature_kind, names[count <= _MOST_ALIKE])
            style = {"fontsize": 7.0, "style": "italic"}
            wanted += [
                Label(shape, (short(kind, 20),), "label:kind", None, style)
                for shape, kind in zip(shown.features[rare], shown.feature_kind[rare], strict=True)
            ]
        if wanted:
            points = shown.features[shapely.get_dimensions(shown.features) == 0]
            left, bottom, right, top = shown.extent
            marks = shapely.buffer(points, 0.01 * max(right - left, top - bottom))
            alone = [ground.shapes for ground in shown.left]
            self.placer = Labels(self.ax, wanted, np.concatenate([shown.zones, *alone, marks]))

    def _hatched(self, shapes: Array, gid: str, zorder: float, fill: Fill, outline: str) -> Patch:
        """Hatched ground: the hatch takes the colour of its patch's edge, so the outline is drawn by itself."""
        self._areas(shapes, gid, zorder, fill, 0.0)
        self._areas(shapes, f"{gid}:outline", zorder + 0.3, Fill("none", "", outline), 0.9)
        return Patch(facecolor=fill.face, edgecolor=fill.ink, hatch=fill.hatch, linewidth=0.8)

    def _areas(self, shapes: Array, gid: str, zorder: float, fill: Fill, pen: float) -> Patch:
        """Draw ground; its swatch in the legend."""
        style: dict[str, Any] = {"facecolor": fill.face, "edgecolor": fill.ink, "linewidth": pen * self.pen}
        if fill.hatch:
            style["hatch"] = fill.hatch
        self._patch(shapes, gid, zorder, **style)
        return Patch(**style)

    def _patch(self, shapes: Array, gid: str, zorder: float, **style: Any) -> None:
        self.ax.add_patch(PathPatch(_path(shapes), zorder=zorder, gid=gid, **style))

    def _lines(self, shapes: Array, gid: str, zorder: float, **style: Any) -> Line2D:
        """Draw many lines as one, a gap between each two."""
        xy, line = shapely.get_coordinates(shapely.get_parts(shapes), return_index=True)
        gaps = np.flatnonzero(np.diff(line)) + 1
        drawn = Line2D(*np.insert(xy, gaps, np.nan, axis=0).T, zorder=zorder, gid=gid, **style)
        return self.ax.add_line(drawn)

    def _marks(self, points: Array, gid: str, **style: Any) -> Line2D:
        return self.ax.add_line(
            Line2D(*shapely.get_coordinates(points).T, linestyle="none", gid=gid, **style)
        )


def _path(shapes: Array) -> Path:
    """One path of many polygons, holes left open."""
    polygons, _ = parts_of(shapes)
    polygons = polygons[(shapely.get_type_id(polygons) == 3) & ~shapely.is_empty(polygons)]
    # Outer rings run one way and holes the other, so that filling by winding leaves the holes.
    rings = shapely.get_rings(shapely.orient_polygons(polygons))
    return Path.make_compound_path(*(Path(shapely.get_coordinates(ring), closed=True) for ring in rings))


def _beside(shown: Scene) -> str:
    """Where the legend takes least room."""
    left, bottom, right, top = shown.extent
    return "below" if (right - left) > 1.7 * (top - bottom) else "right"


def _new_axes(shown: Scene, where: str) -> Axes:
    from matplotlib import pyplot as plt

    left, bottom, right, top = shown.extent
    wide, high = max(right - left, 1.0), max(top - bottom, 1.0)
    inch = (_OVERVIEW_IN if shown.overview else _LONGEST_IN) / max(wide, high)
    width, height = max(wide * inch, 3.2), max(high * inch, 2.2)
    size = {"right": (width + _LEGEND_IN, height + 1.4), "below": (width + 0.5, height + 4.2)}
    figure, ax = plt.subplots(figsize=size.get(where, (width + 0.3, height + 1.4)))
    figure.set_layout_engine("constrained", w_pad=_RIM_IN, h_pad=_RIM_IN)
    return ax


def _trim(ax: Axes, placer: Labels | None) -> None:
    """Cut the figure to what is on it: the ground has its own shape, and the legend its own length."""
    figure = figure_of(ax)
    if placer is not None:
        placer.set_visible(False)
    for _ in range(_MOST_TRIMS):
        figure.draw_without_rendering()
        box, size = figure.get_tightbbox(), figure.get_size_inches()
        wanted = np.array([box.width + 2 * _RIM_IN, box.height + 2 * _RIM_IN])
        if (abs(wanted - size) < _RIM_IN / 4).all():
            break
        figure.set_size_inches(*wanted)
    if placer is not None:
        placer.set_visible(True)
    figure.draw_without_rendering()
