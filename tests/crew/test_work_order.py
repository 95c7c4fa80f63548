"""One figure for what is poured: the plan of loads, the sheet, the summary and the record agree."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from strategies import SAMPLES, labels, rig, sample

import weedzone as wz
from weedzone.base.units import FLOZ_PER_L, GAL_PER_L, LB_PER_KG, UNIT_PER_SI, to_si
from weedzone.crew.briefing import left_by_kind
from weedzone.crew.sheet_loads import page
from weedzone.crew.work_order import poured
from weedzone.records.recording import correct, record
from weedzone.sizing.pours import amount_text, plain_amount

DAY = "2025-09-25"
CASES = [
    ("alder_court", "backpack", "spot"),
    ("heron_flats", "boom", "broadcast"),
    ("heron_flats", "spreader", "granular"),
]


@pytest.mark.parametrize("case", CASES)
def test_the_mix_is_the_label_s_whatever_fills_the_lines(case: tuple[str, str, str]) -> None:
    job = sample(*case, on=DAY)
    made = poured(job)
    assert len(made) == len(job.loads)
    for row in made.to_dict("records"):
        plan = job.plans[row["product"]]
        # What stays in the rig is of the same mix.
        share = row["start_gal"] / row["made_up_gal"] if plan.volume else 0.0
        on_ground = row["pour"].si * (1 - share) - (0.0 if plan.volume else row["start_amount"] / LB_PER_KG)
        # Never above the dose planned, and at most a twentieth below it.
        dose = on_ground / (row["solution_L"] / plan.volume if plan.volume else row["area_m2"])
        assert dose <= plan.dose_high * (1 + 1e-9)
        assert dose >= 0.9 * plan.dose_low
        unit = {"liquid": "fl oz", "dry": "oz", "granule": "lb"}[plan.label.form]
        assert row["made_up_amount"] == pytest.approx(row["pour"].si * UNIT_PER_SI[unit])


@pytest.mark.parametrize("case", CASES)
def test_the_record_has_what_the_sheet_says(case: tuple[str, str, str], tmp_path: Path) -> None:
    job = sample(*case, on=DAY)
    made = record(job, tmp_path / "records.gpkg", remarks="dry")
    for row in made.rows.itertuples():
        codes = job.patches.loc[
            (job.patches["site"] == row.site) & (job.patches["zone"] == row.zone), "patch"
        ]
        patches = f"; patches {codes.iloc[0]} to {codes.iloc[-1]}" if len(codes) > 1 else ""
        assert row.remarks == f"dry; amounts as planned for the ground{patches}"
    told = {one["name"]: one for one in page(job, job.survey.sites[0], job.on)["products"]}
    unit = {"liquid": "fl oz", "dry": "oz", "granule": "lb"}
    for product, rows in made.rows.groupby("product"):
        form = rows["form"].iloc[0]
        total = sum(to_si(text, "amount", form=form) for text in rows["amount"])
        [said] = re.findall(r"[\d.,]+ (?:fl oz|oz|lb|mL|g|kg)\b", told[product]["ground"])[:1]
        assert to_si(said.replace(",", ""), "amount", form=form) == pytest.approx(total, rel=5e-3)
        assert amount_text(total, unit[form]) in str(made)
        if form != "granule":
            gallons = job.loads.loc[job.loads["product"] == product, "solution_gal"].sum()
            assert sum(to_si(text, "volume") for text in rows["solution"]) * GAL_PER_L == pytest.approx(
                gallons, rel=1e-3
            )


def test_a_true_amount_is_no_longer_the_sheet_s(tmp_path: Path) -> None:
    job = sample(*CASES[0], on=DAY)
    path = tmp_path / "records.gpkg"
    made = record(job, path, remarks="dry")
    mended = correct(path, made.id, applied={"Z1": "0.1 fl oz"}, reason="weighed again")
    remarks = mended.rows.set_index("zone")["remarks"]
    assert remarks["Z1"].startswith("dry; patches Z1a to ")
    assert remarks["Z2"].startswith("dry; amounts as planned for the ground; patches ")


def test_ground_left_alone_adds_up_by_kind() -> None:
    """By hand: 20 m2 of the well's are near the pond too; the two of under 1 ft2 (0.0929 m2) are counted."""
    rows = [
        ("buffer", "within 25 ft of: pond (label; Demo A)", 30.0),
        ("buffer", "within 50 ft of: well (label; Demo A) and within 25 ft of: pond (label; Demo A)", 20.0),
        ("buffer", "within 25 ft of: well (the feature's own; Demo B (new))", 5.0),
        ("keep-out", "inside: oak and ash and inside: pond", 3.0),
        ("no turf", "no turf is mapped there", 0.05),
        ("sliver", "too small", 0.04),
    ]
    left = left_by_kind(pd.DataFrame(rows, columns=["outcome", "reason", "area_m2"]))
    assert [(one.outcome, one.reason, one.area_m2, one.others_m2) for one in left.rows] == [
        ("buffer", "pond, within 25 ft", 30.0, 0.0),
        ("buffer", "well, within 25 to 50 ft", 25.0, 20.0),
        ("keep-out", "oak and ash", 3.0, 3.0),
    ]
    assert (left.faint, left.faint_m2) == (2, pytest.approx(0.09))


def test_too_little_is_said_to_be() -> None:
    survey = wz.read_survey(SAMPLES / "quince_bend" / "survey.gpkg")
    job = wz.size_job(survey, labels(), replace(rig(), unusable_L=0.0), on=DAY)
    text = " ".join(job.summary().split())
    assert "some loads take less than can be measured well" in text
    small = job.loads.loc[[one.faint for one in job.pours], "site"]
    notes = " ".join(page(job, small.iloc[0], job.on)["warnings"])
    assert "Too little to measure well" in notes
    assert plain_amount(0.002, "fl oz") == "under 0.01 fl oz"
    assert plain_amount(0.002, "oz", "metric") == "under 0.1 g"
    # 8 2/3 fl oz is 256 mL: a cup or jug in mL measures it, nobody takes a syringe.
    cup = wz.Sprayer("x", tank_L=15.0, measure=8.0 / FLOZ_PER_L, measure_kind="volume")
    from weedzone.sizing.pours import pour_of

    pour = pour_of(0.2563, "fl oz", cup)
    assert (pour.texts(), pour.slight, pour.faint) == (("256 mL", ""), False, False)


def test_short_words_for_a_survey(capsys: pytest.CaptureFixture[str]) -> None:
    survey = wz.read_survey(SAMPLES / "alder_court" / "survey.gpkg")
    print(survey)  # noqa: T201
    said = capsys.readouterr().out
    assert said.startswith("1 site(s), ")
    assert len(said) < 1000
