"""The cautions that every outward sheet carries, in one place so that no sheet is without one of them."""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "Read and follow the product label: it is the law, and it comes before this sheet.",
    "Wear the protective equipment that the label asks for.",
    "Keep people and pets off until the label's re-entry time is over.",
    "Keep spray and granules off water, gardens, paving and neighbouring ground.",
    "Do not spray blooms that bees visit: mow them off first, or wait until no bee is about.",
    "Local rules may ask for more: licence, notice, posted signs, wider buffers, records.",
    "Only a licensed applicator, or someone under one where the law allows it, may decide to spray.",
)
"""Who decides, and who may be hurt."""
