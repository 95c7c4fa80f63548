"""Containers to open and to buy."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plots import label, lawn, size

from weedzone.base.errors import InputError, UnitError
from weedzone.crew.shopping import fewest, shopping_list
from weedzone.kit.rig import make_rig

SPOT = '[[rate]]\nuse = "spot"\nmix = "2 fl oz/gal"\nvolume = "1 gal/ksqft"\n[adjuvant]\nname = "oil"\nrate = "1 %"\n'
SIZES = st.lists(st.integers(1, 12), min_size=1, max_size=3, unique=True)


@settings(deadline=None)
@given(st.integers(1, 40), SIZES, st.one_of(st.none(), st.lists(st.integers(0, 9), min_size=3, max_size=3)))
def test_against_every_basket(rest: int, sizes: list[int], prices: list[int] | None) -> None:
    """Cost, then what stays over, then the number of containers, against all baskets that hold enough."""
    size_of, price = np.array(sizes, float), None if prices is None else np.array(prices[: len(sizes)], float)
    counts = fewest(float(rest), size_of, price)

    def goals(basket: tuple[int, ...]) -> tuple[float, float, float]:
        cost = 0.0 if price is None else float(np.dot(basket, price))
        return cost, float(np.dot(basket, size_of)), float(sum(basket))

    every = product(*[range(-(-rest // one) + 1) for one in sizes])
    best = min(goals(basket) for basket in every if np.dot(basket, size_of) >= rest)
    assert goals(tuple(int(one) for one in counts)) == pytest.approx(best)


def job(folder: Path, width: float = 100, name: str = "Demo A", **rig: str):  # type: ignore[no-untyped-def]
    return size(lawn(width, 100), label(folder, SPOT, name), make_rig("can", tank="4 gal", **rig), "spot")


def test_by_hand(tmp_path: Path) -> None:
    """10 gal: 20 fl oz of product, 12.8 of oil, measured as 12.5. 8 fl oz to buy; half pints are cheaper."""
    table = shopping_list(
        job(tmp_path),
        {"Demo A": {"1 qt": 14.0, "8 fl oz": 5.0}, "oil": ["8 fl oz", "1 gal"]},
        {"Demo A": ["8 fl oz", "4 fl oz"]},
    ).set_index("item")
    demo, oil = table.loc["Demo A"], table.loc["oil"]
    assert demo["needed"] == pytest.approx(20, rel=1e-5)
    assert (demo["open"], demo["buy"], demo["cost"]) == ("4 fl oz; 8 fl oz", "1 x 8 fl oz", 5.0)
    assert demo["left_over"] == pytest.approx(0, abs=1e-3)
    assert (oil["open"], oil["buy"]) == ("", "2 x 8 fl oz")
    assert oil["left_over"] == pytest.approx(3.5, rel=1e-3)
    assert np.isnan(oil["cost"])
    assert table["lacking"].sum() == 0


def test_a_day_of_jobs_shares_containers(tmp_path: Path) -> None:
    """Two jobs of 20 fl oz each: 40, one quart and one half pint, where each alone would take a quart."""
    jobs = [job(tmp_path), job(tmp_path)]
    table = shopping_list(jobs, {"Demo A": ["1 qt", "8 fl oz"]}).set_index("item")
    assert table.loc["Demo A", "needed"] == pytest.approx(40, rel=1e-5)
    assert table.loc["Demo A", "buy"] == "1 x 1 qt + 1 x 8 fl oz"
    assert table.loc["oil", "lacking"] == pytest.approx(25, rel=1e-5)


def test_enough_at_hand(tmp_path: Path) -> None:
    table = shopping_list(job(tmp_path), {"Demo A": ["1 qt"]}, {"Demo A": ["1 gal", "1 qt"]}).set_index(
        "item"
    )
    assert (table.loc["Demo A", "open"], table.loc["Demo A", "buy"]) == ("1 qt", "")
    assert table.loc["Demo A", "left_over"] == pytest.approx(12, rel=1e-4)


def test_extras_are_listed(tmp_path: Path) -> None:
    dye = [{"name": "marker dye", "rate": "0.5 fl oz/gal"}]
    table = shopping_list(job(tmp_path, extra=dye), {}).set_index("item")
    assert table.loc["marker dye", "needed"] == pytest.approx(5, rel=1e-5)


@pytest.mark.parametrize(
    ("containers", "said"),
    [
        ({"Demo A": "1 qt"}, "list of sizes"),
        ({"Demo A": {"1 qt": -1.0}}, "price"),
        ({"Demo A": {"1 qt": "14"}}, "price"),
        ({"Demo a": ["1 qt"]}, "did you mean 'Demo A'"),
        ({"Demo A": ["1 lb"]}, "Demo A"),
    ],
)
def test_refused(containers: dict[str, object], said: str, tmp_path: Path) -> None:
    with pytest.raises((InputError, UnitError), match=said):
        shopping_list(job(tmp_path), containers)  # type: ignore[arg-type]


def test_two_forms_of_one_name(tmp_path: Path) -> None:
    dry = label(tmp_path, SPOT.replace("2 fl oz", "2 oz"), form="dry")
    other = size(lawn(10, 10), dry, make_rig("can", tank="4 gal"), "spot")
    with pytest.raises(InputError, match="apart"):
        shopping_list([job(tmp_path), other], {})
