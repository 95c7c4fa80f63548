"""A mapped feature keeps spray off whoever's lot it is on; one out of place, unnamed or unread is not lost."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

import weedzone as wz
from weedzone.base.names import chief_name, known_kinds
from weedzone.kit.policy import Buffers

SAMPLES = Path(__file__).parents[2] / "sample_sites"
CRS = "EPSG:26915"
X, Y = 500_000.0, 4_400_000.0
FT = 0.3048


@pytest.fixture(scope="module")
def labels() -> dict[str, wz.Label]:
    return {"Demo Trio": wz.read_labels(SAMPLES / "labels")["Demo Trio"]}


@pytest.fixture(scope="module")
def rig() -> wz.Sprayer:
    return wz.read_rig(SAMPLES / "rigs.toml", "backpack")


def lots(**keep_out: Any) -> dict[str, gpd.GeoDataFrame]:
    """Two lots side by side, each of 30 m, wholly infested."""
    boxes = [shapely.box(X, Y, X + 30, Y + 30), shapely.box(X + 30, Y, X + 60, Y + 30)]
    return {
        "turf": gpd.GeoDataFrame({"site": ["a", "b"], "turf": "tall fescue"}, geometry=boxes, crs=CRS),
        "infestations": gpd.GeoDataFrame({"site": ["a", "b"], "weed": "dandelion"}, geometry=boxes, crs=CRS),
        "keep_out": gpd.GeoDataFrame(keep_out, geometry="geometry", crs=CRS),
    }


POND = {"site": ["a"], "kind": ["pond"], "geometry": [shapely.box(X + 20, Y + 10, X + 30, Y + 20)]}


def test_a_neighbours_pond_keeps_its_buffer(labels: dict[str, wz.Label], rig: wz.Sprayer) -> None:
    job = wz.size_job(wz.Survey(**lots(**POND)), labels, rig, on="2026-05-20")
    pond = shapely.box(X + 20, Y + 10, X + 30, Y + 20)
    for zone in job.zones.itertuples():
        # UTM shrinks lengths by 4 in 10,000 on its middle line.
        assert zone.geometry.distance(pond) >= 25 * FT * 0.9995
    # By hand, to the flatness of the projection: b loses a half disc's corners and a 10 m by 25 ft strip.
    d = 25 * FT
    lost = 10 * d + 3.14159265 * d * d / 2
    ledger = job.ledger[job.ledger["site"] == "b"].set_index("outcome")["area_m2"]
    assert ledger["buffer"] == pytest.approx(lost, rel=5e-3)


def test_it_does_not_matter_whose_the_pond_is(labels: dict[str, wz.Label], rig: wz.Sprayer) -> None:
    areas = []
    for owner in ("a", "b", None):
        job = wz.size_job(wz.Survey(**lots(**{**POND, "site": [owner]})), labels, rig, on="2026-05-20")
        areas.append(job.zones.groupby("site")["area_m2"].sum().to_dict())
    assert areas[0] == pytest.approx(areas[1], rel=1e-6)
    assert areas[0] == pytest.approx(areas[2], rel=1e-6)


def test_blocks_lend_each_other_their_features(
    tmp_path: Path, labels: dict[str, wz.Label], rig: wz.Sprayer
) -> None:
    layers = lots(**POND)
    source = tmp_path / "source"
    source.mkdir()
    for name, layer in layers.items():
        layer.to_parquet(source / f"{name}.parquet")
    whole = wz.size_job(wz.Survey(**layers), labels, rig, on="2026-05-20")
    made = wz.size_portfolio(source, labels, rig, out=tmp_path / "out", block=1, on="2026-05-20")
    left, right = (frame.groupby("site")["area_m2"].sum() for frame in (made.read("zones"), whole.zones))
    assert left.to_dict() == pytest.approx(right.to_dict(), rel=1e-6)


@pytest.mark.parametrize("move", [(5e6, 0.0), (0.0, -4.4e6), (2e5, 0.0)])
def test_a_feature_out_of_place_is_refused(move: tuple[float, float]) -> None:
    far = shapely.transform(POND["geometry"][0], lambda xy: xy + np.array(move))
    with pytest.raises(wz.WeedzoneError, match="keep_out"):
        wz.Survey(**lots(**{**POND, "geometry": [far]}))


def test_a_feature_some_way_off_is_said() -> None:
    far = shapely.transform(POND["geometry"][0], lambda xy: xy + np.array([20_000.0, 0.0]))
    found = wz.Survey(**lots(**{**POND, "geometry": [far]})).findings
    assert found["message"].str.contains("20 km").any()


@pytest.mark.parametrize("column", ["buffer", "buffer_yd", "Buffer (ft)"])
def test_a_buffer_under_another_name_is_refused(column: str) -> None:
    with pytest.raises(wz.SurveyError, match="buffer_ft"):
        wz.Survey(**lots(**POND, **{column: [60.0]}))


@pytest.mark.parametrize(
    ("kind", "feet"),
    [(None, 50), ("", 50), ("pnd", 50), ("lagoon", 50), ("storm drain", 50), ("spring", 50), ("shed", 3)],
)
def test_kinds_that_no_label_names(
    kind: str | None, feet: float, labels: dict[str, wz.Label], rig: wz.Sprayer
) -> None:
    job = wz.size_job(wz.Survey(**lots(**{**POND, "kind": [kind]})), labels, rig, on="2026-05-20")
    nearest = job.zones.distance(POND["geometry"][0]).min()
    # The widest distance where nobody wrote the kind down or nobody knows it; a known kind that the label does not name
    # gets the label's default.
    assert nearest == pytest.approx(feet * FT, rel=5e-3)
    said = job.findings[job.findings["layer"] == "keep_out"]["message"]
    assert len(said) == 1
    if kind == "pnd":
        assert "did you mean 'pond'" in said.iloc[0]


def test_a_slip_of_the_finger_in_a_kind_is_refused(labels: dict[str, wz.Label], rig: wz.Sprayer) -> None:
    survey = wz.Survey(**lots(**{**POND, "kind": ["ponnd"]}))
    with pytest.raises(wz.InputError, match=r"keep_out.*'ponnd'.*did you mean 'pond'"):
        wz.size_job(survey, labels, rig, on="2026-05-20")


def policy_of(folder: Path, text: str) -> wz.Policy:
    file = folder / "policy.toml"
    file.write_text(text, encoding="utf-8")
    return wz.read_policy(file)


@pytest.mark.parametrize("kind", [None, "", "wel", "lagoon"])
@pytest.mark.parametrize(
    ("rules", "feet"),
    [
        ('default = "1 ft"', 50),
        ('pond = "60 ft"', 60),
        ('[[district]]\nname = "d"\nshape = "d.geojson"\n[district.buffers]\nwell = "70 ft"', 70),
    ],
)
def test_a_local_rule_never_narrows_a_kind_that_nobody_knows(
    kind: str | None, rules: str, feet: float, tmp_path: Path, labels: dict[str, wz.Label], rig: wz.Sprayer
) -> None:
    # The label's widest is 50 ft; a rule's default names no kind, and what a rule keeps from any kind holds here too.
    gpd.GeoDataFrame(geometry=[shapely.box(X, Y, X + 60, Y + 30)], crs=CRS).to_file(tmp_path / "d.geojson")
    policy = policy_of(tmp_path, f"[buffers]\n{rules}\n")
    job = wz.size_job(
        wz.Survey(**lots(**{**POND, "kind": [kind]})), labels, rig, on="2026-05-20", policy=policy
    )
    assert job.zones.distance(POND["geometry"][0]).min() == pytest.approx(feet * FT, rel=5e-3)
    assert (job.findings["layer"] == "keep_out").sum() == 1


def test_a_rules_default_does_not_let_a_slip_pass(
    tmp_path: Path, labels: dict[str, wz.Label], rig: wz.Sprayer
) -> None:
    policy = policy_of(tmp_path, '[buffers]\ndefault = "1 ft"\n')
    survey = wz.Survey(**lots(**{**POND, "kind": ["ponnd"]}))
    with pytest.raises(wz.InputError, match="did you mean 'pond'"):
        wz.size_job(survey, labels, rig, on="2026-05-20", policy=policy)


def test_a_downwind_distance_holds_for_a_kind_that_nobody_knows(
    labels: dict[str, wz.Label], rig: wz.Sprayer
) -> None:
    far = {name: replace(label, downwind_m={"pond": 60 * FT}) for name, label in labels.items()}
    job = wz.size_job(wz.Survey(**lots(**{**POND, "kind": ["lagoon"]})), far, rig, on="2026-05-20")
    assert job.zones.distance(POND["geometry"][0]).min() == pytest.approx(60 * FT, rel=5e-3)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_misspelt_kind_never_adds_treated_ground(
    data: st.DataObject, labels: dict[str, wz.Label], rig: wz.Sprayer
) -> None:
    label = labels["Demo Trio"]
    kind = data.draw(st.sampled_from([*sorted(set(label.buffers_m) - {"default"}), "shed", "street"]))
    downwind = data.draw(st.sampled_from([{}, {"pond": 18.0}, {"default": 17.0, "well": 2.0}]))
    rules = data.draw(
        st.dictionaries(st.sampled_from(["default", "pond", "shed", "well"]), st.floats(0.0, 18.0))
    )
    at = data.draw(st.integers(0, len(kind)))
    cut, put = data.draw(st.integers(0, 2)), data.draw(st.text("abcdeilnorstuwyz ", max_size=3))
    typed = kind[:at] + put + kind[at + cut :]
    assume(chief_name(typed, "kind") not in known_kinds() | set(label.buffers_m) | set(rules))
    means = {
        "labels": {label.name: replace(label, downwind_m=downwind)},
        "rig": rig,
        "on": "2026-05-20",
        "policy": wz.Policy(buffers=Buffers(rules)),
    }

    def treated_m2(kind: str) -> float:
        return float(
            wz.size_job(wz.Survey(**lots(**{**POND, "kind": [kind]})), **means).zones["area_m2"].sum()
        )

    area, refusal = 0.0, "did you mean"
    try:
        area = treated_m2(typed)
    except wz.InputError as error:
        refusal = str(error)
    assert "did you mean" in refusal
    assert area <= treated_m2(kind) + 1e-6


def test_all_layers_with_easting_and_northing_exchanged() -> None:
    turned = {
        name: layer.set_geometry(
            shapely.transform(layer.geometry.to_numpy(), lambda xy: xy[:, ::-1]), crs=CRS
        )
        for name, layer in lots(**POND).items()
    }
    with pytest.raises(wz.CrsError, match="swapped"):
        wz.Survey(**turned)
