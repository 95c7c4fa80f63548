"""The methods of calibration.

Of sprayers: plot, catch, the 1/128 acre method, nozzle flow, several nozzles, speed and pace. Of spreaders: plot,
pans, and the effective swath of a broadcast pattern. Called through `weedzone.calibration`, which names the sources.
"""

from __future__ import annotations

import datetime as dt
import statistics
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from weedzone.base.errors import Finding, InputError
from weedzone.base.units import quantity, show, to_si
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

WORN = 0.10
"""Share by which a nozzle may differ (USGA "The 10-Percent Rule", 2016; Oklahoma State; LSU AgCenter)."""

NOZZLE_FORMULA = "carrier = flow / (speed x spacing) (gal/acre = 5940 x gal/min / (mph x in))"


def plot(*, area: Measure, volume: Measure, date: dt.date | None = None) -> Calibration:
    """Carrier from a test plot: refill volume over its area.

    Parameters
    ----------
    area, volume : str or pint.Quantity
        Ground sprayed, and the volume that refills the tank to its mark.
    date : datetime.date, optional
        The day of the calibration, here and below.

    Raises
    ------
    UnitError
        Naming the argument that is no positive quantity of its kind, here and below.
    """
    read = Reader()
    carrier = read("volume", volume, "volume") / read("area", area, "area")
    return read.gives("plot", "carrier = volume / area", date, carrier_L_per_m2=carrier)


def catch(*, volume: Measure, length: Measure, width: Measure, date: dt.date | None = None) -> Calibration:
    """Carrier from the volume that the tips over a band give along a course.

    Parameters
    ----------
    volume : str or pint.Quantity
        Caught from all the tips that spray the band, in the time that the course takes.
    length, width : str or pint.Quantity
        Of the course, and of the band.
    """
    read = Reader()
    volume_L = read("volume", volume, "volume")
    band = usable(read("length", length, "length") * read("width", width, "length"), "length x width")
    return read.gives("catch", "carrier = volume / (length x width)", date, carrier_L_per_m2=volume_L / band)


def ounces(*, caught: Measure, spacing: Measure, date: dt.date | None = None) -> Calibration:
    """Carrier by the 1/128 acre method: fluid ounces caught are gallons per acre.

    Parameters
    ----------
    caught : str or pint.Quantity
        Volume from one nozzle in the time that the course of `course` takes.
    spacing : str or pint.Quantity
        Between nozzles, or the width that a hand wand covers; it sets the course.

    Notes
    -----
    LSU AgCenter, "Ounces Equal Gallons": a gallon is 128 fl oz, so 1 fl oz on 1/128 acre (340.3 ft2) is 1
    gal/acre.
    """
    read = Reader()
    caught_L = read("caught", caught, "volume")
    length_m = usable(_test_area_m2() / read("spacing", spacing, "length"), "1/128 acre / spacing")
    read.figures.append(("course", printed(length_m, "length")))
    formula = "gal/acre = fl oz caught on 1/128 acre (course = 340.3 ft2 / spacing)"
    return read.gives("ounces", formula, date, carrier_L_per_m2=caught_L / _test_area_m2())


def course(*, spacing: Measure, area: Measure = "1/128 acre") -> Any:
    """Length of the course on which one spacing covers the test area.

    Parameters
    ----------
    spacing : str or pint.Quantity
        Between nozzles, or the swath of a boom or wand.
    area : str or pint.Quantity, optional
        Test area, 1/128 acre unless told.

    Returns
    -------
    pint.Quantity
        A length.
    """
    area_m2 = _test_area_m2() if area == "1/128 acre" else read_si(area, "area", "area")
    return quantity(usable(area_m2 / read_si(spacing, "length", "spacing"), "area / spacing"), "length")


def nozzle(*, flow: Measure, speed: Measure, spacing: Measure, date: dt.date | None = None) -> Calibration:
    """Carrier from one nozzle's flow, the ground speed and the spacing.

    Parameters
    ----------
    flow, speed, spacing : str or pint.Quantity
        Volume per time of one nozzle; ground speed; distance between nozzles.

    Notes
    -----
    UF/IFAS WG013: gal/acre = 5940 x gal/min / (mph x in), 5940 being 43,560 x 12 / 88.
    """
    read = Reader()
    carrier = read("flow", flow, "flow") / _strip(read, speed, spacing)
    return read.gives("nozzle", NOZZLE_FORMULA, date, carrier_L_per_m2=carrier)


def nozzles(
    *,
    flows: Iterable[Measure] | Measure,
    speed: Measure,
    spacing: Measure,
    time: Measure | None = None,
    nominal: Measure | None = None,
    date: dt.date | None = None,
) -> Calibration:
    """Carrier from catch tests over several nozzles, with worn and clogged ones reported.

    Parameters
    ----------
    flows : sequence of str or pint.Quantity, or one text with ";" between
        Flow of each nozzle in boom order, two or more; volumes where `time` is given.
    speed, spacing : str or pint.Quantity
        Ground speed; distance between nozzles.
    time : str or pint.Quantity, optional
        How long each catch took.
    nominal : str or pint.Quantity, optional
        Flow of a new nozzle at the same pressure. Without it the mean of the catches stands in: then
        nozzles that are all worn alike are not seen.

    Returns
    -------
    Calibration
        From the mean flow; a warning for each nozzle more than 10 % off.

    Notes
    -----
    USGA "The 10-Percent Rule" (2016): within 10 % of a new, matching nozzle; a low flow is debris, a high
    one is wear. Oklahoma State, LSU AgCenter: within 10 % of the average of the boom.
    """
    seconds = 1.0 if time is None else read_si(time, "time", "time")
    kind = "flow" if time is None else "volume"
    readings = [read_si(value, kind, "flows") / seconds for value in listed(flows, "flows", at_least=2)]
    mean = usable(statistics.fmean(readings), "flows")
    reference = mean if nominal is None else read_si(nominal, "flow", "nominal")
    read = Reader()
    read.figures += [
        ("flows", "; ".join(show(reading, "flow") for reading in readings)),
        ("mean flow", show(mean, "flow")),
        ("spread", f"{(max(readings) - min(readings)) / mean:.1%} of the mean"),
        ("compared with", "the mean" if nominal is None else f"a new nozzle, {show(reference, 'flow')}"),
    ]
    findings = tuple(
        _off(number, reading / reference - 1.0)
        for number, reading in enumerate(readings, start=1)
        if abs(reading / reference - 1.0) > WORN + 1e-9
    )
    carrier = mean / _strip(read, speed, spacing)
    return read.gives("nozzles", NOZZLE_FORMULA, date, carrier_L_per_m2=carrier, findings=findings)


def speed(*, distance: Measure, time: Iterable[Measure] | Measure) -> Any:
    """Find the walking or driving speed over a timed course.

    Parameters
    ----------
    distance : str or pint.Quantity
        Length of the course; 200 ft is usual.
    time : str or pint.Quantity, or several (a sequence, or one text with ";" between)
        Time of each run; several are averaged.

    Returns
    -------
    pint.Quantity
        A speed.

    Notes
    -----
    Oklahoma State University turf program: mph = ft x 60 / (s x 88), the average of three runs.
    """
    distance_m = read_si(distance, "length", "distance")
    times = [read_si(value, "time", "time") for value in listed(time, "time")]
    return quantity(usable(distance_m / statistics.fmean(times), "distance / time"), "speed")


def pace(*, flow: Measure, carrier: Measure, spacing: Measure) -> Any:
    """Speed at which a nozzle or wand puts down a wanted carrier; `nozzle` turned round.

    Parameters
    ----------
    flow, carrier, spacing : str or pint.Quantity
        Volume per time; wanted volume per area; distance between nozzles, or the width that a wand covers.

    Returns
    -------
    pint.Quantity
        A speed.
    """
    strip = usable(
        read_si(carrier, "volume_per_area", "carrier") * read_si(spacing, "length", "spacing"), "carrier"
    )
    return quantity(usable(read_si(flow, "flow", "flow") / strip, "flow / (carrier x spacing)"), "speed")


def flow(*, carrier: Measure, speed: Measure, spacing: Measure) -> Any:
    """Flow that a nozzle must give for a wanted carrier; `nozzle` turned round, to choose tips by.

    Parameters
    ----------
    carrier, speed, spacing : str or pint.Quantity
        Wanted volume per area; ground speed; distance between nozzles.

    Returns
    -------
    pint.Quantity
        Volume per time.
    """
    wanted = read_si(carrier, "volume_per_area", "carrier") * _strip(Reader(), speed, spacing)
    return quantity(usable(wanted, "carrier x speed x spacing"), "flow")


def _strip(read: Reader, speed: Measure, spacing: Measure) -> float:
    """Ground that one spacing passes over in a second, m2/s."""
    return usable(read("speed", speed, "speed") * read("spacing", spacing, "length"), "speed x spacing")


def _off(number: int, share: float) -> Finding:
    """Warn of a nozzle that is off by a share of the reference."""
    cause = "worn: replace it" if share > 0 else "clogged or damaged: clean it, else replace it"
    message = f"nozzle {number} gives {abs(share):.0%} too {'much' if share > 0 else 'little'}, {cause}"
    return Finding("warning", "calibration", f"nozzle {number}", message)


def _test_area_m2() -> float:
    """Area of the ounce method, 1/128 acre, in m2."""
    return to_si("1 acre", "area") / 128.0


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
    return read.gives("spreader_plot", "rate = mass / area", date, rate_kg_per_m2=rate)


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
        what = "the catch was of pans on the ground, or of a pan under the hopper along a course"
        raise InputError(what, field="pan_area", mend="give pan_area, or else length and width")
    if pan_area is None:
        ground, formula = read("length", length, "length") * read("width", width, "length"), "length x width"
    else:
        ground, formula = read("pan area", pan_area, "area"), "pan area x pans x passes"
    for name, value in (("pans", pans), ("passes", passes)):
        count = counted(value, name)
        ground *= count
        if pan_area is not None or count > 1:
            read.figures.append((name, str(count)))
    rate = mass_kg / usable(ground, formula)
    return read.gives("spreader_pan", f"rate = mass / ({formula})", date, rate_kg_per_m2=rate)


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
        what = f"{len(caught)} pans have no middle one"
        raise InputError(what, field="catches", mend="lay an odd number of pans")
    middle = len(caught) // 2
    half = statistics.fmean(caught[middle - 1 : middle + 2]) / 2.0
    left_m = _reach(caught[middle::-1], half) * spacing_m
    right_m = _reach(caught[middle:], half) * spacing_m
    findings: tuple[Finding, ...] = ()
    if abs(left_m - right_m) > SKEW * (left_m + right_m):
        message = "the pattern is lopsided; set the spreader's pattern before trusting its swath"
        findings = (Finding("warning", "calibration", "swath", message),)
    return Swath(left_m=left_m, right_m=right_m, findings=findings)


def _reach(caught: list[float], half: float) -> float:
    """How many pan spacings outward from the first the caught fall to half."""
    if half <= 0.0:
        mend = "check the centre line, test again"
        raise InputError("the middle pans are empty", field="catches", mend=mend)
    for step, (before, after) in enumerate(pairwise(caught)):
        if after <= half:
            return step + max(before - half, 0.0) / (before - after) if before > after else float(step)
    what = "the row of pans ends before the catch falls to half of the centre's"
    mend = "lay out a row 1.5 to 2 times the swath expected, and test again"
    raise InputError(what, field="catches", mend=mend)
