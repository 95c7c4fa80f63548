"""Quotes: a sized job and a price list to priced, explained lines, for each site and in total."""

from __future__ import annotations

import datetime as dt
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from decimal import Decimal
from functools import cached_property
from os import PathLike
from pathlib import Path
from typing import Any

import pandas as pd

from weedzone.base.errors import Finding, InputError, findings_table, refuse_unless
from weedzone.base.names import nearest
from weedzone.base.units import FT2_PER_M2
from weedzone.base.words import plain_line
from weedzone.kit import MATERIALS, PRICINGS, FollowUp, Prices
from weedzone.quotes.labour import LEFT_OUT, walks
from weedzone.quotes.lines import KINDS, Line, check_prices, coin_of, price_visits
from weedzone.quotes.spread import Doubt, doubt, moved_needs, spread_of
from weedzone.quotes.visits import Needs, SiteVisit, first_needs, needs_later, planned_follow_ups, site_visits
from weedzone.sizing import Sized, check_job

COLUMNS = tuple(one.name for one in fields(Line))


@dataclass(frozen=True, eq=False)
class Quote:
    """A priced job.

    Attributes
    ----------
    lines : DataFrame
        ``pricing`` (``cost-plus`` or ``per-area``), ``site``, ``visit`` (1, 2, ...), ``item``, ``kind``
        (``material``, ``service`` or ``tax``), ``step`` (``price`` or ``charge``), ``quantity``, ``unit``,
        ``unit_price``, ``amount`` (all three `decimal.Decimal`), ``basis`` (words). See `weedzone.quotes.lines`
        for the rule of rounding.
    visits : DataFrame
        What each visit takes: ``site``, ``visit``, ``title``, ``area_ft2``, ``loads``, ``patches``, ``walk_m``,
        ``setup_min``, ``mixing_min``, ``covering_min``, ``walking_min`` (0 where priced by area alone).
    pricings : tuple of str
    currency : str
    decimals : int
    on : datetime.date
    use : str
    spread : DataFrame or None
        Totals at 10, 50 and 90 of 100 cases of the survey's accuracy: ``pricing``, ``site`` (None: all),
        ``p10``, ``p50``, ``p90`` (Decimal).
    doubt : Doubt or None
    terms : str
    noticed : tuple of Finding
    """

    lines: pd.DataFrame
    visits: pd.DataFrame
    pricings: tuple[str, ...]
    currency: str
    decimals: int
    on: dt.date
    use: str
    spread: pd.DataFrame | None = None
    doubt: Doubt | None = None
    terms: str = ""
    noticed: tuple[Finding, ...] = ()

    @cached_property
    def findings(self) -> pd.DataFrame:
        """What was noticed: ``severity``, ``layer``, ``feature``, ``message``."""
        return findings_table(self.noticed)

    @cached_property
    def totals(self) -> pd.DataFrame:
        """For each pricing and site: ``pricing``, ``site``, ``material``, ``service``, ``tax``, ``total`` (Decimal)."""
        rows = []
        for (pricing, site), mine in self.lines.groupby(["pricing", "site"], sort=False):
            parts = [_sum(mine.loc[mine["kind"] == kind, "amount"]) for kind in (*KINDS, "tax")]
            rows.append((pricing, site, *parts, _sum(parts)))
        return pd.DataFrame(rows, columns=["pricing", "site", *KINDS, "tax", "total"], dtype=object)

    @property
    def sites(self) -> list[str]:
        """Names of the sites."""
        return [str(one) for one in dict.fromkeys(self.lines["site"])]

    @property
    def total(self) -> Decimal:
        """Total over all sites, of the first way of pricing."""
        return self.total_of(self.pricings[0])

    def total_of(self, pricing: str) -> Decimal:
        """Total over all sites in one way of pricing.

        Parameters
        ----------
        pricing : str
            One of `pricings`.

        Returns
        -------
        decimal.Decimal

        Raises
        ------
        InputError
            The quote is not priced so.
        """
        if pricing not in self.pricings:
            raise InputError(
                f"the quote is not priced {pricing!r}",
                field="pricing",
                mend=f"it is: {', '.join(self.pricings)}",
            )
        return _sum(self.totals.loc[self.totals["pricing"] == pricing, "total"])

    def for_site(self, site: str) -> Quote:
        """The quote of one site alone; shares of travel, containers and discounts stay as they are.

        Parameters
        ----------
        site : str

        Returns
        -------
        Quote

        Raises
        ------
        InputError
            The quote has no such site.
        """
        if site not in self.sites:
            close = nearest(str(site), self.sites)
            raise InputError(
                f"the quote has no site {site!r}",
                field="site",
                mend=f"did you mean {close!r}?" if close else None,
            )
        spread = None if self.spread is None else self.spread[self.spread["site"] == site]
        return replace(
            self,
            lines=self.lines[self.lines["site"] == site].reset_index(drop=True),
            visits=self.visits[self.visits["site"] == site].reset_index(drop=True),
            spread=spread,
        )

    def money(self, amount: Decimal) -> str:
        """A sum with its currency, "1,234.50 USD".

        Parameters
        ----------
        amount : decimal.Decimal

        Returns
        -------
        str
        """
        return f"{amount:,.{self.decimals}f} {self.currency}"

    def summary(self) -> str:
        """The quote in words: totals by site, the spread, and what is left out.

        Returns
        -------
        str
        """
        lines = [f"Quote for {len(self.sites)} site{'s' * (len(self.sites) != 1)}, {self.use}, {self.on}"]
        for pricing in self.pricings:
            table = self.totals[self.totals["pricing"] == pricing]
            lines += ["", f"{pricing}:"]
            if len(table) > 1:
                by_site = zip(table["site"], table["total"], strict=True)
                lines += [f"  {plain_line(site)}: {self.money(total)}" for site, total in by_site]
            lines.append(
                f"  total: {self.money(self.total_of(pricing))}, of it tax {self.money(_sum(table['tax']))}"
            )
            lines += [f"  {sentence}" for sentence in self._spread_words(pricing)]
        if self.doubt is not None:
            lines += ["", *(f"{sentence}." for sentence in self.doubt.sentences)]
        found = self.findings
        lines += [
            "",
            LEFT_OUT,
            *(f"{row.severity}: {row.feature}: {row.message}" for row in found.itertuples()),
        ]
        return "\n".join(lines)

    def __str__(self) -> str:
        """The summary."""
        return self.summary()

    def sheet(self, path: str | Path, *, customer: bool = False) -> Path:
        """Write the quote as one self-contained page; see `weedzone.quotes.page.sheet`.

        Parameters
        ----------
        path : path
            A file ending in ``.html``; replaced if it is there.
        customer : bool
            Whether it is the customer's page, without what is yours alone.

        Returns
        -------
        pathlib.Path

        Raises
        ------
        InputError
            The file cannot be written.
        """
        from weedzone.quotes.page import sheet

        return sheet(self, path, customer=customer)

    def to_csv(self, path: str | Path) -> Path:
        """Write the lines as CSV, safe to open in a spreadsheet.

        Parameters
        ----------
        path : path

        Returns
        -------
        pathlib.Path

        Raises
        ------
        InputError
            The file cannot be written.
        """
        from weedzone.quotes.page import to_csv

        return to_csv(self, path)

    def to_json(self, path: str | Path) -> Path:
        """Write the quote as JSON after ``docs/schema/quote.schema.json``; money is text, to stay exact.

        Parameters
        ----------
        path : path

        Returns
        -------
        pathlib.Path

        Raises
        ------
        InputError
            The file cannot be written.
        """
        from weedzone.quotes.page import to_json

        return to_json(self, path)

    def write(self, folder: str | Path) -> list[Path]:
        """Write the customer's pages and your own files; see `weedzone.quotes.page.write`.

        Parameters
        ----------
        folder : path
            Made if it is not there.

        Returns
        -------
        list of pathlib.Path

        Raises
        ------
        InputError
            The files cannot be written.
        """
        from weedzone.quotes.page import write

        return write(self, folder)

    def _spread_words(self, pricing: str) -> list[str]:
        if self.spread is None:
            return []
        mine = self.spread[self.spread["pricing"] == pricing]
        row = mine[mine["site"].isna()] if len(mine) > 1 else mine
        ends = [
            (self.money(one["p10"]), self.money(one["p90"]), self.money(one["p50"]))
            for one in row.to_dict("records")
        ]
        return [
            f"in 80 of 100 cases between {low} and {high} (middle {middle})" for low, high, middle in ends
        ]


def quote(
    job: Sized,
    prices: Prices,
    visits: int | Iterable[FollowUp | Mapping[str, Any]] | None = None,
    *,
    pricing: str | None = None,
    material: str | None = None,
    days: Mapping[str, Hashable] | None = None,
    accuracy: str | Mapping[str, str] | Doubt | None = None,
    cases: int = 100,
    seed: int = 0,
) -> Quote:
    """Price a sized job.

    Cost-plus: material and labour at cost, overhead on both, then the margin (a share of the price) or the
    mark-up (on cost). Per area: the ground treated times the price for the use, material included. Then in both:
    the discount, a top-up to the least charge of a visit, the share of the day's travel, and tax by kind of
    line. Travel is charged as listed: without overhead, margin or discount, and beside the least charge.

    Parameters
    ----------
    job : Sized
    prices : Prices
    visits : int or follow-up visits, optional
        Number of visits in all: the first and as many of the price list's follow-ups. Or the follow-ups
        themselves, each a `FollowUp`, or ``{"after": "28 day", "share": "30 %"}``: days after the visit before
        it, and the share of the first visit's ground that it is expected to treat. Those of the price list if
        not given; ``()`` for the first visit alone.
    pricing : {"cost-plus", "per-area", "both"}, optional
        As the price list says, if not given.
    material : {"use", "containers"}, optional
        Whether material is charged by use (at the price of the first container listed) or by whole containers,
        the cheapest that hold what the whole quote takes, shared by use.
    days : mapping of site to day, optional
        Sites of one day share its travel. Without it they are taken in their order, as many to a day as the
        list's ``sites_per_day``.
    accuracy : str, mapping or Doubt, optional
        Accuracy of the survey, as of `weedzone.doubt`: adds the spread of the totals and of the loads.
        The walk is kept as mapped.
    cases, seed : int
        Of the doubt.

    Returns
    -------
    Quote

    Raises
    ------
    InputError, RigError
        A price that is missing, naming the product; a rig without pace; a follow-up that a label does not allow.
    """
    check_job(job)
    example = f"{str(prices)[:60]!r}" if isinstance(prices, str | PathLike) else '"prices.toml"'
    right = isinstance(prices, Prices)
    refuse_unless(right, prices, "a price list", "prices", f"give what read_prices({example}) returned")
    pricing, material = pricing or prices.pricing, material or prices.material
    for value, field, known in ((pricing, "pricing", PRICINGS), (material, "material", MATERIALS)):
        if value not in known:
            raise InputError(f"{value!r} is unknown", field=field, mend=f"one of {', '.join(known)}")
    pricings = PRICINGS[:2] if pricing == "both" else (pricing,)
    followups = planned_follow_ups(visits, prices)
    first = first_needs(job)
    later, noticed = (
        needs_later(job, followups, visits, prices) if any(first.values()) else ([first] * len(followups), [])
    )
    walked = walks(job)
    timed = prices if "cost-plus" in pricings else replace(prices, labour_rate=None)
    planned = site_visits(job, timed, [first, *later], followups, walked)
    check_prices(pricings, prices, planned, job.labels, job.use)
    _check_days(days, first)

    def lines_of(some: Sequence[SiteVisit], way: str) -> list[Line]:
        return price_visits(some, prices, job.labels, job.use, way, material, days)

    lines = [line for way in pricings for line in lines_of(planned, way)]
    spread, unsure = None, None
    if accuracy is not None:
        unsure = accuracy if isinstance(accuracy, Doubt) else doubt(job, accuracy, cases=cases, seed=seed)
        sums = [
            {way: lines_of(site_visits(job, timed, needs, followups, walked), way) for way in pricings}
            for needs in moved_needs(job, unsure, first, later, followups)
        ]
        spread = spread_of(sums, pricings, list(first), coin_of(prices))
    nothing = [
        Finding("note", "quote", site, "nothing may be treated here: not visited")
        for site, needs in first.items()
        if not needs
    ]
    return Quote(
        lines=pd.DataFrame(
            [[getattr(line, name) for name in COLUMNS] for line in lines], columns=list(COLUMNS)
        ),
        visits=_visits_table(planned),
        pricings=tuple(pricings),
        currency=prices.currency,
        decimals=prices.decimals,
        on=job.on,
        use=job.use,
        spread=spread,
        doubt=unsure,
        terms=prices.terms,
        noticed=(*prices.noticed, *noticed, *nothing),
    )


def _check_days(days: Mapping[str, Hashable] | None, needs: Needs) -> None:
    missing = [] if days is None else [site for site, mine in needs.items() if mine and site not in days]
    if missing:
        raise InputError(
            f"no day is given for site {missing[0]!r}", field="days", mend="give each site its day"
        )


def _visits_table(planned: Sequence[SiteVisit]) -> pd.DataFrame:
    rows = [
        (
            one.site, one.number, one.title, one.area_m2 * FT2_PER_M2, sum(need.loads for need in one.needs),
            sum(walk.patches for walk in one.walked), sum(walk.length_m for walk in one.walked), one.minutes.setup,
            one.minutes.mixing, one.minutes.rinsing, one.minutes.spraying, one.minutes.walking,
        )
        for one in planned
    ]  # fmt: skip
    columns = [
        "site", "visit", "title", "area_ft2", "loads", "patches", "walk_m", "setup_min", "mixing_min", "rinsing_min",
        "covering_min",
        "walking_min",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _sum(amounts: Iterable[Decimal]) -> Decimal:
    return sum(amounts, Decimal(0))
