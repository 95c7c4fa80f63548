"""Job: a sized job and what can be done with it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import pandas as pd

from weedzone.arguments import checked
from weedzone.dosing import Rig
from weedzone.given import options_of, path_given, unknown_options
from weedzone.label import Label
from weedzone.sizing import Sized, size
from weedzone.survey import Survey


@dataclass(frozen=True, eq=False)
class Job(Sized):
    """A sized job; its tables are described in `weedzone.sizing.Sized`.

    `asked` holds what `size_job` was asked for beyond survey, labels, rig and use, so that a variant of the job
    can be sized the same way.
    """

    asked: Mapping[str, Any] = field(default_factory=dict, repr=False)

    def summary(self) -> str:
        """The job in words, to be read at the tailgate."""
        from weedzone.summary import summary

        return str(summary(self))

    def __str__(self) -> str:
        """The summary."""
        return self.summary()

    def write(self, folder: str | Path, formats: Iterable[str] = ("gpkg", "csv", "png")) -> list[Path]:
        """Write zones, totals, loads, ledger and a zone map to a folder; see `weedzone.export.write`."""
        from weedzone.export import write

        place = path_given(folder, "a job", 'job.write("out")')
        return list(write(self, place, formats))

    def sheet(self, path: str | Path, **options: Any) -> list[Path]:
        """Write the mix sheet of each site; see `weedzone.sheet.sheet`."""
        from weedzone.sheet import sheet

        unknown_options(options, options_of(sheet), "sheet")
        return sheet(self, path, **options)

    def areas(self, path: str | Path | None = None) -> pd.DataFrame:
        """Areas, patches and loads of each zone as a flat table; see `weedzone.areas.areas`."""
        from weedzone.areas import areas

        return areas(self, path)

    def plot(self, ax: Any = None, **options: Any) -> Any:
        """Draw the zone map; see `weedzone.maps.plot`."""
        from weedzone.maps import plot

        unknown_options(options, options_of(plot), "plot")
        return plot(self, ax=ax, **options)

    def explore(self, path: str | Path | None = None, **options: Any) -> Any:
        """Make an interactive map, saved as one HTML file where a path is given; see `weedzone.explore.explore`."""
        from weedzone.explore import explore

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

    Takes the arguments of `weedzone.wholeturf.whole_turf`, which says what each of them does.

    Returns
    -------
    Job
        Its "infested ground" is all turf.
    """
    from weedzone.wholeturf import whole_turf as sized

    unknown_options(options, (*options_of(sized, size), "use", "products"), "whole_turf")
    return _job(sized(survey, checked(survey, labels, rig), rig, use, **options), options)


def _job(sized: Sized, options: Mapping[str, Any]) -> Job:
    asked = {key: value for key, value in options.items() if key not in ("on", "given", "yearly")}
    return Job(**{one.name: getattr(sized, one.name) for one in fields(sized)}, asked=asked)
