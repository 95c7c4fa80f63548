"""A label read back: its rates per acre and per 1,000 ft2 side by side, and what in it contradicts itself."""

from __future__ import annotations

import math
from pathlib import Path

import pandas as pd

from weedzone.base.errors import Finding
from weedzone.base.units import PRODUCT_UNIT, convert, show
from weedzone.kit.label import SLACK, YEAR_DAYS, Label, Limits, Rate, doubts, most_per_application
from weedzone.kit.label_file import read_label

SEASON_DAYS = 245  # March to October; common practice, no source
STRONGEST_KG_PER_L = 1.2  # about 10 lb/gal; no liquid of the trade is stronger: common practice, no source
_CAUTION = "A working copy, not the label: the product label is the law, and decides wherever the two differ."


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
    found = findings(label)
    return text(label, found), [one for one in found if one.severity == "error"]


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
            unit = PRODUCT_UNIT[label.form][0]
            acre, ksqft = f"{unit}/acre", f"{unit}/ksqft"
            known = not math.isnan(dose)
            mix = (
                "" if rate.mix is None else show(rate.mix[-1 if end == "high" else 0], "mix", form=label.form)
            )
            row: dict[str, object] = {
                "use": rate.use,
                "end": end,
                "mix": mix,
                "per_acre": _amount(dose, acre, label.form) if known else "",
                "per_ksqft": _amount(dose, ksqft, label.form) if known else "",
                "gal_per_acre": _span(volumes, "gal/acre"),
                "gal_per_ksqft": _span(volumes, "gal/ksqft"),
            }
            for active in label.actives:
                pounds = (
                    convert(dose * active.concentration, "mass_per_area", "lb/acre") if known else math.nan
                )
                row[f"lb {active.name} per acre"] = pounds
            rows.append(row)
    return pd.DataFrame(rows)


def _amount(dose: float, unit: str, form: str) -> str:
    return f"{convert(dose, 'dose', unit, form=form):.4g} {unit}"


def _span(volumes: tuple[float, float] | None, unit: str) -> str:
    if volumes is None:
        return ""
    ends = [f"{convert(one, 'volume_per_area', unit):.4g}" for one in volumes]
    return " to ".join(dict.fromkeys(ends))


def text(label: Label, found: list[Finding] | None = None) -> str:
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
    rows = findings(label) if found is None else found
    lines.append("")
    lines += [f"{one.severity}: {one.feature}: {one.message}" for one in rows] or ["no contradiction found"]
    return "\n".join([*lines, "", _CAUTION])


def _own_dose(label: Label, turf: str) -> str:
    dose = label.caution_dose.get(turf)
    return "" if dose is None else f" (at most {show(dose, 'dose', form=label.form)})"


def _limit_lines(label: Label) -> list[str]:
    lines = []
    for active in label.actives:
        limit = label.limits.get(active.name)
        once, year = (None, None) if limit is None else (limit.per_application, limit.per_year)
        said = [
            f"{show(value, 'mass_per_area')} {what}"
            for value, what in ((once, "in one application"), (year, "in a year"))
            if value is not None
        ]
        lines.append(f"limit of {active.name}: {', '.join(said) or 'none given'}")
    if label.applications_per_year is not None:
        lines.append(f"applications a year: {label.applications_per_year}")
    if label.interval_days is not None:
        low, high = label.interval_days
        lines.append(f"days between applications: {low:g}" + (f" to {high:g}" if high > low else ""))
    return lines


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
    return [*_rate_findings(label), *_season_findings(label), *_other_findings(label), *_gaps(label)]


def _rate_findings(label: Label) -> list[Finding]:
    most, limiting = most_per_application(label)
    out = []
    for rate in label.rates:
        where = f"[[rate]] {rate.use}"
        for active in label.actives:
            limit = label.limits.get(active.name)
            for end, dose, volumes in doses(rate):
                for allowed, period in _caps(limit):
                    down = dose * active.concentration
                    if down > allowed * SLACK:  # never true of a dose that is not known
                        how = (
                            ""
                            if rate.mix is None
                            else f", its mix at {_span(volumes, 'gal/ksqft')} gal/ksqft,"
                        )
                        message = (
                            f"the {end} rate{how} puts down {show(down, 'mass_per_area')} of {active.name}, above "
                            f"the limit of {show(allowed, 'mass_per_area')} {period}"
                        )
                        out.append(Finding("error", "labels", where, message))
        if rate.mix is not None and math.isfinite(most) and rate.volume is None:
            top = show(most / rate.mix[0], "volume_per_area")
            message = (
                f"the mix has no volume: above {top} it passes the limit of {limiting} in one application"
            )
            out.append(Finding("warning", "labels", where, message))
        out += _room(label, rate, where)
    return out


def _caps(limit: Limits | None) -> list[tuple[float, str]]:
    if limit is None:
        return []
    pairs = ((limit.per_application, "in one application"), (limit.per_year, "in a year"))
    return [(value, period) for value, period in pairs if value is not None]


def _room(label: Label, rate: Rate, where: str) -> list[Finding]:
    """Product and adjuvants must leave room for water."""
    share = sum(adjuvant.rate for adjuvant in label.adjuvants)
    if label.form == "liquid" and rate.mix is not None:
        share += rate.mix[1]
    elif label.form == "liquid" and rate.dose is not None and rate.volume is not None:
        share += rate.dose[1] / rate.volume[0]
    if share < 1.0:
        return []
    return [
        Finding("error", "labels", where, f"product and adjuvants fill {100 * share:.0f} % of the solution")
    ]


def _season_findings(label: Label) -> list[Finding]:
    out = []
    times, interval = label.applications_per_year, label.interval_days

    def say(severity: str, message: str) -> None:
        out.append(Finding(severity, "labels", "[limits]", message))

    for name, limit in label.limits.items():
        once, year = limit.per_application, limit.per_year
        if once is not None and year is not None and once > year * SLACK:
            say("error", f"one application may bring more {name} than a year: {show(once, 'mass_per_area')}, "
                f"{show(year, 'mass_per_area')}")  # fmt: skip
    lowest = min(
        (dose for rate in label.rates for _, dose, _ in doses(rate) if not math.isnan(dose)), default=0.0
    )
    for active in label.actives:
        most = label.limits.get(active.name, Limits()).per_year
        if times is None or most is None:
            continue
        need = times * lowest * active.concentration
        if need > most * SLACK:
            say("warning", f"{times} applications at the lowest dose bring {show(need, 'mass_per_area')} of "
                f"{active.name}, above the {show(most, 'mass_per_area')} of a year: fewer fit")  # fmt: skip
    if interval is not None:
        span = interval[0] * ((times or 2) - 1)
        if interval[0] > YEAR_DAYS and (times or 1) > 1:
            say(
                "error",
                f"{times} applications a year are allowed, but {interval[0]:g} days apart",
            )
        elif (times or 1) > 1 and span >= YEAR_DAYS:
            say("error", f"{times} applications {interval[0]:g} days apart do not fit in a year")
        elif span > SEASON_DAYS:
            say("warning", f"{times or 2} applications {interval[0]:g} days apart are longer than a season of "
                f"{SEASON_DAYS} days")  # fmt: skip
    return out


def _other_findings(label: Label) -> list[Finding]:
    out = [Finding("warning", "labels", where, message) for where, message in doubts(label)]
    for active in label.actives:
        if label.form == "liquid" and active.concentration > STRONGEST_KG_PER_L:
            strength = show(active.concentration, "concentration", form="liquid")
            message = f"{strength} is stronger than liquids of the trade: check"
            out.append(Finding("warning", "labels", active.name, message))
    whole = sum(active.concentration for active in label.actives)
    if label.form != "liquid" and whole > 1.0:
        out.append(
            Finding("error", "labels", "[[active]]", f"actives make up {100 * whole:.0f} % of the product")
        )
    highest = max(
        (dose for rate in label.rates for _, dose, _ in doses(rate) if not math.isnan(dose)), default=math.inf
    )
    for turf, dose in label.caution_dose.items():
        if dose > highest * SLACK:
            message = f"the dose on {turf} is above every rate: the caution changes nothing; check"
            out.append(Finding("warning", "labels", "[turf] caution", message))
    weather = label.weather
    low, high = weather.wind_min_mps, weather.wind_max_mps
    if low is not None and high is not None and low >= high:
        out.append(Finding("error", "labels", "[weather]", "wind_min is not below wind_max: no wind is fit"))
    for kind, far in label.downwind_m.items():
        known = [
            near for use in ("", *label.use_buffers_m) if (near := label.buffer_m(kind, use)) is not None
        ]
        if known and min(known) >= far:
            message = f"the downwind distance from {kind} is no larger than its buffer all round: it changes nothing"
            out.append(Finding("warning", "labels", "[downwind]", message))
    return out


def _gaps(label: Label) -> list[Finding]:
    cases = (
        (not label.tolerant and not label.caution, "warning", "[turf]", "no turf is named: it will never be used"),
        (not label.weeds, "warning", "[weeds]", "no weed is named: it will never be used"),
        (not label.actives, "warning", "[[active]]", "no active ingredient is named: no limit can be kept"),
        (not label.buffers_m.get("default"), "note", "[buffers]", "no default: other features get no buffer"),
        (label.applications_per_year is None, "note", "[limits]", "no number of applications a year"),
        (label.interval_days is None, "note", "[limits]", "no interval between applications"),
        (any(not one.group for one in label.actives), "note", "[[active]]", "no mode of action: no hint on resistance"),
    )  # fmt: skip
    out = [Finding(severity, "labels", where, message) for holds, severity, where, message in cases if holds]
    for active in label.actives:
        limit = label.limits.get(active.name)
        if limit is None or limit.per_year is None:
            out.append(Finding("note", "labels", "[limits]", f"no yearly limit of {active.name}"))
    return out
