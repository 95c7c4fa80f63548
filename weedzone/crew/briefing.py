"""Ground left alone, in few lines: by outcome and kind of feature, the largest first.

The job in words, to be read at the tailgate.
"""

from __future__ import annotations

import re
import textwrap
from dataclasses import dataclass

import pandas as pd

from weedzone.base.units import FT2_PER_M2, UNIT_PER_SI, show
from weedzone.base.words import CAUTIONS, LEAST_FT2, area, area_ft2, day_text, ground_text, plain_line
from weedzone.crew.work_order import poured, total
from weedzone.kit import Label, Spreader
from weedzone.sizing import (
    Sized,
    added,
    amount_text,
    capacity_text,
    loads_text,
    run_text,
    solution_text,
    water_texts,
)
from weedzone.survey import place_texts

_NEXT = re.compile(r" and (?=within \S+ \S+ of: |inside: )")
_WITHIN = re.compile(r"within (\S+) (\S+) of: (.+) \(.*; .*\)", re.DOTALL)


@dataclass(frozen=True)
class Left:
    """Ground left alone for one reason: `others` is the part that other features hold too [m2]."""

    outcome: str
    reason: str
    area_m2: float
    others_m2: float = 0.0


@dataclass(frozen=True)
class LeftAlone:
    """Ground left alone; `faint` counts the reasons that make less than 1 ft2 each, of `faint_m2` together."""

    rows: tuple[Left, ...]
    faint: int
    faint_m2: float


def left_by_kind(rest: pd.DataFrame) -> LeftAlone:
    """Group rows of a ledger by outcome and by the feature that holds them deepest.

    Parameters
    ----------
    rest : DataFrame
        Rows of a job's ``ledger`` that are not treated.
    """
    found: dict[tuple[str, str], list[tuple[float, float, tuple[str, str] | None]]] = {}
    for row in rest[["outcome", "reason", "area_m2"]].to_dict("records"):
        first, *others = _NEXT.split(str(row["reason"]))
        within = _WITHIN.fullmatch(first)
        kind, far = (within[3], (within[1], within[2])) if within else (first.removeprefix("inside: "), None)
        held = float(row["area_m2"]) if others else 0.0
        found.setdefault((str(row["outcome"]), kind), []).append((float(row["area_m2"]), held, far))
    lines = [
        Left(outcome, kind + _distances([far for _, _, far in mine if far]), _sum(mine, 0), _sum(mine, 1))
        for (outcome, kind), mine in found.items()
    ]
    lines.sort(key=lambda one: -one.area_m2)
    least = LEAST_FT2 / FT2_PER_M2
    faint = [one.area_m2 for one in lines if one.area_m2 < least]
    return LeftAlone(tuple(one for one in lines if one.area_m2 >= least), len(faint), sum(faint))


def _sum(rows: list[tuple[float, float, tuple[str, str] | None]], column: int) -> float:
    return sum((row[0], row[1])[column] for row in rows)


def _distances(far: list[tuple[str, str]]) -> str:
    """How far a kind is kept from: ", within 25 ft", or where products differ ", within 4 to 25 ft"."""
    if not far:
        return ""
    units = {unit for _, unit in far}
    if len(units) > 1:
        return ", within " + " or ".join(dict.fromkeys(f"{number} {unit}" for number, unit in far))
    numbers = sorted({number for number, _ in far}, key=lambda one: float(one.replace(",", "")))
    span = numbers[0] if len(numbers) == 1 else f"{numbers[0]} to {numbers[-1]}"
    return f", within {span} {far[0][1]}"


WIDTH = 80
_OTHER_USE = "the label has no rate for the use"
_WHOLLY = 0.995  # share of an amount or of ground from which the rest is not worth a word
_SITES, _REASONS, _FINDINGS = 10, 12, 8


def summary(job: Sized) -> str:
    """Say what to mix, what is left alone and why, and what to mind.

    Returns
    -------
    str
        Lines of at most 80 columns. For several sites the products are taken together, and the first sites
        follow.
    """
    sites, made = job.survey.sites, poured(job)
    blocks = [_head(job, sites), _balance(job), _products(job, made), _left(job)]
    if len(sites) > 1:
        blocks.append(_by_site(job, sites, made))
    blocks += [_noticed(job), _cautions(job)]
    return "\n\n".join("\n".join(block) for block in blocks if block)


def _wrapped(text: str, first: str = "", rest: str | None = None) -> list[str]:
    rest = " " * len(first) if rest is None else rest
    return textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False
    ) or [first.rstrip()]


def _head(job: Sized, sites: list[str]) -> list[str]:
    title = plain_line(sites[0], 60) if len(sites) == 1 else f"{len(sites):,} sites"
    kind = "spreader" if isinstance(job.rig, Spreader) else "sprayer"
    rig = plain_line(job.rig.name, 40)
    return [
        f"{title} · {day_text(job.on)}",
        *_wrapped(f"{job.use} use, {kind} {rig}, a full load is {capacity_text(job.rig)}"),
        *(line for text in place_texts(job.survey.places, 1) for line in _wrapped(plain_line(text, 120))),
    ]


def _balance(job: Sized) -> list[str]:
    ledger = job.ledger
    whole, treated = ledger[["area_m2", "area_ft2"]].sum(), _treated(ledger)[["area_m2", "area_ft2"]].sum()
    rest = whole - treated
    rows = (("infested ground", whole), ("to be treated", treated), ("left alone", rest))
    lines = [f"{name:<17}{ground_text(row.area_m2, row.area_ft2):>30}" for name, row in rows]
    if whole.area_m2 > 0:
        lines[1:] = [
            f"{line}  {100 * row.area_m2 / whole.area_m2:3.0f} %"
            for line, (_, row) in zip(lines[1:], rows[1:], strict=True)
        ]
    return [*lines, *_trade(job), *_by_wand(job)]


def _by_wand(job: Sized) -> list[str]:
    """Ground that is too thin for boom or spreader."""
    thin = job.zones[job.zones["by_wand"]]
    if thin.empty:
        return []
    where = (
        "; ".join(thin["zone"]) if len(job.survey.sites) == 1 and len(thin) <= 8 else f"{len(thin):,} zones"
    )
    ground = ground_text(thin["area_m2"].sum(), thin["area_ft2"].sum())
    tool = "spreader" if isinstance(job.rig, Spreader) else "boom"
    wand = None if isinstance(job.rig, Spreader) else job.rig.wand
    by = "wand or hand" if wand is None else f"the rig's wand, {show(wand.pattern_m, 'length')} wide"
    return _wrapped(f"too thin for the {tool}, by {by}: {ground} in {where}")


def _trade(job: Sized) -> list[str]:
    """What the mixes treat of what labels allow, and what one more would add on a single site."""
    made = job.choices
    taken = made[made["taken"] & (made["share"] > 0)]
    if taken.empty:
        return []
    mixes, allowed = int(taken["mixes"].sum()), (taken["ground_m2"] / taken["share"]).sum()
    verb = "mix treats" if mixes == 1 else "mixes treat"
    line = f"{mixes} {verb} {100 * taken['ground_m2'].sum() / allowed:.0f} % of what labels allow"
    more = made[(made["mixes"] == mixes + 1) & ~made["taken"]]
    if len(job.survey.sites) == 1 and len(more):
        added = float(more["ground_ft2"].iloc[0]) - float(taken["ground_ft2"].iloc[0])
        another = {1: "a second", 2: "a third"}.get(mixes, "another")
        line += f"; {another} would add {added:,.0f} ft²" if added >= 1.0 else ""
    return _wrapped(line)


def _treated(ledger: pd.DataFrame) -> pd.DataFrame:
    return ledger[ledger["outcome"] == "treated"]


def _products(job: Sized, made: pd.DataFrame) -> list[str]:
    lines = ["TO MIX" if not isinstance(job.rig, Spreader) else "TO SPREAD"]
    if not len(job.totals):
        return [*lines, "  nothing: no infested ground may be treated"]
    for name, rows in made.groupby("product", sort=True):
        lines += _product(job, job.labels[str(name)], rows)
    return lines


def _product(job: Sized, label: Label, made: pd.DataFrame) -> list[str]:
    facts = ", ".join(filter(None, (label.form, label.registration, label.signal_word.upper())))
    lines = _wrapped(f"{plain_line(label.name, 80)} ({plain_line(facts, 120)})", "  ", "    ")
    facts_of = [("ground", _ground(made))]
    start, on_ground = float(made["start_L"].sum()), float(made["solution_L"].sum())
    rest = made["rest"].iloc[0]
    if on_ground > 0:
        more = f", {solution_text(start)} of it stays in pump and lines" if start > 0 else ""
        made_up = solution_text(float(made["made_up_L"].sum()))
        facts_of.append(("make up", f"{made_up}{more}; {rest}" if rest else made_up + more))
        facts_of.append(("water", " or ".join(water_texts(made["water_L"].sum()))))
    facts_of.append(("product", _amount(made)))
    each = [added(label, job.rig, litres) for litres in made["made_up_L"]]
    for parts in zip(*each, strict=True):
        amount = total([one for _, one in parts]).text()
        facts_of.append(("and", f"{amount} of {plain_line(parts[0][0], 60)}"))
    facts_of.append(("loads", _loads(job, label, made["site"].nunique())))
    for fact, text in facts_of:
        lines += _wrapped(text, f"    {fact:<10}")
    return lines


def _ground(made: pd.DataFrame) -> str:
    area = float(made["area_ft2"].sum())
    text = ground_text(float(made["area_m2"].sum()), area)
    wet = float(made["wet_ft2"].sum())
    return f"{text}; spot work wets {area_ft2(wet)} of it" if 0 < wet < _WHOLLY * area else text


def _amount(made: pd.DataFrame) -> str:
    """What is measured of a product, and how much of it goes on the ground where some stays in the rig."""
    pour = total(list(made["pour"]))
    text = pour.text()
    ground = float(made["product_amount"].sum()) / UNIT_PER_SI[pour.unit]
    if ground < pour.si * _WHOLLY:
        text += f", {amount_text(ground, pour.unit, fine=pour.fine)} planned for the ground"
    if any(one.faint for one in made["pour"]):
        text += "; some loads take less than can be measured well"
    return text


def _loads(job: Sized, label: Label, sites: int) -> str:
    mine = job.loads[job.loads["product"] == label.name]
    rows = job.totals[job.totals["product"] == label.name]
    liquid = " on the ground" if not isinstance(job.rig, Spreader) else ""
    if sites == 1:
        return loads_text(mine, job.rig) + liquid
    return f"{len(mine):,} site by site, as made up here; in one run {run_text(float(rows['tanks'].sum()), job.rig)}"


def _left(job: Sized) -> list[str]:
    rest = job.ledger[job.ledger["outcome"] != "treated"]
    if not len(rest):
        return []
    grouped = left_by_kind(rest)
    lines = ["LEFT ALONE, the largest first"]
    for one in grouped.rows[:_REASONS]:
        text = f"{one.outcome}: {plain_line(one.reason, 160)}"
        if one.others_m2 > 0:
            text += f" ({area_ft2(one.others_m2 * FT2_PER_M2)} near others too)"
        lines += _wrapped(text, f"{area(one.area_m2 * FT2_PER_M2):>10} ft²  ")
    tail = grouped.rows[_REASONS:]
    count = len(tail) + grouped.faint
    if count:
        ground = area_ft2((sum(one.area_m2 for one in tail) + grouped.faint_m2) * FT2_PER_M2)
        lines.append(f"{ground:>14}  for {count} other reason{'s' * (count > 1)}: see the ledger")
    return lines


def _by_site(job: Sized, sites: list[str], made: pd.DataFrame) -> list[str]:
    lines = [f"SITES{f', the first {_SITES} of {len(sites):,}' if len(sites) > _SITES else ''}"]
    treated = _treated(job.ledger).groupby("site")["area_ft2"].sum()
    infested = job.ledger.groupby("site")["area_ft2"].sum()
    for site in sites[:_SITES]:
        mine = made[made["site"] == site].groupby("product", sort=True)["pour"].agg(list)
        what = ", ".join(f"{plain_line(name, 40)} {total(pours).texts()[0]}" for name, pours in mine.items())
        ground = f"{area_ft2(treated.get(site, 0.0))} of {area_ft2(infested.get(site, 0.0))}"
        lines += _wrapped(f"{plain_line(site, 40)}: {ground}; {what or 'nothing to treat'}", "  ", "    ")
    return lines


def _noticed(job: Sized) -> list[str]:
    table = job.findings
    of_note = table[table["severity"] != "note"]
    of_note = of_note if len(of_note) else table
    if not len(table):
        return []
    other_use = of_note["message"].str.contains(_OTHER_USE, regex=False) & (of_note["layer"] == "labels")
    lines = ["TAKE NOTE"]
    shown = of_note[~other_use].iloc[:_FINDINGS]
    for row in shown.itertuples():
        where = plain_line(f"{row.layer} {row.feature}", 80)
        lines += _wrapped(f"{row.severity}: {where}: {plain_line(row.message)}", "  ", "    ")
    count = int(other_use.sum())
    if count:
        names = ", ".join(plain_line(name, 40) for name in of_note.loc[other_use, "feature"][:_FINDINGS])
        lines += _wrapped(f"note: labels without a rate for {job.use} use, not used: {names}", "  ", "    ")
    more = len(table) - len(shown) - count
    if more:
        lines.append(f"  and {more:,} more: see the findings")
    return lines


def _cautions(job: Sized) -> list[str]:
    lines = ["CAUTIONS"]
    for name in job.totals["product"].unique():
        label = job.labels[str(name)]
        wear = f"wear {', '.join(label.ppe)}" if label.ppe else "wear what the label asks for"
        entry = f"; re-entry: {label.reentry}" if label.reentry else ""
        lines += _wrapped(
            f"{plain_line(label.name, 80)}: {plain_line(wear)}{plain_line(entry)}", "  ", "    "
        )
    for text in CAUTIONS:
        lines += _wrapped(text, "  ", "    ")
    return lines
