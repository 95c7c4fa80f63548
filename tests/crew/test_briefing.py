"""The summary at the tailgate, and amounts in the words of who measures them."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path

import hostile
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plots import ROWS
from strategies import labels, sample

import weedzone as wz
from weedzone.base.units import FLOZ_PER_L, GAL_PER_L, OZ_PER_KG, UNIT_PER_SI, to_si
from weedzone.base.words import area, area_ft2, day_text, plain_line, short
from weedzone.sizing.pours import added, loads_text, pour_of, run_text, water_texts


@pytest.fixture(scope="module")
def lawn() -> wz.Job:
    return sample("alder_court", "backpack", "spot")


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
    # The kind of feature named first holds the ground deepest.
    kind = rest["reason"].str.extract(r"(?:inside: |of: )(.*?)(?: \(| and |$)")[0].fillna(rest["reason"])
    by = rest.groupby([rest["outcome"], kind])["area_ft2"].sum().sort_values(ascending=False)
    by = by[by >= 1.0]
    block = lawn.summary().partition("LEFT ALONE")[2].partition("TAKE NOTE")[0].splitlines()
    lines = [
        line
        for line in block
        if " ft²  " in line and " other reasons: " not in line and "under 1 ft²" not in line
    ]
    assert [line.split(" ft²")[0].strip() for line in lines] == [area(one) for one in by][: len(lines)]
    assert len(lines) == min(len(by), 12)
    assert str(by.index[0][1]) in lines[0]
    flat = " ".join(" ".join(block).split())
    assert "(label" not in flat


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
    text = pour_of(amount / UNIT_PER_SI[unit], unit, rig).texts(system)[0].replace(" by weight", "")
    measured = to_si(text, "amount", form=form) * per
    assert measured <= amount * (1 + 1e-9)
    assert measured >= amount * 0.9  # two figures at the very least


@given(st.floats(1e-3, 500.0), st.sampled_from(["us", "metric"]))
def test_water_is_never_rounded_down(litres: float, system: str) -> None:
    assert to_si(water_texts(litres, system)[0], "volume") >= litres * (1 - 1e-9)


def test_the_summary_says_what_the_job_makes_up(lawn: wz.Job) -> None:
    text = " ".join(lawn.summary().split())
    for row in lawn.loads.to_dict("records"):
        form = lawn.labels[row["product"]].form
        [said] = re.findall(r"product ([\d.,]+ (?:mL|g|fl oz|oz by weight))", text)
        per = FLOZ_PER_L if form == "liquid" else OZ_PER_KG
        assert to_si(said.replace(" by weight", ""), "amount", form=form) * per == pytest.approx(
            row["made_up_amount"]
        )


def test_adjuvant_at_half_a_percent_of_two_gallons(lawn: wz.Job) -> None:
    # 0.5 % v/v of 2 gal is 1.28 fl oz: University of Illinois bulletin 10 (2006), article 5; row M05.
    label = labels()["Demo Ivy Ester"]
    half = label.__class__(
        **{**vars(label), "adjuvants": (label.adjuvants[0].__class__("soap", 0.005, True),)}
    )
    [(name, amount)] = added(half, lawn.rig, 2 / GAL_PER_L)
    text = amount.texts()[0]
    assert name == "soap"
    assert to_si(text, "volume") * FLOZ_PER_L == pytest.approx(float(ROWS["M05"]["expected"]), abs=0.06)
    assert to_si(text, "volume") * FLOZ_PER_L <= float(ROWS["M05"]["expected"])


@given(st.floats(1e-4, 50.0), st.sampled_from(["fl oz", "oz"]), st.sampled_from([None, 0.25, 1.0]))
def test_both_units_are_of_one_amount(si: float, unit: str, step: float | None) -> None:
    """28 fl oz is 828 mL, not 850: NIST Handbook 44, appendix C, 1 gal = 3.785 411 784 L."""
    form, per = ("liquid", FLOZ_PER_L) if unit == "fl oz" else ("dry", OZ_PER_KG)
    kind = "volume" if unit == "fl oz" else "mass"
    own = {} if step is None else {"measure": step / per, "measure_kind": kind}
    pour = pour_of(si, unit, wz.Sprayer("x", tank_L=15.0, **own))
    first, other = pour.texts()
    assert pour.si <= si * (1 + 1e-12)
    assert to_si(first.replace(" by weight", ""), "amount", form=form) == pytest.approx(pour.si, rel=1e-6)
    if other:
        # Printed to the step below: 1 mL from 10 mL, 10 mL from 1 L, 100 mL from 10 L.
        metric = to_si(other, "amount", form=form)
        assert metric <= pour.si * (1 + 1e-9)
        assert metric >= pour.si * 0.9


def test_twenty_eight_ounces() -> None:
    rig = wz.Sprayer("x", tank_L=15.0, measure=1.0 / FLOZ_PER_L, measure_kind="volume")
    assert pour_of(28.76 / FLOZ_PER_L, "fl oz", rig).texts() == ("28 fl oz", "828 mL")
    cup = wz.Sprayer("x", tank_L=15.0, measure=0.05, measure_kind="volume")
    assert pour_of(0.27, "fl oz", cup).texts() == (
        "270 mL",
        "",
    )  # 250 mL would leave out more than a twentieth
    assert pour_of(0.256, "fl oz", cup).texts() == ("256 mL", "")  # five steps of a cup: a finer measure
    assert pour_of(1.04, "fl oz", cup).texts() == ("1 L", "")


def test_what_fills_the_lines_is_made_up_too(lawn: wz.Job) -> None:
    """0.1 gal stays in the rig after each product."""
    text = " ".join(lawn.summary().split())
    for row in lawn.loads.to_dict("records"):
        assert f"make up {short(row['solution_gal'] + 0.1)} gal" in text
    assert text.count("0.1 gal (0.379 L) of it stays in pump and lines") == lawn.loads["product"].nunique()
    # Cover halves the solution: the wetted ground is what a gallon per 1,000 ft2 covers.
    for row in lawn.loads.to_dict("records"):
        assert f"spot work wets {row['solution_gal'] * 1000:,.0f} ft² of it" in text


def test_labels_of_other_uses_take_one_line() -> None:
    text = " ".join(sample("heron_flats", "spreader", "granular").summary().split())
    assert text.count("not used") == 1
    assert "note: labels without a rate for granular use, not used: Demo Ivy Ester, Demo Meadow 60" in text


def test_tiny_ground_is_not_told_as_if_measured() -> None:
    assert area_ft2(0.001) == "under 1 ft²"
    assert area_ft2(0.0) == "0 ft²"
    assert "0.001" not in sample("heron_flats", "boom", "broadcast").summary()


def test_small_words() -> None:
    assert day_text(dt.date(2026, 5, 5)) == "5 May 2026"
    assert short(0.0) == "0"
    assert short(1234.5) == "1,234"
    assert short(0.04567) == "0.0457"
    assert plain_line("a\u200db \x00 c", 4) == "a\u200db…"
    assert plain_line("  a \n b  ") == "a b"


def test_the_trade_is_said(lawn: wz.Job) -> None:
    """The single lawn of the samples: 1,552 of 1,675 sq ft with one mix, 1,674.5 with two."""
    assert "1 mix treats 93 % of what labels allow; a second would add 122 ft²" in lawn.summary()
    most = wz.size_job(lawn.survey, lawn.labels, lawn.rig, on=lawn.on, worth="0 ft2")
    assert "mixes treat 100 % of what labels allow" in most.summary()
    assert "would add" not in most.summary().split("LEFT ALONE")[0]
