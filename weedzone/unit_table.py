"""Every unit that weedzone reads or prints: exact size in SI, name in pint, spellings.

The foot is the international one; the survey foot (1200/3937 m) stands apart and must be named. Metric sizes are
exact, US ones follow from inch = 0.0254 m, gallon = 231 in3 and pound = 0.45359237 kg (NIST Handbook 44, Appendix C).
"""

from __future__ import annotations

from fractions import Fraction
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
            "fl oz;fluid oz;fluid ounce;fluid ounces;fl ounce;fl ounces;"
            "us fl oz;us fluid ounce;us fluid ounces",
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
            "oz;ounce;ounces;oz by weight;ounces by weight;ounce by weight;"
            "oz wt;wt oz;weight oz;oz by wt;dry oz;dry ounce;dry ounces",
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


UNITS: tuple[Unit, ...] = tuple(unit for unit, _ in _rows())
SPELLINGS: dict[str, Unit] = {}
for _unit, _words in _rows():
    for _word in _words.split(";"):
        SPELLINGS[_word] = _unit
        SPELLINGS.setdefault(_word.replace(" ", ""), _unit)

# Short spellings whose other case means something else (metre and mega, gram and giga): only as they are tabled.
STRICT_CASE = frozenset(("m", "g", "s", "h", "d", "a", "c", "f", "mm", "mg", "ml", "m2", "m3"))
SPELLINGS["l"] = SPELLINGS["L"]

REFUSED = {
    "M": "write ksqft or 1000 ft2",
    "A": "write acre",
    "a": "write acre",
    "T": "write tbsp, short ton or tonne",
    "t": "write tonne",
    "ton": "write short ton or tonne",
    "tons": "write short ton or tonne",
    "#": "write lb",
    "'": "write ft",
    '"': "write in",
    "month": "write days or weeks",
    "months": "write days or weeks",
    "year": "write days",
    "years": "write days",
    "ML": "write mL",
    "MG": "write mg",
    "MM": "write mm",
    "G": "write g or gal",
    "C": "write degC",
}
