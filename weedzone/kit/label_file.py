"""Labels: what a product allows, read from one TOML file a product; ``keys.toml`` holds all of its keys.

The file restates, in a form that can be computed with, what its user read on the product's own label. That
label is the law; this is a working copy of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from weedzone.base.errors import LabelError, path_given
from weedzone.base.names import active_name, chief_name
from weedzone.base.toml import Table, read_toml
from weedzone.kit.label import KEYS, RATINGS, USES, Active, Adjuvant, Label, Limits, Rate, Weather


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
    files = [place]
    if place.is_dir():
        files = sorted(file for file in place.iterdir() if file.suffix.lower() == ".toml")
    if not files:
        mend = "put one .toml file a product there"
        raise LabelError("the folder holds no label", file=place, mend=mend)
    labels: dict[str, Label] = {}
    for file in files:
        label = read_label(file)
        if label.name in labels:
            what = f"a second label named {label.name!r} (the first is {labels[label.name].file})"
            raise LabelError(what, file=file, mend="rename or remove one")
        labels[label.name] = label
    return labels


def read_label(path: str | Path) -> Label:
    """Read one label file; see `read_labels`."""
    top = Table(read_toml(path, LabelError), str(path), "", LabelError)
    said = top.read(KEYS["label"])
    form = said["form"]
    actives = _actives(top, form)
    hints, weeds = top.table("hints"), top.table("weeds")
    return Label(
        **said,
        actives=actives,
        **_turf(top.table("turf"), form),
        weeds={chief_name(name, "weed"): weeds.choice(name, tuple(RATINGS)) for name in weeds.values},
        rates=_rates(top, form),
        adjuvants=tuple(
            Adjuvant(**one.read(KEYS["adjuvant"], form="liquid")) for one in top.tables("adjuvant")
        ),
        **_limits(top.table("limits"), actives),
        **_buffers(top),
        weather=Weather(**top.table("weather").read(KEYS["weather"])),
        hints={key: hints.text(key) for key in hints.values},
        file=str(path),
    )


def _actives(top: Table, form: str) -> tuple[Active, ...]:
    found = []
    for table in top.tables("active"):
        said = table.read(KEYS["active"], form=form)
        group = table.values.get("group", "")
        if isinstance(group, bool) or not isinstance(group, int | str):
            table.fail("group", "this must be the number of the mode of action", "write group = 4")
        if active_name(said["name"]) is None:
            mend = 'write the acid and its salt or ester, "2,4-D, dimethylamine salt"; one acid for each [[active]]'
            what = "holds a known acid, or a slip of one, beside words that are no salt or ester of it"
            table.fail("name", f"{said['name']!r} {what}", mend)
        found.append(Active(**said, group=str(group)))
    names = [chief_name(active.name, "active") for active in found]
    if len(set(names)) < len(names):  # limits are on the acid, so that neither alone may be held against them
        mend = "give each acid once, with the sum of its forms"
        top.fail("[[active]]", "two active ingredients of one acid", mend)
    return tuple(found)


def _turf(table: Table, form: str) -> dict[str, Any]:
    said = table.read(KEYS["turf"])
    warned = table.table("caution")
    caution: dict[str, str] = {}
    doses: dict[str, float] = {}
    for name, value in warned.values.items():
        turf = chief_name(name, "turf")
        if not isinstance(value, Mapping):
            caution[turf] = warned.text(name)
            continue
        own = warned.table(name).read(KEYS["caution"], form=form)
        caution[turf] = own["note"]
        if own["dose"] is not None:  # two spellings of one turf: the lower dose holds
            doses[turf] = min(own["dose"], doses.get(turf, own["dose"]))
    tolerant = frozenset(chief_name(name, "turf") for name in said["tolerant"])
    return {"tolerant": tolerant - set(caution), "caution": caution, "caution_dose": doses}


def _rates(top: Table, form: str) -> tuple[Rate, ...]:
    rates: dict[str, Rate] = {}
    for table in top.tables("rate"):
        rate = Rate(**table.read(KEYS["rate"], form=form))
        if form == "granule":
            if rate.use != "granular" or rate.dose is None or rate.mix or rate.volume:
                table.fail("use", "a granule is spread dry", 'write use = "granular" with a dose alone')
        elif rate.use == "granular":
            table.fail("use", f"a {form} product is not spread as a granule", 'write "spot" or "broadcast"')
        elif (rate.dose is None) == (rate.mix is None):
            mend = 'write mix = "1 fl oz/gal" or dose = "..."'
            table.fail("mix", "a rate has either a dose or a mix", mend)
        if rate.per_plant_L is not None and rate.mix is None:
            table.fail("per_plant", "a volume per plant goes with a mix", 'write mix = "1 fl oz/gal"')
        if rate.use in rates:
            what = f"two rates for the use {rate.use!r}"
            top.fail("[[rate]]", what, "give each use once, a range where there is one")
        rates[rate.use] = rate
    if not rates:
        top.fail("[[rate]]", "missing", "give at least one rate")
    return tuple(rates.values())


def _limits(table: Table, actives: tuple[Active, ...]) -> dict[str, Any]:
    by_acid = {chief_name(active.name, "active"): active.name for active in actives}
    nested = [key for key, value in table.values.items() if isinstance(value, Mapping)]
    said = table.read(KEYS["limit"] | KEYS["limits"], others=nested)
    general = Limits(**{key: said.pop(key) for key in KEYS["limit"]})
    limits = {}
    if general != Limits():
        if not actives:
            what = "a limit of an active ingredient, but the label names none"
            table.fail("per_application", what, "add [[active]]")
        limits[actives[0].name] = general
    for name in nested:
        own = Limits(**table.table(name).read(KEYS["limit"]))
        chief = by_acid.get(chief_name(name, "active"))
        if chief is None:
            known = ", ".join(by_acid.values())
            table.fail(name, "the label names no such active ingredient", f"known: {known}")
        if chief in limits:
            table.fail(name, "limits of the first active ingredient given twice", "keep one of the two")
        limits[chief] = own
    days, year = said["interval_days"], said.pop("year")
    said["interval_days"] = None if days is None else tuple(seconds / 86400.0 for seconds in days)
    return {**said, "limits": limits, "calendar_year": year == "calendar"}


def distances_by_use(table: Table) -> tuple[dict[str, float], dict[str, dict[str, float]]]:
    """Distances by kind [m] of a table of buffers, and those that hold for one use only."""
    nested = [key for key, value in table.values.items() if isinstance(value, Mapping)]
    for use in nested:
        if use not in USES:
            table.fail(use, "buffers of a use", f"name the use: {', '.join(USES)}")
    general = _distances(table, [key for key in table.values if key not in nested])
    return general, {use: _distances(table.table(use), table.table(use).values) for use in nested}


def _buffers(top: Table) -> dict[str, Any]:
    general, by_use = distances_by_use(top.table("buffers"))
    downwind = top.table("downwind")
    spread = downwind.values.get("spread")
    number = isinstance(spread, int | float) and not isinstance(spread, bool)
    if spread is not None and not (number and 0 < spread <= 180):
        what = "this must be a number of degrees above 0 and at most 180"
        downwind.fail("spread", what, "write spread = 45")
    return {
        "buffers_m": general,
        "use_buffers_m": by_use,
        "downwind_m": _distances(downwind, [key for key in downwind.values if key != "spread"]),
        "downwind_spread_deg": None if spread is None else float(spread),
    }


def _distances(table: Table, keys: Iterable[str]) -> dict[str, float]:
    found: dict[str, float] = {}
    for key in keys:
        kind = chief_name(key, "kind")
        # Two spellings of one kind: the wider buffer holds.
        found[kind] = max(found.get(kind, 0.0), table.si(key, "length", allow_zero=True) or 0.0)
    return found
