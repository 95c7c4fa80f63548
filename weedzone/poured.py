"""What a crew pours into each load, and how much of it goes on the ground: one figure for sheet, summary and record."""

from __future__ import annotations

import numpy as np
import pandas as pd

from weedzone.amounts import PRODUCT_UNIT
from weedzone.measured import Pour, pour_of
from weedzone.plan_loads import load_plan
from weedzone.rig import Spreader
from weedzone.sizing import Sized
from weedzone.units import FT2_PER_M2, GAL_PER_L

_KEY = ["site", "product", "load"]


def poured(job: Sized) -> pd.DataFrame:
    """The loads as they are mixed, in the order of work of `weedzone.plan_loads.load_plan`.

    Returns
    -------
    DataFrame
        Its columns, and ``tanks``; ``start_L``, ``made_up_L`` and ``water_L`` [L] of what is made up; ``pour``
        (`weedzone.measured.Pour`: the product to measure), ``ground_si`` (the part of it that goes on the
        ground, in litres or kilograms; the rest stays in pump and lines), ``wet_ft2`` (ground that is wetted:
        of spot work less than the area).
    """
    plan = load_plan(job)
    out = plan.merge(job.loads[[*_KEY, "tanks", "water_L"]], on=_KEY, how="left", validate="one_to_one")
    factor = np.array([PRODUCT_UNIT[job.labels[name].form][1] for name in out["product"]], dtype=float)
    wanted = (out["product_amount"] + out["start_amount"]).to_numpy(dtype=float) / factor
    pours = [pour_of(one, unit, job.rig) for one, unit in zip(wanted, out["product_unit"], strict=True)]
    share = out["product_amount"].to_numpy(dtype=float) / factor / wanted
    solution = out["solution_L"].to_numpy(dtype=float)
    start = out["start_gal"].to_numpy(dtype=float) / GAL_PER_L
    volume = np.array([job.plans[name].volume for name in out["product"]], dtype=float)
    more = np.zeros(len(out)) if isinstance(job.rig, Spreader) else start / np.maximum(solution, 1e-300)
    return out.assign(
        start_L=start,
        made_up_L=solution + start,
        water_L=out["water_L"] * (1.0 + more),
        pour=pd.Series(pours, index=out.index, dtype=object),
        ground_si=np.array([one.si for one in pours], dtype=float) * share,
        wet_ft2=solution / np.where(volume > 0, volume, np.inf) * FT2_PER_M2,
    )


def by_zone(job: Sized, loads: pd.DataFrame) -> dict[tuple[str, str, str], float]:
    """Product on the ground of each zone [L or kg], by site, zone and product, from the loads that serve it.

    Parameters
    ----------
    job : Sized
    loads : DataFrame
        Of `poured`.
    """
    zones = job.zones[["site", "zone", "product", "product_amount", "area_m2"]]
    zones = pd.DataFrame(zones).rename(columns={"area_m2": "whole_m2"})
    pieces = job.served.merge(zones, on=["site", "zone", "product"], how="left", validate="many_to_one")
    weight = pieces["product_amount"] * pieces["area_m2"] / pieces["whole_m2"]
    whole = weight.groupby([pieces[name] for name in _KEY]).transform("sum")
    on_ground = loads.set_index(_KEY)["ground_si"]
    mine = on_ground.reindex(pd.MultiIndex.from_frame(pieces[_KEY])).to_numpy() * weight / whole
    found = mine.groupby([pieces["site"], pieces["zone"], pieces["product"]]).sum()
    return {(str(site), str(zone), str(product)): float(one) for (site, zone, product), one in found.items()}


def total(pours: list[Pour]) -> Pour:
    """All pours of one product together: in fine measure if any of them is."""
    fine = any(one.fine for one in pours)
    return Pour(sum(one.si for one in pours), pours[0].unit, fine, pours[0].step)
