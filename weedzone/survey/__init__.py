"""What the walk found: files and layers read and checked, laid on the ground in metres, streamed in blocks.

No rule of what may be sprayed lives here.
"""

from weedzone.survey.blocks import Blocks, block_layers, split
from weedzone.survey.files import layers_of
from weedzone.survey.laid import Laid, Shared
from weedzone.survey.layers import checked_layer, site_name
from weedzone.survey.local import Local
from weedzone.survey.survey import Survey, place_texts, read_survey

__all__ = [
    "Blocks", "Laid", "Local", "Shared", "Survey", "block_layers", "checked_layer", "layers_of", "place_texts",
    "read_survey", "site_name", "split",
]  # fmt: skip
