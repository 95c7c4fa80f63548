"""Price lists: read exactly, refused clearly."""

import re
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from quoting import PRICES, feet, job, price_list, rig

import weedzone as wz
from weedzone.base.money import deal, money, percent, rounded, share
from weedzone.kit.prices import FollowUp, follow_up, read_prices


def test_the_list_is_read_exactly(tmp_path):
    prices = price_list(tmp_path, PRICES + '[[followup]]\nafter = "4 week"\nshare = "12.5 %"\n')
    assert prices.currency == "USD"
    assert prices.labour_rate == 45
    assert prices.setup_s == 360
    assert prices.walking_mps == pytest.approx(
        1.34112
    )  # 3 mph; the international mile is 1609.344 m (NIST SP 811)
    assert prices.tax == {"material": Decimal("0.07"), "service": Decimal("0.02")}
    assert prices.margin == Decimal("0.2")
    gallon = prices.containers["demo plain"][0]
    assert gallon.content == pytest.approx(3.785411784)  # L in a US gallon, NIST SP 811
    assert gallon.price == 64
    assert prices.followups == (FollowUp(28.0, Decimal("0.125")),)
    assert prices.discounts[0].over_m2 == pytest.approx(4000 * 0.3048**2)


def test_the_sample_list_reads():
    assert read_prices("sample_sites/prices.toml").currency == "USD"


def test_labour_by_the_minute_is_the_same_hour(tmp_path):
    assert price_list(tmp_path, PRICES.replace("45/hour", "0.75/min")).labour_rate == 45


def test_what_labour_leaves_open_is_filled_and_told(tmp_path):
    prices = price_list(tmp_path, 'currency = "USD"\n[labour]\nrate = "45/hour"\n')
    assert [one.feature for one in prices.noticed] == [
        f"labour {one}" for one in ("setup", "mixing", "rinse", "walking")
    ]
    assert (prices.setup_s, prices.mixing_s) == (600, 600)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('margin = "20 %"', 'margin = "-20 %"', "negative"),
        ('margin = "20 %"', 'margin = "100 %"', "below 100 %"),
        ('margin = "20 %"', "margin = 0.2", "without a unit"),
        ('margin = "20 %"', 'margin = "20 %"\nmarkup = "25 %"', "both a margin and a mark-up"),
        ('material = "7 %"', 'material = "-7 %"', "negative"),
        ('material = "7 %"', 'material = "170 %"', "at most 100 %"),
        ("minimum = 40", "minimum = -40", "is negative"),
        ("minimum = 40", "minimum = nan", "no price"),
        ("minimum = 40", "minimum = true", "no sum of money"),
        ("travel = 18", "travel = 1e12", "too large"),
        ("price = 64", 'price = "sixty"', "no sum of money"),
        ('size = "1 gal", price = 64', 'size = "1 gal"', "missing"),
        ('size = "1 gal"', 'size = "1 ft"', "accepted"),
        ('size = "1 gal"', 'size = "1 lb"', "some by volume, some by weight"),
        ('spot = "14/ksqft"', 'spot = "14"', "no price per unit"),
        ('spot = "14/ksqft"', 'spot = "14/gal"', "accepted"),
        ('spot = "14/ksqft"', 'spott = "14/ksqft"', "did you mean 'spot'"),
        ('rate = "45/hour"', 'rate = "45/ksqft"', "accepted"),
        ('off = "5 %"', 'off = "100 %"', "below 100 %"),
        ('over = "4 ksqft"', 'over = "4 ksqft"\nsites = 3', "by area or by number of sites"),
        ('currency = "USD"', 'currency = "dollars"', "three letters"),
        ('currency = "USD"', 'currency = "USD"\ndecimals = 7', "0, 1, 2 or 3"),
        ('currency = "USD"', 'currency = "USD"\npricing = "guess"', "one of"),
    ],
)
def test_bad_lists_get_one_clear_error(tmp_path, old, new, words):
    assert old in PRICES
    with pytest.raises(wz.WeedzoneError) as told:
        price_list(tmp_path, PRICES.replace(old, new, 1))
    assert words in str(told.value)
    assert "prices.toml" in str(told.value)
    assert "\n" not in str(told.value)


@pytest.mark.parametrize(
    "visit",
    [
        {"after": "28 day"},
        {"after": "28 day", "share": "0 %"},
        {"share": "5 %"},
        28,
        FollowUp(28.0, Decimal(2)),
    ],
)
def test_bad_follow_ups_are_refused(visit):
    with pytest.raises(wz.InputError):
        follow_up(visit)


@pytest.mark.parametrize(("text", "found"), [("1,234.50", "1234.50"), (96, "96"), (18.1, "18.1"), ("0", "0")])
def test_money_is_exact(text, found):
    assert money(text) == Decimal(found)


@pytest.mark.parametrize("value", ["-1", "1e-9", float("inf"), None, [], "NaN", "1_0 0"])
def test_money_that_is_none_is_refused(value):
    with pytest.raises(wz.InputError):
        money(value)


def test_halves_go_up():
    # Half up, away from zero: the rule stated on the quote.
    assert [rounded(Decimal(one), Decimal("0.01")) for one in ("0.005", "0.375", "-0.005", "2.344")] == [
        Decimal("0.01"), Decimal("0.38"), Decimal("-0.01"), Decimal("2.34"),
    ]  # fmt: skip


def test_percentages():
    assert share("7.25 %") == Decimal("0.0725")
    assert percent(Decimal("0.0725")) == "7.25 %"


@given(st.integers(0, 10**7), st.lists(st.floats(0, 1e6), min_size=1, max_size=30))
def test_a_sum_dealt_out_adds_up_and_strays_by_less_than_a_coin(coins, weights):
    coin = Decimal("0.01")
    total = coins * coin
    dealt = deal(total, weights, coin)
    assert sum(dealt) == total
    # In fractions: the product of a cent and the smallest float would vanish.
    whole = sum(map(Fraction, weights))
    for part, weight in zip(dealt, weights, strict=True):
        fair = float(Fraction(total) * (Fraction(weight) / whole if whole > 0 else Fraction(1, len(weights))))
        assert abs(float(part) - fair) <= 0.01 + 1e-6 * float(total)


def test_another_mix_has_to_pay_for_itself(tmp_path):
    prices, plot = price_list(tmp_path), [("A", feet(0, 0, 20, 20))]
    half_gallon = rig(unusable_L=0.25 * 3.785411784, priming_L=0.25 * 3.785411784)
    sized = job(plot, a_rig=half_gallon, worth="prices", prices=prices)
    # By hand: 22 min at 45/hour, and 0.5 gal left in the rig at 1 fl oz/gal of 64/gal, over 14 for 1,000 sq ft.
    assert sized.zoned.rules.worth.ground_m2 / 0.3048**2 == pytest.approx(1000 * (16.5 + 0.5 * 64 / 128) / 14)
    house = tmp_path / "policy.toml"
    house.write_text('[plan]\nworth = "prices"\n')
    with pytest.raises(wz.InputError, match=r"worth: .*price list; give prices=read_prices"):
        job(plot, policy=wz.read_policy(house))
    for lacking, words in (("[labour]", "labour"), ("[area]", "per area"), ("[product.", "Demo Plain")):
        text = re.sub(rf"(?s){re.escape(lacking)}.*?(?=\n\[|\Z)", "", PRICES)
        with pytest.raises(wz.InputError, match=f"no price .*{words}"):
            job(plot, a_rig=half_gallon, worth="prices", prices=price_list(tmp_path, text))
