"""A label read back: its rates per acre and per 1,000 ft2 side by side, and what in it contradicts itself."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import chain, product
from pathlib import Path

import pandas as pd

from weedzone.base.errors import Finding
from weedzone.base.units import PRODUCT_UNIT, convert, show
from weedzone.base.words import WORKING_COPY
from weedzone.kit.label import SLACK, YEAR_DAYS, Label, Limits, Rate, doubts, most_per_application
from weedzone.kit.label_file import read_label

SEASON_DAYS = 245  # March to October; common practice, no source
STRONGEST_KG_PER_L = 1.2  # about 10 lb/gal; no liquid of the trade is stronger: common practice, no source


Said = tuple[str, str, str]
"""Severity, place on the label, message."""


def check_label(path: str | Path) -> tuple[str, list[Finding]]:
    """Read a label file; its table in words, and its contradictions.

    Returns
    -------
    text : str
        For the terminal; ends with the findings.
    contradictions : list of Finding
        Those that keep a rate from being used as written: severity ``error``.

    Raises
    ------
    LabelError, UnitError
        The file is no label.
    """
    label = read_label(path)
    return text(label), [one for one in findings(label) if one.severity == "error"]


def doses(rate: Rate) -> list[tuple[str, float, tuple[float, float] | None]]:
    """Lowest and highest dose of a rate, with the volumes per area that go with it.

    Returns
    -------
    list of (end, dose, volumes)
        ``low``, ``high`` or ``only``; dose [L/m2 or kg/m2], of a mix without a volume NaN; volumes
        (low, high) [L/m2], or None where any may be used.
    """
    span = rate.volume
    if rate.mix is None:
        assert rate.dose is not None
        both = [("low", rate.dose[0], span), ("high", rate.dose[1], span)]
    elif span is None:
        return [("only", math.nan, None)]
    else:
        both = [
            (end, rate.mix[at] * span[at], (span[at], span[at])) for at, end in enumerate(("low", "high"))
        ]
    return both if both[1][1] > both[0][1] else [("only", *both[0][1:])]


def table(label: Label) -> pd.DataFrame:
    """Rates of a label in trade units.

    Returns
    -------
    DataFrame
        A row for each rate and end of its range: ``use``, ``end``, ``mix`` (text or empty), ``per_acre`` and
        ``per_ksqft`` (product, text with unit), ``gal_per_acre`` and ``gal_per_ksqft`` (solution, text; empty
        where the label leaves it open or it is spread dry), then for each active ingredient
        ``lb <active> per acre``. NaN, or empty text, where a mix has no volume.
    """
    rows = []
    for rate in label.rates:
        for end, dose, volumes in doses(rate):
            row: dict[str, object] = {
                "use": rate.use,
                "end": end,
                "mix": show(rate.mix[end == "high"], "mix", form=label.form) if rate.mix else "",
                "per_acre": _amount(dose, "acre", label.form),
                "per_ksqft": _amount(dose, "ksqft", label.form),
                "gal_per_acre": _span(volumes, "gal/acre"),
                "gal_per_ksqft": _span(volumes, "gal/ksqft"),
            }
            for active in label.actives:
                pounds = convert(dose * active.concentration, "mass_per_area", "lb/acre")
                row[f"lb {active.name} per acre"] = pounds
            rows.append(row)
    return pd.DataFrame(rows)


def _amount(dose: float, ground: str, form: str) -> str:
    if math.isnan(dose):
        return ""
    unit = f"{PRODUCT_UNIT[form][0]}/{ground}"
    return f"{convert(dose, 'dose', unit, form=form):.4g} {unit}"


def _span(volumes: tuple[float, float] | None, unit: str) -> str:
    if volumes is None:
        return ""
    ends = [f"{convert(one, 'volume_per_area', unit):.4g}" for one in volumes]
    return " to ".join(dict.fromkeys(ends))


def text(label: Label) -> str:
    """The label in words and a table, with its contradictions, for the terminal."""
    actives = ", ".join(
        f"{one.name} {show(one.concentration, 'concentration', form=label.form)}"
        + (f" (group {one.group})" if one.group else "")
        for one in label.actives
    )
    lines = [
        f"{label.name} ({label.form}, {label.registration})",
        f"signal word: {label.signal_word}; re-entry: {label.reentry}",
        f"active: {actives or 'none given'}",
        f"turf: {', '.join(sorted(label.tolerant)) or 'none'}"
        + "".join(
            f"; caution on {turf}: {why}{_own_dose(label, turf)}"
            for turf, why in sorted(label.caution.items())
        ),
        f"weeds: {', '.join(f'{weed} {mark}' for weed, mark in sorted(label.weeds.items())) or 'none'}",
        "",
        table(label).to_string(index=False, na_rep="-", float_format=lambda number: f"{number:.4g}"),
        "",
        *_limit_lines(label),
        *_buffer_lines(label),
    ]
    lines.append("")
    lines += [f"{one.severity}: {one.feature}: {one.message}" for one in findings(label)] or [
        "no contradiction found"
    ]
    return "\n".join([*lines, "", WORKING_COPY])


def _own_dose(label: Label, turf: str) -> str:
    dose = label.caution_dose.get(turf)
    return "" if dose is None else f" (at most {show(dose, 'dose', form=label.form)})"


def _caps(label: Label, active: str) -> list[tuple[float, str]]:
    """Limits of an active ingredient [kg/m2], and the time for which each holds."""
    limit = label.limits.get(active, Limits())
    pairs = ((limit.per_application, "in one application"), (limit.per_year, "in a year"))
    return [(most, period) for most, period in pairs if most is not None]


def _limit_lines(label: Label) -> Iterator[str]:
    for active in label.actives:
        said = [f"{show(most, 'mass_per_area')} {period}" for most, period in _caps(label, active.name)]
        yield f"limit of {active.name}: {', '.join(said) or 'none given'}"
    if label.applications_per_year is not None:
        yield f"applications a year: {label.applications_per_year}"
    if label.interval_days is not None:
        yield "days between applications: " + " to ".join(
            dict.fromkeys(f"{days:g}" for days in label.interval_days)
        )


def _buffer_lines(label: Label) -> list[str]:
    groups = [("buffers", label.buffers_m), ("buffers downwind", label.downwind_m)]
    groups += [(f"buffers, {use}", kinds) for use, kinds in label.use_buffers_m.items()]
    return [
        f"{name}: " + ", ".join(f"{kind} {show(metres, 'length')}" for kind, metres in kinds.items())
        for name, kinds in groups
        if kinds
    ]


def findings(label: Label) -> list[Finding]:
    """What contradicts itself in a label (``error``), what is doubtful (``warning``), what is missing (``note``)."""
    said = chain(_of_rates(label), _of_the_season(label), _of_the_rest(label), _gaps(label))
    return [Finding(severity, "labels", where, message) for severity, where, message in said]


def _known_doses(label: Label) -> list[float]:
    return [dose for rate in label.rates for _, dose, _ in doses(rate) if not math.isnan(dose)]


def _of_rates(label: Label) -> Iterator[Said]:
    most, limiting = most_per_application(label)
    for rate in label.rates:
        where = f"[[rate]] {rate.use}"
        for active, (end, dose, volumes) in product(label.actives, doses(rate)):
            down = dose * active.concentration
            how = "" if rate.mix is None else f", its mix at {_span(volumes, 'gal/ksqft')} gal/ksqft,"
            for allowed, period in _caps(label, active.name):
                if down > allowed * SLACK:  # never true of a dose that is not known
                    message = (
                        f"the {end} rate{how} puts down {show(down, 'mass_per_area')} of {active.name}, above "
                        f"the limit of {show(allowed, 'mass_per_area')} {period}"
                    )
                    yield "error", where, message
        if rate.mix is not None and math.isfinite(most) and rate.volume is None:
            top = show(most / rate.mix[0], "volume_per_area")
            what = f"above {top} it passes the limit of {limiting} in one application"
            yield "warning", where, f"the mix has no volume: {what}"
        # Product and adjuvants must leave room for water.
        share = sum(adjuvant.rate for adjuvant in label.adjuvants) + _of_the_solution(label, rate)
        if share >= 1.0:
            yield "error", where, f"product and adjuvants fill {100 * share:.0f} % of the solution"


def _of_the_solution(label: Label, rate: Rate) -> float:
    """Most of the solution that a liquid product is; 0 of what is dry, or where nothing tells."""
    if label.form != "liquid":
        return 0.0
    if rate.mix is not None:
        return rate.mix[1]
    return rate.dose[1] / rate.volume[0] if rate.dose and rate.volume else 0.0


def _of_the_season(label: Label) -> Iterator[Said]:
    where = "[limits]"
    times, interval = label.applications_per_year, label.interval_days
    for name, limit in label.limits.items():
        once, year = limit.per_application, limit.per_year
        if once is not None and year is not None and once > year * SLACK:
            both = f"{show(once, 'mass_per_area')}, {show(year, 'mass_per_area')}"
            yield "error", where, f"one application may bring more {name} than a year: {both}"
    lowest = min(_known_doses(label), default=0.0)
    for active in label.actives:
        most = label.limits.get(active.name, Limits()).per_year
        need = (times or 0) * lowest * active.concentration
        if most is not None and need > most * SLACK:
            what = f"{times} applications at the lowest dose bring {show(need, 'mass_per_area')} of {active.name}"
            yield "warning", where, f"{what}, above the {show(most, 'mass_per_area')} of a year: fewer fit"
    if interval is None:
        return
    apart = f"{interval[0]:g} days apart"
    span = interval[0] * ((times or 2) - 1)
    if interval[0] > YEAR_DAYS and (times or 1) > 1:
        yield "error", where, f"{times} applications a year are allowed, but {apart}"
    elif (times or 1) > 1 and span >= YEAR_DAYS:
        yield "error", where, f"{times} applications {apart} do not fit in a year"
    elif span > SEASON_DAYS:
        yield (
            "warning",
            where,
            f"{times or 2} applications {apart} are longer than a season of {SEASON_DAYS} days",
        )


def _of_the_rest(label: Label) -> Iterator[Said]:
    for where, message in doubts(label):
        yield "warning", where, message
    for active in label.actives:
        if label.form == "liquid" and active.concentration > STRONGEST_KG_PER_L:
            strength = show(active.concentration, "concentration", form="liquid")
            yield "warning", active.name, f"{strength} is stronger than liquids of the trade: check"
    whole = sum(active.concentration for active in label.actives)
    if label.form != "liquid" and whole > 1.0:
        yield "error", "[[active]]", f"actives make up {100 * whole:.0f} % of the product"
    highest = max(_known_doses(label), default=math.inf)
    for turf, dose in label.caution_dose.items():
        if dose > highest * SLACK:
            what = f"the dose on {turf} is above every rate: the caution changes nothing; check"
            yield "warning", "[turf] caution", what
    low, high = label.weather.wind_min_mps, label.weather.wind_max_mps
    if low is not None and high is not None and low >= high:
        yield "error", "[weather]", "wind_min is not below wind_max: no wind is fit"
    for kind, far in label.downwind_m.items():
        near = [label.buffer_m(kind, use) for use in ("", *label.use_buffers_m)]
        if min((one for one in near if one is not None), default=-1.0) >= far:
            what = f"the downwind distance from {kind} is no larger than its buffer all round: it changes nothing"
            yield "warning", "[downwind]", what


def _gaps(label: Label) -> Iterator[Said]:
    cases = (
        (not label.tolerant and not label.caution, "warning", "[turf]", "no turf is named: it will never be used"),
        (not label.weeds, "warning", "[weeds]", "no weed is named: it will never be used"),
        (not label.actives, "warning", "[[active]]", "no active ingredient is named: no limit can be kept"),
        (not label.buffers_m.get("default"), "note", "[buffers]", "no default: other features get no buffer"),
        (label.applications_per_year is None, "note", "[limits]", "no number of applications a year"),
        (label.interval_days is None, "note", "[limits]", "no interval between applications"),
        (any(not one.group for one in label.actives), "note", "[[active]]", "no mode of action: no hint on resistance"),
    )  # fmt: skip
    yield from ((severity, where, message) for holds, severity, where, message in cases if holds)
    for active in label.actives:
        if label.limits.get(active.name, Limits()).per_year is None:
            yield "note", "[limits]", f"no yearly limit of {active.name}"
