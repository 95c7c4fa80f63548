"""The map of what a track covered."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pyproj

from weedzone.base import units
from weedzone.base.words import drawable

if TYPE_CHECKING:
    from geopandas import GeoDataFrame
    from matplotlib.axes import Axes

    from weedzone.records.covered.result import Coverage

MOST_NAMES = 12  # more names than this would hide the map
# Colours after Okabe and Ito (Color Universal Design, 2008) stay apart for the colour-blind; so do hatches.
STYLE: dict[str, dict[str, Any]] = {
    "missed": {"facecolor": "#FFFFFF", "edgecolor": "#8A8A8A", "hatch": "....", "linewidth": 0.4},
    "covered": {"facecolor": "#8CCFBB", "edgecolor": "none"},
    "twice": {"facecolor": "#E69F00", "edgecolor": "#7A5200", "hatch": "////", "linewidth": 0.4},
    "outside": {"facecolor": "#D9DDE6", "edgecolor": "#5A6785", "hatch": "\\\\\\\\", "linewidth": 0.4},
    "inside buffers": {"facecolor": "#D55E00", "edgecolor": "#5C1F00", "hatch": "xxxx", "linewidth": 0.8},
}
WORDS = {
    "missed": "missed",
    "covered": "covered",
    "twice": "covered twice",
    "outside": "sprayed outside the zones",
    "inside buffers": "sprayed inside a buffer",
}


def draw(done: Coverage, ax: Axes | None) -> Axes:
    """Draw covered, missed, doubled and misplaced ground, the passes, a scale and a north arrow."""
    from matplotlib import pyplot as plt
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    if ax is None:
        _, ax = plt.subplots(figsize=(8.0, 8.0), layout="constrained")
    flat = _flat(done.passes)
    frames = {
        "missed": done.missed,
        "covered": done.covered,
        "outside": done.outside,
        "twice": done.twice,
        "inside buffers": done.inside_buffers,
    }
    area_ft2 = dict(zip(done.areas["part"], done.areas["area_ft2"], strict=True))
    handles: list[Patch | Line2D] = []
    for order, (name, table) in enumerate(frames.items()):
        if not len(table):
            continue
        table.to_crs(flat).plot(ax=ax, zorder=order + 1, aspect=None, **STYLE[name])
        label = f"{WORDS[name]}, {area_ft2[name]:,.0f} ft²"
        handles.append(Patch(**STYLE[name], label=label))
    done.zones.to_crs(flat).boundary.plot(ax=ax, color="#222222", linewidth=1.4, zorder=8, aspect=None)
    done.passes.to_crs(flat).plot(ax=ax, color="#1B3A6B", linewidth=0.7, zorder=9, aspect=None)
    handles += [
        Line2D([], [], color="#222222", linewidth=1.4, label="edge of the zones"),
        Line2D(
            [], [], color="#1B3A6B", linewidth=0.7, label=f"way of the sprayer, {len(done.passes)} pass(es)"
        ),
    ]
    named = done.zones.to_crs(flat) if len(done.zones) <= MOST_NAMES else done.zones.iloc[:0].to_crs(flat)
    for name, spot in zip(named["zone"], named.representative_point(), strict=True):
        ax.annotate(
            drawable(str(name)),
            (spot.x, spot.y),
            ha="center",
            zorder=10,
            bbox={"facecolor": "white", "pad": 2.0},
        )
    ax.set_aspect("equal")
    ax.margins(0.04)
    ax.set_xticks([])
    ax.set_yticks([])
    ax.set(xlabel="", ylabel="")
    ax.set_title(
        f"As applied, swath {units.convert(done.swath_m, 'length', 'ft'):.1f} ft"
        " (where the receiver went; no proof of dose)",
        loc="left",
        fontsize=11,
    )
    ax.legend(handles=handles, loc="upper left", bbox_to_anchor=(0.0, -0.09), ncols=2, frameon=False)
    _scale_and_north(ax)
    return ax


def _flat(passes: GeoDataFrame) -> pyproj.CRS:
    """A local system in metres, so that shapes look as they do on the ground."""
    west, south, east, north = passes.to_crs("EPSG:4326").total_bounds
    return pyproj.CRS.from_dict(
        {
            "proj": "laea",
            "lat_0": (south + north) / 2,
            "lon_0": (west + east) / 2,
            "datum": "WGS84",
            "units": "m",
        }
    )


def _scale_and_north(ax: Axes) -> None:
    left, right = ax.get_xlim()
    wide_ft = units.convert((right - left) / 5, "length", "ft")
    size = 10.0 ** np.floor(np.log10(wide_ft))
    length_ft = size * max(step for step in (1, 2, 5) if step * size <= wide_ft)
    share = units.to_si(f"{length_ft:g} ft", "length") / (right - left)
    ax.plot([0.0, share], [-0.04, -0.04], transform=ax.transAxes, color="#222222", linewidth=3, clip_on=False)
    ax.text(share + 0.01, -0.04, f"{length_ft:g} ft", transform=ax.transAxes, va="center", fontsize=9)
    ax.annotate(
        "N",
        xy=(0.97, -0.01),
        xytext=(0.97, -0.09),
        xycoords="axes fraction",
        ha="center",
        va="center",
        fontsize=9,
        arrowprops={"arrowstyle": "-|>", "color": "#222222"},
        annotation_clip=False,
    )
