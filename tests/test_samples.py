"""The sample surveys, labels and rigs: rebuilt alike, valid, and consistent by plain arithmetic."""

import importlib.util
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely

import weedzone as wz
from weedzone.base.units import PRODUCT_UNIT, to_si
from weedzone.crew.sheet_loads import page

SAMPLES = Path(__file__).parent.parent / "sample_sites"
PLACES = ("alder_court", "heron_flats", "quince_bend")
LABELS = sorted((SAMPLES / "labels").glob("*.toml"))
WEEDS = {"ground ivy", "white clover", "dandelion", "broadleaf plantain"}

# Customary units by definition: 1 acre = 43,560 ft2, 1 gal = 128 fl oz, 1 lb = 16 oz
# (NIST Handbook 44, appendix C; figures from memory).
KSQFT_PER_ACRE = 43.56
FLOZ_PER_GAL = 128.0
OZ_PER_LB = 16.0

KEYS = {
    "": {
        *("name", "form", "registration", "signal_word", "ppe", "reentry", "active", "turf", "weeds", "rate"),
        *("adjuvant", "limits", "buffers", "weather", "hints"),
    },
    "active": {"name", "concentration", "group"},
    "turf": {"tolerant", "caution"},
    "rate": {"use", "dose", "mix", "volume"},
    "adjuvant": {"name", "rate", "required"},
    "limits": {"per_application", "per_year", "applications_per_year", "interval"},
    "weather": {"wind_min", "wind_max", "temperature", "rainfast", "delta_t"},
    "hints": {"mowing", "watering"},
}


def layers(path: Path) -> dict[str, gpd.GeoDataFrame]:
    return {str(name): gpd.read_file(path, layer=name) for name, _ in pyogrio.list_layers(path)}


@pytest.fixture(scope="module")
def surveys() -> dict[str, dict[str, gpd.GeoDataFrame]]:
    return {place: layers(SAMPLES / place / "survey.gpkg") for place in PLACES}


@pytest.fixture(scope="module")
def maker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("sample_maker", SAMPLES / "make.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # its dataclass looks its own module up
    spec.loader.exec_module(module)
    return module


def same_shape(ours: shapely.Geometry, theirs: shapely.Geometry) -> bool:
    """Equal up to start and direction of the rings, within one step of the last written decimal."""
    return bool(shapely.equals_exact(shapely.normalize(ours), shapely.normalize(theirs), tolerance=1.5e-9))


def test_rebuilding_gives_what_is_committed(maker, surveys, tmp_path):
    files = maker.make(tmp_path)
    assert [file.parent.name for file in files] == list(PLACES)
    for file in files:
        again, kept = layers(file), surveys[file.parent.name]
        assert list(again) == list(kept)
        for layer, frame in again.items():
            old = kept[layer]
            columns = [c for c in old.columns if c != "geometry"]
            assert frame[columns].equals(old[columns]), layer
            assert all(map(same_shape, frame.geometry, old.geometry)), layer


def test_another_seed_gives_other_ground(maker, surveys, tmp_path):
    again = layers(maker.make(tmp_path, seed=7)[0])["infestations"].geometry
    kept = surveys["alder_court"]["infestations"].geometry
    assert len(again) != len(kept) or not all(map(same_shape, again, kept))


@pytest.mark.parametrize("place", PLACES)
def test_geometry_is_valid_and_in_degrees(surveys, place):
    for layer, frame in surveys[place].items():
        assert frame.crs.to_epsg() == 4326
        assert frame.geometry.notna().all()
        assert frame.geometry.is_valid.all(), layer
        assert not frame.geometry.is_empty.any()
        west, south, east, north = frame.total_bounds
        assert -125 < west < east < -66, "a temperate place in North America"
        assert 25 < south < north < 49
        assert east - west < 0.01
        assert north - south < 0.01
    assert (SAMPLES / place / "survey.gpkg").stat().st_size < 400_000


@pytest.mark.parametrize("place", PLACES)
def test_columns_say_what_the_shapes_need(surveys, place):
    weeds = surveys[place]["infestations"]
    assert set(weeds.weed) == WEEDS
    points, lines = weeds.geom_type == "Point", weeds.geom_type == "LineString"
    assert points.any()
    assert lines.any()
    assert (weeds.geom_type == "Polygon").any()
    assert (weeds.radius_ft > 0).equals(points)
    assert (weeds.width_ft > 0).equals(lines)
    assert weeds.cover.dropna().between(0, 1).all()
    assert weeds.cover.notna().any()
    assert set(surveys[place]["turf"].geom_type) <= {"Polygon", "MultiPolygon"}


@pytest.mark.parametrize("place", PLACES)
def test_turf_abuts_without_overlap_and_stays_in_the_boundary(surveys, place):
    crs = surveys[place]["turf"].estimate_utm_crs()
    turf, boundary = surveys[place]["turf"].to_crs(crs), surveys[place]["boundary"].to_crs(crs)
    assert set(turf.site) == set(boundary.site)
    for site, lawns in turf.groupby("site"):
        whole = lawns.geometry.union_all()
        assert lawns.area.sum() == pytest.approx(whole.area, abs=0.01)
        lot = boundary.loc[boundary.site == site].geometry.union_all()
        assert whole.difference(lot).area < 0.01
        assert whole.area < 0.95 * lot.area, "house and drive are cut out"


def test_the_neighbourhood_has_what_was_promised(surveys):
    layer = surveys["quince_bend"]
    lots = layer["boundary"].site
    assert lots.is_unique
    assert len(lots) >= 25
    assert layer["infestations"].groupby("site").size().reindex(lots).between(3, 12).all()
    assert layer["turf"].groupby("site").size().reindex(lots).between(2, 5).all()
    assert {"zoysiagrass", "bermudagrass", "kentucky bluegrass", "tall fescue"} <= set(layer["turf"].turf)
    assert {"pond", "well", "vegetable garden", "flower bed", "tree", "play area", "beehive", "patio"} == set(
        layer["keep_out"].kind
    )


def test_the_park_has_a_past_and_a_creek(surveys):
    layer = surveys["heron_flats"]
    acres = layer["boundary"].to_crs(layer["boundary"].estimate_utm_crs()).area.sum() / 10_000
    assert acres == pytest.approx(5, abs=0.5)
    assert sorted(layer["history"].date.astype(str).str[:10]) == ["2026-05-10", "2026-09-20"]
    names = {tomllib.loads(file.read_text())["name"] for file in LABELS}
    assert set(layer["history"]["product"]) <= names
    creek = layer["keep_out"].loc[layer["keep_out"].kind == "creek"]
    assert (creek.geom_type == "LineString").all()
    assert (creek.buffer_ft > 0).all()


# ------------------------------------------------------------------------------- labels and rigs


def figure(text: str, **factors: float) -> float:
    """Read "0.5 oz/acre" with the units that the caller knows; on purpose not the package's reader."""
    number, unit = text.split(" ", 1)
    return float(number) * factors[unit.replace(" ", "_").replace("/", "_per_").replace("%", "percent")]


def volume(text: str) -> float:
    return figure(text, gal_per_ksqft=KSQFT_PER_ACRE, gal_per_acre=1.0)


def per_acre(rate: dict, form: str) -> float:
    """Return the most product that a rate puts on an acre: gallons of a liquid, pounds of a dry form."""
    small = FLOZ_PER_GAL if form == "liquid" else OZ_PER_LB
    if "dose" in rate:
        per_ksqft = KSQFT_PER_ACRE / small
        return max(
            figure(
                text,
                fl_oz_per_ksqft=per_ksqft,
                oz_per_ksqft=per_ksqft,
                oz_per_acre=1 / small,
                lb_per_ksqft=KSQFT_PER_ACRE,
            )
            for text in rate["dose"]
        )
    return figure(rate["mix"], fl_oz_per_gal=1 / small, oz_per_gal=1 / small) * max(
        map(volume, rate["volume"])
    )


@pytest.fixture(scope="module", params=LABELS, ids=lambda file: file.stem)
def label(request) -> dict:
    return tomllib.loads(request.param.read_text())


def test_no_rate_passes_the_limit_of_any_active(label):
    limits = label["limits"]
    assert label["rate"]
    for rate in label["rate"]:
        amount = per_acre(rate, label["form"])
        for i, active in enumerate(label["active"]):
            own = limits if i == 0 else limits[active["name"]]
            on_ground = amount * figure(active["concentration"], lb_per_gal=1.0, percent=0.01)
            most = figure(own["per_application"], lb_per_acre=1.0)
            assert 0.5 * most < on_ground <= most, f"{rate['use']}, {active['name']}"
            year = figure(own["per_year"], lb_per_acre=1.0)
            assert most * limits["applications_per_year"] <= year * (1 + 1e-12)


def test_a_worked_rate_by_hand():
    """1.3 fl oz/ksqft x 43.56 / 128 = 0.44241 gal/acre; x 2.2 lb/gal = 0.9733 lb 2,4-D an acre."""
    trio = tomllib.loads((SAMPLES / "labels" / "demo_trio.toml").read_text())
    broadcast = next(rate for rate in trio["rate"] if rate["use"] == "broadcast")
    assert per_acre(broadcast, "liquid") == pytest.approx(0.44241, abs=5e-6)


def test_no_unknown_keys(label):
    assert set(label) <= KEYS[""]
    for table, known in KEYS.items():
        found = label.get(table, {}) if table else {}
        extra = {active["name"] for active in label["active"]} if table == "limits" else set()
        for entry in found if isinstance(found, list) else [found]:
            assert set(entry) <= known | extra, table
    for active in label["active"][1:]:
        assert set(label["limits"][active["name"]]) == {"per_application", "per_year"}


def test_labels_are_invented_and_complete(label):
    assert label["name"].startswith("Demo ")
    assert label["registration"].startswith("DEMO-")
    assert set(label["weeds"]) <= WEEDS
    assert set(label["weeds"].values()) <= {"good", "fair", "poor"}
    uses = {rate["use"] for rate in label["rate"]}
    assert uses == ({"granular"} if label["form"] == "granule" else {"spot", "broadcast"})
    assert {"pond", "creek", "well", "default"} <= set(label["buffers"])


def test_every_kept_out_kind_of_the_samples_has_a_buffer(label, surveys):
    for layer in surveys.values():
        assert set(layer["keep_out"].kind) <= set(label["buffers"])


def test_the_rigs_fit_every_label(label):
    rigs = tomllib.loads((SAMPLES / "rigs.toml").read_text())["rig"]
    assert {rig["kind"] for rig in rigs.values()} == {"sprayer", "spreader"}
    carriers = [volume(rig["carrier"]) for rig in rigs.values() if rig["kind"] == "sprayer"]
    assert len(carriers) == 2
    for rate in label["rate"]:
        if "volume" in rate:
            low, high = map(volume, rate["volume"])
            assert all(low <= carrier <= high for carrier in carriers)


def test_the_labels_cover_the_forms_and_the_grasses(surveys):
    labels = [tomllib.loads(file.read_text()) for file in LABELS]
    assert len(labels) >= 5
    assert {one["form"] for one in labels} == {"liquid", "dry", "granule"}
    named = {turf for one in labels for turf in [*one["turf"]["tolerant"], *one["turf"].get("caution", {})]}
    grown = {turf for layer in surveys.values() for turf in layer["turf"].turf}
    assert grown - named == {"creeping bentgrass"}, "one green that no product may touch, and no other"


@pytest.mark.parametrize(
    ("place", "rig", "use"),
    [
        ("alder_court", "backpack", "spot"), ("quince_bend", "backpack", "spot"),
        ("heron_flats", "boom", "broadcast"), ("heron_flats", "spreader", "granular"),
    ],
)  # fmt: skip
def test_every_output_shows_the_two_amounts_and_no_third(place, rig, use, tmp_path):
    """What goes on the ground, and what is made up for it: of each product, in every table, file and page."""
    labels, day = wz.read_labels(SAMPLES / "labels"), "2026-05-20"
    survey = wz.read_survey(SAMPLES / place / "survey.gpkg")
    job = wz.size_job(survey, labels, wz.read_rig(SAMPLES / "rigs.toml", rig), use, on=day)

    def sums(table, column, by="product"):
        return table.groupby(by)[column].sum().to_dict()

    unit = job.totals.groupby("product")["product_unit"].first().to_dict()
    per_si = {name: PRODUCT_UNIT[labels[name].form][1] for name in unit}
    quote = wz.quote(job, wz.read_prices(SAMPLES / "prices.toml"), visits=1, pricing="cost-plus")
    listed = wz.shopping_list(job, {}).query("item in @unit").set_index("item")["needed"].to_dict()
    job.write(tmp_path / "out", ["csv", "gpkg"])
    files = {name: pd.read_csv(tmp_path / "out" / f"{name}.csv") for name in ("zones", "totals", "loads")}
    made = wz.size_portfolio(
        SAMPLES / place / "survey.gpkg", labels, job.rig, use=use, on=day, out=tmp_path / "many"
    )
    recorded = wz.record(job, tmp_path / "records.gpkg").rows
    recorded["told"] = [
        to_si(text, "amount", form=form) * per_si[name]
        for text, form, name in recorded[["amount", "form", "product"]].itertuples(index=False)
    ]
    sheets = [page(job, site, job.on) for site in survey.sites]
    poured = dict.fromkeys(unit, 0.0)
    for product in (one for sheet in sheets for one in sheet["products"]):
        for load in product["loads"]:
            first, last = (load["number"].split(" of ")[0].split(" to ") * 2)[:2]
            times = int(last) - int(first) + 1
            amount = to_si(load["product"][0].replace(",", ""), "amount", form=labels[product["name"]].form)
            poured[product["name"]] += times * amount * per_si[product["name"]]
    visits = wz.season_plan(job).visits.query("application == 1 and visit == 1")
    on_ground = {
        "loads": sums(job.loads, "product_amount"), "totals": sums(job.totals, "product_amount"),
        "totals.csv": sums(files["totals"], "product_amount"), "zones.csv": sums(files["zones"], "product_amount"),
        "portfolio": sums(made.read("totals"), "product_amount"), "record": sums(recorded, "told"),
        "season": sums(visits, "product_amount"),
    }  # fmt: skip
    ground = sums(job.zones, "product_amount")
    for output, told in on_ground.items():
        assert told == pytest.approx(ground, rel=1e-6), output
    lines = quote.lines[quote.lines["item"].isin(list(unit))].assign(n=lambda t: t["quantity"].astype(float))
    made_up = {
        "totals": sums(job.totals, "made_up_amount"), "plan": sums(wz.load_plan(job), "made_up_amount"),
        "loads.csv": sums(files["loads"], "made_up_amount"), "shopping list": listed,
        "quote": sums(lines, "n", "item"), "season": sums(visits, "made_up_amount"),
    }  # fmt: skip
    if use != "granular":
        steps = wz.mixes(job)
        made_up["steps"] = sums(steps[steps["sort"] == "product"], "amount")
    if place != "alder_court":  # the one site whose load is under the least that the rig mixes
        made_up["portfolio"] = sums(made.read("totals"), "made_up_amount")
    measured = sums(job.loads, "made_up_amount")
    for output, told in made_up.items():
        assert told == pytest.approx(measured, rel=1e-3), output
    # Words of the sheet round down once more, by a twentieth at most.
    for name, amount in poured.items():
        assert 0.95 * measured[name] <= amount <= measured[name] * (1 + 1e-6)
