"""The map of what a track covered."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from weedzone.base.units import FT_PER_M
from weedzone.base.words import drawable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from weedzone.records.covered.result import Coverage

MOST_NAMES = 12  # more names than this would hide the map
INK, WAY = "#222222", "#1B3A6B"
# Colours after Okabe and Ito (Color Universal Design, 2008) stay apart for the colour-blind; so do hatches.
PARTS: dict[str, tuple[str, dict[str, Any]]] = {
    "missed": ("missed", {"facecolor": "#FFFFFF", "edgecolor": "#8A8A8A", "hatch": "....", "linewidth": 0.4}),
    "covered": ("covered", {"facecolor": "#8CCFBB", "edgecolor": "none"}),
    "outside": (
        "sprayed outside the zones",
        {"facecolor": "#D9DDE6", "edgecolor": "#5A6785", "hatch": "\\\\\\\\", "linewidth": 0.4},
    ),
    "twice": (
        "covered twice",
        {"facecolor": "#E69F00", "edgecolor": "#7A5200", "hatch": "////", "linewidth": 0.4},
    ),
    "inside buffers": (
        "sprayed inside a buffer",
        {"facecolor": "#D55E00", "edgecolor": "#5C1F00", "hatch": "xxxx", "linewidth": 0.8},
    ),
}
"""What each part of the ground is called and how it looks, the lowest first."""


def draw(done: Coverage, ax: Axes | None) -> Axes:
    """Draw covered, missed, doubled and misplaced ground, the passes, a scale and a north arrow."""
    from matplotlib import pyplot as plt
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    if ax is None:
        _, ax = plt.subplots(figsize=(8.0, 8.0), layout="constrained")
    # A local system in metres, so that shapes look as they do on the ground.
    west, south, east, north = done.passes.to_crs("EPSG:4326").total_bounds
    flat = f"+proj=laea +lat_0={(south + north) / 2} +lon_0={(west + east) / 2} +datum=WGS84 +units=m"
    zones = done.zones.to_crs(flat)
    area_ft2 = done.areas.set_index("part")["area_ft2"]
    handles: list[Patch | Line2D] = []
    for order, (part, (words, style)) in enumerate(PARTS.items(), 1):
        table = getattr(done, part.replace(" ", "_"))
        if len(table):
            table.to_crs(flat).plot(ax=ax, zorder=order, aspect=None, **style)
            handles.append(Patch(**style, label=f"{words}, {area_ft2[part]:,.0f} ft²"))
    zones.boundary.plot(ax=ax, color=INK, linewidth=1.4, zorder=8, aspect=None)
    done.passes.to_crs(flat).plot(ax=ax, color=WAY, linewidth=0.7, zorder=9, aspect=None)
    way = f"way of the sprayer, {len(done.passes)} pass(es)"
    handles.append(Line2D([], [], color=INK, linewidth=1.4, label="edge of the zones"))
    handles.append(Line2D([], [], color=WAY, linewidth=0.7, label=way))
    if len(zones) <= MOST_NAMES:
        box = {"facecolor": "white", "pad": 2.0}
        for name, spot in zip(zones["zone"], zones.representative_point(), strict=True):
            ax.annotate(drawable(str(name)), (spot.x, spot.y), ha="center", zorder=10, bbox=box)
    ax.set_aspect("equal")
    ax.margins(0.04)
    ax.set(xticks=[], yticks=[], xlabel="", ylabel="")
    title = f"As applied, swath {done.swath_m * FT_PER_M:.1f} ft (where the receiver went; no proof of dose)"
    ax.set_title(title, loc="left", fontsize=11)
    ax.legend(handles=handles, loc="upper left", bbox_to_anchor=(0.0, -0.09), ncols=2, frameon=False)
    _scale_and_north(ax)
    return ax


def _scale_and_north(ax: Axes) -> None:
    left, right = ax.get_xlim()
    wide_ft = (right - left) * FT_PER_M
    size = 10.0 ** np.floor(np.log10(wide_ft / 5))
    length_ft = size * max(step for step in (1, 2, 5) if step * size <= wide_ft / 5)
    share = length_ft / wide_ft
    ax.plot([0.0, share], [-0.04, -0.04], transform=ax.transAxes, color=INK, linewidth=3, clip_on=False)
    ax.text(share + 0.01, -0.04, f"{length_ft:g} ft", transform=ax.transAxes, va="center", fontsize=9)
    arrow = {"arrowstyle": "-|>", "color": INK}
    at: dict[str, Any] = {
        "xycoords": "axes fraction",
        "ha": "center",
        "va": "center",
        "annotation_clip": False,
    }
    ax.annotate("N", xy=(0.97, -0.01), xytext=(0.97, -0.09), fontsize=9, arrowprops=arrow, **at)
