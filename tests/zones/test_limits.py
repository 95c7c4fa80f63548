"""Limits over space and time: dates and amounts by hand, and properties over random pasts."""

from __future__ import annotations

import datetime as dt
import itertools
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st

import weedzone as wz
from weedzone.kit.label import Active, Label, Limits, Rate
from weedzone.kit.rig import Sprayer
from weedzone.zones.dose import Plan
from weedzone.zones.limits import Application, applied, group_hint, in_force, state, together

CRS = "EPSG:32615"
X, Y = 500_000.0, 4_980_000.0
# 1 lb = 0.45359237 kg and 1 gal = 3.785411784 L by definition (NIST Handbook 44, appendix C; from memory);
# 1 acre = 43,560 ft2 of 0.3048 m.
LB_PER_ACRE = 0.45359237 / (43_560 * 0.3048**2)
LB_PER_GAL = 0.45359237 / 3.785411784
DAY = dt.date
# An edge that gets a corner in local metres is no longer quite straight on the map: a micrometre on 20 m.
HAIR_M = 1e-5


def label(name: str = "Demo A", active: str = "2,4-D", strength: float = 3.8, **more: Any) -> Label:
    base: dict[str, Any] = {
        "name": name,
        "form": "liquid",
        "actives": (Active(active, strength * LB_PER_GAL, "4"),),
        "tolerant": frozenset({"tall fescue"}),
        "caution": {},
        "weeds": {"dandelion": "good"},
        "rates": (Rate("spot", (1e-4, 2e-4), None, None),),
        "buffers_m": {"default": 0.5},
    }
    return Label(**(base | more))


def dose_of(pounds_per_acre: float, strength: float = 3.8) -> float:
    """Product [L/m2] that puts down pounds of active an acre."""
    return pounds_per_acre * LB_PER_ACRE / (strength * LB_PER_GAL)


def plan(one: Label, low: float, high: float) -> Plan:
    return Plan(one, "spot", low, high, 0.04)


def test_two_full_applications_reach_the_yearly_cap_exactly() -> None:
    """1.5 lb ae/acre twice is the whole 3.0 of a year, and not a grain more may follow.

    Figures for 2,4-D on turf: EPA 738-R-05-002 (June 2005), from memory; row L08 of check_values.csv.
    """
    limits = {"2,4-D": Limits(1.5 * LB_PER_ACRE, 3.0 * LB_PER_ACRE)}
    one = label(limits=limits)
    full = plan(one, dose_of(0.75), dose_of(1.5))
    first = Application(one.name, DAY(2026, 4, 1), dose_of(1.5))
    labels = {one.name: one}
    after_one = state(full, (first,), labels, DAY(2026, 6, 1))
    assert after_one.outcome == ""
    assert after_one.dose == pytest.approx(dose_of(1.5), rel=1e-12)
    both = (first, Application(one.name, DAY(2026, 6, 1), dose_of(1.5)))
    after_two = state(full, both, labels, DAY(2026, 8, 1))
    assert after_two.outcome == "yearly limit"
    assert after_two.opens == DAY(2027, 4, 1), "365 days after the first"
    assert "0 lb/acre of 2,4-D left of 3 lb/acre a year; opens again on 2027-04-01" in after_two.reason


def test_dose_that_fits_between_lowest_and_highest() -> None:
    one = label(limits={"2,4-D": Limits(None, 3.0 * LB_PER_ACRE)})
    past = (Application(one.name, DAY(2026, 4, 1), dose_of(1.9)),)
    found = state(plan(one, dose_of(0.75), dose_of(1.5)), past, {one.name: one}, DAY(2026, 7, 1))
    assert found.outcome == ""
    assert found.dose == pytest.approx(dose_of(1.1), rel=1e-12)
    assert found.dose * 3.8 * LB_PER_GAL + 1.9 * LB_PER_ACRE <= 3.0 * LB_PER_ACRE
    assert "1.1 lb/acre of 2,4-D left" in found.reason
    closed = state(plan(one, dose_of(1.2), dose_of(1.5)), past, {one.name: one}, DAY(2026, 7, 1))
    assert closed.outcome == "yearly limit"


def test_first_day_of_the_interval() -> None:
    one = label(interval_days=(21.0, 30.0))
    p, labels = plan(one, 1e-4, 2e-4), {one.name: one}
    past = (Application(one.name, DAY(2026, 5, 1), 1e-4),)
    closed = state(p, past, labels, DAY(2026, 5, 21))
    assert (closed.outcome, closed.opens) == ("too soon", DAY(2026, 5, 22))
    assert state(p, past, labels, DAY(2026, 5, 22)).outcome == ""


def test_half_days_of_an_interval_round_up() -> None:
    one = label(interval_days=(10.5, 12.0))
    past = (Application(one.name, DAY(2026, 5, 1), 1e-4),)
    closed = state(plan(one, 1e-4, 2e-4), past, {one.name: one}, DAY(2026, 5, 11))
    assert (closed.outcome, closed.opens) == ("too soon", DAY(2026, 5, 12))


@pytest.mark.parametrize(("calendar", "opens"), [(True, DAY(2027, 1, 1)), (False, DAY(2027, 3, 1))])
def test_applications_used_up(calendar: bool, opens: dt.date) -> None:
    one = label(applications_per_year=1, calendar_year=calendar)
    past = (Application(one.name, DAY(2026, 3, 1), 1e-4),)
    found = state(plan(one, 1e-4, 2e-4), past, {one.name: one}, DAY(2026, 12, 31))
    assert (found.outcome, found.opens) == ("applications used up", opens)


def test_every_limit_is_open_on_the_day_that_is_named() -> None:
    """The named day answers to all limits at once: the interval ends on 1 July, the year only in September."""
    one = label(applications_per_year=1, interval_days=(30.0, 30.0))
    past = (Application(one.name, DAY(2025, 9, 10), 1e-4), Application(one.name, DAY(2026, 6, 1), 1e-4))
    found = state(plan(one, 1e-4, 2e-4), past, {one.name: one}, DAY(2026, 6, 10))
    assert found.opens == DAY(2027, 6, 1)


def test_a_later_application_keeps_the_ground_closed_before() -> None:
    one = label(applications_per_year=1)
    past = (Application(one.name, DAY(2026, 9, 1), 1e-4),)
    assert (
        state(plan(one, 1e-4, 2e-4), past, {one.name: one}, DAY(2026, 5, 1)).outcome == "applications used up"
    )


def test_products_that_share_an_ingredient_count_together() -> None:
    one = label(limits={"2,4-D": Limits(None, 2.0 * LB_PER_ACRE)})
    other = label("Demo B", active="2,4-D dimethylamine", strength=2.0)
    past = (
        Application("Demo A", DAY(2026, 4, 1), dose_of(0.7)),
        Application("Demo B", DAY(2026, 5, 1), dose_of(0.6, 2.0)),
    )
    labels = {"Demo A": one, "Demo B": other}
    assert applied("2,4-d", past, labels) == pytest.approx(1.3 * LB_PER_ACRE)
    found = state(plan(one, dose_of(0.5), dose_of(1.5)), past, labels, DAY(2026, 7, 1))
    assert found.dose == pytest.approx(dose_of(0.7))
    strange = label("Demo C", active="triclopyr", applications_per_year=1)
    free = state(plan(strange, 1e-4, 2e-4), past, labels | {"Demo C": strange}, DAY(2026, 7, 1))
    assert free.outcome == "", "another ingredient is not counted"


def test_a_product_without_a_label_closes_the_ground() -> None:
    one = label()
    past = (Application("Demo Lost", DAY(2026, 4, 1), 0.0),)
    found = state(plan(one, 1e-4, 2e-4), past, {one.name: one}, DAY(2026, 7, 1))
    assert found.outcome == "yearly limit"
    assert "'Demo Lost' of 2026-04-01 has no label here" in found.reason
    assert found.opens == DAY(2027, 4, 1)


def test_calendar_year_and_any_365_days() -> None:
    past = [Application("Demo A", DAY(2025, 12, 31), 1e-4), Application("Demo A", DAY(2026, 1, 1), 1e-4)]
    assert len(in_force(label(calendar_year=True), past, DAY(2026, 6, 1))) == 1
    assert len(in_force(label(), past, DAY(2026, 6, 1))) == 2
    assert len(in_force(label(), past, DAY(2026, 12, 31))) == 1, (
        "365 days after the first it no longer counts"
    )


def test_mode_of_action_hint_asks_for_the_last_two_days() -> None:
    four, two = label(), label("Demo B", active="metsulfuron")
    two = Label(**{**vars(two), "actives": (Active("metsulfuron", 0.6, "2"),)})
    labels = {"Demo A": four, "Demo B": two}
    a, b = (Application(name, DAY(2026, 4, 1), 1e-4) for name in labels)

    def on(one: Application, month: int) -> Application:
        return Application(one.product, DAY(2026, month, 1), one.dose)

    assert group_hint((on(a, 4), on(a, 5)), four, labels) == ("4", 2)
    assert group_hint((on(b, 3), on(a, 4), on(a, 5)), four, labels) == ("4", 2), (
        "the run counts, not the whole past"
    )
    assert group_hint((on(a, 4), on(b, 5)), four, labels) is None
    assert group_hint((on(a, 4), on(a, 5)), two, labels) is None
    assert group_hint((on(a, 4),), four, labels) is None


@pytest.mark.parametrize("seed", range(200))
def test_more_past_never_opens_and_later_days_never_close(seed: int) -> None:
    rng = np.random.default_rng(seed)
    labels = {}
    for name in ("Demo A", "Demo B", "Demo C"):
        limits = (
            {"2,4-D": Limits(None, float(rng.uniform(0.5, 3.0)) * LB_PER_ACRE)} if rng.random() < 0.7 else {}
        )
        labels[name] = label(
            name,
            active="triclopyr" if name == "Demo C" else "2,4-D",
            limits={} if name == "Demo C" else limits,
            applications_per_year=int(rng.integers(1, 4)) if rng.random() < 0.7 else None,
            interval_days=(float(rng.integers(5, 60)),) * 2 if rng.random() < 0.7 else None,
            calendar_year=bool(rng.random() < 0.5),
        )
    names = [*labels, "Demo Lost"] if rng.random() < 0.2 else list(labels)
    past = tuple(
        Application(
            str(rng.choice(names)),
            DAY(2025, 1, 1) + dt.timedelta(int(rng.integers(0, 700))),
            dose_of(rng.uniform(0, 1)),
        )
        for _ in range(int(rng.integers(0, 5)))
    )
    p = plan(labels["Demo A"], dose_of(0.4), dose_of(1.2))
    days = [DAY(2026, 1, 1) + dt.timedelta(int(one)) for one in np.sort(rng.integers(0, 900, 12))]
    before = 0.0
    for day in days:
        found = state(p, past, labels, day)
        fewer = state(p, past[:-1], labels, day)
        assert found.dose <= fewer.dose
        assert found.dose >= before - 1e-18, "a later day never leaves less"
        before = found.dose
        year = in_force(p.label, past, day)
        if not found.outcome and "2,4-D" in p.label.limits:
            down = applied("2,4-D", year, labels) + found.dose * 3.8 * LB_PER_GAL
            assert down <= p.label.limits["2,4-D"].per_year * (1 + 1e-9)  # type: ignore[operator]
        if found.outcome and found.opens is not None:
            assert found.opens > day
            assert not state(p, past, labels, found.opens).outcome
            eve = found.opens - dt.timedelta(1)
            assert state(p, past, labels, eve).outcome, "the day before is still closed"


@settings(max_examples=100)
@given(seed=st.integers(0, 2**31))
def test_two_products_on_one_day_stay_below_both_labels(seed: int) -> None:
    rng = np.random.default_rng(seed)
    labels = {}
    for name in ("Demo A", "Demo B"):
        once, year = rng.uniform(0.8, 2.5), rng.uniform(1.0, 3.5)
        labels[name] = label(name, limits={"2,4-D": Limits(once * LB_PER_ACRE, year * LB_PER_ACRE)})
    first, second = (plan(one, dose_of(0.2), dose_of(1.0)) for one in labels.values())
    past = (Application("Demo A", DAY(2026, 3, 1), dose_of(rng.uniform(0, 1.5))),)
    own = state(first, past, labels, DAY(2026, 6, 1)).dose
    dose = together(second, past, first, own, labels, DAY(2026, 6, 1)) if own else 0.0
    assume(dose)
    assert second.dose_low <= dose * (1 + 1e-9)
    assert dose <= second.dose_high
    day = (own + dose) * 3.8 * LB_PER_GAL
    for one in labels.values():
        assert day <= one.limits["2,4-D"].per_application * (1 + 1e-9)  # type: ignore[operator]
        assert day + applied("2,4-D", past, labels) <= one.limits["2,4-D"].per_year * (1 + 1e-9)  # type: ignore[operator]


# ---------------------------------------------------------------------------------- on the ground


def survey(history: list[tuple[Any, str, str, str | None, str | None]]) -> wz.Survey:
    """A lawn of 20 m by 10 m, infested all over; history rows are (box, product, date, dose, amount)."""
    columns = ("geometry", "product", "date", "dose", "amount")
    return wz.Survey(
        turf=gpd.GeoDataFrame(
            {"turf": ["tall fescue"]}, geometry=[shapely.box(X, Y, X + 20, Y + 10)], crs=CRS
        ),
        infestations=gpd.GeoDataFrame(
            {"weed": ["dandelion"]}, geometry=[shapely.box(X, Y, X + 20, Y + 10)], crs=CRS
        ),
        keep_out=gpd.GeoDataFrame(
            {"kind": ["tree"]}, geometry=[shapely.box(X, Y + 50, X + 1, Y + 51)], crs=CRS
        ),
        history=None
        if not history
        else gpd.GeoDataFrame([dict(zip(columns, row, strict=True)) for row in history], crs=CRS),
    )


RIG = Sprayer(name="rig", swath_m=None, pace_mps=None, tank_L=15.0, carrier_L_per_m2=0.04)


def box(x0: float, x1: float) -> Any:
    return shapely.box(X + x0, Y, X + x1, Y + 10)


def ledger(job: wz.Job) -> dict[str, float]:
    found = job.ledger.groupby("outcome")["area_m2"].sum().to_dict()
    return {str(name): float(area) for name, area in found.items()}


def test_overlapping_applications_add_up_on_their_ground_alone() -> None:
    one = label(
        limits={"2,4-D": Limits(None, 3.0 * LB_PER_ACRE)},
        rates=(Rate("spot", (dose_of(0.9), dose_of(1.5)), None, None),),
    )
    oz = f"{dose_of(1.2) * 10_000:.9f} L/ha"
    past = survey(
        [(box(0, 12), "demo  a", "2026-03-01", oz, None), (box(8, 20), "Demo A", "2026-04-01", oz, None)]
    )
    job = wz.size_job(past, {one.name: one}, RIG, use="spot", on="2026-07-01")
    whole = job.ledger["area_m2"].sum()
    got = ledger(job)
    assert got["yearly limit"] == pytest.approx(whole * 4 / 20, rel=1e-6), (
        "2.4 lb down leave 0.6, below the lowest"
    )
    assert got["treated"] == pytest.approx(whole * 16 / 20, rel=1e-6)
    assert (
        job.ledger.loc[job.ledger["outcome"] == "yearly limit", "reason"]
        .iloc[0]
        .endswith("opens again on 2027-03-01")
    )
    untouched = wz.size_job(survey([]), {one.name: one}, RIG, use="spot", on="2026-07-01")
    assert ledger(untouched)["treated"] == pytest.approx(whole)


def test_a_site_gets_one_strength_that_all_its_ground_allows() -> None:
    one = label(
        limits={"2,4-D": Limits(None, 3.0 * LB_PER_ACRE)},
        rates=(Rate("spot", (dose_of(0.9), dose_of(1.5)), None, None),),
    )
    past = survey([(box(0, 5), "Demo A", "2026-03-01", f"{dose_of(2.0) * 10_000:.9f} L/ha", None)])
    job = wz.size_job(past, {one.name: one}, RIG, use="spot", on="2026-07-01")
    zones = job.zones.sort_values("area_m2")
    pounds = zones["product_amount"] / 128 * 3.8 / (zones["area_m2"] / (43_560 * 0.3048**2))
    assert pounds.to_list() == pytest.approx([1.0], rel=1e-9), "lb/acre: half of the ground allows no more"
    assert len(job.loads) == 1, "one mix in one tank"
    assert "is planned at" in job.findings["message"].str.cat()
    assert "1 lb/acre of 2,4-D left of 3 lb/acre a year" in job.findings["message"].str.cat()


def test_an_amount_is_spread_over_its_own_polygon() -> None:
    one = label(
        limits={"2,4-D": Limits(None, 3.0 * LB_PER_ACRE)},
        rates=(Rate("spot", (dose_of(0.9),) * 2, None, None),),
    )
    litres = dose_of(2.5) * 100.0 * (1 - 2e-3)  # on 10 m x 10 m, a little less than the map's square metres
    past = survey([(box(10, 20), "Demo A", "2026-03-01", None, f"{litres * 1000:.6f} mL")])
    job = wz.size_job(past, {one.name: one}, RIG, use="spot", on="2026-07-01")
    assert ledger(job)["yearly limit"] == pytest.approx(ledger(job)["treated"], rel=1e-6)


def test_same_group_twice_running_is_hinted() -> None:
    one = label()
    past = survey(
        [
            (box(0, 5), "Demo A", "2025-03-01", "1 L/ha", None),
            (box(0, 9), "Demo A", "2026-03-01", "1 L/ha", None),
        ]
    )
    job = wz.size_job(past, {one.name: one}, RIG, use="spot", on="2026-07-01")
    words = job.findings["message"].str.cat()
    assert "mode of action group 4 of Demo A was used in each of the last 2 applications" in words


@pytest.mark.parametrize("seed", range(12))
def test_history_only_removes_ground_and_later_days_only_add(seed: int) -> None:
    rng = np.random.default_rng(seed)
    one = label(
        limits={"2,4-D": Limits(None, 2.0 * LB_PER_ACRE)},
        applications_per_year=2,
        interval_days=(28.0, 40.0),
        rates=(Rate("spot", (dose_of(0.5), dose_of(1.0)), None, None),),
    )
    other = label(
        "Demo B",
        active="triclopyr",
        weeds={"dandelion": "fair"},
        applications_per_year=1,
        interval_days=(60.0, 60.0),
    )
    labels = {"Demo A": one, "Demo B": other}
    rows = []
    for _ in range(3):
        x0 = rng.uniform(-5, 15)
        day = DAY(2026, 1, 1) + dt.timedelta(int(rng.integers(0, 200)))
        dose = f"{dose_of(rng.uniform(0.3, 1.2)) * 10_000:.6f} L/ha"
        rows.append(
            (
                box(x0, x0 + rng.uniform(2, 12)),
                str(rng.choice(["Demo A", "Demo B"])),
                day.isoformat(),
                dose,
                None,
            )
        )
    treated = []
    for n in range(4):
        job = wz.size_job(survey(rows[:n]), labels, RIG, use="spot", on="2026-07-15")
        treated.append(shapely.union_all(job.zones.geometry.to_numpy()))
    for more, less in itertools.pairwise(treated):
        assert less.difference(more.buffer(HAIR_M)).area < HAIR_M
    later = [
        shapely.union_all(
            wz.size_job(survey(rows), labels, RIG, use="spot", on=day).zones.geometry.to_numpy()
        )
        for day in ("2026-07-20", "2026-09-01", "2027-02-01", "2027-08-01")
    ]
    for early, late in itertools.pairwise(later):
        assert early.difference(late.buffer(HAIR_M)).area < HAIR_M
