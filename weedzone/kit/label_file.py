"""Labels: what a product allows, read from one TOML file a product.

The file restates, in a form that can be computed with, what its user read on the product's own label. That
label is the law; this is a working copy of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from weedzone.base.errors import LabelError, path_given
from weedzone.base.names import active_name, chief_name
from weedzone.base.toml import Table, read_toml
from weedzone.kit.label import FORMS, RATINGS, USES, Active, Adjuvant, Label, Limits, Rate, Weather, widest

__all__ = [
    "FORMS", "RATINGS", "USES", "Active", "Adjuvant", "Label", "Limits", "Rate", "Weather", "distances_by_use",
    "read_label", "read_labels", "widest",
]  # fmt: skip

_KEYS = [
    "name",
    "form",
    "formulation",
    "registration",
    "signal_word",
    "ppe",
    "reentry",
    "active",
    "turf",
    "weeds",
    "rate",
    "adjuvant",
    "limits",
    "buffers",
    "downwind",
    "weather",
    "hints",
    "analysis",
]


def read_labels(path: str | Path) -> dict[str, Label]:
    """Read one label file, or every ``*.toml`` file of a folder.

    Parameters
    ----------
    path : path
        A TOML file or a folder of them.

    Returns
    -------
    dict of str to Label
        By product name, in the order of the file names.

    Raises
    ------
    LabelError, UnitError, InputError
        No path, no such file, no label in the folder, an unknown key, a missing or impossible value, two labels of one
        name.
    """
    place = path_given(path, "a label or a folder of them", 'read_labels("labels")')
    if place.is_dir():
        files = sorted(file for file in place.iterdir() if file.suffix.lower() == ".toml")
        if not files:
            raise LabelError(
                "the folder holds no label", file=place, mend="put one .toml file a product there"
            )
    else:
        files = [place]
    labels: dict[str, Label] = {}
    for file in files:
        label = read_label(file)
        if label.name in labels:
            raise LabelError(
                f"a second label named {label.name!r} (the first is {labels[label.name].file})",
                file=file,
                mend="rename or remove one",
            )
        labels[label.name] = label
    return labels


def read_label(path: str | Path) -> Label:
    """Read one label file; see `read_labels`."""
    top = Table(read_toml(path, LabelError), str(path), "", LabelError)
    top.only(_KEYS)
    form = top.choice("form", FORMS)
    actives = _actives(top, form)
    limits = top.table("limits")
    return Label(
        name=top.text("name"),
        form=form,
        formulation=top.text("formulation", ""),
        registration=top.text("registration", "not given"),
        signal_word=top.text("signal_word", "not given"),
        ppe=top.texts("ppe"),
        reentry=top.text("reentry", "as the product label says"),
        actives=actives,
        **_turf(top, form),
        weeds=_weeds(top),
        rates=_rates(top, form),
        adjuvants=_adjuvants(top),
        limits=_limits(limits, actives),
        applications_per_year=limits.whole("applications_per_year"),
        interval_days=_days(limits),
        calendar_year=limits.choice("year", ("calendar", "365 day"), "365 day") == "calendar",
        **_buffers(top),
        weather=_weather(top.table("weather")),
        hints={key: top.table("hints").text(key) for key in top.table("hints").values},
        analysis=top.text("analysis", ""),
        file=str(path),
    )


def _actives(top: Table, form: str) -> tuple[Active, ...]:
    found = []
    for table in top.tables("active"):
        table.only(("name", "concentration", "group"))
        share = table.si("concentration", "concentration", form=form)
        if share is None:
            table.fail(
                "concentration", "missing", 'write concentration = "3.8 lb/gal", or "20 %" for dry forms'
            )
        group = table.values.get("group", "")
        if isinstance(group, bool) or not isinstance(group, int | str):
            table.fail("group", "this must be the number of the mode of action", "write group = 4")
        name = table.text("name")
        if active_name(name) is None:
            mend = 'write the acid and its salt or ester, "2,4-D, dimethylamine salt"; one acid for each [[active]]'
            what = "holds a known acid, or a slip of one, beside words that are no salt or ester of it"
            table.fail("name", f"{name!r} {what}", mend)
        found.append(Active(name, share, str(group)))
    names = [chief_name(active.name, "active") for active in found]
    if len(set(names)) < len(names):  # limits are on the acid, so that neither alone may be held against them
        top.fail(
            "[[active]]",
            "two active ingredients of one acid",
            "give each acid once, with the sum of its forms",
        )
    return tuple(found)


def _turf(top: Table, form: str) -> dict[str, Any]:
    table = top.table("turf")
    table.only(("tolerant", "caution"))
    warned = table.table("caution")
    caution: dict[str, str] = {}
    doses: dict[str, float] = {}
    for name, value in warned.values.items():
        turf = chief_name(name, "turf")
        if not isinstance(value, Mapping):
            caution[turf] = warned.text(name)
            continue
        own = warned.table(name)
        own.only(("note", "dose"))
        caution[turf] = own.text("note")
        dose = own.si("dose", "dose", form=form)
        if dose is not None:  # two spellings of one turf: the lower dose holds
            doses[turf] = min(dose, doses.get(turf, dose))
    tolerant = frozenset(chief_name(name, "turf") for name in table.texts("tolerant"))
    return {"tolerant": tolerant - set(caution), "caution": caution, "caution_dose": doses}


def _weeds(top: Table) -> dict[str, str]:
    table = top.table("weeds")
    return {chief_name(name, "weed"): table.choice(name, tuple(RATINGS)) for name in table.values}


def _rates(top: Table, form: str) -> tuple[Rate, ...]:
    rates = []
    for table in top.tables("rate"):
        table.only(("use", "dose", "mix", "volume", "per_plant"))
        use = table.choice("use", USES)
        dose, mix = table.span("dose", "dose", form=form), None
        if form == "granule":
            if use != "granular" or dose is None or "mix" in table.values or "volume" in table.values:
                table.fail("use", "a granule is spread dry", 'write use = "granular" with a dose alone')
        else:
            mix = table.span("mix", "mix", form=form)
            if use == "granular":
                table.fail(
                    "use", f"a {form} product is not spread as a granule", 'write "spot" or "broadcast"'
                )
            if (dose is None) == (mix is None):
                table.fail(
                    "mix", "a rate has either a dose or a mix", 'write mix = "1 fl oz/gal" or dose = "..."'
                )
        per_plant = table.si("per_plant", "volume")
        if per_plant is not None and mix is None:
            table.fail("per_plant", "a volume per plant goes with a mix", 'write mix = "1 fl oz/gal"')
        rates.append(Rate(use, dose, mix, table.span("volume", "volume_per_area"), per_plant))
    uses = [rate.use for rate in rates]
    for use in uses:
        if uses.count(use) > 1:
            top.fail(
                "[[rate]]", f"two rates for the use {use!r}", "give each use once, a range where there is one"
            )
    if not rates:
        top.fail("[[rate]]", "missing", "give at least one rate")
    return tuple(rates)


def _adjuvants(top: Table) -> tuple[Adjuvant, ...]:
    found = []
    for table in top.tables("adjuvant"):
        table.only(("name", "rate", "required"))
        rate = table.si("rate", "mix", form="liquid")
        if rate is None:
            table.fail("rate", "missing", 'write rate = "1 fl oz/gal" or "0.25 %"')
        found.append(Adjuvant(table.text("name"), rate, table.flag("required", default=True)))
    return tuple(found)


def _limits(table: Table, actives: tuple[Active, ...]) -> dict[str, Limits]:
    by_acid = {chief_name(active.name, "active"): active.name for active in actives}
    keys = ("per_application", "per_year")
    nested = [key for key, value in table.values.items() if isinstance(value, Mapping)]
    table.only((*keys, "applications_per_year", "interval", "year", *nested))
    limits = {}
    if any(key in table.values for key in keys):
        if not actives:
            table.fail(keys[0], "a limit of an active ingredient, but the label names none", "add [[active]]")
        limits[actives[0].name] = Limits(*(table.si(key, "mass_per_area") for key in keys))
    for name in nested:
        own = table.table(name)
        own.only(keys)
        if chief_name(name, "active") not in by_acid:
            table.fail(
                name, "the label names no such active ingredient", f"known: {', '.join(by_acid.values())}"
            )
        chief = by_acid[chief_name(name, "active")]
        if chief in limits:
            table.fail(name, "limits of the first active ingredient given twice", "keep one of the two")
        limits[chief] = Limits(*(own.si(key, "mass_per_area") for key in keys))
    return limits


def _days(table: Table) -> tuple[float, float] | None:
    span = table.span("interval", "time")
    return None if span is None else (span[0] / 86400.0, span[1] / 86400.0)


def distances_by_use(table: Table) -> tuple[dict[str, float], dict[str, dict[str, float]]]:
    """Distances by kind [m] of a table of buffers, and those that hold for one use only."""
    nested = [key for key, value in table.values.items() if isinstance(value, Mapping)]
    for use in nested:
        if use not in USES:
            table.fail(use, "buffers of a use", f"name the use: {', '.join(USES)}")
    general = _distances(table, [key for key in table.values if key not in nested])
    return general, {use: _distances(table.table(use), list(table.table(use).values)) for use in nested}


def _buffers(top: Table) -> dict[str, Any]:
    general, by_use = distances_by_use(top.table("buffers"))
    downwind = top.table("downwind")
    spread = downwind.values.get("spread")
    number = isinstance(spread, int | float) and not isinstance(spread, bool)
    if spread is not None and not (number and 0 < spread <= 180):
        downwind.fail(
            "spread", "this must be a number of degrees above 0 and at most 180", "write spread = 45"
        )
    return {
        "buffers_m": general,
        "use_buffers_m": by_use,
        "downwind_m": _distances(downwind, [key for key in downwind.values if key != "spread"]),
        "downwind_spread_deg": None if spread is None else float(spread),
    }


def _distances(table: Table, keys: list[str]) -> dict[str, float]:
    found: dict[str, float] = {}
    for key in keys:
        kind = chief_name(key, "kind")
        # Two spellings of one kind: the wider buffer holds.
        found[kind] = max(found.get(kind, 0.0), table.si(key, "length", allow_zero=True) or 0.0)
    return found


def _weather(table: Table) -> Weather:
    table.only(("wind_min", "wind_max", "temperature", "rainfast", "delta_t"))
    return Weather(
        wind_min_mps=table.si("wind_min", "speed", allow_zero=True),
        wind_max_mps=table.si("wind_max", "speed"),
        temperature_c=table.span("temperature", "temperature"),
        rainfast_s=table.si("rainfast", "time"),
        delta_t_c=table.span("delta_t", "temperature_difference"),
    )
