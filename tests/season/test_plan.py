"""Season plans: windows against a day-by-day oracle, published intervals, degree-days, calendars read back."""

from __future__ import annotations

import csv
import datetime as dt
import itertools

import geopandas as gpd
import ics
import numpy as np
import pandas as pd
import pytest
import vobject
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely import box

import weedzone as wz
from weedzone.base.errors import InputError, UnitError
from weedzone.season.dates import DegreeDays, degree_days, read_date
from weedzone.season.plan import AUTUMN, season_plan
from weedzone.season.steps import FOLLOW_UP_DAYS

CRS = "EPSG:32616"
X, Y = 443_000.0, 4_423_000.0
DAY = dt.timedelta(days=1)
RIG = wz.Sprayer("can", tank_L=15.0, carrier_L_per_m2=0.0407)  # 1 gal/ksqft

LABEL = """
name = "{name}"
form = "liquid"
[[active]]
name = "{active}"
concentration = "3.8 lb/gal"
group = 4
[turf]
tolerant = ["tall fescue"]
[weeds]
{weeds}
[[rate]]
use = "broadcast"
dose = {dose}
volume = ["0.5 gal/ksqft", "5 gal/ksqft"]
{limits}
[hints]
mowing = "do not mow for two days before and two days after"
watering = "do not water for 24 hours after"
seeding = "wait four weeks"
"""


def a_label(
    tmp_path,
    limits="",
    name="Demo Amine",
    active="2,4-D",
    weeds=("dandelion", "ground ivy"),
    dose='"1.1 fl oz/ksqft"',
):
    path = tmp_path / f"{name}.toml"
    listed = "\n".join(f'"{weed}" = "good"' for weed in weeds)
    path.write_text(
        LABEL.format(name=name, active=active, weeds=listed, dose=dose, limits=limits), encoding="utf-8"
    )
    return wz.read_labels(path)


def ground(patches):
    """Infested squares of 100 m2 side by side: (site, weed)."""
    rows = [
        {"site": site, "weed": weed, "geometry": box(X + 50 * i, Y, X + 50 * i + 10, Y + 10)}
        for i, (site, weed) in enumerate(patches)
    ]
    return gpd.GeoDataFrame(rows, crs=CRS)


def past(rows, width=11):
    """Past applications on the first squares: (square, product, date, dose)."""
    return gpd.GeoDataFrame(
        [
            {"site": site, "product": product, "date": date, "dose": dose,
             "geometry": box(X + 50 * i - 1, Y - 1, X + 50 * i + width, Y + 11)}
            for i, site, product, date, dose in rows
        ],
        crs=CRS,
    )  # fmt: skip


def a_job(labels, on="2026-09-15", patches=(("Elm Court", "ground ivy"),), history=None, **options):
    infested = ground(patches)
    turf = infested.assign(turf="tall fescue").drop(columns="weed")
    turf["geometry"] = turf.buffer(2)
    keep_out = gpd.GeoDataFrame({"kind": [], "geometry": []}, geometry="geometry", crs=CRS)
    survey = wz.Survey(turf=turf, infestations=infested, keep_out=keep_out, history=history)
    return wz.size_job(survey, labels, RIG, "broadcast", on=on, **{"worth": "0 ft2", **options})


TWICE = '[limits]\nper_application = "1.5 lb/acre"\nper_year = "3 lb/acre"\napplications_per_year = 2\ninterval = {}\n'
EPA = TWICE.format('"30 day"')
SPAN = TWICE.format('["21 day", "35 day"]')


def texts(plan):
    return " | ".join(plan.findings["message"])


# ---------------------------------------------------------------- published intervals and limits


def test_second_pass_in_three_to_four_weeks(tmp_path):
    # Purdue turf science, "Controlling ground ivy and/or violets": a second application in 3-4 weeks, fall
    # applications mid-September to mid-October. The label gives no interval, so this is what holds.
    plan = season_plan(a_job(a_label(tmp_path)), seasons=AUTUMN)
    second = plan.visits.iloc[1]
    assert plan.visits["date"].tolist() == [dt.date(2026, 9, 15), dt.date(2026, 10, 6)]
    assert (second["earliest"], second["latest"]) == (dt.date(2026, 10, 6), dt.date(2026, 10, 13))
    assert (second["latest"] - plan.visits["date"][0]) == FOLLOW_UP_DAYS[1] * DAY
    assert "no interval" in texts(plan)


def test_published_timing_of_autumn():
    # Purdue (as above): mid-September to mid-October for ground ivy and violets. Iowa State extension, "Timing
    # and applying broadleaf lawn herbicides" (2017): mid-September to early November for perennial weeds.
    assert AUTUMN["ground ivy"] == AUTUMN["wild violet"] == ("09-15", "10-15")
    assert AUTUMN["dandelion"] == ("09-15", "11-05")


def test_delaware_and_purdue_28_days(tmp_path):
    # Purdue, "Attempting Ground Ivy Control": regrowth after 24 days, a second application 28 days after the
    # first improves control. A label that asks for at least 28 days gets exactly that.
    labels = a_label(tmp_path, TWICE.format('"28 day"'))
    plan = season_plan(a_job(labels), seasons=AUTUMN)
    assert plan.visits["date"].tolist() == [dt.date(2026, 9, 15), dt.date(2026, 10, 13)]


def test_two_applications_and_three_pounds_a_year(tmp_path):
    # 2,4-D on turf: 1.5 lb ae/acre an application, two a year, 3.0 lb a year, from memory of EPA 738-R-05-002
    # (June 2005; row L08 of the check values). 1.5 lb of a 3.8 lb/gal amine is 1.160 fl oz/ksqft, so that two
    # applications reach the yearly cap exactly and must both be allowed.
    full = f'"{1.5 / 3.8 * 128 / 43.56!r} fl oz/ksqft"'
    plan = season_plan(a_job(a_label(tmp_path, EPA, dose=full), on="2026-04-20"), count=5)
    assert plan.visits["date"].tolist() == [dt.date(2026, 4, 20), dt.date(2026, 5, 20)]
    assert plan.visits["application"].tolist() == [1, 2]
    shut = plan.closed.iloc[0]
    # A year is any 365 days: the first one lapses on 20 April 2027, when half of the cap is free again.
    assert shut["opens"] == dt.date(2027, 4, 20)
    assert "opens again on 2027-04-20" in texts(plan)
    later = season_plan(
        a_job(a_label(tmp_path, EPA, dose=full), on="2026-04-20"), count=5, until="2027-12-31"
    )
    assert later.visits["date"].tolist()[2:] == [dt.date(2027, 4, 20), dt.date(2027, 5, 20)]


def test_dose_falls_to_what_the_year_leaves(tmp_path):
    limits = '[limits]\nper_year = "2.2 lb/acre"\ninterval = "21 day"\n'
    labels = a_label(tmp_path, limits, dose='["0.5 fl oz/ksqft", "1.1 fl oz/ksqft"]')
    plan = season_plan(a_job(labels), count=3)
    each = 1.1 * 43.56 / 128 * 3.8  # lb/acre
    left = (2.2 - each) / 3.8 * 128 / 43.56
    assert [float(text.split()[0]) for text in plan.visits["dose"]] == pytest.approx([1.1, left], abs=0.006)
    ratio = plan.visits["product_amount"][1] / plan.visits["product_amount"][0]
    assert ratio == pytest.approx(left / 1.1, rel=1e-6)
    assert "limits leave" in texts(plan)
    assert plan.closed["reason"].str.contains("a year").all()


# ---------------------------------------------------------------- against a day-by-day oracle


def fits(day, made, label_text, season, frost):
    """Whether an application is allowed on a day: written down plainly from the rules, without the library."""
    low, most, cap, dose = label_text
    year = [one for one in made if (day - one).days < 365]
    open_ = season[0] <= (day.month, day.day) <= season[1] and (frost is None or day < frost)
    return (
        open_
        and len(year) < most
        and (len(year) + 1) * dose <= cap + 1e-9
        and (not made or (day - made[-1]).days >= low)
    )


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    low=st.integers(7, 45), more=st.integers(0, 30), most=st.integers(1, 4), cap=st.sampled_from([1.5, 2.5, 2.9, 9.0]),
    before=st.lists(st.integers(1, 400), max_size=3, unique=True), start=st.integers(0, 300),
    opens=st.integers(1, 12), length=st.integers(0, 5), frost=st.none() | st.integers(20, 300), count=st.integers(1, 4),
)  # fmt: skip
def test_every_visit_is_the_first_that_a_plain_reading_allows(
    tmp_path, low, more, most, cap, before, start, opens, length, frost, count
):
    text = f'[limits]\nper_year = "{cap} lb/acre"\napplications_per_year = {most}\n'
    text += f'interval = ["{low} day", "{low + more} day"]\n'
    first = dt.date(2026, 1, 10) + start * DAY
    season = ((min(opens, 12 - length), 1), (min(opens, 12 - length) + length, 28))
    killing = None if frost is None else first + frost * DAY
    made = sorted(first - days * DAY for days in before)
    dose = 1.1 * 43.56 / 128 * 3.8
    history = past([(0, "Elm Court", "Demo Amine", day, "1.1 fl oz/ksqft") for day in made]) if made else None
    labels = a_label(tmp_path, text)
    spans = ("{:02d}-{:02d}".format(*season[0]), "{:02d}-{:02d}".format(*season[1]))
    plan = season_plan(
        a_job(labels, on=first, history=history),
        seasons={"Creeping Charlie": spans},
        frost=killing,
        count=count,
    )
    rules = (low, most, cap, dose)
    running = bool(made) and (first - made[-1]).days <= low + more
    # What the job treats on its day is always looked at; of other ground the pass that still runs counts.
    planned = fits(first, made, rules, ((1, 1), (12, 31)), None)
    expected, day, done = [], first, int(running)
    while done < count or (planned and not expected):
        end = plan.until
        if more and made and (day - made[-1]).days <= low + more:
            end = min(end, made[-1] + (low + more) * DAY)
        while day <= end and not fits(day, made, rules, season, killing):
            day += DAY
        if day > end:
            break
        expected.append(day)
        made.append(day)
        done += 1
        day += DAY
    assert plan.visits["date"].tolist() == expected
    for row in plan.visits.itertuples():
        assert row.earliest == row.date <= row.latest
    for row in plan.closed.itertuples():
        assert row.opens is None or row.opens > max(expected, default=first - DAY)


def test_trips_are_shared_where_windows_meet(tmp_path):
    labels = a_label(tmp_path, SPAN, weeds=("dandelion",)) | a_label(
        tmp_path,
        TWICE.format('["28 day", "42 day"]'),
        name="Demo Ester",
        active="triclopyr",
        weeds=("ground ivy",),
    )
    patches = (("Elm Court", "dandelion"), ("Elm Court", "ground ivy"), ("Oak Row", "ground ivy"))
    plan = season_plan(a_job(labels, patches=patches))
    assert sorted(set(plan.visits["date"])) == [dt.date(2026, 9, 15), dt.date(2026, 10, 13)]
    assert plan.table().groupby("visit").size().tolist() == [2, 2]
    assert plan.zones.groupby("visit")["area_m2"].sum().tolist() == pytest.approx([300.0] * 2, rel=1e-3)
    apart = a_label(tmp_path, SPAN, weeds=("dandelion",)) | a_label(
        tmp_path,
        TWICE.format('["42 day", "60 day"]'),
        name="Demo Ester",
        active="triclopyr",
        weeds=("ground ivy",),
    )
    plan = season_plan(a_job(apart, patches=patches))
    assert sorted(set(plan.visits["date"])) == [
        dt.date(2026, 9, 15),
        dt.date(2026, 10, 6),
        dt.date(2026, 10, 27),
    ]


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(spans=st.lists(st.tuples(st.integers(7, 60), st.integers(1, 30)), min_size=2, max_size=5))
def test_no_plan_needs_fewer_trips(tmp_path, spans):
    labels, weeds = {}, ["dandelion", "ground ivy", "white clover", "henbit", "broadleaf plantain"]
    for number, (low, more) in enumerate(spans):
        limits = TWICE.format(f'["{low} day", "{low + more} day"]')
        labels |= a_label(
            tmp_path, limits, name=f"Demo {number}", active=f"agent {number}", weeds=(weeds[number],)
        )
    patches = [("Elm Court", weed) for weed in weeds[: len(spans)]]
    plan = season_plan(a_job(labels, patches=patches))
    trips = len(set(plan.visits["date"])) - 1
    windows = [(low, low + more) for low, more in spans]
    days = sorted({high for _, high in windows})
    fewest = next(
        size for size in range(1, len(days) + 1)
        if any(
            all(any(a <= day <= b for day in chosen) for a, b in windows)
            for chosen in itertools.combinations(days, size)
        )
    )  # fmt: skip
    assert trips == fewest
    assert len(plan.visits) == 2 * len(spans)


# ---------------------------------------------------------------- ground with a past


def test_ground_treated_before_gets_its_turn(tmp_path):
    # The left half was treated ten days ago: it waits for day 21, the rest is done today.
    history = past([(0, "Elm Court", "Demo Amine", "2026-09-05", "1.1 fl oz/ksqft")], width=5)
    plan = season_plan(a_job(a_label(tmp_path, SPAN), history=history))
    first, second = plan.zones[plan.zones["visit"] == 1], plan.zones[plan.zones["visit"] == 2]
    assert first["zone"].tolist() == ["Z1"]
    assert first["area_m2"].tolist() == pytest.approx([50.0], rel=1e-3)
    # One trip, when today's ground has had its 21 days, lies inside the 21 to 35 days of both.
    assert second["date"].unique().tolist() == [dt.date(2026, 10, 6)]
    assert second["area_m2"].sum() == pytest.approx(100.0, rel=1e-3)
    assert set(second["zone"]) == {"Z1", ""}
    assert plan.visits[plan.visits["visit"] == 2]["application"].tolist() == [2, 2] or len(plan.visits) == 2


def test_applications_of_another_product_count_where_they_share_an_active(tmp_path):
    other = a_label(tmp_path, EPA, name="Demo Other", weeds=("henbit",))
    history = past([(0, "Elm Court", "Demo Other", "2026-09-10", "1 fl oz/ksqft")])
    plan = season_plan(a_job(a_label(tmp_path, EPA) | other, history=history))
    assert plan.visits["date"].tolist() == [dt.date(2026, 10, 10)]
    assert plan.visits["zones"].tolist() == ["ground treated before"]


def test_second_product_of_the_day_keeps_its_own_limits(tmp_path):
    labels = a_label(tmp_path, SPAN, weeds=("dandelion",)) | a_label(
        tmp_path,
        TWICE.format('["30 day", "40 day"]'),
        name="Demo Ester",
        active="triclopyr",
        weeds=("ground ivy",),
    )
    both = ground([("Elm Court", "dandelion"), ("Elm Court", "ground ivy")])
    both["geometry"] = both.geometry.iloc[0]
    lawn = {"site": ["Elm Court"], "turf": ["tall fescue"], "geometry": [box(X - 5, Y - 5, X + 15, Y + 15)]}
    turf = gpd.GeoDataFrame(lawn, crs=CRS)
    keep_out = gpd.GeoDataFrame({"kind": [], "geometry": []}, geometry="geometry", crs=CRS)
    survey = wz.Survey(turf=turf, infestations=both, keep_out=keep_out)
    job = wz.size_job(survey, labels, RIG, "broadcast", on="2026-09-15", passes=2)
    plan = season_plan(job)
    assert plan.visits.groupby("visit")["product"].agg(set).tolist() == [{"Demo Amine", "Demo Ester"}] * 2
    # 30 days suit both: 21 to 35 and 30 to 40.
    assert set(plan.visits["date"]) == {dt.date(2026, 9, 15), dt.date(2026, 10, 15)}
    # The narrower window of the two closes it: day 35.
    assert set(plan.visits.query("visit == 2")["latest"]) == {dt.date(2026, 10, 20)}
    assert plan.visits["area_m2"].tolist() == pytest.approx([100.0] * 4, rel=1e-3)


def test_days_to_keep_to(tmp_path):
    job = a_job(a_label(tmp_path, SPAN))
    plan = season_plan(job, visits=["2026-09-15", "2026-10-01", "2026-10-10", "2027-09-20"])
    assert plan.visits["date"].tolist() == [dt.date(2026, 9, 15), dt.date(2026, 10, 10), dt.date(2027, 9, 20)]
    assert "on 2026-10-01: 21 days after 2026-09-15" in texts(plan)
    assert plan.closed["opens"].tolist() == [dt.date(2026, 10, 6)]
    assert "a new treatment, no longer a follow-up" in texts(plan)
    assert "mode of action group 4 was used in each of the last 2" in texts(plan)


# ---------------------------------------------------------------- season, frost, seed


def test_window_closed_by_frost_says_when_it_opens(tmp_path):
    job = a_job(a_label(tmp_path, SPAN), on="2026-09-25")
    plan = season_plan(job, seasons={"ground ivy": ("09-15", "10-31")}, frost=("04-20", "10-10"))
    assert plan.visits["date"].tolist() == [dt.date(2026, 9, 25)]
    assert plan.visits["latest"].tolist() == [dt.date(2026, 10, 9)]
    assert plan.closed["opens"].tolist() == [dt.date(2027, 9, 15)]
    assert "frost from 2026-10-16 to 2026-10-30; fit again from 2027-09-15" in texts(plan)


def test_one_frost_date_closes_all_that_follows(tmp_path):
    job = a_job(a_label(tmp_path, SPAN), on="2026-11-25")
    plan = season_plan(job, frost="10-20")
    assert plan.visits.empty
    assert plan.closed["opens"].tolist() == [None]
    assert "last frost of spring is not given" in texts(plan)
    # South of the line the first frost of autumn comes in May: a plan in November lies before it.
    south = season_plan(job, frost="05-10", until="2027-08-01", count=9)
    assert south.visits["date"].max() < dt.date(2027, 5, 10)
    assert len(south.visits) == 2


def test_season_over_new_year(tmp_path):
    plan = season_plan(a_job(a_label(tmp_path, SPAN), on="2026-10-20"), seasons=("11-15", "02-10"))
    assert plan.visits["date"].tolist() == [dt.date(2026, 11, 15), dt.date(2026, 12, 6)]
    assert plan.visits["latest"].tolist() == [dt.date(2027, 2, 10), dt.date(2026, 12, 20)]


def test_leap_day(tmp_path):
    plan = season_plan(a_job(a_label(tmp_path, SPAN), on="2026-10-20"), seasons=("02-29", "03-31"))
    assert plan.visits["date"][0] == dt.date(2027, 2, 28)
    plan = season_plan(a_job(a_label(tmp_path, SPAN), on="2027-10-20"), seasons=("02-29", "03-31"))
    assert plan.visits["date"][0] == dt.date(2028, 2, 29)


def test_ground_with_two_weeds_wants_both_in_season(tmp_path):
    patches = [("Elm Court", "dandelion"), ("Elm Court", "ground ivy")]
    infested = ground(patches)
    infested["geometry"] = infested.geometry.iloc[0]
    turf = infested.iloc[:1].assign(turf="tall fescue")
    turf["geometry"] = turf.buffer(2)
    keep_out = gpd.GeoDataFrame({"kind": [], "geometry": []}, geometry="geometry", crs=CRS)
    survey = wz.Survey(turf=turf, infestations=infested, keep_out=keep_out)
    job = wz.size_job(survey, a_label(tmp_path, SPAN), RIG, "broadcast", on="2026-04-01")
    plan = season_plan(
        job, seasons={"dandelion": [("04-20", "05-31"), ("09-10", "10-31")], "ground ivy": ("09-15", "10-15")}
    )
    assert plan.visits["date"].tolist() == [dt.date(2026, 9, 15), dt.date(2026, 10, 6)]
    apart = season_plan(job, seasons={"dandelion": ("04-20", "05-31"), "ground ivy": ("09-15", "10-15")})
    assert apart.visits["date"].tolist() == [dt.date(2026, 4, 20), dt.date(2026, 5, 11)]


def test_act_before_seed_set(tmp_path):
    # Seed set by date, as the user gives it; seven days' notice is common practice, no source.
    job = a_job(
        a_label(tmp_path, SPAN),
        on="2026-04-10",
        patches=(("Elm Court", "dandelion"), ("Oak Row", "dandelion")),
    )
    plan = season_plan(job, seasons=("04-25", "10-31"), seed_set={"Dandelions": "05-10"}, until="2026-12-31")
    assert plan.reminders[["date", "weed", "seed_set"]].to_numpy().tolist() == [
        [dt.date(2026, 5, 3), "dandelion", dt.date(2026, 5, 10)]
    ]
    assert "before any visit" not in texts(plan)
    late = season_plan(job, seasons=("05-20", "10-31"), seed_set={"dandelion": "05-10"}, until="2026-12-31")
    assert "before any visit for it at Elm Court, Oak Row" in texts(late)
    assert "seed set of a weed that no visit is for; did you mean 'dandelion'" in texts(
        season_plan(job, seed_set={"dandelin": "05-10"})
    )


# ---------------------------------------------------------------- degree-days


def days_of(low, high, start="2026-03-01", unit="f"):
    count = len(low)
    return pd.DataFrame(
        {"date": pd.date_range(start, periods=count), f"temp_min_{unit}": low, f"temp_max_{unit}": high}
    )


def test_degree_days_of_published_examples():
    # Midwestern Regional Climate Center, "Growing Degree Days": a mean of 75 F over a base of 65 F is 10.
    mrcc = degree_days(days_of([65.0], [85.0]), base="65 degF")
    assert mrcc["degree_days_f"].tolist() == pytest.approx([10.0])
    # University of California IPM, "A simple way to calculate degree-days": an average of 64 F, lower threshold
    # 53 F, gives 11 degree-days.
    ucipm = degree_days(days_of([50.0, 40.0], [78.0, 60.0]), base="53 degF")
    assert ucipm["degree_days_f"].tolist() == pytest.approx([11.0, 0.0])
    assert ucipm["total_c"].iloc[-1] == pytest.approx(11 / 1.8)


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(-20, 30), st.floats(0, 20)), min_size=1, max_size=40), st.floats(-5, 20))
def test_degree_days_in_either_unit(rows, base):
    low = np.array([one for one, _ in rows])
    high = low + np.array([more for _, more in rows])
    metric = degree_days(days_of(low, high, unit="c"), base=f"{base:.6f} degC")
    fahrenheit = degree_days(days_of(low * 1.8 + 32, high * 1.8 + 32), base=f"{base * 1.8 + 32:.6f} degF")
    assert fahrenheit["total_f"].to_numpy() == pytest.approx(metric["total_c"].to_numpy() * 1.8, abs=1e-3)
    assert (metric["degree_days_c"] >= 0).all()
    assert metric["total_c"].is_monotonic_increasing


def test_season_by_warmth(tmp_path):
    # 10 degF-days a day from 1 March: 100 are reached on the tenth day, 400 on the fortieth.
    heat = days_of([50.0] * 60, [70.0] * 60)
    spring = (DegreeDays("100 degF", since="03-01"), DegreeDays("400 degF", since="03-01"))
    job = a_job(a_label(tmp_path, SPAN), on="2026-03-01")
    plan = season_plan(
        job, seasons={"ground ivy": spring}, temperatures=heat, seed_set={"ground ivy": spring[1]}
    )
    assert plan.visits["date"].tolist() == [dt.date(2026, 3, 10), dt.date(2026, 3, 31)]
    assert plan.visits["latest"].tolist() == [dt.date(2026, 4, 9)] * 2
    assert plan.reminders["seed_set"].tolist() == [dt.date(2026, 4, 9)]
    # Nothing is known beyond the table: no day after it is in season.
    short = season_plan(job, seasons={"ground ivy": spring}, temperatures=heat.iloc[:20])
    assert short.visits["latest"].tolist() == [dt.date(2026, 3, 20)]
    assert "later days count as out of season" in texts(short)
    cold = season_plan(job, seasons={"ground ivy": spring}, temperatures=heat.iloc[:5])
    assert cold.visits.empty
    assert "the season has not begun" in texts(cold)


@pytest.mark.parametrize(
    ("table", "word"),
    [
        (days_of([50.0] * 5, [70.0] * 5).drop(index=2), "1 days are missing, the first 2026-03-03"),
        (pd.concat([days_of([50.0], [70.0])] * 2), "stands twice"),
        (days_of([50.0, np.nan], [70.0, 70.0]), "is no temperature"),
        (days_of([50.0, 80.0], [70.0, 70.0]), "the high is below the low"),
        (days_of([50.0], [700.0]), "is no temperature"),
        (days_of([50.0], ["warm"]), "warm is no temperature"),
        (days_of([50.0], [70.0]).drop(columns="date"), "no column 'date'"),
        (days_of([50.0], [70.0]).rename(columns={"temp_min_f": "temp_min"}), "no temp_min_f or _c"),
        (days_of([50.0], [70.0]).assign(low_c=10.0), "two columns for one quantity"),
        (days_of([], []), "no rows"),
        (days_of([50.0], [70.0]).assign(date="last week"), "is no date"),
        ("a.csv", "give a pandas DataFrame"),
    ],
)
def test_temperature_tables_that_are_refused(table, word):
    with pytest.raises(InputError, match=word):
        degree_days(table)


def test_degree_days_outside_the_table():
    table = days_of([50.0] * 5, [70.0] * 5)
    with pytest.raises(InputError, match="not wholly in the table"):
        degree_days(table, since="2026-02-01")
    with pytest.raises(InputError, match="before since"):
        degree_days(table, since="2026-03-04", until="2026-03-02")
    with pytest.raises(UnitError):
        degree_days(table, base="50")
    assert len(degree_days(table.iloc[::-1], since="2026-03-02", until="2026-03-03")) == 2


# ---------------------------------------------------------------- bad input


@pytest.mark.parametrize(
    ("given_", "word"),
    [
        ({"visits": "soon"}, "'soon' is no date"),
        ({"visits": "2026-02-30"}, "is no date"),
        ({"visits": 20260920}, "is no date"),
        ({"visits": True}, "is no date"),
        ({"visits": pd.NaT}, "is no date"),
        ({"visits": "20260920"}, "is no date"),
        ({"visits": "9999-01-01"}, "is no date"),
        ({"visits": []}, "no date is given"),
        ({"visits": ["2026-10-20", "2026-09-20"]}, "comes after"),
        ({"visits": ["2026-10-20", "2026-10-20"]}, "comes after"),
        ({"visits": "2026-09-01"}, "before the day that the job was sized for"),
        ({"until": "2026-09-01"}, "is before the last visit"),
        ({"until": "2046-09-01"}, "five years"),
        ({"seasons": "autumn"}, "is no span"),
        ({"seasons": ("2026-10-01", "2026-09-01")}, "ends .* before it starts"),
        ({"seasons": ("09-01", "2026-10-01")}, "one end has a year"),
        ({"seasons": ("09-01",)}, "1 ends of a span"),
        ({"seasons": ("13-01", "14-01")}, "no day of a year"),
        ({"seasons": {"ground ivy": None}}, "is no span"),
        (
            {"seasons": {"ground ivy": ("09-01", "10-01"), "creeping charlie": ("09-01", "10-01")}},
            "stands twice",
        ),
        ({"seasons": (DegreeDays("100 degF"), DegreeDays("400 degF"))}, "need daily temperatures"),
        ({"seasons": (DegreeDays("400 degF"), DegreeDays("100 degF"))}, "before it starts"),
        ({"frost": ("2026-11-01", "2026-10-01")}, "before it starts"),
        ({"frost": (DegreeDays("1 degF"), DegreeDays("2 degF"))}, "not degree-days"),
        ({"frost": 10}, "is no date"),
        ({"seed_set": "05-10"}, "which weed"),
        ({"seed_set": {"ground ivy": "May"}}, "is no date"),
        ({"count": 0}, "no number of count"),
        ({"count": True}, "no number of count"),
        ({"lead_days": -1}, "no number of lead_days"),
    ],
)
def test_bad_input_gets_one_clear_error(tmp_path, given_, word):
    with pytest.raises(InputError, match=word) as error:
        season_plan(a_job(a_label(tmp_path, SPAN)), **given_)
    assert "\n" not in str(error.value)


def test_a_time_of_day_keeps_its_day_as_written():
    # The night that clocks go back in Chicago, and hours that fall on another day in UTC.
    for text in ("2026-11-01T23:30-06:00", "2026-11-01T01:30-05:00", "2026-11-01T00:00+14:00"):
        assert read_date(dt.datetime.fromisoformat(text), "visits") == dt.date(2026, 11, 1)
    assert read_date(pd.Timestamp("2026-11-01 23:30", tz="America/Chicago"), "visits") == dt.date(2026, 11, 1)
    assert read_date(np.datetime64("2026-11-01"), "visits") == dt.date(2026, 11, 1)


def test_unknown_season_is_said(tmp_path):
    job = a_job(a_label(tmp_path, SPAN), patches=(("Elm Court", "ground ivy"), ("Elm Court", "dandelion")))
    assert "no season is given for any weed" in texts(season_plan(job))
    assert "no season is given for it" in texts(season_plan(job, seasons={"ground ivy": ("09-01", "10-30")}))
    assert "are of no weed here" in texts(season_plan(job, seasons={"bramble": ("09-01", "10-30")}))


# ---------------------------------------------------------------- calendars and tables

HOSTILE = 'Elm; Court, "№7"\\n=cmd|calc\x07 BEGIN:VEVENT ' + "ü" * 90


def written(tmp_path, site=HOSTILE):
    job = a_job(a_label(tmp_path, SPAN), patches=((site, "ground ivy"),))
    plan = season_plan(job, seed_set={"ground ivy": "10-20"})
    return plan, plan.to_ics(tmp_path / "season.ics")


def test_calendar_read_by_a_second_library(tmp_path):
    plan, path = written(tmp_path)
    events = list(vobject.readOne(path.read_text(encoding="utf-8")).vevent_list)
    visits = [event for event in events if event.summary.value.startswith("Visit")]
    assert len(events) == 3
    assert [event.dtstart.value for event in visits] == plan.visits["date"].tolist()
    assert [event.dtend.value - event.dtstart.value for event in events] == [DAY] * 3
    assert all(event.location.value == HOSTILE.replace("\x07", "") for event in visits)
    assert len({event.uid.value for event in events}) == 3
    said = visits[0].description.value
    assert "do not mow for two days before and two days after" in said
    assert "do not water for 24 hours after" in said
    assert "wait four weeks" in said
    assert "it is the law" in said
    # A second plan of the same job moves the same events.
    again = vobject.readOne(plan.to_ics(tmp_path / "b.ics").read_text(encoding="utf-8"))
    assert [event.uid.value for event in again.vevent_list] == [event.uid.value for event in events]


def test_calendar_read_by_a_third_library(tmp_path):
    plan, path = written(tmp_path, "Elm Court")
    events = sorted(ics.Calendar(path.read_text(encoding="utf-8")).events, key=lambda event: event.begin)
    assert all(event.all_day for event in events)
    assert [event.begin.date() for event in events if event.location] == plan.visits["date"].tolist()


def test_calendar_lines_keep_the_standard(tmp_path):
    # RFC 5545: lines end in CRLF and hold at most 75 octets (3.1); an all-day event is a DATE value without a
    # zone (3.3.4); DTSTAMP is in UTC (3.8.7.2); no control characters (3.3.11).
    _, path = written(tmp_path)
    raw = path.read_bytes()
    assert raw.count(b"\n") == raw.count(b"\r\n") == raw.count(b"\r")
    assert max(len(line) for line in raw.split(b"\r\n")) <= 75
    unfolded = raw.replace(b"\r\n ", b"").decode("utf-8").split("\r\n")
    assert sum(line == "BEGIN:VEVENT" for line in unfolded) == 3
    starts = [line for line in unfolded if line.startswith("DTSTART")]
    assert starts
    assert all(line.startswith("DTSTART;VALUE=DATE:2026") and len(line) == 27 for line in starts)
    assert not any("TZID" in line for line in unfolded)
    assert all(line.endswith("Z") for line in unfolded if line.startswith("DTSTAMP"))
    assert not any(ord(one) < 32 and one != "\t" for line in unfolded for one in line)


def test_csv_is_safe_and_complete(tmp_path):
    plan, _ = written(tmp_path, "=HYPERLINK(1)")
    with plan.to_csv(tmp_path / "season.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["date"] for row in rows] == ["2026-09-15", "2026-10-06"]
    assert all(row["site"] == "'=HYPERLINK(1)" for row in rows)
    assert list(rows[0]) == list(plan.visits.columns)
    with pytest.raises(InputError, match="cannot be written"):
        plan.to_csv(tmp_path / "no" / "season.csv")
    with pytest.raises(InputError, match="cannot be written"):
        plan.to_ics(tmp_path / "no" / "season.ics")


def test_amounts_are_those_of_the_job(tmp_path):
    job = a_job(a_label(tmp_path, SPAN), patches=(("Elm Court", "ground ivy"), ("Oak Row", "dandelion")))
    first = season_plan(job).visits.query("visit == 1")
    assert first["product_amount"].tolist() == pytest.approx(job.totals["product_amount"].tolist(), rel=1e-9)
    assert first["solution_gal"].tolist() == pytest.approx(job.totals["solution_gal"].tolist(), rel=1e-9)
    assert first["area_m2"].sum() == pytest.approx(job.zones["area_m2"].sum(), rel=1e-9)


def test_summary_carries_the_cautions(tmp_path):
    text = season_plan(a_job(a_label(tmp_path, SPAN))).summary()
    assert "visit 2  2026-10-06" in text
    assert "licensed applicator" in text
    assert "no visit" in season_plan(a_job(a_label(tmp_path, SPAN), patches=(("A", "bramble"),))).summary()
