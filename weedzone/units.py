"""The door for quantities: text with units in, SI floats or pint quantities out.

One table holds every unit, its exact size and its spellings. Text is read by a strict grammar of our own (a general
unit parser takes "1 1/2 gal" for half a gallon and "fl oz" for femtolitre ounces, in silence) and checked against
the kind of quantity that the field wants. Inside, numbers are plain floats in the SI unit of their kind.

Sizes: inch = 0.0254 m, gallon = 231 in3, pound = 0.45359237 kg (NIST Handbook 44, Appendix C); the acre is 43,560
square *international* feet (85 FR 62698, 2020). All gallons, quarts, pints and fluid ounces are the US ones.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from difflib import get_close_matches
from fractions import Fraction
from functools import lru_cache
from math import isfinite
from os import PathLike
from typing import Any, NamedTuple

from weedzone.errors import UnitError
from weedzone.pour import pour, pour_step_L, weigh, weigh_step_kg
from weedzone.unit_table import (
    ACRE_PER_M2,
    FLOZ_PER_L,
    FT2_PER_M2,
    FT_PER_M,
    GAL_PER_L,
    KSQFT_PER_M2,
    LB_PER_KG,
    OZ_PER_KG,
    REFUSED,
    SPELLINGS,
    STRICT_CASE,
    Unit,
)

__all__ = [
    "ACRE_PER_M2",
    "FLOZ_PER_L",
    "FT2_PER_M2",
    "FT_PER_M",
    "GAL_PER_L",
    "KINDS",
    "KSQFT_PER_M2",
    "LB_PER_KG",
    "OZ_PER_KG",
    "convert",
    "parse",
    "parse_range",
    "pour",
    "pour_step_L",
    "quantity",
    "registry",
    "show",
    "to_si",
    "weigh",
    "weigh_step_kg",
]


class Kind(NamedTuple):
    """A kind of quantity: dimensions taken, SI unit in pint's names, accepted forms, units to show it in."""

    dims: tuple[str, ...]
    si: str
    examples: str
    us: tuple[str, ...]
    metric: tuple[str, ...]
    actives: bool = False  # "lb ai/acre" speaks of the active ingredient, never of the product


_LIQUID_MIX = ("volume/volume", "percent", "percent v/v")
_DRY_PART = ("mass/mass", "percent", "percent w/w")
KINDS: Mapping[str, Kind] = {
    "length": Kind(("length",), "meter", '"25 ft", "8 m"', ("ft",), ("m",)),
    "area": Kind(("area",), "meter**2", '"5,000 ft2", "0.5 acre", "400 m2"', ("ft2",), ("m2",)),
    "volume": Kind(("volume",), "liter", '"4 gal", "1 qt 8 fl oz", "15 L"', ("gal", "fl oz"), ("L", "mL")),
    "mass": Kind(("mass",), "kilogram", '"50 lb", "1 lb 3 oz", "20 kg"', ("lb", "oz"), ("kg", "g"), True),
    "speed": Kind(("length/time",), "meter/second", '"2 mph", "88 ft/min", "3 km/h"', ("mph",), ("km/h",)),
    "time": Kind(
        ("time",),
        "second",
        '"30 min", "6 hour", "21 day"',
        ("day", "h", "min", "s"),
        ("day", "h", "min", "s"),
    ),
    "temperature": Kind(("temperature",), "degC", '"85 degF", "30 °C"', ("°F",), ("°C",)),
    "temperature_difference": Kind(("temperature",), "delta_degC", '"8 degC", "14 degF"', ("°F",), ("°C",)),
    "flow": Kind(("volume/time",), "liter/second", '"0.4 gal/min", "1.5 L/min"', ("gal/min",), ("L/min",)),
    "volume_per_area": Kind(
        ("volume/area",),
        "liter/meter**2",
        '"1 gal/ksqft", "40 gal/acre", "400 L/ha"',
        ("gal/ksqft",),
        ("L/ha",),
    ),
    "mass_per_area": Kind(
        ("mass/area",), "kilogram/meter**2", '"1.5 lb/acre", "1.7 kg/ha"', ("lb/acre",), ("kg/ha",), True
    ),
    "mass_rate": Kind(("mass/time",), "kilogram/second", '"3 lb/min", "20 g/s"', ("lb/min",), ("kg/min",)),
    "area_rate": Kind(
        ("area/time",), "meter**2/second", '"1 acre/hour", "5 ksqft/hour"', ("acre/h",), ("ha/h",)
    ),
    "fraction": Kind(("percent", "percent v/v", "percent w/w"), "dimensionless", '"5 %"', ("%",), ("%",)),
    "concentration": Kind(
        ("mass/volume", *_DRY_PART),
        "kilogram/liter",
        '"3.8 lb/gal", "480 g/L", "20 %"',
        ("lb/gal",),
        ("g/L",),
        True,
    ),
    # the same kinds as a product's form wants them; "dose", "amount" and "mix" exist only so
    "dose liquid": Kind(
        ("volume/area",),
        "liter/meter**2",
        '"3 fl oz/ksqft", "2 pt/acre", "3 L/ha"',
        ("fl oz/ksqft",),
        ("L/ha",),
    ),
    "dose dry": Kind(
        ("mass/area",),
        "kilogram/meter**2",
        '"0.2 oz/ksqft", "3 lb/ksqft", "5 kg/ha"',
        ("oz/ksqft",),
        ("kg/ha",),
    ),
    "dose granule": Kind(
        ("mass/area",),
        "kilogram/meter**2",
        '"3 lb/ksqft", "150 lb/acre", "150 kg/ha"',
        ("lb/ksqft",),
        ("kg/ha",),
    ),
    "amount liquid": Kind(
        ("volume",), "liter", '"1.2 gal", "12 fl oz", "350 mL"', ("gal", "fl oz"), ("L", "mL")
    ),
    "amount dry": Kind(("mass",), "kilogram", '"2.6 oz", "1 lb 3 oz", "75 g"', ("lb", "oz"), ("kg", "g")),
    "mix liquid": Kind(
        _LIQUID_MIX,
        "dimensionless",
        '"1.33 fl oz/gal", "1 qt/100 gal", "10 mL/L", "0.25 %"',
        ("fl oz/gal",),
        ("mL/L",),
    ),
    "mix dry": Kind(
        ("mass/volume",), "kilogram/liter", '"0.5 oz/gal", "2 lb/100 gal", "4 g/L"', ("oz/gal",), ("g/L",)
    ),
    "concentration liquid": Kind(
        ("mass/volume",), "kilogram/liter", '"3.8 lb/gal", "480 g/L"', ("lb/gal",), ("g/L",), True
    ),
    "concentration dry": Kind(_DRY_PART, "dimensionless", '"20 %", "200 g/kg"', ("%",), ("%",), True),
}
_SIGNED = ("temperature", "temperature_difference")
_LONGEST = 200
_ABSOLUTE_ZERO_C = -273.15

_VULGAR = {
    "½": (1, 2),
    "¼": (1, 4),
    "¾": (3, 4),
    "⅓": (1, 3),
    "⅔": (2, 3),
    "⅛": (1, 8),
    "⅜": (3, 8),
    "⅝": (5, 8),
    "⅞": (7, 8),
}
_CHARACTERS = str.maketrans(
    {c: f" {n}/{d}" for c, (n, d) in _VULGAR.items()}
    | dict.fromkeys("\u00a0\u2007\u2009\u202f_", " ")
    | dict.fromkeys("‐‑‒–—−", "-")
    | {"⁄": "/", "℉": "°F", "℃": "°C", "º": "°", "ﬂ": "fl"}
)
_NUMBER = re.compile(
    r"(?:(?P<whole>[0-9]{1,9})[ -])?(?P<top>[0-9]{1,4})/(?P<bottom>[0-9]{1,4})(?![0-9.,/])"
    r"|(?P<decimal>(?:[0-9]{1,3}(?:,[0-9]{3})+|[0-9]+)(?:\.[0-9]+)?|\.[0-9]+)(?P<ten>[eE][+-]?[0-9]{1,3})?(?![0-9.,])"
)
_NEXT_PART = re.compile(r"(?<! per) (?=\.?[0-9])")
_PER = re.compile(r"/| per ")
_ACTIVE = re.compile(r"(.+) (?:[Aa][ie]|A[IE]|N|active ingredient|acid equivalent|nitrogen)")


class _Part(NamedTuple):
    """A number with its unit, and the number and unit below the line of a rate."""

    number: Fraction | float
    unit: Unit
    below: Fraction | float
    per: Unit | None
    active: bool

    @property
    def dim(self) -> str:
        return self.unit.dim if self.per is None else f"{self.unit.dim}/{self.per.dim}"

    @property
    def size(self) -> Fraction | float:
        """SI size of one of the unit."""
        return self.unit.size if self.per is None else self.unit.size / self.per.size / self.below


class _Refusal(Exception):
    """What is wrong with a text, and the mend when there is a better one than the list of accepted forms."""

    def __init__(self, what: str, mend: str = "") -> None:
        super().__init__(what)
        self.what, self.mend = what, mend


def to_si(
    value: object,
    kind: str,
    *,
    form: str | None = None,
    allow_zero: bool = False,
    field: str | None = None,
    file: str | PathLike[str] | None = None,
) -> float:
    """Read a quantity as a float in the SI unit of its kind.

    Parameters
    ----------
    value : str or pint.Quantity
        Text with units ("1 1/2 gal", "3 fl oz/1000 sq ft") or a scalar quantity of any registry, which is
        converted by that registry's own definitions. Plain numbers are refused.
    kind : str
        One of `KINDS`, or "dose", "amount", "mix" with a `form`.
    form : {"liquid", "dry", "granule"}, optional
        The product's form: liquids go by volume, dry products by mass.
    allow_zero : bool
        Take zero too.
    field, file : optional
        Named in the error.

    Returns
    -------
    float
        m, m2, L, kg, m/s, s, degC, L/s, L/m2, kg/m2, L/L, kg/L, kg/kg or kg/s, by kind.

    Raises
    ------
    UnitError
        Whatever is wrong with the value; the message lists accepted forms.
    """
    return _read(value, kind, form, allow_zero, field, file)[0]


def parse(
    value: object,
    kind: str,
    *,
    form: str | None = None,
    allow_zero: bool = False,
    field: str | None = None,
    file: str | PathLike[str] | None = None,
) -> Any:
    """Read a quantity as a pint quantity in the units it was written in; see `to_si`.

    Returns
    -------
    pint.Quantity
        Of this module's registry; in SI units where `value` is a quantity of another registry.
    """
    si, parts = _read(value, kind, form, allow_zero, field, file)
    if not parts:
        return quantity(si, kind, form=form)
    unit, per, below = parts[0].unit, parts[0].per, parts[0].below
    name, number = unit.pint, sum(part.number * part.unit.size for part in parts) / unit.size
    if kind == "temperature_difference":
        name = "delta_" + name
    if per is not None:
        thousand_ft2 = per.pint == "foot**2" and below == 1000
        name = f"{name}/({'ksqft' if thousand_ft2 else per.pint})"
        number = number if thousand_ft2 else number / below
    return registry().Quantity(float(number), name)


def parse_range(
    value: object,
    kind: str,
    *,
    form: str | None = None,
    allow_zero: bool = False,
    field: str | None = None,
    file: str | PathLike[str] | None = None,
) -> tuple[float, float]:
    """Read one quantity, or a list of two, as (low, high) in SI units; see `to_si`.

    Raises
    ------
    UnitError
        Also when a list has not two members or its low end is above its high end.
    """
    if not isinstance(value, list | tuple):
        single = to_si(value, kind, form=form, allow_zero=allow_zero, field=field, file=file)
        return single, single
    if len(value) != 2:
        what = f"a range has two ends, this list has {len(value)}"
        raise UnitError(
            what, field=field, file=file, mend=f"accepted: {_kind(kind, form)[1].examples}, or a list of two"
        )
    low, high = (to_si(v, kind, form=form, allow_zero=allow_zero, field=field, file=file) for v in value)
    if low > high:
        what = f"the range {_quote(value[0])} to {_quote(value[1])} runs downwards"
        raise UnitError(what, field=field, file=file, mend="give the low end first")
    return low, high


def quantity(value_si: float, kind: str, *, form: str | None = None) -> Any:
    """SI float of a kind -> pint.Quantity in that SI unit."""
    return registry().Quantity(value_si, _kind(kind, form)[1].si)


def convert(value_si: float, kind: str, unit: str, *, form: str | None = None) -> float:
    """Express an SI value of a kind in another unit, e.g. ``convert(1.0, "area", "ft2")``.

    Parameters
    ----------
    value_si : float or array
        In the kind's SI unit.
    unit : str
        Any accepted spelling, also a rate such as "fl oz/1000 ft2".

    Raises
    ------
    UnitError
        Unknown unit, or one of another kind.
    """
    dims = _dims(kind, form)
    try:
        part = _part(Fraction(1), _clean(unit))
    except _Refusal as refusal:
        raise UnitError(refusal.what, mend=refusal.mend or None) from None
    if part.dim not in dims:
        raise UnitError(f'"{unit}" is not a unit of {kind}')
    below = float(part.unit.zero) if kind == "temperature" else 0.0
    return value_si / float(part.size) + below


def show(value_si: float, kind: str, system: str = "us", *, form: str | None = None) -> str:
    """Short text for tables, e.g. "1.1 fl oz/ksqft": four figures, all of them above 1,000.

    Parameters
    ----------
    value_si : float
        In the kind's SI unit.
    system : {"us", "metric"}
    form : {"liquid", "dry", "granule"}, optional
        Needed for "dose", "amount" and "mix".
    """
    found = _kind(kind, form)[1]
    if system not in ("us", "metric"):
        raise UnitError(f'no system of units "{system}"', mend='write "us" or "metric"')
    units = found.us if system == "us" else found.metric
    for unit in units:  # the largest of which there is one whole
        number = convert(value_si, kind, unit, form=form)
        if abs(number) >= 1:
            break
    text = f"{number:,.0f}" if abs(number) >= 1000 else f"{number:.10f}"
    if abs(number) < 1000:
        text = f"{float(f'{number:.4g}'):.10f}".rstrip("0").rstrip(".")
    return f"{text or '0'} {unit}"


@lru_cache(maxsize=1)
def registry() -> Any:
    """Return the pint registry with the trade's units, built once when it is first wanted."""
    import pint

    built: Any = pint.UnitRegistry(on_redefinition="ignore")
    built.define("acre = 43560 * foot**2")
    built.define("ksqft = 1000 * foot**2")
    return built


def __getattr__(name: str) -> Any:
    """Give `ureg` and `Q` when asked: importing pint takes longer than all the rest of this module."""
    if name == "ureg":
        return registry()
    if name == "Q":
        return registry().Quantity
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def _kind(kind: str, form: str | None) -> tuple[str, Kind]:
    name = kind
    if form is not None and kind in ("dose", "amount", "mix", "concentration"):
        dry = "dry" if form == "granule" and kind != "dose" else form
        name = f"{kind} {dry}"
    found = KINDS.get(name)
    if found is None:
        forms = ' with form "liquid", "dry" or "granule"'
        raise UnitError(
            f'no kind of quantity "{name}"',
            mend=f"known: {', '.join(KINDS)}" + ("" if form else f"; dose, amount, mix{forms}"),
        )
    return name, found


def _dims(kind: str, form: str | None) -> tuple[str, ...]:
    """Dimensions of a kind; of all its forms when none is given."""
    if form is None and kind in ("dose", "amount", "mix"):
        return tuple(
            dim for name, known in KINDS.items() if name.startswith(kind + " ") for dim in known.dims
        )
    return _kind(kind, form)[1].dims


def _read(
    value: object,
    kind: str,
    form: str | None,
    allow_zero: bool,
    field: str | None,
    file: str | PathLike[str] | None,
) -> tuple[float, list[_Part]]:
    name, wanted = _kind(kind, form)
    parts: list[_Part] = []
    try:
        if isinstance(value, str):
            parts = _parts(value)
            _check(parts, wanted)
            si = float(sum(part.number * part.size for part in parts))
            if name == "temperature":
                si = float((parts[0].number - parts[0].unit.zero) * parts[0].unit.size)
        else:
            si = _from_pint(value, name, wanted)
        _check_number(si, name, allow_zero)
    except _Refusal as refusal:
        what = f"{_quote(value)}: {refusal.what}"
        mend = "; ".join(filter(None, (refusal.mend, f"accepted: {wanted.examples}")))
        raise UnitError(what, field=field, file=file, mend=mend) from None
    except OverflowError:
        raise UnitError(f"{_quote(value)}: too large", field=field, file=file) from None
    return si, parts


def _check_number(si: float, name: str, allow_zero: bool) -> None:
    if not isfinite(si):
        raise _Refusal("not a finite number")
    if name in _SIGNED:
        if name == "temperature" and si < _ABSOLUTE_ZERO_C:
            raise _Refusal("below absolute zero")
    elif si < 0:
        raise _Refusal("negative")
    elif si == 0 and not allow_zero:
        raise _Refusal("zero", "give more than zero")
    elif si > 1 and name in ("mix liquid", "concentration dry"):
        raise _Refusal("more than the whole")


def _check(parts: list[_Part], wanted: Kind) -> None:
    for part in parts:
        if part.dim not in wanted.dims:
            raise _Refusal(f"this is {_words(part.dim)}, not {_words(wanted.dims[0])}", _slip(part, wanted))
        if part.active and not wanted.actives:
            raise _Refusal("this speaks of active ingredient", "give the product itself")
    if len(parts) > 1:
        sizes = [part.size for part in parts]
        if any(part.per is not None or part.unit.zero for part in parts) or parts[0].dim.startswith(
            "percent"
        ):
            raise _Refusal("several quantities in one text", "a range is a list of two texts")
        if any(larger <= smaller for larger, smaller in zip(sizes, sizes[1:], strict=False)):
            raise _Refusal("parts of one quantity run from the largest unit to the smallest")


def _slip(part: _Part, wanted: Kind) -> str:
    by_volume = all(dim.startswith(("volume", "percent")) for dim in wanted.dims)
    if part.unit.dim == "mass" and by_volume:
        return 'a liquid goes by volume: write "fl oz" for fluid ounces' if part.unit.pint == "ounce" else ""
    if part.unit.dim == "volume" and wanted.dims[0].startswith("mass"):
        return 'this goes by weight: write "oz" or "lb"'
    if wanted.dims[0].endswith("/area") and part.per is None:
        return "a rate needs its area"
    return ""


def _words(dim: str) -> str:
    return (
        dim.replace("percent v/v", "a percentage by volume")
        .replace("percent w/w", "a percentage by weight")
        .replace("/", " per ")
    )


def _from_pint(value: object, name: str, wanted: Kind) -> float:
    if isinstance(value, int | float) or type(value).__module__ == "numpy":
        raise _Refusal("a number without a unit", "write it as text with its unit")
    if not (hasattr(value, "magnitude") and hasattr(value, "units") and hasattr(value, "to")):
        raise _Refusal(f"{type(value).__name__} is not a quantity")
    targets = [wanted.si] + ["dimensionless"] * (name == "concentration")
    for target in targets:
        try:
            return float(value.to(target).magnitude)
        except Exception as error:  # noqa: BLE001, PERF203 - any registry, any magnitude: one refusal
            reason = error
    raise _Refusal(" ".join(str(reason).split()))


def _quote(value: object) -> str:
    text = (
        value
        if isinstance(value, str)
        else repr(value)
        if isinstance(value, int | float)
        else str(type(value).__name__)
    )
    if hasattr(value, "magnitude"):
        text = str(value)
    return f'"{text[:60]}{"..." if len(text) > 60 else ""}"'


def _clean(text: str) -> str:
    if len(text) > _LONGEST:
        raise _Refusal("too long for a quantity")
    text = re.sub(r"(?<=[A-Za-z.])([²³])", lambda found: "23"["²³".index(found[1])], text)
    text = re.sub(r"(?<=[A-Za-z])(?:\^|\*\*)(?=[23])", "", text.translate(_CHARACTERS))
    text = re.sub(r"(?<=[A-Za-z])\.", " ", re.sub(r"(?<=[A-Za-z])\.(?=[A-Za-z]\.)", "", text))
    return re.sub(r" ?/ ?", "/", " ".join(text.split()))


def _parts(text: str) -> list[_Part]:
    rest = _clean(text)
    if not rest:
        raise _Refusal("empty")
    parts: list[_Part] = []
    while rest:
        number, rest = _number(rest)
        unit, *more = _NEXT_PART.split(rest, maxsplit=1)
        parts.append(_part(number, unit))
        rest = more[0] if more else ""
    return parts


def _number(text: str) -> tuple[Fraction | float, str]:
    """Take a number off the front of a text; what is left must be a unit."""
    found = _NUMBER.match(text)
    if found is None:
        raise _Refusal(
            "negative"
            if re.match(r"-\s*[.0-9]", text)
            else "does not begin with a number such as 1,000 or 1 1/2"
        )
    rest = text[found.end() :].strip()
    if not rest:
        raise _Refusal("a number without a unit")
    if rest[0].isdigit() or rest[0] == ".":
        raise _Refusal("two numbers in a row", "write thousands as 1,000")
    if re.match(r"-|to ", rest):
        raise _Refusal("a range", "give a range as a list of two texts")
    if found["decimal"]:
        return _exact(found["decimal"].replace(",", "") + (found["ten"] or "")), rest
    whole, top, bottom = int(found["whole"] or 0), int(found["top"]), int(found["bottom"])
    if bottom == 0 or (found["whole"] and top >= bottom):
        raise _Refusal(f'"{found[0]}" is not a fraction')
    return whole + Fraction(top, bottom), rest


def _exact(text: str) -> Fraction:
    if not isfinite(float(text)):
        raise _Refusal("not a finite number")
    return Fraction(text)


def _part(number: Fraction | float, text: str) -> _Part:
    whole = _unit(text)
    if whole is not None:
        return _Part(number, whole, 1, None, active=False)
    above, *rest = _PER.split(text, maxsplit=1)
    below: Fraction | float = 1
    per = None
    if rest:
        under = rest[0].strip()
        if under[:1].isdigit() or under[:1] == ".":
            below, under = _number(under)
            if below <= 0:
                raise _Refusal("a rate per nothing")
        per = _unit(under, below_line=True) or _unknown(under)
    unit, active = _unit(above), _ACTIVE.fullmatch(above)
    if unit is None and active:
        unit = _unit(active[1])
        active = active if unit and unit.dim == "mass" else None
        unit = unit if active else None
    return _Part(number, unit or _unknown(above), below, per, active=bool(active))


def _unit(text: str, *, below_line: bool = False) -> Unit | None:
    if below_line and text in ("A", "M"):
        text = "acre" if text == "A" else "ksqft"
    found = SPELLINGS.get(text)
    if found is None and text.lower() not in STRICT_CASE:
        found = SPELLINGS.get(text.lower())
    return found


def _unknown(text: str) -> Unit:
    if text in REFUSED:
        raise _Refusal(f'"{text}" can mean several things', REFUSED[text])
    near = get_close_matches(text.lower(), SPELLINGS, n=1)
    raise _Refusal(f'unknown unit "{text[:40]}"', f'did you mean "{near[0]}"?' if near else "")
