"""Seeded surveys of any number of sites, drawn at once: abutting turf, ragged patches, keep-outs of every kind."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

# Equal-area, centred where weedzone centres the block that holds the sites: every method then works on the same
# metres, and areas can be compared to many digits.
CRS = "+proj=laea +lat_0=39.3 +lon_0=-95.6129032258064 +datum=WGS84 +units=m +type=crs"
ORIGIN = (-19_000.0, -19_000.0)
SPACING_M = 120.0
TURF = ("tall fescue", "kentucky bluegrass", "bermudagrass")
WEEDS = ("dandelion", "white clover", "ground ivy")
KINDS = ("pond", "flower bed", "tree", "well", "vegetable garden")
# Three products with different turf and different buffers [m]; the labels of the benchmark say the same.
PRODUCTS = {
    "Demo Bench A": {
        "turf": ("tall fescue", "kentucky bluegrass"),
        "buffers": {
            "pond": 7.62,
            "flower bed": 0.9144,
            "tree": 0.6096,
            "well": 15.24,
            "vegetable garden": 3.048,
        },
    },
    "Demo Bench B": {
        "turf": ("bermudagrass", "tall fescue"),
        "buffers": {
            "pond": 9.144,
            "flower bed": 1.524,
            "tree": 0.9144,
            "well": 15.24,
            "vegetable garden": 4.572,
        },
    },
    "Demo Bench C": {
        "turf": TURF,
        "buffers": {
            "pond": 15.24,
            "flower bed": 1.8288,
            "tree": 0.9144,
            "well": 22.86,
            "vegetable garden": 6.096,
        },
    },
}


@dataclass(frozen=True)
class Drawn:
    """The layers of a generated survey, in an equal-area CRS."""

    turf: gpd.GeoDataFrame
    infestations: gpd.GeoDataFrame
    keep_out: gpd.GeoDataFrame


def draw(n_sites: int, seed: int = 1) -> Drawn:
    """Draw a survey.

    Sites of 2 to 8 abutting turf strips, 3 to 60 ragged patches of 16 to 64 vertices, 2 to 12 keep-outs.
    """
    rng = np.random.default_rng(seed)
    side = int(np.ceil(np.sqrt(n_sites)))
    site = np.arange(n_sites)
    corner = np.column_stack([site % side, site // side]) * SPACING_M + ORIGIN
    size = rng.uniform(35.0, 60.0, (n_sites, 2))
    names = np.array([f"site {one:06d}" for one in site], dtype=object)

    n_turf = rng.integers(2, 9, n_sites)
    of = np.repeat(site, n_turf)
    step = np.arange(len(of)) - np.repeat(np.cumsum(n_turf) - n_turf, n_turf)
    # Seams lean, but never so far that two of them cross.
    slant = (rng.uniform(-0.4, 0.4, n_sites) * size[:, 0] / n_turf)[of]
    left, right = step / n_turf[of] * size[of, 0], (step + 1) / n_turf[of] * size[of, 0]
    first, last = step == 0, step == n_turf[of] - 1
    lean_left, lean_right = np.where(first, 0.0, slant), np.where(last, 0.0, slant)
    zero, top = np.zeros(len(of)), size[of, 1]
    ring = np.stack(
        [
            np.column_stack([left, zero]),
            np.column_stack([right, zero]),
            np.column_stack([right + lean_right, top]),
            np.column_stack([left + lean_left, top]),
        ],
        axis=1,
    )
    turf = _frame(
        shapely.polygons(ring + corner[of][:, np.newaxis]), names[of], turf=rng.choice(TURF, len(of))
    )

    n_patch = rng.integers(3, 61, n_sites)
    of = np.repeat(site, n_patch)
    centre = corner[of] + rng.uniform(-0.02, 1.02, (len(of), 2)) * size[of]
    radius = rng.lognormal(0.2, 0.6, len(of)).clip(0.3, 6.0)
    patches = _ragged(rng, centre, radius, rng.integers(16, 65, len(of)))
    infestations = _frame(patches, names[of], weed=rng.choice(WEEDS, len(of)))

    n_keep = rng.integers(2, 13, n_sites)
    of = np.repeat(site, n_keep)
    kind = rng.choice(KINDS, len(of), p=(0.1, 0.35, 0.35, 0.05, 0.15))
    centre = corner[of] + rng.uniform(0.0, 1.0, (len(of), 2)) * size[of]
    radius = np.where(kind == "pond", rng.uniform(2.0, 6.0, len(of)), rng.uniform(0.5, 2.5, len(of)))
    shapes = _ragged(rng, centre, radius, rng.integers(8, 33, len(of)))
    shapes[kind == "well"] = shapely.points(centre[kind == "well"])
    return Drawn(turf, infestations, _frame(shapes, names[of], kind=kind))


def _ragged(rng: np.random.Generator, centre: Any, radius: Any, corners: Any) -> Any:
    """Star-shaped patches with uneven edges."""
    of = np.repeat(np.arange(len(corners)), corners)
    step = np.arange(len(of)) - np.repeat(np.cumsum(corners) - corners, corners)
    angle = (step + rng.uniform(-0.3, 0.3, len(of))) / corners[of] * 2.0 * np.pi
    reach = radius[of] * rng.uniform(0.7, 1.3, len(of))
    xy = centre[of] + np.column_stack([np.cos(angle), np.sin(angle)]) * reach[:, np.newaxis]
    return shapely.polygons(shapely.linearrings(xy, indices=of))


def _frame(shapes: Any, site: Any, **columns: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"site": site, **columns}, geometry=shapes, crs=CRS)


def label_texts() -> dict[str, str]:
    """The three labels as TOML, by file name."""
    texts = {}
    for name, rules in PRODUCTS.items():
        buffers = "\n".join(f'"{kind}" = "{metres} m"' for kind, metres in rules["buffers"].items())
        turf = ", ".join(f'"{one}"' for one in rules["turf"])
        weeds = "\n".join(f'"{weed}" = "good"' for weed in WEEDS)
        texts[f"{name.lower().replace(' ', '_')}.toml"] = (
            f'name = "{name}"\nform = "liquid"\n[[active]]\nname = "2,4-D"\nconcentration = "2 lb/gal"\ngroup = 4\n'
            f"[turf]\ntolerant = [{turf}]\n[weeds]\n{weeds}\n"
            '[[rate]]\nuse = "spot"\nmix = "1 fl oz/gal"\nvolume = "1 gal/ksqft"\n'
            f"[buffers]\n{buffers}\n"
        )
    return texts
