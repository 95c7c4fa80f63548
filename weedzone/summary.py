"""The job in words, to be read at the tailgate."""

from __future__ import annotations

import textwrap

import pandas as pd

from weedzone.cautions import CAUTIONS
from weedzone.label import Label
from weedzone.measured import (
    added,
    amount_text,
    area,
    area_ft2,
    capacity_text,
    day_text,
    ground_text,
    loads_text,
    plain_line,
    run_text,
    solution_text,
    water_texts,
)
from weedzone.poured import poured, total
from weedzone.rig import Spreader
from weedzone.sizing import Sized
from weedzone.units import FT2_PER_M2
from weedzone.untreated import left_by_kind

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
    return lines


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
    if on_ground > 0:
        more = f", {solution_text(start)} of it stays in pump and lines" if start > 0 else ""
        made_up = solution_text(float(made["made_up_L"].sum()))
        facts_of += [("make up", made_up + more), ("water", " or ".join(water_texts(made["water_L"].sum())))]
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
    ground = float(made["ground_si"].sum())
    if ground < pour.si * _WHOLLY:
        text += f", {amount_text(ground, pour.unit, fine=pour.fine)} of it on the ground"
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
