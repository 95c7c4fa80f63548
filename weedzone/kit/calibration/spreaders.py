"""Calibration of spreaders: plot, pans, and the effective swath of a broadcast pattern.

Called through `weedzone.calibration`. Source: Ohio State University Bulletin 817.
"""

from __future__ import annotations

import datetime as dt
import statistics
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from weedzone.base.errors import Finding, InputError
from weedzone.base.units import quantity
from weedzone.kit.calibration.result import (
    Calibration,
    Measure,
    Reader,
    amounts,
    counted,
    listed,
    printed,
    read_si,
    usable,
)

SWATH_FORMULA = "swath = distance between the points where the catch is half of the centre's"

SKEW = 0.20
"""Share of a spreader's swath by which its two sides may differ unreported (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Swath:
    """Effective swath of a broadcast spreader from a row of pans.

    Attributes
    ----------
    left_m, right_m : float
        Distance from the centre line to where the catch has fallen to half of the centre's, each side, m.
    findings : tuple of Finding
        A warning where the pattern is lopsided.
    """

    left_m: float
    right_m: float
    findings: tuple[Finding, ...] = ()

    @property
    def width_m(self) -> float:
        """Distance between passes, m."""
        return self.left_m + self.right_m

    @property
    def width(self) -> Any:
        """Distance between passes, a pint length."""
        return quantity(self.width_m, "length")

    def __str__(self) -> str:
        """Give result and findings, a line each."""
        sides = f"left {printed(self.left_m, 'length')}, right {printed(self.right_m, 'length')}"
        lines = [f"swath: {printed(self.width_m, 'length')}", f"from {sides}", SWATH_FORMULA]
        return "\n".join(lines + [f"{finding.severity}: {finding.message}" for finding in self.findings])


def spreader_plot(*, area: Measure, mass: Measure, date: dt.date | None = None) -> Calibration:
    """Spreading rate from a test plot: hopper weighed before and after.

    Parameters
    ----------
    area, mass : str or pint.Quantity
        Ground covered, and the product that left the hopper.
    """
    read = Reader()
    rate = read("mass", mass, "mass") / read("area", area, "area")
    return _spreader("spreader_plot", rate, read, date, "rate = mass / area")


def spreader_pan(
    *,
    mass: Measure,
    pan_area: Measure | None = None,
    pans: int | str = 1,
    passes: int | str = 1,
    length: Measure | None = None,
    width: Measure | None = None,
    date: dt.date | None = None,
) -> Calibration:
    """Spreading rate from pans on the ground, or from the pan hung under a drop spreader along a course.

    Parameters
    ----------
    mass : str or pint.Quantity
        Product in all the pans together.
    pan_area : str or pint.Quantity, optional
        Of one pan on the ground.
    pans, passes : int
        Pans laid out, and how often the spreader passed over them.
    length, width : str or pint.Quantity, optional
        Instead of the pan's area: of the course, and of the band over which the spreader drops.

    Raises
    ------
    UnitError
        Naming the argument that is no positive quantity of its kind, or no whole number of 1 or more.
    InputError
        Neither `pan_area` nor `length` and `width`, or both.
    """
    read = Reader()
    mass_kg = read("mass", mass, "mass")
    if (pan_area is None) == (length is None) or (length is None) != (width is None):
        raise InputError(
            "the catch was of pans on the ground, or of a pan under the hopper along a course",
            field="pan_area",
            mend="give pan_area, or else length and width",
        )
    if pan_area is None:
        ground, formula = read("length", length, "length") * read("width", width, "length"), "length x width"
    else:
        ground, formula = read("pan area", pan_area, "area"), "pan area x pans x passes"
    for name, value in (("pans", pans), ("passes", passes)):
        count = counted(value, name)
        ground *= count
        if pan_area is not None or count > 1:
            read.figures.append((name, str(count)))
    return _spreader(
        "spreader_pan", mass_kg / usable(ground, formula), read, date, f"rate = mass / ({formula})"
    )


def swath(*, catches: Iterable[Measure] | Measure, spacing: Measure) -> Swath:
    """Effective swath of a broadcast spreader from a row of pans across its path.

    Parameters
    ----------
    catches : sequence of str or pint.Quantity, or one text with ";" between
        Mass, or height in the vial as a length, of each pan from left to right: an odd number of five or
        more, the middle one on the centre line. An empty pan is ``"0 g"``.
    spacing : str or pint.Quantity
        Between the middles of neighbouring pans.

    Returns
    -------
    Swath
        A warning where one side reaches clearly further than the other.

    Raises
    ------
    UnitError
        Naming the argument that is no quantity of its kind.
    InputError
        Too few pans, an even number, or a row too short for the catch to fall to half.

    Notes
    -----
    Ohio State University Bulletin 817: twice the distance from the centre to where the rate is half of the
    average at the centre. The average is taken over the middle three pans, and the half is found between
    pans by straight line; each side is measured by itself and the two are added.
    """
    spacing_m = read_si(spacing, "length", "spacing")
    caught, _ = amounts(listed(catches, "catches", at_least=5), ("mass", "length", "volume"), "catches")
    if len(caught) % 2 == 0:
        raise InputError(
            f"{len(caught)} pans have no middle one", field="catches", mend="lay an odd number of pans"
        )
    middle = len(caught) // 2
    half = statistics.fmean(caught[middle - 1 : middle + 2]) / 2.0
    left_m = _reach(caught[middle::-1], half) * spacing_m
    right_m = _reach(caught[middle:], half) * spacing_m
    findings: tuple[Finding, ...] = ()
    if abs(left_m - right_m) > SKEW * (left_m + right_m):
        message = "the pattern is lopsided; set the spreader's pattern before trusting its swath"
        findings = (Finding("warning", "calibration", "swath", message),)
    return Swath(left_m=left_m, right_m=right_m, findings=findings)


def _spreader(method: str, rate: float, read: Reader, date: dt.date | None, formula: str) -> Calibration:
    return Calibration(
        method=method, rate_kg_per_m2=rate, date=date, figures=tuple(read.figures), formula=formula
    )


def _reach(caught: list[float], half: float) -> float:
    """How many pan spacings outward from the first the caught fall to half."""
    if half <= 0.0:
        raise InputError(
            "the middle pans are empty", field="catches", mend="check the centre line, test again"
        )
    for step in range(1, len(caught)):
        before, after = caught[step - 1], caught[step]
        if after <= half:
            return (
                step - 1 + max(before - half, 0.0) / (before - after) if before > after else float(step - 1)
            )
    raise InputError(
        "the row of pans ends before the catch falls to half of the centre's",
        field="catches",
        mend="lay out a row 1.5 to 2 times the swath expected, and test again",
    )
