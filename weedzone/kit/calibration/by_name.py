"""The methods of calibration by name, for the command line, and a calibration explained step by step."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, NamedTuple

from weedzone.base.data import table_beside
from weedzone.base.errors import InputError
from weedzone.base.units import to_si
from weedzone.kit.calibration import methods
from weedzone.kit.calibration.result import Measure, printed


class Method(NamedTuple):
    """A calibration method: its function, and an example text for each parameter."""

    function: Callable[..., Any]
    examples: Mapping[str, str]


_SAID: dict[str, dict[str, Any]] = table_beside(__file__, "methods.toml")
METHODS: Mapping[str, Method] = MappingProxyType(
    {name: Method(getattr(methods, name), said["examples"]) for name, said in _SAID.items()}
)
"""Name of each method, with its function and example texts; parameters with a default may be left out."""


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
        what = f"cannot calibrate with {', '.join(sorted(given)) or 'nothing'}"
        raise InputError(what, field=", ".join(missing + unknown) or "date", mend=f"give {wanted}")
    result = function(**given)
    said = _SAID[method]
    if "kind" not in said:
        return str(result)
    figures = ", ".join(f"{name} {value}" for name, value in given.items())
    found = printed(to_si(result, said["kind"]), said["kind"])
    return f"{method}: {found}\nfrom {figures}\n{said['formula']}"
