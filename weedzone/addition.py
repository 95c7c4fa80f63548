"""The order in which things go into a tank, by formulation.

Source: the mixing order printed in the 2021 North Dakota Weed Control Guide (North Dakota State University
Extension): agitate; soluble powders and granules; dry powders; liquid flowables and suspensions; emulsifiables;
true solutions; an adjuvant goes with the group of its own formulation. Another order is in use ("WALES" in the
farm press) that differs in where conditioners go; the label's own order wins over both.
"""

from __future__ import annotations

from weedzone.label import Label

GROUPS: tuple[tuple[str, frozenset[str]], ...] = (
    ("soluble powder or granule", frozenset({"SG", "SP", "WSG", "WSP"})),
    ("dry, to be dispersed", frozenset({"DF", "WDG", "WG", "WP"})),
    ("suspension", frozenset({"SC", "F", "SE", "ME", "CS", "FL"})),
    ("emulsifiable", frozenset({"EC", "EW", "OD", "E"})),
    ("solution", frozenset({"S", "SL", "AS", "L"})),
)
_BY_FORM = {"dry": 1, "liquid": 3}  # where the label does not say: dry forms, liquids, then most adjuvants


def additions(label: Label) -> list[tuple[str, str]]:
    """Name and sort of what goes into the water, in order."""
    steps = [(_group_of(label), 0, label.name)]
    steps += [(_adjuvant_group(one.name), 1 + at, one.name) for at, one in enumerate(label.adjuvants)]
    return [(name, GROUPS[group][0] if rank == 0 else "adjuvant") for group, rank, name in sorted(steps)]


def _group_of(label: Label) -> int:
    wanted = label.formulation.strip().upper()
    for number, (_, codes) in enumerate(GROUPS):
        if wanted in codes:
            return number
    return _BY_FORM.get(label.form, len(GROUPS) - 1)


def _adjuvant_group(name: str) -> int:
    words = name.lower()
    if "ammonium" in words or "conditioner" in words:
        return 0
    return 3 if "oil" in words else 4
