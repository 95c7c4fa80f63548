"""What becomes of each part of the infested ground: the first rule that holds, and which rule it was."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely

from weedzone.dosing import Plan
from weedzone.parts import Parts, names_weed
from weedzone.reach import Reach
from weedzone.shapes import Array, Bools, Floats, Ints, near_pairs
from weedzone.units import show

OUTCOMES = (
    "treated",
    "outside boundary",
    "no turf",
    "keep-out",
    "weed not labelled",
    "turf not labelled",
    "buffer",
    "yearly limit",
    "applications used up",
    "too soon",
    "caution turf",
    "product not chosen",
    "sliver",
)
CODE = {name: number for number, name in enumerate(OUTCOMES)}
# How far a product gets before a limit stops it; the last is a product that could have been used.
STAGE = {
    name: rank
    for rank, name in enumerate(
        ("yearly limit", "applications used up", "too soon", "caution turf", "product not chosen")
    )
}
FREE = "product not chosen"


def outcomes(
    parts: Parts,
    named: Bools,
    asked: Bools,
    stage: Ints,
    chosen: Ints,
    plans: Mapping[str, Plan],
    reasons: Array,
    opens: Floats,
    reach: Reach,
) -> tuple[Ints, Ints, Array]:
    """Outcome, product and reason of each part: the first rule that holds, in the ledger's order.

    A part gets as far as the product that got furthest: where one product's label names the turf and its
    buffer holds, the outcome is "buffer", whatever the other labels lack.
    """
    n = len(parts.geoms)
    outcome, product = np.full(n, -1, dtype=np.intp), np.full(n, -1, dtype=np.intp)
    reason = np.full(n, "", dtype=object)

    def settle(where: Any, name: str, text: str, whose: Array | None = None) -> None:
        rows = np.flatnonzero((outcome < 0) & where)
        outcome[rows] = CODE[name]
        reason[rows] = text
        if whose is not None and len(rows):
            product[rows] = whose[rows].argmax(axis=1)

    treated = chosen >= 0
    outcome[treated], product[treated] = CODE["treated"], chosen[treated]
    settle(parts.outside, "outside boundary", "outside the site's boundary")
    settle(parts.turf < 0, "no turf", "no turf is mapped there")
    settle(parts.kept_out, "keep-out", "inside a keep-out feature")
    weed = names_weed(parts, plans)
    settle(~weed.any(axis=1), "weed not labelled", "no label at hand names the weed")
    settle(~asked.any(axis=1), "turf not labelled", "no product was named for this turf")
    settle(~(weed & asked).any(axis=1), "weed not labelled", "the label of the product named lacks the weed")
    able = named & asked
    settle(
        ~able.any(axis=1), "turf not labelled", "no label that names the weed names this turf", weed & asked
    )
    reached = able & ~parts.buffered
    # The product with the narrowest buffers speaks for ground that all buffers hold.
    narrow = reach.widest_m.sum(axis=0)
    settle(~reached.any(axis=1), "buffer", "", able / (1.0 + narrow))
    furthest = np.where(reached, stage, -1)
    # Of products that a limit stops alike, the one that opens first speaks.
    soonest = np.where(furthest == furthest.max(axis=1, keepdims=True), opens, np.inf)
    last = np.where(np.isfinite(soonest).any(axis=1), soonest.argmin(axis=1), furthest.argmax(axis=1))
    for name in ("yearly limit", "applications used up", "too soon", "caution turf", "product not chosen"):
        rows = np.flatnonzero((outcome < 0) & (furthest.max(axis=1) == STAGE[name]))
        outcome[rows], product[rows] = CODE[name], last[rows]
        reason[rows] = reasons[rows, last[rows]]
    return outcome, product, reason


def name_features(
    parts: Parts, outcome: Ints, product: Ints, reason: Array, reach: Reach, plans: Mapping[str, Plan]
) -> None:
    """Name the feature that keeps each part out, and the rule that sets its distance."""
    names = list(plans)
    outline = reach.features.outline
    assert outline is not None
    for name in ("keep-out", "buffer"):
        for p in range(len(names)) if name == "buffer" else [-1]:
            rows = np.flatnonzero((outcome == CODE[name]) & (product == p))
            if not len(rows):
                continue
            shape, far = (
                (outline, reach.widest_m[:, p]) if p >= 0 else (reach.features.geoms, np.zeros(len(outline)))
            )
            i, j = near_pairs(parts.geoms[rows], parts.site[rows], shape, reach.features.site, far)
            # The feature that reaches deepest over the part speaks for it.
            depth = far[j] - shapely.distance(shapely.point_on_surface(parts.geoms[rows][i]), shape[j])
            order = np.lexsort((-depth, i))
            found, first = np.unique(i[order], return_index=True)
            for at, feature in zip(rows[found], j[order][first], strict=True):
                kind = reach.kind[feature]
                if p < 0:
                    reason[at] = f"inside: {kind}"
                    continue
                rule = reach.rule_name(feature, p)
                reason[at] = f"within {show(far[feature], 'length')} of: {kind} ({rule}; {names[p]})"
