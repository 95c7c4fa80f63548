"""Dates are read in one place, and alike wherever a date is given."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
import strategies

import weedzone as wz
from weedzone.base.words import as_date, read_date

DAY = dt.date(2026, 5, 10)


@pytest.mark.parametrize(
    "value",
    [
        DAY, dt.datetime(2026, 5, 10, 14, 30), pd.Timestamp("2026-05-10 23:59"), np.datetime64("2026-05-10"),
        "2026-05-10", " 2026-05-10 ", "2026-05-10T14:30", "2026-05-10 14:30:00+02:00",
    ],
)  # fmt: skip
def test_what_is_a_date(value: object) -> None:
    assert as_date(value) == DAY


@pytest.mark.parametrize(
    "value",
    [
        "2026-W21-3",
        "2026-130",
        "20260510",
        "10.5.2026",
        "2026-02-30",
        "",
        "soon",
        20260510,
        None,
        pd.NaT,
        "0026-05-10",
    ],
)
def test_what_is_none(value: object) -> None:
    assert as_date(value) is None
    with pytest.raises(wz.InputError, match=r"is no date; write it as 2026-05-10"):
        read_date(value, "on")


def test_a_week_is_refused_by_all_alike() -> None:
    survey = wz.Survey(**strategies.frames(strategies.drawn(3)))
    job = strategies.job(survey)
    for call in (
        lambda: wz.size_job(survey, strategies.labels(), strategies.rig(), on="2026-W21-3"),
        lambda: wz.season_plan(job, until="2026-W21-3"),
        lambda: job.sheet("nowhere", date="2026-W21-3"),
    ):
        with pytest.raises(wz.InputError, match="is no date"):
            call()
