"""Job: a sized job and what can be done with it.

The same job sized for each spray window's own wind.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import Any, NamedTuple

import pandas as pd

from weedzone.base.errors import InputError, named_options
from weedzone.crew import areas, sheet, summary, write
from weedzone.kit import Label, Policy, Prices
from weedzone.maps import explore, plot
from weedzone.sizing import Asked, Sized, check_wind, fed, labels_of, size_counted
from weedzone.survey import Survey
from weedzone.weather import SprayWindows
from weedzone.zones import DEFAULT_SPREAD_DEG, Rig


@dataclass(frozen=True, eq=False)
class Job(Sized):
    """A sized job; its tables are described in `weedzone.sizing.Sized`."""

    summary = summary
    write = write
    sheet = named_options()(sheet)
    areas = areas
    plot = named_options()(plot)
    explore = named_options()(explore)

    def __str__(self) -> str:
        """The summary: the job in words, to be read at the tailgate."""
        return self.summary()


@named_options()
def size_job(
    survey: Survey,
    labels: Label | Mapping[str, Label],
    rig: Rig,
    use: str = "spot",
    products: Mapping[str, str] | None = None,
    *,
    on: dt.date | str | None = None,
    max_products: int | None = None,
    worth: str | None = None,
    exclude: Iterable[str] = (),
    prefer: Iterable[str] = (),
    avoid_caution: bool = False,
    prices: Mapping[str, str] | Prices | None = None,
    policy: Policy | None = None,
    wind_from: float | None = None,
    wind_spread: float | None = None,
    min_width: str | None = None,
    min_area: str | None = None,
    even_loads: bool = False,
    adjuvants: str = "all",
    passes: int = 1,
) -> Job:
    """Size a job: from the walked shapes to tank loads.

    Parameters
    ----------
    survey : Survey
    labels : Label, or mapping of product to Label
        The labels at hand.
    rig : Sprayer or Spreader
    use : {"spot", "broadcast", "granular"}
    products : mapping of turf to product, optional
        Decides which product goes on which turf; turf that is not named is not sprayed. Without it products
        are chosen for each site, few of them; see `worth`.
    on : date or ISO text, optional
        Day of the job, against which past applications are held; today if not given.
    worth : str, optional
        Ground that each product more has to add on a site before it is used there (twice as much counts where it
        comes under "every weed rated good"): 200 sq ft for spot work, 1,000 sq ft for broadcast and granules, and
        never more than a quarter of what labels allow on the site. ``"0 ft2"`` treats as much ground as labels allow.
        ``"prices"`` takes the ground whose price pays for another mix: set-up, mixing, rinse and the product left in
        the rig, by the price list in `prices`.
    max_products : int, optional
        Most products to use on one site; two if not given, or as many as there are with ``worth="0 ft2"``.
    exclude, prefer : products, optional
        Not to be used; to be used before others where they may go.
    avoid_caution : bool
        Leave out turf that the label warns of.
    prices : Prices, or mapping of product to price per amount, optional
        What `weedzone.read_prices` returned, or ``{"Demo Trio": "96/2.5 gal"}``: where ratings are equal, the
        cheapest is used.
    policy : Policy, optional
        Local rules, see `weedzone.read_policy`.
    wind_from : float, optional
        Where the wind comes from [degrees clockwise from north]. Without it downwind buffers hold all round.
    wind_spread : float, optional
        Half-angle about the wind [degrees], in place of the labels' own.
    min_width, min_area : str, optional
        Pieces of one product in which no circle of this width fits, or that are smaller, go to the product of the
        neighbour with the longest common edge that may go there. Thin ground that no neighbour takes is a ``sliver``
        in the ledger in spot work (by hand) and marked ``by_wand`` for boom and spreader. The width is the rig's
        ``pattern`` or 1 ft in spot work, half the swath or 3 ft for broadcast, half the spread or 4 ft for granules;
        the area 10 sq ft. ``"0 ft"`` and ``"0 ft2"`` switch it off.
    even_loads : bool
        Share the solution evenly over the loads instead of filling all but the last.
    adjuvants : {"all", "required"}
        Whether adjuvants that a label allows go in, or only those that it requires.
    passes : {1, 2}
        With 2, ground with weeds that its product does not control gets a second product after the first, where
        the limits of both labels allow both on one day. It adds rows to `zones` and to amounts and loads; the
        ledger counts the ground once. With `max_products`, only products of the first pass are used for it.

    Returns
    -------
    Job

    Raises
    ------
    WeedzoneError
        A product or use that label, rig or limits do not allow; an unknown product; an argument of another kind.

    Examples
    --------
    A lawn of 100 by 60 ft with a patch of 1,000 sq ft in map feet; at the zone's middle the map is 0.04 % too
    small, so that the ground is 1,000.8:

    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> import geopandas as gpd
    >>> import shapely
    >>> import weedzone as wz
    >>> def feet(*box):
    ...     return shapely.affinity.translate(shapely.box(*(0.3048 * side for side in box)), 5e5, 4.4e6)
    >>> lawn = gpd.GeoDataFrame({"turf": ["tall fescue"]}, geometry=[feet(0, 0, 100, 60)], crs="EPSG:26915")
    >>> patch = gpd.GeoDataFrame({"weed": ["dandelion"]}, geometry=[feet(10, 10, 60, 30)], crs="EPSG:26915")
    >>> text = '''
    ... name = "Demo Trio"
    ... form = "liquid"
    ... active = [{ name = "2,4-D", concentration = "2.2 lb/gal" }]
    ... turf = { tolerant = ["tall fescue"] }
    ... weeds = { dandelion = "good" }
    ... rate = [{ use = "spot", dose = "1.2 fl oz/ksqft", volume = "1 gal/ksqft" }]
    ... buffers = { pond = "10 ft" }
    ... '''
    >>> with TemporaryDirectory() as folder:
    ...     _ = Path(folder, "trio.toml").write_text(text)
    ...     labels = wz.read_labels(folder)
    >>> survey = wz.Survey(lawn, patch)
    >>> job = wz.size_job(survey, labels, wz.make_rig("backpack", tank="4 gal", carrier="1 gal/ksqft"), on="2026-05-20")
    >>> job.totals[["area_ft2", "solution_gal", "product_amount"]].round(1).to_numpy().tolist()
    [[1000.8, 1.0, 1.2]]
    """
    asked = Asked(
        use=use, products=products, on=on, max_products=max_products, worth=worth, exclude=exclude, prefer=prefer,
        avoid_caution=avoid_caution, prices=prices, policy=policy, wind_from=wind_from, wind_spread=wind_spread,
        min_width=min_width, min_area=min_area, even_loads=even_loads, adjuvants=adjuvants, passes=passes,
    )  # fmt: skip
    return _job(size_counted(survey, labels, rig, asked))


@named_options()
def whole_turf(
    survey: Survey,
    labels: Label | Mapping[str, Label],
    rig: Rig,
    use: str = "granular",
    products: Mapping[str, str] | None = None,
    *,
    given: str | Mapping[str, str] | None = None,
    yearly: str | Mapping[str, str] | None = None,
    on: dt.date | str | None = None,
    exclude: Iterable[str] = (),
    prefer: Iterable[str] = (),
    avoid_caution: bool = False,
    prices: Mapping[str, str] | Prices | None = None,
    policy: Policy | None = None,
    wind_from: float | None = None,
    wind_spread: float | None = None,
    min_width: str | None = None,
    min_area: str | None = None,
    even_loads: bool = False,
    adjuvants: str = "all",
) -> Job:
    """Size an application to all turf, not only to infested ground: feeding, or a product for the whole lawn.

    As much ground as labels allow is treated, with as many products as that takes.

    Parameters
    ----------
    survey : Survey
        Its infestations do not count.
    labels : Label, or mapping of product to Label
        What is to be applied (see `feed_label`), and every product of the history.
    rig : Sprayer or Spreader
    use : {"spot", "broadcast", "granular"}
    products : mapping of turf to product, optional
        Decides which product goes on which turf; turf that is not named gets none.
    given, yearly : str or mapping of turf to str, optional
        Nitrogen already given this year beside the history, and the most that a year may bring, as a local rule
        says. Without it: the label's hint ``"yearly nitrogen"``, else `weedzone.turfcare.YEARLY_NITROGEN`.
    on : date or ISO text, optional
        Day of the job, against which past applications are held; today if not given.
    exclude, prefer : products, optional
        Not to be used; to be used before others where they may go.
    avoid_caution : bool
        Leave out turf that the label warns of.
    prices : Prices, or mapping of product to price per amount, optional
        ``{"Demo Feed": "96/50 lb"}``: where nothing else decides, the cheapest is used.
    policy : Policy, optional
        Local rules. Its ``[nitrogen]`` holds too; the lowest figure is warned of.
    wind_from, wind_spread : float, optional
        Where the wind comes from [degrees clockwise from north], and the half-angle about it.
    min_width, min_area : str, optional
        Least width and area of a piece of one product; see `size_job`.
    even_loads : bool
        Share the amount evenly over the loads instead of filling all but the last.
    adjuvants : {"all", "required"}
        Whether adjuvants that a label allows go in, or only those that it requires.

    Returns
    -------
    Job
        Its "infested ground" is all turf: the ledger sums to that. The findings warn where the nitrogen of one
        feeding or of the year passes the usual figure. Bags: `weedzone.shopping_list`.

    Raises
    ------
    WeedzoneError
        As `size_job`.
    """
    asked = Asked(
        use=use, products=products, on=on, exclude=exclude, prefer=prefer, avoid_caution=avoid_caution,
        prices=prices, policy=policy, wind_from=wind_from, wind_spread=wind_spread, min_width=min_width,
        min_area=min_area, even_loads=even_loads, adjuvants=adjuvants,
    )  # fmt: skip
    return _job(fed(survey, labels, rig, asked, given=given, yearly=yearly))


def _job(sized: Sized) -> Job:
    return Job(**{field.name: getattr(sized, field.name) for field in fields(sized)})


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


@named_options(like=size_job, but=("on", "wind_from"))
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
    survey, labels, rig
        As of `size_job`.
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
        [float(options.pop("wind_spread", None) or 0.0), *(degrees or DEFAULT_SPREAD_DEG for degrees in said)]
    )
    sized = []
    for row in table.sort_values("start", kind="stable").to_dict("records"):
        # Swings of half a turn and winds that cancel leave no side that is surely upwind.
        half = float(row["wind_swing_deg"]) + aside
        steady = pd.notna(row["wind_from_deg"]) and half < 180.0
        wind, spread = (float(row["wind_from_deg"]), half) if steady else (None, None)
        job = size_job(
            survey, labels, rig, on=row["start"].date(), wind_from=wind, wind_spread=spread, **options
        )
        sized.append(WindowJob(row, job, wind, spread))
    return sized
