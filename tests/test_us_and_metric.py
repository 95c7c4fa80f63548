"""A rig and a label written in US units give the job that they give in metric ones."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

import weedzone as wz

# NIST Handbook 44, Appendix C: gallon = 231 in3, pound = 0.45359237 kg, foot = 0.3048 m; all exact.
GAL_L, LB_KG, KSQFT_M2 = 3.785411784, 0.45359237, 92.90304

LABEL = """
name = "Demo Both"
form = "liquid"
[[active]]
name = "2,4-D"
concentration = "{concentration}"
[turf]
tolerant = ["tall fescue"]
[weeds]
"dandelion" = "good"
[[rate]]
use = "broadcast"
dose = "{dose}"
volume = "{volume}"
[adjuvant]
name = "non-ionic surfactant"
rate = "0.25 %"
[limits]
per_application = "{limit}"
[buffers]
pond = "{buffer}"
"""
RIG = '[rig.one]\nkind = "sprayer"\ntank = "{tank}"\nunusable = "{unusable}"\n'


def job(folder: Path, texts: dict[str, str], survey: wz.Survey) -> wz.Job:
    folder.mkdir(exist_ok=True)
    folder.joinpath("label.toml").write_text(LABEL.format(**texts), encoding="utf-8")
    folder.joinpath("rig.toml").write_text(RIG.format(**texts), encoding="utf-8")
    labels, rig = wz.read_labels(folder / "label.toml"), wz.read_rig(folder / "rig.toml")
    return wz.size_job(survey, labels, rig, use="broadcast", on="2026-05-20")


@pytest.fixture(scope="module")
def survey() -> wz.Survey:
    def layer(shape: shapely.Geometry, **columns: str) -> gpd.GeoDataFrame:
        return gpd.GeoDataFrame(
            {name: [one] for name, one in columns.items()}, geometry=[shape], crs="EPSG:6933"
        )

    return wz.Survey(
        turf=layer(shapely.box(0, 0, 80, 60), turf="tall fescue"),
        infestations=layer(shapely.box(5, 5, 70, 50), weed="dandelion"),
        keep_out=layer(shapely.box(60, 40, 75, 55), kind="pond"),
    )


@settings(max_examples=40)
@given(
    tank=st.floats(1, 60),
    dose=st.floats(0.1, 1.0),
    volume=st.floats(0.5, 5.0),
    concentration=st.floats(0.5, 4.0),
    buffer=st.floats(1, 60),
)
def test_us_and_metric_give_the_same_job(
    tmp_path_factory: pytest.TempPathFactory,
    survey: wz.Survey,
    tank: float,
    dose: float,
    volume: float,
    concentration: float,
    buffer: float,
) -> None:
    folder = tmp_path_factory.mktemp("units")
    us = {
        "tank": f"{tank!r} gal",
        "unusable": f"{tank / 20!r} gal",
        "dose": f"{dose!r} fl oz/ksqft",
        "volume": f"{volume!r} gal/1000 sq ft",
        "concentration": f"{concentration!r} lb/gal",
        "limit": "6 lb/acre",
        "buffer": f"{buffer!r} ft",
    }
    metric = {
        "tank": f"{tank * GAL_L!r} L",
        "unusable": f"{tank / 20 * GAL_L * 1000!r} mL",
        "dose": f"{dose * GAL_L / 128 / KSQFT_M2 * 10_000!r} L/ha",
        "volume": f"{volume * GAL_L / KSQFT_M2 * 10_000!r} L/ha",
        "concentration": f"{concentration * LB_KG / GAL_L * 1000!r} g/L",
        "limit": f"{6 * LB_KG / (43.56 * KSQFT_M2) * 10_000!r} kg/ha",
        "buffer": f"{buffer * 0.3048!r} m",
    }
    left, right = job(folder, us, survey), job(folder, metric, survey)
    assert len(left.loads) == len(right.loads)
    for column in ("area_m2", "solution_L", "water_L", "product_amount", "adjuvant_floz"):
        assert left.loads[column].to_list() == pytest.approx(
            right.loads[column].to_list(), rel=1e-9, abs=1e-9
        )
        assert left.totals[column].to_list() == pytest.approx(right.totals[column].to_list(), rel=1e-9)
