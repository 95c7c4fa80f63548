"""What becomes of each part of the infested ground: the first rule that holds, and which rule it was."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely

from weedzone.base.units import show
from weedzone.ground.shapes import Array, Bools, Floats, Ints, near_pairs
from weedzone.zones.dose import Plan
from weedzone.zones.parts import Parts, names_weed
from weedzone.zones.reach import Reach

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
    takers: Array,
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
    for taker in np.unique(parts.taken[parts.taken >= 0]):
        settle(parts.taken == taker, "outside boundary", f"drawn under {takers[taker]} too, which takes it")
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
    # The product with the narrowest buffers on the site speaks for ground that all buffers hold.
    wide = np.zeros((int(parts.site.max(initial=-1)) + 1, len(plans)))
    here = reach.features.site < len(wide)
    np.add.at(wide, reach.features.site[here], reach.widest_m[here])
    settle(~reached.any(axis=1), "buffer", "", able / (1.0 + wide[parts.site]))
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
    """Name the features that keep each part out, and the rules that set their distances."""
    outline = reach.features.outline
    assert outline is not None
    n = len(outline)
    kept = np.flatnonzero(outcome == CODE["keep-out"])
    said = np.array([f"inside: {kind}" for kind in reach.kind], dtype=object)
    _name(parts, kept, reach.features.geoms, np.zeros(n), reach, said, reason)
    for p, name in enumerate(plans):
        rows = np.flatnonzero((outcome == CODE["buffer"]) & (product == p))
        if not len(rows):
            continue
        far = reach.widest_m[:, p]
        shown = {length: show(length, "length") for length in np.unique(far[far > 0])}
        rules = [
            f"within {shown[far[one]]} of: {reach.kind[one]} ({reach.rule_name(one, p)}; {name})"
            if far[one] > 0
            else ""
            for one in range(n)
        ]
        down = np.flatnonzero(reach.downwind_m[:, p] > reach.distance_m[:, p])
        shape = outline.copy()
        if len(down):
            shape[down], far[down] = reach.swept(p, down), 0.0
        _name(parts, rows, shape, far, reach, np.array(rules, dtype=object), reason)


def _name(
    parts: Parts, rows: Ints, shape: Array, far: Floats, reach: Reach, said: Array, reason: Array
) -> None:
    """Write what is said of every feature that holds some of a part, the one that reaches deepest first."""
    i, j = near_pairs(parts.geoms[rows], parts.site[rows], shape, reach.features.site, far)
    ground = parts.geoms[rows][i]
    depth = far[j] - shapely.distance(shapely.point_on_surface(ground), shape[j])
    # A part that only borders on another feature's reach is not held by it.
    holds = np.where(far[j] > 0, shapely.distance(ground, shape[j]) < 0.99 * far[j], depth >= 0)
    _, code = np.unique(said[j].astype(str), return_inverse=True)
    order = np.lexsort((-depth, i))
    i, j, holds, code = i[order], j[order], holds[order], code.ravel()[order]
    deepest = np.diff(i, prepend=-1) != 0
    told: dict[int, list[str]] = {}
    seen = set()
    for part, feature, what in zip(*(one[holds | deepest] for one in (i, j, code)), strict=True):
        if (part, what) not in seen:
            seen.add((part, what))
            told.setdefault(int(part), []).append(str(said[feature]))
    for part, texts in told.items():
        reason[rows[part]] = " and ".join(texts)
