"""The spread of a quote's totals over the cases of a doubtful survey."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pandas as pd

from weedzone.doubt import Doubt
from weedzone.money import rounded
from weedzone.prices import FollowUp
from weedzone.quotelines import Line
from weedzone.sizing import Sized
from weedzone.visits import Need, Needs, loaded, need_of

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
            now, site = need_of(row), str(row["site"])
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
