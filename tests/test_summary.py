"""The summary at the tailgate, and amounts in the words of who measures them."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path

import hostile
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import weedzone as wz
from weedzone.measured import (
    added_texts,
    area,
    day_text,
    loads_text,
    plain_line,
    product_text,
    run_text,
    short,
    too_fine,
    water_text,
)
from weedzone.units import FLOZ_PER_L, GAL_PER_L, OZ_PER_KG, to_si

SAMPLES = Path(__file__).parents[1] / "sample_sites"


def sample(site: str, rig: str, use: str) -> wz.Job:
    survey = wz.read_survey(SAMPLES / site / "survey.gpkg")
    labels = wz.read_labels(SAMPLES / "labels")
    return wz.size_job(survey, labels, wz.read_rig(SAMPLES / "rigs.toml", rig), use=use, on="2026-11-25")


@pytest.fixture(scope="module")
def lawn() -> wz.Job:
    return sample("alder_court", "backpack", "spot")


def published(row: str) -> float:
    with (Path(__file__).parent / "check_values.csv").open(encoding="utf-8") as file:
        return next(float(one["expected"]) for one in csv.DictReader(file) if one["id"] == row)


@pytest.mark.parametrize(
    ("site", "rig", "use"),
    [
        ("alder_court", "backpack", "spot"),
        ("heron_flats", "boom", "broadcast"),
        ("heron_flats", "spreader", "granular"),
        ("quince_bend", "backpack", "spot"),
    ],
)
def test_every_sample_reads_in_eighty_columns(site: str, rig: str, use: str) -> None:
    job = sample(site, rig, use)
    text = job.summary()
    assert max(map(len, text.splitlines())) <= 80
    assert text == str(job)
    for product in job.totals["product"].unique():
        assert str(product) in text
        # What the label asks for and how long people stay off is in every summary.
        label = job.labels[product]
        flat = " ".join(text.split())
        assert label.ppe[0] in flat
        assert label.reentry in flat
    for word in ("product label", "licensed applicator", "Local rules", "bees", "pets", "water"):
        assert word in text


def test_ground_adds_up_in_the_summary(lawn: wz.Job) -> None:
    whole = lawn.ledger["area_ft2"].sum()
    treated = lawn.ledger.loc[lawn.ledger["outcome"] == "treated", "area_ft2"].sum()
    text = lawn.summary()
    for number in (whole, treated, whole - treated):
        assert f"{number:,.0f} ft²" in text
    assert f"{100 * treated / whole:.0f} %" in text


def test_untreated_ground_is_listed_with_the_largest_first(lawn: wz.Job) -> None:
    rest = lawn.ledger[lawn.ledger["outcome"] != "treated"]
    by = rest.groupby(["outcome", "reason"])["area_ft2"].sum().sort_values(ascending=False)
    block = lawn.summary().partition("LEFT ALONE")[2].partition("TAKE NOTE")[0].splitlines()
    lines = [line for line in block if " ft²  " in line and " other reasons: " not in line]
    assert [line.split(" ft²")[0].strip() for line in lines] == [area(one) for one in by][: len(lines)]
    assert len(lines) == min(len(by), 12)
    assert str(by.index[0][1]) in lines[0]


def test_a_job_with_nothing_to_treat_says_so(tmp_path: Path) -> None:
    job = hostile.job(tmp_path, ("a",))
    bare = wz.Survey(
        turf=job.survey.turf,
        infestations=job.survey.infestations.assign(weed="no such weed"),
        keep_out=job.survey.keep_out,
    )
    text = wz.size_job(bare, job.labels, job.rig, use="broadcast", on="2026-05-10").summary()
    assert "nothing: no infested ground may be treated" in text
    assert "CAUTIONS" in text


def test_many_sites_are_taken_together_and_the_worst_findings_come_first() -> None:
    job = sample("quince_bend", "backpack", "spot")
    text = job.summary()
    assert "28 sites" in text.splitlines()[0]
    assert "SITES, the first 10 of 28" in text
    assert text.count("  lot ") == 10
    trio = job.totals[job.totals["product"] == "Demo Trio"]
    assert f"ground    {trio['area_ft2'].sum():,.0f} ft²" in text.partition("Demo Trio (")[2]
    assert f"{len(job.loads[job.loads['product'] == 'Demo Trio'])} site by site" in " ".join(text.split())
    noted = text.partition("TAKE NOTE")[2].partition("CAUTIONS")[0]
    assert "warning:" in noted
    assert "note:" not in noted


def test_hostile_names_neither_break_lines_nor_steer_the_terminal(tmp_path: Path) -> None:
    names = ("\x1b[31mred\x1b[0m", "two\nlines", "\u202eturned", "x" * 10_000)
    text = hostile.job(tmp_path, names).summary()
    assert max(map(len, text.splitlines())) <= 80
    assert not set(text) & {"\x1b", "\u202e", "\r", "\t"}
    assert "two lines" in text
    assert len(text) < 10_000


def test_two_full_loads_and_a_rest(lawn: wz.Job) -> None:
    loads = pd.DataFrame(
        {"solution_gal": [3.9, 3.9, 1.3], "tanks": [1.0, 1.0, 1 / 3], "product_amount": [1.0, 1.0, 1 / 3]}
    )
    assert loads_text(loads, lawn.rig) == "2 full loads of 3.9 gal + 1 of 1.3 gal"
    assert loads_text(loads.tail(1), lawn.rig) == "1 load of 1.3 gal"
    assert run_text(2 + 1 / 3, lawn.rig) == "2 full loads of 3.9 gal + 1 of 1.3 gal"
    assert run_text(2.0, lawn.rig) == "2 full loads of 3.9 gal"
    even = pd.DataFrame({"solution_gal": [2.6] * 3, "tanks": [2 / 3] * 3, "product_amount": [1.0] * 3})
    assert loads_text(even, lawn.rig) == "3 loads of 2.6 gal"


@given(st.floats(1e-4, 5000.0), st.sampled_from(["fl oz", "oz"]), st.sampled_from(["us", "metric"]))
def test_product_is_never_rounded_up_nor_far_down(amount: float, unit: str, system: str) -> None:
    rig = wz.Sprayer("x", tank_L=15.0, measure=0.25 / FLOZ_PER_L, measure_kind="volume")
    form, per = ("liquid", FLOZ_PER_L) if unit == "fl oz" else ("dry", OZ_PER_KG)
    text = product_text(amount, unit, rig, system).replace(" by weight", "")
    measured = to_si(text, "amount", form=form) * per
    assert measured <= amount * (1 + 1e-9)
    assert measured >= amount * 0.9  # two figures at the very least


@given(st.floats(1e-3, 500.0), st.sampled_from(["us", "metric"]))
def test_water_is_never_rounded_down(litres: float, system: str) -> None:
    assert to_si(water_text(litres, system), "volume") >= litres * (1 - 1e-9)


def test_amounts_agree_with_what_the_job_says_can_be_measured(lawn: wz.Job) -> None:
    for row in lawn.loads.to_dict("records"):
        form = lawn.labels[row["product"]].form
        text = product_text(row["product_amount"], row["product_unit"], lawn.rig).replace(" by weight", "")
        per = FLOZ_PER_L if form == "liquid" else OZ_PER_KG
        if form == "liquid":  # the measure of this rig is a cup: the job rounds what is poured
            assert to_si(text, "amount", form=form) * per == pytest.approx(row["measured_amount"], rel=1e-6)
        assert too_fine(row["product_amount"], row["product_unit"], lawn.rig) == (form == "liquid")


def test_adjuvant_at_half_a_percent_of_two_gallons(lawn: wz.Job) -> None:
    # 0.5 % v/v of 2 gal is 1.28 fl oz: University of Illinois bulletin 10 (2006), article 5; row M05.
    label = wz.read_labels(SAMPLES / "labels" / "demo_ivy_ester.toml")["Demo Ivy Ester"]
    half = label.__class__(
        **{**vars(label), "adjuvants": (label.adjuvants[0].__class__("soap", 0.005, True),)}
    )
    [(name, text)] = added_texts(half, lawn.rig, 2 / GAL_PER_L)
    assert name == "soap"
    assert to_si(text, "volume") * FLOZ_PER_L == pytest.approx(published("M05"), abs=0.06)
    assert to_si(text, "volume") * FLOZ_PER_L <= published("M05")


def test_small_words() -> None:
    assert day_text(dt.date(2026, 5, 5)) == "5 May 2026"
    assert short(0.0) == "0"
    assert short(1234.5) == "1,234"
    assert short(0.04567) == "0.0457"
    assert plain_line("a\u200db \x00 c", 4) == "a\u200db…"
    assert plain_line("  a \n b  ") == "a b"
