"""Every unit that weedzone reads or prints: exact size in SI, name in pint, spellings.

All sizes are exact: inch = 0.0254 m, gallon = 231 in3, pound = 0.45359237 kg (NIST Handbook 44, Appendix C).
The foot is the international one and the acre 43,560 of its squares (85 FR 62698, 2020); the survey foot
(1200/3937 m) stands apart and must be named. Gallons, quarts, pints and fluid ounces are the US ones.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple

INCH_M = Fraction("0.0254")
FOOT_M = 12 * INCH_M
GALLON_L = 231 * INCH_M**3 * 1000
POUND_KG = Fraction("0.45359237")
ACRE_FT2 = 43_560
_FT2 = FOOT_M**2
_FLOZ_L = GALLON_L / 128

FT_PER_M = float(1 / FOOT_M)
FT2_PER_M2 = float(1 / _FT2)
KSQFT_PER_M2 = float(1 / (1000 * _FT2))
ACRE_PER_M2 = float(1 / (ACRE_FT2 * _FT2))
GAL_PER_L = float(1 / GALLON_L)
FLOZ_PER_L = float(1 / _FLOZ_L)
LB_PER_KG = float(1 / POUND_KG)
OZ_PER_KG = float(16 / POUND_KG)


class Unit(NamedTuple):
    """A unit: dimension, size in SI (m, m2, L, kg, s, K, 1), pint's name, the reading at 0 SI for a scale."""

    dim: str
    size: Fraction
    pint: str
    zero: Fraction = Fraction(0)


def _rows() -> list[tuple[Unit, str]]:
    """Units, each with its spellings divided by semicolons."""
    f = Fraction
    return [
        (Unit("length", f(1), "meter"), "m;meter;meters;metre;metres"),
        (Unit("length", f(1, 100), "centimeter"), "cm;centimeter;centimeters;centimetre;centimetres"),
        (Unit("length", f(1, 1000), "millimeter"), "mm;millimeter;millimeters;millimetre;millimetres"),
        (Unit("length", f(1000), "kilometer"), "km;kilometer;kilometers;kilometre;kilometres"),
        (Unit("length", INCH_M, "inch"), "in;inch;inches"),
        (Unit("length", FOOT_M, "foot"), "ft;foot;feet"),
        (Unit("length", 3 * FOOT_M, "yard"), "yd;yds;yard;yards"),
        (Unit("length", 5280 * FOOT_M, "mile"), "mi;mile;miles"),
        (
            Unit("length", f(1200, 3937), "survey_foot"),
            "survey ft;survey foot;survey feet;us survey ft;us survey foot;us survey feet",
        ),
        (Unit("area", f(1), "meter**2"), "m2;sq m;square meter;square meters;square metre;square metres"),
        (Unit("area", f(1, 10_000), "centimeter**2"), "cm2;sq cm;square centimeters;square centimetres"),
        (Unit("area", f(10_000), "hectare"), "ha;hectare;hectares"),
        (Unit("area", _FT2, "foot**2"), "ft2;sq ft;square foot;square feet;sf"),
        (Unit("area", INCH_M**2, "inch**2"), "in2;sq in;square inch;square inches"),
        (Unit("area", 9 * _FT2, "yard**2"), "yd2;sq yd;sq yds;square yard;square yards"),
        (Unit("area", 1000 * _FT2, "ksqft"), "ksqft;k sq ft"),
        (Unit("area", ACRE_FT2 * _FT2, "acre"), "acre;acres;ac"),
        (Unit("volume", f(1), "liter"), "L;liter;liters;litre;litres"),
        (Unit("volume", f(1, 1000), "milliliter"), "ml;mL;milliliter;milliliters;millilitre;millilitres"),
        (Unit("volume", f(100), "hectoliter"), "hl;hL;hectoliter;hectoliters;hectolitre;hectolitres"),
        (Unit("volume", f(1000), "meter**3"), "m3;cubic meter;cubic meters;cubic metre;cubic metres"),
        (Unit("volume", GALLON_L, "gallon"), "gal;gals;gallon;gallons;us gal;us gallon;us gallons"),
        (Unit("volume", GALLON_L / 4, "quart"), "qt;qts;quart;quarts"),
        (Unit("volume", GALLON_L / 8, "pint"), "pt;pts;pint;pints"),
        (Unit("volume", GALLON_L / 16, "cup"), "cup;cups"),
        (
            Unit("volume", _FLOZ_L, "fluid_ounce"),
            "fl oz;fluid oz;fluid ounce;fluid ounces;liquid oz;us fl oz;us fluid ounces",
        ),
        (Unit("volume", _FLOZ_L / 2, "tablespoon"), "tbsp;tablespoon;tablespoons"),
        (Unit("volume", _FLOZ_L / 6, "teaspoon"), "tsp;teaspoon;teaspoons"),
        (Unit("volume", FOOT_M**3 * 1000, "foot**3"), "ft3;cu ft;cubic foot;cubic feet"),
        (Unit("volume", INCH_M**3 * 1000, "inch**3"), "in3;cu in;cubic inch;cubic inches"),
        (Unit("mass", f(1), "kilogram"), "kg;kilogram;kilograms"),
        (Unit("mass", f(1, 1000), "gram"), "g;gram;grams"),
        (Unit("mass", f(1, 1_000_000), "milligram"), "mg;milligram;milligrams"),
        (Unit("mass", f(1000), "metric_ton"), "tonne;tonnes"),
        (Unit("mass", POUND_KG, "pound"), "lb;lbs;pound;pounds"),
        (
            Unit("mass", POUND_KG / 16, "ounce"),
            "oz;ounce;ounces;oz by weight;ounces by weight;oz wt;wt oz;weight oz;dry oz;dry ounces",
        ),
        (Unit("mass", 2000 * POUND_KG, "short_ton"), "short ton;short tons"),
        (Unit("time", f(1), "second"), "s;sec;secs;second;seconds"),
        (Unit("time", f(60), "minute"), "min;mins;minute;minutes"),
        (Unit("time", f(3600), "hour"), "h;hr;hrs;hour;hours"),
        (Unit("time", f(86_400), "day"), "d;day;days"),
        (Unit("time", f(604_800), "week"), "wk;wks;week;weeks"),
        (Unit("temperature", f(1), "degC"), "degc;deg c;°C;C;celsius;degrees c;degrees celsius"),
        (
            Unit("temperature", f(5, 9), "degF", f(32)),
            "degf;deg f;°F;F;fahrenheit;degrees f;degrees fahrenheit",
        ),
        (Unit("length/time", 5280 * FOOT_M / 3600, "mile/hour"), "mph"),
        (Unit("length/time", f(1000, 3600), "kilometer/hour"), "kph;kmh"),
        (Unit("length/time", f(1852, 3600), "knot"), "kn;knot;knots"),
        (Unit("volume/time", GALLON_L / 60, "gallon/minute"), "gpm"),
        (Unit("volume/area", GALLON_L / (ACRE_FT2 * _FT2), "gallon/acre"), "gpa"),
        (Unit("percent", f(1, 100), "percent"), "%;percent;pct"),
        (Unit("percent v/v", f(1, 100), "percent"), "% v/v;%v/v;percent v/v;% by volume;percent by volume"),
        (Unit("percent w/w", f(1, 100), "percent"), "% w/w;%w/w;percent w/w;% by weight;percent by weight"),
    ]


# Short spellings whose other case means something else (metre, mega; gram, giga): only as they are tabled.
STRICT_CASE = frozenset(("m", "g", "s", "h", "d", "mm", "mg", "ml", "m2", "m3"))


def _spellings() -> dict[str, Unit]:
    """Every spelling, also without its spaces, and in lower case for the look-up of any other case."""
    table: dict[str, Unit] = {}
    for unit, words in _rows():
        for word in words.split(";"):
            for form in (word, word.replace(" ", ""), word.lower()):
                table.setdefault(form, unit)
    return table


UNITS: tuple[Unit, ...] = tuple(unit for unit, _ in _rows())
SPELLINGS: Mapping[str, Unit] = _spellings()

_REFUSED = Path(__file__).parent / "refused.toml"
REFUSED: Mapping[str, str] = tomllib.loads(_REFUSED.read_text(encoding="utf-8"))


class Kind(NamedTuple):
    """A kind of quantity: dimensions taken, SI unit in pint's words, units to show it in, accepted forms."""

    dims: tuple[str, ...]
    si: str
    us: tuple[str, ...]
    metric: tuple[str, ...]
    examples: str


# kind | dimensions | SI unit | shown, US | shown, metric | accepted forms
# The kinds of two words are what a product's form makes of "dose", "amount", "mix" and "concentration".
_KINDS = """
length | length | meter | ft | m | 25 ft, 8 m
area | area | meter**2 | ft2 | m2 | 5,000 ft2, 0.5 acre, 400 m2
volume | volume | liter | gal;fl oz | L;mL | 4 gal, 1 qt 8 fl oz, 15 L
mass | mass | kilogram | lb;oz | kg;g | 50 lb, 1 lb 3 oz, 20 kg
speed | length/time | meter/second | mph | km/h | 2 mph, 88 ft/min, 3 km/h
time | time | second | day;h;min;s | day;h;min;s | 30 min, 6 hour, 21 day
temperature | temperature | degC | °F | °C | 85 degF, 30 °C
temperature_difference | temperature | delta_degC | °F | °C | 8 degC, 14 degF
flow | volume/time | liter/second | gal/min | L/min | 0.4 gal/min, 1.5 L/min
volume_per_area | volume/area | liter/meter**2 | gal/ksqft | L/ha | 1 gal/ksqft, 40 gal/acre, 400 L/ha
mass_per_area | mass/area | kilogram/meter**2 | lb/acre | kg/ha | 1.5 lb/acre, 1.7 kg/ha
mass_rate | mass/time | kilogram/second | lb/min | kg/min | 3 lb/min, 20 g/s
area_rate | area/time | meter**2/second | acre/h | ha/h | 1 acre/hour, 5 ksqft/hour
fraction | percent;percent v/v;percent w/w | dimensionless | % | % | 5 %
concentration | mass/volume;percent;percent w/w;mass/mass | kilogram/liter | lb/gal | g/L | 3.8 lb/gal, 20 %
concentration liquid | mass/volume | kilogram/liter | lb/gal | g/L | 3.8 lb/gal, 480 g/L
concentration dry | percent;percent w/w;mass/mass | dimensionless | % | % | 20 %, 200 g/kg
dose liquid | volume/area | liter/meter**2 | fl oz/ksqft | L/ha | 3 fl oz/ksqft, 2 pt/acre, 3 L/ha
dose dry | mass/area | kilogram/meter**2 | oz/ksqft | kg/ha | 0.2 oz/ksqft, 3 lb/ksqft, 5 kg/ha
dose granule | mass/area | kilogram/meter**2 | lb/ksqft | kg/ha | 3 lb/ksqft, 150 lb/acre, 150 kg/ha
amount liquid | volume | liter | gal;fl oz | L;mL | 1.2 gal, 12 fl oz, 350 mL
amount dry | mass | kilogram | lb;oz | kg;g | 2.6 oz, 1 lb 3 oz, 75 g
mix liquid | volume/volume;percent;percent v/v | dimensionless | fl oz/gal | mL/L | 1.33 fl oz/gal, 0.25 %
mix dry | mass/volume | kilogram/liter | oz/gal | g/L | 0.5 oz/gal, 2 lb/100 gal, 4 g/L
"""


def _kinds() -> dict[str, Kind]:
    table = {}
    for row in _KINDS.strip().splitlines():
        name, dims, si, us, metric, examples = row.split(" | ")
        quoted = ", ".join(f'"{example}"' for example in examples.split(", "))
        table[name] = Kind(tuple(dims.split(";")), si, tuple(us.split(";")), tuple(metric.split(";")), quoted)
    return table


KINDS: Mapping[str, Kind] = _kinds()
FORMED = ("dose", "amount", "mix", "concentration")
