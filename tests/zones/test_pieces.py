"""Pieces as wide as the spray: hand-worked lawns, and what holds of any survey."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
import strategies

import weedzone as wz
from weedzone.zones.pieces import common_edge

FT = 0.3048
METRES = "EPSG:5070"
LABELS = {
    name: f"""
name = "{name}"
form = "liquid"
[[active]]
name = "2,4-D"
concentration = "3.8 lb/gal"
[turf]
tolerant = {grasses}
[weeds]
dandelion = "good"
[[rate]]
use = "spot"
mix = "1.5 fl oz/gal"
volume = "1 gal/ksqft"
[[rate]]
use = "broadcast"
dose = "1.2 fl oz/ksqft"
volume = "1 gal/ksqft"
[buffers]
pond = "{pond}"
"""
    for name, grasses, pond in (
        ("Demo Wide", '["tall fescue", "bermudagrass"]', "10 ft"),
        ("Demo Near", '["tall fescue"]', "0 ft"),
    )
}


@pytest.fixture(scope="module")
def labels(tmp_path_factory: pytest.TempPathFactory) -> dict[str, wz.Label]:
    folder = tmp_path_factory.mktemp("labels")
    for name, text in LABELS.items():
        folder.joinpath(f"{name}.toml").write_text(text, encoding="utf-8")
    return dict(wz.read_labels(folder))


def box(x: float, y: float, east: float, north: float) -> shapely.Polygon:
    """A rectangle in feet, in metres of the projected system."""
    return shapely.box(x * FT, y * FT, east * FT, north * FT)


def lawn(
    infested: list[shapely.Polygon],
    keep_out: list[shapely.Polygon],
    turf: list[shapely.Polygon] | None = None,
) -> wz.Survey:
    """Fescue all about, or bermudagrass on the first shape of `turf` and fescue on the others."""
    crs = "EPSG:26975"  # Iowa North, equal to the ground within 1e-4

    def placed(shapes: list[shapely.Polygon]) -> list[shapely.Polygon]:
        return [
            shapely.transform(one, lambda xy: xy + np.array([1_500_000.0, 1_000_000.0])) for one in shapes
        ]

    turf = turf or [box(-51, -51, -50, -50), box(-50, -50, 300, 300)]
    grasses = ["bermudagrass", *["tall fescue"] * (len(turf) - 1)]
    return wz.Survey(
        turf=gpd.GeoDataFrame({"turf": grasses}, geometry=placed(turf), crs=crs),
        infestations=gpd.GeoDataFrame(
            {"weed": ["dandelion"] * len(infested)}, geometry=placed(infested), crs=crs
        ),
        keep_out=gpd.GeoDataFrame({"kind": ["pond"] * len(keep_out)}, geometry=placed(keep_out), crs=crs),
    )


def sized(survey: wz.Survey, labels: dict[str, wz.Label], **options: object) -> wz.Job:
    rig = wz.Sprayer(name="wand", tank_L=15.0)
    return wz.size_job(survey, labels, rig, on="2026-05-10", **{"worth": "0 ft2", **options})  # type: ignore[arg-type]


def ground_ft2(job: wz.Job) -> dict[tuple[str, str], float]:
    table = job.ledger.fillna({"product": ""}).groupby(["outcome", "product"])["area_ft2"].sum()
    return {key: float(area) for key, area in table.items() if area > 0.01}


def yard() -> wz.Survey:
    """100 ft of weeds, 20 ft deep, to the edge of a pond, on bermudagrass and for the last 10 ft on fescue.

    Demo Wide alone may go on bermudagrass, Demo Near alone within 10 ft of the pond (an inch more, for the buffer is
    never narrower): 1,800 and 200 sq ft. A strip of
    fescue, half a foot by 80 ft, lies along the bermudagrass: both may go there.
    """
    turf = [box(0, 0, 90, 20), box(90, 0, 100, 20), box(0, 20, 80, 20.5)]
    return lawn([shapely.union(box(0, 0, 100, 20), box(0, 20, 80, 20.5))], [box(100.1, -50, 120, 100)], turf)


def test_thin_pieces_go_to_a_neighbour_that_may_go_there(labels: dict[str, wz.Label]) -> None:
    near, wide = ("treated", "Demo Near"), ("treated", "Demo Wide")
    options = {"prefer": ["Demo Near"], "min_area": "0 ft2"}
    apart = sized(yard(), labels, **options, min_width="0 ft")
    assert ground_ft2(apart) == pytest.approx({wide: 1800.0, near: 240.0}, rel=1e-3)
    job = sized(yard(), labels, **options)
    assert ground_ft2(job) == pytest.approx({wide: 1840.0, near: 200.0}, rel=1e-3)
    # It is not given away where the caller has said which product goes on which turf: left to the hand.
    said = {"bermudagrass": "Demo Wide", "tall fescue": "Demo Near"}
    by_hand = {wide: 1800.0, near: 200.0, ("sliver", "Demo Near"): 40.0}
    assert ground_ft2(sized(yard(), labels, products=said)) == pytest.approx(by_hand, rel=1e-3)


def test_weeds_lost_by_handing_over_are_said(labels: dict[str, wz.Label]) -> None:
    """White clover on the strip of 40 sq ft and beyond the turf: Demo Near has it, Demo Wide that takes it has not."""
    known = dict(labels)
    known["Demo Near"] = replace(known["Demo Near"], weeds={"dandelion": "good", "white clover": "good"})
    base = yard()
    strip = shapely.transform(box(0, 20, 80, 25), lambda xy: xy + np.array([1_500_000.0, 1_000_000.0]))
    rows = {"weed": ["dandelion", "white clover"]}
    weeds = gpd.GeoDataFrame(rows, geometry=[base.infestations.geometry.iloc[0], strip], crs=base.crs)
    survey = wz.Survey(turf=base.turf, infestations=weeds, keep_out=base.keep_out)
    told = sized(survey, known, prefer=["Demo Near"], min_area="0 ft2").findings["message"]
    assert told.str.contains("39.99 ft2 in thin or small pieces went from Demo Near to Demo Wide").sum() == 1
    apart = sized(survey, known, prefer=["Demo Near"], min_area="0 ft2", min_width="0 ft").findings["message"]
    assert not apart.str.contains("thin or small").any()


def test_loads_of_each_choice_and_the_sentence_that_says_them(labels: dict[str, wz.Label]) -> None:
    """1,800 and 200 sq ft at 1 gal/ksqft: one product fills a tank of half a gallon four times, both five times."""
    rig = wz.Sprayer(name="wand", tank_L=0.5 * 3.785411784)
    plain = {"on": "2026-05-10", "min_area": "0 ft2", "min_width": "0 ft"}
    job = wz.size_job(yard(), labels, rig, worth="0 ft2", **plain)
    assert job.choices["loads"].to_list() == [4, 5]
    assert len(job.loads) == 5
    few = wz.size_job(yard(), labels, rig, **plain)
    assert few.choices["taken"].to_list() == [True, False]
    assert "One product more (Demo Near; Demo Wide) adds" in " ".join(wz.explain(few)["why"])


def test_ground_by_wand_is_in_the_summary_and_timed(labels: dict[str, wz.Label], tmp_path: Path) -> None:
    boom = {"use": "broadcast", "products": {"tall fescue": "Demo Near"}, "min_area": "0 ft2"}
    job = sized(yard(), labels, **boom)
    thin = job.zones[job.zones["by_wand"]]
    text = " ".join(job.summary().split())
    assert f"too thin for the boom, by wand or hand: {thin['area_ft2'].sum():,.0f} ft²" in text
    told = {"tank": "50 gal", "carrier": "1 gal/ksqft", "swath": "10 ft", "pace": "2 mph"}
    with_wand = wz.make_rig("boom", wand={"pattern": "18 in", "flow": "0.25 gal/min"}, **told)
    worked = wz.size_job(yard(), labels, with_wand, on="2026-05-10", **boom)
    assert "by the rig's wand, 1.5 ft wide: " in " ".join(worked.summary().split())
    file = tmp_path / "prices.toml"
    file.write_text('currency = "USD"\n[labour]\nrate = "45/hour"\n' + "".join(
        f'[product."{name}"]\ncontainers = [{{ size = "1 gal", price = 64 }}]\n' for name in labels
    ))  # fmt: skip
    # By hand: the thin ground's solution over the wand's flow, the rest over 10 ft at 2 mph (176 ft/min).
    quote = wz.quote(worked, wz.read_prices(file))
    rest, gallons = (
        worked.zones.loc[~worked.zones["by_wand"], "area_ft2"].sum(),
        worked.zones.loc[worked.zones["by_wand"], "solution_gal"].sum(),
    )
    assert quote.visits["covering_min"].to_list() == pytest.approx([gallons / 0.25 + rest / 1760])
    with pytest.raises(wz.RigError, match=r"wand.*pattern.*write pattern"):
        wz.make_rig("boom", tank="50 gal", wand={"flow": "0.25 gal/min"})


def test_what_no_neighbour_may_take_is_left_to_hand_or_wand(labels: dict[str, wz.Label]) -> None:
    # With a spray 11 ft wide the 10 ft beside the pond are thin, and Demo Wide may not go there, but for the inch.
    options = {"prefer": ["Demo Near"], "min_width": "11 ft"}
    job = sized(yard(), labels, **options)
    assert ground_ft2(job) == pytest.approx(
        {("treated", "Demo Wide"): 1840.0, ("sliver", "Demo Near"): 200.0}, rel=1e-2
    )
    assert job.ledger.set_index("outcome")["reason"]["sliver"] == "too thin to spray, under 11 ft: by hand"
    # Boom and spreader leave nothing to the hand: it is theirs by wand.
    boom = sized(yard(), labels, **options, use="broadcast")
    assert ground_ft2(boom) == pytest.approx(
        {("treated", "Demo Wide"): 1840.0, ("treated", "Demo Near"): 200.0}, rel=1e-2
    )
    assert set(zip(boom.zones["product"], boom.zones["by_wand"], strict=True)) == {
        ("Demo Wide", False),
        ("Demo Near", True),
    }


def test_a_mapped_spot_is_sprayed_however_small(labels: dict[str, wz.Label]) -> None:
    # 1 sq ft by itself, and a strip of half a foot: mapped as they are, they are what was walked.
    job = sized(lawn([box(0, 0, 1, 1), box(10, 0, 10.5, 20)], []), labels, exclude=["Demo Wide"])
    assert ground_ft2(job) == pytest.approx({("treated", "Demo Near"): 11.0}, rel=1e-3)
    # A spot of which a keep-out leaves half a foot is not whole: that is left to the hand.
    job = sized(lawn([box(0, 0, 20, 5)], [box(-10, -10, 30, 4.5)]), labels, exclude=["Demo Wide"])
    assert ground_ft2(job)[("sliver", "Demo Near")] == pytest.approx(10.0, rel=1e-3)


def pieces_of(job: wz.Job) -> list[tuple[str, shapely.Polygon]]:
    """Connected pieces of each product and dose on a site, in metres, united by the engine."""
    zones = job.zones.to_crs(METRES)
    made = []
    for key, rows in zones.groupby(["site", "product", "dose"]):
        whole = shapely.union_all(shapely.buffer(rows.geometry.to_numpy(), 1e-4))
        made += [(str(key[0]), piece) for piece in shapely.get_parts(whole)]
    return made


@pytest.mark.parametrize("seed", range(40))
def test_what_holds_of_any_survey(seed: int) -> None:
    survey = wz.Survey(**strategies.frames(strategies.drawn(seed, n_sites=2)))
    worth = ("0 ft2", None)[seed % 2]
    exact = strategies.job(survey, worth=worth, min_width="0 ft", min_area="0 ft2")
    job = strategies.job(survey, worth=worth)
    assert job.ledger["area_m2"].sum() == pytest.approx(exact.ledger["area_m2"].sum(), rel=1e-11)
    assert job.zones["area_m2"].sum() <= exact.zones["area_m2"].sum() * (1 + 1e-9) or worth is None
    # No ground enters where its product may not go.
    may = job.eligible.set_index(["site", "product"]).geometry
    for zone in job.zones.itertuples():
        outside = shapely.difference(zone.geometry, shapely.buffer(may[zone.site, zone.product], 1e-8))
        assert outside.area <= 1e-6 * zone.geometry.area
    # No thin piece is left but mapped ones.
    mapped = survey.infestations.to_crs(METRES).geometry.to_numpy()
    for _, piece in pieces_of(job):
        if shapely.buffer(piece, -0.99 * FT / 2).is_empty:
            inside = shapely.area(shapely.intersection(piece, mapped)) >= 0.999 * shapely.area(mapped)
            assert inside.any()


def test_order_and_repetition_change_nothing() -> None:
    for seed in range(6):
        frames = strategies.frames(strategies.drawn(100 + seed, n_sites=3))
        job = strategies.job(wz.Survey(**frames))
        turned = strategies.job(wz.Survey(**{name: frame.iloc[::-1] for name, frame in frames.items()}))
        order = ["site", "product", "turf", "area_m2"]
        mine, other = (each.zones.sort_values(order)["area_m2"].to_numpy() for each in (job, turned))
        np.testing.assert_allclose(mine, other, rtol=1e-9, atol=1e-9)


def test_common_edges_against_arithmetic() -> None:
    a, b, c = shapely.box(0, 0, 1, 1), shapely.box(1, 0.25, 2, 3), shapely.box(1, 1, 2, 2)
    edges = common_edge(np.array([a, a]), np.array([b, c]))
    assert edges == pytest.approx([0.75, 0.0], abs=1e-4)


def test_widths_follow_the_rig(labels: dict[str, wz.Label]) -> None:
    from weedzone.sizing.arguments import _width

    assert _width(wz.Sprayer(name="a", tank_L=15.0), "spot") == "1 ft"
    assert _width(wz.Sprayer(name="a", tank_L=15.0, swath_m=6.0), "broadcast") == "3.0 m"
    assert _width(wz.Sprayer(name="a", tank_L=15.0, swath_m=6.0, pattern_m=0.5), "spot") == "0.5 m"
