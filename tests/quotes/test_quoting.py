"""Quotes against sums done by hand, and what must hold of any quote."""

import json
import re
import tomllib
from decimal import Decimal
from pathlib import Path

import jsonschema
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from quoting import BARE, LABEL, PRICES, feet, job, price_list

import weedzone as wz
from weedzone.kit.prices import Container, read_prices
from weedzone.quotes.lines import cheapest
from weedzone.quotes.quoting import quote

D = Decimal
ONE = [("front", feet(0, 0, 100, 50))]  # 5 ksqft
TWO = [*ONE, ("back", feet(600, 0, 40, 50))]  # and 2 ksqft


def amounts(found, pricing="cost-plus", visit=1):
    mine = found.lines[(found.lines["pricing"] == pricing) & (found.lines["visit"] == visit)]
    return dict(zip(mine["item"], mine["amount"], strict=True))


def test_a_quote_worked_by_hand(tmp_path):
    # 5 ksqft at 1 gal/ksqft: 5 gal, two loads of 4 gal; 5 fl oz of product, 2.5 fl oz of adjuvant.
    # Covering: 5,000 ft2 / (3 ft x 2 mph x 5,280 ft/mile) = 0.15783 h, on the quote 0.1578 h.
    found = quote(job(ONE), price_list(tmp_path))
    assert amounts(found) == {
        "Demo Plain": D("2.50"),  # 5 x 64/128
        "demo spreader": D("1.25"),  # 2.5 x 16/32
        "set-up": D("4.50"),  # 0.1 h x 45
        "mixing": D("9.00"),  # 2 x 0.1 h x 45
        "covering": D("7.10"),  # 0.1578 h x 45 = 7.101
        "overhead on material": D("0.38"),  # 10 % of 3.75 = 0.375, half up
        "overhead on service": D("2.06"),  # 10 % of 20.60
        "margin on material": D("1.03"),  # 4.13 / 0.8 = 5.1625
        "margin on service": D("5.67"),  # 22.66 / 0.8 = 28.325, less 22.66 = 5.665, half up
        "discount on material": D("-0.26"),  # 5 % of 5.16
        "discount on service": D("-1.42"),  # 5 % of 28.33 = 1.4165
        "minimum charge": D("8.19"),  # 40 - (4.90 + 26.91)
        "travel": D("18.00"),
        "tax on material": D("0.34"),  # 7 % of 4.90
        "tax on service": D("1.06"),  # 2 % of 26.91 + 8.19 + 18.00 = 53.10
    }
    row = found.totals.iloc[0]
    assert (row["material"], row["service"], row["tax"], row["total"]) == (
        D("4.90"),
        D("53.10"),
        D("1.40"),
        D("59.40"),
    )
    assert found.total == D("59.40")


def test_the_same_job_by_area_and_side_by_side(tmp_path):
    found = quote(job(ONE), price_list(tmp_path), pricing="both")
    assert amounts(found, "per-area") == {
        "spot treatment": D("70.00"),  # 5 ksqft x 14
        "discount on service": D("-3.50"),
        "travel": D("18.00"),
        "tax on service": D("1.69"),  # 2 % of 84.50
    }
    assert found.total_of("per-area") == D("86.19")
    assert found.total_of("cost-plus") == D("59.40")
    assert list(found.totals["pricing"]) == ["cost-plus", "per-area"]


def test_mark_up_on_cost(tmp_path):
    # 25 % on cost is the same as a margin of 20 % of the price: 4.13 x 0.25 = 1.0325.
    prices = price_list(tmp_path, PRICES.replace('margin = "20 %"', 'markup = "25 %"'))
    found = amounts(quote(job(ONE), prices))
    assert found["mark-up on material"] == D("1.03")
    assert found["mark-up on service"] == D("5.67")


def test_whole_containers_the_cheapest_that_hold_it_shared_by_use(tmp_path):
    found = quote(job(TWO), price_list(tmp_path), material="containers")
    mine = found.lines[found.lines["item"] == "Demo Plain"]
    # 7 fl oz: a quart (20.00) does, a gallon (64.00) would too; 5/7 and 2/7 of 20.00.
    assert list(mine["amount"]) == [D("14.29"), D("5.71")]
    assert "1 x 1 qt" in mine["basis"].iloc[0]


def test_the_cheapest_containers_against_trying_all():
    sold = (
        Container(3.785, True, D(64), "1 gal"),
        Container(0.946, True, D(20), "1 qt"),
        Container(9.46, True, D(150), "2.5 gal"),
    )
    for need in (0.1, 0.946, 1.5, 3.7, 3.8, 5.0, 9.0, 13.3):
        tried = min(
            a * D(64) + b * D(20) + c * D(150)
            for a in range(6) for b in range(16) for c in range(3)
            if a * 3.785 + b * 0.946 + c * 9.46 >= need
        )  # fmt: skip
        assert cheapest(sold, need)[0] == tried


def test_lines_are_quantity_times_price_and_sum_to_the_totals(tmp_path):
    prices = price_list(tmp_path)
    found = quote(job(TWO), prices, [{"after": "28 day", "share": "33 %"}], pricing="both")
    for row in found.lines.to_dict("records"):
        assert isinstance(row["amount"], D)
        exact = row["quantity"] * row["unit_price"]
        assert abs(row["amount"] - exact) <= D("0.005")
        assert row["amount"] == row["amount"].quantize(D("0.01"))
    by = found.lines.groupby(["pricing", "site"], sort=False)["amount"].apply(lambda some: sum(some, D(0)))
    assert list(by) == list(found.totals["total"])
    assert found.total == sum(found.totals.loc[found.totals["pricing"] == "cost-plus", "total"], D(0))


def test_another_coin(tmp_path):
    prices = price_list(tmp_path, PRICES.replace('currency = "USD"', 'currency = "JPY"\ndecimals = 0'))
    found = quote(job(ONE), prices)
    assert all(one == one.to_integral_value() for one in found.lines["amount"])
    assert "JPY" in found.summary()


@pytest.mark.parametrize("pricing", ["cost-plus", "per-area"])
def test_two_sites_apart_are_the_joint_quote_less_shared_travel(tmp_path, pricing):
    prices = price_list(tmp_path, BARE)
    both = quote(job(TWO), prices, pricing=pricing).total
    apart = sum((quote(job([one]), prices, pricing=pricing).total for one in TWO), D(0))
    assert both == apart - D(18)


def test_travel_is_shared_among_the_sites_of_one_day(tmp_path):
    three = [(name, feet(x, 0, 40, 50)) for name, x in (("a", 0), ("b", 600), ("c", 1200))]
    prices = price_list(tmp_path, BARE)
    travel = lambda found: list(found.lines.loc[found.lines["item"] == "travel", "amount"])  # noqa: E731
    assert travel(quote(job(three), prices)) == [D("6.00")] * 3
    assert travel(quote(job(three), prices, days={"a": 1, "b": 2, "c": 1})) == [
        D("9.00"),
        D("18.00"),
        D("9.00"),
    ]
    by_two = price_list(tmp_path, BARE.replace("travel = 18", "travel = 0.05\nsites_per_day = 2"))
    assert travel(quote(job(three), by_two)) == [D("0.03"), D("0.02"), D("0.05")]
    with pytest.raises(wz.InputError, match="no day is given for site 'c'"):
        quote(job(three), prices, days={"a": 1, "b": 2})


def test_discounts_by_area_and_by_number_of_sites_add_up(tmp_path):
    steps = """
[[discount]]
over = "6 ksqft"
off = "8 %"
[[discount]]
sites = 2
off = "3 %"
[[discount]]
sites = 3
off = "9 %"
"""
    found = quote(job(TWO), price_list(tmp_path, PRICES + steps), pricing="per-area")
    row = found.lines[found.lines["item"] == "discount on service"].iloc[0]
    assert row["amount"] == D("-7.70")  # 11 % of 70.00: 8 for more than 6 ksqft, 3 for two sites
    assert row["basis"].startswith("8 % for more than 6 ksqft and 3 % for 2 sites or more")


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.floats(5, 70), st.floats(0, 20))
def test_more_area_never_costs_less_by_area(tmp_path, width, more):
    prices = price_list(tmp_path)  # all of it below the step at 4 ksqft
    small, large = (
        quote(job([("front", feet(0, 0, one, 40))]), prices, pricing="per-area").total
        for one in (width, width + more)
    )
    assert large >= small


def test_a_site_without_ground_to_treat_costs_nothing_and_shares_no_travel(tmp_path):
    shaded = [("back", feet(590, -10, 70, 70))]
    found = quote(job(TWO, keep_out=shaded), price_list(tmp_path, BARE), pricing="both")
    back = found.for_site("back")
    assert list(back.lines["item"]) == ["nothing to spray"] * 2
    assert back.total == 0
    front = found.for_site("front").lines
    assert list(front.loc[front["item"] == "travel", "amount"]) == [D("18.00")] * 2
    assert "not visited" in found.findings["message"].iloc[0]


def test_a_job_with_nothing_at_all_to_treat(tmp_path):
    shaded = [("front", feet(-10, -10, 200, 200))]
    found = quote(
        job(ONE, keep_out=shaded), price_list(tmp_path, BARE), [{"after": "28 day", "share": "30 %"}]
    )
    assert found.total == 0
    assert "total: 0.00 USD" in found.summary()


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"Demo Plain"]', '"Demo Other"]', "no price for 'Demo Plain'"),
        ('[adjuvant."Demo Spreader"]', '[adjuvant."Other"]', "no price for 'demo spreader'"),
        ('[{ size = "1 gal", price = 64 }]', '[{ size = "1 lb", price = 64 }]', "measured by volume"),
        (
            '[labour]\nrate = "45/hour"\nsetup = "6 min"\nmixing = "6 min"\nrinse = "10 min"\nwalking = "3 mph"',
            "",
            "no price of labour",
        ),
    ],
)
def test_missing_prices_get_one_clear_error(tmp_path, old, new, words):
    assert old in BARE
    with pytest.raises(wz.InputError) as told:
        quote(job(ONE), price_list(tmp_path, BARE.replace(old, new)))
    assert words in str(told.value)
    assert "prices.toml" in str(told.value)


def test_no_price_for_the_use(tmp_path):
    with pytest.raises(wz.InputError, match="no price per area for the use 'broadcast'"):
        quote(job(ONE, use="broadcast"), price_list(tmp_path), pricing="per-area")


def test_a_follow_up_is_a_share_of_the_ground(tmp_path):
    found = quote(job(ONE), price_list(tmp_path, BARE), [{"after": "28 day", "share": "30 %"}])
    first, later = amounts(found), amounts(found, visit=2)
    assert later["Demo Plain"] == D("0.75")  # 30 % of 5 fl oz at 0.50
    assert later["mixing"] == D("4.50")  # 1.5 gal is one load
    assert later["set-up"] == first["set-up"]
    assert list(found.visits["area_ft2"]) == pytest.approx([5000, 1500], rel=1e-5)


def test_follow_ups_stay_inside_the_labels_interval(tmp_path):
    prices = price_list(tmp_path, BARE)
    with pytest.raises(wz.InputError, match=r"follow-up 1 of 'Demo Plain', 20 days on, is too soon"):
        quote(job(ONE), prices, [{"after": "20 day", "share": "30 %"}])
    late = quote(job(ONE), prices, [{"after": "31 day", "share": "30 %"}])
    assert "past the label's interval, 21 to 30 days" in late.findings["message"].iloc[0]
    assert quote(job(ONE), prices, [{"after": "21 day", "share": "30 %"}]).findings.empty


def test_follow_ups_stay_inside_the_labels_number_and_yearly_amount(tmp_path):
    prices = price_list(tmp_path, BARE)
    visits = [{"after": "28 day", "share": "30 %"}] * 3
    assert set(quote(job(ONE), prices, visits[:2]).lines["visit"]) == {1, 2, 3}
    with pytest.raises(wz.InputError, match="follow-up 3 has no ground open to it"):
        quote(job(ONE), prices, visits)  # the label allows three in a year
    # 1 fl oz/ksqft of 3.8 lb/gal is 1.293 lb/acre (43.56 x 3.8 / 128): a year's 1.5 leaves no second one.
    yearly = LABEL.replace("applications_per_year = 3", 'per_year = "1.5 lb/acre"\napplications_per_year = 3')
    with pytest.raises(wz.InputError, match="no ground open"):
        quote(job(ONE, text=yearly), prices, visits[:1])


def test_visits_by_number_come_from_the_price_list(tmp_path):
    prices = price_list(tmp_path, BARE + '[[followup]]\nafter = "28 day"\nshare = "30 %"\n')
    assert set(quote(job(ONE), prices).lines["visit"]) == {1, 2}
    assert set(quote(job(ONE), prices, 2).lines["visit"]) == {1, 2}
    assert set(quote(job(ONE), prices, 1).lines["visit"]) == {1}
    assert set(quote(job(ONE), prices, ()).lines["visit"]) == {1}
    for wrong in (0, 3, True, "2", {"after": "28 day"}, 2.0):
        with pytest.raises(wz.InputError):
            quote(job(ONE), prices, wrong)


def test_unknown_words_are_refused(tmp_path):
    for wrong in ({"pricing": "guess"}, {"material": "guess"}):
        with pytest.raises(wz.InputError, match="one of"):
            quote(job(ONE), price_list(tmp_path), **wrong)
    found = quote(job(TWO), price_list(tmp_path))
    with pytest.raises(wz.InputError, match="did you mean 'front'"):
        found.for_site("frontt")
    with pytest.raises(wz.InputError, match="not priced"):
        found.total_of("per-area")


@pytest.mark.slow
def test_the_spread_of_the_price_and_the_loads(tmp_path):
    found = quote(job(TWO), price_list(tmp_path, BARE), pricing="both", accuracy="6 ft", cases=30, seed=3)
    whole = found.spread[found.spread["site"].isna()]
    assert list(whole["pricing"]) == ["cost-plus", "per-area"]
    assert all(whole["p10"] < whole["p50"])
    assert all(whole["p50"] < whole["p90"])
    loads, cases, bring = found.doubt.bring("Demo Plain")
    sentence = f"Demo Plain: {loads} loads in {cases} of 30 cases, bring material for {bring}"
    assert sentence in found.summary()
    found.sheet(tmp_path / "quote.html")
    assert sentence in (tmp_path / "quote.html").read_text()
    again = quote(job(TWO), price_list(tmp_path, BARE), pricing="both", accuracy="6 ft", cases=30, seed=3)
    pd.testing.assert_frame_equal(again.spread, found.spread)


def test_no_doubt_gives_the_quote_itself(tmp_path):
    follow = [{"after": "28 day", "share": "30 %"}]
    found = quote(job(TWO), price_list(tmp_path, PRICES), follow, accuracy="0 m", cases=2)
    row = found.spread.iloc[0]
    assert row["p10"] == row["p90"] == found.total


HOSTILE = "=cmd|'/c calc'!A1 <script>alert(1)</script> & \"co\""


def test_sheets_and_tables_are_safe_with_hostile_names(tmp_path):
    patches = [(HOSTILE, feet(0, 0, 100, 50)), ("../../up", feet(600, 0, 40, 50))]
    terms = 'terms = "<img src=x onerror=alert(1)>"\n'
    found = quote(job(patches), price_list(tmp_path, terms + PRICES))
    files = found.write(tmp_path / "out")
    names = sorted(file.relative_to(tmp_path / "out").as_posix() for file in files)
    assert len(names) == 6
    assert names[:4] == ["customer.html", "quote.csv", "quote.html", "quote.json"]
    assert "overhead" in (tmp_path / "out" / "quote.html").read_text()
    for name in names[:1] + names[4:]:
        assert "overhead" not in (tmp_path / "out" / name).read_text()
    assert all(re.fullmatch(r"sites/[\w. -]+\.html", name) for name in names[4:])
    for file in files:
        text = file.read_text(encoding="utf-8-sig")
        if file.suffix == ".html":
            assert "<script" not in text
            assert "<img" not in text
            assert "http" not in text.replace("http-equiv", "")  # needs nothing from elsewhere
            assert "Read and follow the product label" in text
        if file.suffix == ".csv":
            assert '"=cmd' not in text
            assert "\"'=cmd" in text


def test_the_customers_page_shows_the_same_sums_and_no_margin(tmp_path):
    found = quote(job(ONE), price_list(tmp_path), accuracy="1 m", cases=5)
    inside = found.sheet(tmp_path / "inside.html").read_text()
    outside = found.sheet(tmp_path / "outside.html", customer=True).read_text()
    for word in ("overhead", "margin on", "bring material for"):
        assert word in inside
        assert word not in outside
    for text in ("59.40 USD", ">5.16<", ">28.33<", ">-0.26<", ">8.19<", ">18.00<"):
        assert text in outside  # material 5.16 and work 28.33 before the discount, as worked by hand above
    assert "Keep people and pets off" in outside


def test_csv_keeps_every_figure(tmp_path):
    found = quote(job(TWO), price_list(tmp_path))
    back = pd.read_csv(found.to_csv(tmp_path / "q.csv"), dtype=str)
    assert [D(one) for one in back["amount"]] == list(found.lines["amount"])
    assert list(back.columns) == list(found.lines.columns)


def test_json_holds_to_its_schema_and_stays_exact(tmp_path):
    prices = price_list(tmp_path)
    found = quote(
        job(TWO), prices, [{"after": "28 day", "share": "33 %"}], pricing="both", accuracy="1 m", cases=5
    )
    document = json.loads(found.to_json(tmp_path / "q.json").read_text())
    schema = json.loads(Path("docs/schema/quote.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(document, schema)
    assert sum(D(row["amount"]) for row in document["lines"] if row["pricing"] == "cost-plus") == found.total
    assert document["grand_totals"]["cost-plus"] == str(found.total)


def test_a_place_that_cannot_be_written(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(wz.InputError):
        quote(job(ONE), price_list(tmp_path)).sheet(tmp_path / "file" / "q.html")


def test_the_sample_neighbourhood_gives_a_quote_per_lot_and_a_total(tmp_path):
    survey = wz.read_survey("sample_sites/quince_bend/survey.gpkg")
    sized = wz.size_job(
        survey,
        wz.read_labels("sample_sites/labels"),
        wz.read_rig("sample_sites/rigs.toml", "backpack"),
        on="2026-05-10",
    )

    found = quote(sized, read_prices("sample_sites/prices.toml"))
    assert len(found.sites) == len(survey.sites) == 28
    assert found.total == sum((found.for_site(site).total for site in found.sites), D(0))
    assert found.total == sum(found.lines["amount"], D(0))
    travel = tomllib.loads(Path("sample_sites/prices.toml").read_text())["visit"]["travel"]
    paid = found.lines[(found.lines["item"] == "travel") & (found.lines["visit"] == 1)]
    days = -(-len(paid) // 10)  # ten sites to a day
    assert sum(paid["amount"], D(0)) == travel * days


def test_unit_prices_can_be_read():
    """44.50 for a quart of 32 fl oz is 1.390625 an ounce: five figures say it, and small prices keep theirs."""
    from weedzone.quotes.lines import _five_figures

    assert _five_figures(Decimal("44.50") / 32) == Decimal("1.3906")
    assert _five_figures(Decimal("0.00123456")) == Decimal("0.001235")
    assert _five_figures(Decimal(88) / 16) == Decimal("5.5")
    assert _five_figures(Decimal(0)) == 0
