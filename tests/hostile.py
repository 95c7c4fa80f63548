"""A small job whose names try to break out of every page, table and file they are written to."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
from shapely.geometry import box

import weedzone as wz

SITES = (
    '<script>alert("1")</script>',
    '=HYPERLINK("http://x.invalid","pay")',
    "../../up and away",
    "CON",
    "con",
    "\u202eright to left \u05e9\u05dc\u05d5\u05dd",
    "bees \U0001f41d & 'quotes' {{ 7 * 7 }} $\\frac{1}{2}$",
    "long " * 2000,
)
PRODUCT = '<img src=x onerror=alert(2)> & "Spray" {{ 7 * 7 }}'
LABEL = """
name = '{name}'
form = "liquid"
registration = "=1+1"
signal_word = "<b>danger</b>"
ppe = ["<i>gloves</i>"]
reentry = "until dry </body>"
[[active]]
name = "2,4-D"
concentration = "3.8 lb/gal"
group = 4
[turf]
tolerant = ["tall fescue"]
caution = {{ "bermudagrass" = "<u>yellowing</u>" }}
[weeds]
"dandelion" = "good"
[[rate]]
use = "broadcast"
dose = "1 fl oz/ksqft"
volume = "1 gal/ksqft"
[limits]
interval = ["21 day", "30 day"]
[hints]
mowing = "<em>wait</em>"
mixing = "<s>shake</s> first"
"""


def survey(sites: tuple[str, ...] = SITES) -> wz.Survey:
    """One square of turf with a patch and a shed on each site, side by side."""
    at = [(500_000 + 60 * number, 4_650_000) for number in range(len(sites))]
    turf = ["tall fescue", "bermudagrass"]
    return wz.Survey(
        turf=gpd.GeoDataFrame(
            {"site": sites, "turf": [turf[n % 2] for n in range(len(sites))]},
            geometry=[box(x, y, x + 40, y + 40) for x, y in at],
            crs=26915,
        ),
        infestations=gpd.GeoDataFrame(
            {"site": sites, "weed": "dandelion"},
            geometry=[box(x + 5, y + 5, x + 25, y + 15) for x, y in at],
            crs=26915,
        ),
        keep_out=gpd.GeoDataFrame(
            {"site": sites, "kind": "<shed>", "buffer_m": 2.0},
            geometry=[box(x + 20, y + 10, x + 22, y + 12) for x, y in at],
            crs=26915,
        ),
    )


def job(folder: Path, sites: tuple[str, ...] = SITES) -> wz.Job:
    """The job, its label and rig read from files in `folder`."""
    (folder / "label.toml").write_text(LABEL.format(name=PRODUCT), encoding="utf-8")
    (folder / "rig.toml").write_text('[rig."<rig>"]\nkind = "sprayer"\ntank = "4 gal"\n', encoding="utf-8")
    labels = wz.read_labels(folder / "label.toml")
    rig = wz.read_rig(folder / "rig.toml")
    return wz.size_job(survey(sites), labels, rig, use="broadcast", on="2026-05-10")
