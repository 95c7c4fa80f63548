"""The door for quantities: text with units in, SI floats or pint quantities out.

Text is read by a strict grammar of our own (a general unit parser takes "1 1/2 gal" for half a gallon and
"fl oz" for femtolitre ounces, in silence) against one table of units, and checked against the kind that the
field wants. Inside, numbers are plain floats in the SI unit of their kind. No other module imports pint; this
one does so when a pint quantity is first wanted.
"""

from __future__ import annotations

import numbers
from decimal import Decimal
from functools import lru_cache
from math import isfinite
from os import PathLike
from typing import Any

from weedzone.base.errors import UnitError
from weedzone.base.unit_grammar import KINDS, SPELLINGS, Kind, Part, Refusal, parts, printable, unit_part

__all__ = [
    "ACRE_PER_M2", "FLOZ_PER_L", "FORM_OF_UNIT", "FT2_PER_M2", "FT_PER_M", "GAL_PER_L", "KINDS", "KSQFT_PER_M2",
    "LB_PER_KG", "OZ_PER_KG", "PRODUCT_UNIT", "UNIT_PER_SI", "convert", "parse", "parse_range", "quantity",
    "registry", "scale", "show", "to_si",
]  # fmt: skip


def _per_si(unit: str) -> float:
    return float(1 / SPELLINGS[unit].size)


FT_PER_M, FT2_PER_M2, KSQFT_PER_M2, ACRE_PER_M2 = map(_per_si, ("ft", "ft2", "ksqft", "acre"))
GAL_PER_L, FLOZ_PER_L, LB_PER_KG, OZ_PER_KG = map(_per_si, ("gal", "fl oz", "lb", "oz"))
PRODUCT_UNIT = {"liquid": ("fl oz", FLOZ_PER_L), "dry": ("oz", OZ_PER_KG), "granule": ("lb", LB_PER_KG)}
"""Unit in which tables give a product of each form, and how many of it go into one SI unit (L or kg)."""
UNIT_PER_SI = dict(PRODUCT_UNIT.values())
FORM_OF_UNIT = {unit: form for form, (unit, _) in PRODUCT_UNIT.items()}

_FORMED = ("dose", "amount", "mix", "concentration")
_ABSOLUTE_ZERO_C = -273.15
# Only these may speak of active ingredient ("lb ai/acre", "lb ae/gal"); the others are of the product.
_OF_ACTIVE = ("mass", "mass_per_area", "concentration", "concentration liquid", "concentration dry")


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

    Parameters
    ----------
    value : str, number or pint.Quantity
    kind, form, allow_zero, field, file
        As of `to_si`.

    Returns
    -------
    pint.Quantity
        Of this module's registry; in SI units where `value` is a quantity already.
    """
    si, found = _read(value, kind, form, allow_zero, field, file)
    if not found:
        return quantity(si, kind, form=form)
    unit, per, below = found[0].unit, found[0].per, found[0].below
    number = sum(part.number * part.unit.size for part in found) / unit.size
    name = f"delta_{unit.pint}" if kind == "temperature_difference" else unit.pint
    if per is not None and per.pint == "foot**2" and below == 1000:
        name = f"{name}/ksqft"
    elif per is not None:
        name, number = f"{name}/({per.pint})", number / below
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
        mend = f"accepted: {_kind(kind, form)[1].examples}, or a list of two"
        raise UnitError(what, field=field, file=file, mend=mend)
    low, high = (to_si(v, kind, form=form, allow_zero=allow_zero, field=field, file=file) for v in value)
    if low > high:
        what = f"the range {_named(value[0])} to {_named(value[1])} runs downwards"
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
    form : {"liquid", "dry", "granule"}, optional
        Not needed: the unit tells whether a dose, amount or mix is one of volume or of mass.

    Raises
    ------
    UnitError
        Unknown unit, or one of another kind.
    """
    if form is None and kind in _FORMED:
        dims = tuple(dim for name, known in KINDS.items() if name.startswith(kind) for dim in known.dims)
    else:
        dims = _kind(kind, form)[1].dims
    try:
        part = unit_part(str(unit))
    except Refusal as refusal:
        raise UnitError(refusal.what, mend=refusal.mend or None) from None
    if part.dim not in dims:
        raise UnitError(f"{printable(unit)} is not a unit of {kind}")
    zero = float(part.unit.zero) if kind == "temperature" else 0.0
    return value_si / float(part.size) + zero


def scale(unit: str, into: str) -> tuple[float, float]:
    """Factor and offset that take a plain number of one unit to another, for whole columns.

    Parameters
    ----------
    unit, into : str
        Accepted spellings of one dimension.

    Raises
    ------
    UnitError
        Units of two dimensions.

    Examples
    --------
    >>> factor, offset = scale("degF", "degC")
    >>> round(212 * factor + offset, 9)
    100.0
    """
    given, wanted = unit_part(unit), unit_part(into)
    if given.dim != wanted.dim:
        raise UnitError(f"{printable(unit)} is no unit of {_words(wanted.dim)}")
    factor = given.size / wanted.size
    return float(factor), float(wanted.unit.zero - given.unit.zero * factor)


def show(value_si: float, kind: str, system: str = "us", *, form: str | None = None) -> str:
    """Short text for tables, e.g. "1.1 fl oz/ksqft": four figures, and every figure before the decimal point.

    Parameters
    ----------
    value_si : float
        In the kind's SI unit.
    system : {"us", "metric"}
    form : {"liquid", "dry", "granule"}, optional
        Needed for "dose", "amount" and "mix".

    Raises
    ------
    UnitError
        Unknown kind or system, or a number that is not finite.
    """
    known = _kind(kind, form)[1]
    if system not in ("us", "metric"):
        raise UnitError(f'no system of units "{system}"', mend='write "us" or "metric"')
    if not isfinite(value_si):
        raise UnitError(f"cannot show {value_si} as {kind}")
    units = known.us if system == "us" else known.metric
    for unit in units:  # the largest of which there is one whole
        number = convert(value_si, kind, unit, form=form)
        if abs(number) >= 1:
            break
    text = f"{number:,.0f}" if abs(number) >= 1000 else f"{Decimal(f'{number:.4g}'):f}"
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} {unit}"


@lru_cache(maxsize=1)
def registry() -> Any:
    """Return the pint registry with the trade's units, built once when it is first wanted."""
    import pint

    built: Any = pint.UnitRegistry(on_redefinition="ignore")
    built.define("acre = 43560 * foot**2")  # pint's own stands on the survey foot, 4 ppm larger
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
    if form is not None and kind in _FORMED:
        name = f"{kind} dry" if form == "granule" and kind != "dose" else f"{kind} {form}"
    if name in KINDS:
        return name, KINDS[name]
    if kind in _FORMED:
        raise UnitError(
            f"a {kind} depends on the product's form", mend='say form "liquid", "dry" or "granule"'
        )
    raise UnitError(f'no kind of quantity "{kind}"', mend=f"known: {', '.join((*KINDS, *_FORMED[:3]))}")


def _read(
    value: object,
    kind: str,
    form: str | None,
    allow_zero: bool,
    field: str | None,
    file: str | PathLike[str] | None,
) -> tuple[float, list[Part]]:
    """Read text or a pint quantity: SI value and the parts of the text."""
    name, wanted = _kind(kind, form)
    found: list[Part] = []
    try:
        if isinstance(value, str):
            found = parts(value)
            for part in found:
                _check_part(part, name, wanted)
            zero = found[0].unit.zero if name == "temperature" else 0
            si = float(sum(part.number * part.size for part in found) - zero * found[0].size)
        else:
            si = _from_pint(value, name, wanted)
        _check_number(si, name, allow_zero)
    except Refusal as refusal:
        mend = "; ".join(filter(None, (refusal.mend, f"accepted: {wanted.examples}")))
        raise UnitError(f"{_named(value)}: {refusal.what}", field=field, file=file, mend=mend) from None
    return si, found


def _check_number(si: float, name: str, allow_zero: bool) -> None:
    if not isfinite(si):
        raise Refusal("not a finite number")
    if name.startswith("temperature"):
        if name == "temperature" and si < _ABSOLUTE_ZERO_C:
            raise Refusal("below absolute zero")
    elif si < 0:
        raise Refusal("negative")
    elif si == 0 and not allow_zero:
        raise Refusal("zero", "give more than zero")
    elif si > 1 and name in ("mix liquid", "concentration dry"):
        raise Refusal("more than the whole")


def _check_part(part: Part, name: str, wanted: Kind) -> None:
    if part.dim not in wanted.dims:
        raise Refusal(f"this is {_words(part.dim)}, not {_words(wanted.dims[0])}", _slip(part, wanted))
    if part.active and name not in _OF_ACTIVE:
        raise Refusal("this speaks of active ingredient", "give the amount of product")


def _slip(part: Part, wanted: Kind) -> str:
    """Mend for the usual slips: ounces of the wrong sort, a rate without its area."""
    if part.unit.pint == "ounce" and wanted.dims[0].startswith("volume"):
        return 'a liquid goes by volume: write "fl oz" for fluid ounces'
    if part.unit.dim == "volume" and wanted.dims[0].startswith("mass"):
        return 'this goes by weight: write "oz" or "lb"'
    return "a rate needs its area" if wanted.dims[0].endswith("/area") and part.per is None else ""


def _words(dim: str) -> str:
    sorts = {
        "percent": "a percentage",
        "percent v/v": "a percentage by volume",
        "percent w/w": "one by weight",
    }
    return sorts.get(dim, dim.replace("/", " per "))


def _from_pint(value: object, name: str, wanted: Kind) -> float:
    """Convert a quantity of any pint registry by that registry's own definitions."""
    if isinstance(value, numbers.Number):
        raise Refusal("a number without a unit", "write it as text with its unit")
    to = getattr(value, "to", None)
    if not callable(to) or getattr(getattr(value, "magnitude", None), "shape", ()) != ():
        raise Refusal("neither text nor a single quantity")
    reason = ""
    for si in (wanted.si, "dimensionless") if name == "concentration" else (wanted.si,):
        try:
            return float(to(si).magnitude)
        except Exception as error:  # any registry, any sort of magnitude: one refusal
            reason = reason or " ".join(str(error).split())
    raise Refusal(reason)


def _named(value: object) -> str:
    if isinstance(value, str | numbers.Number) or hasattr(value, "magnitude"):
        try:
            return printable(str(value))
        except ValueError:  # an int of more digits than Python prints
            return "a large number"
    return type(value).__name__
