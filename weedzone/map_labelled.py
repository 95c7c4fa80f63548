"""Labels of a drawn map, arranged anew whenever the map is drawn at another size or extent."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import shapely
from matplotlib.artist import Artist, allow_rasterization
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.text import Text

from weedzone.map_labels import Wanted, place
from weedzone.map_style import INK
from weedzone.shapes import Array

_PAD_PT = 2.0
_GRID_PX = 0.05  # a grid makes the overlay robust; nobody sees a twentieth of a pixel


class Labels(Artist):
    """An unseen artist that places its labels before they are drawn.

    Parameters
    ----------
    ax : Axes
    shapes : ndarray of geometry
        What each label names [data coordinates], the most important first.
    texts : sequence of sequence of str
        For each, the texts to try, the fullest first.
    must : sequence of bool
        Whether a label may stand off with a leader line.
    filled : ndarray of geometry
        Shapes that labels had better not cover [data coordinates].
    styles : sequence of dict
        Properties of each text.
    """

    def __init__(
        self,
        ax: Axes,
        shapes: Array,
        texts: Sequence[Sequence[str]],
        must: Sequence[bool],
        filled: Array,
        styles: Sequence[dict[str, Any]],
    ) -> None:
        super().__init__()
        self.set_zorder(-10.0)
        self.set_in_layout(False)
        self._shapes, self._words, self._must, self._filled = shapes, texts, must, filled
        self._state: object = None
        self.labels: list[Text] = []
        self.leaders: list[Line2D] = []
        for words, style in zip(texts, styles, strict=True):
            label = ax.text(0.0, 0.0, words[0], ha="center", va="center", clip_on=True, zorder=21, **style)
            label.set(parse_math=False, usetex=False, in_layout=False)
            leader = Line2D([], [], color=INK, linewidth=0.7, zorder=20, marker="o", markersize=2.2, markevery=[1])
            leader.set_in_layout(False)
            ax.add_line(leader)
            self.labels.append(label)
            self.leaders.append(leader)
        ax.add_artist(self)

    @allow_rasterization
    def draw(self, renderer: Any) -> None:
        """Place the labels if the size or extent has changed."""
        self.arrange(renderer)
        self.stale = False

    def arrange(self, renderer: Any) -> None:
        """Place the labels for the axes as they stand."""
        ax, figure = self.axes, self.get_figure(root=True)
        if not isinstance(ax, Axes) or figure is None:
            return
        box = ax.get_window_extent(renderer)
        state = (tuple(box.bounds), ax.get_xlim(), ax.get_ylim(), figure.dpi)
        if state == self._state:
            return
        self._state = state
        to_pixels = ax.transData

        def pixels(shapes: Array) -> Array:
            moved = shapely.transform(shapes, to_pixels.transform)
            bad = ~shapely.is_valid(moved)
            moved[bad] = shapely.make_valid(moved[bad])
            return moved

        pad = _PAD_PT * figure.dpi / 72.0
        frame = (box.x0 + pad, box.y0 + pad, box.x1 - pad, box.y1 - pad)
        view = shapely.box(*frame)
        seen = shapely.intersection(pixels(self._shapes), view, grid_size=_GRID_PX)
        wanted = [
            Wanted(shape, [self._size(number, text, renderer) for text in words], must)
            for number, (shape, words, must) in enumerate(zip(seen, self._words, self._must, strict=True))
        ]
        found = place(wanted, frame, pad, pixels(self._filled))
        back = to_pixels.inverted()
        for label, leader, words, spot in zip(self.labels, self.leaders, self._words, found, strict=True):
            label.set_visible(spot is not None)
            leader.set_visible(spot is not None and spot.anchor is not None)
            if spot is None:
                continue
            label.set_text(words[spot.text])
            x, y = back.transform((spot.x, spot.y))
            label.set_position((float(x), float(y)))
            if spot.anchor is not None:
                tip_x, tip_y = back.transform(spot.anchor)
                leader.set_data([float(x), float(tip_x)], [float(y), float(tip_y)])

    def _size(self, number: int, text: str, renderer: Any) -> tuple[float, float]:
        label = self.labels[number]
        label.set_visible(True)
        label.set_text(text)
        box = label.get_window_extent(renderer)
        patch = label.get_bbox_patch()
        if patch is not None:
            label.update_bbox_position_size(renderer)
            box = patch.get_window_extent(renderer)
        return float(box.width), float(box.height)
