"""What people type: nothing that is not understood may add treated ground."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import strategies

import weedzone as wz
from weedzone.base.names import chief_name, known_kinds

DAY = "2026-05-20"
LETTERS = "abcdefghijklmnopqrstuvwxyz"
MOST = {"worth": "0 ft2", "min_width": "0 ft", "min_area": "0 ft2", "on": DAY}
X, Y, CRS = 500_000, 4_400_000, "EPSG:26915"


def treated(layers: dict[str, gpd.GeoDataFrame], **more: Any) -> float:
    job = wz.size_job(wz.Survey(**layers), strategies.labels(), strategies.rig(), **{**MOST, **more})
    return float(job.ledger.query("outcome == 'treated'")["area_m2"].sum())


def misspelt(rng: np.random.Generator, word: str) -> str:
    """One letter more, less, other, or two in the wrong order."""
    at, letter = int(rng.integers(len(word))), str(rng.choice(list(LETTERS)))
    return str(
        rng.choice([
            word[:at] + word[at + 1 :],
            word[:at] + letter + word[at:],
            word[:at] + letter + word[at + 1 :],
            word[:at] + word[at : at + 2][::-1] + word[at + 2 :],
        ])
    )  # fmt: skip


def column_misspelt(rng: np.random.Generator, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    column = str(rng.choice([name for name in frame.columns if name != "geometry"]))
    return frame.rename(columns={column: misspelt(rng, column)})


def name_misspelt(rng: np.random.Generator, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame | None:
    column = next((name for name in ("turf", "weed", "kind", "product") if name in frame.columns), None)
    if column is None:
        return None
    old = str(rng.choice(frame[column].unique()))
    new, of = misspelt(rng, old), column if column != "product" else "active"
    known = {chief_name(old, of), *(known_kinds() if column == "kind" else ())}
    if chief_name(new, of) in known:
        return None
    return frame.assign(**{column: frame[column].replace(old, new)})


@pytest.fixture(scope="module")
def grounds() -> dict[str, tuple[dict[str, gpd.GeoDataFrame], float]]:
    return {
        name: (strategies.file_frames(name), treated(strategies.file_frames(name)))
        for name in ("alder_court", "heron_flats")
    }


@pytest.mark.parametrize("seed", range(60))
def test_a_misspelling_never_adds_treated_ground(
    seed: int, grounds: dict[str, tuple[dict[str, gpd.GeoDataFrame], float]]
) -> None:
    rng = np.random.default_rng(seed)
    layers, before = grounds["alder_court" if seed % 4 else "heron_flats"]
    layer, changed = None, None
    while changed is None:  # what makes another known word is drawn again
        layer = str(rng.choice([name for name in layers if len(layers[name])]))
        changed = (
            column_misspelt(rng, layers[layer]) if rng.random() < 0.5 else name_misspelt(rng, layers[layer])
        )
    try:
        after = treated({**layers, layer: changed})
    except wz.WeedzoneError:
        return
    assert after <= before + 1e-6, layer


def plot(kind: str) -> dict[str, gpd.GeoDataFrame]:
    """A lawn of 30 by 20 m, all of it with dandelion, and one feature in its middle."""
    lawn = [shapely.box(X, Y, X + 30, Y + 20)]
    return {
        "turf": gpd.GeoDataFrame({"turf": ["tall fescue"]}, geometry=lawn, crs=CRS),
        "infestations": gpd.GeoDataFrame({"weed": ["dandelion"]}, geometry=lawn, crs=CRS),
        "keep_out": gpd.GeoDataFrame(
            {"kind": [kind]}, geometry=[shapely.box(X + 14, Y + 9, X + 16, Y + 11)], crs=CRS
        ),
    }


def policy(folder: Path, text: str) -> wz.Policy:
    file = folder / "policy.toml"
    file.write_text(text, encoding="utf-8")
    return wz.read_policy(file)


def test_the_policy_says_what_a_word_means(tmp_path: Path) -> None:
    house = policy(tmp_path, '[kinds]\nlagoon = "pond"\ntrampoline = "other"\n')
    assert treated(plot("lagoon"), policy=house) == pytest.approx(treated(plot("pond")))
    assert treated(plot("trampoline"), policy=house) == pytest.approx(treated(plot("other")))
    assert treated(plot("lagoon")) < treated(plot("pond"))
    job = wz.size_job(
        wz.Survey(**plot("lagoon")), strategies.labels(), strategies.rig(), policy=house, **MOST
    )
    assert job.ledger["reason"].str.contains("lagoon").any()


def test_a_meaning_never_narrows_what_the_word_itself_has(tmp_path: Path) -> None:
    house = policy(tmp_path, '[buffers]\nlagoon = "30 ft"\n[kinds]\nlagoon = "other"\n')
    wide = policy(tmp_path, '[buffers]\nlagoon = "30 ft"\n')
    assert treated(plot("lagoon"), policy=house) == pytest.approx(treated(plot("lagoon"), policy=wide))


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('pond = "other"', "known already"),
        ('lagoon = "ponnd"', "did you mean 'pond'"),
        ("lagoon = 5", "lagoon"),
    ],
)
def test_kinds_of_a_policy_that_cannot_be_meant(line: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(wz.InputError, match=said):
        policy(tmp_path, f"[kinds]\n{line}\n")


def test_what_an_unknown_kind_costs_is_said() -> None:
    layers = plot("gazebo")
    job = wz.size_job(wz.Survey(**layers), strategies.labels(), strategies.rig(), **MOST)
    [said] = [text for text in job.findings["message"] if "leaves out" in text]
    lost = (treated(plot("fence")) - treated(layers)) / 0.3048**2
    assert f"it leaves out {lost:,.0f} ft2" in said
    assert lost > 100


def test_a_misspelt_kind_costs_a_portfolio_only_the_sites_it_may_reach(tmp_path: Path) -> None:
    layers = strategies.file_frames("quince_bend")
    metres = layers["infestations"].estimate_utm_crs()
    ground = layers["infestations"].to_crs(metres).dissolve("site").geometry
    shape = ground.loc["lot 09"].centroid.buffer(1)
    slip = gpd.GeoDataFrame({"site": [None], "kind": ["ponnd"]}, geometry=[shape], crs=metres)
    layers["keep_out"] = pd.concat(
        [layers["keep_out"], slip.to_crs(layers["keep_out"].crs)], ignore_index=True
    )
    for name, frame in layers.items():
        frame.to_file(tmp_path / "lots.gpkg", layer=name)
    found = wz.size_portfolio(
        tmp_path / "lots.gpkg", strategies.labels(), strategies.rig(), out=tmp_path / "out", on=DAY
    )
    assert "lot 09" in found.failed
    assert 1 <= len(found.failed) < 14
    assert "did you mean 'pond'" in "\n".join(found.findings()["message"])
