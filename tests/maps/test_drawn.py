"""The drawn map: every layer, labels that never overlap, true scale and areas, hostile names."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from pathlib import Path

import geopandas as gpd
import matplotlib as mpl
import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib import pyplot as plt
from matplotlib.figure import Figure
from matplotlib.legend import Legend
from matplotlib.offsetbox import AuxTransformBox, TextArea
from matplotlib.patches import PathPatch
from matplotlib.text import Text
from strategies import file_frames, labels, rig, sample

import weedzone as wz
from weedzone.base.words import drawable
from weedzone.maps.label_places import Wanted, place
from weedzone.maps.scene import scene
from weedzone.maps.style import product_fills, untreated_fill
from weedzone.zones.outcomes import OUTCOMES

LAYERS = {
    "turf": "turf:",
    "zones": "zones:",
    "untreated": "untreated:",
    "keep_out": "keep-out",
    "buffers": "buffers",
    "boundary": "boundary",
}
FOOT_M = 0.3048  # international foot, exact: NIST Special Publication 811 (2008), appendix B


@pytest.fixture(autouse=True)
def _closed():
    yield
    plt.close("all")


@pytest.fixture(scope="module")
def lawn() -> wz.Job:
    return sample("alder_court")


@pytest.fixture(scope="module")
def park() -> wz.Job:
    return sample("heron_flats")


@pytest.fixture(scope="module")
def lots() -> wz.Job:
    return sample("quince_bend")


def plot_of(width_m: float, depth_m: float, **layers: gpd.GeoDataFrame) -> wz.Job:
    """One turf with a large patch, a small one and a tree, `width_m` by `depth_m` metres."""
    x, y = 443_000.0, 4_423_000.0

    def part(left: float, low: float, right: float, top: float) -> shapely.Polygon:
        return shapely.box(x + left * width_m, y + low * depth_m, x + right * width_m, y + top * depth_m)

    def frame(shapes: list[shapely.Geometry], **columns: object) -> gpd.GeoDataFrame:
        return gpd.GeoDataFrame(columns, geometry=shapes, crs="EPSG:32615")

    turf = frame([part(0, 0, 0.6, 1), part(0.6, 0, 1, 1)], turf=["tall fescue", "bermudagrass"])
    weed = ["dandelion", "white clover", "dandelion"]
    patches = [part(0.1, 0.1, 0.5, 0.6), part(0.7, 0.7, 0.72, 0.73), part(0.3, 0.8, 0.31, 0.81)]
    survey = wz.Survey(
        **{
            "turf": turf,
            "infestations": frame(patches, weed=weed),
            "keep_out": frame([part(0.2, 0.2, 0.3, 0.3)], kind=["tree"]),
            **layers,
        }
    )
    return wz.size_job(survey, labels(), rig(), use="spot", on="2026-05-10")


def gids(ax: plt.Axes) -> set[str]:
    return {str(one.get_gid()) for one in ax.get_children() if one.get_gid()}


def labels_of(ax: plt.Axes, gid: str = "label:") -> list[Text]:
    return [one for one in ax.texts if str(one.get_gid()).startswith(gid) and one.get_visible()]


def boxes_of(ax: plt.Axes) -> list[shapely.Geometry]:
    """Extents of the labels as drawn, with their boxes [pixels]."""
    figure = ax.figure
    figure.canvas.draw()
    out = []
    for label in labels_of(ax):
        patch = label.get_bbox_patch()
        extent = (label if patch is None else patch).get_window_extent(figure.canvas.get_renderer())
        out.append(shapely.box(*extent.extents))
    return out


def overlaps(boxes: list[shapely.Geometry]) -> list[float]:
    shared = [one.intersection(other).area for one, other in combinations(boxes, 2)]
    return [area for area in shared if area > 0]


def patch_of(ax: plt.Axes, gid: str) -> PathPatch:
    return next(one for one in ax.patches if one.get_gid() == gid)


def signed_area(patch: PathPatch) -> float:
    """Area by the shoelace formula; holes run the other way and count against it."""
    total = 0.0
    path = patch.get_path()
    starts = np.flatnonzero(path.codes == path.MOVETO)
    for first, last in zip(starts, [*starts[1:], len(path.vertices)], strict=True):
        # Shifted to the ring's own corner, so that the sum is not of large numbers.
        x, y = (path.vertices[first:last] - path.vertices[first]).T
        total += 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    return total


@pytest.mark.slow
def test_every_layer_is_drawn_and_each_can_be_switched_off(lawn: wz.Job) -> None:
    whole = gids(lawn.plot())
    for option, start in LAYERS.items():
        assert any(gid.startswith(start) for gid in whole), option
        left = gids(lawn.plot(**{option: False}))
        gone = {gid for gid in whole if gid.startswith(start) or (option == "zones" and "label:zone" in gid)}
        gone |= {gid for gid in whole if option == "keep_out" and "label:kind" in gid}
        assert left == whole - gone, option


@pytest.mark.parametrize(("option", "gid"), [("legend", "legend"), ("labels", "label:zone")])
def test_what_stands_round_the_map_can_be_switched_off(lawn: wz.Job, option: str, gid: str) -> None:
    def found(ax: plt.Axes) -> set[str]:
        return gids(ax) | {str(one.get_gid()) for one in ax.get_children() if isinstance(one, Legend)}

    assert gid in found(lawn.plot())
    assert gid not in found(lawn.plot(**{option: False}))


def words(ax: plt.Axes) -> str:
    return "\n".join(one.get_text() for one in ax.findobj(Text) if one.get_visible())


@pytest.mark.slow
def test_strip_holds_scale_north_and_cautions(lawn: wz.Job) -> None:
    said = words(lawn.plot())
    for word in (" ft", " m", "N", "Follow the product label", "people and pets off", "protective equipment"):
        assert word in said
    assert "Follow" not in words(lawn.plot(cautions=False))
    assert "N" not in words(lawn.plot(north=False, labels=False)).split("\n")
    assert "20 ft" not in words(lawn.plot(scale=False, labels=False))
    assert "strip" not in gids(lawn.plot(scale=False, north=False, cautions=False))


@pytest.mark.slow
def test_zones_drawn_have_the_areas_of_the_table(lawn: wz.Job, park: wz.Job, lots: wz.Job) -> None:
    for job in (lawn, park, lots):
        ax = job.plot(labels=False)
        for product, rows in job.zones.groupby("product"):
            drawn = signed_area(patch_of(ax, f"zones:{product}"))
            assert drawn == pytest.approx(rows["area_m2"].sum(), rel=1e-6)


def test_untreated_ground_is_drawn_by_its_reason(lawn: wz.Job) -> None:
    ax = lawn.plot()
    ledger = lawn.ledger[lawn.ledger["outcome"] != "treated"].groupby("outcome")["area_m2"].sum()
    drawn = {gid.split(":")[1] for gid in gids(ax) if gid.startswith("untreated:")}
    assert drawn == set(ledger.index)
    for outcome, area in ledger.items():
        assert signed_area(patch_of(ax, f"untreated:{outcome}")) == pytest.approx(area, rel=1e-6)
        assert f"{outcome}, " in words(ax)


def test_no_zone_lies_inside_the_line_of_its_own_products_buffer(lawn: wz.Job) -> None:
    shown = scene(lawn)
    product = shown.zone_table["product"].to_numpy()
    for name, shapes in shown.buffers.items():
        kept = shapely.union_all(shapes)
        mine = shapely.union_all(shown.zones[product == name], grid_size=1e-6)
        assert mine.area > 0
        assert mine.intersection(kept).area < 1e-6


@pytest.mark.parametrize("size", [(5.0, 10.0), (40.0, 25.0), (500.0, 400.0)])  # 50 m2, a lawn, 20 ha
@pytest.mark.parametrize("inches", [(4.0, 3.0), (8.0, 6.0), (16.0, 12.0)])
def test_labels_do_not_overlap_at_any_size(size: tuple[float, float], inches: tuple[float, float]) -> None:
    ax = plot_of(*size).plot()
    assert not overlaps(boxes_of(ax))
    ax.figure.set_size_inches(*inches)
    boxes = boxes_of(ax)
    assert not overlaps(boxes)
    if inches[0] > 5:  # on less, some zones of the smallest map are told by the table alone
        assert len(labels_of(ax, "label:zone")) == len(
            [one for one in ax.texts if one.get_gid() == "label:zone"]
        )
    frame = shapely.box(*ax.get_window_extent().extents)
    assert all(frame.buffer(1.0).covers(box) for box in boxes)


@pytest.mark.slow
@pytest.mark.parametrize("dpi", [50, 100, 220])
def test_labels_do_not_overlap_at_any_resolution(park: wz.Job, lawn: wz.Job, dpi: int) -> None:
    for job in (park, lawn):
        ax = job.plot()
        ax.figure.set_dpi(dpi)
        boxes = boxes_of(ax)
        named = {one.get_text().split()[0] for one in labels_of(ax, "label:zone")}
        # Among a hundred patches a small one may have no room, on a picture of a few hundred pixels sooner.
        large = job.patches["area_ft2"] >= (100 if dpi >= 100 else 1000)
        assert named >= set(job.patches["patch"][large])
        assert len(named) >= 0.95 * len(job.patches)
        assert not overlaps(boxes)


def test_small_zones_get_a_leader_to_the_zone_itself() -> None:
    job = plot_of(40.0, 25.0)
    ax = job.plot()
    boxes_of(ax)
    shapes = scene(job).zones
    leaders = [one for one in ax.lines if one.get_gid() == "label:zone:leader" and one.get_visible()]
    assert leaders
    for leader in leaders:
        tip = shapely.Point(leader.get_xdata()[1], leader.get_ydata()[1])
        assert shapely.distance(shapes, tip).min() < 0.05


def test_labels_name_patch_area_and_solution(lawn: wz.Job) -> None:
    texts = [one.get_text() for one in labels_of(lawn.plot(), "label:zone")]
    patch = lawn.patches.loc[lawn.patches["area_ft2"].idxmax()]
    zone = lawn.zones.set_index("zone").loc[patch["zone"]]
    [text] = [one for one in texts if one.split()[0] == patch["patch"]]
    assert f"{patch['area_ft2']:,.0f} ft²" in text
    assert f"{zone['solution_gal'] * patch['area_ft2'] / zone['area_ft2']:.1f} gal" in text
    metric = [one.get_text() for one in labels_of(lawn.plot(system="metric"), "label:zone")]
    assert any(f"{patch['area_m2']:,.0f} m²" in one for one in metric)


@pytest.mark.slow
def test_overview_names_the_sites_and_not_the_zones(lots: wz.Job) -> None:
    ax = lots.plot()
    assert not overlaps(boxes_of(ax))
    assert {one.get_text() for one in labels_of(ax, "label:site")} == set(lots.survey.sites)
    assert not labels_of(ax, "label:zone")
    assert "28 sites" in ax.get_title(loc="left")


def test_one_site_of_many_and_some_of_many(lots: wz.Job) -> None:
    ax = lots.plot(site="lot 05")
    here = lots.patches[lots.patches["site"] == "lot 05"]
    assert len(labels_of(ax, "label:zone")) == len(here)
    drawn = sum(
        signed_area(one)
        for one in ax.patches
        if str(one.get_gid()).startswith("zones:") and one.get_hatch() is not None
    )
    assert drawn <= here["area_m2"].sum() * (1 + 1e-6)
    assert {one.get_text() for one in labels_of(lots.plot(site=["lot 01", "lot 03"]), "label:site")} == {
        "lot 01",
        "lot 03",
    }


def test_sites_stand_where_they_lie_across_blocks_of_projection() -> None:
    # Two lots 30 km apart; the distance drawn against the geodesic one (GeographicLib, in PROJ).
    places = [(-93.62, 42.5), (-93.5, 42.75)]
    shapes = [shapely.box(lon, lat, lon + 0.0005, lat + 0.0004) for lon, lat in places]
    columns = {"site": ["west", "east"]}
    survey = wz.Survey(
        turf=gpd.GeoDataFrame({**columns, "turf": "tall fescue"}, geometry=shapes, crs=4326),
        infestations=gpd.GeoDataFrame({**columns, "weed": "dandelion"}, geometry=shapes, crs=4326),
    )
    job = wz.size_job(survey, labels(), rig())
    ground = survey.local.ground
    assert len(np.unique(ground.block)) == 2
    found = scene(job)
    drawn = shapely.distance(*(shapely.centroid(one) for one in found.hulls))
    middles = [(lon + 0.00025, lat + 0.0002) for lon, lat in places]
    _, _, truth = pyproj.Geod(ellps="WGS84").inv(*middles[0], *middles[1])
    assert drawn == pytest.approx(truth, rel=2e-5)
    ax = job.plot()
    assert "sites" in gids(ax)  # too small to be seen: marked
    assert not overlaps(boxes_of(ax))


def test_given_axes_are_used_and_nothing_else_is_touched(
    lawn: wz.Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise AssertionError

    figure, (first, second) = plt.subplots(1, 2, figsize=(12.0, 5.0))
    monkeypatch.setattr(plt, "show", refuse)
    monkeypatch.setattr(plt, "subplots", refuse)
    settings_before, size = dict(mpl.rcParams), tuple(figure.get_size_inches())
    got = lawn.plot(first)
    assert got is first
    assert dict(mpl.rcParams) == settings_before
    assert tuple(figure.get_size_inches()) == size
    assert not second.get_children()[0].get_gid()
    assert not second.patches
    assert not second.lines
    assert not overlaps(boxes_of(first))
    assert first.get_aspect() == 1.0


def test_draws_on_a_figure_without_pyplot_and_on_a_part_of_one(lawn: wz.Job) -> None:
    ax = Figure(figsize=(8.0, 6.0)).subplots()
    lawn.plot(ax=ax)
    ax.figure.savefig(Path("/dev/null"), format="png")
    part = plt.figure(figsize=(14.0, 6.0)).subfigures(1, 2)[1].subplots()
    lawn.plot(ax=part, legend="below")
    part.figure.figure.canvas.draw()
    assert labels_of(part, "label:zone")


@pytest.mark.slow
def test_legend_and_strip_cover_neither_the_map_nor_each_other(
    lawn: wz.Job, park: wz.Job, lots: wz.Job
) -> None:
    for job, where in ((lawn, "right"), (park, "right"), (lots, "below"), (lawn, "below")):
        ax = job.plot(legend=where)
        figure = ax.figure
        figure.canvas.draw()
        strip = next(one for one in ax.get_children() if one.get_gid() == "strip")
        extents = [
            one.get_window_extent(figure.canvas.get_renderer()).extents
            for one in (ax, ax.get_legend(), strip)
        ]
        assert not overlaps([shapely.box(*one) for one in extents])
        page = shapely.box(0, 0, *(figure.get_size_inches() * figure.dpi)).buffer(0.5)
        assert all(page.covers(shapely.box(*one)) for one in extents)


def test_scale_bars_are_as_long_as_they_say(lawn: wz.Job, park: wz.Job) -> None:
    for job in (lawn, park):
        ax = job.plot()
        ax.figure.canvas.draw()
        per_metre = ax.transData.transform((1.0, 0.0))[0] - ax.transData.transform((0.0, 0.0))[0]
        strip = next(one for one in ax.get_children() if one.get_gid() == "strip")
        bars = [
            one
            for one in strip.findobj(AuxTransformBox)
            if one.get_children()[0] in strip.findobj(mpl.lines.Line2D)
        ]
        texts = [
            one.get_text()
            for one in strip.findobj(TextArea)
            for one in one.get_children()
            if one.get_text().endswith((" ft", " m"))
        ]
        assert len(bars) == len(texts) == 2
        for bar, text in zip(bars, texts, strict=True):
            number, unit = text.replace(",", "").split()
            ends = bar.get_children()[0].get_window_extent(ax.figure.canvas.get_renderer())
            x = bar.get_children()[0].get_xdata()
            assert x[1] - x[0] == pytest.approx(float(number) * (FOOT_M if unit == "ft" else 1.0), rel=1e-9)
            assert ends.width == pytest.approx((x[1] - x[0]) * per_metre, abs=8.0)  # the pen's width


def machado(severe: str) -> np.ndarray:
    """Full protanopia and deuteranopia in linear RGB: Machado, Oliveira and Fernandes 2009, from memory."""
    table = {
        "protan": [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ],
        "deutan": [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ],
    }
    return np.array(table[severe])


def linear(colour: str) -> np.ndarray:
    """Linear RGB of a colour (IEC 61966-2-1)."""
    rgb = np.array(mpl.colors.to_rgb(colour))
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE L*a*b* of linear sRGB under D65 (CIE 15, IEC 61966-2-1)."""
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]) @ np.clip(
        rgb, 0, 1
    )
    t = xyz / [0.9505, 1.0, 1.089]
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_products_stay_apart_for_the_colour_blind_and_in_grey() -> None:
    fills = product_fills([f"product {number}" for number in range(8)])
    for severe in ("protan", "deutan"):
        seen = [lab(machado(severe) @ linear(one.face)) for one in fills.values()]
        # 2.3 is a just noticeable difference (Mahy, Van Eycken and Oosterlinck 1994).
        assert min(np.linalg.norm(a - b) for a, b in combinations(seen[:6], 2)) > 4 * 2.3
    assert len({one.hatch for one in fills.values()}) == 8  # print without colour
    many = product_fills([f"product {number}" for number in range(40)])
    assert len({(one.face, one.hatch) for one in many.values()}) == 40


def test_every_outcome_has_a_hatch_of_its_own_look() -> None:
    looks = [(untreated_fill(one).face, untreated_fill(one).hatch) for one in OUTCOMES if one != "treated"]
    assert len(set(looks)) == len(looks)


def test_errors_say_what_to_do(lots: wz.Job) -> None:
    with pytest.raises(wz.InputError, match="did you mean 'lot 05'"):
        lots.plot(site="lott 05")
    with pytest.raises(wz.InputError, match="no site was named"):
        lots.plot(site=[])
    with pytest.raises(wz.InputError, match='write "right" or "below"'):
        lots.plot(legend="left")
    with pytest.raises(wz.InputError, match='write "us" or "metric"'):
        lots.plot(system="imperial")
    assert not plt.get_fignums()  # nothing was begun


def test_nothing_to_spray_is_still_a_map(lawn: wz.Job) -> None:
    products = {"zoysiagrass": "Demo Trio"}
    job = wz.size_job(lawn.survey, lawn.labels, lawn.rig, use="spot", products=products, on="2026-11-25")
    assert not len(job.zones)
    ax = job.plot()
    ax.figure.canvas.draw()
    assert "untreated:turf not labelled" in gids(ax)
    assert not any(gid.startswith("zones:") for gid in gids(ax))


def test_pounds_are_said_for_a_spreader() -> None:
    ax = sample("alder_court", "spreader", "granular").plot()
    assert any(" lb" in one.get_text() for one in labels_of(ax, "label:zone"))


HOSTILE = [  # a name and what of it must be seen
    ("$x^2$", "$x^2$"),
    ("$\\frac{", "$\\frac{"),
    ("_lead", "_lead"),
    ("<script>alert(1)</script>", "<script>alert(1)</script>"),
    ("\u202egnirts", "gnirts"),
    ("שלום", "שלום"),
    ("🐝", "\u25af"),
    ("a\nb\tc\x00d", "a b cd"),
    ("q" * 10_000, "q" * 15),
    ("100 % {x} \\", "100 % {x} \\"),
]


@pytest.mark.filterwarnings("ignore:Glyph")
@pytest.mark.parametrize(("text", "plain"), HOSTILE)
def test_hostile_names_are_drawn_as_plain_text(text: str, plain: str, tmp_path: Path) -> None:
    base = plot_of(40.0, 25.0).survey
    kept = base.keep_out[["kind", "geometry"]].assign(kind=text, site=text)
    job = plot_of(
        40.0,
        25.0,
        turf=base.turf[["turf", "geometry"]].assign(site=text),
        infestations=base.infestations[["weed", "geometry"]].assign(site=text),
        keep_out=kept,
    )
    ax = job.plot(title=text)
    ax.figure.savefig(tmp_path / "map.png", dpi=50)
    texts = [*ax.texts, ax.title, *ax.get_legend().get_texts()]
    assert not any(one.get_parse_math() or one.get_usetex() for one in texts if one.get_text())
    assert max(len(one.get_text()) for one in texts) < 300
    joined = " ".join(words(ax).split())
    assert plain in joined
    assert not any(mark in joined for mark in ("\u202e", "\x00"))


@pytest.mark.filterwarnings("error")
def test_letters_that_the_font_lacks_are_drawn_without_a_warning(tmp_path: Path) -> None:
    name = "Lawn \U0001f600 \uff37\uff49\uff44\uff45 \u8349"
    layers = {layer: frame.assign(site=name) for layer, frame in file_frames("alder_court").items()}
    layers["keep_out"]["kind"] = [f"{kind} \U0001f3e0" for kind in layers["keep_out"]["kind"]]
    products = {f"{key} \U0001f33f": replace(one, name=f"{key} \U0001f33f") for key, one in labels().items()}
    done = wz.size_job(wz.Survey(**layers), products, rig(), on="2026-05-20")
    done.plot().figure.savefig(tmp_path / "map.png")
    done.sheet(tmp_path / "sheet.html")
    assert drawable(name) == "Lawn \U0001f600 Wide \u25af"


def test_layers_may_be_of_any_kind_of_shape(lawn: wz.Job) -> None:
    x, y = 443_000.0, 4_423_000.0
    kept = gpd.GeoDataFrame(
        {"kind": ["creek", "well", "fence", "flower bed"]},
        geometry=[
            shapely.LineString([(x, y), (x + 40, y + 20)]),
            shapely.MultiPoint([(x + 5, y + 20), (x + 30, y + 2)]),
            shapely.MultiLineString([[(x, y + 1), (x + 9, y + 1)], [(x, y + 2), (x + 9, y + 2)]]),
            shapely.from_wkt(f"POLYGON(({x} {y}, {x + 4} {y + 4}, {x + 4} {y}, {x} {y + 4}, {x} {y}))"),
        ],
        crs="EPSG:32615",
    )
    ax = plot_of(40.0, 25.0, keep_out=kept).plot()
    ax.figure.canvas.draw()
    assert {"keep-out", "keep-out lines", "keep-out points"} <= gids(ax)


boxes = st.builds(
    lambda x, y, w, h: shapely.box(x, y, x + w, y + h),
    st.floats(0, 380),
    st.floats(0, 280),
    st.floats(0.5, 120),
    st.floats(0.5, 90),
)


@settings(max_examples=40, deadline=None)
@given(st.lists(boxes, min_size=1, max_size=14), st.floats(10, 120), st.floats(8, 40))
def test_placing_never_lays_a_label_over_another_or_off_the_map(
    shapes: list[shapely.Geometry], width: float, height: float
) -> None:
    frame = (0.0, 0.0, 400.0, 300.0)
    wanted = [Wanted(shape, [(width, height), (width / 3, height / 2)]) for shape in shapes]
    spots = place(wanted, frame, 2.0, np.array(shapes, dtype=object))
    found = [
        shapely.box(spot.x - w / 2, spot.y - h / 2, spot.x + w / 2, spot.y + h / 2)
        for spot, one in zip(spots, wanted, strict=True)
        if spot is not None
        for w, h in [one.sizes[spot.text]]
    ]
    assert not overlaps(found)
    assert spots[0] is not None  # on an empty map there is room
    assert all(shapely.box(*frame).covers(one) for one in found)
    for spot, one in zip(spots, wanted, strict=True):
        if spot is not None and spot.anchor is not None:
            assert one.shape.buffer(1e-6).covers(shapely.Point(spot.anchor))
            leader = shapely.LineString([(spot.x, spot.y), spot.anchor])
            w, h = one.sizes[spot.text]
            own = shapely.box(spot.x - w / 2, spot.y - h / 2, spot.x + w / 2, spot.y + h / 2)
            assert all(not leader.intersects(other.buffer(-1e-6)) for other in found if not other.equals(own))
