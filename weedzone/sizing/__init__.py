"""The run as tables: `size` lays survey, labels and rig together and gives a `Sized`.

`weedzone.Job` is a `Sized` with verbs; `wz.size_job` is `size` for callers. Nothing is drawn or printed here.
"""

from weedzone.sizing.all_turf import fed, feed_label, size_counted, whole_ground
from weedzone.sizing.allowances import allowance
from weedzone.sizing.arguments import Asked, check_wind, checked, labels_of, unknown_names
from weedzone.sizing.explained import explain
from weedzone.sizing.loads import amounts, carried, split_loads
from weedzone.sizing.pours import (
    Pour,
    added,
    added_L,
    amount_text,
    capacity_text,
    loads_text,
    mixed,
    plain_amount,
    pour_of,
    run_text,
    size_text,
    solution_text,
    water_texts,
)
from weedzone.sizing.run import Sized, check_job, size
from weedzone.sizing.tables import frame_of, zone_order

__all__ = [
    "Asked", "Pour", "Sized", "added", "added_L", "allowance", "amount_text", "amounts", "capacity_text",
    "carried", "check_job", "check_wind", "checked", "explain", "fed", "feed_label", "frame_of", "labels_of",
    "loads_text", "mixed", "plain_amount", "pour_of", "run_text", "size", "size_counted", "size_text",
    "solution_text", "split_loads", "unknown_names", "water_texts", "whole_ground", "zone_order",
]  # fmt: skip
