"""What is left on each patch: sums by hand, whole areas, and the days on which ground opens."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely

import weedzone as wz
from weedzone.kit.label import Active, Label, Limits, Rate
from weedzone.sizing.allowances import allowance

CRS = "EPSG:32615"
X, Y = 500_000.0, 4_980_000.0
SAMPLES = Path(__file__).parents[2] / "sample_sites"
# 1 lb/acre in kg/m2 and the same in kg/ha: NIST Handbook 44, appendix C (from memory); 1.1209 kg/ha is the usual print.
LB_PER_ACRE = 0.45359237 / (43_560 * 0.3048**2)


def label(name: str = "Demo A", **more: Any) -> Label:
    base: dict[str, Any] = {
        "name": name,
        "form": "liquid",
        "actives": (Active("2,4-D", 0.4, "4"), Active("dicamba", 0.05, "4")),
        "tolerant": frozenset({"tall fescue"}),
        "caution": {},
        "weeds": {"dandelion": "good"},
        "rates": (Rate("spot", (LB_PER_ACRE, 3 * LB_PER_ACRE), None, None),),
        "limits": {"2,4-D": Limits(None, 1.5 * LB_PER_ACRE)},
        "interval_days": (30.0, 40.0),
        "applications_per_year": 3,
    }
    return Label(**(base | more))


def litres(pounds: float) -> str:
    """Dose of the label above that puts down pounds of 2,4-D an acre."""
    return f"{pounds * LB_PER_ACRE / 0.4 * 10_000:.12f} L/ha"


def survey(*history: tuple[float, float, str, str, str]) -> wz.Survey:
    """Two patches, 10 m by 10 m and 6 m by 10 m, 4 m apart; history rows are (x0, x1, product, date, dose)."""
    rows = [
        {
            "product": product,
            "date": date,
            "dose": dose,
            "geometry": shapely.box(X + x0, Y - 1, X + x1, Y + 11),
        }
        for x0, x1, product, date, dose in history
    ]
    return wz.Survey(
        turf=gpd.GeoDataFrame(
            {"turf": ["tall fescue"]}, geometry=[shapely.box(X, Y, X + 20, Y + 10)], crs=CRS
        ),
        infestations=gpd.GeoDataFrame(
            {"weed": ["dandelion", "white clover", "dandelion"]},
            geometry=[shapely.box(X + a, Y, X + b, Y + 10) for a, b in ((0, 7), (5, 10), (14, 20))],
            crs=CRS,
        ),
        keep_out=gpd.GeoDataFrame({"kind": ["tree"]}, geometry=[shapely.Point(X, Y + 50)], crs=CRS),
        history=gpd.GeoDataFrame(rows, crs=CRS) if rows else None,
    )


def test_ground_without_history_has_everything_left() -> None:
    found = allowance(survey(), {"Demo A": label()}, on="2026-06-01")
    assert list(found["patch"]) == ["P1", "P1", "P2", "P2"]
    assert list(found["active"]) == ["2,4-D", "dicamba"] * 2
    assert found["area_m2"].to_list()[::2] == pytest.approx([100 / 0.9996**2, 60 / 0.9996**2], rel=1e-4)
    first = found.iloc[0]
    assert (first["applied_lb_per_acre"], first["applications"]) == (0.0, 0)
    assert first["remaining_lb_per_acre"] == first["limit_lb_per_acre"] == pytest.approx(1.5)
    assert first["remaining_kg_per_ha"] == pytest.approx(1.5 * 1.1209, rel=1e-4)
    assert np.isnan(first["days_since"])
    assert first["opens"] == dt.date(2026, 6, 1)
    assert found["remaining_lb_per_acre"].isna().to_list() == [False, True, False, True], (
        "no limit of dicamba"
    )


def test_patches_split_where_the_past_differs_and_sums_add_up() -> None:
    ground = survey((0, 4, "Demo A", "2026-03-01", litres(0.5)), (2, 8, "demo a", "2026-05-20", litres(0.4)))
    found = allowance(ground, {"Demo A": label()}, on="2026-06-01")
    one = found[found["active"] == "2,4-D"].set_index(
        found[found["active"] == "2,4-D"]["applied_lb_per_acre"].round(6)
    )
    assert sorted(one.index) == pytest.approx([0.0, 0.0, 0.4, 0.5, 0.9])
    scale = 10 / 0.9996**2
    areas = one.groupby(level=0)["area_m2"].sum()
    assert areas.to_dict() == pytest.approx(
        {0.0: 8 * scale, 0.4: 4 * scale, 0.5: 2 * scale, 0.9: 2 * scale}, rel=1e-4
    )
    both = one.loc[0.9]
    assert both["remaining_lb_per_acre"] == pytest.approx(0.6)
    assert (both["applications"], both["days_since"]) == (2, 12.0)
    assert both["opens"] == dt.date(2026, 6, 19), "30 days after 20 May"
    assert "Demo A: too soon" in both["reason"]
    early = one.loc[0.5]
    assert (early["opens"], early["reason"]) == (dt.date(2026, 6, 1), "")


def test_used_up_ground_opens_when_the_year_lapses() -> None:
    ground = survey((0, 20, "Demo A", "2026-03-01", litres(1.45)))
    found = allowance(ground, {"Demo A": label()}, on="2026-06-01")
    used = found[found["active"] == "2,4-D"].iloc[0]
    assert used["remaining_lb_per_acre"] == pytest.approx(0.05)
    # the lowest dose of the label is 0.4 lb of 2,4-D an acre
    assert used["opens"] == dt.date(2027, 3, 1)
    assert "yearly limit" in used["reason"]


def test_the_label_that_leaves_least_speaks() -> None:
    strict = label(
        "Demo B",
        actives=(Active("2,4-D amine", 0.4, "4"),),
        limits={"2,4-D amine": Limits(None, LB_PER_ACRE)},
    )
    ground = survey((0, 20, "Demo A", "2026-01-01", litres(0.3)))
    found = allowance(ground, {"Demo A": label(), "Demo B": strict}, on="2026-06-01")
    row = found.iloc[0]
    assert (row["product"], row["limit_lb_per_acre"]) == ("Demo B", pytest.approx(1.0))
    assert row["remaining_lb_per_acre"] == pytest.approx(0.7)
    assert sorted(found["active"].unique()) == ["2,4-D amine", "dicamba"], "one ingredient under two names"


def test_a_product_without_a_label_leaves_nothing() -> None:
    ground = survey((-1, 21, "Demo Lost", "2026-01-01", "1 L/ha"))
    found = allowance(ground, {"Demo A": label()}, on="2026-06-01")
    limited = found[found["limit_lb_per_acre"].notna()]
    assert (limited["remaining_lb_per_acre"] == 0).all()
    assert limited["opens"].iloc[0] == dt.date(2027, 1, 1)


def test_dates_and_labels_are_checked() -> None:
    with pytest.raises(wz.InputError, match="no date"):
        allowance(survey(), {"Demo A": label()}, on="June")
    with pytest.raises(wz.LabelError, match="no label"):
        allowance(survey(), {})


@pytest.mark.slow
@pytest.mark.parametrize("place", ["heron_flats", "alder_court", "quince_bend"])
def test_samples_sum_to_the_infested_ground_and_agree_with_a_job(place: str) -> None:
    ground, labels = wz.read_survey(SAMPLES / place / "survey.gpkg"), wz.read_labels(SAMPLES / "labels")
    found = wz.allowance(ground, labels, on="2026-10-01")
    assert found.crs == ground.crs
    assert found.geometry.is_valid.all()
    patches = found.drop_duplicates(["site", "patch"])
    rig = wz.read_rig(SAMPLES / "rigs.toml", "backpack")
    job = wz.size_job(ground, labels, rig, use="spot", on="2026-10-01")
    assert patches["area_m2"].sum() == pytest.approx(job.ledger["area_m2"].sum(), rel=1e-9)
    by_site = patches.groupby("site")["area_m2"].sum()
    assert by_site.to_dict() == pytest.approx(job.ledger.groupby("site")["area_m2"].sum().to_dict(), rel=1e-9)
    assert (found["remaining_lb_per_acre"].dropna() >= 0).all()
    # Nothing is planned where the map says that an ingredient is closed for every product that holds it.
    for zone in job.zones.itertuples():
        actives = {one.name for one in labels[zone.product].actives}
        here = found[
            (found["site"] == zone.site)
            & found["active"].isin(actives)
            & (found["opens"] > dt.date(2026, 10, 1))
        ]
        shut = here[here["reason"].str.contains(f"{zone.product}: ", regex=False)]
        if len(shut):
            assert shapely.union_all(shut.geometry.to_numpy()).intersection(zone.geometry).area < 1e-6
