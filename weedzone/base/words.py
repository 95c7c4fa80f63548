"""Amounts as a person measures them: "1 gal 2 qt 3 1/2 fl oz", "440 mL", "1 lb 3 oz"; areas; and dates, both ways.

Every amount is rounded once, to a whole number of steps of the measure, and printed exactly as rounded.

The cautions that every outward sheet carries, in one place so that no sheet is without one of them.
"""

from __future__ import annotations

import datetime as dt
import math
import re
import unicodedata
from fractions import Fraction
from functools import cache
from math import ceil, floor, log10
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from weedzone.base.errors import InputError, UnitError, kind_of
from weedzone.base.unit_grammar import SPELLINGS
from weedzone.base.units import FT2_PER_M2

_FLOZ_L = SPELLINGS["fl oz"].size
_OZ_KG = SPELLINGS["oz"].size
_MILLI = Fraction(1, 1000)
_NOISE = Fraction(1, 10**9)  # of a step: rounding noise of the floats, not an amount
_LARGEST = 1e12


def pour_step_L(litres: float, system: str = "us") -> float:
    """Step in litres to which `pour` rounds when none is given.

    US: 1 fl oz from 10 gal, 1/4 fl oz, 1/8 fl oz below 1/2 fl oz, and metric below 1/8 fl oz.
    Metric: 100 mL from 10 L, 10 mL from 1 L, else as `fine_steps`.
    """
    return float(_pour_step(_amount(litres, "litres"), _metric(system)))


def weigh_step_kg(kg: float, system: str = "us") -> float:
    """Step in kg to which `weigh` rounds when none is given.

    US: 1 oz from 10 lb, 0.1 oz, 0.01 oz below 1 oz, and metric below 0.1 oz.
    Metric: 100 g from 10 kg, 10 g from 1 kg, else as `fine_steps`.
    """
    return float(_weigh_step(_amount(kg, "kg"), _metric(system)))


def pour(litres: float, system: str = "us", step_L: float | None = None, *, round_down: bool = False) -> str:
    """Print a volume as it is poured, rounded to the measure's step.

    Parameters
    ----------
    litres : float
        Zero or more.
    system : {"us", "metric"}
    step_L : float, optional
        Smallest step of the measure at hand, in litres; by default see `pour_step_L`.
    round_down : bool
        Round to the step below, for doses that must not pass a maximum.

    Returns
    -------
    str
        "1 gal 2 qt 3 1/2 fl oz" or "440 mL"; read back by ``units.to_si`` it differs by half a step at most
        (a step that is no round part of the unit printed adds a thousandth of a step). Zero reads "0 fl oz".

    Raises
    ------
    UnitError
        Negative or non-finite amounts, steps that are not positive.
    """
    value, metric = _amount(litres, "litres"), _metric(system)
    step = _pour_step(value, metric) if step_L is None else _amount(step_L, "step_L", zero=False)
    metric = metric or (step_L is None and 0 < value < _FLOZ_L / 8)
    if metric:
        return _metric_text(value, step, round_down, ("L", "mL"))
    number, in_parts = _grid(value, step, _FLOZ_L, round_down)
    gallons, ounces = divmod(number, 128)
    quarts, ounces = divmod(ounces, 32)
    return _join(((gallons, "gal"), (quarts, "qt")), ounces, in_parts, "fl oz") or "0 fl oz"


def weigh(kg: float, system: str = "us", step_kg: float | None = None, *, round_down: bool = False) -> str:
    """Print a mass as it is weighed, rounded to the scale's step; see `pour`.

    Parameters
    ----------
    kg : float
    system : {"us", "metric"}
    step_kg : float, optional
        Step of the scale [kg]; a fitting one if not given.
    round_down : bool
        Never more than `kg`.

    Returns
    -------
    str
        "2.6 oz by weight", "1 lb 3 oz" or "75 g".

    Examples
    --------
    >>> from weedzone.base.words import weigh
    >>> weigh(0.075, "metric")
    '75 g'
    """
    value, metric = _amount(kg, "kg"), _metric(system)
    step = _weigh_step(value, metric) if step_kg is None else _amount(step_kg, "step_kg", zero=False)
    metric = metric or (step_kg is None and 0 < value < _OZ_KG / 10)
    if metric:
        return _metric_text(value, step, round_down, ("kg", "g"))
    number, in_parts = _grid(value, step, _OZ_KG, round_down)
    pounds, ounces = divmod(number, 16)
    text = _join(((pounds, "lb"),), ounces, in_parts, "oz" if pounds else "oz by weight")
    return text or "0 oz by weight"


def _amount(value: float, name: str, *, zero: bool = True) -> Fraction:
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError):
        number = float("nan")
    if not 0 <= number <= _LARGEST or (number == 0 and not zero):
        least = "of zero or more" if zero else "above zero"
        raise UnitError(f"{name} must be a plain number {least}, not {number:g}")
    return Fraction(number)


def _metric(system: str) -> bool:
    if system not in ("us", "metric"):
        raise UnitError(f'no system of units "{system}"', mend='write "us" or "metric"')
    return system == "metric"


def _pour_step(value: Fraction, metric: bool) -> Fraction:
    if metric or 0 < value < _FLOZ_L / 8:
        return _metric_step(value)
    ounces = value / _FLOZ_L
    return _FLOZ_L * (1 if ounces >= 1280 else Fraction(1, 4) if 2 * ounces >= 1 else Fraction(1, 8))


def _weigh_step(value: Fraction, metric: bool) -> Fraction:
    if metric or 0 < value < _OZ_KG / 10:
        return _metric_step(value)
    ounces = value / _OZ_KG
    return _OZ_KG * (1 if ounces >= 160 else Fraction(1, 10) if ounces >= 1 else Fraction(1, 100))


def _metric_step(value: Fraction) -> Fraction:
    return Fraction(str(float(fine_steps(np.array([float(value)]))[0])))


def fine_steps(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Steps in L or kg in which an amount is measured in mL or g: never more than a twentieth of it.

    100 mL from 10 L, 10 mL from 1 L, 1 mL from 20 mL, 0.1 mL from 2 mL, a tenth of that for every tenth below, but
    never under a millionth of a mL; the same in grams.

    Parameters
    ----------
    values : ndarray of float
        [L or kg]

    Returns
    -------
    ndarray of float
    """
    milli = np.asarray(values) * 1000.0
    power = np.floor(np.log10(np.clip(milli, 1e-7, 20.0) / 2.0) + 1e-9) - 1.0
    steps = np.select([milli >= 10_000.0, milli >= 1000.0], [2.0, 1.0], np.where(milli == 0.0, -1.0, power))
    return np.maximum(10.0 ** (steps - 3.0), 1e-9)


def _grid(value: Fraction, step: Fraction, unit: Fraction, round_down: bool) -> tuple[Fraction, bool]:
    """Round to whole steps, in units; and whether they are to be printed in halves, quarters, thirds."""
    part = step / unit
    tidy = part.limit_denominator(1000)
    count = floor(value / step + _NOISE) if round_down else round(value / step)
    if abs(tidy - part) <= part * _NOISE:
        return count * tidy, tidy.denominator % 5 != 0 and tidy.denominator <= 64
    # No round part of the unit, say 5 mL in fl oz: decimals to a thousandth of the step.
    digits = max(0, ceil(-log10(part)) + 3)
    scaled = count * part * 10**digits
    return Fraction(floor(scaled) if round_down else round(scaled), 10**digits), False


def _metric_text(value: Fraction, step: Fraction, round_down: bool, names: tuple[str, str]) -> str:
    number, _ = _grid(value, step, _MILLI, round_down)
    if number >= 1000:
        return f"{_decimal(number / 1000)} {names[0]}"
    return f"{_decimal(number)} {names[1]}"


def _join(large: tuple[tuple[int, str], ...], small: Fraction, in_parts: bool, name: str) -> str:
    texts = [f"{number:,} {unit}" for number, unit in large if number]
    if small:
        texts.append(f"{_mixed(small) if in_parts else _decimal(small)} {name}")
    return " ".join(texts)


def _mixed(number: Fraction) -> str:
    whole, part = divmod(number, 1)
    texts = ([str(whole)] if whole else []) + ([f"{part.numerator}/{part.denominator}"] if part else [])
    return " ".join(texts)


def _decimal(number: Fraction) -> str:
    """Print all decimals; thirds and the like to fifteen."""
    whole, part = divmod(round(number * 10**15), 10**15)
    return f"{whole:,}.{part:015d}".rstrip("0").rstrip(".")


LEAST_FT2 = 1.0  # no survey walked on foot tells of less


_JOINERS = "\u200c\u200d"


def short(number: float) -> str:
    """Print three figures, without an exponent, and every figure before the decimal point."""
    if number == 0 or not math.isfinite(number):
        return "0" if number == 0 else "?"
    decimals = max(0, 2 - math.floor(math.log10(abs(number))))
    text = f"{number:,.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def ground_text(area_m2: float, ft2: float) -> str:
    """Print an area in square feet and square metres."""
    us, metric = _areas(area_m2, ft2)
    return f"{us} ({metric})" if metric else us


def ground_pair(area_m2: float, system: str) -> tuple[str, str]:
    """An area in the units that come first, and in the others."""
    us, metric = _areas(area_m2, area_m2 * FT2_PER_M2)
    return (us, metric) if system == "us" or not metric else (metric, us)


def _areas(area_m2: float, ft2: float) -> tuple[str, str]:
    return area_ft2(ft2), "" if 0 < ft2 < LEAST_FT2 else f"{area(area_m2)} m²"


def area_ft2(ft2: float) -> str:
    """Print an area in square feet; below one it is only said to be below."""
    return "under 1 ft²" if 0 < ft2 < LEAST_FT2 else f"{area(ft2)} ft²"


def area(number: float) -> str:
    """Print an area: whole from 10 on, else two figures."""
    return f"{number:,.0f}" if number >= 10 else short(float(f"{number:.2g}"))


def day_text(day: dt.date) -> str:
    """Print a date in words: 5 May 2026."""
    return f"{day.day} {day:%B %Y}"


_DATE = re.compile(r"(\d{4}-\d{2}-\d{2})(?:[T ]\d{1,2}:\d{2}.*)?", re.ASCII)
_YEARS = range(1900, 3000)
DATE_FORM = "write it as 2026-05-10"


def as_date(value: object) -> dt.date | None:
    """The calendar date that a value means, or None where it means none.

    Parameters
    ----------
    value : object
        A date, a datetime of any library, or text: ``2026-05-10``, with or without a time of day, of which only the
        date as written counts. No other form is read: of weeks and days of a year nobody is sure.

    Examples
    --------
    >>> as_date("2026-05-10 14:30")
    datetime.date(2026, 5, 10)
    >>> as_date("2026-W21-3") is None
    True
    """
    if isinstance(value, np.datetime64):
        value = pd.Timestamp(value)
    if isinstance(value, str) and (match := _DATE.fullmatch(value.strip())):
        try:
            value = dt.date.fromisoformat(match[1])
        except ValueError:
            return None
    if value is pd.NaT or not isinstance(value, dt.date):
        return None
    date = value.date() if isinstance(value, dt.datetime) else value
    return date if date.year in _YEARS else None


def read_date(value: object, field: str, *, file: str | None = None) -> dt.date:
    """Read a calendar date; see `as_date` for what is taken.

    Parameters
    ----------
    value : object
    field, file : str
        Named in the error.

    Raises
    ------
    InputError
        No date, not on the calendar, or a year before 1900 or after 2999.
    """
    date = as_date(value)
    if date is None:
        raise InputError(f"{kind_of(value)} is no date", field=field, file=file, mend=DATE_FORM)
    return date


def plain_line(text: object, longest: int = 400) -> str:
    """Make a user's text one line of at most `longest` letters that steers neither a terminal nor a page.

    Control characters and marks that turn the direction of text are dropped; the joiners that scripts and
    emoji need stay.
    """
    kept = "".join(
        one if unicodedata.category(one)[0] != "C" or one in _JOINERS else " " if one.isspace() else ""
        for one in str(text)
    )
    line = " ".join(kept.split())
    return line if len(line) <= longest else f"{line[: longest - 1]}…"


@cache
def _glyphs() -> frozenset[int]:
    from matplotlib.font_manager import FontProperties, findfont, get_font

    return frozenset(get_font(findfont(FontProperties())).get_charmap())


def drawable(text: str) -> str:
    """Text with letters that the font of pictures has: full-width ones as plain ones, others as an open box.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """
    if text.isascii():
        return text
    known, shown = _glyphs(), []
    for letter in text:
        if ord(letter) in known or letter == "\n":
            shown.append(letter)
        elif letter not in _JOINERS and unicodedata.category(letter)[0] != "M":
            plain = unicodedata.normalize("NFKC", letter)
            shown.append(plain if all(ord(one) in known for one in plain) else "\u25af")
    return "".join(shown)


DECIDES = "The product label is the law; it, local rules and licensed practice decide."
"""Who decides, in one sentence, for whatever has no room for all cautions."""

OF_A_TRACK = (
    "A GPS track shows where the receiver went, within the receiver's own error; it does not prove that the "
    f"nozzles ran or what dose fell. {DECIDES}"
)
"""What a summary of covered ground says."""

OF_A_RECORD = (
    "This record names elements that rules commonly ask for. It is no legal advice: the product label, the "
    "rules of the place and the licence decide what must be written down, how soon, and how long it is kept "
    "(often two years, in some places seven). Products for restricted use are for certified applicators only. "
    "Read and follow the product label. Keep people and pets off until the label's re-entry time is over."
)
"""What every printed record says."""

WORKING_COPY = (
    "A working copy, not the label: the product label is the law, and decides wherever the two differ."
)
"""Stands below a label that is read back."""

CAUTIONS: tuple[str, ...] = (
    "Read and follow the product label: it is the law, and it comes before this sheet.",
    "Wear the protective equipment that the label asks for.",
    "Keep people and pets off until the label's re-entry time is over.",
    "Keep spray and granules off water, gardens, paving and neighbouring ground.",
    "Do not spray blooms that bees visit: mow them off first, or wait until no bee is about.",
    "Local rules may ask for more: licence, notice, posted signs, wider buffers, records.",
    "Only a licensed applicator, or someone under one where the law allows it, may decide to spray.",
)
"""Who decides, and who may be hurt."""

MAP_CAUTIONS = (
    f"Follow the product label. {DECIDES}",
    "Wear the protective equipment it names. Keep people and pets off until dry, or as long as it says.",
)
"""The same for a map, which has less room."""
