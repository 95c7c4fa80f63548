"""The same job sized for each spray window's own wind."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import pandas as pd

from weedzone.arguments import check_wind, labels_of
from weedzone.dosing import Rig
from weedzone.errors import InputError
from weedzone.job import Job, size_job
from weedzone.label import Label
from weedzone.reach import DEFAULT_SPREAD_DEG
from weedzone.survey import Survey
from weedzone.weather import SprayWindows


class WindowJob(NamedTuple):
    """A window and the job sized for it.

    Attributes
    ----------
    window : mapping
        The row of `SprayWindows.windows`.
    job : Job
    wind_from : float or None
        The direction used [degrees]; None where the window's winds have none, or turn too far: then downwind
        buffers hold all round.
    wind_spread : float or None
        The half-angle used [degrees].
    """

    window: Mapping[Any, Any]
    job: Job
    wind_from: float | None
    wind_spread: float | None


def size_in_windows(
    survey: Survey,
    labels: Label | Mapping[str, Label],
    rig: Rig,
    windows: SprayWindows | pd.DataFrame,
    **options: Any,
) -> list[WindowJob]:
    """Size a job for the day and the wind of each window.

    Downwind buffers hold for every wind of the window: to either side of its mean direction as far as it swings,
    and beyond that as far as the labels ask.

    Parameters
    ----------
    windows : SprayWindows or its table of windows
    **options
        As of `size_job`, but for `on` and `wind_from`, which are the window's; `wind_spread` may widen.

    Returns
    -------
    list of WindowJob
        In order of time; empty where there is no window.

    Raises
    ------
    InputError
        `on` or `wind_from` given, or a table that is not one of windows.
    """
    taken = {"on", "wind_from"} & set(options)
    if taken:
        raise InputError(f"{' and '.join(sorted(taken))} come from the windows", mend="leave them out")
    table = windows.windows if isinstance(windows, SprayWindows) else windows
    wanted = {"start", "wind_from_deg", "wind_swing_deg"}
    if not isinstance(table, pd.DataFrame) or not wanted <= set(table.columns):
        raise InputError(
            "this is no table of windows", field="windows", mend="give what spray_windows returned"
        )
    check_wind(None, options.get("wind_spread"))
    labels = labels_of(labels)
    said = [label.downwind_spread_deg for label in labels.values()]
    aside = max(
        [float(options.pop("wind_spread", None) or 0.0), *(one or DEFAULT_SPREAD_DEG for one in said)]
    )
    found = []
    for row in table.sort_values("start", kind="stable").to_dict("records"):
        # Swings of half a turn and winds that cancel leave no side that is surely upwind.
        half = float(row["wind_swing_deg"]) + aside
        steady = pd.notna(row["wind_from_deg"]) and half < 180.0
        wind, spread = (float(row["wind_from_deg"]), half) if steady else (None, None)
        job = size_job(
            survey, labels, rig, on=row["start"].date(), wind_from=wind, wind_spread=spread, **options
        )
        found.append(WindowJob(row, job, wind, spread))
    return found
