"""What is written round a drawn map and on it.

Scale, north arrow, cautions and legend stand outside of the shapes; labels are arranged anew whenever the map is
drawn at another size or extent.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.legend import Legend
from matplotlib.lines import Line2D
from matplotlib.offsetbox import AnchoredOffsetbox, AuxTransformBox, HPacker, TextArea, VPacker
from matplotlib.patches import Patch, Polygon
from matplotlib.text import Text
from matplotlib.transforms import IdentityTransform, ScaledTranslation

from weedzone.base.units import FT2_PER_M2
from weedzone.base.words import MAP_CAUTIONS, drawable
from weedzone.ground.shapes import Array
from weedzone.maps.label_places import Wanted, place
from weedzone.maps.style import INK

_SMALL = 7.5
_PAD_PT = 2.0
_BOX_PAD = 0.2  # of the letters' size
_GRID_PX = 0.05  # a grid makes the overlay robust; nobody sees a twentieth of a pixel
_FOOT_M = 1.0 / FT2_PER_M2**0.5

Entry = tuple[Artist, str]


def strip(ax: Axes, *, scale: bool, north: bool, cautions: bool) -> AnchoredOffsetbox | None:
    """Scale bars, north arrow and cautions in a strip below the map."""
    first: list[Any] = []
    if scale:
        first.append(_scale(ax))
    if north:
        first.append(_north(ax))
    rows: list[Any] = [HPacker(children=first, align="center", pad=0, sep=18)] if first else []
    if cautions:
        lines = [part for line in MAP_CAUTIONS for part in textwrap.wrap(line, _characters(ax))]
        rows.append(_words("\n".join(lines), size=_SMALL))
    if not rows:
        return None
    child = VPacker(children=rows, align="left", pad=0, sep=6)
    corner: dict[str, Any] = {"bbox_to_anchor": (0.0, 0.0), "bbox_transform": ax.transAxes}
    box = AnchoredOffsetbox("upper left", child=child, pad=0.0, borderpad=0.6, frameon=False, **corner)
    box.set_clip_on(False)
    box.set_gid("strip")
    ax.add_artist(box)
    return box


def legend(
    ax: Axes, groups: Sequence[tuple[str, Sequence[Entry]]], where: str, under: AnchoredOffsetbox | None
) -> Legend | None:
    """A legend in groups, to the right of the map or below it, under what stands there."""
    columns = _columns(groups, _column_count(ax) if where == "below" else 1)
    if where == "below":  # rows of one height, so that the columns end together
        columns = [
            [(handle, words.replace(":\n", ": "), weight) for handle, words, weight in one] for one in columns
        ]
    entries = [entry for column in columns for entry in column]
    if not entries:
        return None
    figure = figure_of(ax)
    place: dict[str, Any] = {"bbox_to_anchor": (1.02, 1.0)}
    if where == "below":
        down_pt = 6.0 if under is None else under.get_window_extent().height * 72.0 / figure.dpi + 10.0
        down = ScaledTranslation(0.0, -down_pt / 72.0, figure.dpi_scale_trans)
        place = {"bbox_to_anchor": (0.0, 0.0), "bbox_transform": ax.transAxes + down, "ncols": len(columns)}
    place |= {"frameon": False, "fontsize": 8.0, "borderaxespad": 0.0}
    place |= {"handlelength": 2.8, "handleheight": 1.5, "labelspacing": 0.35}
    # The words are set afterwards, as plain text: a name such as "_a" or "$x$" means nothing more.
    handles = [handle for handle, _, _ in entries]
    drawn = ax.legend(handles, ["-"] * len(entries), loc="upper left", **place)
    for text, (_, words, weight) in zip(drawn.get_texts(), entries, strict=True):
        text.set(text=drawable(words), parse_math=False, usetex=False, weight=weight)
    drawn.set_gid("legend")
    return drawn


def _columns(groups: Sequence[tuple[str, Sequence[Entry]]], most: int) -> list[list[tuple[Artist, str, str]]]:
    """Entries in columns of equal length, no group torn apart unless there is but one column."""
    blocks = [
        [(Patch(visible=False), heading, "bold"), *((handle, words, "normal") for handle, words in members)]
        for heading, members in groups
        if members
    ]
    columns: list[list[tuple[Artist, str, str]]] = []
    share = sum(map(len, blocks)) / most
    for block in blocks:
        full = not columns or (len(columns) < most and len(columns[-1]) + len(block) / 2 > share)
        if full:
            columns.append([])
        columns[-1] += block
    longest = max(map(len, columns), default=0)
    return [column + [(Patch(visible=False), "", "normal")] * (longest - len(column)) for column in columns]


def _column_count(ax: Axes) -> int:
    figure = figure_of(ax)
    return max(1, min(4, int(ax.get_window_extent().width / figure.dpi / 2.4)))


def figure_of(artist: Artist) -> Figure:
    """The whole figure that an artist stands on, also from within a part of it."""
    figure = artist.figure
    assert figure is not None
    return figure if isinstance(figure, Figure) else figure.figure


def round_length(most: float) -> float:
    """The largest of 1, 2 or 5 times a power of ten that is not above `most`."""
    size = 10.0 ** np.floor(np.log10(most))
    return float(size * max(step for step in (1.0, 2.0, 5.0) if step * size <= most * (1 + 1e-9)))


def _characters(ax: Axes) -> int:
    """Letters of the cautions that go into the width of the map."""
    width_pt = ax.get_window_extent().width * 72.0 / figure_of(ax).dpi
    return max(46, int(width_pt / (_SMALL * 0.52)))


def _scale(ax: Axes) -> Any:
    """A bar of round feet over a bar of round metres, true at any zoom."""
    left, right = sorted(ax.get_xlim())
    room = max(right - left, 1e-6) * 0.3
    rows: list[Any] = []
    for unit, metres in (("ft", _FOOT_M), ("m", 1.0)):
        length = round_length(room / metres)
        bar = AuxTransformBox(ax.transData)
        bar.add_artist(_bar(length * metres, INK, 4.0))
        if unit == "m":
            bar.add_artist(_bar(length * metres / 2, "#FFFFFF", 2.4))
        told = _words(f"{length:,g} {unit}", size=8.0)
        rows.append(HPacker(children=[bar, told], align="center", pad=0, sep=5))
    return VPacker(children=rows, align="left", pad=0, sep=2)


def _bar(length_m: float, colour: str, width_pt: float) -> Line2D:
    return Line2D([0.0, length_m], [0.0, 0.0], color=colour, linewidth=width_pt, solid_capstyle="butt")


def _north(ax: Axes) -> Any:
    figure = figure_of(ax)
    arrow = AuxTransformBox(IdentityTransform() + figure.dpi_scale_trans)
    for left, face in ((0, INK), (10, "#FFFFFF")):
        half = np.array([[left, 0], [5, 4], [5, 20]]) / 72.0
        arrow.add_artist(Polygon(half, closed=True, facecolor=face, edgecolor=INK, linewidth=0.8))
    return HPacker(children=[arrow, _words("N", size=9.0, weight="bold")], align="center", pad=0, sep=3)


def _words(text: str, **style: Any) -> TextArea:
    area = TextArea(text, textprops={"color": INK, **style})
    for one in area.get_children():
        one.set(parse_math=False, usetex=False)
    return area


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
