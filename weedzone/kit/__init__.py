"""What the truck carries: labels, local rules (policy), sprayers and spreaders as calibrated.

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
from weedzone.kit.rig import Extra, Rig, Sprayer, Spreader, make_rig, read_rig

__all__ = [
    "KEYS", "RATINGS", "SINGLE_NITROGEN", "SLACK", "USES", "YEARLY_NITROGEN", "YEAR_DAYS", "Analysis", "Extra",
    "Label", "Limits", "Policy", "Rate", "Rig", "Sprayer", "Spreader", "analysis", "check_label", "doubts", "make_rig",
    "most_per_application", "read_labels", "read_policy", "read_rig",
]  # fmt: skip
