"""Whole-turf applications: all turf less keep-outs and buffers, and the nutrients that they bring.

A whole-turf job is a job whose "weed" is everywhere: every turf polygon is treated as infested, and every label
at hand is taken to name that. So the same rules of space, limits and loads hold as for weed control.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from weedzone.base.errors import Finding, InputError, LabelError
from weedzone.base.names import chief_name
from weedzone.base.units import KSQFT_PER_M2, LB_PER_KG, to_si
from weedzone.ground.edges import straight
from weedzone.kit import SINGLE_NITROGEN, YEARLY_NITROGEN, Label, Limits, Rate, analysis
from weedzone.sizing.arguments import Asked, checked
from weedzone.sizing.run import Sized, size
from weedzone.sizing.tables import zone_order
from weedzone.survey import Survey
from weedzone.zones import Application, Rig

EVERYWHERE = "whole turf"
"""Stands for the weed in the tables of a whole-turf job."""

_YEAR_DAYS = 365
_NEARLY = 1.0 + 1e-9
_LB_KSQFT = LB_PER_KG / KSQFT_PER_M2


def feed_label(
    name: str,
    npk: str,
    *,
    nitrogen: str | None = None,
    dose: str | None = None,
    turf: Iterable[str] = (),
    buffers: Mapping[str, str] | None = None,
    yearly: str | None = None,
) -> Label:
    """A bag of granular fertilizer as a label that can be sized with.

    Parameters
    ----------
    name : str
    npk : str
        The bag's analysis, ``"28-3-6"``.
    nitrogen, dose : str
        Nitrogen per area (``"0.75 lb/ksqft"``), or product per area; one of the two.
    turf : iterable of str
        Turf that the bag names. A bag that names none goes on all turf.
    buffers : mapping of kind to distance, optional
        ``{"pond": "15 ft", "default": "3 ft"}``.
    yearly : str, optional
        Most nitrogen that the bag or a local rule gives for a year.

    Returns
    -------
    Label

    Raises
    ------
    InputError, UnitError
        Neither or both of nitrogen and dose; an analysis without nitrogen; text that cannot be read.

    Notes
    -----
    Product per area = nitrogen per area / nitrogen fraction (University of Nebraska-Lincoln, "Lawn Fertilizer
    Calculations").

    Examples
    --------
    >>> import weedzone as wz
    >>> wz.feed_label("Demo Feed", "25-0-5", nitrogen="1 lb/ksqft").form
    'granule'
    """
    if (nitrogen is None) == (dose is None):
        raise InputError(
            "a feeding has either nitrogen or a dose", field="nitrogen", mend="give one of the two"
        )
    grade = analysis(npk)
    if nitrogen is not None:
        if grade.nitrogen <= 0:
            raise InputError(f"{npk!r} holds no nitrogen", field="nitrogen", mend="give the dose of product")
        rate = to_si(nitrogen, "mass_per_area", field="nitrogen") / grade.nitrogen
    else:
        rate = to_si(dose, "dose", form="granule", field="dose")
    distances: dict[str, float] = {}
    for kind, text in (buffers or {}).items():
        far = to_si(text, "length", allow_zero=True, field=f"buffers {kind}")
        distances[chief_name(kind, "kind")] = max(far, distances.get(chief_name(kind, "kind"), 0.0))
    if yearly is not None:
        to_si(yearly, "mass_per_area", field="yearly")
    return Label(
        name=name,
        form="granule",
        actives=(),
        tolerant=frozenset(chief_name(one, "turf") for one in turf),
        caution={},
        weeds={},
        rates=(Rate("granular", (rate, rate), None, None),),
        analysis=npk,
        buffers_m=distances,
        hints={} if yearly is None else {"yearly nitrogen": yearly},
    )


def whole_ground(survey: Survey, labels: Mapping[str, Label], rig: Rig, asked: Asked) -> Sized:
    """Size an application to all turf of a survey; see `fed`, which adds what to say of nitrogen."""
    drawn = straight(survey.turf.geometry.to_numpy(), survey.turf.crs)
    turf = survey.turf.set_geometry(drawn).to_crs(survey.crs)
    everywhere = Survey(
        turf=turf,
        infestations=turf[["site", "geometry"]].assign(weed=EVERYWHERE),
        keep_out=survey.keep_out,
        boundary=survey.boundary,
        history=survey.history,
        file=survey.file,
    )
    grown = frozenset(str(name) for name in turf["turf"].unique())
    opened = {name: _open(label, grown) for name, label in labels.items()}
    return size(everywhere, opened, rig, replace(asked, worth="0 ft2", max_products=None, passes=1))


def _open(label: Label, grown: frozenset[str]) -> Label:
    """The label without its weeds; a bag of fertilizer that names no turf goes on all of it."""
    bare = bool(label.analysis) and not label.actives and not label.tolerant and not label.caution
    return replace(
        label, weeds={EVERYWHERE: "good"}, tolerant=(grown - {"unknown"}) if bare else label.tolerant
    )


def fed(
    survey: Survey,
    labels: Label | Mapping[str, Label],
    rig: Rig,
    asked: Asked,
    *,
    given: str | Mapping[str, str] | None = None,
    yearly: str | Mapping[str, str] | None = None,
) -> Sized:
    """Size an application to all turf; `weedzone.whole_turf` says what its arguments mean.

    Raises
    ------
    WeedzoneError
        As `weedzone.sizing.size`.
    """
    return _counted(whole_ground(survey, checked(survey, labels, rig), rig, asked), given, yearly)


def size_counted(survey: Survey, labels: Label | Mapping[str, Label], rig: Rig, asked: Asked) -> Sized:
    """Size a job, and count the nitrogen of weed-and-feed as that of a feeding.

    Parameters
    ----------
    survey, labels, rig, asked
        As of `weedzone.sizing.size`.

    Returns
    -------
    Sized

    Raises
    ------
    WeedzoneError
        As `weedzone.sizing.size`.
    """
    sized = size(survey, labels, rig, asked)
    used = [sized.plans[name].label for name in sized.totals["product"].unique()]
    bags = [label for label in used if label.analysis]
    liquids = [label.name for label in bags if label.form == "liquid"]
    if liquids:
        message = "the analysis of a liquid goes by weight, which is not known: its nitrogen is not counted"
        notes = [Finding("warning", "labels", name, message) for name in liquids]
        return replace(sized, noticed=(*sized.noticed, *notes))
    return _counted(sized) if bags else sized


def _counted(
    sized: Sized,
    given: str | Mapping[str, str] | None = None,
    yearly: str | Mapping[str, str] | None = None,
) -> Sized:
    """The job with what is to be said of its nitrogen."""
    table = nutrients(sized, given=given, yearly=yearly)
    limits = Limits() if sized.asked.policy is None else sized.asked.policy.nitrogen
    if limits.per_year is not None:
        table["yearly"] = np.fmin(table["yearly"], limits.per_year * _LB_KSQFT)
    return replace(sized, noticed=(*sized.noticed, *_nitrogen_findings(table, limits)))


def nutrients(
    sized: Sized,
    *,
    given: str | Mapping[str, str] | None = None,
    yearly: str | Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Nutrients that a job brings, for each zone whose label has an analysis.

    Parameters
    ----------
    given, yearly : str or mapping of turf to str, optional
        See `weedzone.whole_turf`.

    Returns
    -------
    DataFrame
        ``site``, ``zone``, ``product``, ``turf``, ``nitrogen``, ``phosphate``, ``potash`` (lb/ksqft of N, P2O5
        and K2O), ``before`` (nitrogen of the past 365 days, from the history, as given and of another pass;
        where a zone's ground differs, the most), ``yearly`` (NaN where no figure is known).

    Raises
    ------
    LabelError
        A liquid with an analysis: that is by weight, and the weight of the liquid is not known.
    """
    before = _nitrogen_before(sized)
    rows = []
    for at, zone in enumerate(sized.zones[["site", "zone", "product", "turf"]].to_dict("records")):
        label = sized.plans[zone["product"]].label
        if not label.analysis:
            continue
        if label.form == "liquid":
            raise LabelError(
                "the analysis of a liquid goes by weight, and its weight is not known",
                file=label.file or None,
                feature=label.name,
                field="analysis",
                mend="give the dose, and leave out the analysis",
            )
        grade = analysis(label.analysis)
        dose = before["dose"][at] * _LB_KSQFT
        turfs = [part.strip() for part in zone["turf"].split(";")]
        rows.append(
            {
                **zone,
                "nitrogen": dose * grade.nitrogen,
                "phosphate": dose * grade.phosphate,
                "potash": dose * grade.potash,
                "before": before["nitrogen"][at] * _LB_KSQFT
                + max(_of(given, turf, 0.0, "given") for turf in turfs),
                "yearly": min(_yearly(yearly, label, turf) for turf in turfs),
            }
        )
    columns = ["site", "zone", "product", "turf", "nitrogen", "phosphate", "potash", "before", "yearly"]
    return pd.DataFrame(rows, columns=columns)


def _of(texts: str | Mapping[str, str] | None, turf: str, default: float, field: str) -> float:
    """Figure for a turf [lb/ksqft] out of one text for all, or of one for each."""
    if isinstance(texts, Mapping):
        texts = {chief_name(name, "turf"): text for name, text in texts.items()}.get(turf)
    if texts is None:
        return default
    return to_si(texts, "mass_per_area", field=field, allow_zero=True) * _LB_KSQFT


def _yearly(texts: str | Mapping[str, str] | None, label: Label, turf: str) -> float:
    own = label.hints.get("yearly nitrogen")
    usual = own or YEARLY_NITROGEN.get(turf, ("", ""))[1] or None
    return _of(texts, turf, _of(usual, turf, float("nan"), "yearly nitrogen"), "yearly")


def _nitrogen_before(sized: Sized) -> dict[str, Any]:
    """Dose of each zone, and the most nitrogen that its ground had in 365 days and gets in another pass [kg/m2]."""
    zoned = sized.zoned
    past = np.array([_nitrogen_of(one, sized.labels, sized.on) for one in zoned.parts.past_sets])
    every = zoned.treatments
    brings = every.dose * np.array([_nitrogen_in(plan.label) for plan in sized.plans.values()])[every.product]
    beside = np.bincount(every.part, brings, len(zoned.parts.geoms))[every.part] - brings  # of the other pass
    n_zones = len(sized.zones)
    had, dose = np.zeros(n_zones), np.zeros(n_zones)
    rank = np.empty(n_zones, dtype=np.intp)
    rank[zone_order(zoned)] = np.arange(n_zones)
    np.maximum.at(had, rank[every.zone], past[zoned.parts.past[every.part]] + beside)
    dose[rank[every.zone]] = every.dose
    return {"nitrogen": had, "dose": dose}


def _nitrogen_of(past: tuple[Application, ...], labels: Mapping[str, Label], on: dt.date) -> float:
    total = 0.0
    for one in past:
        if one.product in labels and (on - one.date).days < _YEAR_DAYS:
            total += one.dose * _nitrogen_in(labels[one.product])
    return total


def _nitrogen_in(label: Label) -> float:
    """Nitrogen in a product by weight; of a liquid it is not known and not counted."""
    return analysis(label.analysis).nitrogen if label.analysis and label.form != "liquid" else 0.0


def _nitrogen_findings(table: pd.DataFrame, limits: Limits) -> list[Finding]:
    usual = to_si(SINGLE_NITROGEN, "mass_per_area") * _LB_KSQFT
    single = usual if limits.per_application is None else min(usual, limits.per_application * _LB_KSQFT)
    said = f"the usual {SINGLE_NITROGEN}" if single == usual else f"the policy's {single:.4g} lb/ksqft"
    found = []
    for row in table.to_dict("records"):
        place, had, brings, most = (
            f"{row['site']} {row['zone']}",
            row["before"],
            row["nitrogen"],
            row["yearly"],
        )
        if brings > single * _NEARLY:
            message = (
                f"{brings:.4g} lb/ksqft of nitrogen in one feeding passes {said}: split it, "
                "or use slow release as its label says"
            )
            found.append(Finding("warning", "zones", place, message))
        if had + brings > most * _NEARLY:
            message = (
                f"{had + brings:.4g} lb/ksqft of nitrogen would pass the year's {most:.4g} on {row['turf']}; "
                f"{max(most - had, 0.0):.4g} is left"
            )
            found.append(Finding("warning", "zones", place, message))
    return found
