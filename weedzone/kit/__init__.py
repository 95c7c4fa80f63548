"""What the truck carries: labels, local rules (policy), price lists, sprayers and spreaders as calibrated.

Read and checked here, each by itself; what they mean on a piece of ground is the business of `weedzone.zones`.
"""

from weedzone.kit.label import (
    KEYS,
    RATINGS,
    SINGLE_NITROGEN,
    SLACK,
    USES,
    YEAR_DAYS,
    YEARLY_NITROGEN,
    Analysis,
    Label,
    Limits,
    Rate,
    analysis,
    doubts,
    most_per_application,
)
from weedzone.kit.label_check import check_label
from weedzone.kit.label_file import read_labels
from weedzone.kit.policy import Policy, read_policy
from weedzone.kit.prices import (
    MATERIALS,
    PRICINGS,
    Container,
    Discount,
    FollowUp,
    Prices,
    follow_up,
    no_price,
    read_prices,
)
from weedzone.kit.rig import Extra, Rig, Sprayer, Spreader, make_rig, read_rig

__all__ = [
    "KEYS", "MATERIALS", "PRICINGS", "RATINGS", "SINGLE_NITROGEN", "SLACK", "USES", "YEARLY_NITROGEN", "YEAR_DAYS",
    "Analysis", "Container", "Discount", "Extra", "FollowUp", "Label", "Limits", "Policy", "Prices", "Rate", "Rig",
    "Sprayer", "Spreader", "analysis", "check_label", "doubts", "follow_up", "make_rig", "most_per_application",
    "no_price", "read_labels", "read_policy", "read_prices", "read_rig",
]  # fmt: skip
