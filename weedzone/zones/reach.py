"""How far each product has to keep from each keep-out feature, and which rule says so."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np
import shapely

from weedzone.base.errors import Finding, InputError
from weedzone.base.names import known_kinds, nearest, slip_of
from weedzone.ground.buffers import safe_buffer, sweep
from weedzone.ground.shapes import Array, Bools, Floats, Ints
from weedzone.kit import Label
from weedzone.survey import Laid
from weedzone.zones.dose import Plan

UNNAMED = "unknown"
RULES = ("the feature itself", "label", "label, default", "the feature's own", "policy", "label, downwind")

DEFAULT_SPREAD_DEG = 45.0  # to either side of the wind


@dataclass(frozen=True)
class Reach:
    """Distances to keep, by feature and product.

    Attributes
    ----------
    features : Laid
        The keep-out features of every site.
    kind : ndarray of str, shape (features,)
    distance_m, downwind_m : ndarray of float, shape (features, products)
        All round, and on the side from which the wind carries toward the feature (0: none).
    rule : ndarray of int, shape (features, products)
        Row in `RULES` of the rule that set the larger of the two.
    upwind_deg : float
        Bearing from a feature to the ground from which the wind carries toward it; that is where the wind
        comes from.
    spread_deg : ndarray of float, shape (products,)
    policy_name : ndarray of str, shape (features,)
        The local rule that holds for the feature; may be empty.
    bend_m : ndarray of float, shape (features,)
        What the edges of each feature may bend away from where they were drawn; buffers are drawn so much wider.
    """

    features: Laid
    kind: Array
    distance_m: Floats
    downwind_m: Floats
    rule: Ints
    upwind_deg: float
    spread_deg: Floats
    policy_name: Array
    bend_m: Floats

    def rule_name(self, feature: int, product: int) -> str:
        """The rule that sets the distance of a product from a feature, in words."""
        name = RULES[self.rule[feature, product]]
        own = self.policy_name[feature]
        return f"{name}: {own}" if name == "policy" and own else name

    @property
    def widest_m(self) -> Floats:
        """Furthest that each feature reaches for each product [m]."""
        return np.maximum(self.distance_m, self.downwind_m)

    def only(self, first: int, stop: int) -> Reach:
        """Features of sites `first` to `stop`, numbered from 0."""
        mine = np.flatnonzero((self.features.site >= first) & (self.features.site < stop))
        return replace(
            self,
            features=self.features.only(first, stop),
            kind=self.kind[mine],
            distance_m=self.distance_m[mine],
            downwind_m=self.downwind_m[mine],
            rule=self.rule[mine],
            policy_name=self.policy_name[mine],
            bend_m=self.bend_m[mine],
        )

    def or_wider(self, other: Reach) -> Reach:
        """The same features, kept as far off as the wider of two readings asks for."""
        wider = other.widest_m > self.widest_m
        named = wider.any(axis=1) if wider.size else np.zeros(len(self.kind), dtype=bool)
        return replace(
            self,
            distance_m=np.maximum(self.distance_m, other.distance_m),
            downwind_m=np.maximum(self.downwind_m, other.downwind_m),
            rule=np.where(wider, other.rule, self.rule),
            policy_name=np.where(named, other.policy_name, self.policy_name),
        )

    def canonical(self, n_sites: int) -> tuple[Ints, Bools]:
        """Products that keep the same distances on a site, and those that keep wider ones.

        Returns
        -------
        canon : ndarray of int, shape (sites, products)
            The first product with the same distances to every feature of the site.
        wider : ndarray of bool, shape (sites, products, products)
            ``wider[s, q, p]``: outside the buffers of q no ground lies in a buffer of p.
        """
        n_products = self.distance_m.shape[1]
        canon = np.tile(np.arange(n_products), (n_sites, 1))
        wider = np.zeros((n_sites, n_products, n_products), dtype=bool)
        for p in range(n_products):
            for q in range(n_products):
                narrower = (self.distance_m[:, q] < self.distance_m[:, p]) | self._misses(q, p)
                wider[:, q, p] = np.bincount(self.features.site, narrower, n_sites) == 0
        for p in range(n_products):
            for q in range(p - 1, -1, -1):
                canon[wider[:, q, p] & wider[:, p, q], p] = q
        return canon, wider

    def _misses(self, q: int, p: int) -> Bools:
        """Features for which the downwind reach of q does not cover that of p."""
        if self.spread_deg[q] < self.spread_deg[p]:
            return self.downwind_m[:, p] > self.distance_m[:, q]
        return np.maximum(self.downwind_m[:, q], self.distance_m[:, q]) < self.downwind_m[:, p]

    def swept(self, product: int, rows: Ints, scale: float = 1.0) -> Array:
        """Ground from which the wind carries a product to some features."""
        assert self.features.outline is not None
        return sweep(
            self.features.outline[rows],
            (self.downwind_m[rows, product] + self.bend_m[rows]) * scale,
            self.upwind_deg,
            float(self.spread_deg[product]),
        )

    def excluded(self, product: int, rows: Ints, scale: float) -> tuple[Array, Ints]:
        """Ground that each of some features keeps a product out of, and its site; features may give two shapes."""
        outline = self.features.outline
        assert outline is not None
        # A repaired feature is kept out as repaired, whatever its outline gives at a distance of zero.
        ground = self.features.geoms[rows].copy()
        far = np.flatnonzero(self.distance_m[rows, product] > 0)
        distance = (self.distance_m[rows[far], product] + self.bend_m[rows[far]]) * scale
        ground[far] = safe_buffer(outline[rows[far]], distance)
        down = rows[self.downwind_m[rows, product] > self.distance_m[rows, product]]
        # No trust in the engine where the feature itself is at stake.
        shapely.prepare(ground)
        bare = rows[
            ~shapely.covers(ground, self.features.geoms[rows]) & ~shapely.is_empty(self.features.geoms[rows])
        ]
        shapes = [ground, self.features.geoms[bare]]
        sites = [self.features.site[rows], self.features.site[bare]]
        if len(down):
            shapes.append(self.swept(product, down, scale))
            sites.append(self.features.site[down])
        every, of = np.concatenate(shapes), np.concatenate(sites)
        solid = np.flatnonzero(~shapely.is_empty(every))
        return every[solid], of[solid]


def reaches(
    features: Laid,
    kind: Array,
    own_m: Floats,
    plans: Mapping[str, Plan],
    use: str,
    policy_m: Floats | None = None,
    wind_from_deg: float | None = None,
    wind_spread_deg: float | None = None,
    policy_name: Array | None = None,
    strange: Collection[str] = (),
) -> tuple[Reach, list[Finding]]:
    """Distances to keep: the largest of label, the feature's own and policy.

    Parameters
    ----------
    features : Laid
    kind : ndarray of str
    own_m : ndarray of float
        The features' own distances [m]; NaN where they have none.
    plans : mapping of product to Plan
    policy_m : ndarray of float, optional
        Distances of local rules [m]; NaN where none applies.
    wind_from_deg : float, optional
        Where the wind comes from [degrees from north]. Without it a downwind distance holds all round.
    wind_spread_deg : float, optional
        Half-angle where the label states none; where it does, the wider of the two holds.
    policy_name : ndarray of str, optional
        The local rule behind each distance of `policy_m`, for the ledger.
    strange : collection of str
        Kinds that nobody knows, see `strange_kinds`: the widest distances of any label hold for them.
    """
    n = len(kind)
    distance, downwind = np.zeros((n, len(plans))), np.zeros((n, len(plans)))
    rule = np.zeros((n, len(plans)), dtype=np.intp)
    spread = np.full(len(plans), 180.0)
    findings = []
    kinds, code = (
        np.unique(kind.astype(str), return_inverse=True) if n else (np.empty(0, str), np.empty(0, int))
    )
    each = [_unnamed(plan.label, use) for plan in plans.values()]
    widest = max((known for known in each if known is not None), default=None)
    carried = max([far for plan in plans.values() for far in plan.label.downwind_m.values()], default=np.nan)
    for p, (name, plan) in enumerate(plans.items()):
        label = plan.label
        said = [widest if one in strange else label.buffer_rule(one, use) for one in kinds]
        table = np.array([np.nan if one is None else one[0] for one in said])
        default = np.array([one is not None and one[1] for one in said])
        other = label.downwind_m.get("default", np.nan)
        far = np.array([carried if one in strange else label.downwind_m.get(one, other) for one in kinds])
        if n:
            _raise(distance[:, p], rule[:, p], table[code], np.where(default[code], 2, 1))
            _raise(distance[:, p], rule[:, p], own_m, np.full(n, 3))
            if policy_m is not None:
                _raise(distance[:, p], rule[:, p], policy_m, np.full(n, 4))
            if wind_from_deg is None:
                _raise(distance[:, p], rule[:, p], far[code], np.full(n, 5))
            else:
                _raise(downwind[:, p], np.zeros(n, dtype=np.intp), far[code], np.zeros(n, dtype=np.intp))
                rule[downwind[:, p] > distance[:, p], p] = 5
                halves = (label.downwind_spread_deg, wind_spread_deg)
                spread[p] = max((one for one in halves if one is not None), default=DEFAULT_SPREAD_DEG)
        for one in kinds[np.isnan(table)]:
            bare = (kind == one) & (distance[:, p] == 0) & (downwind[:, p] == 0)
            if bare.any():
                message = (
                    f"label {name!r} gives no buffer for {str(one)!r}: only the feature itself is kept out"
                )
                findings.append(Finding("warning", "keep_out", str(one), message))
    bearing = 0.0 if wind_from_deg is None else float(wind_from_deg)
    names = np.full(n, "", dtype=object) if policy_name is None else policy_name
    return Reach(features, kind, distance, downwind, rule, bearing, spread, names, np.zeros(n)), findings


def _unnamed(label: Label, use: str) -> tuple[float, bool] | None:
    """What to keep from a feature whose kind nobody wrote down: the widest distance that the label knows."""
    known = [*label.buffers_m.values(), *label.use_buffers_m.get(use, {}).values()]
    return (max(known), True) if known else None


def strange_kinds(
    kinds: Collection[str], plans: Mapping[str, Plan], use: str, ruled: Collection[str] = ()
) -> tuple[dict[str, Finding], list[Finding]]:
    """Kinds that nobody knows: they get the widest buffer that any label or local rule at hand has.

    Parameters
    ----------
    kinds : collection of str
        Of the survey's keep-outs.
    plans : mapping of product to Plan
    use : str
    ruled : collection of str
        Kinds that local rules name. Their ``default`` names none: it makes no kind known.

    Returns
    -------
    strange : dict of str to Finding
        Each such kind, and what is said of it.
    findings : list of Finding
        What is said of the others.

    Raises
    ------
    InputError
        A kind that is a slip of the finger from a known one.
    """
    named = {
        kind
        for plan in plans.values()
        for kind in (*plan.label.buffers_m, *plan.label.use_buffers_m.get(use, {}), *plan.label.downwind_m)
    } - {"default"}
    known = named.union(ruled, known_kinds())
    strange, findings = {}, []
    for kind in sorted(set(map(str, kinds)) - known):
        meant = slip_of(kind, known)
        if meant is not None:
            raise InputError(
                f"the kind {kind!r} is not known",
                layer="keep_out",
                feature=kind,
                field="kind",
                mend=f"did you mean {meant!r}?",
            )
        what = (
            "a feature of no stated kind"
            if kind == UNNAMED
            else f"no label at hand names {kind!r}, nor is it known"
        )
        close = nearest(kind, known)
        mend = f"did you mean {close!r}?" if close else "write a known kind"
        message = f"{what}: the widest buffer of any label or local rule is kept; {mend}"
        strange[kind] = Finding("warning", "keep_out", kind, message)
    for kind in sorted(set(map(str, kinds)) - named.union(ruled, strange)) if named else ():
        message = f"no label at hand names {kind!r}: each label's default buffer is kept"
        findings.append(Finding("warning", "keep_out", kind, message))
    return strange, findings


def _raise(distance: Floats, rule: Ints, other: Floats, number: Ints) -> None:
    """Take the other distance where it is larger."""
    larger = np.nan_to_num(other, nan=-1.0) > distance
    distance[larger] = other[larger]
    rule[larger] = number[larger]
