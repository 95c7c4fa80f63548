"""What the plan must reach on three invented places; `tests/data/places` stays as it is when the samples change."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import shapely

import weedzone as wz
from weedzone.zones import pieces
from weedzone.zones.pieces import hand_over

PLACES = Path(__file__).parents[1] / "data" / "places"
DAY = "2026-05-20"


def planned(place: str, **options: str) -> wz.Job:
    survey, rig = wz.read_survey(PLACES / f"{place}.gpkg"), wz.read_rig(PLACES / "rigs.toml", "backpack")
    return wz.size_job(survey, wz.read_labels(PLACES / "labels"), rig, on=DAY, **options)


def most_ground(place: str) -> float:
    return float(planned(place, worth="0 ft2", min_width="0 ft", min_area="0 ft2").zones["area_ft2"].sum())


def thin_but_not_mapped(job: wz.Job, width_ft: float = 1.0) -> int:
    """Connected pieces of one product in which no circle of the width fits and that hold no patch as it was drawn."""
    flat = job.zones.estimate_utm_crs()
    ground = job.zones.to_crs(flat).dissolve(["site", "product"]).buffer(1e-3).explode().to_numpy()
    thin = ground[shapely.is_empty(shapely.buffer(ground, -0.999 * width_ft * 0.3048 / 2 - 1e-3))]
    drawn = job.survey.infestations.to_crs(flat).geometry.to_numpy()
    return sum(not shapely.covers(piece, drawn).any() for piece in thin)


def test_the_single_lawn_takes_one_mix_and_nothing_thin() -> None:
    job = planned("alder_court")
    assert len(job.totals) == 1
    assert job.zones["area_ft2"].sum() == pytest.approx(1552.457, abs=5e-3)
    assert thin_but_not_mapped(job) == 0


def test_28_lots_take_few_mixes_and_keep_most_of_the_ground() -> None:
    job = planned("quince_bend")
    assert len(job.totals) <= 36
    assert job.zones["area_ft2"].sum() >= 0.93 * 13_837
    assert most_ground("quince_bend") == pytest.approx(13_836.75, abs=0.5)
    assert thin_but_not_mapped(job) == 0
    assert thin_but_not_mapped(planned("quince_bend", min_width="0 ft", min_area="0 ft2")) > 0


def test_the_sports_ground_takes_two_products_and_no_turf_with_a_caution() -> None:
    job = planned("heron_flats")
    assert job.totals["product"].nunique() <= 2
    assert (job.zones["caution"] == "").all()
    assert job.zones["area_ft2"].sum() == pytest.approx(31_349, abs=5.0)


def test_handing_over_again_moves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    moved: list[int] = []

    def twice(parts: Any, given: Any, *more: Any) -> Any:
        product, dose, whole = hand_over(parts, given, *more)
        again, dose_again, _ = hand_over(parts, replace(given, product=product, dose=dose), *more)
        assert (again == product).all()
        assert (dose_again == dose).all()
        moved.append(int((product != given.product).sum()))
        return product, dose, whole

    monkeypatch.setattr(pieces, "hand_over", twice)
    for place in ("alder_court", "quince_bend", "heron_flats"):
        for width in ("1 ft", "4 ft"):
            planned(place, worth="0 ft2", min_width=width)
    assert min(moved) >= 2
