"""The two maps of a job, drawn on paper or interactive: one HTML page that asks no network for anything.

What draws them is loaded when one is wanted.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup

from weedzone.base.errors import InputError, WeedzoneError, path_given, refuse_unless
from weedzone.base.files import html_page, place
from weedzone.base.words import MAP_CAUTIONS
from weedzone.maps.scene import Scene, heading, scene
from weedzone.sizing import Sized

if TYPE_CHECKING:
    from bokeh.plotting import figure
    from matplotlib.axes import Axes

_MOST_ROWS = 400
_COLUMNS = {
    "site": "Site", "zone": "Zone", "product": "Product", "turf": "Turf", "weeds": "Weeds", "dose": "Dose",
    "amount": "Product on the ground", "area": "Area", "tanks": "Fillings",
}  # fmt: skip
_FRAME_PX = 820


def plot(
    job: Sized,
    ax: Axes | None = None,
    *,
    site: str | Iterable[str] | None = None,
    turf: bool = True,
    zones: bool = True,
    untreated: bool = True,
    keep_out: bool = True,
    buffers: bool = True,
    boundary: bool = True,
    labels: bool = True,
    legend: bool | str = True,
    scale: bool = True,
    north: bool = True,
    cautions: bool = True,
    title: str | None = None,
    system: str = "us",
) -> Axes:
    """Draw the zone map of one site, or an overview of several.

    Parameters
    ----------
    job : Sized
    ax : Axes, optional
        Drawn on, and only there; without it a figure is made to fit the ground.
    site : str or several, optional
        Sites to show; all if not given. Several make an overview, in which sites are named rather than zones.
    turf, zones, untreated, keep_out, buffers, boundary : bool
        Layers. Untreated ground is infested ground that no product may treat, by its reason.
    labels : bool
        Codes of patches with ground and solution (of more than forty the codes alone), or names of sites; they never
        overlap, and small patches get a leader line.
    legend : bool, "right" or "below"
    scale, north, cautions : bool
        Scale bars in feet and metres, north arrow, and a line of cautions, below the map.
    title : str, optional
        In place of the site's name and the date; "" for none.
    system : {"us", "metric"}
        Units of areas in labels and legend.

    Returns
    -------
    Axes
        Its units are metres on the ground.

    Raises
    ------
    InputError
        A site that the survey lacks; an unknown place of the legend or system of units.
    """
    refuse_unless(
        ax is None or hasattr(ax, "set_xlim"), ax, "axes of matplotlib", "ax", "leave it out for a new figure"
    )
    if legend not in (True, False, "right", "below"):
        raise InputError(f"the legend cannot go {legend!r}", field="legend", mend='write "right" or "below"')
    shown = scene(job, site, system)
    from weedzone.maps.drawn import Drawing

    wanted = {"turf": turf, "zones": zones, "untreated": untreated, "keep_out": keep_out, "buffers": buffers}
    drawing = Drawing(shown, ax, legend)
    drawing.layers({**wanted, "boundary": boundary})
    if labels:
        drawing.labels(zones=zones, kinds=keep_out)
    drawing.surround(heading(shown, title), scale=scale, north=north, cautions=cautions)
    return drawing.settle()


@dataclass(frozen=True)
class Page:
    """An interactive map; a notebook shows it, a file holds it.

    Attributes
    ----------
    html : str
        The whole page.
    figure : bokeh figure
        To add layers of your own; `html` does not follow.
    path : pathlib.Path or None
        Where it was saved.
    """

    html: str = field(repr=False)
    figure: figure = field(repr=False)
    path: Path | None = None

    def _repr_html_(self) -> str:
        """The page in a frame of its own, so that a notebook's styles and scripts do not reach it."""
        inner = html.escape(self.html, quote=True)
        style = f"width:100%;height:{_FRAME_PX}px;border:0"
        return f'<iframe srcdoc="{inner}" style="{style}" title="Zone map"></iframe>'


def explore(
    job: Sized,
    path: str | Path | None = None,
    *,
    site: str | Iterable[str] | None = None,
    title: str | None = None,
    system: str = "us",
) -> Page:
    """Make an interactive map of a job: pan, zoom, the figures of each zone, layers to switch off and on.

    Parameters
    ----------
    job : Sized
    path : path, optional
        HTML file to write; replaced if it exists.
    site : str or several, optional
        Sites to show; all if not given.
    title : str, optional
        In place of the site's name and the date.
    system : {"us", "metric"}
        Units of areas.

    Returns
    -------
    Page
        Shown by a notebook as it is.

    Raises
    ------
    WeedzoneError
        bokeh is not installed.
    InputError
        A site that the survey lacks; an unknown system of units; a file that can't be written.
    """
    if find_spec("bokeh") is None:
        raise WeedzoneError(
            "the interactive map needs the library bokeh", mend='pip install "weedzone[explore]"'
        )
    target = None
    if path is not None:
        target = path_given(path, "an interactive map", 'job.explore("map.html")')
        if target.is_dir() or target.name in ("", ".."):
            raise InputError("this is a folder, not a file", file=target, mend='write it as "map.html"')
    shown = scene(job, site, system)
    from weedzone.maps.interactive import draw

    drawn = draw(shown)
    text = _page(shown, drawn, heading(shown, title))
    if target is not None:
        place(target.parent, lambda new: _write(new / target.name, text))
    return Page(text, drawn, target)


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")


def _page(shown: Scene, drawn: figure, title: str) -> str:
    """The page about a drawn map; every text of the user's goes through the template's escaping."""
    from bokeh.embed import components
    from bokeh.resources import Resources

    script, div = components(drawn)
    rows = shown.zone_texts[list(_COLUMNS)]
    return html_page(
        "explore.html",
        title=title,
        # bokeh's own code: made by it, with the texts that it holds escaped by it.
        library=Markup(_hostless(Resources(mode="inline", components=["bokeh"]).render())),  # noqa: S704
        map=Markup(div),  # noqa: S704
        script=Markup(script),  # noqa: S704
        cautions=MAP_CAUTIONS,
        columns=_COLUMNS.values(),
        numbers=3,
        zones=rows.head(_MOST_ROWS).to_numpy().tolist(),
        left_out=max(len(rows) - _MOST_ROWS, 0),
    )


def _hostless(code: str) -> str:
    """The library's code without addresses of other hosts, which only its credits and parts not used here hold.

    Names of XML vocabularies stay: nothing is fetched from them.
    """
    return re.sub(r"https?://(?!www\.w3\.org/)", "", code)
