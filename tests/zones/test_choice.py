"""The choice of products against exhaustive search, by implementations that share nothing with the package."""

from __future__ import annotations

import itertools
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
from weedzone.zones.choice import Options, Worth, choose, strengths

CRS = "EPSG:32615"  # metres; a square of 10 m in it is 100 m2 of ground to a few parts in ten thousand
MARK = {"good": 3.0, "fair": 2.0, "poor": 1.0}


# ---------------------------------------------------------------------------------- arrays


def random_options(seed: int, n_sites: int = 3) -> Options:
    rng = np.random.default_rng(seed)
    rows, p = int(rng.integers(1, 6)) * n_sites, int(rng.integers(1, 5))
    coarse = rng.random() < 0.6  # few distinct values make ties
    shape = (rows, p)
    good = rng.random(shape) < 0.4
    return Options(
        site=np.sort(rng.integers(0, n_sites, rows)),
        area_m2=rng.choice([5.0, 10.0, 15.0], rows) if coarse else rng.uniform(1.0, 30.0, rows).round(3),
        uses=np.eye(p, dtype=bool),
        can=rng.random(shape) < 0.65,
        cautioned=rng.random(shape) < 0.2,
        all_good=good,
        weeds=rng.integers(1, 3, shape).astype(float),
        rating=np.where(good, 3.0, rng.choice([1.0, 2.0, 2.5], shape)),
        price=np.broadcast_to(rng.choice([0.0, 1.0, 2.0], (1, p)) * (rng.random() < 0.5), shape).copy(),
        preferred=rng.random(p) < 0.2,
        fill=np.zeros(shape),
    )


def sums_of(
    options: Options, rows: list[int], members: tuple[int, ...]
) -> tuple[list[float], dict[int, int]]:
    """What a set gains on one site's rows, the most important first, and who treats which row."""
    given: dict[int, int] = {}
    for row in rows:
        able = [p for p in members if options.can[row, p]]
        if able:
            given[row] = min(
                able,
                key=lambda p, row=row: (
                    options.cautioned[row, p], not options.preferred[p], not options.all_good[row, p],
                    -options.weeds[row, p], -options.rating[row, p], options.price[row, p], p,
                ),
            )  # fmt: skip
    gains = [0.0] * 7
    for row, p in given.items():
        area = options.area_m2[row]
        each = (
            -float(options.cautioned[row, p]), options.preferred[p], options.all_good[row, p],
            options.weeds[row, p], options.rating[row, p], 1.0, -options.price[row, p],
        )  # fmt: skip
        gains = [total + area * float(value) for total, value in zip(gains, each, strict=True)]
    return [round(gain, 3) for gain in gains], given


def planned(options: Options, rows: list[int], worth: Worth) -> dict[int, int]:
    """The plan of one site by the rules as they are written in docs/plan.md, one set after the other."""
    usable = [p for p in range(options.can.shape[1]) if any(options.can[row, p] for row in rows)]
    allowed = sum(options.area_m2[row] for row in rows if options.can[row].any())
    step = min(worth.ground_m2, 0.25 * allowed)
    most = worth.most if worth.most is not None else len(usable) if worth.ground_m2 == 0 else 2
    taken: tuple[int, list[float], dict[int, int]] | None = None
    for k in range(1, min(most, len(usable)) + 1):
        every = [(*sums_of(options, rows, members), members) for members in itertools.combinations(usable, k)]
        top = max(gains[5] for gains, _, _ in every)
        enough = [
            one for one in every if one[0][5] >= round((1.0 if worth.ground_m2 == 0 else 0.95) * top, 3)
        ]
        gains, given, _ = max(enough, key=lambda one: (one[0], [-p for p in one[2]]))
        if taken is None:
            taken = (k, gains, given)
            continue
        more, good = round(gains[5] - taken[1][5], 3), round(gains[2] - taken[1][2], 3)
        asked = round((k - taken[0]) * step, 3)
        if more > 0 if worth.ground_m2 == 0 else more >= asked or good >= 2 * asked:
            taken = (k, gains, given)
    return {} if taken is None else taken[2]


@pytest.mark.parametrize("seed", range(300))
def test_option_tables_equal_a_search_written_another_way(seed: int) -> None:
    options = random_options(seed)
    rng = np.random.default_rng(seed + 5000)
    worth = Worth(float(rng.choice([0.0, 4.0, 12.0])), [None, 1, 2, 3][int(rng.integers(0, 4))])
    treatment, choices = choose(options, worth)
    for site in range(int(options.site.max()) + 1):
        rows = [int(row) for row in np.flatnonzero(options.site == site)]
        wanted = planned(options, rows, worth)
        assert {row: int(treatment[row]) for row in rows if treatment[row] >= 0} == wanted
        mine = choices.taken & (choices.site == site)
        assert mine.sum() == (1 if wanted else 0)
        assert choices.ground_m2[mine].sum() == pytest.approx(
            sum(options.area_m2[row] for row in wanted), abs=1e-3
        )


@pytest.mark.parametrize("seed", range(40))
def test_a_site_does_not_hang_on_the_sites_beside_it(seed: int) -> None:
    options, worth = random_options(seed), Worth(12.0)
    whole, _ = choose(options, worth)
    for site in np.unique(options.site):
        own = options.site == site
        alone = Options(np.zeros(int(own.sum()), dtype=np.intp), options.area_m2[own], options.uses, options.can[own],
                        options.cautioned[own], options.all_good[own], options.weeds[own], options.rating[own],
                        options.price[own], options.preferred, options.fill[own])  # fmt: skip
        assert choose(alone, worth)[0].tolist() == whole[own].tolist()


def test_too_many_products_are_refused_where_more_than_two_may_be_used() -> None:
    p = 13
    ones = np.ones((1, p))
    yes, no = ones > 0, ones > 1
    options = Options(
        np.zeros(1, dtype=np.intp), np.ones(1), np.eye(p, dtype=bool), yes, no, yes,
        ones, ones, ones, np.zeros(p, dtype=bool), ones,
    )  # fmt: skip
    with pytest.raises(wz.LabelError, match="more than the 12"):
        choose(options, Worth(0.0))
    assert choose(options, Worth(5.0))[0].tolist() == [0]


def test_one_strength_by_hand() -> None:
    """Of 100 m2, 97 allow 2 and 3 only 1: the mix is 2 and the 3 are left, unless another mix is worth 3 m2.

    Where only 90 allow 2, all get 1: the highest dose that 95 % allow.
    """
    site, product, none = np.zeros(2, dtype=np.intp), np.zeros(2, dtype=np.intp), np.array([10.0])
    dose = np.array([2.0, 1.0])
    assert strengths(site, product, dose, np.array([97.0, 3.0]), none).tolist() == [2.0, 0.0]
    assert strengths(site, product, dose, np.array([97.0, 3.0]), np.array([3.0])).tolist() == [2.0, 1.0]
    assert strengths(site, product, dose, np.array([90.0, 10.0]), none).tolist() == [1.0, 1.0]
    assert strengths(site, np.array([0, -1]), dose, np.array([1.0, 1.0]), none).tolist() == [2.0, 0.0]


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


def weeds_of(site: dict[str, list[dict[str, Any]]], labels: dict[str, Label]) -> list[tuple[str, ...]]:
    """Weeds of each of the cells of `cells_of`."""
    return [here for here, _ in faces_of(site, labels)]


def cells_of(site: dict[str, list[dict[str, Any]]], labels: dict[str, Label]) -> list[tuple[float, Any]]:
    """Ground of one site in cells of one set of weeds and one set of products: (area, {product: marks})."""
    out = []
    for (here, can), area in faces_of(site, labels).items():
        marks = {}
        for name in can:
            known = [MARK[labels[name].weeds[w]] for w in here if w in labels[name].weeds]
            marks[name] = (len(known), sum(known) / len(known))
        out.append((area, marks))
    return out


def faces_of(site: dict[str, list[dict[str, Any]]], labels: dict[str, Label]) -> dict[Any, float]:
    """Area of the ground of each set of weeds and set of products."""
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
    return found


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
    worth = "0 ft2" if batch % 2 else "60 ft2"
    job = wz.size_job(
        wz.Survey(**frames),
        labels,
        BIG,
        use="spot",
        on="2026-05-10",
        worth=worth,
        min_width="0 ft",
        min_area="0 ft2",
    )
    totals = job.totals.set_index(["site", "product"])["area_m2"].to_dict()
    compared = 0
    for name, site in sites.items():
        cells = cells_of(site, labels)
        treated = {product: area for (at, product), area in totals.items() if at == name}
        if not cells:
            assert not treated
            continue
        table = np.array([[one.get(label) is not None for label in labels] for _, one in cells])
        marks = np.array([[one.get(label, (0.0, 0.0)) for label in labels] for _, one in cells])
        sizes = [len(here) for here in weeds_of(site, labels)]
        material = np.array([label.rates[0].dose[0] for label in labels.values()])
        options = Options(
            np.zeros(len(cells), dtype=np.intp), np.array([area for area, _ in cells]), np.eye(3, dtype=bool), table,
            table & False, (marks[:, :, 1] == 3.0) & (marks[:, :, 0] == np.array(sizes)[:, np.newaxis]),
            marks[:, :, 0], marks[:, :, 1], np.zeros(table.shape) * material, np.zeros(3, dtype=bool),
            np.zeros(table.shape),
        )  # fmt: skip
        given = planned(options, list(range(len(cells))), Worth(0.0 if batch % 2 else 60 * 0.3048**2))
        wanted = {
            product: sum(cells[row][0] for row, p in given.items() if p == at)
            for at, product in enumerate(labels)
        }
        # Slivers below a few square decimetres may go either way: buffers are drawn with other arcs.
        notable = {product for product, area in wanted.items() if area > 0.05}
        assert notable == {product for product, area in treated.items() if area > 0.05}, name
        for product in notable:
            assert treated[product] == pytest.approx(wanted[product], rel=5e-3, abs=0.05)
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
    assert products(sized(lawn(), a, b)) == ["Demo A"], "the order of the labels"
    dear = sized(lawn(), a, b, prices={"Demo A": "30/gal", "Demo B": "10/gal"})
    assert products(dear) == ["Demo B"]
    assert "Demo A, it costs more" in explain(dear)["why"].iloc[0]
    part = sized(lawn(), a, b, prices={"Demo A": "30/gal"})
    assert products(part) == ["Demo A"]
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

    twice = sized(survey, a, b, passes=2, worth="0 ft2")
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
    job = sized(lawn(("dandelion", "white clover")), a, b, passes=2, worth="0 ft2")
    assert (2 in set(job.zones["pass"])) is allowed
    assert ("no second pass is allowed" in job.findings["message"].str.cat()) is not allowed


def test_ingredients_apart_do_not_limit_each_other(tmp_path: Any) -> None:
    tight = 'applications_per_year = 1\ninterval = "30 day"'
    a = label(tmp_path, "Demo A", weeds='dandelion = "good"', limits=tight)
    b = label(tmp_path, "Demo B", weeds='"white clover" = "fair"', limits=tight)
    job = sized(lawn(("dandelion", "white clover")), a, b, passes=2, worth="0 ft2")
    assert list(job.zones["pass"]) == [1, 2]


def test_second_pass_keeps_its_own_buffer(tmp_path: Any) -> None:
    a = label(tmp_path, "Demo A", weeds='dandelion = "good"', pond="2 ft")
    b = label(tmp_path, "Demo B", weeds='"white clover" = "fair"', pond="10 ft")
    survey = lawn(("dandelion", "white clover"), pond=True)
    job = sized(survey, a, b, passes=2, worth="0 ft2")
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
        sized(lawn(), a, products={"tall fescue": "Demo A"}, passes=2, worth="0 ft2")
