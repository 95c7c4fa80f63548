"""Quotes on paper and for other programs: one self-contained page, CSV, and JSON."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from weedzone.base.files import file_names, html_page, place, place_file, write_csv
from weedzone.base.words import CAUTIONS, day_text, plain_line
from weedzone.quotes.labour import LEFT_OUT
from weedzone.quotes.lines import KINDS, ROUNDING
from weedzone.quotes.spread import MOVED_APART

if TYPE_CHECKING:
    from weedzone.quotes.quoting import Quote

SCHEMA = "weedzone/quote/1"
_CUSTOMER_WORDS = {"cost-plus": "By material and work", "per-area": "By the area treated"}
_MERGED = {"material": "material", "service": "work"}
_WORDS = {
    "cost-plus": "Cost-plus: material and labour, overhead and margin",
    "per-area": "By the area treated",
}


def sheet(quote: Quote, path: str | Path, *, customer: bool = False) -> Path:
    """Write a quote as one HTML page that needs no other file, no network and no script.

    A page of several sites begins with the totals; each site then starts on a printed page of its own.

    Parameters
    ----------
    customer : bool
        The page for the customer: material and work in one sum each, without overhead, margin and the survey's
        doubt. The sums are the same.

    Raises
    ------
    InputError
        A place that cannot be written.
    """
    return place_file(Path(path), lambda new: _text(new, _page(quote, customer=customer)))


def to_csv(quote: Quote, path: str | Path) -> Path:
    """Write the lines as CSV; text that a spreadsheet would run as a formula gets a leading apostrophe."""
    return place_file(Path(path), lambda new: write_csv(quote.lines, new))


def to_json(quote: Quote, path: str | Path) -> Path:
    """Write lines, totals and visits as JSON; see ``docs/schema/quote.schema.json``."""
    return place_file(Path(path), lambda new: _text(new, _json(quote)))


def write(quote: Quote, folder: str | Path) -> list[Path]:
    """Write a quote to a folder.

    For the customer: ``customer.html``, and the page of each site in ``sites``. For the applicator alone, with
    overhead, margin and the survey's doubt: ``quote.html``, ``quote.csv``, ``quote.json``.
    """

    def all_of_them(new: Path) -> None:
        _text(new / "quote.html", _page(quote))
        _text(new / "customer.html", _page(quote, customer=True))
        write_csv(quote.lines, new / "quote.csv")
        _text(new / "quote.json", _json(quote))
        (new / "sites").mkdir()
        for site, name in file_names(quote.sites).items():
            _text(new / "sites" / f"{name}.html", _page(quote.for_site(site), customer=True))

    return place(Path(folder), all_of_them)


def _text(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", errors="replace", newline="")


def _json(quote: Quote) -> str:
    document = {
        "schema": SCHEMA,
        "currency": quote.currency,
        "on": quote.on.isoformat(),
        "use": quote.use,
        "rounding": ROUNDING,
        "lines": _records(quote.lines),
        "totals": _records(quote.totals),
        "grand_totals": {way: f"{quote.total_of(way):f}" for way in quote.pricings},
        "visits": _records(quote.visits),
        "spread": None if quote.spread is None else _records(quote.spread),
        "loads": [] if quote.doubt is None else quote.doubt.sentences,
        "findings": _records(quote.findings),
    }
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False)


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(key): _value(value) for key, value in row.items()} for row in table.to_dict("records")]


def _value(value: object) -> object:
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, np.generic):
        value = value.item()
    return None if value is None or value != value else value  # NaN is not itself


def _page(quote: Quote, *, customer: bool = False) -> str:
    if customer:
        merged = pd.DataFrame(_merged(quote.lines), columns=quote.lines.columns)
        quote = replace(quote, lines=merged, doubt=None, spread=None, noticed=())
    several, words = len(quote.sites) > 1, _CUSTOMER_WORDS if customer else _WORDS
    return html_page(
        "quote.html",
        title=f"{len(quote.sites)} sites" if several else plain_line(quote.sites[0]),
        day=day_text(quote.on),
        currency=quote.currency,
        facts=_facts(quote),
        several=several,
        totals=_totals(quote) if several else [],
        pricings=[words[way] for way in quote.pricings],
        customer=customer,
        sites=[_site(quote.for_site(site), words) for site in quote.sites],
        loads=[] if quote.doubt is None else quote.doubt.sentences,
        unsure=None if quote.doubt is None else f"{quote.doubt.stated} {MOVED_APART}",
        findings=[
            f"{plain_line(row['feature'])}: {plain_line(row['message'])}"
            for row in quote.findings.to_dict("records")
        ],
        terms=plain_line(quote.terms),
        notes=[ROUNDING] if customer else [ROUNDING, LEFT_OUT],
        cautions=CAUTIONS,
    )


def _merged(lines: pd.DataFrame) -> list[dict[Any, Any]]:
    """Lines with all that makes up the price of a visit's material, and of its work, in one sum each."""
    found: list[dict[Any, Any]] = []
    sums: dict[tuple[Any, ...], dict[Any, Any]] = {}
    for row in lines.to_dict("records"):
        key = (row["pricing"], row["site"], row["visit"], row["kind"])
        if row["step"] != "price" or row["pricing"] != "cost-plus" or not row["amount"]:
            found.append(row)
        elif key in sums:
            sums[key]["amount"] += row["amount"]
        else:
            item, unit = _MERGED[row["kind"]], "sum"
            sums[key] = {**row, "item": item, "unit": unit, "basis": ""}
            found.append(sums[key])
    for row in sums.values():
        row["quantity"], row["unit_price"] = Decimal(1), row["amount"]
    return found


def _facts(quote: Quote) -> list[tuple[str, str, str]]:
    first = quote.visits[quote.visits["visit"] == 1]
    found = []
    for way in quote.pricings:
        spread = (
            [] if quote.spread is None else quote.spread[quote.spread["pricing"] == way].to_dict("records")
        )
        ends = [
            row for row in spread if len(spread) == 1 or row["site"] is None or row["site"] != row["site"]
        ]
        words = f"80 of 100 cases: {ends[0]['p10']:,f} to {ends[0]['p90']:,f}" if ends else ""
        name = "Total" if len(quote.pricings) == 1 else f"Total, {way}"
        found.append((name, quote.money(quote.total_of(way)), words))
    found.append(("Ground treated", f"{first['area_ft2'].sum():,.0f} ft²", "first visit"))
    found.append(("Visits", str(int(quote.visits["visit"].max())), ""))
    return found


def _totals(quote: Quote) -> list[dict[str, Any]]:
    """A row for each site: its ground, and its total in each way of pricing."""
    first = quote.visits[quote.visits["visit"] == 1].set_index("site")["area_ft2"]
    by = quote.totals.set_index(["site", "pricing"])["total"]
    rows = [
        {
            "site": plain_line(site),
            "area": f"{first[site]:,.0f} ft²",
            "sums": [f"{by[site, way]:,.{quote.decimals}f}" for way in quote.pricings],
        }
        for site in quote.sites
    ]
    sums = [f"{quote.total_of(way):,.{quote.decimals}f}" for way in quote.pricings]
    return [*rows, {"site": "All sites", "area": f"{first.sum():,.0f} ft²", "sums": sums}]


def _site(quote: Quote, words: Mapping[str, str]) -> dict[str, Any]:
    def plain(amount: Decimal) -> str:
        return f"{amount:,.{quote.decimals}f}"

    titles = dict(zip(quote.visits["visit"], quote.visits["title"], strict=True))
    ways = []
    for way in quote.pricings:
        lines = quote.lines[quote.lines["pricing"] == way]
        visits = [
            {
                "title": titles[number],
                "sum": plain(sum(mine["amount"], Decimal(0))),
                "lines": [_line(row) for row in mine.to_dict("records")],
            }
            for number, mine in lines.groupby("visit", sort=False)
        ]
        row = quote.totals[quote.totals["pricing"] == way].to_dict("records")[0]
        sums = [(f"{kind.capitalize()}, before tax", plain(row[kind])) for kind in KINDS]
        sums += [("Tax", plain(row["tax"])), ("Total", quote.money(row["total"]))]
        ways.append({"name": words[way], "visits": visits, "sums": sums})
    return {"name": plain_line(quote.sites[0]), "ways": ways}


def _line(row: dict[Any, Any]) -> dict[str, str]:
    measured = row["unit"] not in ("sum", "share")
    return {
        "item": plain_line(row["item"]),
        "basis": plain_line(row["basis"]),
        "quantity": f"{_short(row['quantity'])} {row['unit']}" if measured else "",
        "unit_price": _short(row["unit_price"], places=2) if measured else "",
        "amount": f"{row['amount']:,f}",
    }


def _short(value: Decimal, places: int = 0) -> str:
    """Without the zeros at its end, but for the first places."""
    text = f"{value:,f}"
    whole, _, part = text.partition(".")
    part = part.rstrip("0").ljust(places, "0")
    return f"{whole}.{part}" if part else whole
