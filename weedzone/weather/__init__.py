"""Hours fit for spraying, by label, policy and forecast.

No job is known here, nor where it lies: only limits and a table of hours.
"""

from weedzone.weather.limits import HousePolicy, Limits, broken, strictest
from weedzone.weather.table import read_weather
from weedzone.weather.windows import SprayWindows, spray_windows

__all__ = ["HousePolicy", "Limits", "SprayWindows", "broken", "read_weather", "spray_windows", "strictest"]
