"""The interactive map: one HTML page that holds all it needs and asks no network for anything."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup

from weedzone.base.errors import InputError, WeedzoneError, path_given
from weedzone.base.files import html_page, place
from weedzone.kit import Spreader
from weedzone.maps.scene import Scene, heading, scene
from weedzone.maps.style import CAUTIONS, area_text, fill_text, short
from weedzone.sizing import Sized, check_job, plain_amount

if TYPE_CHECKING:
    from bokeh.plotting import figure

_MOST_ROWS = 400
_COLUMNS = ("Site", "Zone", "Product", "Turf", "Weeds", "Dose", "Product amount", "Area", "Fillings")
_FRAME_PX = 820


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
    _need_bokeh()
    check_job(job)
    if system not in ("us", "metric"):
        raise InputError(f"no system of units {system!r}", field="system", mend='write "us" or "metric"')
    from weedzone.maps.interactive_layers import draw

    target = (
        None if path is None else _target(path_given(path, "an interactive map", 'job.explore("map.html")'))
    )
    shown = scene(job, site)
    drawn = draw(job, shown, system)
    text = _page(job, shown, drawn, short(heading(job, shown) if title is None else title, 80), system)
    if target is not None:
        place(target.parent, lambda new: _write(new / target.name, text))
    return Page(text, drawn, target)


def _need_bokeh() -> None:
    if find_spec("bokeh") is None:
        raise WeedzoneError(
            "the interactive map needs the library bokeh", mend='pip install "weedzone[explore]"'
        )


def _target(path: Path) -> Path:
    if path.is_dir() or path.name in ("", ".."):
        raise InputError("this is a folder, not a file", file=path, mend='write it as "map.html"')
    return path


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")


def _page(job: Sized, shown: Scene, drawn: figure, title: str, system: str) -> str:
    """The page about a drawn map; every text of the user's goes through the template's escaping."""
    from bokeh.embed import components
    from bokeh.resources import Resources

    script, div = components(drawn)
    rows = _rows(job, shown, system)
    return html_page(
        "explore.html",
        title=title,
        # bokeh's own code: made by it, with the texts that it holds escaped by it.
        library=Markup(_hostless(Resources(mode="inline", components=["bokeh"]).render())),  # noqa: S704
        map=Markup(div),  # noqa: S704
        script=Markup(script),  # noqa: S704
        cautions=CAUTIONS,
        columns=_COLUMNS,
        numbers=3,
        zones=rows[:_MOST_ROWS],
        left_out=max(len(rows) - _MOST_ROWS, 0),
    )


def _hostless(code: str) -> str:
    """The library's code without addresses of other hosts, which only its credits and parts not used here hold.

    Names of XML vocabularies stay: nothing is fetched from them.
    """
    return re.sub(r"https?://(?!www\.w3\.org/)", "", code)


def _rows(job: Sized, shown: Scene, system: str) -> list[tuple[str, ...]]:
    holder = "hopper" if isinstance(job.rig, Spreader) else "tank"
    return [
        (
            short(row["site"]),
            row["zone"],
            short(row["product"]),
            short(row["turf"], 40),
            short(row["weeds"], 80),
            short(row["dose"]),
            plain_amount(row["product_amount"], row["product_unit"], system),
            area_text(row["area_m2"], system),
            fill_text(row["tanks"], holder),
        )
        for row in job.zones.iloc[shown.zone_row].drop(columns="geometry").to_dict("records")
    ]
