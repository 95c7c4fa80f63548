"""Overlapping polygons of several classes made into cells that do not overlap, each knowing its classes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from weedzone.ground.overlay import cut, remainder
from weedzone.ground.shapes import Array, Bools, Ints, clusters, overlapping, union_overlapping
from weedzone.ground.shared_area import common_area

NOTABLE_M2 = 1e-6  # an overlap below a square millimetre is rounding


@dataclass(frozen=True)
class Cells:
    """Cells of ground that do not overlap.

    Attributes
    ----------
    geoms : ndarray of geometry
    group : ndarray of int
        Site of each cell.
    members : ndarray of int
        Row in `sets` of each cell's classes.
    sets : list of tuple of int
        Distinct sets of classes, each sorted.
    failed : ndarray of int
        Groups of which a shape could not be cut truthfully.
    fresh : ndarray of bool
        Cells that a cut has made, which may touch others along a seam.
    """

    geoms: Array
    group: Ints
    members: Ints
    sets: list[tuple[int, ...]]
    failed: Ints
    fresh: Bools


def arrange(geoms: Array, group: Ints, code: Ints) -> Cells:
    """Cells of polygons by the set of classes that cover them.

    Polygons of one class in one group are united where they overlap; ground is counted once. Where classes
    overlap, they are laid down one after the other, each cutting the cells that lie there already.

    Parameters
    ----------
    geoms : ndarray of geometry
        Valid polygons [m].
    group : ndarray of int
        Site of each.
    code : ndarray of int
        Class of each, from 0.
    """
    _, own = np.unique(np.column_stack([group, code]), axis=0, return_inverse=True)
    merged, row = union_overlapping(geoms, own.ravel())
    site, kind = group[row], code[row]
    sets: dict[tuple[int, ...], int] = {(int(one),): index for index, one in enumerate(np.unique(kind))}
    member = np.array([sets[(int(one),)] for one in kind], dtype=np.intp)
    i, j = overlapping(merged, site)
    notable = common_area(merged, merged, i, j) > NOTABLE_M2
    i, j = i[notable], j[notable]
    if not len(i):
        return Cells(
            merged, site, member, list(sets), np.empty(0, dtype=np.intp), np.zeros(len(merged), dtype=bool)
        )
    mixed = np.zeros(len(merged), dtype=bool)
    mixed[i] = mixed[j] = True
    rows = np.flatnonzero(mixed)
    # Each cluster of overlapping shapes is arranged by itself; a group may hold several.
    label = clusters(len(merged), i, j)[rows]
    cells, owner, cell_set, failed = _lay_down(merged[rows], label, kind[rows], sets)
    site_of = np.zeros(int(label.max()) + 1, dtype=np.intp)
    site_of[label] = site[rows]
    return Cells(
        np.concatenate([merged[~mixed], cells]),
        np.concatenate([site[~mixed], site_of[owner]]),
        np.concatenate([member[~mixed], cell_set]),
        list(sets),
        np.unique(site_of[failed]),
        np.repeat([False, True], [int((~mixed).sum()), len(cells)]),
    )


def _lay_down(
    geoms: Array, group: Ints, code: Ints, sets: dict[tuple[int, ...], int]
) -> tuple[Array, Ints, Ints, Ints]:
    """Lay the classes of every cluster down at once: its first class, then its second, and so on."""
    cells, owner = np.empty(0, dtype=object), np.empty(0, dtype=np.intp)
    held: Ints = np.empty(0, dtype=np.intp)
    failed: list[Ints] = []
    turn = _turns(group, code)
    for now in range(int(turn.max()) + 1):
        new = np.flatnonzero(turn == now)
        below = cut(cells, owner, geoms[new], group[new])
        inside = below.cell >= 0
        held_m2 = np.bincount(below.cell[inside], shapely.area(below.geoms[inside]), len(new))
        beyond, source, _, lost = remainder(geoms[new], group[new], cells, owner, held_m2)
        after = held[below.source].copy()
        joins = np.column_stack([after[inside], code[new][below.cell[inside]]])
        distinct, which = np.unique(joins, axis=0, return_inverse=True)
        names = list(sets)
        united = [tuple(sorted({*names[known], int(one)})) for known, one in distinct]
        numbers = np.array([sets.setdefault(one, len(sets)) for one in united], dtype=np.intp)
        after[inside] = numbers[which.ravel()]
        failed += [owner[below.failed], group[new][lost]]
        alone = np.array([sets[(int(one),)] for one in code[new][source]], dtype=np.intp)
        owner = np.concatenate([owner[below.source], group[new][source]])
        cells = np.concatenate([below.geoms, beyond])
        held = np.concatenate([after, alone])
    return cells, owner, held, np.concatenate(failed)


def _turns(group: Ints, code: Ints) -> Ints:
    """Rank of each row's class among the classes of its cluster."""
    pairs, which = np.unique(np.column_stack([group, code]), axis=0, return_inverse=True)
    first = np.searchsorted(pairs[:, 0], pairs[:, 0])
    return (np.arange(len(pairs)) - first)[which.ravel()]
