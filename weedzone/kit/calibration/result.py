"""What a calibration gives: the rate, the figures and the formula that it comes from, and its age.

Also what its methods share: reading measures by name, and printing a figure in the trade's units.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from weedzone.base.errors import Finding, RigError, UnitError
from weedzone.base.units import convert, quantity, show, to_si
from weedzone.base.words import read_date

Measure = Any
"""Text with units, or a pint quantity."""

SEASON_DAYS = 365
"""Age in days at which a calibration is called older than a season (common practice, no source)."""

_PRINTED = {
    "volume_per_area": ("gal/acre", "gal/ksqft", "L/ha"),
    "mass_per_area": ("lb/acre", "lb/ksqft", "kg/ha"),
    "speed": ("mph", "ft/min", "km/h"),
    "length": ("ft", "m"),
    "flow": ("gal/min", "L/min"),
}


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """What a calibration gave, and from which figures.

    Attributes
    ----------
    method : str
        Name of the method, a key of `METHODS`.
    carrier_L_per_m2 : float, optional
        Spray volume per ground area of a sprayer, L/m2.
    rate_kg_per_m2 : float, optional
        Product per ground area of a spreader, kg/m2. One of the two is given, never both.
    date : datetime.date, optional
        The day of the calibration.
    figures : tuple of (str, str)
        What was measured, as name and text with unit.
    formula : str
        The formula in words.
    findings : tuple of Finding
        What was noticed, such as worn nozzles.
    """

    method: str
    carrier_L_per_m2: float | None = None
    rate_kg_per_m2: float | None = None
    date: dt.date | None = None
    figures: tuple[tuple[str, str], ...] = ()
    formula: str = ""
    findings: tuple[Finding, ...] = ()

    def __post_init__(self) -> None:
        """Refuse a calibration of nothing, of both kinds, or without a usable figure."""
        if (self.carrier_L_per_m2 is None) == (self.rate_kg_per_m2 is None):
            what = "a calibration is either of a sprayer or of a spreader"
            mend = "give one of carrier_L_per_m2 and rate_kg_per_m2"
            raise RigError(what, field=self.method, mend=mend)
        usable(self._figure[0], f"{self.method}: the rate")
        if self.date is not None:
            object.__setattr__(self, "date", read_date(self.date, "date"))

    @property
    def carrier(self) -> Any:
        """Spray volume per ground area, a pint quantity.

        Raises
        ------
        RigError
            For a spreader.
        """
        if self.carrier_L_per_m2 is None:
            raise RigError("a spreader has no carrier", field=self.method, mend="read its .rate")
        return quantity(self.carrier_L_per_m2, "volume_per_area")

    @property
    def rate(self) -> Any:
        """Product per ground area, a pint quantity.

        Raises
        ------
        RigError
            For a sprayer.
        """
        if self.rate_kg_per_m2 is None:
            raise RigError("a sprayer has no spreading rate", field=self.method, mend="read its .carrier")
        return quantity(self.rate_kg_per_m2, "mass_per_area")

    @property
    def _figure(self) -> tuple[float, str]:
        """The figure that is given, and its kind."""
        if self.carrier_L_per_m2 is not None:
            return self.carrier_L_per_m2, "volume_per_area"
        assert self.rate_kg_per_m2 is not None
        return self.rate_kg_per_m2, "mass_per_area"

    def text(self) -> str:
        """Give result, figures, formula, date and findings, a line each."""
        lines = [f"{self.method}: {printed(*self._figure)}"]
        if self.figures:
            lines.append("from " + ", ".join(f"{name} {value}" for name, value in self.figures))
        if self.formula:
            lines.append(self.formula)
        if self.date is not None:
            lines.append(f"calibrated {self.date.isoformat()}")
        lines.extend(f"{finding.severity}: {finding.message}" for finding in self.findings)
        return "\n".join(lines)

    __str__ = text


class Reader:
    """Reads measures and remembers how they were written."""

    def __init__(self) -> None:
        self.figures: list[tuple[str, str]] = []

    def __call__(self, name: str, value: Measure, kind: str) -> float:
        """Read a measure above zero as a float in SI, and note it."""
        si = read_si(value, kind, name.replace(" ", "_"))
        self.figures.append((name, " ".join(value.split()) if isinstance(value, str) else show(si, kind)))
        return si

    def gives(self, method: str, formula: str, date: dt.date | None, **found: Any) -> Calibration:
        """Calibration of the measures read, with what was found: ``carrier_L_per_m2`` or ``rate_kg_per_m2``."""
        return Calibration(method=method, formula=formula, date=date, figures=tuple(self.figures), **found)


def listed(values: Iterable[Measure] | Measure, field: str, at_least: int = 1) -> list[Measure]:
    """Take several measures out of a sequence, or out of one text with ";" between."""
    if isinstance(values, str):
        values = [part.strip() for part in values.split(";") if part.strip()]
    try:
        found: list[Measure] = list(values)
    except TypeError:  # a single quantity
        found = [values]
    if len(found) < at_least:
        what = f"{len(found)} given, {at_least} or more are needed"
        raise UnitError(what, field=field, mend='put ";" between')
    return found


def read_si(value: Measure, kind: str, field: str) -> float:
    """Read a measure above zero as a float in the SI unit of its kind."""
    return usable(to_si(value, kind, field=field), field)


def usable(number: float, field: str) -> float:
    """Pass a finite number above zero on, refuse any other."""
    if not (math.isfinite(number) and number > 0.0):
        mend = "check the figures that it comes from"
        raise UnitError("is not a finite figure above zero", field=field, mend=mend)
    return number


def counted(value: int | str, field: str) -> int:
    """Read a whole number of 1 or more."""
    text = str(value).strip()
    if isinstance(value, bool) or not re.fullmatch("0*[1-9][0-9]*", text) or len(text) > 6:
        what = f"{value!r} is no whole number of 1 or more"
        raise UnitError(what, field=field, mend="give a count such as 3")
    return int(text)


def printed(si: float, kind: str) -> str:
    """Print a figure in the trade's unit, with others in brackets."""
    first, *others = (f"{convert(si, kind, unit):.4g} {unit}" for unit in _PRINTED[kind])
    return f"{first} ({', '.join(others)})"


def amounts(values: list[Measure], kinds: tuple[str, ...], field: str) -> tuple[list[float], str]:
    """Read several measures, zero allowed, all of the kind that the first of them is of; and say which."""
    found = kinds[0]
    for kind in kinds:
        with suppress(UnitError):
            to_si(values[0], kind, allow_zero=True)
            found = kind
            break
    return [to_si(value, found, field=field, allow_zero=True) for value in values], found
