"""One scene of a job, drawn on paper or interactive.

Colours, hatches and label places live here; what is drawn is decided below.
"""

from weedzone.maps.views import explore, plot

__all__ = ["explore", "plot"]
