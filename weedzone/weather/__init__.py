"""Hours fit for spraying, by label, policy and forecast.

No job is known here, nor where it lies: only limits and a table of hours.
"""

from weedzone.weather.limits import Limits, strictest
from weedzone.weather.table import read_weather
from weedzone.weather.windows import SprayWindows, spray_windows

__all__ = ["Limits", "SprayWindows", "read_weather", "spray_windows", "strictest"]
