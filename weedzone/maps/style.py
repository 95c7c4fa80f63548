"""Colours, hatches and words of the maps: what differs in colour differs in hatching or line too."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from weedzone.base.data import table_beside
from weedzone.base.names import plain
from weedzone.base.units import FT2_PER_M2
from weedzone.base.words import area, plain_line

_LOOKS: dict[str, Any] = table_beside(__file__, "style.toml")
_FILLS, _TURF, _UNTREATED = (_LOOKS[of] for of in ("products", "turf", "untreated"))
INK = "#222222"
TURF_EDGE = "#B9C4A8"
FEATURE_FILL, FEATURE_EDGE = "#BDBDBD", "#3A3A3A"
BUFFER_FILL = "#F0DCD3"
_MOST_KINDS = 12
USE_WORDS = {"spot": "spot spraying", "broadcast": "broadcast spraying", "granular": "granules"}


@dataclass(frozen=True)
class Fill:
    """Face, hatch and ink of one kind of ground; a face may be "none"."""

    face: str
    hatch: str
    ink: str


def product_fills(products: list[str]) -> dict[str, Fill]:
    """A colour and a hatch for each product of a job; past eight they come again in other pairs."""
    n = len(_FILLS)
    fills = {}
    for at, name in enumerate(products):
        face, hatch = _FILLS[at % n][0], _FILLS[(at + at // n) % n][1]
        fills[name] = Fill(face, hatch, darker(face))
    return fills


def turf_fills(turfs: list[str]) -> dict[str, Fill]:
    """A quiet tint for each turf."""
    return {name: Fill(_TURF[at % len(_TURF)], "", TURF_EDGE) for at, name in enumerate(sorted(turfs))}


def untreated_fill(outcome: str) -> Fill:
    """A light hatch of its own for each reason, on white; on keep-out features their own face shows through."""
    return Fill("none" if outcome == "keep-out" else "#FFFFFF", *_UNTREATED[outcome])


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


def kinds_text(kinds: Iterable[str]) -> str:
    """Kinds of feature, in lines of a legend's width."""
    named = [short(plain(one), 24) for one in sorted(set(kinds))]
    more = len(named) - _MOST_KINDS
    if more > 0:
        named[_MOST_KINDS:] = [f"and {more} more"]
    return textwrap.fill(", ".join(named), 36)
