"""The two small ratios: importing weedzone against geopandas, and the sample neighbourhood against a script.

python tests/benchmarks/small.py
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from statistics import median
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely

import weedzone as wz
from weedzone.ground.shapes import QUAD_SEGS, SAFE_SCALE
from weedzone.survey.laid import CIRCLE_SCALE

SAMPLES = Path(__file__).parents[2] / "sample_sites"
LOTS = SAMPLES / "quince_bend" / "survey.gpkg"


def import_ratio(repeats: int = 15) -> float:
    def once(module: str) -> float:
        code = f"import time; t = time.perf_counter(); import {module}; print(time.perf_counter() - t)"
        return float(
            subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
        )

    once("weedzone"), once("geopandas")
    pairs = [(once("geopandas"), once("weedzone")) for _ in range(repeats)]
    return median(mine for _, mine in pairs) / median(theirs for theirs, _ in pairs)


def by_script(layers: dict[str, gpd.GeoDataFrame], labels: dict[str, wz.Label]) -> pd.Series:
    """What each product may treat on each lot, the plain geopandas way [m2]."""
    found = {}
    for site, patches in layers["infestations"].groupby("site"):
        shapes = patches.copy()
        reach = shapes["width_ft"].fillna(0) / 2 + shapes["radius_ft"].fillna(0)
        for kind, cap, scale in (("Point", "round", CIRCLE_SCALE), ("LineString", "flat", 1.0)):
            thin = shapes.geometry.geom_type == kind
            metres = reach[thin] * 0.3048 * scale
            shapes.loc[thin, "geometry"] = shapes[thin].buffer(metres, cap_style=cap, quad_segs=QUAD_SEGS)
        limit = layers["boundary"][layers["boundary"]["site"] == site][["geometry"]]
        turf = layers["turf"][layers["turf"]["site"] == site]
        # Whoever's lot a feature is on, it keeps spray off: no buffer here is wider than 60 m.
        near = layers["keep_out"].sindex.query(shapely.box(*patches.total_bounds).buffer(60.0))
        keep_out = layers["keep_out"].iloc[near]
        for name, label in labels.items():
            if label.rate("spot") is None:
                continue
            weedy = shapes[shapes["weed"].str.lower().isin(label.weeds)].dissolve()[["geometry"]]
            grass = turf[turf["turf"].str.lower().map(label.allows_turf)][["geometry"]]
            if not len(weedy) or not len(grass):
                continue
            metres = keep_out["kind"].map(lambda kind, label=label: label.buffer_m(kind, "spot") or 0.0)
            own = keep_out.get("buffer_ft", pd.Series(0.0, keep_out.index)).fillna(0) * 0.3048
            away = gpd.GeoDataFrame(
                geometry=keep_out.buffer(metres.combine(own, max) * SAFE_SCALE, quad_segs=QUAD_SEGS)
            )
            ground = weedy.overlay(grass, how="intersection").overlay(limit, how="intersection")
            found[site, name] = float(ground.overlay(away.dissolve(), how="difference").area.sum())
    return pd.Series(found)


def neighbourhood(repeats: int = 5) -> None:
    labels = wz.read_labels(SAMPLES / "labels")
    rig = wz.read_rig(SAMPLES / "rigs.toml", "backpack")
    metres = "+proj=laea +lat_0=38.1 +lon_0=-88.4 +datum=WGS84 +units=m +type=crs"
    names = ("turf", "infestations", "keep_out", "boundary")
    raw = {name: gpd.read_file(LOTS, layer=name) for name in names}
    times: dict[str, list[float]] = {"weedzone": [], "geopandas": []}
    job: Any = None
    areas: Any = None
    for _ in range(repeats):
        begun = time.perf_counter()
        job = wz.size_job(wz.Survey(**raw), labels, rig, on="2026-05-20")
        times["weedzone"].append(time.perf_counter() - begun)
        begun = time.perf_counter()
        areas = by_script({name: frame.to_crs(metres) for name, frame in raw.items()}, labels)
        times["geopandas"].append(time.perf_counter() - begun)
    mine = job.eligible.groupby("product")["area_m2"].sum()
    theirs = areas.groupby(level=1).sum()
    gap = (mine - theirs).abs().max() / theirs.max()
    ratio = median(times["geopandas"]) / median(times["weedzone"])
    print(
        f"sample neighbourhood: the geopandas script takes {ratio:.1f} times as long as weedzone, which also chooses, "
        f"accounts and loads; areas agree to {gap:.1e}"
    )


if __name__ == "__main__":
    print(f"import weedzone takes {import_ratio():.2f} times import geopandas")
    neighbourhood()
