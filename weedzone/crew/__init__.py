"""What the crew is handed: work order, mix, sheet, shopping list, files.

Amounts come from `weedzone.sizing`; here they are put in order and in words.
"""

from weedzone.crew.briefing import summary
from weedzone.crew.export import areas, check, write
from weedzone.crew.mix_sheet import sheet
from weedzone.crew.mixing import mixes
from weedzone.crew.shopping import fewest, shopping_list
from weedzone.crew.work_order import load_plan, poured, spare_ground

__all__ = [
    "areas", "check", "fewest", "load_plan", "mixes", "poured", "sheet", "shopping_list", "spare_ground",
    "summary", "write",
]  # fmt: skip
