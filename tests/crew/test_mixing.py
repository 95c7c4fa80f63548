"""Order of addition and the steps of each mix."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from plots import label, lawn, size

from weedzone.base.errors import InputError
from weedzone.crew.mixing import ORDERS, mixes, order_of_addition
from weedzone.kit.rig import Extra, make_rig

SPOT = '[[rate]]\nuse = "spot"\nmix = "2 fl oz/gal"\nvolume = "1 gal/ksqft"\n'
EXTRAS = (Extra("marker dye", 0.002), Extra("defoamer", 0.001), Extra("ammonium sulfate", 0.01))
ADJUVANTS = (
    '[[adjuvant]]\nname = "non-ionic surfactant"\nrate = "0.25 %"\n'
    '[[adjuvant]]\nname = "methylated seed oil"\nrate = "1 %"\nrequired = false\n'
)


# North Dakota Weed Control Guide 2021: soluble powders, dry powders, suspensions, emulsifiables, solutions;
# ammonium sulfate is a soluble powder, oils go with the emulsifiables, most surfactants are solutions.
@pytest.mark.parametrize(
    ("formulation", "place"),
    [("SG", 1), ("WG", 2), ("SC", 2), ("EC", 2), ("SL", 3)],
)
def test_north_dakota(formulation: str, place: int, tmp_path: Path) -> None:
    demo = label(tmp_path, f'formulation = "{formulation}"\n{SPOT}{ADJUVANTS}')
    names = [item.name for item in order_of_addition(demo, EXTRAS)]
    assert names[0] == "defoamer"
    assert names[-1] == "marker dye"
    assert (
        names.index("ammonium sulfate")
        < names.index("methylated seed oil")
        < names.index("non-ionic surfactant")
    )
    assert names.index("Demo A") in (place, place + (formulation == "SL"))


def test_groups_in_order(tmp_path: Path) -> None:
    """One product of each group goes in as the guide prints them."""
    codes = ["SP", "WDG", "SE", "EW", "S"]
    ranks = []
    groups = [name for name, _ in ORDERS["north dakota"].groups]
    for number, code in enumerate(codes):
        demo = label(tmp_path, f'formulation = "{code}"\n{SPOT}', f"Demo {number}")
        ranks.append(groups.index(order_of_addition(demo)[0].group))
    assert ranks == [0, 1, 2, 3, 4]


def test_the_two_orders_differ(tmp_path: Path) -> None:
    """A water conditioner is a step of its own in the classic order, and first."""
    demo = label(tmp_path, f'formulation = "SG"\n{SPOT}')
    extras = (Extra("water conditioner", 0.01, "SL"), Extra("conditioner", 0.01))
    assert order_of_addition(demo, extras, "classic")[0].name == "conditioner"
    assert order_of_addition(demo, extras)[0].name == "Demo A"
    with pytest.raises(InputError, match="north dakota"):
        order_of_addition(demo, order="WALES")


def test_unknown_formulation_is_said(tmp_path: Path) -> None:
    items = order_of_addition(label(tmp_path, SPOT))
    assert not items[0].sure
    job = size(lawn(50, 20), label(tmp_path, SPOT), make_rig("can", tank="4 gal"), "spot")
    assert mixes(job)["rule"].str.contains("not given").any()


def test_labels_order_wins(tmp_path: Path) -> None:
    demo = label(tmp_path, SPOT + '[hints]\nmixing = "add the product last"\n')
    job = size(lawn(50, 20), demo, make_rig("can", tank="4 gal"), "spot")
    assert mixes(job)["rule"].iloc[0] == "the label says: add the product last"


def total(steps: pd.DataFrame, **keys: Any) -> float:
    for name, value in keys.items():
        steps = steps[steps[name] == value]
    return float(steps["amount"].sum())


def test_steps_make_the_solution(tmp_path: Path) -> None:
    """5,000 ft2: 5 gal in loads of 4 and 1; water, 10 fl oz product, 0.25 % and 1 %, and dye of 0.5 fl oz/gal."""
    demo = label(tmp_path, f'formulation = "SL"\n{SPOT}{ADJUVANTS}')
    rig = make_rig("can", tank="4 gal", extra=[{"name": "marker dye", "rate": "0.5 fl oz/gal"}])
    job = size(lawn(50, 100), demo, rig, "spot")
    steps = mixes(job)
    assert steps.groupby("load")["step"].max().to_list() == [6, 6]
    first = steps[steps["load"] == 1]
    assert first["item"].iloc[[0, -1]].to_list() == ["water", "water"]
    assert first["amount"].iloc[0] == pytest.approx(2, rel=1e-5)  # half of 4 gal
    assert total(steps, sort="product") == pytest.approx(10, rel=1e-5)
    # What goes in beside it is measured down, by a twentieth at most, as the sheet prints it.
    for sort, gallon in (("adjuvant, required", 0.32), ("adjuvant, allowed", 1.28), ("extra", 0.5)):
        assert 0.95 * 5 * gallon <= total(steps, sort=sort) <= 5 * gallon * (1 + 1e-5)
    assert total(steps, unit="gal") + total(steps, unit="fl oz") / 128 == pytest.approx(5, rel=1e-3)
    assert total(steps, item="water") == pytest.approx(job.totals["water_gal"].iloc[0])


def test_what_fills_the_lines_is_mixed_too(tmp_path: Path) -> None:
    rig = make_rig("can", tank="4 gal", unusable="0.5 gal")
    job = size(lawn(50, 20), label(tmp_path, SPOT), rig, "spot")
    steps = mixes(job)
    assert total(steps, sort="product") == pytest.approx(3, rel=1e-5)
    assert total(steps, unit="gal") + total(steps, unit="fl oz") / 128 == pytest.approx(1.5, rel=1e-5)


def test_spreader_has_nothing_to_mix(tmp_path: Path) -> None:
    demo = label(tmp_path, '[[rate]]\nuse = "granular"\ndose = "2 lb/ksqft"\n', form="granule")
    job = size(lawn(50, 20), demo, make_rig("cart", "spreader", hopper="50 lb"), "granular")
    assert len(mixes(job)) == 0
