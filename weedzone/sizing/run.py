"""The whole run as tables: a survey, labels and a rig in; zones, ledger, totals and loads out."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from weedzone.base.errors import Finding, InputError, findings_table, refuse_unless
from weedzone.base.units import FT2_PER_M2
from weedzone.ground.edges import bends_m
from weedzone.ground.shapes import Array, Ints
from weedzone.kit import USES, Label, Policy, Sprayer, doubts
from weedzone.sizing.arguments import (
    USUAL,
    Asked,
    at_hand,
    by_turf,
    check_wind,
    checked,
    day_of,
    flag,
    names_given,
    prices_si,
    rules_of,
    unknown_names,
)
from weedzone.sizing.batches import zone_sites
from weedzone.sizing.loads import carried
from weedzone.sizing.pours import Pour
from weedzone.sizing.tables import (
    frame_of,
    joined,
    ledger_table,
    lettered,
    load_tables,
    zone_order,
    zones_table,
)
from weedzone.survey import Survey
from weedzone.zones import (
    OUTCOMES,
    Means,
    Plan,
    Reach,
    Rig,
    Zoned,
    at_setting,
    dissolve,
    plans,
    reaches,
    reasons_of,
    strange_kinds,
    with_adjuvants,
    zone_ground,
)


@dataclass(frozen=True, eq=False)
class Sized:
    """A sized job, as tables; `weedzone.job.Job` adds what it can do.

    Attributes
    ----------
    survey : Survey
    labels : mapping of product to Label
    rig : Sprayer or Spreader
    asked : Asked
        What the run was asked for, so that a variant of it can be sized the same way.
    on : datetime.date
        Day of the job.
    zones : GeoDataFrame
        In the survey's CRS, a row for each zone: one product at one dose on one turf of one site. Columns
        ``site``, ``zone``, ``product``, ``turf``, ``use``, ``pass`` (1, or 2 where a second product follows on
        the same ground; zones of one pass do not overlap), ``weeds``, ``rating``, ``dose`` (text), ``caution``,
        ``area_ft2``, ``area_m2`` (ground area), ``solution_gal``, ``solution_L``, ``product_amount``,
        ``product_unit``, ``adjuvant_floz``, ``tanks`` (loads, as a fraction), ``geometry``.
    ledger : DataFrame
        Where the infested ground went: ``site``, ``outcome``, ``product``, ``reason``, ``area_ft2``,
        ``area_m2``; sums to the infested ground.
    totals : DataFrame
        For each site and product: ``site``, ``product``, ``area_ft2``, ``area_m2``, ``solution_gal``,
        ``solution_L``, ``water_gal``, ``water_L``, ``product_amount``, ``product_unit``, ``adjuvant_floz``,
        ``tanks`` (a fraction), ``loads`` (whole), ``extras_floz`` (what the rig adds to every tank): all of them
        on the ground; ``made_up_gal`` and ``made_up_amount`` (the sums of its loads).
    loads : DataFrame
        A row for each load: ``site``, ``product``, ``load`` (1, 2, ...), ``of``, then the columns of `totals`
        for that load alone, ``pass`` (1 or 2), ``zones`` ("Z1; Z2"); ``made_up_gal`` (solution to make up: what
        goes on the ground, what fills sump and lines before the first load of a mix on its site, and on a single
        site what brings it to the least that the rig mixes), ``made_up_amount`` (the product in it, rounded down
        to the measure at hand, in ``product_unit``; for a spreader with what stays in the hopper),
        ``dose_effect_pct`` (what that does to the dose, never above 0), ``start_amount`` and ``start_gal`` (what of
        it fills sump, lines or hopper).
    served : DataFrame
        A row for each load and zone that it serves, in the order of work: ``site``, ``product``, ``load``,
        ``zone``, ``area_ft2``, ``area_m2``, ``solution_gal``, ``solution_L``.
    """

    survey: Survey
    labels: Mapping[str, Label]
    rig: Rig
    asked: Asked
    on: dt.date
    zones: gpd.GeoDataFrame
    ledger: pd.DataFrame
    totals: pd.DataFrame
    loads: pd.DataFrame
    served: pd.DataFrame
    noticed: tuple[Finding, ...]
    zoned: Zoned = field(repr=False)
    plans: Mapping[str, Plan] = field(repr=False)
    reach: Reach = field(repr=False)
    pours: tuple[Pour, ...] = field(repr=False)

    @property
    def use(self) -> str:
        """Use for which the job was sized."""
        return self.asked.use

    @cached_property
    def findings(self) -> pd.DataFrame:
        """What was noticed: ``severity``, ``layer``, ``feature``, ``message``; the worst first."""
        return findings_table(self.noticed)

    @cached_property
    def eligible(self) -> gpd.GeoDataFrame:
        """Infested ground that each product may treat: ``site``, ``product``, ``area_ft2``, ``area_m2``."""
        parts, can = self.zoned.parts, self.zoned.can
        row, p = np.nonzero(can)
        key = parts.site[row] * can.shape[1] + p
        keys, of = np.unique(key, return_inverse=True)
        shapes = dissolve(parts.geoms[row], of.ravel(), parts.fresh[row])
        site = keys // can.shape[1]
        area = np.bincount(of.ravel(), parts.area_m2[row], len(keys))
        data = {
            "site": self.survey.local.sites[site],
            "product": np.array(list(self.plans), dtype=object)[keys % can.shape[1]],
            "area_ft2": area * FT2_PER_M2,
            "area_m2": area,
        }
        return frame_of(self.survey, data, shapes, site)

    @cached_property
    def lettered(self) -> tuple[Array, Ints, Array]:
        """Shapes of the patches about their site's origin [m], the row of each one's zone, and its code."""
        return lettered(self.zoned.zone_geoms[self._zone_order], self.zones["zone"].to_numpy(dtype=object))

    @cached_property
    def patches(self) -> gpd.GeoDataFrame:
        """Connected pieces of the zones, with the codes that map, sheet and tables give them.

        Columns ``site``, ``zone``, ``patch`` ("Z1a", "Z1b", lettered as one would walk them; "Z1" where the zone is in
        one piece), ``product``, ``turf``, ``by_wand``, ``area_ft2``, ``area_m2``, ``geometry``.
        """
        shapes, row, codes = self.lettered
        area = shapely.area(shapes)
        told = pd.DataFrame(self.zones)[["site", "zone", "product", "turf", "by_wand"]].iloc[row]
        data = {name: told[name].to_numpy() for name in told}
        data = {**data, "patch": codes, "area_ft2": area * FT2_PER_M2, "area_m2": area}
        columns = ["site", "zone", "patch", "product", "turf", "by_wand", "area_ft2", "area_m2"]
        site = self.zoned.zone_site[self._zone_order][row]
        return frame_of(self.survey, {name: data[name] for name in columns}, shapes, site)

    @cached_property
    def patch_codes(self) -> pd.Series[str]:
        """Codes of the patches of each ``site`` and ``zone`` in words, "Z1a to Z1e"."""
        codes = self.patches.groupby(["site", "zone"])["patch"]
        text: pd.Series[str] = codes.first().where(codes.size() == 1, codes.first() + " to " + codes.last())
        return text.rename("patch")

    @cached_property
    def ground(self) -> gpd.GeoDataFrame:
        """Every part of the infested ground, exclusive and complete.

        Columns ``site``, ``zone`` (or None), ``outcome``, ``product`` (or None), ``reason``, ``turf`` (or None),
        ``weeds``, ``cover``, ``area_ft2``, ``area_m2``, ``geometry``.
        """
        zoned, parts = self.zoned, self.zoned.parts
        area = parts.area_m2
        zone_names = np.array([*self.zones["zone"], None], dtype=object)
        order = np.append(np.argsort(self._zone_order, kind="stable"), len(self.zones))
        data = {
            "site": self.survey.local.sites[parts.site],
            "zone": zone_names[order[zoned.zone]],
            "outcome": np.array(OUTCOMES, dtype=object)[zoned.outcome],
            "product": np.array([*self.plans, None], dtype=object)[zoned.product],
            "reason": zoned.reason,
            "turf": joined(parts.turf_sets, None)[parts.turf],
            "weeds": joined(parts.weed_sets, None)[parts.weeds],
            "cover": parts.cover,
            "area_ft2": area * FT2_PER_M2,
            "area_m2": area,
        }
        return frame_of(self.survey, data, parts.geoms, parts.site)

    @cached_property
    def choices(self) -> pd.DataFrame:
        """The best set of 1, 2, ... products on each site, up to one more than the plan uses.

        Columns ``site``, ``mixes``, ``loads``, ``products`` ("Demo A; Demo B"), ``ground_ft2``, ``ground_m2``
        (treated), ``share`` (of what labels allow on the site), ``good_ft2``, ``good_m2`` (with every weed on it rated
        good), ``price`` (of the product, where all prices are known), ``taken``, ``why`` (what decided).
        """
        made, rules = self.zoned.choices, self.zoned.rules
        names = np.array(list(self.plans), dtype=object)
        known = rules.price is not None and all(name in rules.price for name in names)
        capacity = carried(np.ones(1), np.ones(1), self.rig)[1]
        lines = self.rig.priming_L if isinstance(self.rig, Sprayer) else 0.0
        loads = np.ceil((made.fill + lines) / capacity - 1e-6) * (made.fill > 0.0)
        return pd.DataFrame(
            {
                "site": self.survey.local.sites[made.site],
                "mixes": made.count,
                "loads": loads.sum(axis=1).astype(int),
                "products": ["; ".join(names[members]) for members in made.members],
                "ground_ft2": made.ground_m2 * FT2_PER_M2,
                "ground_m2": made.ground_m2,
                "share": made.ground_m2 / np.maximum(made.allowed_m2, 1e-300),
                "good_ft2": made.good_m2 * FT2_PER_M2,
                "good_m2": made.good_m2,
                "price": made.price if known else np.nan,
                "taken": made.taken,
                "why": reasons_of(made, rules.worth),
            }
        )

    @cached_property
    def _zone_order(self) -> Ints:
        """Number within the kernels of each row of `zones`."""
        return zone_order(self.zoned)


def check_job(job: object) -> None:
    """Refuse what is no sized job.

    Raises
    ------
    InputError
    """
    refuse_unless(isinstance(job, Sized), job, "a sized job", "job", "give what size_job(...) returned")


def size(survey: Survey, labels: Label | Mapping[str, Label], rig: Rig, asked: Asked = USUAL) -> Sized:
    """Size a job: from the walked shapes to tank loads.

    Parameters
    ----------
    survey : Survey
    labels : Label, or mapping of product to Label
        The labels at hand.
    rig : Sprayer or Spreader
    asked : Asked
        What else was asked for.

    Returns
    -------
    Sized

    Raises
    ------
    WeedzoneError
        A product or use that label, rig or limits do not allow; an unknown product; an argument of another kind.
    """
    use, products = asked.use, asked.products
    if not isinstance(use, str) or use not in USES:
        raise InputError(f"the use {use!r} is not known", field="use", mend=f"one of {', '.join(USES)}")
    labels = checked(survey, labels, rig)
    policy, adjuvants = asked.policy, asked.adjuvants
    refuse_unless(
        isinstance(adjuvants, str), adjuvants, '"all" or "required"', "adjuvants", "write one of them"
    )
    day, notes = day_of(asked.on, survey)
    exclude, prefer = names_given(asked.exclude, "exclude"), names_given(asked.prefer, "prefer")
    right = policy is None or isinstance(policy, Policy)
    refuse_unless(right, policy, "a policy", "policy", 'give what read_policy("policy.toml") returned')
    known = at_hand(labels, products, exclude, prefer)
    named = set(products.values()) if products is not None else set()
    planned, found = plans(with_adjuvants(known, adjuvants), use, rig, named)
    planned, refused = at_setting(planned, rig, named)
    found += refused
    if products is not None:
        planned = {name: plan for name, plan in planned.items() if name in named}
    notes += found + list(rig.findings(day))
    notes += [
        Finding("warning", "labels", name, f"{where}: {message}")
        for name, plan in planned.items()
        for where, message in doubts(plan.label)
    ]
    reach, strange, found = _reach(survey, planned, asked)
    notes += found
    price, found = prices_si(asked.prices, known, planned)
    notes += found
    turf_products, found = by_turf(products, survey)
    notes += found
    rules = rules_of(asked, rig, planned, prefer=prefer, products=turf_products, price=price)
    means = Means(planned, labels, day, rules)
    zoned, found = zone_sites(survey, reach, lambda share, near: zone_ground(share, near, means))
    notes += found
    if strange:
        notes += _with_cost(strange, survey, asked, means, zoned)
    zones = zones_table(survey, zoned, planned, use, rig)
    made = load_tables(survey, zoned, planned, rig, even=flag(asked.even_loads, "even_loads"))
    notes += made.findings
    notes += rig.unfit_measure({str(name): planned[name].label.form for name in made.totals["product"]})
    noticed = (
        *survey.noticed,
        *notes,
        *unknown_names(survey, [plan.label for plan in planned.values()], labels),
        *_cautions(zones),
    )
    return Sized(
        survey, labels, rig, asked, day, zones, ledger_table(survey, zoned, planned), made.totals,
        made.loads, made.served, noticed, zoned, planned, reach, made.pours,
    )  # fmt: skip


def _reach(
    survey: Survey, planned: Mapping[str, Plan], asked: Asked, *, strangers: bool = True
) -> tuple[Reach, dict[str, Finding], list[Finding]]:
    """Distances to keep from the features of each site and from those of no one site, and kinds that nobody knows.

    Without `strangers` such kinds are taken as known ones that no label names, to see what they cost.
    """
    use, policy, wind_from, wind_spread = asked.use, asked.policy, asked.wind_from, asked.wind_spread
    check_wind(wind_from, wind_spread)
    local, table = survey.local, survey.keep_out
    called, own = table["kind"].to_numpy(dtype=object), table["buffer_m"].to_numpy(dtype=float)
    known_as = {} if policy is None else policy.known_as
    meant = np.array([known_as.get(kind, kind) for kind in called], dtype=object)
    strange, noticed = strange_kinds(meant, planned, use, () if policy is None else policy.kinds)
    strange = strange if strangers else {}
    # A kind that the policy explains keeps the wider of what its own name and its meaning ask for.
    readings = [meant] if not known_as else [meant, called]
    rules = [
        None if policy is None else policy.rules(table.assign(kind=kind), use, strange) for kind in readings
    ]

    def by_row(laid: Any) -> tuple[Reach, list[Finding]]:
        rows, made = laid.row, []
        findings: list[Finding] = []
        for kind, rule in zip(readings, rules, strict=True):
            far, name = (None, None) if rule is None else (rule[0][rows], rule[1][rows])
            reach, said = reaches(
                laid, kind[rows], own[rows], planned, use, far, wind_from, wind_spread, name, strange
            )
            bend = bends_m(laid.outline, local.ground.lat[laid.site])
            made.append(replace(reach, kind=called[rows], bend_m=bend))
            findings = findings or said
        return (made[0] if len(made) == 1 else made[0].or_wider(made[1])), findings

    every, findings = by_row(local.alone(local.shared_keep_out))
    far = every.widest_m.max(axis=1, initial=0.0)
    common = local.near(local.shared_keep_out, "keep_out", far)
    if not len(common.row):
        reach, findings = by_row(local.keep_out)
    else:
        reach, _ = by_row(local.joined(local.keep_out, common))
    return reach, strange, noticed + findings


def _with_cost(
    strange: Mapping[str, Finding], survey: Survey, asked: Asked, means: Means, zoned: Zoned
) -> list[Finding]:
    """What is said of kinds that nobody knows, with their cost: all is zoned once more as if they were known."""
    reach, _, _ = _reach(survey, means.plans, asked, strangers=False)
    known, _ = zone_sites(survey, reach, lambda share, near: zone_ground(share, near, means))
    lost = sum(
        sign * float(ground.parts.area_m2[ground.outcome == OUTCOMES.index("treated")].sum())
        for sign, ground in ((1.0, known), (-1.0, zoned))
    )
    whose = "it leaves" if len(strange) == 1 else "kinds that nobody knows leave"
    cost = (
        f"; {whose} out {max(lost * FT2_PER_M2, 0.0):,.0f} ft2 that would be treated otherwise: "
        'a policy may say what a word means, [kinds] lagoon = "pond"'
    )
    return [replace(said, message=said.message + cost) for said in strange.values()]


def _cautions(zones: gpd.GeoDataFrame) -> list[Finding]:
    columns = (zones[name].to_numpy(dtype=object) for name in ("site", "zone", "product", "caution"))
    return [
        Finding("warning", "zones", f"{site} {zone}", f"{product} on {caution}")
        for site, zone, product, caution in zip(*columns, strict=True)
        if caution
    ]
