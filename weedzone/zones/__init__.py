"""The rules: dose, limits, reach of buffers, parts of the ground, choice of products, outcomes, zones.

What is allowed and what is planned is decided here, and nowhere else; amounts and tables are made of it above.
"""

from weedzone.zones.assign import Least, Means, Rules, marks, weeds_left
from weedzone.zones.choice import Choices, Worth, reasons_of
from weedzone.zones.dose import Plan, Rig, at_setting, plans, with_adjuvants
from weedzone.zones.limits import (
    Application,
    State,
    active_names,
    applied,
    group_hint,
    in_force,
    shares_active,
    state,
    together,
)
from weedzone.zones.outcomes import OUTCOMES
from weedzone.zones.parts import Parts, names_weed, past_ground
from weedzone.zones.pieces import dissolve
from weedzone.zones.reach import DEFAULT_SPREAD_DEG, Reach, reaches, strange_kinds
from weedzone.zones.zones import Treatments, Zoned, zone_ground

__all__ = [
    "DEFAULT_SPREAD_DEG", "OUTCOMES", "Application", "Choices", "Least", "Means", "Parts", "Plan", "Reach", "Rig",
    "Rules", "State", "Treatments", "Worth", "Zoned", "active_names", "applied", "at_setting", "dissolve",
    "group_hint", "in_force", "marks", "names_weed", "past_ground", "plans", "reaches", "reasons_of",
    "shares_active", "state", "strange_kinds", "together", "weeds_left", "with_adjuvants", "zone_ground",
]  # fmt: skip
