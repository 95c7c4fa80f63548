"""The zone map: what is sprayed with which product, what is not and why, drawn with matplotlib."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from weedzone.base.errors import InputError, refuse_unless
from weedzone.base.words import drawable
from weedzone.kit import Spreader
from weedzone.maps.scene import Scene, heading, scene
from weedzone.maps.style import short
from weedzone.sizing import Sized, check_job

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from weedzone.maps.drawn_layers import Layers
    from weedzone.maps.frame import Entry
    from weedzone.maps.label_artist import Labels

_LONGEST_IN = 7.0
_OVERVIEW_IN = 10.0
_LEGEND_IN = 2.7
_MARGIN = 0.05
_RIM_IN = 0.08
_MOST_TRIMS = 5


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
    check_job(job)
    refuse_unless(
        ax is None or hasattr(ax, "set_xlim"), ax, "axes of matplotlib", "ax", "leave it out for a new figure"
    )
    if legend not in (True, False, "right", "below"):
        raise InputError(f"the legend cannot go {legend!r}", field="legend", mend='write "right" or "below"')
    if system not in ("us", "metric"):
        raise InputError(f"no system of units {system!r}", field="system", mend='write "us" or "metric"')
    from weedzone.maps import frame as map_frame
    from weedzone.maps.drawn_layers import Layers

    shown = scene(job, site)
    where = legend if isinstance(legend, str) else _beside(shown) if legend else ""
    own = ax is None
    ax = _new_axes(shown, where) if ax is None else ax
    _set_view(ax, shown)
    layers = Layers(job, shown, ax, system)
    wanted = {"turf": turf, "zones": zones, "untreated": untreated, "keep_out": keep_out, "buffers": buffers}
    groups = _draw(layers, {**wanted, "boundary": boundary}, spread=isinstance(job.rig, Spreader))
    placer = layers.labels(zones=zones, kinds=keep_out) if labels else None
    _head(ax, job, shown, title)
    strip = map_frame.strip(ax, scale=scale, north=north, cautions=cautions)
    if where:
        map_frame.legend(ax, groups, where, strip)
    if own:
        _trim(ax, placer)
    elif placer is not None:
        ax.apply_aspect()
        placer.arrange()
    return ax


def _draw(layers: Layers, wanted: dict[str, bool], *, spread: bool) -> list[tuple[str, list[Entry]]]:
    """Draw the layers wanted; their entries of the legend, in groups."""
    key = {name: getattr(layers, name)() if on else [] for name, on in wanted.items()}
    layers.specks()
    return [
        ("Spread" if spread else "Sprayed", key["zones"]),
        ("Infested, left alone", key["untreated"]),
        ("Kept out", key["keep_out"] + key["buffers"]),
        ("Ground", key["boundary"] + key["turf"]),
    ]


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


def _head(ax: Axes, job: Sized, shown: Scene, title: str | None) -> None:
    title = heading(job, shown) if title is None else title
    head = ax.set_title(drawable(short(title, 80)), loc="left", fontsize=11.0)
    head.set(parse_math=False, usetex=False)


def _trim(ax: Axes, placer: Labels | None) -> None:
    """Cut the figure to what is on it: the ground has its own shape, and the legend its own length."""
    from weedzone.maps.frame import figure_of

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
