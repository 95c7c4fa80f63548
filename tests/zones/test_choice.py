"""The choice of products against exhaustive search, by implementations that share nothing with the package."""

from __future__ import annotations

import itertools
import math
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely

import weedzone as wz
from weedzone.kit.label import Label, Rate
from weedzone.kit.label_file import read_label
from weedzone.kit.rig import Sprayer
from weedzone.sizing.explained import explain
from weedzone.zones import choice as chosen_by
from weedzone.zones.choice import Options, choose

CRS = "EPSG:32615"  # metres; a square of 10 m in it is 100 m2 of ground to a few parts in ten thousand
MARK = {"good": 3.0, "fair": 2.0, "poor": 1.0}


# ---------------------------------------------------------------------------------- arrays


def random_options(seed: int, n_sites: int = 3) -> Options:
    rng = np.random.default_rng(seed)
    rows = int(rng.integers(1, 5)) * n_sites
    p = int(rng.integers(1, 5))
    coarse = rng.random() < 0.6  # few distinct values make ties, which is where a greedy choice goes wrong
    load = rng.choice([0.02, 0.05, 0.013], (1, p)) if coarse else rng.uniform(0.001, 0.1, (1, p))
    return Options(
        site=np.sort(rng.integers(0, n_sites, rows)),
        area=rng.choice([5.0, 10.0, 15.0], rows) if coarse else rng.uniform(1.0, 30.0, rows),
        can=rng.random((rows, p)) < 0.65,
        weeds=rng.integers(1, 3, (rows, p)).astype(float),
        rating=rng.choice([1.0, 2.0, 3.0], (rows, p)),
        material=np.broadcast_to(rng.choice([0.1, 0.2, 0.3], (1, p)), (rows, p)).copy(),
        load=np.broadcast_to(load, (rows, p)).copy(),
        price=np.broadcast_to(rng.choice([0.0, 1.0, 2.0], (1, p)) * (rng.random() < 0.5), (rows, p)).copy(),
        preferred=rng.random(p) < 0.2,
    )


def worth(options: Options, rows: list[int], given: tuple[int, ...]) -> tuple[float, ...]:
    """What one site's assignment is worth, most important first, added up one row at a time."""
    treated = preferred = weeds = rating = price = material = 0.0
    fill: dict[int, float] = {}
    for row, p in zip(rows, given, strict=True):
        if p < 0:
            continue
        area = float(options.area[row])
        treated += area
        preferred += area * bool(options.preferred[p])
        weeds += area * float(options.weeds[row, p])
        rating += area * float(options.rating[row, p])
        price += area * float(options.price[row, p])
        material += area * float(options.material[row, p])
        fill[p] = fill.get(p, 0.0) + area * float(options.load[row, p])
    loads = sum(math.ceil(one - 1e-9) for one in fill.values())
    return tuple(
        round(one, 6) for one in (treated, preferred, weeds, rating, -price, -len(fill), -loads, -material)
    )


def best_worth(options: Options, rows: list[int], most: int | None) -> tuple[float, ...]:
    n = options.can.shape[1]
    ways = [[-1, *(p for p in range(n) if options.can[row, p])] for row in rows]
    every = (
        given
        for given in itertools.product(*ways)
        if most is None or len({p for p in given if p >= 0}) <= most
    )
    return max(worth(options, rows, given) for given in every)


@pytest.mark.parametrize("seed", range(300))
def test_arrays_equal_exhaustive_search(seed: int) -> None:
    options = random_options(seed)
    most = [None, 1, 2][seed % 3]
    found = choose(options, most)
    for site in np.unique(options.site):
        rows = [int(row) for row in np.flatnonzero(options.site == site)]
        given = tuple(int(found[row]) for row in rows)
        assert all(p < 0 or options.can[row, p] for row, p in zip(rows, given, strict=True))
        assert most is None or len({p for p in given if p >= 0}) <= most
        assert worth(options, rows, given) == best_worth(options, rows, most)


@pytest.mark.parametrize("at_once", [0, 1 << 17])
@pytest.mark.parametrize("seed", range(40))
def test_solver_equals_trying_all(seed: int, at_once: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where ground can be shared in many ways all are tried at once, in too many a solver takes over; both must find
    what trying one after the other finds.
    """
    rng = np.random.default_rng(seed)
    rows, p = 6, 3
    options = Options(
        site=np.zeros(rows, dtype=np.intp),
        area=rng.uniform(1.0, 20.0, rows),
        can=rng.random((rows, p)) < 0.8,
        weeds=np.ones((rows, p)),
        rating=np.where(rng.random((rows, p)) < 0.15, 3.0, 2.0),
        material=np.broadcast_to(rng.uniform(0.1, 0.4, (1, p)), (rows, p)).copy(),
        load=np.broadcast_to(rng.uniform(0.02, 0.06, (1, p)), (rows, p)).copy(),
        price=np.zeros((rows, p)),
        preferred=np.zeros(p, dtype=bool),
    )
    every = list(range(rows))
    monkeypatch.setattr(chosen_by, "MOST_SHARINGS", 1)
    monkeypatch.setattr(chosen_by, "MOST_AT_ONCE", at_once)
    found = choose(options)
    assert worth(options, every, tuple(int(one) for one in found)) == best_worth(options, every, None)


def test_too_many_products_is_refused() -> None:
    options = random_options(1)
    wide = Options(
        site=np.zeros(1, dtype=np.intp),
        area=np.ones(1),
        can=np.ones((1, 13), dtype=bool),
        **{name: np.ones((1, 13)) for name in ("weeds", "rating", "material", "load", "price")},
        preferred=np.zeros(13, dtype=bool),
    )
    with pytest.raises(wz.LabelError, match="13 products"):
        choose(wide)
    assert len(choose(options)) == len(options.site)


# ---------------------------------------------------------------------------------- surveys

TURFS = ("tall fescue", "kentucky bluegrass", "bermudagrass")
WEEDS = ("dandelion", "white clover", "ground ivy")
KINDS = ("pond", "tree")


def random_labels(rng: np.random.Generator) -> dict[str, Label]:
    out = {}
    for name in ("Demo A", "Demo B", "Demo C"):
        turf = [one for one in TURFS if rng.random() < 0.7] or [TURFS[0]]
        weeds = {one: str(rng.choice(list(MARK))) for one in WEEDS if rng.random() < 0.7} or {
            WEEDS[0]: "fair"
        }
        out[name] = Label(
            name=name,
            form="liquid",
            actives=(),
            tolerant=frozenset(turf),
            caution={},
            weeds=weeds,
            rates=(Rate("spot", (float(rng.choice([1e-4, 2e-4])),) * 2, None, None),),
            buffers_m={kind: float(rng.choice([0.5, 1.5, 3.0])) for kind in KINDS},
        )
    return out


def random_site(rng: np.random.Generator, name: str, x: float) -> dict[str, list[dict[str, Any]]]:
    """A lawn of 12 m by 8 m in two turfs, with patches on a grid of 2 m and two keep-out features."""
    y = 4_980_000.0
    first, second = rng.choice(TURFS, 2)
    rows: dict[str, list[dict[str, Any]]] = {"turf": [], "infestations": [], "keep_out": []}
    rows["turf"] += [
        {"site": name, "turf": first, "geometry": shapely.box(x, y, x + 6, y + 8)},
        {"site": name, "turf": second, "geometry": shapely.box(x + 6, y, x + 12, y + 8)},
    ]
    for _ in range(int(rng.integers(1, 4))):
        i, j = int(rng.integers(0, 5)), int(rng.integers(0, 3))
        box = shapely.box(x + 2 * i, y + 2 * j, x + 2 * i + 4, y + 2 * j + 2)
        rows["infestations"].append({"site": name, "weed": str(rng.choice(WEEDS)), "geometry": box})
    for kind in KINDS:
        px, py = x + rng.uniform(0, 12), y + rng.uniform(0, 8)
        box = shapely.box(px, py, px + 1, py + 0.7)
        rows["keep_out"].append({"site": name, "kind": kind, "geometry": box})
    return rows


def cells_of(site: dict[str, list[dict[str, Any]]], labels: dict[str, Label]) -> list[tuple[float, Any]]:
    """Ground of one site in cells of one set of weeds and one set of products: (area, {product: marks})."""
    weeds = [(row["weed"], row["geometry"]) for row in site["infestations"]]
    zones = {
        name: shapely.union_all(
            [
                shapely.buffer(row["geometry"], label.buffers_m[row["kind"]], quad_segs=64)
                for row in site["keep_out"]
            ]
        )
        for name, label in labels.items()
    }
    lines = [shape.boundary for _, shape in weeds]
    lines += [row["geometry"].boundary for row in site["turf"]] + [zone.boundary for zone in zones.values()]
    found: dict[Any, float] = {}
    for face in shapely.polygonize([shapely.union_all(lines)]).geoms:
        dot = face.representative_point()
        here = tuple(sorted({weed for weed, shape in weeds if shape.contains(dot)}))
        turf = next((row["turf"] for row in site["turf"] if row["geometry"].contains(dot)), None)
        if not here or turf is None:
            continue
        can = tuple(
            name
            for name, label in labels.items()
            if turf in label.tolerant
            and any(w in label.weeds for w in here)
            and not zones[name].contains(dot)
        )
        found[here, can] = found.get((here, can), 0.0) + face.area
    out = []
    for (here, can), area in found.items():
        marks = {}
        for name in can:
            known = [MARK[labels[name].weeds[w]] for w in here if w in labels[name].weeds]
            marks[name] = (len(known), sum(known) / len(known))
        out.append((area, marks))
    return out


def best_areas(cells: list[tuple[float, Any]], labels: dict[str, Label]) -> dict[str, float]:
    """Area of each product in the best of all assignments of cells to products."""
    best: tuple[tuple[float, ...], dict[str, float]] | None = None
    for given in itertools.product(*[[*marks, None] for _, marks in cells]):
        areas: dict[str, float] = {}
        level = [0.0] * 3
        material = 0.0
        for (area, marks), name in zip(cells, given, strict=True):
            if name is None:
                continue
            areas[name] = areas.get(name, 0.0) + area
            count, mean = marks[name]
            level = [level[0] + area, level[1] + area * count, level[2] + area * mean]
            material += area * labels[name].rates[0].dose[0]  # type: ignore[index]
        key = (*(round(one, 6) for one in level), -len(areas), -round(material, 12))
        if best is None or key > best[0]:
            best = (key, areas)
    assert best is not None
    return best[1]


BIG = Sprayer(name="big", swath_m=None, pace_mps=None, tank_L=1e6, carrier_L_per_m2=0.1)


@pytest.mark.parametrize("batch", range(10))
def test_300_surveys_equal_exhaustive_search(batch: int) -> None:
    rng = np.random.default_rng(900 + batch)
    labels = random_labels(rng)
    sites = {f"s{n:02d}": random_site(rng, f"s{n:02d}", 500_000.0 + 100.0 * n) for n in range(30)}
    frames = {
        layer: gpd.GeoDataFrame([row for one in sites.values() for row in one[layer]], crs=CRS)
        for layer in ("turf", "infestations", "keep_out")
    }
    job = wz.size_job(wz.Survey(**frames), labels, BIG, use="spot", on="2026-05-10")
    totals = job.totals.set_index(["site", "product"])["area_m2"].to_dict()
    compared = 0
    for name, site in sites.items():
        cells = cells_of(site, labels)
        wanted = best_areas(cells, labels) if cells else {}
        found = {product: area for (at, product), area in totals.items() if at == name}
        # Slivers below a few square decimetres may go either way: buffers are drawn with other arcs.
        notable = {product for product, area in wanted.items() if area > 0.05}
        assert notable == {product for product, area in found.items() if area > 0.05}, name
        for product in notable:
            assert found[product] == pytest.approx(wanted[product], rel=5e-3, abs=0.05)
            compared += 1
    assert compared >= 15


# ---------------------------------------------------------------------------------- steering

LABEL = """
name = "{name}"
form = "liquid"
[[active]]
name = "{active}"
concentration = "2 lb/gal"
group = {group}
[turf]
tolerant = [{turf}]
caution = {caution}
[weeds]
{weeds}
[[rate]]
use = "spot"
dose = "{dose}"
volume = ["1 gal/ksqft", "5 gal/ksqft"]
[limits]
{limits}
[buffers]
pond = "{pond}"
default = "1 ft"
"""


def label(tmp: Any, name: str, **given: str) -> Label:
    values = {
        "active": "active " + name,
        "group": "4",
        "turf": '"tall fescue"',
        "caution": "{}",
        "weeds": 'dandelion = "good"',
        "dose": "1 fl oz/ksqft",
        "limits": "",
        "pond": "5 ft",
    } | given
    file = tmp / f"{name}.toml"
    file.write_text(LABEL.format(name=name, **values))
    return read_label(file)


def lawn(
    weeds: tuple[str, ...] = ("dandelion",), turf: str = "tall fescue", pond: bool = False, **more: Any
) -> wz.Survey:
    x, y = 500_000.0, 4_980_000.0
    patch = shapely.box(x + 1, y + 1, x + 11, y + 11)
    kind = "pond" if pond else "tree"
    at = shapely.box(x + 2, y + 5, x + 3, y + 6) if pond else shapely.box(x + 60, y, x + 61, y + 1)
    return wz.Survey(
        turf=gpd.GeoDataFrame({"turf": [turf]}, geometry=[shapely.box(x, y, x + 20, y + 20)], crs=CRS),
        infestations=gpd.GeoDataFrame({"weed": list(weeds)}, geometry=[patch] * len(weeds), crs=CRS),
        keep_out=gpd.GeoDataFrame({"kind": [kind]}, geometry=[at], crs=CRS),
        **more,
    )


def sized(survey: wz.Survey, *labels: Label, **options: Any) -> wz.Job:
    return wz.size_job(survey, {one.name: one for one in labels}, BIG, use="spot", on="2026-05-10", **options)


def products(job: wz.Job) -> list[str]:
    return sorted(job.totals["product"])


def test_the_better_rating_wins_and_says_so(tmp_path: Any) -> None:
    good, poor = label(tmp_path, "Demo Good"), label(tmp_path, "Demo Poor", weeds='dandelion = "poor"')
    job = sized(lawn(), poor, good)
    assert products(job) == ["Demo Good"]
    assert "Left aside: Demo Poor, it is rated lower for the weed." in explain(job)["why"].iloc[0]


def test_a_second_product_fills_what_a_wider_buffer_leaves(tmp_path: Any) -> None:
    wide = label(tmp_path, "Demo Wide", pond="12 ft")
    near = label(tmp_path, "Demo Near", weeds='dandelion = "fair"', pond="3 ft")
    job = sized(lawn(pond=True), wide, near)
    assert products(job) == ["Demo Near", "Demo Wide"]
    words = explain(job).set_index("product")["why"]
    assert "that Demo Wide may not treat because of its buffers (pond)" in words["Demo Near"]
    assert "Demo Near could be used too, but it is rated lower for the weed" in words["Demo Wide"]
    table = explain(job)
    assert table["area_ft2"].sum() == pytest.approx(job.zones["area_ft2"].sum())


def test_max_products(tmp_path: Any) -> None:
    wide = label(tmp_path, "Demo Wide", pond="12 ft")
    near = label(tmp_path, "Demo Near", weeds='dandelion = "fair"', pond="3 ft")
    job = sized(lawn(pond=True), wide, near, max_products=1)
    assert products(job) == ["Demo Near"], "the most ground goes before the rating"
    with pytest.raises(wz.InputError, match="max_products"):
        sized(lawn(), wide, max_products=0)


def test_exclude_and_prefer(tmp_path: Any) -> None:
    a, b = label(tmp_path, "Demo A"), label(tmp_path, "Demo B", weeds='dandelion = "fair"')
    assert products(sized(lawn(), a, b)) == ["Demo A"]
    assert products(sized(lawn(), a, b, exclude=["Demo A"])) == ["Demo B"]
    preferred = sized(lawn(), a, b, prefer=(name for name in ["Demo B"]))
    assert products(preferred) == ["Demo B"]
    assert "It is preferred." in explain(preferred)["why"].iloc[0]
    with pytest.raises(wz.LabelError, match="Demo B"):
        sized(lawn(), a, b, exclude=["Demo Bb"])
    with pytest.raises(wz.InputError, match="a list of products is wanted"):
        sized(lawn(), a, b, exclude="Demo A")
    with pytest.raises(wz.InputError, match="both named and excluded"):
        sized(lawn(), a, b, products={"tall fescue": "Demo A"}, exclude=["Demo A"])


def test_price_decides_between_equals(tmp_path: Any) -> None:
    a, b = label(tmp_path, "Demo A"), label(tmp_path, "Demo B", dose="0.5 fl oz/ksqft")
    assert products(sized(lawn(), a, b)) == ["Demo B"], "less material"
    dear = sized(lawn(), a, b, prices={"Demo A": "10/gal", "Demo B": "30/gal"})
    assert products(dear) == ["Demo A"]
    assert "Demo B, it costs more" in explain(dear)["why"].iloc[0]
    part = sized(lawn(), a, b, prices={"Demo A": "10/gal"})
    assert products(part) == ["Demo B"]
    assert "no price for Demo B" in part.findings["message"].str.cat()


def test_named_products(tmp_path: Any) -> None:
    a, b = label(tmp_path, "Demo A"), label(tmp_path, "Demo B", weeds='dandelion = "poor"')
    job = sized(lawn(), a, b, products={"Tall Fescue": "Demo B", "zoysia": "Demo A"})
    assert products(job) == ["Demo B"]
    assert "no such turf is mapped" in job.findings["message"].str.cat()
    assert "named for this turf" in explain(job)["why"].iloc[0]
    with pytest.raises(wz.InputError, match="two products for tall fescue"):
        sized(lawn(), a, b, products={"Tall Fescue": "Demo B", "tall fescue": "Demo A"})
    with pytest.raises(wz.InputError, match="names no product"):
        sized(lawn(), a, b, products={})


def test_caution_turf_is_marked_or_left_out(tmp_path: Any) -> None:
    careful = label(tmp_path, "Demo C", turf="", caution='{ "tall fescue" = "may yellow" }')
    job = sized(lawn(), careful)
    assert list(job.zones["caution"]) == ["tall fescue: may yellow"]
    assert "may yellow" in job.findings["message"].str.cat()
    left = sized(lawn(), careful, avoid_caution=True)
    assert len(left.zones) == 0
    assert list(left.ledger["outcome"]) == ["caution turf"]
    assert "temporary injury" in left.ledger["reason"].iloc[0]
    plain = label(tmp_path, "Demo D", weeds='dandelion = "poor"')
    both = sized(lawn(), careful, plain, avoid_caution=True)
    assert products(both) == ["Demo D"], "a product without the caution takes its place"


# ---------------------------------------------------------------------------------- several weeds


def test_one_product_for_all_weeds_beats_a_better_one_for_some(tmp_path: Any) -> None:
    both = label(tmp_path, "Demo Both", weeds='dandelion = "fair"\n"white clover" = "fair"')
    one = label(tmp_path, "Demo One", weeds='dandelion = "good"')
    job = sized(lawn(("dandelion", "white clover")), one, both)
    assert products(job) == ["Demo Both"]
    assert "it controls fewer of the weeds" in explain(job)["why"].iloc[0]


def test_weeds_left_over_and_the_second_pass(tmp_path: Any) -> None:
    a = label(tmp_path, "Demo A", weeds='dandelion = "good"')
    b = label(tmp_path, "Demo B", weeds='"white clover" = "fair"')
    survey = lawn(("dandelion", "white clover"))
    once = sized(survey, a, b)
    assert list(once.zones["pass"]) == [1]
    assert "does not control white clover" in once.findings["message"].str.cat()
    assert "a second pass with Demo B would be allowed (passes=2)" in once.findings["message"].str.cat()

    twice = sized(survey, a, b, passes=2)
    zones = twice.zones
    assert list(zones["pass"]) == [1, 2]
    assert list(zones["product"]) == ["Demo A", "Demo B"]
    assert list(zones["zone"]) == ["Z1", "Z2"]
    assert list(zones["weeds"]) == ["dandelion; white clover", "white clover"]
    assert zones.geometry.iloc[0].symmetric_difference(zones.geometry.iloc[1]).area < 1e-6
    area = zones["area_m2"].iloc[0]
    assert twice.ledger["area_m2"].sum() == pytest.approx(area), "the ledger counts the ground once"
    assert twice.totals["area_m2"].sum() == pytest.approx(2 * area)
    assert twice.loads["solution_L"].sum() == pytest.approx(twice.zones["solution_L"].sum())
    assert len(twice.loads) == 2
    assert "does not control" not in twice.findings["message"].str.cat()
    words = explain(twice)
    assert list(words["pass"]) == [1, 2]
    assert "follows Demo A" in words["why"].iloc[1]
    assert list(twice.ground["zone"]) == ["Z1"]


def test_a_weed_that_nothing_controls_is_said_in_both_cases(tmp_path: Any) -> None:
    a = label(tmp_path, "Demo A", weeds='dandelion = "good"')
    for passes in (1, 2):
        job = sized(lawn(("dandelion", "henbit")), a, passes=passes)
        assert "Demo A does not control henbit" in job.findings["message"].str.cat()
        assert list(job.zones["pass"]) == [1]


# 1 fl oz/ksqft of 2 lb/gal: 43.56 ksqft/acre / 128 fl oz/gal x 2 lb/gal = 0.681 lb/acre a pass.
@pytest.mark.parametrize(
    ("limits", "allowed"),
    [
        ("", True),
        ('per_application = "1.4 lb/acre"', True),
        ('per_application = "1.3 lb/acre"', False),
        ('per_year = "1.3 lb/acre"', False),
        ('per_year = "1.4 lb/acre"', True),
        ("applications_per_year = 1", False),
        ("applications_per_year = 2", True),
        ('interval = "21 day"', False),
    ],
)
@pytest.mark.parametrize("whose", ["first", "second"])
def test_limits_of_a_shared_ingredient_hold_over_both_passes(
    tmp_path: Any, limits: str, allowed: bool, whose: str
) -> None:
    one, two = (limits, "") if whose == "first" else ("", limits)
    a = label(tmp_path, "Demo A", active="2,4-D", limits=one)
    b = label(tmp_path, "Demo B", weeds='"white clover" = "fair"', active="2,4-D amine", limits=two)
    job = sized(lawn(("dandelion", "white clover")), a, b, passes=2)
    assert (2 in set(job.zones["pass"])) is allowed
    assert ("no second pass is allowed" in job.findings["message"].str.cat()) is not allowed


def test_ingredients_apart_do_not_limit_each_other(tmp_path: Any) -> None:
    tight = 'applications_per_year = 1\ninterval = "30 day"'
    a = label(tmp_path, "Demo A", weeds='dandelion = "good"', limits=tight)
    b = label(tmp_path, "Demo B", weeds='"white clover" = "fair"', limits=tight)
    job = sized(lawn(("dandelion", "white clover")), a, b, passes=2)
    assert list(job.zones["pass"]) == [1, 2]


def test_second_pass_keeps_its_own_buffer(tmp_path: Any) -> None:
    a = label(tmp_path, "Demo A", weeds='dandelion = "good"', pond="2 ft")
    b = label(tmp_path, "Demo B", weeds='"white clover" = "fair"', pond="10 ft")
    survey = lawn(("dandelion", "white clover"), pond=True)
    job = sized(survey, a, b, passes=2)
    second = job.zones[job.zones["pass"] == 2].geometry.iloc[0]
    pond = survey.keep_out.geometry.iloc[0]
    assert second.distance(pond) >= 10 * 0.3048 * (1 - 5e-4)
    assert job.zones[job.zones["pass"] == 1].geometry.iloc[0].distance(pond) < 1.0


def test_passes_are_checked(tmp_path: Any) -> None:
    a = label(tmp_path, "Demo A")
    for wrong in (0, 3, True):
        with pytest.raises(wz.InputError, match="passes"):
            sized(lawn(), a, passes=wrong)
    with pytest.raises(wz.InputError, match="second pass"):
        sized(lawn(), a, products={"tall fescue": "Demo A"}, passes=2)
