"""Whole-turf applications and what they bring of nitrogen."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from plots import ROWS, label, size, survey

from weedzone.base.errors import InputError, LabelError, UnitError
from weedzone.crew.shopping import shopping_list
from weedzone.job import size_job, whole_turf
from weedzone.kit.policy import read_policy
from weedzone.kit.rig import make_rig
from weedzone.sizing.all_turf import feed_label, nutrients

CART = make_rig("cart", "spreader", hopper="20 lb")
DAY = "2026-05-10"
TURF = [
    {"turf": "tall fescue", "at": (0, 0, 100, 100)},
    {"turf": "zoysiagrass", "at": (100, 0, 150, 100)},
]
WEED = [{"weed": "dandelion", "at": (0, 0, 10, 10)}]
PATIO = [{"kind": "patio", "at": (40, 40, 60, 60)}]


def test_all_turf_less_keep_outs() -> None:
    """15,000 ft2 less a patio of 400: 14,600 ft2, whatever is infested. 1 lb N from 25-0-5 is 4 lb/ksqft: 58.4 lb.

    A hopper of 20 lb: 20, 20, 18.4. Bags of 50 lb: 2, and 41.6 lb stay over.
    """
    fed = whole_turf(survey(TURF, WEED, keep_out=PATIO), feed_label("Demo Feed", "25-0-5", nitrogen="1 lb/ksqft"), CART,
                     on=DAY)  # fmt: skip
    assert fed.ledger.set_index("outcome")["area_ft2"].to_dict() == pytest.approx(
        {"treated": 14600, "keep-out": 400}, rel=1e-5
    )
    assert fed.totals["product_amount"].iloc[0] == pytest.approx(58.4, rel=1e-5)
    assert list(fed.loads["product_amount"]) == pytest.approx([20, 20, 18.4], rel=1e-4)
    bags = shopping_list(fed, {"Demo Feed": ["50 lb"]}).iloc[0]
    assert (bags["buy"], bags["left_over"]) == (
        "2 x 50 lb",
        pytest.approx(41.6, abs=0.03),
    )  # in steps of an ounce


def test_buffers_hold() -> None:
    """A strip of 10 ft along the pond of a 100 ft edge is left out: 1,000 ft2, at most half a percent more."""
    feed = feed_label("Demo Feed", "25-0-5", dose="4 lb/ksqft", buffers={"pond": "10 ft"})
    site = survey(TURF[:1], WEED, keep_out=[{"kind": "pond", "at": (-50, -50, 0, 150)}])
    area = whole_turf(site, feed, CART, on=DAY).ledger.set_index("outcome")["area_ft2"]
    assert 1000 * (1 - 1e-5) <= area["buffer"] <= 1005
    assert area.sum() == pytest.approx(10000, rel=1e-5)


# Published: product for a nitrogen rate on an area; each row of check_values.csv names its source.
@pytest.mark.parametrize(
    ("row", "npk", "rate", "ft2"),
    [
        ("S02", "28-3-6", {"nitrogen": "1 lb/ksqft"}, 6000),
        ("S03", "20-0-0", {"nitrogen": "1 lb/ksqft"}, 1000),
        ("S04", "20-0-0", {"nitrogen": "2 lb/ksqft"}, 1000),
    ],
)
def test_published_product(row: str, npk: str, rate: dict[str, str], ft2: int) -> None:
    known = ROWS[row]
    at = (0, 0, ft2 / 50, 50)
    site = survey([{"turf": "tall fescue", "at": at}], WEED)
    fed = whole_turf(site, feed_label("Demo Feed", npk, **rate), CART, on=DAY)  # type: ignore[arg-type]
    assert fed.totals["product_amount"].iloc[0] == pytest.approx(float(known["recomputed"]), rel=1e-5), known


def test_published_nutrient() -> None:
    """S06: 200 lb/acre of a granule of 20 % brings 40 lb/acre."""
    fed = whole_turf(
        survey(TURF[:1], WEED), feed_label("Demo Feed", "20-0-0", dose="200 lb/acre"), CART, on=DAY
    )
    assert nutrients(fed)["nitrogen"].iloc[0] * 43.56 == pytest.approx(
        float(ROWS["S06"]["expected"]), rel=1e-6
    )


def test_nutrients() -> None:
    """4 lb/ksqft of 25-3-5: 1 lb N, 0.12 lb P2O5 and 0.2 lb K2O per 1,000 ft2."""
    fed = whole_turf(
        survey(TURF[:1], WEED), feed_label("Demo Feed", "25-3-5", dose="4 lb/ksqft"), CART, on=DAY
    )
    row = nutrients(fed).iloc[0]
    assert list(row[["nitrogen", "phosphate", "potash"]]) == pytest.approx([1.0, 0.12, 0.2])
    # Tall fescue: 2 to 4 lb/ksqft a year (University of Illinois, 1995).
    assert row["yearly"] == pytest.approx(4.0)


def warned(fed: object) -> list[str]:
    found = fed.findings  # type: ignore[attr-defined]
    return found[found["message"].str.contains("nitrogen")]["message"].to_list()


@pytest.mark.parametrize(
    ("nitrogen", "given", "yearly", "said"),
    [
        ("1 lb/ksqft", None, None, []),
        ("1 lb/ksqft", "3 lb/ksqft", None, []),
        ("1 lb/ksqft", "3.1 lb/ksqft", None, ["4.1 lb/ksqft of nitrogen would pass the year's 4"]),
        ("1 lb/ksqft", None, "0.9 lb/ksqft", ["would pass the year's 0.9"]),
        ("1 lb/ksqft", {"tall fescue": "3.5 lb/ksqft"}, {"tall fescue": "3 lb/ksqft"}, ["0 is left"]),
        ("1.5 lb/ksqft", None, None, ["1.5 lb/ksqft of nitrogen in one feeding"]),
    ],
)
def test_warnings(nitrogen: str, given: object, yearly: object, said: list[str]) -> None:
    feed = feed_label("Demo Feed", "25-0-5", nitrogen=nitrogen)
    fed = whole_turf(survey(TURF[:1], WEED), feed, CART, given=given, yearly=yearly, on=DAY)  # type: ignore[arg-type]
    found = warned(fed)
    assert len(found) == len(said)
    assert all(one in text for one, text in zip(said, found, strict=True))


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        ('per_year = "10 lb/acre"', "would pass the year's 0.2296"),  # 10 / 43.56
        ('per_application = "20 lb/acre"', "passes the policy's 0.4591"),  # 20 / 43.56
        ('per_year = "500 lb/acre"', None),  # a laxer rule loosens nothing
    ],
)
def test_policy_nitrogen(tmp_path: Path, rule: str, said: str | None) -> None:
    file = tmp_path / "policy.toml"
    file.write_text(f"[nitrogen]\n{rule}\n", encoding="utf-8")
    feed = feed_label("Demo Feed", "25-0-5", nitrogen="1 lb/ksqft")
    found = warned(whole_turf(survey(TURF[:1], WEED), feed, CART, policy=read_policy(file), on=DAY))
    assert [said in text for text in found] == ([True] if said else [])


def test_weed_and_feed_sized_for_weeds_counts_its_nitrogen() -> None:
    """4 lb/ksqft of 25-0-5 brings 1 lb of nitrogen; 3.5 lb came before, and the year's figure is passed."""
    feed = feed_label("Demo Feed", "25-0-5", nitrogen="1 lb/ksqft")
    both = replace(feed, weeds={"dandelion": "good"}, tolerant=frozenset({"tall fescue"}))
    past = [{"product": "Demo Feed", "date": "2026-03-01", "dose": "14 lb/ksqft", "at": (0, 0, 100, 100)}]
    job = size_job(survey(TURF[:1], WEED, history=past), both, CART, "granular", on=DAY, worth="0 ft2")
    assert job.zones["area_ft2"].sum() > 0
    assert ["would pass the year's" in text for text in warned(job)] == [True]


def test_two_passes_of_weed_and_feed_count_together() -> None:
    """2.5 lb/ksqft of nitrogen were given; two bags of 1 lb each pass the year's 4 together, and neither does alone."""
    feeds = {
        name: replace(
            feed_label(name, "25-0-5", nitrogen="1 lb/ksqft"),
            weeds={weed: "good"},
            tolerant=frozenset({"tall fescue"}),
        )
        for name, weed in (("Demo One", "dandelion"), ("Demo Two", "henbit"))
    }
    past = [{"product": "Demo One", "date": "2026-03-01", "dose": "10 lb/ksqft", "at": (0, 0, 100, 100)}]
    site = survey(TURF[:1], [*WEED, {**WEED[0], "weed": "henbit"}], history=past)
    for passes, said in ((1, []), (2, [True, True])):
        job = size_job(site, feeds, CART, "granular", on=DAY, worth="0 ft2", passes=passes)
        assert ["4.5 lb/ksqft of nitrogen would pass the year's" in text for text in warned(job)] == said


def test_history_counts() -> None:
    """3.5 lb/ksqft of nitrogen on half of the lawn this year; what is older than 365 days does not count."""
    past = [
        {"product": "Demo Feed", "date": "2026-03-01", "dose": "14 lb/ksqft", "at": (0, 0, 50, 100)},
        {"product": "Demo Feed", "date": "2025-05-09", "dose": "14 lb/ksqft", "at": (50, 0, 100, 100)},
    ]
    feed = feed_label("Demo Feed", "25-0-5", nitrogen="1 lb/ksqft")
    fed = whole_turf(survey(TURF[:1], WEED, history=past), feed, CART, on=DAY)
    assert nutrients(fed)["before"].max() == pytest.approx(3.5)
    assert len(warned(fed)) == 1
    later = whole_turf(survey(TURF[:1], WEED, history=past[1:]), feed, CART, on=DAY)
    assert nutrients(later)["before"].max() == 0
    assert not warned(later)


def test_a_bag_that_names_turf_goes_there_alone() -> None:
    feed = feed_label("Demo Feed", "25-0-5", nitrogen="1 lb/ksqft", turf=["Tall Fescue"])
    fed = whole_turf(survey(TURF, WEED), feed, CART, on=DAY)
    assert fed.ledger.set_index("outcome")["area_ft2"].to_dict() == pytest.approx(
        {"treated": 10000, "turf not labelled": 5000}, rel=1e-5
    )


def test_weed_killer_on_all_turf(tmp_path: Path) -> None:
    """A labelled product over the whole lawn, and the same label on its weeds alone."""
    text = '[[rate]]\nuse = "broadcast"\ndose = "1 fl oz/ksqft"\nvolume = "1 gal/ksqft"\n'
    demo, boom = label(tmp_path, text), make_rig("boom", tank="50 gal")
    site = survey(TURF, WEED)
    whole = whole_turf(site, demo, boom, "broadcast", on=DAY)
    assert whole.totals["area_ft2"].iloc[0] == pytest.approx(10000, rel=1e-5)
    assert size(site, demo, boom).totals["area_ft2"].iloc[0] == pytest.approx(100, rel=1e-5)
    assert len(nutrients(whole)) == 0


@pytest.mark.parametrize(
    "arguments",
    [
        {"npk": "25-0-5"},
        {"npk": "25-0-5", "nitrogen": "1 lb/ksqft", "dose": "4 lb/ksqft"},
        {"npk": "0-0-50", "nitrogen": "1 lb/ksqft"},
        {"npk": "much", "dose": "4 lb/ksqft"},
        {"npk": "25-0-5", "dose": "4 lb/ksqft", "yearly": "4"},
        {"npk": "25-0-5", "dose": "4 fl oz/ksqft"},
    ],
)
def test_refused(arguments: dict[str, str]) -> None:
    with pytest.raises((InputError, UnitError)):
        feed_label("Demo Feed", arguments.pop("npk"), **arguments)  # type: ignore[arg-type]


def test_liquid_analysis_is_refused(tmp_path: Path) -> None:
    text = (
        'analysis = "12-0-0"\n[[rate]]\nuse = "broadcast"\ndose = "6 fl oz/ksqft"\nvolume = "1 gal/ksqft"\n'
    )
    with pytest.raises(LabelError, match="by weight"):
        whole_turf(
            survey(TURF, WEED), label(tmp_path, text), make_rig("boom", tank="50 gal"), "broadcast", on=DAY
        )
