"""What the crew has set before a job: which adjuvants go in, and a spreader's setting."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from weedzone.dosing import SLACK, Plan, Rig
from weedzone.errors import Finding, InputError, RigError
from weedzone.label import Label
from weedzone.rig import Spreader
from weedzone.units import show

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
