"""Calibration of sprayers and spreaders by the published methods.

Every method takes text with units (``"18 in"``) or pint quantities, by keyword, and returns a `Calibration`
(or a length or a speed) that remembers its figures and its formula. Calibrate with clean water, on ground
like the ground to be sprayed, at the pressure and the pace of the job; the product label decides which
rate is lawful.

Sources: the constant 5940 and the nozzle formula, UF/IFAS WG013; the 1/128 acre method, LSU AgCenter
"Ounces Equal Gallons"; speed over a timed course, Oklahoma State University turf program; worn nozzles,
USGA "The 10-Percent Rule" (2016); spreader pans and the effective swath, Ohio State University Bulletin 817.
"""

from weedzone.kit.calibration.by_name import METHODS, Method, explain
from weedzone.kit.calibration.methods import (
    WORN,
    Swath,
    catch,
    course,
    flow,
    nozzle,
    nozzles,
    ounces,
    pace,
    plot,
    speed,
    spreader_pan,
    spreader_plot,
    swath,
)
from weedzone.kit.calibration.result import (
    SEASON_DAYS,
    Calibration,
    Measure,
    amounts,
    listed,
    read_si,
    usable,
)

__all__ = [
    "METHODS", "SEASON_DAYS", "WORN", "Calibration", "Measure", "Method", "Swath", "amounts", "catch", "course",
    "explain", "flow", "listed", "nozzle", "nozzles", "ounces", "pace", "plot", "read_si", "speed", "spreader_pan",
    "spreader_plot", "swath", "usable",
]  # fmt: skip
