"""The same ground in every coordinate system that surveys come in: the same totals, the same zones."""

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import strategies

import weedzone as wz

# Name: coordinate system, and a place (lon, lat) in it.
SYSTEMS = {
    "UTM 15 north": ("EPSG:32615", (-93.27, 44.98)),
    "UTM at its zone's edge": ("EPSG:32615", (-90.02, 44.98)),
    "State Plane New York, US survey feet": ("EPSG:2263", (-73.95, 40.75)),
    "State Plane Illinois, US survey feet": ("EPSG:3435", (-88.1, 41.8)),
    "Web Mercator": ("EPSG:3857", (-93.27, 44.98)),
    "North American equal area": ("EPSG:5070", (-93.27, 44.98)),
    "European equal area": ("EPSG:3035", (10.4, 52.3)),
    "NAD83 longitude and latitude": ("EPSG:4269", (-93.27, 44.98)),
    "UTM south": ("EPSG:32756", (151.2, -33.8)),
    "Finland, above 60 north": ("EPSG:3067", (25.5, 65.0)),
    "longitude and latitude beyond the polar circle": ("EPSG:4326", (18.9, 69.6)),
    "beside the antimeridian": ("EPSG:3460", (179.9995, -16.5)),
    "New Zealand": ("EPSG:2193", (174.7, -41.3)),
    "France, degrees from Paris in grads": ("EPSG:4807", (2.35, 48.85)),
    "axes north first in the registry": ("EPSG:31467", (9.1, 48.7)),
}
TOTALS = ["area_m2", "solution_L", "product_amount", "water_L"]


def totals(frames: dict[str, gpd.GeoDataFrame]) -> tuple[wz.Job, pd.DataFrame]:
    job = strategies.job(wz.Survey(**frames), worth="0 ft2")
    return job, job.totals.set_index(["site", "product"])[TOTALS]


def agree(one: pd.DataFrame, other: pd.DataFrame) -> None:
    """Totals agree to 1 part in 100,000, and small ones to what a survey's corners are known to."""
    assert one.index.tolist() == other.index.tolist()
    np.testing.assert_allclose(one.to_numpy(), other.to_numpy(), rtol=1e-5, atol=1e-4)


@pytest.mark.parametrize("name", SYSTEMS)
def test_every_system_gives_the_same_totals(name: str) -> None:
    crs, (lon, lat) = SYSTEMS[name]
    for seed in (1, 2, 3):
        drawn = strategies.drawn(seed, n_sites=2)
        truth, plain = totals(strategies.frames(drawn, lon, lat))
        job, found = totals(strategies.frames(drawn, lon, lat, crs))
        agree(found, plain)
        assert job.zones.crs == crs
        back, plain_zones = job.zones.geometry.to_crs(4326).to_numpy(), truth.zones.geometry.to_numpy()
        apart = shapely.symmetric_difference(back, plain_zones)
        # Nowhere wider than 1e-6 degrees, which is 0.1 m: edges are straight in the system they came in. (A seam of no
        # width inside a zone is no ground.)
        assert shapely.is_empty(shapely.buffer(apart, -5e-7)).all()


def test_across_the_antimeridian() -> None:
    """One site on both sides of 180 degrees, its longitudes running on or jumping: the ground is the same."""
    drawn = strategies.drawn(4)
    _, home = totals(strategies.frames(drawn, 0.0, -16.5))
    on = strategies.frames(drawn, 0.0, -16.5)
    for frame in on.values():
        frame["geometry"] = shapely.transform(
            frame.geometry.to_numpy(), lambda xy: xy + np.array([179.9998, 0.0])
        )
    assert max(frame.total_bounds[2] for frame in on.values()) > 180
    job, found = totals(on)
    agree(found, home)
    assert job.zones.total_bounds[2] - job.zones.total_bounds[0] < 1.0
    split = {}
    for name, frame in on.items():
        rows = frame.geometry.bounds
        beyond = rows["minx"] > 180
        moved = frame.copy()
        shapes = frame.geometry.to_numpy().copy()
        shapes[beyond] = shapely.transform(shapes[beyond], lambda xy: xy - np.array([360.0, 0.0]))
        split[name] = moved.set_geometry(gpd.GeoSeries(shapes, crs=frame.crs))
    agree(totals(split)[1], home)


def test_layers_in_different_systems() -> None:
    drawn = strategies.drawn(5)
    _, plain = totals(strategies.frames(drawn))
    mixed = {}
    for (name, rows), crs in zip(
        drawn.items(), ("EPSG:3857", "EPSG:32615", "EPSG:5070", "EPSG:4269", "EPSG:4326"), strict=False
    ):
        mixed |= {key: f for key, f in strategies.frames({name: rows}, crs=crs).items() if key == name}
    job, found = totals(mixed)
    agree(found, plain)
    assert job.zones.crs == mixed["infestations"].crs


@pytest.mark.parametrize("dimension", ["z", "m", "zm"])
def test_heights_and_measures_are_not_used(dimension: str) -> None:
    drawn = strategies.drawn(6)
    _, plain = totals(strategies.frames(drawn))
    high = strategies.frames(drawn)
    for name, frame in high.items():
        if len(frame):
            shapes = shapely.force_3d(frame.geometry.to_numpy(), 250.0)
            if dimension != "z":
                text = shapely.to_wkt(shapes, rounding_precision=-1)
                tag, more = ("M", "") if dimension == "m" else ("ZM", " 7")
                shapes = shapely.from_wkt(
                    [t.replace(" Z ", f" {tag} ").replace(" 250", f" 250{more}") for t in text]
                )
            high[name] = frame.set_geometry(gpd.GeoSeries(shapes, crs=frame.crs))
    job, found = totals(high)
    agree(found, plain)
    assert job.findings["message"].str.contains("heights or measures").any()
    assert not shapely.has_z(job.zones.geometry.to_numpy()).any()


def test_a_missing_system_is_refused_unless_stated() -> None:
    drawn = strategies.drawn(7)
    _, plain = totals(strategies.frames(drawn, crs="EPSG:32615"))
    for name in drawn:
        frames = strategies.frames(drawn, crs="EPSG:32615")
        frames[name] = frames[name].set_crs(None, allow_override=True)
        with pytest.raises(wz.CrsError, match=rf"layer {name}.*not stated.*pass crs="):
            wz.Survey(**frames)
        job = strategies.job(wz.Survey(**frames, crs="EPSG:32615"))
        agree(job.totals.set_index(["site", "product"])[TOTALS], plain)


def test_a_stated_system_does_not_overrule_the_layers_own() -> None:
    frames = strategies.frames(strategies.drawn(7))
    _, plain = totals(frames)
    job = strategies.job(wz.Survey(**frames, crs="EPSG:32615"))
    agree(job.totals.set_index(["site", "product"])[TOTALS], plain)


@pytest.mark.parametrize("crs", ["EPSG:4978", "EPSG:5773", "nonsense", 'LOCAL_CS["plan",UNIT["metre",1]]'])
def test_a_system_that_places_nothing_is_refused(crs: str) -> None:
    frames = strategies.frames(strategies.drawn(7))
    bare = {name: frame.set_crs(None, allow_override=True) for name, frame in frames.items()}
    with pytest.raises(wz.WeedzoneError):
        wz.Survey(**bare, crs=crs)


def swapped(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    turned = shapely.transform(frame.geometry.to_numpy(), lambda xy: xy[:, ::-1])
    return frame.set_geometry(gpd.GeoSeries(turned, crs=frame.crs))


@pytest.mark.parametrize("lon_lat", [(-93.27, 44.98), (10.4, 52.3), (151.2, -33.8), (-3.7, 40.4)])
@pytest.mark.parametrize("layer", ["turf", "infestations", "keep_out", "boundary"])
def test_one_layer_with_its_axes_swapped_is_refused(lon_lat: tuple[float, float], layer: str) -> None:
    drawn = strategies.drawn(0)
    drawn.setdefault("boundary", [({"site": "lot 1"}, shapely.box(0, 0, 50, 50))])
    drawn["keep_out"] = drawn["keep_out"] or [({"site": "lot 1", "kind": "pond"}, shapely.box(0, 0, 5, 5))]
    frames = strategies.frames(drawn, *lon_lat)
    wz.Survey(**frames)
    frames[layer] = swapped(frames[layer])
    with pytest.raises(wz.CrsError, match=r"swapped.*first") as caught:
        wz.Survey(**frames)
    assert f"layer {layer}" in str(caught.value)


@pytest.mark.parametrize(
    ("crs", "lon_lat"),
    [
        ("EPSG:4326", (-93.27, 44.98)),  # no latitude goes so far
        ("EPSG:4326", (5.0, 51.0)),  # could be either: not recognised, see below
        ("EPSG:32615", (-93.27, 44.98)),
        ("EPSG:2263", (-73.95, 40.75)),
        ("EPSG:3035", (10.4, 52.3)),  # Germany turned is the sea off Ireland: could be either too
        ("EPSG:5070", (-93.27, 44.98)),
    ],
)
def test_every_layer_with_its_axes_swapped(crs: str, lon_lat: tuple[float, float]) -> None:
    """Recognised wherever the coordinates then fall outside what the system is for."""
    frames = {n: swapped(f) for n, f in strategies.frames(strategies.drawn(0), *lon_lat, crs=crs).items()}
    if lon_lat in ((5.0, 51.0), (10.4, 52.3)):
        wz.Survey(**frames)  # a place like any other
        return
    with pytest.raises(wz.CrsError, match="swapped"):
        wz.Survey(**frames)


def test_a_layer_elsewhere_is_refused() -> None:
    frames: dict[str, Any] = strategies.frames(strategies.drawn(0))
    frames["turf"] = strategies.frames(strategies.drawn(0), -90.0, 40.0)["turf"]
    with pytest.raises(wz.SurveyError, match="more than 100 km apart"):
        wz.Survey(**frames)
