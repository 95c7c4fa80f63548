"""Keeping the weed out: feeding, watering and overseeding of the whole turf.

Every function takes text with units (``"1 lb/ksqft"``) or pint quantities, by keyword, and returns a
frozen dataclass with SI floats and pint quantities. Figures are the common ones for healthy turf; a soil
test, the product label and local fertilizer and watering rules come first.

Sources: product for a nitrogen rate, University of Nebraska-Lincoln "Lawn Fertilizer Calculations"; yearly
and single figures, University of Illinois lawn fertilizing table (1995) and Virginia Department of
Conservation and Recreation; 1 inch of water is 144/231 gal/ft2, NIST Handbook 44 Appendix C; low-quarter
uniformity, Keller and Bliesner, "Sprinkler and Trickle Irrigation".
"""

from __future__ import annotations

from weedzone.feeding import (
    FEEDING_DAYS,
    SINGLE_NITROGEN,
    YEARLY_NITROGEN,
    Analysis,
    Feeding,
    analysis,
    feed,
    feeding_plan,
    nitrogen_rate,
)
from weedzone.supply import Supply, overseed
from weedzone.watering import (
    REPAIR_BELOW,
    WEEKLY_DEPTH,
    CatchCans,
    Watering,
    catch_cans,
    precipitation_rate,
    run_multiplier,
    water,
)

__all__ = [
    "FEEDING_DAYS",
    "REPAIR_BELOW",
    "SINGLE_NITROGEN",
    "WEEKLY_DEPTH",
    "YEARLY_NITROGEN",
    "Analysis",
    "CatchCans",
    "Feeding",
    "Supply",
    "Watering",
    "analysis",
    "catch_cans",
    "feed",
    "feeding_plan",
    "nitrogen_rate",
    "overseed",
    "precipitation_rate",
    "run_multiplier",
    "water",
]
