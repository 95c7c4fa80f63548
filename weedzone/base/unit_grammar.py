"""The strict grammar in front of every quantity written as text.

::

    quantity = part {part}                     "1 gal 2 qt 3 1/2 fl oz", from the largest unit down
    part     = number unit [per [number] unit] "1 1/2 fl oz/1,000 sq ft", "2 lb per 100 gal"
    number   = 1,000 | 0.25 | 1/4 | 1 1/2 | 1-1/2 | ½ | 1½ | 1e-3
    per      = "/" | "per"

Whatever does not fit is refused: units are taken only in a spelling of the table, ``units.toml``, and nothing is
guessed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from difflib import get_close_matches
from fractions import Fraction
from typing import Any, NamedTuple

from weedzone.base.data import table_beside

_LONGEST = 200
_LARGEST = 10**15
# Short spellings whose other case means something else (metre, mega; gram, giga): only as they are tabled.
_STRICT_CASE = frozenset(("m", "g", "s", "h", "d", "mm", "mg", "ml", "m2", "m3"))
_TABLE: dict[str, Any] = table_beside(__file__, "units.toml")
REFUSED: Mapping[str, str] = _TABLE["refused"]


class Unit(NamedTuple):
    """A unit: dimension, pint's name, size in SI (m, m2, L, kg, s, K, 1), the reading at 0 SI for a scale."""

    dim: str
    pint: str
    size: Fraction
    zero: Fraction = Fraction(0)


class Kind(NamedTuple):
    """A kind of quantity: dimensions taken, SI unit in pint's words, units to show it in, accepted forms."""

    dims: tuple[str, ...]
    si: str
    us: tuple[str, ...]
    metric: tuple[str, ...]
    examples: str


def _spellings() -> dict[str, Unit]:
    """Every spelling, also without its spaces, and in lower case for the look-up of any other case."""
    table: dict[str, Unit] = {}
    for dim, units in _TABLE["units"].items():
        for name, (size, words, *zero) in units.items():
            top, _, bottom = size.partition("/")
            unit = Unit(dim, name, Fraction(top) / Fraction(bottom or 1), *map(Fraction, zero))
            for word in words.split("; "):
                for form in (word, word.replace(" ", ""), word.lower()):
                    table.setdefault(form, unit)
    return table


def _kind(dims: str, si: str, us: str, metric: str, examples: str) -> Kind:
    quoted = ", ".join(f'"{example}"' for example in examples.split(", "))
    return Kind(tuple(dims.split("; ")), si, tuple(us.split("; ")), tuple(metric.split("; ")), quoted)


SPELLINGS: Mapping[str, Unit] = _spellings()
KINDS: Mapping[str, Kind] = {name: _kind(*row) for name, row in _TABLE["kinds"].items()}

_CHARACTERS = str.maketrans(_TABLE["characters"])
_NUMBER = re.compile(
    r"(?:(?P<whole>[0-9]{1,9})[ -])?(?P<top>[0-9]{1,4})/(?P<bottom>[0-9]{1,4})(?![0-9.,/])"
    r"|(?P<decimal>(?:[0-9]{1,3}(?:,[0-9]{3})+|[0-9]+)(?:\.[0-9]+)?|\.[0-9]+)(?P<ten>[eE][+-]?[0-9]{1,3})?(?![0-9.,])"
)
_NEXT_PART = re.compile(r"(?<! per) (?=\.?[0-9])", re.IGNORECASE)
_PER = re.compile(r"/| per ", re.IGNORECASE)
_ACTIVE = re.compile(r"(.+) (?:[Aa][ie]|A[IE]|N|active ingredient|acid equivalent|nitrogen)")


class Refusal(Exception):  # noqa: N818 - it never leaves the door: units.py turns it into a UnitError
    """What is wrong with a text, and the mend if there is a better one than the list of accepted forms."""

    def __init__(self, what: str, mend: str = "") -> None:
        super().__init__(what)
        self.what, self.mend = what, mend


class Part(NamedTuple):
    """A number with its unit, and the number and unit below the line of a rate."""

    number: Fraction
    unit: Unit
    below: Fraction = Fraction(1)
    per: Unit | None = None
    active: bool = False
    """The text speaks of active ingredient, acid equivalent or nitrogen."""

    @property
    def dim(self) -> str:
        """Dimension in words, e.g. ``volume/area``."""
        return self.unit.dim if self.per is None else f"{self.unit.dim}/{self.per.dim}"

    @property
    def size(self) -> Fraction:
        """SI size of one of the unit."""
        return self.unit.size if self.per is None else self.unit.size / self.per.size / self.below


def parts(text: str) -> list[Part]:
    """Read a text as the parts of one quantity.

    Raises
    ------
    Refusal
        When the text does not fit the grammar or a unit is not in the table.
    """
    rest = _clean(text)
    if not rest:
        raise Refusal("empty")
    sign = -1 if rest.startswith("-") else 1
    rest = rest.removeprefix("-").lstrip()
    found: list[Part] = []
    while rest:
        number, rest = _number(rest)
        unit, *more = _NEXT_PART.split(rest, maxsplit=1)
        found.append(_part(sign * number, unit))
        rest = more[0] if more else ""
    if not found or (sign < 0 and len(found) > 1):
        raise Refusal("does not fit the grammar of quantities")
    if len(found) > 1:
        _check_order(found)
    return found


def unit_part(text: str) -> Part:
    """Read a unit or rate without its leading number, as one of it."""
    return _part(Fraction(1), _clean(text))


def printable(text: str) -> str:
    """Shorten a text for an error message, without characters that a terminal may choke on."""
    short = "".join(c if c.isprintable() else " " for c in text[:60])
    return f'"{short}{"..." if len(text) > 60 else ""}"'


def _check_order(found: list[Part]) -> None:
    if any(part.per is not None or part.dim not in ("length", "volume", "mass", "time") for part in found):
        raise Refusal("several quantities in one text", "a range is a list of two texts")
    if len({part.dim for part in found}) > 1:
        raise Refusal("volume, weight or length mixed in one quantity", 'fluid ounces are written "fl oz"')
    if any(after.size >= before.size for before, after in zip(found, found[1:], strict=False)):  # noqa: RUF007
        raise Refusal("parts of one quantity run from the largest unit to the smallest")


def _clean(text: str) -> str:
    """One spelling for spaces, dashes, powers, fractions and dots; a raised figure only after a unit."""
    if len(text) > _LONGEST:
        raise Refusal("too long for a quantity")
    text = re.sub(r"(?<=[A-Za-z])[²³]", lambda found: "2" if found[0] == "²" else "3", text)
    text = text.translate(_CHARACTERS)
    text = re.sub(r"(?<=[A-Za-z])(?:\^|\*\*)(?=[23])", "", text)
    text = re.sub(r"(?<=[A-Za-z])\.(?=[A-Za-z]\.)", "", text)
    text = re.sub(r"(?<=[A-Za-z])(?:\.|-(?=[A-Za-z]))", " ", text)
    return re.sub(r" ?/ ?", "/", " ".join(text.split()))


def _number(text: str) -> tuple[Fraction, str]:
    """Take a number off the front of a text; what is left must begin with a unit."""
    found = _NUMBER.match(text)
    if found is None:
        raise Refusal("does not begin with a number such as 1,000 or 0.25 or 1 1/2")
    rest = text[found.end() :].strip()
    if not rest:
        raise Refusal("a number without a unit")
    if rest[0].isdigit() or rest[0] == ".":
        raise Refusal("two numbers in a row", "write thousands as 1,000")
    if re.match(r"(?:-|to) ?[0-9.]", rest):
        raise Refusal("a range in one text", "give a range as a list of two texts")
    if found["decimal"]:
        number = Fraction(found["decimal"].replace(",", "") + (found["ten"] or ""))
    else:
        whole, top, bottom = int(found["whole"] or 0), int(found["top"]), int(found["bottom"])
        if bottom == 0 or (found["whole"] and top >= bottom):
            raise Refusal(f'"{found[0]}" is not a fraction')
        number = whole + Fraction(top, bottom)
    if number > _LARGEST:
        raise Refusal("larger than any quantity")
    return number, rest


def _part(number: Fraction, text: str) -> Part:
    whole = _unit(text)
    if whole is not None:
        return Part(number, whole)
    above, *rest = _PER.split(text, maxsplit=1)
    below, per = _below(rest[0].strip()) if rest else (Fraction(1), None)
    unit = _unit(above)
    active = _ACTIVE.fullmatch(above) if unit is None else None
    if active:
        unit = _unit(active[1])
        if unit is not None and unit.dim != "mass":
            raise Refusal("active ingredient goes by weight")
    return Part(number, unit or _unknown(above), below, per, active=active is not None)


def _below(text: str) -> tuple[Fraction, Unit]:
    """Read what stands below the line of a rate."""
    number = Fraction(1)
    if text[:1].isdigit() or text[:1] == ".":
        number, text = _number(text)
        if number == 0:
            raise Refusal("a rate per nothing")
    return number, _unit({"A": "acre", "M": "ksqft"}.get(text, text)) or _unknown(text)


def _unit(text: str) -> Unit | None:
    found = SPELLINGS.get(text)
    if found is None and text.lower() not in _STRICT_CASE:
        found = SPELLINGS.get(text.lower())
    return found


def _unknown(text: str) -> Unit:
    mend = REFUSED.get(text) or REFUSED.get(text.lower(), "")
    if not mend:
        near = get_close_matches(text.lower(), SPELLINGS, n=1)
        mend = f'did you mean "{near[0]}"?' if near else ""
    raise Refusal(f"unknown or ambiguous unit {printable(text)}", mend)
