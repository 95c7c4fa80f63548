"""What is written on a label and is doubtful in itself, whatever the rig and the job."""

from __future__ import annotations

import re
from collections.abc import Iterator

from weedzone.labeldata import Label
from weedzone.units import show

# 40 CFR 156.64: the signal words of products in the United States; those of least hazard need none.
SIGNAL_WORDS = ("danger", "danger poison", "warning", "caution")
_NO_WORD = ("", "none", "not given", "none required")
_MOST_ADJUVANT = 0.05  # of the solution; common practice, no source


def doubts(label: Label) -> Iterator[tuple[str, str]]:
    """Place on the label, and what is doubtful there."""
    word = re.sub("[^a-z]+", " ", label.signal_word.lower()).strip()
    if word not in (*SIGNAL_WORDS, *_NO_WORD):
        yield (
            "signal_word",
            f"{label.signal_word[:40]!r} is no signal word: danger, warning or caution; check",
        )
    for active in label.actives:
        if active.group and not active.group.isdecimal():
            message = f"the group of {active.name} is {active.group[:40]!r}, no number: check"
            yield "[[active]] group", message
    for adjuvant in label.adjuvants:
        if adjuvant.rate > _MOST_ADJUVANT:
            rate = show(adjuvant.rate, "mix", form="liquid")
            message = f"{rate} of {adjuvant.name} is {100 * adjuvant.rate:.3g} % of the solution: check"
            yield "[[adjuvant]] rate", message
