"""The methods of calibration by name, for the command line, and a calibration explained step by step."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, NamedTuple

from weedzone.base.errors import InputError
from weedzone.base.units import to_si
from weedzone.kit.calibration.result import Measure, printed
from weedzone.kit.calibration.sprayers import (
    catch,
    course,
    flow,
    nozzle,
    nozzles,
    ounces,
    pace,
    plot,
    speed,
)
from weedzone.kit.calibration.spreaders import spreader_pan, spreader_plot, swath

_FORMULAS = {
    "course": "course = test area / spacing (1/128 acre, 340.3 ft2, unless told)",
    "speed": "speed = distance / time (mph = ft x 60 / (s x 88))",
    "pace": "speed = flow / (carrier x spacing) (mph = 5940 x gal/min / (gal/acre x in))",
    "flow": "flow = carrier x speed x spacing (gal/min = gal/acre x mph x in / 5940)",
}


class Method(NamedTuple):
    """A calibration method: its function, and an example text for each parameter."""

    function: Callable[..., Any]
    examples: Mapping[str, str]


METHODS: Mapping[str, Method] = MappingProxyType(
    {
        "plot": Method(plot, {"area": "1000 sq ft", "volume": "1.5 gal"}),
        "catch": Method(catch, {"volume": "26 fl oz", "length": "300 ft", "width": "12 in"}),
        "ounces": Method(ounces, {"caught": "31 fl oz", "spacing": "20 in"}),
        "course": Method(course, {"spacing": "20 in", "area": "1/128 acre"}),
        "nozzle": Method(nozzle, {"flow": "101 fl oz/min", "speed": "3 mph", "spacing": "18 in"}),
        "nozzles": Method(
            nozzles,
            {
                "flows": "20 fl oz; 21 fl oz; 24 fl oz",
                "speed": "3 mph",
                "spacing": "20 in",
                "time": "30 s",
                "nominal": "0.3 gal/min",
            },
        ),
        "speed": Method(speed, {"distance": "200 ft", "time": "45 s; 46 s; 44 s"}),
        "pace": Method(pace, {"flow": "0.5 gal/min", "carrier": "1 gal/ksqft", "spacing": "3 ft"}),
        "flow": Method(flow, {"carrier": "1 gal/ksqft", "speed": "3 mph", "spacing": "20 in"}),
        "spreader_plot": Method(spreader_plot, {"area": "1000 sq ft", "mass": "3.2 lb"}),
        "spreader_pan": Method(
            spreader_pan,
            {
                "mass": "0.5 lb",
                "pan_area": "1 sq ft",
                "pans": "10",
                "passes": "3",
                "length": "50 ft",
                "width": "1 ft",
            },
        ),
        "swath": Method(swath, {"catches": "1 g; 2 g; 4 g; 4 g; 4 g; 2 g; 1 g", "spacing": "2 ft"}),
    }
)
"""Name of each method, with its function and example texts; parameters with a default may be left out."""

_KINDS = {"course": "length", "speed": "speed", "pace": "speed", "flow": "flow"}


def explain(method: str, **texts: Measure) -> str:
    """Run a method on texts, and say its result and formula in a few lines.

    Parameters
    ----------
    method : str
        A key of `METHODS`.
    **texts : str
        The method's parameters.

    Returns
    -------
    str

    Raises
    ------
    InputError
        No such method, or a parameter missing or unknown.
    UnitError
        A parameter that cannot be taken.
    """
    if method not in METHODS:
        raise InputError(f"no method {method!r}", field="method", mend=f"use one of {', '.join(METHODS)}")
    function, examples = METHODS[method]
    given = {name: value for name, value in texts.items() if value is not None}
    unknown = sorted(set(given) - set(examples) - {"date"})
    defaults = set(function.__kwdefaults__ or ())
    missing = sorted(set(examples) - defaults - set(given))
    if unknown or missing or ("date" in given and "date" not in defaults):
        wanted = ", ".join(f'{name} "{example}"' for name, example in examples.items())
        raise InputError(
            f"cannot calibrate with {', '.join(sorted(given)) or 'nothing'}",
            field=", ".join(missing + unknown) or "date",
            mend=f"give {wanted}",
        )
    result = function(**given)
    if method not in _KINDS:
        return str(result)
    kind = _KINDS[method]
    figures = ", ".join(f"{name} {value}" for name, value in given.items())
    return f"{method}: {printed(to_si(result, kind), kind)}\nfrom {figures}\n{_FORMULAS[method]}"
