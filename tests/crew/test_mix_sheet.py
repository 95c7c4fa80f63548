"""Mix sheets: what stands on them, that nothing on them is anything but text, and where they are written."""

from __future__ import annotations

import base64
import datetime as dt
import html
import io
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import hostile
import pytest
from PIL import Image
from strategies import SAMPLES, labels, sample
from strategies import rig as sample_rig

import weedzone as wz
from weedzone.base.units import UNIT_PER_SI
from weedzone.base.words import plain_line
from weedzone.crew import sheet_loads as sheet_page
from weedzone.crew.sheet_rules import followup, weather
from weedzone.crew.work_order import poured
from weedzone.kit.label import Weather
from weedzone.kit.rig import Extra
from weedzone.sizing.pours import pour_of, water_texts


class Page(HTMLParser):
    """Tags, attributes, text and the cells of tables of a page."""

    def __init__(self, source: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.pieces: list[str] = []
        self.rows: list[list[str]] = []
        self._style = False
        self._cell = False
        self.feed(source)
        self.text = " ".join(" ".join(self.pieces).split())
        self.rows = [[" ".join(cell.split()) for cell in row] for row in self.rows]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]
        self._style = tag == "style"
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")
            self._cell = True

    def handle_endtag(self, tag: str) -> None:
        self._style = False
        if tag in ("td", "th"):
            self._cell = False

    def handle_data(self, data: str) -> None:
        if self._style:
            return
        self.pieces.append(data)
        if self._cell:
            self.rows[-1][-1] += data


def read(file: Path) -> Page:
    return Page(file.read_text(encoding="utf-8"))


@pytest.fixture
def blank(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the map out where only words count: drawing takes most of the time."""
    picture = io.BytesIO()
    Image.new("L", (1, 1)).save(picture, "png")
    source = f"data:image/png;base64,{base64.b64encode(picture.getvalue()).decode()}"
    monkeypatch.setattr("weedzone.crew.mix_sheet._map", lambda *_: source)


@pytest.fixture(scope="module")
def lawn() -> wz.Job:
    return sample("alder_court", "backpack", "spot")


@pytest.fixture(scope="module")
def lawn_sheet(lawn: wz.Job, tmp_path_factory: pytest.TempPathFactory) -> Page:
    [file] = lawn.sheet(tmp_path_factory.mktemp("sheet") / "alder.html")
    return read(file)


def test_loads_stand_on_the_sheet_water_first(lawn: wz.Job, lawn_sheet: Page) -> None:
    heads = [row for row in lawn_sheet.rows if row[:1] == ["Load"]]
    assert len(heads) == lawn.totals["product"].nunique()
    for head in heads:
        assert head[1:3] == ["Water first", "Product"]
        assert head[-2:] == ["Makes", "Covers"]
    for row in poured(lawn).to_dict("records"):
        # What stays in pump and lines, 0.1 gal of this rig, is mixed too: water and product grow alike.
        assert row["made_up_gal"] == pytest.approx(row["solution_gal"] + 0.1)
        water = water_texts(row["water_L"])[0]
        wanted = row["product_amount"] * row["made_up_gal"] / row["solution_gal"]
        unit = row["product_unit"]
        product = pour_of(wanted / UNIT_PER_SI[unit], unit, lawn.rig).texts()[0]
        mine = [
            one
            for one in lawn_sheet.rows
            if one[0] == f"{row['load']} of {row['of']}" and one[1].startswith(water)
        ]
        assert any(one[2].startswith(product) for one in mine)
        assert all(zone in " ".join(map(" ".join, mine)) for zone in row["zones"].split("; "))


def test_zones_stand_on_the_sheet(lawn: wz.Job, lawn_sheet: Page) -> None:
    for row in lawn.zones.to_dict("records"):
        [mine] = [one for one in lawn_sheet.rows if one[0].startswith(f"{row['zone']}a to {row['zone']}")]
        assert row["product"] in mine[1]
        assert row["dose"] in mine[1]
        assert row["turf"] in mine[2]
        for weed in row["weeds"].split("; "):
            assert weed in mine[3]
        if row["area_ft2"] >= 10:
            assert mine[4].startswith(f"{row['area_ft2']:,.0f} ft²")


def test_what_must_not_be_sprayed_and_why(lawn: wz.Job, lawn_sheet: Page) -> None:
    for kind in lawn.survey.keep_out["kind"].unique():
        assert kind in lawn_sheet.text
    rest = lawn.ledger[lawn.ledger["outcome"] != "treated"]
    tree = rest.loc[rest["reason"] == "inside: tree", "area_ft2"].sum()
    assert f"{tree:,.0f} ft²: keep-out, tree" in lawn_sheet.text
    pond = rest.loc[rest["reason"].str.startswith("within 25 ft of: pond ("), "area_ft2"].sum()
    assert f"{pond:,.0f} ft²: buffer, pond, within 25 ft" in lawn_sheet.text
    assert "(label; " not in lawn_sheet.text


def test_distances_to_keep_are_those_of_the_labels_in_use(tmp_path: Path) -> None:
    # Kept off by the narrowest and by the widest label where both products are used.
    most = sample("alder_court", "backpack", "spot", worth="0 ft2", exclude=["Demo Trio"], max_products=3)
    lawn_sheet = read(most.sheet(tmp_path / "a.html")[0])
    used = [most.labels[name] for name in most.totals["product"]]
    pond = [label.buffers_m["pond"] / 0.3048 for label in used]
    assert min(pond) < max(pond)
    assert re.search(rf"pond : keep {min(pond):.0f}( ft)? to {max(pond):.0f} ft off", lawn_sheet.text)


def test_limits_wear_reentry_followup_and_cautions(lawn: wz.Job, lawn_sheet: Page) -> None:
    used = [lawn.labels[name] for name in lawn.totals["product"]]
    text = lawn_sheet.text
    for label in used:
        for item in (*label.ppe, label.reentry, *label.hints.values(), label.signal_word):
            assert item in text
        low, high = label.interval_days
        first, last = (lawn.on + dt.timedelta(days=days) for days in (low, high))
        assert f"{first.day} {first:%B %Y} to {last.day} {last:%B %Y}" in text
    wind = min(label.weather.wind_max_mps for label in used) / 0.44704
    heat = min(label.weather.temperature_c[1] for label in used) * 1.8 + 32
    assert re.search(rf"Wind: \d+ to {wind:.0f} mph", text)
    assert re.search(rf"Temperature: \d+ to {heat:.0f} °F", text)
    for caution in (
        "product label: it is the law",
        "Local rules",
        "licensed applicator",
        "people and pets",
        "bees",
    ):
        assert caution in text
    for line in (
        "Applicator",
        "Licence",
        "Start, time",
        "End, time",
        "Wind at start",
        "Temperature",
        "Used: ",
        "Signature",
    ):
        assert line in text


def test_the_strictest_limit_holds_and_its_label_is_named(lawn: wz.Job) -> None:
    base = lawn.labels["Demo Trio"]
    calm = replace(base, name="Calm", weather=Weather(1.0, 3.0, (10.0, 25.0), 3600.0, (3.0, 6.0)))
    cool = replace(base, name="Cool", weather=Weather(2.0, 4.0, (12.0, 20.0), 36000.0, (2.0, 8.0)))
    rows = {
        name: (value, who)
        for name, value, who in weather([calm, cool], None, "metric", granules=False)["rows"]
    }
    assert rows["Wind"] == ("7.2 to 10.8 km/h", "Cool, Calm")
    assert rows["Temperature"] == ("12 to 20 °C", "Cool")
    assert rows["No rain for"] == ("10 hours after", "Cool")
    assert rows["Delta-T"] == ("3 to 6 °C", "Calm")
    silent = replace(base, weather=Weather())
    assert all("a label is silent" in row[2] for row in weather([silent], None, "us", granules=False)["rows"])
    hot = replace(base, name="Hot", weather=Weather(temperature_c=(30.0, 35.0)))
    clash = weather([cool, hot], None, "us", granules=False)
    assert clash["rows"] == []
    assert "no weather meets both" in clash["clash"]


@pytest.mark.parametrize(
    ("days", "text"),
    [
        ((21.0, 35.0), "31 May 2026 to 14 June 2026 (21 to 35 days)"),
        ((28.0, 28.0), "not before 7 June 2026 (28 days)"),
        ((0.5, 1.5), "11 May 2026 to 11 May 2026 (0.5 to 1.5 days)"),
        (None, "the label at hand states no interval: read it before treating again"),
    ],
)
def test_followup_window(lawn: wz.Job, days: tuple[float, float] | None, text: str) -> None:
    label = replace(lawn.labels["Demo Trio"], interval_days=days, applications_per_year=None)
    assert followup(label, dt.date(2026, 5, 10)) == text
    assert (
        followup(replace(label, applications_per_year=2), dt.date(2026, 5, 10)) == f"{text}; at most 2 a year"
    )


def test_order_of_addition_follows_the_formulation(blank: None, tmp_path: Path) -> None:
    # North Dakota Weed Control Guide 2021: dry powders before oils, which go with the emulsifiables.
    survey = wz.read_survey(SAMPLES / "alder_court" / "survey.gpkg")
    label = labels()["Demo Quin 68"]
    rig = replace(sample_rig(), extras=(Extra("marker dye", 0.001),))
    job = wz.size_job(survey, {label.name: label}, rig, use="spot", on="2026-11-25")
    page = read(job.sheet(tmp_path / "one.html")[0])
    order = page.text.partition("Order: half the water, agitate; ")[2].partition("the rest of the water")[0]
    assert order.index("Demo Quin 68") < order.index("methylated seed oil") < order.index("marker dye")
    [head] = [row for row in page.rows if row[:1] == ["Load"]]
    assert head[3:5] == ["Then methylated seed oil", "Then marker dye"]


def test_the_labels_own_order_comes_first(blank: None, tmp_path: Path) -> None:
    page = read(hostile.job(tmp_path, ("a",)).sheet(tmp_path / "a.html")[0])
    assert page.text.index("The label on mixing: <s>shake</s> first") < page.text.index(
        "Order: half the water"
    )


def test_caution_turf_is_carried() -> None:
    names = dict.fromkeys(
        wz.read_survey(SAMPLES / "heron_flats" / "survey.gpkg").turf["turf"].unique(), "Demo Trio"
    )
    job = sample("heron_flats", "boom", "broadcast", products=names)
    content = sheet_page.page(job, "Heron Flats", job.on)
    marked = job.zones[job.zones["caution"] != ""]
    assert len(marked)
    for row in marked.to_dict("records"):
        assert any(row["zone"] in text and row["caution"] in text for text in content["warnings"])
        assert any(
            one["zone"].startswith(row["zone"]) and one["caution"] == row["caution"]
            for one in content["zones"]["rows"]
        )


def test_granules_have_no_water(blank: None, tmp_path: Path) -> None:
    job = sample("heron_flats", "spreader", "granular")
    page = read(job.sheet(tmp_path)[0])
    assert [row for row in page.rows if row[:1] == ["Load"]] == [["Load", "Product", "Covers"]]
    assert "Order: half the water" not in page.text
    assert "Delta-T" not in page.text
    assert "1 full load of 50 lb + 1 of" in page.text


def test_like_loads_share_a_row(blank: None, tmp_path: Path) -> None:
    job = hostile.job(tmp_path, ("a",))
    small = wz.size_job(
        job.survey, job.labels, replace(job.rig, tank_L=job.rig.tank_L / 10), use="broadcast", on="2026-05-10"
    )
    assert len(small.loads) == 5
    rows = [row for row in read(small.sheet(tmp_path / "a.html")[0]).rows if " of 5" in row[0]]
    assert [row[0] for row in rows] == ["1 to 4 of 5 each", "5 of 5"]
    assert rows[0][-1].count("Z1") == 1
    assert "together" in rows[0][-1]


def test_metric_units_may_come_first(blank: None, lawn: wz.Job, tmp_path: Path) -> None:
    page = read(lawn.sheet(tmp_path / "m.html", system="metric")[0])
    zone = lawn.zones.loc[lawn.zones["area_m2"].idxmax()]
    [row] = [one for one in page.rows if one[0].startswith(f"{zone.zone}a to")]
    assert row[4].startswith(f"{zone.area_m2:,.0f} m²")
    assert "km/h" in page.text
    assert " mph" not in page.text


def test_another_day_is_noted(blank: None, lawn: wz.Job, tmp_path: Path) -> None:
    page = read(lawn.sheet(tmp_path / "d.html", date="2027-04-02")[0])
    assert "2 April 2027" in page.text
    assert "Sized for 25 November 2026" in page.text
    product = lawn.totals["product"].iloc[0]
    opens = dt.date(2027, 4, 2) + dt.timedelta(days=lawn.labels[product].interval_days[0])
    assert f"{opens.day} {opens:%B %Y}" in page.text


def test_nothing_to_treat(blank: None, tmp_path: Path) -> None:
    job = hostile.job(tmp_path, ("a",))
    bare = wz.Survey(
        turf=job.survey.turf,
        infestations=job.survey.infestations.assign(weed="rush"),
        keep_out=job.survey.keep_out,
    )
    none = wz.size_job(bare, job.labels, job.rig, use="broadcast", on="2026-05-10")
    text = read(none.sheet(tmp_path / "a.html")[0]).text
    assert "no infested ground on this site may be treated" in text
    assert "product label: it is the law" in text


# --- a page and nothing else ----------------------------------------------------------------------------------


def test_a_sheet_is_one_file_that_asks_for_nothing(lawn_sheet: Page) -> None:
    assert not {"script", "iframe", "object", "embed", "form", "link", "base"} & set(lawn_sheet.tags)
    for name, value in lawn_sheet.attributes:
        assert not name.startswith("on")
        if name in ("src", "href", "srcset", "action", "data", "poster"):
            assert value.startswith("data:image/png;base64,")
        assert "url(" not in value
    assert (
        "content",
        "default-src 'none'; style-src 'unsafe-inline'; img-src data:",
    ) in lawn_sheet.attributes
    [source] = [value for name, value in lawn_sheet.attributes if name == "src"]
    with Image.open(io.BytesIO(base64.b64decode(source.partition(",")[2]))) as picture:
        assert min(picture.size) > 400


def test_hostile_text_appears_as_text(blank: None, tmp_path: Path) -> None:
    job = hostile.job(tmp_path)
    files = job.sheet(tmp_path / "out")
    assert len(files) == len(hostile.SITES) + 1
    allowed = set(read(sample("alder_court", "backpack", "spot").sheet(tmp_path / "plain.html")[0]).tags) | {
        "a"
    }
    texts = []
    for file in files:
        page = read(file)
        assert set(page.tags) <= allowed
        assert page.tags.count("img") == 1
        assert not [name for name, _ in page.attributes if name.startswith("on")]
        texts.append(page.text)
        source = file.read_text(encoding="utf-8")
        assert "\u202e" not in source
        assert len(html.unescape(re.sub(r"data:image/png;base64,[^\"]*", "", source))) < 60_000
    everything = " ".join(texts)
    for text in (
        '<script>alert("1")</script>',
        hostile.PRODUCT[:40],
        "{{ 7 * 7 }}",
        "<i>gloves</i>",
        "<em>wait</em>",
        "<b>danger</b>",
        "<rig>",
        "<shed>",
        "until dry </body>",
        "<u>yellowing</u>",
    ):
        assert text in everything


def test_index_leads_to_every_sheet(blank: None, tmp_path: Path) -> None:
    job = hostile.job(tmp_path)
    index, *sheets = job.sheet(tmp_path / "out")
    assert index.name == "index.html"
    page = read(index)
    links = [value for name, value in page.attributes if name == "href"]
    assert {(index.parent / unquote(link)).resolve() for link in links} == {one.resolve() for one in sheets}
    treated = job.ledger[job.ledger["outcome"] == "treated"].groupby("site")["area_ft2"].sum()
    for site, row in zip(job.survey.sites, page.rows[1:], strict=True):
        assert row[0] == plain_line(site, 120)
        assert row[1].startswith(f"{treated[site]:,.0f} ft²")


# --- arguments ------------------------------------------------------------------------------------------------


def test_some_sites_only(blank: None, tmp_path: Path) -> None:
    job = hostile.job(tmp_path, ("a", "b", "c"))
    assert [one.name for one in job.sheet(tmp_path / "one", site="b")] == ["b.html"]
    assert [one.name for one in job.sheet(tmp_path / "two", site=["c", "a"])] == [
        "index.html",
        "a.html",
        "c.html",
    ]


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"site": "south law"}, "the job has no site 'south law'; did you mean 'south lawn'"),
        ({"site": []}, "no site is given"),
        ({"date": "May 10"}, "no date"),
        ({"date": 20260510}, "no date"),
        ({"system": "imperial"}, "no system of units"),
        ({}, "name a folder, or one site"),
    ],
)
def test_bad_arguments_write_nothing(tmp_path: Path, options: dict[str, object], message: str) -> None:
    (tmp_path / "in").mkdir()
    job = hostile.job(tmp_path / "in", ("north lawn", "south lawn"))
    with pytest.raises(wz.InputError, match=message):
        job.sheet(tmp_path / "sheets" / "all.html", **options)
    assert not (tmp_path / "sheets").exists()


def test_a_failure_halfway_writes_no_sheet(
    blank: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = hostile.job(tmp_path, ("a", "b"))
    real = sheet_page.page

    def fails(job: wz.Job, site: str, *rest: object) -> dict[str, object]:
        if site == "b":
            raise MemoryError
        return real(job, site, *rest)

    monkeypatch.setattr("weedzone.crew.mix_sheet.page", fails)
    with pytest.raises(MemoryError):
        job.sheet(tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_the_weather_of_the_house_stands_on_the_sheet_and_is_held_against_the_record(
    lawn: wz.Job, tmp_path: Path, blank: None
) -> None:
    file = tmp_path / "policy.toml"
    file.write_text('[weather]\nwind_max = "5 mph"\ntemperature = ["50 degF", "80 degF"]\n')
    house = wz.size_job(lawn.survey, lawn.labels, lawn.rig, on=lawn.on, policy=wz.read_policy(file))
    [page] = house.sheet(tmp_path / "house.html")
    text = page.read_text(encoding="utf-8")
    assert "3 to 5 mph" in text
    assert "to 80 °F" in text
    done = {"applicator": "A. Person", "date": "2026-05-20"}
    kept = wz.record(house, tmp_path / "kept.gpkg", wind="4 mph", temperature="70 degF", **done)
    assert not any("the policy" in each.message for each in kept.findings)
    beyond = wz.record(house, tmp_path / "beyond.gpkg", wind="4 mph to 6 mph", temperature="70 degF", **done)
    assert "wind 6.0 mph is above the 5.0 mph of the policy" in [each.message for each in beyond.findings]
    assert len(wz.read_records(tmp_path / "beyond.gpkg"))
