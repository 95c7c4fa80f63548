"""Job: a sized job and what can be done with it.

The same job sized for each spray window's own wind.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from weedzone.base.errors import InputError, options_of, path_given, unknown_options
from weedzone.kit import Label
from weedzone.sizing import Sized, check_wind, checked, labels_of, size
from weedzone.survey import Survey
from weedzone.weather import SprayWindows
from weedzone.zones import DEFAULT_SPREAD_DEG, Rig


@dataclass(frozen=True, eq=False)
class Job(Sized):
    """A sized job; its tables are described in `weedzone.sizing.Sized`.

    `asked` holds what `size_job` was asked for beyond survey, labels, rig and use, so that a variant of the job
    can be sized the same way.
    """

    asked: Mapping[str, Any] = field(default_factory=dict, repr=False)

    def summary(self) -> str:
        """The job in words, to be read at the tailgate."""
        from weedzone.crew import summary

        return str(summary(self))

    def __str__(self) -> str:
        """The summary."""
        return self.summary()

    def write(self, folder: str | Path, formats: Iterable[str] = ("gpkg", "csv", "png")) -> list[Path]:
        """Write zones, totals, loads, ledger and a zone map to a folder; see `weedzone.crew.write`."""
        from weedzone.crew import write

        place = path_given(folder, "a job", 'job.write("out")')
        return list(write(self, place, formats))

    def sheet(self, path: str | Path, **options: Any) -> list[Path]:
        """Write the mix sheet of each site; see `weedzone.crew.sheet`."""
        from weedzone.crew import sheet

        unknown_options(options, options_of(sheet), "sheet")
        return sheet(self, path, **options)

    def areas(self, path: str | Path | None = None) -> pd.DataFrame:
        """Areas, patches and loads of each zone as a flat table; see `weedzone.crew.areas`."""
        from weedzone.crew import areas

        return areas(self, path)

    def plot(self, ax: Any = None, **options: Any) -> Any:
        """Draw the zone map; see `weedzone.maps.plot`."""
        from weedzone.maps import plot

        unknown_options(options, options_of(plot), "plot")
        return plot(self, ax=ax, **options)

    def explore(self, path: str | Path | None = None, **options: Any) -> Any:
        """Make an interactive map, saved as one HTML file where a path is given; see `weedzone.maps.explore`."""
        from weedzone.maps import explore

        unknown_options(options, options_of(explore), "explore")
        return explore(self, path, **options)


def size_job(
    survey: Survey,
    labels: Label | Mapping[str, Label],
    rig: Rig,
    use: str = "spot",
    products: Mapping[str, str] | None = None,
    **options: Any,
) -> Job:
    """Size a job: from the walked shapes to tank loads.

    Takes the arguments of `weedzone.sizing.size`, which says what each of them does.

    Returns
    -------
    Job
    """
    unknown_options(options, (*options_of(size), "use", "products"), "size_job")
    return _job(size(survey, labels, rig, use, products, **options), {"products": products, **options})


def whole_turf(
    survey: Survey, labels: Label | Mapping[str, Label], rig: Rig, use: str = "granular", **options: Any
) -> Job:
    """Size an application to all turf: feeding, or a product for the whole lawn.

    Takes the arguments of `weedzone.sizing.whole_turf`, which says what each of them does.

    Returns
    -------
    Job
        Its "infested ground" is all turf.
    """
    from weedzone.sizing import whole_turf as sized

    unknown_options(options, (*options_of(sized, size), "use", "products"), "whole_turf")
    return _job(sized(survey, checked(survey, labels, rig), rig, use, **options), options)


def _job(sized: Sized, options: Mapping[str, Any]) -> Job:
    asked = {key: value for key, value in options.items() if key not in ("on", "given", "yearly")}
    return Job(**{one.name: getattr(sized, one.name) for one in fields(sized)}, asked=asked)


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
