"""Sprayable area, product, water and tank loads for broadleaf weed control in turf, from walked shapes.

The product label, local rules and a licensed applicator decide; weedzone only does their arithmetic.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from weedzone.errors import (
    CrsError,
    Finding,
    InputError,
    LabelError,
    RigError,
    SurveyError,
    UnitError,
    WeedzoneError,
)

if TYPE_CHECKING:
    from weedzone import calibration as calibration
    from weedzone import turfcare as turfcare
    from weedzone.allowances import allowance as allowance
    from weedzone.covered import Coverage as Coverage
    from weedzone.covered import coverage as coverage
    from weedzone.fleet import Portfolio as Portfolio
    from weedzone.fleet import size_portfolio as size_portfolio
    from weedzone.job import Job as Job
    from weedzone.job import size_job as size_job
    from weedzone.job import whole_turf as whole_turf
    from weedzone.label import Label as Label
    from weedzone.label import read_labels as read_labels
    from weedzone.mixing import mixes as mixes
    from weedzone.plan_loads import load_plan as load_plan
    from weedzone.policy import read_policy as read_policy
    from weedzone.prices import read_prices as read_prices
    from weedzone.quotes import Quote as Quote
    from weedzone.quotes import quote as quote
    from weedzone.records import Record as Record
    from weedzone.records import read_records as read_records
    from weedzone.records import record as record
    from weedzone.rig import Sprayer as Sprayer
    from weedzone.rig import Spreader as Spreader
    from weedzone.rig import make_rig as make_rig
    from weedzone.rig import read_rig as read_rig
    from weedzone.season import DegreeDays as DegreeDays
    from weedzone.season import SeasonPlan as SeasonPlan
    from weedzone.season import degree_days as degree_days
    from weedzone.season import season_plan as season_plan
    from weedzone.shopping import shopping_list as shopping_list
    from weedzone.survey import Survey as Survey
    from weedzone.survey import read_survey as read_survey
    from weedzone.weather import read_weather as read_weather
    from weedzone.weather import spray_windows as spray_windows
    from weedzone.wholeturf import feed_label as feed_label
    from weedzone.windows_job import size_in_windows as size_in_windows

__version__ = "0.1.0"

# Everything but the errors is loaded when it is first asked for, so that the import is quick.
_LATER = {
    "Coverage": "covered",
    "DegreeDays": "season",
    "Job": "job",
    "Label": "label",
    "Portfolio": "fleet",
    "Quote": "quotes",
    "Record": "records",
    "SeasonPlan": "season",
    "Sprayer": "rig",
    "Spreader": "rig",
    "Survey": "survey",
    "allowance": "allowances",
    "calibration": "",
    "coverage": "covered",
    "degree_days": "season",
    "feed_label": "wholeturf",
    "load_plan": "plan_loads",
    "make_rig": "rig",
    "mixes": "mixing",
    "quote": "quotes",
    "read_labels": "label",
    "read_policy": "policy",
    "read_prices": "prices",
    "read_records": "records",
    "read_rig": "rig",
    "read_survey": "survey",
    "read_weather": "weather",
    "record": "records",
    "season_plan": "season",
    "shopping_list": "shopping",
    "size_in_windows": "windows_job",
    "size_job": "job",
    "size_portfolio": "fleet",
    "spray_windows": "weather",
    "turfcare": "",
    "whole_turf": "job",
}

__all__ = [
    "Coverage",
    "CrsError",
    "DegreeDays",
    "Finding",
    "InputError",
    "Job",
    "Label",
    "LabelError",
    "Quote",
    "Record",
    "RigError",
    "SeasonPlan",
    "Sprayer",
    "Spreader",
    "Survey",
    "SurveyError",
    "UnitError",
    "WeedzoneError",
    "allowance",
    "calibration",
    "coverage",
    "degree_days",
    "feed_label",
    "load_plan",
    "make_rig",
    "mixes",
    "quote",
    "read_labels",
    "read_policy",
    "read_prices",
    "read_records",
    "read_rig",
    "read_survey",
    "read_weather",
    "record",
    "season_plan",
    "shopping_list",
    "size_in_windows",
    "size_job",
    "size_portfolio",
    "spray_windows",
    "turfcare",
    "whole_turf",
]


def __getattr__(name: str) -> Any:
    if name not in _LATER:
        raise AttributeError(f"module 'weedzone' has no attribute {name!r}")
    module = import_module(f"weedzone.{_LATER[name] or name}")
    found = getattr(module, name) if _LATER[name] else module
    # A module of the same name as its function has just taken the name: give it back to the function.
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted(__all__)
