"""One scene of a job, drawn on paper or interactive.

Colours, hatches and label places live here; what is drawn is decided below.
"""

from weedzone.maps.drawn import plot
from weedzone.maps.interactive import explore

__all__ = ["explore", "plot"]
