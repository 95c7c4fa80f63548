"""Small surveys on flat metres for the tests of areas, labour, doubt, prices and quotes."""

import geopandas as gpd
from shapely.geometry import box

import weedzone as wz

FT = 0.3048
# Equal-area metres about a point, on the survey's own ellipsoid: what is drawn there has its ground area. No corner
# lies on that point itself, where PROJ 9.5's inverse jumps by 0.8 mm.
CRS = "+proj=laea +lat_0=40 +lon_0=-90 +x_0=-317 +y_0=-211 +ellps=WGS84 +units=m +no_defs"

LABEL = """
name = "Demo Plain"
form = "liquid"
[[active]]
name = "2,4-D"
concentration = "3.8 lb/gal"
[turf]
tolerant = ["tall fescue"]
[weeds]
"dandelion" = "good"
[[rate]]
use = "spot"
mix = "1 fl oz/gal"
volume = "1 gal/ksqft"
[[rate]]
use = "broadcast"
dose = "1 fl oz/ksqft"
volume = "1 gal/ksqft"
[adjuvant]
name = "demo spreader"
rate = "0.5 fl oz/gal"
[limits]
applications_per_year = 3
interval = ["21 day", "30 day"]
[buffers]
default = "0 ft"
"""

PRICES = """
currency = "USD"
[labour]
rate = "45/hour"
setup = "6 min"
mixing = "6 min"
rinse = "10 min"
walking = "3 mph"
[visit]
minimum = 40
travel = 18
[product."Demo Plain"]
containers = [{ size = "1 gal", price = 64 }, { size = "1 qt", price = 20 }]
[adjuvant."Demo Spreader"]
containers = [{ size = "1 qt", price = 16 }]
[area]
spot = "14/ksqft"
[margin]
overhead = "10 %"
margin = "20 %"
[tax]
material = "7 %"
service = "2 %"
[[discount]]
over = "4 ksqft"
off = "5 %"
"""

# No rule that looks beyond one site and one visit.
BARE = """
currency = "USD"
[labour]
rate = "45/hour"
setup = "6 min"
mixing = "6 min"
rinse = "10 min"
walking = "3 mph"
[visit]
travel = 18
[product."Demo Plain"]
containers = [{ size = "1 gal", price = 64 }]
[adjuvant."Demo Spreader"]
containers = [{ size = "1 qt", price = 16 }]
[area]
spot = "14/ksqft"
[margin]
overhead = "10 %"
margin = "20 %"
"""


def feet(x, y, width, height):
    """A rectangle, in feet from the middle of the map."""
    return box(x * FT, y * FT, (x + width) * FT, (y + height) * FT)


def survey(patches, keep_out=(), turf=None):
    """A survey of patches (site, shape) of dandelion on tall fescue that reaches well beyond them."""
    sites = list(dict.fromkeys(site for site, _ in patches))
    ground = turf or [(site, box(-4000, -4000, 4000, 4000)) for site in sites]
    return wz.Survey(
        turf=gpd.GeoDataFrame(
            {"site": [site for site, _ in ground], "turf": "tall fescue"},
            geometry=[s for _, s in ground],
            crs=CRS,
        ),
        infestations=gpd.GeoDataFrame(
            {"site": [site for site, _ in patches], "weed": "dandelion"},
            geometry=[s for _, s in patches],
            crs=CRS,
        ),
        keep_out=gpd.GeoDataFrame(
            {"site": [site for site, _ in keep_out], "kind": ["tree"] * len(keep_out)},
            geometry=[s for _, s in keep_out],
            crs=CRS,
        ),
    )


def label(text=LABEL):
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "label.toml"
        path.write_text(text)
        return wz.read_labels(path)


def rig(**changes):
    from weedzone.base.units import to_si

    values = {
        "tank_L": to_si("4 gal", "volume"),
        "swath_m": to_si("3 ft", "length"),
        "pace_mps": to_si("2 mph", "speed"),
    }
    return wz.Sprayer(name="test rig", **(values | changes))


def job(patches, use="spot", text=LABEL, on="2026-05-10", a_rig=None, **options):
    """A sized job on patches (site, shape)."""
    parts = {key: options.pop(key) for key in ("keep_out", "turf") if key in options}
    return wz.size_job(survey(patches, **parts), label(text), a_rig or rig(), use=use, on=on, **options)


def price_list(tmp_path, text=PRICES):
    from weedzone.kit.prices import read_prices

    path = tmp_path / "prices.toml"
    path.write_text(text)
    return read_prices(path)
