"""Calibration of sprayers: plot, catch, the 1/128 acre method, nozzle flow, several nozzles, speed and pace.

Called through `weedzone.calibration`, which names the sources.
"""

from __future__ import annotations

import datetime as dt
import statistics
from collections.abc import Iterable
from typing import Any

from weedzone.base.errors import Finding
from weedzone.base.units import quantity, show, to_si
from weedzone.kit.calibration.result import Calibration, Measure, Reader, listed, printed, read_si, usable

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
    return _sprayer("plot", carrier, read, date, "carrier = volume / area")


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
    return _sprayer("catch", volume_L / band, read, date, "carrier = volume / (length x width)")


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
    return _sprayer("ounces", caught_L / _test_area_m2(), read, date, formula)


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
    return _sprayer("nozzle", carrier, read, date, NOZZLE_FORMULA)


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
    return _sprayer("nozzles", carrier, read, date, NOZZLE_FORMULA, findings)


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


def _sprayer(
    method: str,
    carrier_L_per_m2: float,
    read: Reader,
    date: dt.date | None,
    formula: str,
    findings: tuple[Finding, ...] = (),
) -> Calibration:
    return Calibration(
        method=method,
        carrier_L_per_m2=carrier_L_per_m2,
        date=date,
        figures=tuple(read.figures),
        formula=formula,
        findings=findings,
    )


def _off(number: int, share: float) -> Finding:
    """Warn of a nozzle that is off by a share of the reference."""
    cause = "worn: replace it" if share > 0 else "clogged or damaged: clean it, else replace it"
    message = f"nozzle {number} gives {abs(share):.0%} too {'much' if share > 0 else 'little'}, {cause}"
    return Finding("warning", "calibration", f"nozzle {number}", message)


def _test_area_m2() -> float:
    """Area of the ounce method, 1/128 acre, in m2."""
    return to_si("1 acre", "area") / 128.0
