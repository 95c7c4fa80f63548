"""The interactive map, with bokeh: its layers, the key that switches them, and what is told of each shape."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import shapely
from bokeh.core.properties import value
from bokeh.models.annotations import ImperialLength, Legend, LegendItem, ScaleBar
from bokeh.models.callbacks import CustomJS
from bokeh.models.ranges import DataRange1d
from bokeh.models.sources import ColumnDataSource
from bokeh.models.tools import BoxZoomTool, HoverTool, PanTool, ResetTool, TapTool, WheelZoomTool
from bokeh.plotting import figure

from weedzone.base.units import FT2_PER_M2, show
from weedzone.ground.shapes import Array
from weedzone.maps.label_places import Wanted, place
from weedzone.maps.scene import Scene, seamless
from weedzone.maps.style import BUFFER_FILL, FEATURE_EDGE, FEATURE_FILL, INK, Fill, area_text, short

_HATCH = {
    "/": "right_diagonal_line", "\\": "left_diagonal_line", "x": "diagonal_cross", "-": "horizontal_line",
    "|": "vertical_line", "+": "cross", ".": "dot", "o": "ring", "*": "criss_cross",
}  # fmt: skip
_DASHES = ("dashed", "dotted", "dotdash", "dashdot")
_MAP_PX = 500
_MAP_WIDTH_PX = 700.0  # as most pages open; wider ones leave more room
_LETTER_PX = 7.5
_MOST_PLACED = 200
_KEY_ROW_PX = 24
_FOOT_M = 1.0 / FT2_PER_M2**0.5
# Texts go in as text: no markup in them is read.
_TELL = """
const at = source.selected.indices[0];
const place = document.getElementById("figures");
if (at == null || place == null) return;
place.textContent = columns.map((name) => name.replace("_", " ") + ": " + source.data[name][at]).join(" · ");
"""
_ROUND = [one * 10.0**power for power in range(-1, 6) for one in (1, 2, 5)]


def draw(shown: Scene) -> figure:
    """Draw every layer of a scene, with a key whose entries switch them."""
    return _Drawing(shown).plot


class _Drawing:
    def __init__(self, shown: Scene) -> None:
        self.scene = shown
        self.key: list[tuple[int, str, list[Any]]] = []
        self.framed: list[Any] = []
        self.tapped: list[Any] = []
        self.plot = _empty()
        # Drawn from the ground up; the key tells of the zones first.
        self._turf()
        self._buffers()
        self._keep_out()
        self._untreated()
        self._zones()
        self._boundary()
        self._names()
        if self.framed:
            for one in (self.plot.x_range, self.plot.y_range):
                one.update(renderers=self.framed)
        self.plot.add_tools(TapTool(renderers=self.tapped, visible=False))
        rows = sorted(self.key, key=lambda row: row[0])
        items = [LegendItem(label=value(words), renderers=drawn) for _, words, drawn in rows]
        key = Legend(items=items, ncols=2, click_policy="hide", location="left", border_line_color=None)
        key.update(label_text_font_size="12px", glyph_height=18, glyph_width=18, spacing=2, padding=2)
        # Two columns that do not touch, and fit a phone.
        longest = max((len(words) for _, words, _ in rows), default=0)
        key.update(label_width=int(min(5.5 * longest + 8, 142)))
        key.update(inactive_fill_color="#FFFFFF", inactive_fill_alpha=0.75)
        self.plot.add_layout(key, "below")
        self.plot.height = _MAP_PX + -(-len(items) // 2) * _KEY_ROW_PX

    def _turf(self) -> None:
        for name, shapes, fill, _ in self.scene.turf:
            drawn = self._areas(shapes, line_color=fill.ink, **_filled(fill))
            self._key(5, f"turf: {short(name, 20)}", drawn)

    def _zones(self) -> None:
        by_product: Any = self.scene.zone_table.groupby("product", sort=False)
        for name, rows in by_product:
            told = self.scene.zone_texts.loc[rows.index]
            style = {"line_color": INK, "line_width": 1.2, **_filled(self.scene.fills[name])}
            self._key(0, short(name, 22), self._areas(self.scene.zones[rows.index], told, **style))

    def _untreated(self) -> None:
        for name, shapes, fill, rows in self.scene.left:
            ground = self.scene.job.ground.iloc[rows]
            told = {
                "site": [short(one) for one in ground["site"]],
                "left_alone": [name] * len(rows),
                "reason": [short(one, 80) for one in ground["reason"]],
                "weeds": [short(one, 60) for one in ground["weeds"]],
                "area": [area_text(one, self.scene.system) for one in ground["area_m2"]],
            }
            drawn = self._areas(shapes, pd.DataFrame(told), line_color=fill.ink, **_filled(fill))
            self._key(1, f"left: {name}", drawn)

    def _keep_out(self) -> None:
        reach = [
            show(one, "length", self.scene.system) if one > 0 else "none"
            for one in self.scene.feature_reach_m
        ]
        kinds = [short(one, 40) for one in self.scene.feature_kind]
        told = pd.DataFrame({"kept_out": kinds, "widest_buffer": reach})
        dimension = shapely.get_dimensions(self.scene.features)
        pen: Any = {"line_color": FEATURE_EDGE, "line_width": 3}
        drawn = []
        for number in sorted(set(dimension), reverse=True):
            shapes, mine = self.scene.features[dimension == number], told[dimension == number]
            if number == 2:
                style = {"fill_color": FEATURE_FILL, "line_color": FEATURE_EDGE}
                drawn.append(self._areas(shapes, mine, framed=False, **style))
                continue
            parts, of = shapely.get_parts(shapes, return_index=True)
            mine = mine.iloc[of]
            if number == 1:
                data: Any = {"xs": [_axis(one, 0) for one in parts], "ys": [_axis(one, 1) for one in parts]}
                lines = self.plot.multi_line("xs", "ys", source=_source(data, mine), **pen)
                drawn.append(self._told(lines, mine))
            else:
                data = {"x": _axis(parts, 0), "y": _axis(parts, 1)}
                marks = self.plot.scatter("x", "y", source=_source(data, mine), marker="x", size=11, **pen)
                drawn.append(self._told(marks, mine))
        if drawn:
            self._key(2, "keep-out features", *drawn)

    def _buffers(self) -> None:
        style: dict[str, Any] = {"fill_color": BUFFER_FILL, "fill_alpha": 0.5}
        for at, (name, shapes) in enumerate(self.scene.buffers.items()):
            edge: Any = {"line_color": self.scene.fills[name].ink, "line_dash": _DASHES[at % len(_DASHES)]}
            drawn = self._areas(seamless(shapes), framed=False, **style, **edge)
            self._key(3, f"buffer: {short(name, 18)}", drawn)

    def _boundary(self) -> None:
        if len(self.scene.boundary):
            style: dict[str, Any] = {
                "fill_color": None,
                "line_color": INK,
                "line_width": 2,
                "line_dash": "dotdash",
            }
            self._key(4, "boundary", self._areas(self.scene.boundary, **style))

    def _names(self) -> None:
        if self.scene.overview:
            points = shapely.centroid(self.scene.hulls)
            texts = [short(one, 24) for one in self.scene.names]
        else:
            largest = np.argsort(-shapely.area(self.scene.patches), kind="stable")
            points = shapely.point_on_surface(self.scene.patches[largest])
            texts = list(self.scene.patch_code[largest])
        if not len(points):
            return
        at, leaders, kept = self._apart(shapely.get_coordinates(points), texts)
        texts = [texts[number] for number in kept]
        drawn = []
        if len(leaders):
            ends = dict(zip(("x0", "y0", "x1", "y1"), (leaders / _FOOT_M).T.tolist(), strict=True))
            source = ColumnDataSource(ends)
            drawn = [self.plot.segment("x0", "y0", "x1", "y1", source=source, line_color=INK)]
        x, y = (at[kept] / _FOOT_M).T.tolist()
        source = ColumnDataSource({"x": x, "y": y, "text": [_no_formula(one) for one in texts]})
        style: Any = {"text_font_size": "12px", "text_align": "center", "text_baseline": "middle"}
        names = self.plot.text("x", "y", "text", source=source, text_color=INK, **style)
        names.glyph.update(background_fill_color="#FFFFFF", background_fill_alpha=0.8, padding=1)
        self._key(6, "names", names, *drawn)

    def _apart(self, points: Array, texts: list[str]) -> tuple[Array, Array, list[int]]:
        """Places of labels that keep off one another as the page opens, leaders of those that stand off, and who stays.

        A patch for whose label there is no room goes without; the pointer still tells of its zone.
        """
        every = list(range(len(points)))
        if len(points) > _MOST_PLACED:
            return points, np.empty((0, 4)), every
        turf = [ground.shapes for ground in self.scene.turf]
        shown = np.concatenate([*turf, self.scene.zones, self.scene.hulls])
        west, south, east, north = shapely.total_bounds(shown)
        scale = max((east - west) / _MAP_WIDTH_PX, (north - south) / _MAP_PX, 1e-9)
        origin = np.array([west, south])
        spots = shapely.points((points - origin) / scale)
        # Names of sites lie on them; a zone's may stand beside it.
        wanted = [
            Wanted(shapely.buffer(spot, 1.0), [(_LETTER_PX * len(text) + 4.0, 16.0)])
            for spot, text in zip(spots, texts, strict=True)
        ]
        frame = (-_MAP_WIDTH_PX, -_MAP_PX, 2.0 * _MAP_WIDTH_PX, 2.0 * _MAP_PX)
        at, leaders = points.copy(), []
        placed = place(wanted, frame, 2.0, spots[:0])
        for number, found in enumerate(placed):
            if found is not None:
                at[number] = origin + scale * np.array([found.x, found.y])
                if found.anchor is not None:
                    leaders.append([*at[number], *points[number]])
        kept = [number for number in every if self.scene.overview or placed[number] is not None]
        return at, np.array(leaders).reshape(-1, 4), kept

    def _areas(
        self, shapes: Array, told: pd.DataFrame | None = None, *, framed: bool = True, **style: Any
    ) -> Any:
        """Draw polygons; those framed decide what the map opens on."""
        data = {"xs": [_nested(one, 0) for one in shapes], "ys": [_nested(one, 1) for one in shapes]}
        drawn = self.plot.multi_polygons("xs", "ys", source=_source(data, told), **style)
        if framed:
            self.framed.append(drawn)
        return drawn if told is None else self._told(drawn, told)

    def _key(self, group: int, words: str, *renderers: Any) -> None:
        self.key.append((group, _no_formula(words), list(renderers)))

    def _told(self, renderer: Any, told: pd.DataFrame) -> Any:
        """Tell a shape's figures where it is pointed at, and below the map where it is tapped."""
        names = [str(name) for name in told]
        tips = [(name.replace("_", " "), f"@{name}") for name in names]
        hover = HoverTool(renderers=[renderer], tooltips=tips, visible=False, point_policy="follow_mouse")
        self.plot.add_tools(hover)
        # A tapped shape is told of, and nothing else fades.
        renderer.update(nonselection_glyph=None, selection_glyph=None)
        source = renderer.data_source
        code = CustomJS(args={"source": source, "columns": names}, code=_TELL)
        source.selected.js_on_change("indices", code)
        self.tapped.append(renderer)
        return renderer


def _empty() -> figure:
    wheel, pan = WheelZoomTool(zoom_on_axis=False), PanTool()
    plot = figure(
        tools=[pan, wheel, BoxZoomTool(match_aspect=True), ResetTool()],
        x_range=DataRange1d(range_padding=0.1),
        y_range=DataRange1d(range_padding=0.1),
        match_aspect=True,
        sizing_mode="stretch_width",
        min_width=300,
        toolbar_location="above",
        background_fill_color="#FFFFFF",
    )
    plot.toolbar.update(active_scroll=wheel, active_drag=pan, logo=None)
    plot.axis.visible = False
    plot.grid.visible = False
    plot.add_layout(_scale(plot, {"ft": 1.0, "mi": 5280.0}, "bottom_left"))
    plot.add_layout(_scale(plot, {"ft": _FOOT_M, "m": 1.0, "km": 1000.0}, "bottom_right"))
    return plot


def _scale(plot: figure, units: Mapping[str, float], at: Any) -> ScaleBar:
    """A scale bar that follows the zoom, in the largest of some units of which it spans one."""
    basis: dict[str, Any] = {name: (size, name, name) for name, size in units.items()}
    kinds = ImperialLength(basis=basis, ticks=_ROUND)
    bar = ScaleBar(range=plot.x_range, unit="ft", dimensional=kinds, location=at, label="@{value} @{unit}")
    bar.update(background_fill_alpha=0.8, border_line_color=None, bar_length=0.15, padding=4, margin=4)
    return bar


def _filled(fill: Fill) -> dict[str, Any]:
    """A fill in the library's words."""
    look: dict[str, Any] = {"fill_color": None if fill.face == "none" else fill.face}
    if fill.hatch:
        scale = 6.0 if fill.hatch[0] in ".o*" else 12.0 if len(fill.hatch) < 3 else 8.0
        look |= {"hatch_pattern": _HATCH[fill.hatch[0]], "hatch_scale": scale}
        look |= {"hatch_color": fill.ink, "hatch_weight": 1.0}
    return look


def _source(data: dict[str, Any], told: pd.DataFrame | None) -> ColumnDataSource:
    columns: Any = {} if told is None else told.to_dict("list")
    return ColumnDataSource(data | columns)


def _nested(shape: shapely.Geometry, axis: int) -> list[list[list[float]]]:
    """Coordinates along one axis as the library nests them: polygons, the rings of each (the outer one first)."""
    polygons = [one for one in shapely.get_parts(shape) if one.geom_type == "Polygon" and not one.is_empty]
    return [[_axis(ring, axis) for ring in (one.exterior, *one.interiors)] for one in polygons]


def _axis(shape: Any, axis: int) -> list[float]:
    """Coordinates along one axis, to a hundredth of a foot: the library's scale bars turn small units into large."""
    found: list[float] = (shapely.get_coordinates(shape)[:, axis] / _FOOT_M).round(2).tolist()
    return found


def _no_formula(text: str) -> str:
    """Text in which the library finds no formula to typeset: a joiner without width parts its marks."""
    for mark in ("$$", r"\(", r"\[", r"\)", r"\]"):
        text = text.replace(mark, f"{mark[0]}\u2060{mark[1]}")
    return text
