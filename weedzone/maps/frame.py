"""What stands round a drawn map: scale, north arrow, cautions and legend, all outside of the shapes."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.legend import Legend
from matplotlib.lines import Line2D
from matplotlib.offsetbox import AnchoredOffsetbox, AuxTransformBox, HPacker, TextArea, VPacker
from matplotlib.patches import Patch, Polygon
from matplotlib.transforms import IdentityTransform, ScaledTranslation

from weedzone.base.units import FT2_PER_M2
from weedzone.base.words import drawable
from weedzone.maps.style import CAUTIONS, INK

_SMALL = 7.5
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
        lines = [part for line in CAUTIONS for part in textwrap.wrap(line, _characters(ax))]
        rows.append(_words("\n".join(lines), size=_SMALL))
    if not rows:
        return None
    box = AnchoredOffsetbox(
        loc="upper left",
        child=VPacker(children=rows, align="left", pad=0, sep=6),
        pad=0.0,
        borderpad=0.6,
        frameon=False,
        bbox_to_anchor=(0.0, 0.0),
        bbox_transform=ax.transAxes,
    )
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
    # The words are set afterwards, as plain text: a name such as "_a" or "$x$" means nothing more.
    drawn = ax.legend(
        [handle for handle, _, _ in entries],
        ["-"] * len(entries),
        loc="upper left",
        frameon=False,
        fontsize=8.0,
        handlelength=2.8,
        handleheight=1.5,
        labelspacing=0.35,
        borderaxespad=0.0,
        **place,
    )
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
    for unit, metres, fill in (("ft", _FOOT_M, INK), ("m", 1.0, "#FFFFFF")):
        length = round_length(room / metres)
        bar = AuxTransformBox(ax.transData)
        bar.add_artist(
            Line2D([0.0, length * metres], [0.0, 0.0], color=INK, linewidth=4.0, solid_capstyle="butt")
        )
        if fill != INK:
            inner = [0.0, length * metres / 2]
            bar.add_artist(Line2D(inner, [0.0, 0.0], color=fill, linewidth=2.4, solid_capstyle="butt"))
        rows.append(
            HPacker(children=[bar, _words(f"{length:,g} {unit}", size=8.0)], align="center", pad=0, sep=5)
        )
    return VPacker(children=rows, align="left", pad=0, sep=2)


def _north(ax: Axes) -> Any:
    figure = figure_of(ax)
    arrow = AuxTransformBox(IdentityTransform() + figure.dpi_scale_trans)
    inch = 1.0 / 72.0
    arrow.add_artist(
        Polygon(
            np.array([[0, 0], [5, 4], [5, 20]]) * inch,
            closed=True,
            facecolor=INK,
            edgecolor=INK,
            linewidth=0.8,
        )
    )
    arrow.add_artist(
        Polygon(
            np.array([[10, 0], [5, 4], [5, 20]]) * inch,
            closed=True,
            facecolor="#FFFFFF",
            edgecolor=INK,
            linewidth=0.8,
        )
    )
    return HPacker(children=[arrow, _words("N", size=9.0, weight="bold")], align="center", pad=0, sep=3)


def _words(text: str, **style: Any) -> TextArea:
    area = TextArea(text, textprops={"color": INK, **style})
    for one in area.get_children():
        one.set(parse_math=False, usetex=False)
    return area
