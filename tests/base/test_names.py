"""Slips of the finger in names that decide a buffer."""

from __future__ import annotations

import pytest

from weedzone.base.names import known_kinds, slip_of

KNOWN = ("pond", "creek", "wetland", "play area", "beehive")


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("ponnd", "pond"), ("creeek", "creek"), ("wetlnad", "wetland"), ("wetlnd", "wetland"),
        ("play-area", "play area"),
        ("wel", None), ("pnd", None), ("creek", None), ("wtelnad", None), ("lagoon", None), ("beehyve", "beehive"),
    ],
)  # fmt: skip
def test_one_letter_or_one_swap(text: str, meant: str | None) -> None:
    assert slip_of(text, KNOWN) == meant


def test_common_kinds_are_known() -> None:
    assert {
        "building",
        "shed",
        "patio",
        "drive",
        "path",
        "deck",
        "pool",
        "hedge",
        "street",
        "tee",
    } <= known_kinds()
