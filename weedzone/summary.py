"""The job in words, to be read at the tailgate."""

from __future__ import annotations

import textwrap

import pandas as pd

from weedzone.cautions import CAUTIONS
from weedzone.label import Label
from weedzone.measured import (
    added_texts,
    area,
    capacity_text,
    day_text,
    ground_text,
    loads_text,
    plain_line,
    product_text,
    run_text,
    short,
    water_text,
)
from weedzone.rig import Spreader
from weedzone.sizing import Sized

WIDTH = 80
_SITES, _REASONS, _FINDINGS = 10, 12, 8


def summary(job: Sized) -> str:
    """Say what to mix, what is left alone and why, and what to mind.

    Returns
    -------
    str
        Lines of at most 80 columns. For several sites the products are taken together, and the first sites
        follow.
    """
    sites = job.survey.sites
    blocks = [_head(job, sites), _balance(job), _products(job), _left(job)]
    if len(sites) > 1:
        blocks.append(_by_site(job, sites))
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


def _products(job: Sized) -> list[str]:
    lines = ["TO MIX" if not isinstance(job.rig, Spreader) else "TO SPREAD"]
    if not len(job.totals):
        return [*lines, "  nothing: no infested ground may be treated"]
    for name, rows in job.totals.groupby("product", sort=True):
        lines += _product(job, job.labels[str(name)], rows)
    return lines


def _product(job: Sized, label: Label, rows: pd.DataFrame) -> list[str]:
    total = rows.sum(numeric_only=True)
    unit = rows["product_unit"].iloc[0]
    facts = ", ".join(filter(None, (label.form, label.registration, label.signal_word.upper())))
    lines = _wrapped(f"{plain_line(label.name, 80)} ({plain_line(facts, 120)})", "  ", "    ")
    facts_of = [("ground", ground_text(total.area_m2, total.area_ft2))]
    if total.solution_L > 0:
        litres = f"{short(total.solution_gal)} gal ({short(total.solution_L)} L)"
        facts_of += [
            ("solution", litres),
            ("water", f"{water_text(total.water_L)} ({short(total.water_L)} L)"),
        ]
    poured, metric = (
        product_text(total.product_amount, unit, job.rig, system) for system in ("us", "metric")
    )
    facts_of.append(("product", poured if poured == metric else f"{poured} ({metric})"))
    for added, amount in added_texts(label, job.rig, total.solution_L):
        facts_of.append(("and", f"{amount} of {plain_line(added, 60)}"))
    facts_of.append(("loads", _loads(job, label, rows)))
    for fact, text in facts_of:
        lines += _wrapped(text, f"    {fact:<10}")
    return lines


def _loads(job: Sized, label: Label, rows: pd.DataFrame) -> str:
    mine = job.loads[job.loads["product"] == label.name]
    if len(rows) == 1:
        return loads_text(mine, job.rig)
    return f"{run_text(float(rows['tanks'].sum()), job.rig)} in one run; {len(mine):,} site by site"


def _left(job: Sized) -> list[str]:
    rest = job.ledger[job.ledger["outcome"] != "treated"]
    if not len(rest):
        return []
    by = rest.groupby(["outcome", "reason"])["area_ft2"].sum().sort_values(ascending=False, kind="stable")
    lines = ["LEFT ALONE, the largest first"]
    for row in by.iloc[:_REASONS].reset_index().to_dict("records"):
        reason = plain_line(row["reason"], 160)
        lines += _wrapped(f"{row['outcome']}: {reason}", f"{area(row['area_ft2']):>10} ft²  ")
    if len(by) > _REASONS:
        lines.append(
            f"{area(by.iloc[_REASONS:].sum()):>10} ft²  for {len(by) - _REASONS} other reasons: see the ledger"
        )
    return lines


def _by_site(job: Sized, sites: list[str]) -> list[str]:
    lines = [f"SITES{f', the first {_SITES} of {len(sites):,}' if len(sites) > _SITES else ''}"]
    treated = _treated(job.ledger).groupby("site")["area_ft2"].sum()
    infested = job.ledger.groupby("site")["area_ft2"].sum()
    for site in sites[:_SITES]:
        rows = job.totals[job.totals["site"] == site]
        what = ", ".join(
            f"{plain_line(row['product'], 40)} "
            f"{product_text(row['product_amount'], row['product_unit'], job.rig)}"
            for row in rows.to_dict("records")
        )
        ground = f"{area(treated.get(site, 0.0))} of {area(infested.get(site, 0.0))} ft²"
        lines += _wrapped(f"{plain_line(site, 40)}: {ground}; {what or 'nothing to treat'}", "  ", "    ")
    return lines


def _noticed(job: Sized) -> list[str]:
    table = job.findings
    of_note = table[table["severity"] != "note"]
    of_note = of_note if len(of_note) else table
    if not len(table):
        return []
    lines = ["TAKE NOTE"]
    for row in of_note.iloc[:_FINDINGS].itertuples():
        where = plain_line(f"{row.layer} {row.feature}", 80)
        lines += _wrapped(f"{row.severity}: {where}: {plain_line(row.message)}", "  ", "    ")
    more = len(table) - min(len(of_note), _FINDINGS)
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
