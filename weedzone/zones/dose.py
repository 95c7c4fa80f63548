"""What one product would be sprayed at with one rig, and whether its label allows that.

What the crew has set before a job: which adjuvants go in, and a spreader's setting.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import ROUND_DOWN, ROUND_HALF_UP, Decimal
from typing import Literal

from weedzone.base.errors import Finding, InputError, LabelError, RigError, WeedzoneError
from weedzone.base.units import convert, show
from weedzone.kit import SLACK, Label, Rate, Sprayer, Spreader, most_per_application

Rig = Sprayer | Spreader
DoseChoice = Literal["high", "low"]
_NOISE = Decimal("1e-12")  # of a limit: what floats add to a round figure


@dataclass(frozen=True)
class Plan:
    """A product at a rig's volume.

    Attributes
    ----------
    label : Label
    use : str
    dose_low, dose_high : float
        Product per treated area [L/m2 or kg/m2] that label and limits allow in one application.
    volume : float
        Solution per area [L/m2]; 0 for granules.
    findings : tuple of Finding
    lowest : float
        Low end of the label's range at this volume, whatever setting a spreader has.
    """

    label: Label
    use: str
    dose_low: float
    dose_high: float
    volume: float
    findings: tuple[Finding, ...] = ()
    lowest: float = 0.0

    def most_dose(self, turf: str) -> float:
        """Most product on a turf in one application [L/m2 or kg/m2].

        Turf that the label names without a caution takes `dose_high`. With one it takes the caution's own dose, and
        without such a dose the low end of the label's range. A spreader whose setting is above that may not go there.
        """
        if turf not in self.label.caution:
            return self.dose_high
        return min(self.label.caution_dose.get(turf, self.lowest), self.dose_high)

    def actives(self, dose: float) -> dict[str, float]:
        """Each active ingredient at a dose [kg/m2]."""
        return {active.name: dose * active.concentration for active in self.label.actives}


def plans(
    labels: Mapping[str, Label], use: str, rig: Rig, named: set[str]
) -> tuple[dict[str, Plan], list[Finding]]:
    """Plan every product that label and rig allow for a use.

    Parameters
    ----------
    named : set of str
        Products that the caller asked for by name: a refusal of one of them is an error. Of the others it is
        a finding, unless nothing is left.

    Raises
    ------
    LabelError, RigError
        Saying what the label or the rig does not allow, and the mend.
    """
    wanted = Spreader if use == "granular" else Sprayer
    if not isinstance(rig, wanted):
        other = "spreader" if use == "granular" else "sprayer"
        raise RigError(f"the use {use!r} needs a {other}", feature=rig.name, mend="choose another rig or use")
    found: dict[str, Plan] = {}
    refusals: list[WeedzoneError] = []
    findings: list[Finding] = []
    for name, label in labels.items():
        try:
            found[name] = plan(label, use, rig)
        except WeedzoneError as refusal:
            if name in named:
                raise
            refusals.append(refusal)
            severity = "note" if label.rate(use) is None else "warning"
            findings.append(Finding(severity, "labels", name, f"not used: {refusal}"))
    if not found:
        if not refusals:
            raise LabelError("no label is given", mend="read at least one")
        # A rig that fits no label is at fault itself, and not the first label that has no such use.
        raise next((error for error in refusals if isinstance(error, RigError)), refusals[0])
    for made in found.values():
        findings += made.findings
    return found, findings


def plan(label: Label, use: str, rig: Rig) -> Plan:
    """Plan one product; see `plans`."""
    rate = label.rate(use)
    if rate is None:
        have = ", ".join(one.use for one in label.rates)
        raise LabelError(
            f"the label has no rate for the use {use!r}",
            file=label.file,
            feature=label.name,
            mend=f"it has: {have}",
        )
    volume = 0.0 if isinstance(rig, Spreader) else _volume(label, rate, rig)
    if rate.mix is not None:
        low, high = rate.mix[0] * volume, rate.mix[1] * volume
    else:
        assert rate.dose is not None
        low, high = rate.dose
    if not isinstance(rig, Spreader):
        _check_room(label, rate, high, volume)
    most, limiting = most_per_application(label)
    if low > most * SLACK:
        _refuse(label, rate, use, low, most, limiting, volume)
    findings = []
    if high > most * SLACK:
        message = (
            f"the highest dose {_dose(label, high)} passes the limit of {limiting} in one application: "
            f"planned at {_dose(label, most)}"
        )
        findings.append(Finding("warning", "labels", label.name, message))
    elif high > low * SLACK:
        highest = _dose(label, high)
        message = f"planned at the highest labelled dose {highest}; the label allows from {_dose(label, low)}"
        findings.append(Finding("note", "labels", label.name, message))
    return Plan(label, use, low, min(high, most), volume, tuple(findings), low)


def _volume(label: Label, rate: Rate, rig: Sprayer) -> float:
    """Solution per area: the rig's as calibrated, else the label's own where it is one figure."""
    asked = f"{label.name!r} for the use {rate.use!r}"
    if rig.carrier_L_per_m2 is None:
        if rate.volume is None or rate.volume[1] > rate.volume[0] * SLACK:
            raise RigError(
                f"the rig has no carrier volume, and the label of {asked} gives no single one",
                feature=rig.name,
                field="carrier",
                mend='calibrate and write carrier = "1 gal/ksqft"',
            )
        return rate.volume[0]
    carrier = rig.carrier_L_per_m2
    if rate.volume is not None and not rate.volume[0] / SLACK <= carrier <= rate.volume[1] * SLACK:
        low, high = (show(end, "volume_per_area") for end in rate.volume)
        span = low if low == high else f"{low} to {high}"
        raise RigError(
            f"the rig's carrier {show(carrier, 'volume_per_area')} is outside the label's volume {span} of {asked}",
            feature=rig.name,
            field="carrier",
            mend="recalibrate the rig within that range, or use another",
        )
    return carrier


def _check_room(label: Label, rate: Rate, dose: float, volume: float) -> None:
    """Product and adjuvants must leave room for water in the solution."""
    share = sum(adjuvant.rate for adjuvant in label.adjuvants)
    if label.form == "liquid":
        share += dose / volume
    if share >= 1.0:
        raise LabelError(
            f"product and adjuvants fill {100 * share:.0f} % of the solution at {show(volume, 'volume_per_area')}",
            file=label.file,
            feature=label.name,
            field=f"[[rate]] {rate.use}",
            mend="check the rate and the volume",
        )


def _refuse(
    label: Label, rate: Rate, use: str, low: float, most: float, limiting: str, volume: float
) -> None:
    concentration = next(active.concentration for active in label.actives if active.name == limiting)
    found, limit = _apart(low * concentration, most * concentration, "mass_per_area")
    what = f"the {use} rate puts down {found} of {limiting}, above the label's {limit} in one application"
    if rate.mix is not None:
        now, allowed = _apart(volume, most / rate.mix[0], "volume_per_area")
        mend = f"the largest volume that this mix allows is {allowed} (now {now})"
    else:
        mend = f"the largest dose allowed is {_apart(low, most, 'dose', label.form)[1]}"
    raise LabelError(what, file=label.file, feature=label.name, field=f"[[rate]] {use}", mend=mend)


def _apart(above: float, allowed: float, kind: str, form: str | None = None) -> tuple[str, str]:
    """Print an amount and the limit it passes: the limit rounded down, with figures enough to differ."""
    unit = show(allowed, kind, form=form).split(" ", 1)[1]
    high, low = (Decimal(repr(convert(one, kind, unit, form=form))) for one in (above, allowed))
    for figures in range(4, 12):
        step = Decimal(1).scaleb(low.adjusted() + 1 - figures)
        texts = [
            f"{one.quantize(min(step, Decimal(1)), rounding=way).normalize():f} {unit}"
            for one, way in ((high, ROUND_HALF_UP), (low * (1 + _NOISE), ROUND_DOWN))
        ]
        if texts[0] != texts[1] and high.quantize(min(step, Decimal(1))) > low:
            break
    return texts[0], texts[1]


def _dose(label: Label, dose: float) -> str:
    return show(dose, "dose", form=label.form)


ADJUVANTS = ("all", "required")


def with_adjuvants(labels: Mapping[str, Label], which: str) -> dict[str, Label]:
    """Labels with the adjuvants that are to be used: all that the label names, or only those that it requires."""
    if which not in ADJUVANTS:
        raise InputError(
            f"the adjuvants {which!r} are not known", field="adjuvants", mend=f"one of {', '.join(ADJUVANTS)}"
        )
    if which == "all":
        return dict(labels)
    return {
        name: replace(label, adjuvants=tuple(one for one in label.adjuvants if one.required))
        for name, label in labels.items()
    }


def at_setting(
    planned: Mapping[str, Plan], rig: Rig, named: set[str]
) -> tuple[dict[str, Plan], list[Finding]]:
    """Plans at the rate that the spreader was calibrated to; sprayers and uncalibrated spreaders change nothing.

    A product whose label does not allow that rate is left out.

    Parameters
    ----------
    named : set of str
        Products that the caller asked for by name: leaving out one of them is an error.

    Raises
    ------
    RigError
        No label allows the rate, or one that was asked for does not.
    """
    if not isinstance(rig, Spreader) or rig.rate_kg_per_m2 is None:
        return dict(planned), []
    rate = rig.rate_kg_per_m2
    fit, findings = {}, []
    for name, plan in planned.items():
        if plan.dose_low / SLACK <= rate <= plan.dose_high * SLACK:
            fit[name] = replace(plan, dose_low=min(rate, plan.dose_high), dose_high=min(rate, plan.dose_high))
            continue
        low, high = (show(dose, "dose", form="granule") for dose in (plan.dose_low, plan.dose_high))
        what = (
            f"the spreader as calibrated puts down {show(rate, 'dose', form='granule')}, "
            f"and the label of {name!r} allows {low if low == high else f'{low} to {high}'}"
        )
        if name in named or len(planned) == 1:
            raise RigError(
                what, feature=rig.name, field="rate", mend="change the setting and calibrate again"
            )
        findings.append(Finding("warning", "labels", name, f"not used: {what}"))
    if not fit:
        raise RigError(
            f"no label allows the {show(rate, 'dose', form='granule')} that the spreader was calibrated to",
            feature=rig.name,
            field="rate",
            mend="change the setting and calibrate again",
        )
    return fit, findings
