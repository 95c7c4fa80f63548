"""Mix sheets: one self-contained page a site and date, to print or to read on a phone."""

from __future__ import annotations

import base64
import datetime as dt
import io
from collections.abc import Iterable
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pandas as pd

from weedzone.base.errors import InputError, path_given, refuse_unless
from weedzone.base.files import file_names, html_page, place
from weedzone.base.names import nearest
from weedzone.base.words import day_text, ground_pair, plain_line, read_date
from weedzone.crew.sheet_loads import page
from weedzone.crew.work_order import poured
from weedzone.sizing import Sized, check_job, size_text

_DPI = 144
_ENDINGS = (".html", ".htm")


def sheet(
    job: Sized,
    path: str | Path,
    *,
    site: str | Iterable[str] | None = None,
    date: dt.date | str | None = None,
    system: str = "us",
) -> list[Path]:
    """Write the mix sheet of one site, or of several with an index page.

    A sheet is one HTML file that needs no other file, no network and no script; it prints on at most two pages
    of Letter or A4.

    Parameters
    ----------
    job : Sized
    path : path
        A file ending in ``.html`` for one site; else a folder, in which each site gets a file of its name, and
        several sites get ``index.html`` with an overview map.
    site : str or several, optional
        Sites to write; all if not given.
    date : datetime.date or str, optional
        Day of spraying, as 2026-05-10; the day for which the job was sized if not given.
    system : {"us", "metric"}
        Units that come first; the others stand beside them.

    Returns
    -------
    list of pathlib.Path
        The files written, the index first. All of them are written, or none.

    Raises
    ------
    InputError
        A site that the job lacks, no date, an unknown system of units, several sites and one file, a place that
        cannot be written.
    """
    check_job(job)
    target = path_given(path, "a mix sheet", 'job.sheet("sheets")')
    if system not in ("us", "metric"):
        raise InputError(f"no system of units {system!r}", field="system", mend='write "us" or "metric"')
    sites, day = _sites(job, site), _day(job, date)
    made = poured(job)
    if target.suffix.lower() in _ENDINGS and not target.is_dir():
        if len(sites) > 1:
            raise InputError(
                f"{len(sites)} sheets do not fit one file", file=target, mend="name a folder, or one site"
            )
        return place(
            target.parent, lambda new: _write(new / target.name, _sheet(job, sites[0], day, system, made))
        )

    names = {one: f"{stem}.html" for one, stem in file_names(sites, reserved=("index",)).items()}

    def all_of_them(new: Path) -> None:
        for one, name in names.items():
            _write(new / name, _sheet(job, one, day, system, made))
        if len(sites) > 1:
            _write(new / "index.html", _index(job, names, day, system))

    files = place(target, all_of_them)
    return sorted(files, key=lambda file: file.name != "index.html")


def _sites(job: Sized, site: str | Iterable[str] | None) -> list[str]:
    known = job.survey.sites
    right = site is None or isinstance(site, Iterable)
    refuse_unless(right, site, "a site, or a list of them,", "site", f"known: {', '.join(known[:20])}")
    wanted = known if site is None else [site] if isinstance(site, str) else list(dict.fromkeys(site))
    for one in wanted:
        if one not in known:
            close = nearest(str(one), known)
            mend = f"did you mean {close!r}?" if close else f"known: {', '.join(known[:20])}"
            raise InputError(f"the job has no site {one!r}", field="site", mend=mend)
    if not wanted:
        raise InputError("no site is given", field="site", mend=f"known: {', '.join(known[:20])}")
    return wanted


def _day(job: Sized, date: dt.date | str | None) -> dt.date:
    return job.on if date is None else read_date(date, "date")


def _sheet(job: Sized, site: str, day: dt.date, system: str, made: pd.DataFrame) -> str:
    return html_page("sheet.html", **page(job, site, day, system, made), map=_map(job, [site], system))


def _index(job: Sized, names: dict[str, str], day: dt.date, system: str) -> str:
    treated = job.ledger[job.ledger["outcome"] == "treated"].groupby("site")["area_m2"].sum()
    by_site = dict(list(job.totals.groupby("site")))
    rows = []
    for site, name in names.items():
        mine = by_site.get(site)
        products = [] if mine is None else mine.to_dict("records")
        rows.append(
            {
                "site": plain_line(site, 120),
                "href": quote(name),
                "ground": ground_pair(float(treated.get(site, 0.0)), system),
                "products": [
                    f"{plain_line(row['product'], 60)}, {size_text(row, job.rig)}"
                    + (f" in {row['loads']} loads" if row["loads"] > 1 else "")
                    for row in products
                ],
            }
        )
    return html_page(
        "index.html",
        day=day_text(day),
        use=job.use.capitalize(),
        rig=plain_line(job.rig.name, 60),
        rows=rows,
        map=_map(job, list(names), system),
    )


def _map(job: Sized, sites: list[str], system: str) -> str:
    """Picture of the sites as a data URL."""
    from matplotlib import pyplot

    from weedzone.maps import plot

    figure: Any = plot(job, site=sites, title="", cautions=False, system=system).figure
    out = io.BytesIO()
    try:
        figure.savefig(out, format="png", dpi=_DPI)
    finally:
        pyplot.close(figure)
    return f"data:image/png;base64,{base64.b64encode(out.getvalue()).decode('ascii')}"


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", errors="replace", newline="\n")
