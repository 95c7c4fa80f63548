"""The layers of the drawn map, each with its entries of the legend."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path

from weedzone.ground.shapes import Array
from weedzone.kit import Spreader
from weedzone.maps.frame import Entry
from weedzone.maps.label_artist import Label, Labels
from weedzone.maps.scene import Scene, seamless
from weedzone.maps.style import (
    BUFFER_DASHES,
    BUFFER_FILL,
    FEATURE,
    INK,
    TURF_EDGE,
    Fill,
    area_text,
    fill_text,
    kinds_text,
    line_xy,
    ordered,
    product_fills,
    short,
    turf_fills,
    untreated_fill,
)
from weedzone.sizing import Sized

_MOST_ALIKE = 6  # features of a kind; more of them are told by the legend alone
_OVERVIEW_PEN = 0.45


class Layers:
    """Draws the layers of one map on the axes."""

    def __init__(self, job: Sized, shown: Scene, ax: Axes, system: str) -> None:
        self.job, self.scene, self.ax, self.system = job, shown, ax, system
        self.fills = product_fills(list(job.plans))
        self.holder = "hopper" if isinstance(job.rig, Spreader) else "tank"
        self.pen = _OVERVIEW_PEN if shown.overview else 1.0

    def turf(self) -> list[Entry]:
        """Turf, quietly."""
        names = self.scene.turf_name.astype(str)
        out: list[Entry] = []
        for name, tint in turf_fills(list(dict.fromkeys(names))).items():
            style: dict[str, Any] = {"facecolor": tint, "edgecolor": TURF_EDGE, "linewidth": 0.6 * self.pen}
            self._areas(self.scene.turf[names == name], f"turf:{short(name)}", 1.0, **style)
            out.append((Patch(**style), short(name)))
        return out

    def zones(self) -> list[Entry]:
        """Zones by product, with area and tanks of each product in the legend."""
        table = self.job.zones.iloc[self.scene.zone_row]
        out: list[Entry] = []
        for (turn, name), rows in table.reset_index(drop=True).groupby(["pass", "product"], sort=False):
            fill = self.fills[name]
            again = turn > 1
            # A second pass lies over the first: hatched alone, so that both are seen.
            seen = Fill("none", fill.hatch or "////", fill.ink) if again else fill
            gid = f"zones:{short(name)}" + (f":pass {turn}" if again else "")
            swatch = self._filled(self.scene.zones[rows.index], gid, 6.0 + 0.5 * again, seen, INK)
            words = f"{short(name)}, pass {turn}" if again else short(name)
            area = area_text(float(rows["area_m2"].sum()), self.system)
            out.append((swatch, f"{words}:\n{area}, {fill_text(float(rows['tanks'].sum()), self.holder)}"))
        return out

    def untreated(self) -> list[Entry]:
        """Infested ground that is not treated, by its reason."""
        area = shapely.area(self.scene.parts)
        out: list[Entry] = []
        for name in ordered(set(self.scene.outcome)):
            mine = self.scene.outcome == name
            fill = untreated_fill(name)
            swatch = self._filled(seamless(self.scene.parts[mine]), f"untreated:{name}", 5.0, fill, fill.ink)
            out.append((swatch, f"{name}, {area_text(float(area[mine].sum()), self.system)}"))
        return out

    def keep_out(self) -> list[Entry]:
        """Features that must not be sprayed: areas, lines and points."""
        shapes, kinds = self.scene.features, self.scene.feature_kind.astype(str)
        solid, lines, points = (shapely.get_dimensions(shapes) == number for number in (2, 1, 0))
        style: dict[str, Any] = {
            "facecolor": FEATURE["fill"],
            "edgecolor": FEATURE["edge"],
            "linewidth": 0.8 * self.pen,
        }
        out: list[Entry] = []
        if solid.any():
            self._areas(shapes[solid], "keep-out", 4.0, **style)
            out.append((Patch(**style), kinds_text(list(kinds[solid]))))
        if lines.any():
            pen = {"color": FEATURE["edge"], "linewidth": 2.4 * self.pen}
            out.append(
                (self._lines(shapes[lines], "keep-out lines", 7.0, **pen), kinds_text(list(kinds[lines])))
            )
        if points.any():
            xy = shapely.get_coordinates(shapes[points])
            mark = Line2D(xy[:, 0], xy[:, 1], linestyle="none", marker="X", markersize=5.0 + 3.0 * self.pen)
            mark.set(markerfacecolor=FEATURE["edge"], markeredgecolor="#FFFFFF", markeredgewidth=0.8)
            mark.set(zorder=9.0, gid="keep-out points")
            self.ax.add_line(mark)
            out.append((mark, kinds_text(list(kinds[points]))))
        return out

    def buffers(self) -> list[Entry]:
        """Ground that the products shown keep off: one band, and on a map of one site a line for each product."""
        named = {name: shapes for name, shapes in self.scene.buffers.items() if len(shapes)}
        if not named:
            return []
        band: dict[str, Any] = {"facecolor": BUFFER_FILL, "edgecolor": "none", "alpha": 0.75}
        self._areas(seamless(np.concatenate(list(named.values()))), "buffers", 2.0, **band)
        if self.scene.overview:
            return [(Patch(**band), "buffers, the widest in use")]
        out: list[Entry] = []
        for at, (name, shapes) in enumerate(named.items()):
            pen = {
                "color": self.fills[name].ink,
                "linewidth": 1.0,
                "linestyle": (0.0, BUFFER_DASHES[at % len(BUFFER_DASHES)]),
            }
            line = self._lines(shapely.boundary(shapes), f"buffers:{short(name)}", 7.5, **pen)
            out.append((line, f"buffer for {short(name, 24)}"))
        return out

    def boundary(self) -> list[Entry]:
        """Edge of the property."""
        if not len(self.scene.boundary):
            return []
        pen = {"color": INK, "linewidth": 1.6 * self.pen, "linestyle": (0.0, (9.0, 2.5, 1.5, 2.5))}
        return [(self._lines(shapely.boundary(self.scene.boundary), "boundary", 8.0, **pen), "boundary")]

    def specks(self) -> None:
        """Sites that are too small to be seen, as dots."""
        if self.scene.specks:
            xy = shapely.get_coordinates(shapely.centroid(self.scene.hulls))
            dots = Line2D(
                xy[:, 0], xy[:, 1], linestyle="none", marker="s", markersize=4.0, color=INK, gid="sites"
            )
            self.ax.add_line(dots)

    def labels(self, *, zones: bool, kinds: bool) -> Labels | None:
        """Names of the zones or, in an overview, of the sites; then the kinds of feature where there is room."""
        wanted: list[Label] = []
        if self.scene.overview:
            wanted = [
                Label(hull, (short(name, 24), short(name, 10)), "label:site", "#777777", {"fontsize": 7.0})
                for name, hull in zip(self.scene.names, self.scene.hulls, strict=True)
            ]
        elif zones:
            wanted = self._zone_labels()
        if kinds and not self.scene.overview:
            style = {"fontsize": 7.0, "style": "italic"}
            wanted += [
                Label(shape, (short(kind, 20),), "label:kind", None, style) for shape, kind in self._rare()
            ]
        if not wanted:
            return None
        points = self.scene.features[shapely.get_dimensions(self.scene.features) == 0]
        left, bottom, right, top = self.scene.extent
        marks = shapely.buffer(points, 0.01 * max(right - left, top - bottom))
        return Labels(self.ax, wanted, np.concatenate([self.scene.zones, self.scene.parts, marks]))

    def _zone_labels(self) -> list[Label]:
        out = []
        table = self.job.zones.iloc[self.scene.zone_row]
        for shape, row in zip(self.scene.zones, table.to_dict("records"), strict=True):
            again = f", pass {row['pass']}" if row["pass"] > 1 else ""
            figures = area_text(row["area_m2"], self.system), fill_text(row["tanks"], self.holder)
            full = f"{row['zone']}  {figures[0]}\n{figures[1]}{again}"
            edge = self.fills[row["product"]].ink
            out.append(Label(shape, (full, str(row["zone"])), "label:zone", edge, {"fontsize": 7.5}))
        return out

    def _rare(self) -> list[tuple[Any, str]]:
        """Features of kinds that are rare enough to be written at each of them."""
        kinds = self.scene.feature_kind.astype(str)
        names, count = np.unique(kinds, return_counts=True)
        rare = set(names[count <= _MOST_ALIKE])
        return [(shape, kind) for shape, kind in zip(self.scene.features, kinds, strict=True) if kind in rare]

    def _filled(self, shapes: Array, gid: str, zorder: float, fill: Fill, outline: str) -> Patch:
        """Hatched ground: the hatch takes the colour of its patch's edge, so the outline is drawn by itself."""
        style: dict[str, Any] = {"facecolor": fill.face, "edgecolor": fill.ink, "hatch": fill.hatch}
        self._areas(shapes, gid, zorder, **style, linewidth=0.0)
        edge = {"facecolor": "none", "edgecolor": outline, "linewidth": 0.9 * self.pen}
        self._areas(shapes, f"{gid}:outline", zorder + 0.3, **edge)
        return Patch(**style, linewidth=0.8)

    def _areas(self, shapes: Array, gid: str, zorder: float, **style: Any) -> None:
        self.ax.add_patch(PathPatch(_path(shapes), zorder=zorder, gid=gid, **style))

    def _lines(self, shapes: Array, gid: str, zorder: float, **style: Any) -> Line2D:
        line = Line2D(*line_xy(shapes), zorder=zorder, gid=gid, **style)
        self.ax.add_line(line)
        return line


def _path(shapes: Array) -> Path:
    """One path of many polygons, holes left open."""
    polygons = shapely.get_parts(shapes)
    while (shapely.get_type_id(polygons) > 3).any():
        polygons = shapely.get_parts(polygons)
    polygons = polygons[(shapely.get_type_id(polygons) == 3) & ~shapely.is_empty(polygons)]
    # Outer rings run one way and holes the other, so that filling by winding leaves the holes.
    rings = shapely.get_rings(shapely.orient_polygons(polygons))
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    if not len(xy):
        return Path(np.empty((0, 2)), np.empty(0, dtype=Path.code_type))
    codes = np.full(len(xy), Path.LINETO, dtype=Path.code_type)
    first = np.append(True, ring[1:] != ring[:-1])
    codes[first] = Path.MOVETO
    codes[np.append(first[1:], True)] = Path.CLOSEPOLY
    return Path(xy, codes)
