"""Local rules: by kind, use and district; they only ever widen, and nothing unknown is taken."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely

import weedzone as wz
from weedzone.kit.label import Active, Label, Rate
from weedzone.kit.policy import Policy, read_policy
from weedzone.kit.rig import Sprayer
from weedzone.weather.limits import strictest

CRS = "EPSG:32615"
X, Y = 500_000.0, 4_980_000.0
RIG = Sprayer(name="rig", swath_m=None, pace_mps=None, tank_L=15.0, carrier_L_per_m2=0.04)
FT = 0.3048

COUNTY = """
name = "Mill County"
[buffers]
pond = "50 ft"
default = "2 ft"
[buffers.broadcast]
ponds = "60 ft"
[[district]]
name = "well field"
shape = "well_field.geojson"
[district.buffers]
well = "100 ft"
[district.buffers.broadcast]
pond = "70 ft"
[weather]
wind_max = "8 mph"
temperature = ["50 degF", "85 degF"]
[nitrogen]
per_year = "4 lb/ksqft"
"""


def write(folder: Path, text: str = COUNTY, west: float = X + 100.0, crs: str = CRS) -> Path:
    shape = gpd.GeoDataFrame(geometry=[shapely.box(west, Y - 500, west + 400, Y + 500)], crs=CRS).to_crs(crs)
    shape.to_file(folder / "well_field.geojson", driver="GeoJSON")
    file = folder / "county.toml"
    file.write_text(text)
    return file


def survey(*features: tuple[str, Any]) -> wz.Survey:
    lawn = shapely.box(X - 50, Y - 50, X + 50, Y + 50)
    return wz.Survey(
        turf=gpd.GeoDataFrame({"turf": ["tall fescue"]}, geometry=[lawn], crs=CRS),
        infestations=gpd.GeoDataFrame({"weed": ["dandelion"]}, geometry=[lawn], crs=CRS),
        keep_out=gpd.GeoDataFrame(
            {"kind": [kind for kind, _ in features]}, geometry=[shape for _, shape in features], crs=CRS
        ),
    )


def label(**more: Any) -> Label:
    base: dict[str, Any] = {
        "name": "Demo A",
        "form": "liquid",
        "actives": (Active("2,4-D", 0.4, "4"),),
        "tolerant": frozenset({"tall fescue"}),
        "caution": {},
        "weeds": {"dandelion": "good"},
        "rates": (Rate("spot", (1e-4, 1e-4), None, None), Rate("broadcast", (1e-4, 1e-4), None, None)),
        "buffers_m": {"pond": 3.0, "well": 3.0},
    }
    return Label(**(base | more))


def sized(ground: wz.Survey, policy: Policy | None, use: str = "spot", **more: Any) -> wz.Job:
    return wz.size_job(ground, {"Demo A": label(**more)}, RIG, use=use, on="2026-05-10", policy=policy)


def reasons(job: wz.Job) -> list[str]:
    return list(job.ledger.loc[job.ledger["outcome"] == "buffer", "reason"])


POND, WELL, TREE = (
    ("pond", shapely.Point(X, Y)),
    ("well", shapely.Point(X + 30, Y)),
    ("tree", shapely.Point(X - 30, Y)),
)


def test_everything_of_the_file_is_read(tmp_path: Path) -> None:
    policy = read_policy(write(tmp_path))
    assert policy.name == "Mill County"
    assert policy.buffers.general == pytest.approx({"pond": 50 * FT, "default": 2 * FT})
    assert policy.buffers.by_use["broadcast"] == pytest.approx({"pond": 60 * FT})
    assert [district.name for district in policy.districts] == ["well field"]
    # 4 lb/1,000 ft2 = 4 x 0.45359237 kg / 92.90304 m2 (NIST Handbook 44, appendix C; from memory)
    assert policy.nitrogen.per_year == pytest.approx(4 * 0.45359237 / 92.90304)
    assert strictest(label(), policy.weather).wind_max_mps == pytest.approx(8 * 0.44704)


def test_distances_by_kind_use_and_district(tmp_path: Path) -> None:
    ground = survey(POND, WELL, TREE)
    far = read_policy(write(tmp_path, west=X + 2000.0))
    assert far.distances_m(ground.keep_out, "spot") / FT == pytest.approx([50, 2, 2])
    assert far.distances_m(ground.keep_out, "broadcast") / FT == pytest.approx([60, 2, 2])
    near = read_policy(write(tmp_path, west=X - 200.0))
    assert near.distances_m(ground.keep_out, "spot") / FT == pytest.approx([50, 100, 2])
    assert near.distances_m(ground.keep_out, "broadcast") / FT == pytest.approx([70, 100, 2])
    assert list(near.rules(ground.keep_out, "broadcast")[1]) == ["well field", "well field", "Mill County"]
    bare = Policy()
    assert np.isnan(bare.distances_m(ground.keep_out, "spot")).all()


@pytest.mark.parametrize("crs", [CRS, "EPSG:4326"])
def test_a_district_reaches_as_far_as_its_distance(tmp_path: Path, crs: str) -> None:
    """A well across the line counts while ground inside the district lies within its 100 ft."""
    for gap, holds in ((0.0, True), (29.0, True), (30.0, True), (32.5, False)):
        policy = read_policy(write(tmp_path, west=X + 30.0 + gap, crs=crs))
        metres = policy.distances_m(survey(POND, WELL).keep_out, "spot")[1]
        assert (metres > 50 * FT) is np.True_ if holds else metres == pytest.approx(2 * FT)


def test_the_largest_wins_and_the_ledger_names_the_rule(tmp_path: Path) -> None:
    ground = survey(POND, WELL, TREE)
    job = sized(ground, read_policy(write(tmp_path, west=X - 200.0)))
    well = "within 100 ft of: well (policy: well field; Demo A)"
    pond = "within 50 ft of: pond (policy: Mill County; Demo A)"
    assert sorted(reasons(job)) == [
        f"{well} and {pond}",
        "within 2 ft of: tree (policy: Mill County; Demo A)",
    ]
    wide = sized(
        ground, read_policy(write(tmp_path, west=X - 200.0)), buffers_m={"pond": 20.0, "default": 1.0}
    )
    assert "within 65.62 ft of: pond (label; Demo A)" in "".join(reasons(wide))


def test_a_policy_never_adds_ground(tmp_path: Path) -> None:
    ground = survey(POND, WELL, TREE)
    policy = read_policy(write(tmp_path, west=X - 200.0))
    for use in ("spot", "broadcast"):
        for own in ({"pond": 1.0}, {"pond": 30.0, "default": 0.0}, {"default": 12.0}):
            free = shapely.union_all(sized(ground, None, use, buffers_m=own).zones.geometry.to_numpy())
            held = shapely.union_all(sized(ground, policy, use, buffers_m=own).zones.geometry.to_numpy())
            assert held.difference(free.buffer(1e-5)).area < 1e-5
            assert held.area < free.area


def test_state_rule_of_25_ft_to_water(tmp_path: Path) -> None:
    """01-026 C.M.R. ch. 29 s.6: no broadcast within 25 ft of high water; spot work is not covered by it.

    Row L01 of check_values.csv.
    """
    policy = read_policy(write(tmp_path, '[buffers.broadcast]\npond = "25 ft"\n'))
    ground = survey(("pond", shapely.box(X - 5, Y - 5, X + 5, Y + 5)))
    sprayed = shapely.union_all(sized(ground, policy, "broadcast").zones.geometry.to_numpy())
    # 0.9996: scale of the UTM grid on its central meridian
    assert sprayed.distance(ground.keep_out.geometry.iloc[0]) >= 25 * FT * 0.9996 * (1 - 1e-5)
    assert "within 25 ft of: pond (policy; Demo A)" in reasons(sized(ground, policy, "broadcast"))
    assert "within 9.843 ft of: pond (label; Demo A)" in reasons(sized(ground, policy, "spot"))


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ('[buffer]\npond = "5 ft"', "buffer"),
        ("[buffers]\npond = 5", "pond"),
        ('[buffers]\npond = "5 gal"', "pond"),
        ('[buffers.sprayed]\npond = "5 ft"', "sprayed"),
        ('[weather]\nwind = "5 mph"', "wind"),
        ('[weather]\nwind_max = "5 ft"', "wind_max"),
        ('[nitrogen]\nper_visit = "1 lb/ksqft"', "per_visit"),
        ('[[district]]\nshape = "well_field.geojson"', "name"),
        ('[[district]]\nname = "a"\nshape = "no.geojson"', "no.geojson"),
        ('[[district]]\nname = "a"\nshape = "county.toml"', "county.toml"),
        ('[[district]]\nname = "a"\nshape = "well_field.geojson"\nbuffer = "5 ft"', "buffer"),
        ('[[district]]\nname = "a"\nshape = "well_field.geojson"\n' * 2, "one name"),
        ("name = ", "TOML"),
    ],
)
def test_what_is_not_known_is_refused(tmp_path: Path, text: str, names: str) -> None:
    with pytest.raises(wz.WeedzoneError) as caught:
        read_policy(write(tmp_path, text))
    assert "county.toml" in str(caught.value)
    assert names in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_district_of_points_or_nothing_is_refused(tmp_path: Path) -> None:
    text = '[[district]]\nname = "a"\nshape = "well_field.geojson"\n[district.buffers]\npond = "5 ft"\n'
    file = write(tmp_path, text)
    for shapes in ([shapely.Point(1, 1)], [shapely.Polygon()], []):
        gpd.GeoDataFrame(geometry=shapes, crs="EPSG:4326").to_file(
            tmp_path / "well_field.geojson", driver="GeoJSON"
        )
        with pytest.raises(wz.InputError, match="polygon"):
            read_policy(file)
