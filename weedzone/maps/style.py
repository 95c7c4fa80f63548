"""Colours, hatches and words of the maps: what differs in colour differs in hatching or line too.

Shapes as matplotlib paths.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

import numpy as np
import shapely

from weedzone.base.names import plain
from weedzone.base.units import FT2_PER_M2
from weedzone.base.words import DECIDES, area, plain_line
from weedzone.ground.shapes import Array, Floats
from weedzone.zones import OUTCOMES

# Colours that stay apart for the colour-blind (Okabe and Ito, Color Universal Design, 2008), in an order of
# our own in which neighbours also differ in grey; each with the bearing of a hatch of its own.
_FILLS = ("#E69F00", "#0072B2", "#F0E442", "#CC79A7", "#009E73", "#56B4E9", "#D55E00", "#999999")
_HATCHES = ("///", "", "..", "\\\\\\", "xx", "---", "++", "oo")
# Quiet tints of turf, from light to less light.
_TURF = ("#EEF3E4", "#E0EAD2", "#D5E0CF", "#E6E8D3", "#DCE6DE", "#EDEBDC")
_UNTREATED = {
    "outside boundary": ("..", "#8C8C8C"),
    "no turf": ("oo", "#9A8F80"),
    "keep-out": ("xx", "#6E6E6E"),
    "weed not labelled": ("--", "#8A7F9A"),
    "turf not labelled": ("||", "#8A7F9A"),
    "buffer": ("\\\\", "#A06A5A"),
    "yearly limit": ("++", "#A06A5A"),
    "applications used up": ("+", "#A06A5A"),
    "too soon": ("//", "#8A8270"),
    "caution turf": ("||||", "#8A8270"),
    "product not chosen": ("*", "#8C8C8C"),
    "sliver": ("....", "#8C8C8C"),
}
INK = "#222222"
_MOST_KINDS = 12
TURF_EDGE = "#B9C4A8"
FEATURE = {"fill": "#BDBDBD", "edge": "#3A3A3A"}
UNTREATED_FILL = "#FFFFFF"
BUFFER_FILL = "#F0DCD3"
BUFFER_DASHES = ((4.0, 2.0), (1.0, 1.5), (6.0, 1.5, 1.0, 1.5), (2.0, 1.0), (8.0, 2.0), (3.0, 1.0, 1.0, 1.0))
USE_WORDS = {"spot": "spot spraying", "broadcast": "broadcast spraying", "granular": "granules"}
CAUTIONS = (
    f"Follow the product label. {DECIDES}",
    "Wear the protective equipment it names. Keep people and pets off until dry, or as long as it says.",
)


@dataclass(frozen=True)
class Fill:
    """Face, hatch and ink of one kind of ground; a face may be "none"."""

    face: str
    hatch: str
    ink: str


def product_fills(products: list[str]) -> dict[str, Fill]:
    """A colour and a hatch for each product of a job; past eight they come again in other pairs."""
    n = len(_FILLS)
    return {
        name: Fill(_FILLS[at % n], _HATCHES[(at + at // n) % n], darker(_FILLS[at % n]))
        for at, name in enumerate(products)
    }


def turf_fills(turfs: list[str]) -> dict[str, str]:
    """A quiet tint for each turf."""
    return {name: _TURF[at % len(_TURF)] for at, name in enumerate(sorted(turfs))}


def untreated_fill(outcome: str) -> Fill:
    """A light hatch of its own for each reason, on white; on keep-out features their own face shows through."""
    hatch, ink = _UNTREATED[outcome]
    return Fill("none" if outcome == "keep-out" else UNTREATED_FILL, hatch, ink)


def ordered(outcomes: set[str]) -> list[str]:
    """Outcomes in the order of the ledger."""
    return [one for one in OUTCOMES if one in outcomes]


def darker(colour: str, share: float = 0.55) -> str:
    """The colour with less light."""
    red, green, blue = (round(int(colour[at : at + 2], 16) * share) for at in (1, 3, 5))
    return f"#{red:02X}{green:02X}{blue:02X}"


def short(text: object, most: int = 32) -> str:
    """Text on one line, cut where it is too long for a map."""
    return plain_line(text, most)


def area_text(area_m2: float, system: str = "us") -> str:
    """Area for a label: square feet or metres."""
    value, unit = (area_m2 * FT2_PER_M2, "ft²") if system == "us" else (area_m2, "m²")
    least = 1.0 if system == "us" else 0.1  # no survey walked on foot tells of less
    return f"{area(value)} {unit}" if value >= least else f"under {least:g} {unit}"


def fill_text(tanks: float, holder: str = "tank") -> str:
    """Fillings for a label: "0.3 tank", "2.4 tanks"."""
    if tanks < 0.05:
        return f"under 0.1 {holder}"
    shown = f"{tanks:.1f}" if tanks < 9.95 else f"{tanks:,.0f}"
    return f"{shown} {holder}" if tanks < 1.05 else f"{shown} {holder}s"


def kinds_text(kinds: list[str]) -> str:
    """Kinds of feature, in lines of a legend's width."""
    named = [short(plain(one), 24) for one in sorted(set(kinds))]
    more = (
        [*named[:_MOST_KINDS], f"and {len(named) - _MOST_KINDS} more"] if len(named) > _MOST_KINDS else named
    )
    return textwrap.fill(", ".join(more), 36)


def line_xy(shapes: Array) -> tuple[Floats, Floats]:
    """Coordinates of many lines, a gap between each two."""
    lines = shapely.get_parts(shapes)
    xy, line = shapely.get_coordinates(lines, return_index=True)
    gaps = np.flatnonzero(line[1:] != line[:-1]) + 1
    spaced = np.insert(xy.astype(float), gaps, np.nan, axis=0)
    return spaced[:, 0], spaced[:, 1]
