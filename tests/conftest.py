"""The same examples on every run and every machine; nothing depends on how fast it is."""

from __future__ import annotations

import matplotlib
from hypothesis import HealthCheck, settings

matplotlib.use("agg")
settings.register_profile("house", derandomize=True, deadline=None, suppress_health_check=list(HealthCheck))
settings.load_profile("house")
