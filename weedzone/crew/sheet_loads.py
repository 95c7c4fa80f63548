"""What stands on one site's mix sheet, as plain texts for the template."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import pandas as pd

from weedzone.base.units import FT2_PER_M2, GAL_PER_L, KSQFT_PER_M2, LB_PER_KG, UNIT_PER_SI
from weedzone.base.words import CAUTIONS, day_text, ground_pair, plain_line, short
from weedzone.crew.mixing import Item, order_of_addition
from weedzone.crew.sheet_rules import (
    NAME,
    TEXT,
    distinct,
    followup,
    hints,
    kept_off,
    left_alone,
    warnings,
    weather,
)
from weedzone.crew.work_order import poured
from weedzone.kit import Label, Sprayer
from weedzone.sizing import Sized, added, amount_text, capacity_text, loads_text, solution_text, water_texts

_SAME = ("tanks", "made_up_L")
_WHOLLY = 0.995  # share of the ground from which it counts as wetted all over
_LOADS = 6  # groups of like loads of one product
# Lines up to which each setting of the print holds two pages, as tried in a browser; see `_lines_of`.
_DENSITY = (("", 60.0), ("dense", 72.0), ("denser", 92.0), ("densest", 108.0), ("crammed", 118.0))
# Zones, and rows of each list, that are shown; what does not fit two pages is summed up, and the tables of the job
# have all of it.
_CAPS = ((14, 12), (8, 8), (4, 4), (2, 2))


def page(
    job: Sized, site: str, date: dt.date, system: str = "us", loads: pd.DataFrame | None = None
) -> dict[str, Any]:
    """Everything on the sheet of one site.

    Parameters
    ----------
    job : Sized
    site : str
    date : datetime.date
        Day of spraying.
    system : {"us", "metric"}
        Units that come first.
    loads : DataFrame, optional
        `weedzone.crew.poured` of the job, where it is at hand.
    """
    made = poured(job) if loads is None else loads
    content: dict[str, Any] = {}
    for zones, listed in _CAPS:
        content = _content(job, site, date, system, zones, listed, made)
        if _lines_of(content) <= _DENSITY[-1][1]:
            break
    return content | {"density": _density(_lines_of(content))}


def _content(
    job: Sized, site: str, date: dt.date, system: str, zones: int, listed: int, made: pd.DataFrame
) -> dict[str, Any]:
    frames = _frames(job) | {"made": made}
    mine = {name: frame[frame["site"] == site] for name, frame in frames.items()}
    by_product = dict(list(mine["made"].groupby("product", sort=False)))  # in the order of work
    labels = [job.labels[str(name)] for name in by_product]
    ledger, granules = mine["ledger"], not isinstance(job.rig, Sprayer)
    treated = ledger["outcome"] == "treated"
    return {
        "site": plain_line(site, 120),
        "day": day_text(date),
        "head": _head(job, mine, ledger["area_m2"][treated].sum(), ledger["area_m2"][~treated].sum(), system),
        "rig": _rig(job),
        "products": [_product(job, one, by_product[one.name], mine["loads"], system) for one in labels],
        "granules": granules,
        "zones": _zones(mine["zones"], system, zones),
        "left": left_alone(ledger[~treated], system, listed),
        "kept": kept_off(job, site, labels, system, listed),
        "weather": weather(labels, job.asked.policy, system, granules=granules),
        "ppe": distinct((label.name, item) for label in labels for item in label.ppe),
        "reentry": distinct((label.name, label.reentry or "see the label") for label in labels),
        "followup": [(plain_line(label.name, NAME), followup(label, date)) for label in labels],
        "hints": hints(labels),
        "warnings": warnings(job, mine, date, listed),
        "cautions": CAUTIONS,
    }


def _density(lines: float) -> str:
    """How tightly the sheet has to be set for print."""
    return next((name for name, most in _DENSITY if lines <= most), _DENSITY[-1][0])


def _lines_of(content: dict[str, Any]) -> float:
    """Rough count of the lines that the sheet takes in print at the widest setting."""
    products, zones = content["products"], content["zones"]["rows"]
    full = [14, 4 * len(products), *(_lines(one, 140) for one in content["warnings"])]
    full += [len(one["loads"]) * (2 if len(one["added"]) > 2 else 1.2) for one in products]
    full += [
        _lines("".join(one[of] for of in ("facts", "actives", "loads_text", "before", "ground")), 150)
        + _lines(one["said"], 140)
        for one in products
    ]
    full += [max(_lines(one["turf"] + one["caution"], 30), _lines(one["weeds"], 60)) for one in zones]
    full += [2 * ((len(products) + 3) // 4)]
    half: list[float] = [_lines(" ".join(map(str, row)), 75) for row in content["kept"]["rows"]]
    half += [_lines(" ".join(row), 60) for row in content["left"]["rows"]]
    half += [_lines(f"{text} {names}", 80) for text, names in (*content["ppe"], *content["reentry"])]
    half += [_lines(f"{name} {text}", 75) for name, text in content["followup"]]
    half += [_lines(f"{text} {names}", 90) for _, texts in content["hints"] for text, names in texts]
    return sum(full) + sum(half) / 2


def _lines(text: str, width: int) -> float:
    return math.ceil(len(text) / width)


def _frames(job: Sized) -> dict[str, pd.DataFrame]:
    zones = pd.DataFrame(job.zones.drop(columns="geometry")).join(job.patch_codes, on=["site", "zone"])
    return {"zones": zones, "totals": job.totals, "loads": job.loads, "ledger": job.ledger}


def _head(
    job: Sized, mine: dict[str, pd.DataFrame], treated: float, left: float, system: str
) -> list[tuple[str, str, str]]:
    count = len(mine["loads"])
    return [
        ("To be treated", *ground_pair(treated, system)),
        ("Infested, left alone", *ground_pair(left, system)),
        ("Zones", str(len(mine["zones"])), ""),
        ("Loads", f"{count:,}", f"a full one is {capacity_text(job.rig)}"),
    ]


def _rig(job: Sized) -> str:
    rig, said = job.rig, [f"{job.use.capitalize()} use with {plain_line(job.rig.name, NAME)}"]
    if isinstance(rig, Sprayer):
        if rig.carrier_L_per_m2 is not None:
            said.append(
                f"{short(rig.carrier_L_per_m2 * GAL_PER_L / KSQFT_PER_M2)} gal/1,000 ft² of wetted ground"
            )
        if rig.unusable_L > 0:
            gallons = short(rig.unusable_L * GAL_PER_L)
            said.append(f"{gallons} gal stays in tank and lines")
        if rig.priming_L > 0:
            said.append(f"{short(rig.priming_L * GAL_PER_L)} gal fills the lines first")
    elif rig.unusable_kg > 0:
        said.append(f"{short(rig.unusable_kg * LB_PER_KG)} lb stays in the hopper")
    return "; ".join(said)


def _product(
    job: Sized, label: Label, rows: pd.DataFrame, loads: pd.DataFrame, system: str
) -> dict[str, Any]:
    groups = _like(rows)
    extras = job.rig.extras if isinstance(job.rig, Sprayer) else ()
    steps = order_of_addition(label, extras)
    facts = filter(None, (label.form, label.formulation, label.registration))
    return {
        "name": plain_line(label.name, NAME),
        "facts": ", ".join(plain_line(one, NAME) for one in facts),
        "signal": plain_line(label.signal_word, 20),
        "actives": ", ".join(_active(one.name, one.group) for one in label.actives),
        "loads_text": loads_text(loads[loads["product"] == label.name], job.rig),
        "ground": _on_ground(job, rows, system),
        "before": plain_line(rows["before"].iloc[0], TEXT),
        "added": [plain_line(name, NAME) for name, _ in added(label, job.rig, 1.0)],
        "loads": [_load(job, label, group, system) for group in groups[:_LOADS]],
        "more": max(0, len(groups) - _LOADS),
        "order": [_step(item) for item in steps],
        "said": plain_line(label.hints.get("mixing", ""), TEXT),
    }


def _on_ground(job: Sized, rows: pd.DataFrame, system: str) -> str:
    """What of a product and its mix goes on the ground, as the record will say, and what stays in the rig."""
    unit = rows["product_unit"].iloc[0]
    planned = float(rows["product_amount"].sum()) / UNIT_PER_SI[unit]
    product = amount_text(planned, unit, system, fine=any(one.fine for one in rows["pour"]))
    area = ground_pair(float(rows["area_m2"].sum()), system)[0]
    if not isinstance(job.rig, Sprayer):
        left = float(rows["start_amount"].sum()) / LB_PER_KG
        more = f"; {amount_text(left, 'lb', system)} more stays in the hopper" if left > 0 else ""
        return f"On the ground: {product} on {area}{more}."
    text = f"On the ground: {solution_text(float(rows['solution_L'].sum()), system)} with {product} on {area}"
    wet = float(rows["wet_ft2"].sum())
    if wet < _WHOLLY * float(rows["area_ft2"].sum()):
        text += f", of which spot work wets {ground_pair(wet / FT2_PER_M2, system)[0]}"
    start = float(rows["start_L"].sum())
    if start > 0:
        made_up = solution_text(float(rows["made_up_L"].sum()), system)
        text += f". Make up {made_up}: {solution_text(start, system)} of it stays in pump and lines"
    rest = rows["rest"].iloc[0]
    return f"{text}. {rest[:1].upper()}{rest[1:]}." if rest else f"{text}."


def _step(item: Item) -> str:
    what = item.group if item.sure else item.sort
    return f"{plain_line(item.name, NAME)} ({what})"


def _active(name: str, group: str) -> str:
    return plain_line(name, NAME) + (f" (group {plain_line(group, 8)})" if group else "")


def _like(rows: pd.DataFrame) -> list[list[dict[Any, Any]]]:
    """Loads that follow one another with the same amounts."""
    groups: list[list[dict[Any, Any]]] = []
    for row in rows.to_dict("records"):
        if groups and all(math.isclose(groups[-1][0][of], row[of], rel_tol=1e-9) for of in _SAME):
            groups[-1].append(row)
        else:
            groups.append([row])
    return groups


def _load(job: Sized, label: Label, rows: list[dict[Any, Any]], system: str) -> dict[str, Any]:
    row, several = rows[0], len(rows) > 1
    number = f"{row['load']} to {rows[-1]['load']}" if several else str(row["load"])
    made_up = row["made_up_L"]
    gallons, litres = f"{short(made_up * GAL_PER_L)} gal", f"{short(made_up)} L"
    covers = ground_pair(sum(one["area_m2"] for one in rows), system)
    zones = dict.fromkeys(zone for one in rows for zone in one["zones"].split("; "))
    return {
        "number": f"{number} of {row['of']}",
        "each": several,
        "water": water_texts(row["water_L"], system),
        "product": row["pour"].texts(system),
        "added": [one.texts(system) for _, one in added(label, job.rig, made_up)],
        "makes": (gallons, litres) if system == "us" else (litres, gallons),
        "covers": (f"{covers[0]} together" if several else covers[0], covers[1]),
        "zones": plain_line("; ".join(zones), NAME),
    }


def _zones(zones: pd.DataFrame, system: str, most: int) -> dict[str, Any]:
    rows = zones.to_dict("records")
    shown = [
        {
            "zone": row["patch"],
            "product": plain_line(row["product"], NAME),
            "turf": plain_line(row["turf"], NAME),
            "weeds": plain_line(row["weeds"], 120),
            "rating": row["rating"],
            "dose": row["dose"],
            "caution": plain_line(row["caution"], TEXT),
            "area": ground_pair(row["area_m2"], system),
            "tanks": f"{row['tanks']:.2f}" if row["tanks"] >= 0.01 else "under 0.01",
        }
        for row in rows[:most]
    ]
    rest = rows[most:]
    return {
        "rows": shown,
        "rest": len(rest),
        "rest_area": ground_pair(sum(row["area_m2"] for row in rest), system)[0],
        "rest_cautions": sum(bool(row["caution"]) for row in rest),
    }
