"""Doubt: what the survey's own accuracy makes of the sprayable area, the product and the loads.

The layers are moved many times, each time as the walk might as well have found them (see `weedzone.quotes.shaken`), and
the whole job is sized again for each.

The spread of a quote's totals over the cases of a doubtful survey.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import cached_property

import numpy as np
import pandas as pd

from weedzone.base.errors import InputError
from weedzone.base.money import rounded
from weedzone.base.units import to_si
from weedzone.ground.shapes import Floats, Ints
from weedzone.kit import FollowUp
from weedzone.quotes.lines import Line
from weedzone.quotes.shaken import LAYERS, dense, moved
from weedzone.quotes.visits import Need, Needs, loaded, need_of
from weedzone.sizing import Sized, size
from weedzone.survey import Survey

SURE = 0.95
MOVED_APART = (
    "Layers are moved apart from one another: where weed was drawn exactly up to another edge, the middle of the "
    "cases lies below the sized figure."
)
_SITES_AT_ONCE = 2000
_MOST_CASES = 10_000


@dataclass(frozen=True, eq=False)
class Doubt:
    """The spread of a job's answers.

    Attributes
    ----------
    cases : DataFrame
        A row for each case, site and product: ``case``, ``site``, ``product``, ``area_ft2``, ``area_m2``,
        ``solution_L``, ``product_amount``, ``product_unit``, ``adjuvant_floz``, ``loads``. A case that treats
        nothing of a site with a product has no row for it.
    n : int
        Number of cases.
    accuracy_m : mapping of layer to float
        Radius that holds 95 of 100 points [m].
    correlation_m : float
    seed : int
    """

    cases: pd.DataFrame
    n: int
    accuracy_m: Mapping[str, float]
    correlation_m: float
    seed: int
    sure: float = field(default=SURE)

    @cached_property
    def percentiles(self) -> pd.DataFrame:
        """The middle and the ends: ``site`` (None: all), ``product``, ``what``, ``unit``, ``p10``, ``p50``, ``p90``."""
        rows = []
        for site, product, mine in self._groups():
            unit = str(mine["product_unit"].iloc[0])
            for what, column, of in (
                ("area", "area_ft2", "ft2"),
                ("solution", "solution_L", "L"),
                ("product", "product_amount", unit),
                ("loads", "loads", "loads"),
            ):
                values = self._by_case(mine, column)
                ends = (
                    np.percentile(values, (10, 50, 90), method="inverted_cdf")  # whole loads stay whole
                    if what == "loads"
                    else np.percentile(values, (10, 50, 90))
                )
                rows.append((site, product, what, of, *map(float, ends)))
        return pd.DataFrame(rows, columns=["site", "product", "what", "unit", "p10", "p50", "p90"])

    @cached_property
    def loads(self) -> pd.DataFrame:
        """How many loads in how many cases: ``site`` (None: all), ``product``, ``loads``, ``cases``."""
        rows = []
        for site, product, mine in self._groups():
            count = np.bincount(self._by_case(mine, "loads").astype(int))
            rows += [(site, product, int(n), int(count[n])) for n in np.flatnonzero(count)]
        return pd.DataFrame(rows, columns=["site", "product", "loads", "cases"])

    def bring(self, product: str, site: str | None = None) -> tuple[int, int, int]:
        """The likeliest number of loads, the cases in which it is so, and the number to bring material for.

        Material is brought for the number of loads that is enough in at least 95 of 100 cases.

        Parameters
        ----------
        product : str
        site : str, optional
            All sites together if not given.

        Returns
        -------
        tuple of int
            Loads, cases in which it is so, loads to bring material for.

        Raises
        ------
        InputError
            No case treats anything with the product there.
        """
        table = self.loads
        here = table["site"].isna() if site is None else table["site"] == site
        mine = table[(table["product"] == product) & here]
        if mine.empty:
            raise InputError(f"no case treats anything with {product!r}", feature=site)
        loads, count = mine["loads"].to_numpy(dtype=int), mine["cases"].to_numpy(dtype=int)
        likeliest = int(np.argmax(count))
        enough = int(np.argmax(np.cumsum(count) >= self.sure * self.n))
        return int(loads[likeliest]), int(count[likeliest]), int(loads[enough])

    @property
    def sentences(self) -> list[str]:
        """One sentence for each product over all sites: "Demo Trio: 3 loads in 87 of 100 cases, ..."."""
        found = []
        for product in dict.fromkeys(self.cases["product"]):
            loads, cases, bring = self.bring(str(product))
            word = "load" if loads == 1 else "loads"
            found.append(
                f"{product}: {loads} {word} in {cases} of {self.n} cases, bring material for {bring}"
            )
        return found

    @property
    def stated(self) -> str:
        """What was taken as the survey's accuracy, in one sentence."""
        layers = ", ".join(
            f"{layer.replace('_', '-')} {radius:g} m" for layer, radius in self.accuracy_m.items()
        )
        return f"Survey accuracy (95 of 100 points within): {layers}; {self.n} cases, seed {self.seed}."

    def summary(self) -> str:
        """The doubt in words.

        Returns
        -------
        str
        """
        lines = [self.stated]
        table = self.percentiles
        for row in table[table["site"].isna() & table["what"].isin(("area", "product"))].to_dict("records"):
            spread = ", ".join(f"{row[end]:,.4g}" for end in ("p10", "p50", "p90"))
            lines.append(
                f"{row['product']}, {row['what']} [{row['unit']}] at 10, 50, 90 of 100 cases: {spread}"
            )
        return "\n".join([*lines, *(f"{one}." for one in self.sentences), MOVED_APART])

    def _by_case(self, rows: pd.DataFrame, column: str) -> Floats:
        return np.bincount(rows["case"], rows[column].astype(float), self.n)

    def _groups(self) -> list[tuple[str | None, str, pd.DataFrame]]:
        by_site = self.cases.groupby(["site", "product"], sort=False)
        every = self.cases.groupby("product", sort=False)
        return [
            *((None, str(product), rows) for product, rows in every),
            *((str(site), str(product), rows) for (site, product), rows in by_site),
        ]


def doubt(
    job: Sized,
    accuracy: str | Mapping[str, str],
    *,
    cases: int = 100,
    seed: int = 0,
    correlation: str = "5 m",
    rigid: float = 0.5,
) -> Doubt:
    """Size a job again and again with its shapes moved within the survey's accuracy.

    Parameters
    ----------
    job : Job
    accuracy : str, or mapping of layer to str
        ``"2 m"`` for every layer walked (infestations, turf, keep-outs, boundary), or by layer
        (``{"infestations": "2 m", "turf": "0.5 m"}``; the others are taken as true). Past applications are taken
        as recorded.
    cases : int
    seed : int
        The same seed gives the same cases.
    correlation : str
        Distance L over which neighbouring points move together.
    rigid : float
        Share of the variance that shifts a whole layer of a site, 0 to 1.

    Returns
    -------
    Doubt

    Raises
    ------
    InputError, UnitError
    """
    radius = _radii(accuracy)
    length = to_si(correlation, "length", field="correlation")
    if isinstance(cases, bool) or not isinstance(cases, int) or not 2 <= cases <= _MOST_CASES:
        raise InputError(f"cases is {cases!r}", field="cases", mend=f"write a number from 2 to {_MOST_CASES}")
    if not 0.0 <= rigid <= 1.0:
        raise InputError(f"rigid is {rigid!r}", field="rigid", mend="write a share from 0 to 1")
    asked = replace(job.asked, on=job.on)
    if asked.products is None:
        # The products are chosen before the visit: what the job does not use is not at hand.
        unused = set(job.plans) - set(job.totals["product"])
        asked = replace(asked, exclude=sorted({*asked.exclude, *unused}))
    survey = dense(job, radius, length)
    n_sites = len(survey.local.sites)
    step = max(1, _SITES_AT_ONCE // n_sites)
    found = []
    for first in range(0, cases, step):
        numbers = np.arange(first, min(first + step, cases))
        copies = moved(survey, numbers, radius, length, rigid, seed)
        sized = size(copies, job.labels, job.rig, asked)
        found.append(_unravelled(sized.totals, copies, survey, numbers))
    table = pd.concat(found, ignore_index=True)
    return Doubt(table, cases, radius, length, seed)


def _radii(accuracy: str | Mapping[str, str]) -> dict[str, float]:
    stated = dict.fromkeys(LAYERS, accuracy) if not isinstance(accuracy, Mapping) else dict(accuracy)
    for layer in stated:
        if layer not in LAYERS:
            raise InputError(
                f"no layer {layer!r} to be in doubt of", field="accuracy", mend=f"known: {', '.join(LAYERS)}"
            )
    if not stated:
        raise InputError("no accuracy is stated", field="accuracy", mend='write "2 m"')
    return {
        layer: to_si(text, "length", allow_zero=True, field=f"accuracy {layer}")
        for layer, text in stated.items()
    }


def _unravelled(totals: pd.DataFrame, copies: Survey, survey: Survey, cases: Ints) -> pd.DataFrame:
    """Totals of the moved sites with their case and true site."""
    at = pd.Index(copies.local.sites).get_indexer(pd.Index(totals["site"]))
    n_sites = len(survey.local.sites)
    columns = [
        "product", "area_ft2", "area_m2", "solution_L", "product_amount", "product_unit", "adjuvant_floz", "loads",
    ]  # fmt: skip
    table = totals[columns].reset_index(drop=True)
    table.insert(0, "site", survey.local.sites[at % n_sites])
    table.insert(0, "case", cases[at // n_sites])
    return table


PERCENTILES = (10, 50, 90)


def moved_needs(
    job: Sized, unsure: Doubt, first: Needs, later: Sequence[Needs], followups: Sequence[FollowUp]
) -> Iterator[list[Needs]]:
    """Needs of every case: of the first visit as sized, of follow-ups in the proportions of the job itself."""
    by_case = dict(list(unsure.cases.groupby("case")))
    planned = [_by_product(needs) for needs in (first, *later)]
    for case in range(unsure.n):
        found: list[dict[str, list[Need]]] = [{site: [] for site in first} for _ in planned]
        for row in by_case[case].to_dict("records") if case in by_case else ():
            now, site = loaded(job, need_of(row)), str(row["site"])
            now = replace(now, loads=int(row["loads"]))
            found[0][site].append(now)
            known = planned[0].get((site, now.product))
            for number, visit in enumerate(followups, 1):
                then = _then(now, known, planned[number].get((site, now.product)), float(visit.share))
                if then is not None:
                    found[number][site].append(loaded(job, then))
        yield [{site: tuple(mine) for site, mine in one.items()} for one in found]


def spread_of(
    sums: Sequence[Mapping[str, Sequence[Line]]], pricings: Sequence[str], sites: Sequence[str], coin: Decimal
) -> pd.DataFrame:
    """Percentiles of the totals: ``pricing``, ``site`` (None: all), ``p10``, ``p50``, ``p90``.

    Parameters
    ----------
    sums : sequence of mapping of pricing to lines
        One for each case.
    """
    rows = []
    place = {site: at for at, site in enumerate(sites)}
    for way in pricings:
        table = np.zeros((len(sums), len(sites)))
        for case, by_way in enumerate(sums):
            for line in by_way[way]:
                table[case, place[line.site]] += float(line.amount)
        for name, values in ((None, table.sum(axis=1)), *zip(sites, table.T, strict=True)):
            ends = (Decimal(repr(float(one))) for one in np.percentile(values, PERCENTILES))
            rows.append((way, name, *(rounded(end, coin) for end in ends)))
    return pd.DataFrame(rows, columns=["pricing", "site", "p10", "p50", "p90"], dtype=object)


def _by_product(needs: Needs) -> dict[tuple[str, str], Need]:
    return {(site, one.product): one for site, mine in needs.items() for one in mine}


def _then(now: Need, known: Need | None, planned: Need | None, share: float) -> Need | None:
    """A case's follow-up: the job's own share where it has one; None where the labels closed its ground."""
    if known is None:  # a product that the job itself does not use on this site
        area = solution = amount = share
    elif planned is None:
        return None
    else:
        area, amount = planned.area_m2 / known.area_m2, planned.amount / known.amount
        solution = planned.solution_L / known.solution_L if known.solution_L else 0.0
    return replace(
        now, area_m2=now.area_m2 * area, solution_L=now.solution_L * solution, amount=now.amount * amount
    )
