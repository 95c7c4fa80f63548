"""Keeping the weed out: feeding, watering and overseeding of the whole turf.

Every function takes text with units (``"1 lb/ksqft"``) or pint quantities, by keyword, and returns a
frozen dataclass with SI floats and pint quantities. Figures are the common ones for healthy turf; a soil
test, the product label and local fertilizer and watering rules come first.

Sources: product for a nitrogen rate, University of Nebraska-Lincoln "Lawn Fertilizer Calculations"; yearly
and single figures, University of Illinois lawn fertilizing table (1995) and Virginia Department of
Conservation and Recreation; 1 inch of water is 144/231 gal/ft2, NIST Handbook 44 Appendix C; low-quarter
uniformity, Keller and Bliesner, "Sprinkler and Trickle Irrigation".
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from weedzone.base.errors import Finding, InputError
from weedzone.base.units import quantity, to_si
from weedzone.kit import SINGLE_NITROGEN, YEARLY_NITROGEN, Analysis, analysis
from weedzone.kit.calibration import Measure, amounts, listed, read_si, usable
from weedzone.season.feeding import FEEDING_DAYS, Feeding, Supply, feed, feeding_plan, nitrogen_rate, overseed

__all__ = [
    "FEEDING_DAYS", "REPAIR_BELOW", "SINGLE_NITROGEN", "WEEKLY_DEPTH", "YEARLY_NITROGEN", "Analysis", "CatchCans",
    "Feeding", "Supply", "Watering", "analysis", "catch_cans", "feed", "feeding_plan", "nitrogen_rate", "overseed",
    "precipitation_rate", "run_multiplier", "water",
]  # fmt: skip

WEEKLY_DEPTH = "1 in"
"""Water a week, rain included: the common rule (common practice, no source)."""

REPAIR_BELOW = 0.55
"""Uniformity under which to mend the heads before the run is made longer (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class CatchCans:
    """A catch-can test: mean catch, low-quarter uniformity and, with the time, the precipitation rate.

    Attributes
    ----------
    mean_m : float, optional
        Mean depth caught, m; not known of volumes without the can's area.
    uniformity : float
        Mean of the lowest quarter over the mean of all, 0 to 1.
    rate_m_per_s : float, optional
        Depth per time, m/s.
    findings : tuple of Finding
        What was noticed.
    """

    mean_m: float | None
    uniformity: float
    rate_m_per_s: float | None = None
    findings: tuple[Finding, ...] = ()

    @property
    def rate(self) -> Any:
        """Precipitation rate, a pint quantity (length per time).

        Raises
        ------
        InputError
            Where the test gave none.
        """
        if self.rate_m_per_s is None:
            mend = "give time, and can_area with volumes"
            raise InputError("the test gave no rate", field="time", mend=mend)
        return quantity(self.rate_m_per_s, "speed")


@dataclass(frozen=True, kw_only=True)
class Watering:
    """Water for an area and how long the sprinklers run for it.

    Attributes
    ----------
    area_m2, depth_m : float
        Ground, and depth of water wanted on it.
    rate_m_per_s : float
        Precipitation rate, m/s.
    multiplier : float
        By how much the run is longer than with a perfectly even system; 1 or more.
    """

    area_m2: float
    depth_m: float
    rate_m_per_s: float
    multiplier: float = 1.0

    @property
    def volume_L(self) -> float:
        """Water wanted on the ground, L: area times depth."""
        return self.area_m2 * self.depth_m * 1000.0

    @property
    def volume(self) -> Any:
        """Water wanted on the ground, a pint volume."""
        return quantity(self.volume_L, "volume")

    @property
    def run_s(self) -> float:
        """How long to run, s, the multiplier included."""
        return self.depth_m / self.rate_m_per_s * self.multiplier

    @property
    def run(self) -> Any:
        """How long to run, a pint time."""
        return quantity(self.run_s, "time")

    @property
    def used_L(self) -> float:
        """Water that the run puts out, L: the volume times the multiplier."""
        return self.volume_L * self.multiplier

    @property
    def used(self) -> Any:
        """Water that the run puts out, a pint volume."""
        return quantity(self.used_L, "volume")


def precipitation_rate(*, flow: Measure, area: Measure) -> Any:
    """Depth of water per time from the flow over an area.

    Parameters
    ----------
    flow, area : str or pint.Quantity
        Of one zone of sprinklers.

    Returns
    -------
    pint.Quantity
        Length per time; in/h = 96.25 x gal/min / ft2, 96.25 being 60 x 231 / 144 (some texts print 96.3).
    """
    flow_L_per_s, area_m2 = read_si(flow, "flow", "flow"), read_si(area, "area", "area")
    return quantity(usable(flow_L_per_s / area_m2 / 1000.0, "flow / area"), "speed")


def catch_cans(
    *, catches: Iterable[Measure] | str, time: Measure | None = None, can_area: Measure | None = None
) -> CatchCans:
    """Uniformity and precipitation rate from equal cans set out over a zone.

    Parameters
    ----------
    catches : sequence of str or pint.Quantity, or one text with ";" between
        Depth or volume in each can, four or more; a dry can is zero.
    time : str or pint.Quantity, optional
        How long the sprinklers ran.
    can_area : str or pint.Quantity, optional
        Mouth of one can; turns volumes into depths.

    Returns
    -------
    CatchCans
        With a warning where the uniformity is below `REPAIR_BELOW`.

    Raises
    ------
    UnitError
        Naming the argument that cannot be taken, fewer than four cans, or no water at all.

    Notes
    -----
    Keller and Bliesner: mean of the lowest quarter over the mean of all. Where four does not divide the
    number of cans, the quarter is rounded to the nearest whole can (common practice, no source).
    """
    values, kind = amounts(listed(catches, "catches", at_least=4), ("length", "volume"), "catches")
    if can_area is not None and kind == "volume":
        mouth_m2 = read_si(can_area, "area", "can_area")
        values, kind = [value / 1000.0 / mouth_m2 for value in values], "length"
    mean = usable(statistics.fmean(values), "catches")
    quarter = sorted(values)[: math.floor(len(values) / 4 + 0.5)]
    uniformity = statistics.fmean(quarter) / mean
    seconds = None if time is None else read_si(time, "time", "time")
    poor = f"uniformity {uniformity:.0%} is poor: mend and set the sprinklers before running them longer"
    return CatchCans(
        mean_m=mean if kind == "length" else None,
        uniformity=uniformity,
        rate_m_per_s=mean / seconds if kind == "length" and seconds is not None else None,
        findings=(Finding("warning", "turfcare", "catch cans", poor),) if uniformity < REPAIR_BELOW else (),
    )


def run_multiplier(uniformity: float | str, *, by: str = "low half") -> float:
    """By how much longer an uneven system runs than an even one.

    Parameters
    ----------
    uniformity : float or str
        Low-quarter uniformity, above 0 and up to 1, or text ("70 %").
    by : str
        ``"low half"``: 1 / (0.4 + 0.6 DU), the landscape auditor's upper limit. ``"low quarter"``: 1 / DU,
        which waters the driest quarter in full and the rest far too much.

    Returns
    -------
    float
        1 or more.

    Raises
    ------
    InputError
        A uniformity outside 0 to 1, or another `by`.

    Notes
    -----
    That 1 / DU greatly overstates the need, and that the lower half is current practice: Mecham, "Audit
    Based Landscape Irrigation Scheduling", ASABE 5th National Decennial Irrigation Conference, 2010. The
    0.4 and 0.6 are from memory.
    """
    share = to_si(uniformity, "fraction", field="uniformity") if isinstance(uniformity, str) else uniformity
    if isinstance(share, bool) or not isinstance(share, int | float) or not 0.0 < share <= 1.0:
        what = f"{uniformity!r} is no uniformity"
        raise InputError(what, field="uniformity", mend="give it between 0 and 1")
    if by not in ("low half", "low quarter"):
        raise InputError(f"no adjustment {by!r}", field="by", mend='use "low half" or "low quarter"')
    return 1.0 / (0.4 + 0.6 * share) if by == "low half" else 1.0 / share


def water(
    *,
    area: Measure,
    depth: Measure = WEEKLY_DEPTH,
    flow: Measure | None = None,
    rate: Measure | None = None,
    uniformity: float | str = 1.0,
    by: str = "low half",
) -> Watering:
    """Water for a depth over an area, and the run for it.

    Parameters
    ----------
    area : str or pint.Quantity
        Turf of one zone of sprinklers.
    depth : str or pint.Quantity, optional
        Water wanted: a week's inch unless told. Take off the rain that fell.
    flow, rate : str or pint.Quantity
        One of them: the zone's volume per time, or its precipitation rate (`catch_cans`,
        `precipitation_rate`).
    uniformity : float or str, optional
        Low-quarter uniformity from `catch_cans`; 1 makes no adjustment.
    by : str, optional
        How the run is adjusted, see `run_multiplier`.

    Returns
    -------
    Watering

    Raises
    ------
    UnitError
        Naming the argument that cannot be taken.
    InputError
        Neither or both of `flow` and `rate`, or a uniformity outside 0 to 1.
    """
    if (flow is None) == (rate is None):
        raise InputError("the run needs one of flow and rate", field="flow", mend="give either flow or rate")
    area_m2 = read_si(area, "area", "area")
    depth_m = read_si(depth, "length", "depth")
    spread = precipitation_rate(flow=flow, area=area) if rate is None else rate
    return Watering(
        area_m2=area_m2,
        depth_m=depth_m,
        rate_m_per_s=read_si(spread, "speed", "rate"),
        multiplier=run_multiplier(uniformity, by=by),
    )
