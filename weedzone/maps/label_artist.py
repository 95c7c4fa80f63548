"""Labels of a drawn map, arranged anew whenever the map is drawn at another size or extent."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.text import Text

from weedzone.base.words import drawable
from weedzone.ground.shapes import Array
from weedzone.maps.frame import figure_of
from weedzone.maps.label_places import Wanted, place
from weedzone.maps.style import INK

_PAD_PT = 2.0
_BOX_PAD = 0.2  # of the letters' size
_GRID_PX = 0.05  # a grid makes the overlay robust; nobody sees a twentieth of a pixel


@dataclass(frozen=True)
class Label:
    """One label asked for.

    Attributes
    ----------
    shape : geometry
        What it names [data coordinates].
    texts : tuple of str
        Texts to try, the fullest first.
    gid : str
    boxed : str or None
        Colour of the edge of its box; without one it has no box, and is left out where it does not fit
        beside what it names.
    style : dict
        Properties of the text.
    """

    shape: shapely.Geometry
    texts: tuple[str, ...]
    gid: str
    boxed: str | None = None
    style: dict[str, Any] = field(default_factory=dict)


class Labels(Artist):
    """An unseen artist that places its labels before they are drawn.

    Parameters
    ----------
    ax : Axes
    wanted : sequence of Label
        The most important first.
    filled : ndarray of geometry
        Polygons that labels had better not cover [data coordinates].
    """

    def __init__(self, ax: Axes, wanted: Sequence[Label], filled: Array) -> None:
        super().__init__()
        self.set_zorder(-10.0)
        self.set_in_layout(False)
        self._wanted, self._filled = wanted, filled
        self._shapes = np.array([one.shape for one in wanted], dtype=object)
        self._state: object = None
        self.texts = [_text(ax, one) for one in wanted]
        self.leaders = [_leader(ax, one) for one in wanted]
        ax.add_artist(self)

    def draw(self, renderer: Any) -> None:
        """Place the labels if the size or extent has changed; while this is unseen they stay where they are."""
        if self.get_visible():
            self.arrange(renderer)
        self.stale = False

    def arrange(self, renderer: Any = None) -> None:
        """Place the labels for the axes as they stand."""
        ax = self.axes
        assert isinstance(ax, Axes)
        figure = figure_of(ax)
        box = ax.get_window_extent(renderer)
        state = (tuple(box.bounds), ax.get_xlim(), ax.get_ylim(), figure.dpi)
        if state == self._state:
            return
        self._state = state
        pad = _PAD_PT * figure.dpi / 72.0
        frame = (box.x0 + pad, box.y0 + pad, box.x1 - pad, box.y1 - pad)
        seen = shapely.intersection(self._pixels(self._shapes), shapely.box(*frame), grid_size=_GRID_PX)
        wanted = [
            Wanted(
                shape, [_size(text, drawable(words), renderer) for words in one.texts], one.boxed is not None
            )
            for shape, one, text in zip(seen, self._wanted, self.texts, strict=True)
        ]
        found = place(wanted, frame, pad, shapely.get_parts(self._pixels(self._filled)))
        back = ax.transData.inverted()
        for text, leader, one, spot in zip(self.texts, self.leaders, self._wanted, found, strict=True):
            text.set_visible(spot is not None)
            leader.set_visible(spot is not None and spot.anchor is not None)
            if spot is None:
                continue
            x, y = back.transform((spot.x, spot.y))
            text.set(text=drawable(one.texts[spot.text]), position=(float(x), float(y)))
            if spot.anchor is not None:
                tip_x, tip_y = back.transform(spot.anchor)
                leader.set_data([float(x), float(tip_x)], [float(y), float(tip_y)])

    def _pixels(self, shapes: Array) -> Array:
        ax = self.axes
        assert isinstance(ax, Axes)
        moved = np.asarray(shapely.transform(shapes, ax.transData.transform), dtype=object)
        bad = ~shapely.is_valid(moved)
        moved[bad] = shapely.make_valid(moved[bad], method="structure", keep_collapsed=False)
        return moved


def _text(ax: Axes, one: Label) -> Text:
    text = ax.text(0.0, 0.0, drawable(one.texts[0]), ha="center", va="center", clip_on=True, zorder=21.0)
    text.set(color=INK, gid=one.gid, parse_math=False, usetex=False, in_layout=False, **one.style)
    if one.boxed is None:
        from matplotlib.patheffects import withStroke

        text.set_path_effects([withStroke(linewidth=2.0, foreground="#FFFFFF")])
    else:
        style = f"round,pad={_BOX_PAD}"
        text.set_bbox({"boxstyle": style, "facecolor": "#FFFFFF", "edgecolor": one.boxed, "linewidth": 0.8})
    return text


def _leader(ax: Axes, one: Label) -> Line2D:
    leader = Line2D([], [], color=INK, linewidth=0.8, zorder=20.0, marker="o", markersize=2.4, markevery=[1])
    leader.set(gid=f"{one.gid}:leader", in_layout=False, visible=False)
    ax.add_line(leader)
    return leader


def _size(text: Text, words: str, renderer: Any) -> tuple[float, float]:
    """Width and height of a text with its box [pixels]."""
    text.set(visible=True, text=words)
    box = text.get_window_extent(renderer)
    figure = figure_of(text)
    rim = (
        2.0 * _BOX_PAD * float(text.get_fontsize()) * figure.dpi / 72.0
        if text.get_bbox_patch() is not None
        else 0.0
    )
    return float(box.width + rim), float(box.height + rim)
