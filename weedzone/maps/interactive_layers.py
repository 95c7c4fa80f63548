"""The layers of the interactive map."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from bokeh.core.properties import value
from bokeh.models import (  # type: ignore[attr-defined]  # its list of names is made as it is loaded
    BoxZoomTool,
    ColumnDataSource,
    CustomJS,
    DataRange1d,
    HoverTool,
    ImperialLength,
    Legend,
    LegendItem,
    PanTool,
    ResetTool,
    ScaleBar,
    TapTool,
    WheelZoomTool,
)
from bokeh.plotting import figure

from weedzone.base.units import FT2_PER_M2, show
from weedzone.ground.shapes import Array
from weedzone.kit import Spreader
from weedzone.maps.label_places import Wanted, place
from weedzone.maps.scene import Scene, seamless
from weedzone.maps.style import (
    BUFFER_FILL,
    FEATURE,
    INK,
    TURF_EDGE,
    area_text,
    fill_text,
    ordered,
    product_fills,
    short,
    turf_fills,
    untreated_fill,
)
from weedzone.sizing import Sized, plain_amount

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


def draw(job: Sized, shown: Scene, system: str) -> figure:
    """Draw every layer of a scene, with a key whose entries switch them."""
    return _Drawing(job, shown, system).plot


class _Drawing:
    def __init__(self, job: Sized, shown: Scene, system: str) -> None:
        # In feet: the library's scale bars turn small units into larger ones, and never the other way.
        self.job, self.scene, self.system = job, _in_feet(shown), system
        self.fills = product_fills(list(job.plans))
        self.items: list[tuple[int, LegendItem]] = []
        self.framed: list[Any] = []
        self.tapped: list[Any] = []
        self.plot = _empty()
        # Drawn from the ground up; the key tells of the zones first.
        for layer in (
            self._turf,
            self._buffers,
            self._keep_out,
            self._untreated,
            self._zones,
            self._boundary,
        ):
            layer()
        self._names()
        if self.framed:
            for one in (self.plot.x_range, self.plot.y_range):
                one.update(renderers=self.framed)
        self.plot.add_tools(TapTool(renderers=self.tapped, visible=False))
        rows = -(-len(self.items) // 2)
        key = Legend(
            items=self._ordered(), ncols=2, click_policy="hide", location="left", border_line_color=None
        )
        key.update(label_text_font_size="12px", glyph_height=18, glyph_width=18, spacing=2, padding=2)
        # Two columns that do not touch, and fit a phone.
        longest = max((len(one.label.value) for _, one in self.items), default=0)
        key.update(label_width=int(min(5.5 * longest + 8, 142)))
        key.update(inactive_fill_color="#FFFFFF", inactive_fill_alpha=0.75)
        self.plot.add_layout(key, "below")
        self.plot.height = _MAP_PX + rows * _KEY_ROW_PX

    def _ordered(self) -> list[LegendItem]:
        """Entries of the key: zones, ground left alone, what is kept out, boundary, turf, names."""
        return [item for _, item in sorted(self.items, key=lambda one: one[0])]

    def _turf(self) -> None:
        names = self.scene.turf_name.astype(str)
        for name, tint in turf_fills(list(dict.fromkeys(names))).items():
            style = {"fill_color": tint, "line_color": TURF_EDGE}
            drawn = self._areas(self.scene.turf[names == name], {}, **style)
            self.framed.append(drawn)
            self._key(5, f"turf: {short(name, 20)}", drawn)

    def _zones(self) -> None:
        table = self.job.zones.iloc[self.scene.zone_row].drop(columns="geometry").reset_index(drop=True)
        holder = "hopper" if isinstance(self.job.rig, Spreader) else "tank"
        for name, rows in table.groupby("product", sort=False):
            fill = self.fills[name]
            columns = {
                "site": [short(one) for one in rows["site"]],
                "zone": list(rows["zone"]),
                "product": [short(one) for one in rows["product"]],
                "turf": [short(one, 40) for one in rows["turf"]],
                "weeds": [short(one, 60) for one in rows["weeds"]],
                "dose": list(rows["dose"]),
                "area": [area_text(one, self.system) for one in rows["area_m2"]],
                "tanks": [fill_text(one, holder) for one in rows["tanks"]],
                "amount": [
                    plain_amount(one, unit, self.system)
                    for one, unit in zip(rows["product_amount"], rows["product_unit"], strict=True)
                ],
                "caution": [short(one, 80) if one else "none named" for one in rows["caution"]],
            }
            drawn = self._areas(
                self.scene.zones[rows.index], columns, fill_color=fill.face, line_color=INK, line_width=1.2,
                **_hatched(fill.hatch, fill.ink),
            )  # fmt: skip
            self.framed.append(drawn)
            self._key(0, short(name, 22), drawn)
            shown = ("site", "zone", "product", "amount", "area", "tanks", "dose", "turf", "weeds", "caution")
            self._told(drawn, shown)

    def _untreated(self) -> None:
        ground = self.job.ground.drop(columns="geometry").iloc[self.scene.part_row].reset_index(drop=True)
        for name in ordered(set(self.scene.outcome)):
            mine = np.flatnonzero(self.scene.outcome == name)
            rows, fill = ground.iloc[mine], untreated_fill(name)
            columns = {
                "site": [short(one) for one in rows["site"]],
                "left_alone": [name] * len(mine),
                "reason": [short(one, 80) for one in rows["reason"]],
                "weeds": [short(one, 60) for one in rows["weeds"]],
                "area": [area_text(one, self.system) for one in rows["area_m2"]],
            }
            face = None if fill.face == "none" else fill.face
            drawn = self._areas(
                self.scene.parts[mine], columns, fill_color=face, line_color=fill.ink,
                **_hatched(fill.hatch, fill.ink),
            )  # fmt: skip
            self.framed.append(drawn)
            self._key(1, f"left: {name}", drawn)
            self._told(drawn, ("site", "left_alone", "reason", "weeds", "area"))

    def _keep_out(self) -> None:
        shapes, kinds = self.scene.features, self.scene.feature_kind.astype(str)
        reach = [
            show(one, "length", self.system) if one > 0 else "none" for one in self.scene.feature_reach_m
        ]
        dimension = shapely.get_dimensions(shapes)
        renderers = []
        for number in (2, 1, 0):
            mine = np.flatnonzero(dimension == number)
            if not len(mine):
                continue
            columns = {
                "kept_out": [short(kinds[at], 40) for at in mine],
                "widest_buffer": [reach[at] for at in mine],
            }
            if number == 2:
                style = {"fill_color": FEATURE["fill"], "line_color": FEATURE["edge"]}
                drawn = self._areas(shapes[mine], columns, **style)
            elif number == 1:
                lines, of = shapely.get_parts(shapes[mine], return_index=True)
                data: dict[str, Any] = {"xs": _axis(lines, 0), "ys": _axis(lines, 1)}
                data |= {name: [values[at] for at in of] for name, values in columns.items()}
                drawn = self.plot.multi_line(
                    "xs", "ys", source=ColumnDataSource(data), line_color=FEATURE["edge"], line_width=3
                )
            else:
                points, of = shapely.get_parts(shapes[mine], return_index=True)
                x, y = shapely.get_coordinates(points).round(2).T
                data = {"x": x.tolist(), "y": y.tolist()}
                data |= {name: [values[at] for at in of] for name, values in columns.items()}
                drawn = self.plot.scatter(
                    "x",
                    "y",
                    source=ColumnDataSource(data),
                    marker="x",
                    size=11,
                    line_width=3,
                    line_color=FEATURE["edge"],
                )
            renderers.append(drawn)
            self._told(drawn, ("kept_out", "widest_buffer"))
        if renderers:
            self._key(2, "keep-out features", *renderers)

    def _buffers(self) -> None:
        for at, (name, shapes) in enumerate(self.scene.buffers.items()):
            if not len(shapes):
                continue
            drawn = self._areas(
                seamless(shapes), {}, fill_color=BUFFER_FILL, fill_alpha=0.5, line_color=self.fills[name].ink,
                line_dash=_DASHES[at % len(_DASHES)],
            )  # fmt: skip
            self._key(3, f"buffer: {short(name, 18)}", drawn)

    def _boundary(self) -> None:
        if len(self.scene.boundary):
            style = {"fill_color": None, "line_color": INK, "line_width": 2, "line_dash": "dotdash"}
            drawn = self._areas(self.scene.boundary, {}, **style)
            self.framed.append(drawn)
            self._key(4, "boundary", drawn)

    def _names(self) -> None:
        if self.scene.overview:
            points = shapely.get_coordinates(shapely.centroid(self.scene.hulls))
            texts = [short(one, 24) for one in self.scene.names]
        else:
            points = shapely.get_coordinates(shapely.point_on_surface(self.scene.zones))
            texts = list(self.job.zones["zone"].iloc[self.scene.zone_row])
        if not len(points):
            return
        points, leaders = self._apart(points, texts)
        data = {
            "x": points[:, 0].tolist(),
            "y": points[:, 1].tolist(),
            "text": [_no_formula(one) for one in texts],
        }
        drawn_leaders = []
        if len(leaders):
            ends = dict(zip(("x0", "y0", "x1", "y1"), leaders.T.tolist(), strict=True))
            source = ColumnDataSource(ends)
            drawn_leaders = [self.plot.segment("x0", "y0", "x1", "y1", source=source, line_color=INK)]
        drawn = self.plot.text(
            "x", "y", "text", source=ColumnDataSource(data), text_font_size="12px", text_align="center",
            text_baseline="middle", text_color=INK,
        )  # fmt: skip
        drawn.glyph.update(background_fill_color="#FFFFFF", background_fill_alpha=0.8, padding=1)
        self._key(6, "names", drawn, *drawn_leaders)

    def _apart(self, points: Array, texts: Sequence[str]) -> tuple[Array, Array]:
        """Places of labels that keep off one another as the page opens, and the leaders of those that stand off."""
        none = np.empty((0, 4))
        if len(points) > _MOST_PLACED:
            return points, none
        shown = [*self.scene.turf, *self.scene.zones, *self.scene.hulls]
        west, south, east, north = shapely.total_bounds(np.array(shown, dtype=object))
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
        for number, found in enumerate(place(wanted, frame, 2.0, spots[:0])):
            if found is not None:
                at[number] = origin + scale * np.array([found.x, found.y])
                if found.anchor is not None:
                    leaders.append([*at[number], *points[number]])
        return at, np.array(leaders) if leaders else none

    def _areas(self, shapes: Array, columns: Mapping[str, Sequence[object]], **style: Any) -> Any:
        xs, ys = _nested(shapes)
        source = ColumnDataSource({"xs": xs, "ys": ys, **columns})
        return self.plot.multi_polygons("xs", "ys", source=source, **style)

    def _key(self, group: int, words: str, *renderers: Any) -> None:
        self.items.append((group, LegendItem(label=value(_no_formula(words)), renderers=list(renderers))))

    def _told(self, renderer: Any, columns: Sequence[str]) -> None:
        """Tell a shape's figures where it is pointed at, and below the map where it is tapped."""
        tips = [(name.replace("_", " "), f"@{name}") for name in columns]
        self.plot.add_tools(
            HoverTool(renderers=[renderer], tooltips=tips, visible=False, point_policy="follow_mouse")
        )
        # A tapped shape is told of, and nothing else fades.
        renderer.update(nonselection_glyph=None, selection_glyph=None)
        source = renderer.data_source
        told = CustomJS(args={"source": source, "columns": list(columns)}, code=_TELL)
        source.selected.js_on_change("indices", told)
        self.tapped.append(renderer)


def _in_feet(shown: Scene) -> Scene:
    def scaled(shapes: Array) -> Array:
        return np.asarray(shapely.transform(shapes, lambda xy: xy / _FOOT_M), dtype=object)

    named = ("hulls", "turf", "zones", "parts", "features", "boundary")
    moved = {name: scaled(getattr(shown, name)) for name in named}
    return replace(shown, **moved, buffers={name: scaled(one) for name, one in shown.buffers.items()})


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


def _scale(plot: figure, units: Mapping[str, float], at: str) -> ScaleBar:
    """A scale bar that follows the zoom, in the largest of some units of which it spans one."""
    basis: dict[str, Any] = {name: (size, name, name) for name, size in units.items()}
    kinds = ImperialLength(basis=basis, ticks=_ROUND)
    bar = ScaleBar(range=plot.x_range, unit="ft", dimensional=kinds, location=at, label="@{value} @{unit}")
    bar.update(background_fill_alpha=0.8, border_line_color=None, bar_length=0.15, padding=4, margin=4)
    return bar


def _hatched(hatch: str, ink: str) -> dict[str, Any]:
    if not hatch:
        return {}
    scale = 6.0 if hatch[0] in ".o*" else 12.0 if len(hatch) < 3 else 8.0
    return {"hatch_pattern": _HATCH[hatch[0]], "hatch_color": ink, "hatch_scale": scale, "hatch_weight": 1.0}


def _nested(shapes: Array) -> tuple[list[Any], list[Any]]:
    """Coordinates as the library nests them: shapes, their polygons, the rings of each (the outer one first)."""
    xs: list[Any] = []
    ys: list[Any] = []
    for shape in shapes:
        polygons = [
            one for one in shapely.get_parts(shape) if one.geom_type == "Polygon" and not one.is_empty
        ]
        rings = [[one.exterior, *one.interiors] for one in polygons]
        xs.append([_axis(np.array(one, dtype=object), 0) for one in rings])
        ys.append([_axis(np.array(one, dtype=object), 1) for one in rings])
    return xs, ys


def _axis(lines: Array, axis: int) -> list[list[float]]:
    """Coordinates of lines along one axis, to a hundredth of a foot."""
    return [shapely.get_coordinates(line)[:, axis].round(2).tolist() for line in lines]


def _no_formula(text: str) -> str:
    """Text in which the library finds no formula to typeset: a joiner without width parts its marks."""
    for mark in ("$$", r"\(", r"\[", r"\)", r"\]"):
        text = text.replace(mark, f"{mark[0]}\u2060{mark[1]}")
    return text
