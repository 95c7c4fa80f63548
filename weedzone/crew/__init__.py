"""What the crew is handed: work order, mix, sheet, shopping list, files.

Amounts come from `weedzone.sizing`; here they are put in order and in words.
"""

from weedzone.crew.briefing import summary
from weedzone.crew.export import areas, check, write
from weedzone.crew.mix_sheet import sheet
from weedzone.crew.mixing import mixes
from weedzone.crew.shopping import shopping_list
from weedzone.crew.work_order import by_zone, load_plan, poured

__all__ = [
    "areas", "by_zone", "check", "load_plan", "mixes", "poured", "sheet", "shopping_list", "summary", "write",
]  # fmt: skip
