"""What a newcomer passes by mistake: one clear error that names the mend, or a finding; never a traceback.

The signal words are those of 40 CFR 156.64 (from memory).
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely

import weedzone as wz
from weedzone.base.errors import kind_of, unknown_options
from weedzone.cli import main
from weedzone.kit import label_check as labelcheck
from weedzone.kit.label_file import read_label

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_sites"
LAWN = SAMPLES / "alder_court" / "survey.gpkg"
LABELS = SAMPLES / "labels"
RIGS = SAMPLES / "rigs.toml"
DAY = "2026-05-20"
X, Y, CRS = 500_000, 4_400_000, "EPSG:26915"
WRONG = [
    None,
    5,
    2.5,
    True,
    "gj",
    b"gj",
    [],
    ["gj"],
    [None],
    {},
    {"gj": 1},
    (),
    object(),
    Path("gj"),
    np.arange(2),
]

survey = wz.read_survey(LAWN)
labels = wz.read_labels(LABELS)
rig = wz.read_rig(RIGS, "backpack")
job = wz.size_job(survey, labels, rig, on=DAY)
name = str(job.zones["product"].iloc[0])


def frames(**layers: Any) -> dict[str, gpd.GeoDataFrame]:
    usual = {
        "turf": gpd.GeoDataFrame(
            {"turf": ["tall fescue"]}, geometry=[shapely.box(X, Y, X + 30, Y + 20)], crs=CRS
        ),
        "infestations": gpd.GeoDataFrame(
            {"weed": ["dandelion"]}, geometry=[shapely.box(X + 5, Y + 5, X + 15, Y + 15)], crs=CRS
        ),
        "keep_out": gpd.GeoDataFrame({"kind": ["pond"]}, geometry=[shapely.Point(X + 25, Y + 10)], crs=CRS),
    }
    return {**usual, **layers}


def told(table: Any) -> str:
    return "\n".join(f"{row.severity} {row.layer} {row.feature}: {row.message}" for row in table.itertuples())


def refusal(call: Callable[[], object], kind: type[wz.WeedzoneError] = wz.InputError) -> str:
    with pytest.raises(kind) as caught:
        call()
    assert "\n" not in str(caught.value)
    return str(caught.value)


# --- arguments of the wrong kind ---------------------------------------------------------------------------------


def test_one_label_or_several_do_for_a_mapping() -> None:
    one = wz.size_job(survey, labels[name], rig, on=DAY)
    assert one.zones.equals(wz.size_job(survey, {name: labels[name]}, rig, on=DAY).zones)
    assert one.labels == {name: labels[name]}
    assert wz.size_job(survey, list(labels.values()), rig, on=DAY).zones.equals(job.zones)
    assert wz.allowance(survey, labels[name], on=DAY).equals(
        wz.allowance(survey, {name: labels[name]}, on=DAY)
    )


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: wz.size_job(survey, "mylabel.toml", rig), "labels: .*'mylabel.toml'.*read_labels"),
        (lambda: wz.size_job(survey, [labels[name]] * 2, rig), "labels: a label of each product"),
        (lambda: wz.size_job(survey, {"a": "b"}, rig), "labels a: .*'b'.*read_labels"),
        (lambda: wz.size_job(survey, labels, "pack"), "rig: a rig is wanted here, not 'pack'.*read_rig"),
        (lambda: wz.size_job(survey, labels, None), "rig: .*not None.*read_rig"),
        (lambda: wz.size_job("gj", labels, rig), "survey: a survey is wanted here, not 'gj'.*read_survey"),
        (lambda: wz.whole_turf("gj", labels, rig), "survey: .*'gj'"),
        (lambda: wz.whole_turf(survey, "gj", rig), "labels: "),
        (lambda: wz.allowance("gj", labels), "survey: .*'gj'"),
        (lambda: wz.size_job(survey, labels, rig, policy="p.toml"), "policy: .*read_policy"),
        (lambda: wz.size_job(survey, labels, rig, products=name), "products: .*tall fescue"),
        (lambda: wz.size_job(survey, labels, rig, products={"tall fescue": labels[name]}), "products: .*a Label"),
        (lambda: wz.size_job(survey, labels, rig, exclude=name), "exclude: a list of products"),
        (lambda: wz.size_job(survey, labels, rig, prefer=[labels[name]]), "prefer: .*a Label"),
        (lambda: wz.size_job(survey, labels, rig, exclude=5), "exclude: .*not 5"),
        (lambda: wz.size_job(survey, labels, rig, prices="prices.toml"), "prices: .*read_prices"),
        (lambda: wz.size_job(survey, labels, rig, avoid_caution="no"), "avoid_caution: True or False"),
        (lambda: wz.size_job(survey, labels, rig, even_loads=1), "even_loads: True or False"),
        (lambda: wz.size_job(survey, labels, rig, exclude=list(labels)), "exclude: every label at hand is excluded"),
        (lambda: wz.quote(job, "my/prices.toml"), r"prices: .*read_prices\('my/prices.toml'\)"),
        (lambda: wz.quote(job, None), r'prices: .*not None.*read_prices\("prices.toml"\)'),
        (lambda: wz.quote(None, None), "job: a sized job"),
        (lambda: wz.season_plan(None), "job: a sized job is wanted here, not None; give what size_job"),
        (lambda: wz.record(None, "x.gpkg"), "job: "),
        (lambda: wz.record(job, None), "path: .*record"),
        (lambda: wz.read_records(None), "path: .*read_records"),
        (lambda: wz.read_labels([LABELS, LABELS]), "path: .*one path, not a list"),
        (lambda: wz.read_survey(None), "path: a survey needs one path, not None"),
        (lambda: wz.read_rig(None, "backpack"), "path: "),
        (lambda: wz.read_rig(RIGS, 5), "name: .*backpack"),
        (lambda: wz.read_prices(None), "path: "),
        (lambda: wz.read_policy(None), "path: "),
        (lambda: job.sheet(None), "path: a mix sheet needs one path, not None"),
        (lambda: job.write(None), "path: a job needs one path, not None"),
        (lambda: job.sheet("out", site=5), "site: .*not 5"),
        (lambda: job.plot(site=5), "site: .*not 5"),
        (lambda: job.plot(ax="here"), "ax: axes of matplotlib"),
        (lambda: wz.size_portfolio(LAWN, "labels", rig, out="nowhere"), "labels: "),
        (lambda: wz.size_portfolio(LAWN, labels, rig, out=None), "path: "),
        (lambda: wz.size_portfolio(None, labels, rig, out="nowhere"), "path: "),
    ],
)  # fmt: skip
def test_wrong_kinds_are_named_with_their_mend(call: Callable[[], object], words: str) -> None:
    assert re.search(words, refusal(call)), refusal(call)


def test_no_argument_of_any_kind_gives_a_traceback(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    options = (
        *(
            "on",
            "max_products",
            "exclude",
            "prefer",
            "avoid_caution",
            "prices",
            "policy",
            "wind_from",
            "wind_spread",
        ),
        *("min_width", "min_area", "even_loads", "adjuvants", "passes", "products", "use"),
    )
    calls: list[Callable[[Any], object]] = [
        wz.read_survey, wz.read_labels, wz.read_rig, wz.read_prices, wz.read_policy, wz.read_weather, wz.read_records,
        wz.season_plan, wz.load_plan, wz.mixes,
        lambda value: wz.size_job(value, labels, rig),
        lambda value: wz.size_job(survey, value, rig),
        lambda value: wz.size_job(survey, labels, value),
        lambda value: wz.whole_turf(value, labels, rig),
        lambda value: wz.allowance(survey, value),
        lambda value: wz.quote(value, None),
        lambda value: wz.quote(job, value),
        lambda value: wz.record(value, "r.gpkg"),
        lambda value: wz.shopping_list(value, {}),
        lambda value: wz.season_plan(job, visits=value),
        lambda value: wz.spray_windows(value, labels),
        *(lambda value, one=one: wz.size_job(survey, labels[name], rig, **{one: value}) for one in options),
    ]  # fmt: skip
    loose = []
    for number, call in enumerate(calls):
        for value in WRONG:
            try:
                call(value)
            except wz.WeedzoneError:
                continue  # one line: errors are made so
            except Exception as error:
                loose.append((number, value, repr(error)))
    assert not loose, "\n".join(map(str, loose))


def test_misspelt_options_are_named_with_the_right_one() -> None:
    text = refusal(lambda: wz.size_job(survey, labels, rig, exlude=["x"]))
    assert text == "size_job: unknown: exlude; did you mean 'exclude'?"
    assert "did you mean 'products'" in refusal(lambda: wz.size_job(survey, labels, rig, product={}))
    assert "known are use, products, on, max_products" in refusal(
        lambda: wz.size_job(survey, labels, rig, foo=1)
    )
    assert "did you mean 'legend'" in refusal(lambda: job.plot(legends=False))
    assert "did you mean 'system'" in refusal(lambda: job.sheet("out", sytem="us"))
    assert "known are path, site, title, system" in refusal(lambda: job.explore(foo=1))
    assert "did you mean 'yearly'" in refusal(lambda: wz.whole_turf(survey, labels, rig, yearli="1 lb/ksqft"))
    assert "did you mean 'applicator'" in refusal(lambda: wz.record(job, "r.gpkg", aplicator="A. Person"))
    assert "did you mean 'passes'" in refusal(
        lambda: wz.size_portfolio(LAWN, labels, rig, out="nowhere", pases=2)
    )
    assert not Path("nowhere").exists()


def test_helpers() -> None:
    assert [kind_of(one) for one in (None, 5, "a", [1], job)] == ["None", "5", "'a'", "a list", "a Job"]
    assert kind_of("x" * 500) == f"'{'x' * 60}...'"
    unknown_options(["a"], ["a", "b"])
    with pytest.raises(wz.InputError, match="unknown: 1; known are a"):
        unknown_options(["1"], ["a"])


# --- surveys -----------------------------------------------------------------------------------------------------


def test_a_layer_of_which_nothing_is_left_says_what_was_dropped() -> None:
    nan = shapely.LineString([(np.nan, np.nan), (np.nan, np.nan)])
    broken = gpd.GeoDataFrame({"weed": ["dandelion"] * 2}, geometry=[nan, shapely.Polygon()], crs=CRS)
    text = refusal(lambda: wz.Survey(**frames(infestations=broken)), wz.SurveyError)
    assert "none of its 2 shapes can be used" in text
    assert "feature 1: its coordinates are not all numbers" in text
    assert "feature 2: it has no shape" in text
    nothing = refusal(lambda: wz.Survey(**frames(infestations=broken.iloc[:0])), wz.SurveyError)
    assert "the layer is empty" in nothing


@pytest.mark.parametrize("what", ["radius", "width"])
def test_two_lengths_of_one_shape_must_agree(what: str) -> None:
    shape = (
        shapely.Point(X + 9, Y + 9) if what == "radius" else shapely.LineString([(X, Y + 9), (X + 9, Y + 9)])
    )

    def made(feet: float, metres: float) -> wz.Survey:
        table = {"weed": ["dandelion"], f"{what}_ft": [feet], f"{what}_m": [metres]}
        return wz.Survey(**frames(infestations=gpd.GeoDataFrame(table, geometry=[shape], crs=CRS)))

    # 1 ft is 0.3048 m exactly (international foot, 1959).
    for feet, metres in ((10.0, 3.048), (10.0, 3.05), (10.0, np.nan), (np.nan, 3.048)):
        half = made(feet, metres).infestations["reach_m"].iloc[0] * (2 if what == "width" else 1)
        assert half == pytest.approx(3.048, rel=0.01)
    text = refusal(lambda: made(10.0, 10.0), wz.SurveyError)
    assert "feature 1" in text
    assert f"{what}_ft 10 and {what}_m 10 are two lengths" in text


def test_of_two_buffers_the_larger_still_holds() -> None:
    ponds = gpd.GeoDataFrame(
        {"kind": ["pond"], "buffer_ft": [10.0], "buffer_m": [10.0]}, geometry=[shapely.Point(X, Y)], crs=CRS
    )
    assert wz.Survey(**frames(keep_out=ponds)).keep_out["buffer_m"].iloc[0] == 10.0


def test_an_empty_boundary_is_told() -> None:
    empty = gpd.GeoDataFrame(geometry=[], crs=CRS)
    assert "the boundary layer is empty: sites are not limited" in told(
        wz.Survey(**frames(boundary=empty)).findings
    )
    assert "boundary" not in told(wz.Survey(**frames()).findings)
    assert "pass a GeoDataFrame" in refusal(lambda: wz.Survey(**frames(boundary=5)), wz.SurveyError)


def test_a_crs_that_no_layer_needs_is_told() -> None:
    assert "every layer states its own" in told(wz.read_survey(LAWN, crs="EPSG:26915").findings)
    assert "every layer states its own" not in told(survey.findings)


# --- labels and rigs ---------------------------------------------------------------------------------------------


def spoilt(tmp_path: Path, *pairs: tuple[str, str]) -> wz.Label:
    text = (LABELS / "demo_meadow_60.toml").read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    file = tmp_path / "label.toml"
    file.write_text(text, encoding="utf-8")
    return read_label(file)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('signal_word = "caution"', 'signal_word = "careful"', "'careful' is no signal word"),
        ("group = 2", 'group = "two"', "is 'two', no number"),
        ('rate = "0.25 %"', 'rate = "25 %"', "is 25 % of the solution"),
    ],
)
def test_what_is_doubtful_on_a_label_is_told(tmp_path: Path, old: str, new: str, words: str) -> None:
    label, right = spoilt(tmp_path, (old, new)), spoilt(tmp_path)
    assert any(words in one.message and one.severity == "warning" for one in labelcheck.findings(label))
    assert not any(words in one.message for one in labelcheck.findings(right))
    sized = wz.size_job(survey, label, rig, on=DAY)
    assert words in told(sized.findings)
    assert words not in told(wz.size_job(survey, right, rig, on=DAY).findings)


@pytest.mark.parametrize("word", ["danger", "Warning", "CAUTION", "Danger - Poison", "not given", "none"])
def test_signal_words_of_the_trade_are_not_doubted(tmp_path: Path, word: str) -> None:
    label = replace(spoilt(tmp_path), signal_word=word)
    assert not any("signal word" in one.message for one in labelcheck.findings(label))


def test_sample_labels_are_not_doubted() -> None:
    for label in labels.values():
        assert not any("check" in one.message for one in labelcheck.findings(label))


def test_a_scale_for_a_liquid_is_told() -> None:
    liquid = {one: label for one, label in labels.items() if label.form == "liquid"}
    scale = wz.make_rig("scale", tank="4 gal", carrier="1 gal/ksqft", measure="1 oz")
    cup = wz.make_rig("cup", tank="4 gal", carrier="1 gal/ksqft", measure="1 fl oz")
    message = "the measure is a weight and cannot be used with"
    assert message in told(wz.size_job(survey, liquid, scale, on=DAY).findings)
    assert message not in told(wz.size_job(survey, liquid, cup, on=DAY).findings)


def test_no_filling_is_larger_than_what_holds_it() -> None:
    over = refusal(lambda: wz.make_rig("can", tank="5 gal", largest_fill="6 gal"), wz.RigError)
    assert "largest_fill: more than the tank holds" in over
    hopper = refusal(lambda: wz.make_rig("s", "spreader", hopper="50 lb", largest_fill="60 lb"), wz.RigError)
    assert "more than the hopper holds" in hopper
    assert wz.make_rig("can", tank="5 gal", largest_fill="5 gal").load_L == pytest.approx(5 * 3.785411784)


# --- neighbours --------------------------------------------------------------------------------------------------


def test_windows_without_a_place_ask_for_it() -> None:
    weather = gpd.pd.DataFrame({"time": []})
    text = refusal(lambda: wz.spray_windows(weather, labels))
    assert text == "lat and lon: missing; pass lat= and lon= in degrees, or site="
    assert refusal(lambda: wz.spray_windows(weather, labels, lat=40.0)).startswith("lon: missing")
    assert "95 is not from -90 to 90" in refusal(lambda: wz.spray_windows(weather, labels, lat=95, lon=0))


def test_a_record_does_not_go_where_a_job_was_written(tmp_path: Path) -> None:
    old = replace(job, on=gpd.pd.Timestamp("2024-05-20").date())
    old.write(tmp_path, ["gpkg"])
    before = (tmp_path / "job.gpkg").read_bytes()
    text = refusal(lambda: wz.record(old, tmp_path / "job.gpkg"))
    assert "is replaced when the job is written again" in text
    assert "a file of their own" in text
    assert (tmp_path / "job.gpkg").read_bytes() == before
    own = shutil.copy(LAWN, tmp_path / "survey.gpkg")
    wz.record(old, own)
    assert len(wz.read_records(own))


# --- command line ------------------------------------------------------------------------------------------------


def asked(command: str, *more: object) -> list[str]:
    usual = [command, LAWN, "--labels", LABELS, "--rig", f"{RIGS}:backpack", "--on", DAY]
    return [str(one) for one in (*usual, *more)]


def said(capsys: pytest.CaptureFixture[str], code: int = 2) -> str:
    found = capsys.readouterr()
    assert found.err.count("\n") == (code == 2)
    return found.err or found.out


def test_visits_of_the_price_list_that_cannot_be(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    prices = tmp_path / "prices.toml"
    text = (SAMPLES / "prices.toml").read_text(encoding="utf-8").split("[[followup]]")[0]
    prices.write_text(text + '[[followup]]\nafter = "2 day"\nshare = "30 %"\n', encoding="utf-8")
    assert main(asked("quote", "--prices", prices)) == 2
    error = said(capsys)
    assert "the visit comes from the price list" in error
    assert "--visits 1" in error
    assert "prices.toml" in error
    assert main(asked("quote", "--prices", prices, "--visits", 1)) == 0
    said(capsys, 0)
    assert main(asked("quote", "--prices", prices, "--visits", 0)) == 2
    assert "at least 1" in said(capsys)
    own = refusal(lambda: wz.quote(job, wz.read_prices(prices), [{"after": "2 day", "share": "30 %"}]))
    assert "price list" not in own


def test_a_portfolio_names_the_files_that_it_cannot_stream(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, out = tmp_path / "survey", tmp_path / "out"
    folder.mkdir()
    for layer, frame in frames().items():
        frame.assign(site="A").to_file(folder / f"{layer}.geojson", driver="GeoJSON")
    start = ["size", str(folder), "--labels", str(LABELS), "--rig", f"{RIGS}:backpack", "--out", str(out)]
    assert main([*start, "--portfolio"]) == 2
    error = said(capsys)
    assert "a GeoPackage or a folder of GeoParquet files" in error
    assert "infestations.geojson, keep_out.geojson, turf.geojson" in error
    assert not out.exists(), "the folder is not claimed for a source that cannot be read"
    assert main([*start, "--portfolio", "--crs", CRS]) == 2
    assert "--crs" in said(capsys)
    (tmp_path / "note.txt").write_text("no survey", encoding="utf-8")
    assert main(["size", str(tmp_path / "note.txt"), *start[2:], "--portfolio"]) == 2
    assert "cannot be read" in said(capsys)


@pytest.mark.parametrize(
    ("layer", "column", "value", "meant"),
    [
        ("keep_out", "bufer_ft", 25, "buffer_ft"),
        ("keep_out", "buffre_m", 8.0, "buffer_m"),
        ("infestations", "cover_pct", 40, "cover"),
        ("infestations", "covr", 0.5, "cover"),
        ("infestations", "site_name", "a", "site"),
        ("keep_out", "siet", "a", "site"),
        ("turf", "sites", "a", "site"),
    ],
)
def test_a_column_that_resembles_a_missing_one_is_refused(
    layer: str, column: str, value: object, meant: str
) -> None:
    layers = frames()
    layers[layer][column] = value
    text = refusal(lambda: wz.Survey(**layers), wz.SurveyError)
    assert f"the column {column!r} is not read; name it {meant}, or leave it out" in text


def test_other_columns_are_listed_once() -> None:
    layers = frames()
    layers["keep_out"]["bufer_ft"] = None  # says nothing
    layers["keep_out"]["notes"] = "by the gate"
    layers["infestations"]["seen_by"] = "A. Person"
    found = wz.Survey(**layers).findings
    assert found["message"].tolist() == [
        "columns that are not used: seen_by",
        "columns that are not used: bufer_ft, notes",
    ]
    # What could not be a cover is none.
    layers["infestations"]["cover_pct"] = "dense"
    assert "columns that are not used: seen_by, cover_pct" in told(wz.Survey(**layers).findings)


def test_a_product_of_the_history_without_a_label_is_a_finding_with_the_nearest_name() -> None:
    past = gpd.GeoDataFrame(
        {"product": ["Demo Trii"], "date": ["2026-04-01"], "dose": ["1 fl oz/ksqft"]},
        geometry=[shapely.box(X, Y, X + 30, Y + 20)], crs=CRS,
    )  # fmt: skip
    found = told(wz.size_job(wz.Survey(**frames(history=past)), labels, rig, on=DAY).findings)
    assert "warning history Demo Trii: no label at hand is of this product" in found
    assert "did you mean 'Demo Trio'?" in found


def test_a_rig_without_a_carrier_is_at_fault_itself() -> None:
    granules_first = dict(sorted(labels.items(), key=lambda each: each[1].form != "granule"))
    bare = wz.make_rig("can", tank="2 gal")
    ranged = {
        each: replace(label, rates=tuple(replace(rate, volume=(0.01, 0.2)) for rate in label.rates))
        for each, label in granules_first.items()
    }
    assert "feature can, carrier: " in refusal(lambda: wz.size_job(survey, ranged, bare, on=DAY), wz.RigError)
