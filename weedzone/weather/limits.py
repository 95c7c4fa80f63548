"""The weather limits that hold for a job: the strictest over all its labels and the policy of the house."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any

from weedzone.base.errors import InputError
from weedzone.base.toml import read_toml
from weedzone.base.units import convert, parse_range, to_si
from weedzone.kit import KEYS, Label, Policy

SLACK = 1e-6  # 85 degF in a table and on a label differ by the last bit
HousePolicy = Policy | Mapping[str, Any] | str | PathLike[str] | None

DEFAULT_POLICY: dict[str, Any] = {
    # 3 to 10 mph: Nebraska master gardener drift advice; "never above 10": Clemson HGIC.
    "wind_min": "3 mph",
    "wind_max": "10 mph",
    # Common practice, no source.
    "gust_max": "15 mph",
    # Above 50 F: University of Arkansas extension; not above 85 F: Iowa State University extension.
    "temperature": ["50 degF", "85 degF"],
    # Australian Bureau of Meteorology's guideline for spraying; "not above 10" is its outer bound.
    "delta_t": ["2 degC", "8 degC"],
    # "No rain forecast for 24 h": University of Arkansas extension.
    "rainfast": "24 hour",
    # Time to dry after rain: common practice, no source.
    "dry_leaves": "2 hour",
    # Leaves count as wet from 90 % on: the constant threshold that did best of three models in four climates
    # (Sentelhas et al., "Suitability of relative humidity as an estimator of leaf wetness duration", 2008).
    "wet_rh": "90 %",
}
"""What holds where neither a label nor the policy says a word; a policy has the same keys."""

_STRICT_IS_MORE = {"wind_min_mps", "temp_min_c", "delta_t_min_c", "rainfast_s", "dry_leaves_s"}
_PAIRS = (("wind_min_mps", "wind_max_mps"), ("temp_min_c", "temp_max_c"), ("delta_t_min_c", "delta_t_max_c"))
_FIELDS: dict[str, tuple[str, ...]] = {
    "wind_min": ("wind_min_mps",),
    "wind_max": ("wind_max_mps",),
    "gust_max": ("gust_max_mps",),
    "temperature": ("temp_min_c", "temp_max_c"),
    "delta_t": ("delta_t_min_c", "delta_t_max_c"),
    "rainfast": ("rainfast_s",),
    "dry_leaves": ("dry_leaves_s",),
    "wet_rh": ("wet_rh_pct",),
}


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits of one job, in SI, and who set each.

    Attributes
    ----------
    wind_min_mps, wind_max_mps, gust_max_mps : float
        Mean wind from and up to, gusts up to.
    temp_min_c, temp_max_c, delta_t_min_c, delta_t_max_c : float
        Air temperature and delta-T bands.
    rainfast_s, dry_leaves_s : float
        Time without rain that must follow spraying, and that must have passed since the last rain.
    wet_rh_pct : float
        Relative humidity from which leaves count as wet with dew.
    source : dict
        Field name to the label's name, ``policy`` or ``default``.
    """

    wind_min_mps: float
    wind_max_mps: float
    gust_max_mps: float
    temp_min_c: float
    temp_max_c: float
    delta_t_min_c: float
    delta_t_max_c: float
    rainfast_s: float
    dry_leaves_s: float
    wet_rh_pct: float
    source: dict[str, str]


def strictest(labels: object, policy: HousePolicy = None) -> Limits:
    """Intersect the limits of all labels and of the policy.

    A default stands in only for what the policy leaves open and at least one label leaves open: it then
    counts as that label's figure.

    Parameters
    ----------
    labels : Label, iterable of Label, or mapping of name to Label
        Every product of the job.
    policy : Policy, mapping, path of a TOML file, or None
        What `weedzone.read_policy` returned, or any of
        ``wind_min``, ``wind_max``, ``gust_max`` ("10 mph"), ``temperature``, ``delta_t`` (pairs:
        ["50 degF", "85 degF"], ["2 degC", "8 degC"]), ``rainfast``, ``dry_leaves`` ("6 hour"), ``wet_rh``
        ("90 %"); in a file at the top or under ``[weather]``.

    Raises
    ------
    InputError
        No label, an unknown policy key, or limits that no weather can meet: both sides are named.
    UnitError
        A policy figure that is no quantity of its kind.
    """
    stated = [_from_label(label) for label in _label_list(labels)]
    house = _from_policy(policy)
    values: dict[str, float] = {}
    source: dict[str, str] = {}
    for key, default in _figures(DEFAULT_POLICY, None).items():
        offers = [(figures[key], name) for name, figures in stated if key in figures]
        if key in house:
            offers.append((house[key], "policy"))
        elif len(offers) < len(stated):
            offers.append((default, "default"))
        values[key], source[key] = (max if key in _STRICT_IS_MORE else min)(
            offers, key=lambda offer: offer[0]
        )
    for lo, hi in _PAIRS:
        if values[lo] > values[hi]:
            low, high = f"{lo} {values[lo]:.3g} ({source[lo]})", f"{hi} {values[hi]:.3g} ({source[hi]})"
            mend = "spray these products on different days, or correct the label or the policy"
            raise InputError(f"no weather meets both {low} and {high}", mend=mend)
    return Limits(**values, source=source)


def broken(
    labels: Iterable[Label], policy: HousePolicy, wind_mps: float | None, temperature_c: float | None
) -> list[str]:
    """Stated limits of labels and policy that a wind or temperature breaks, in words; defaults are not held against it.

    Parameters
    ----------
    labels : iterable of Label
    policy : Policy, mapping, path of a TOML file, or None
    wind_mps, temperature_c : float or None
        None where it is not known.

    Returns
    -------
    list of str
        "wind 12.0 mph is above the 10.0 mph of Demo Trio"; empty where all limits are kept.
    """
    seen = (
        ("wind", wind_mps, "wind_min_mps", "wind_max_mps", speed_text),
        ("temperature", temperature_c, "temp_min_c", "temp_max_c", temperature_text),
    )
    said = []
    for name, figures in [*map(_from_label, labels), ("the policy", _from_policy(policy))]:
        for what, value, least, most, words in seen:
            for key, side, sign in ((most, "above", 1), (least, "below", -1)):
                if value is not None and key in figures and sign * (value - figures[key]) > SLACK:
                    said.append(
                        f"{what} {words(value, 'us')} is {side} the {words(figures[key], 'us')} of {name}"
                    )
    return said


def speed_text(mps: float, system: str) -> str:
    """Wind in the trade's unit."""
    return f"{convert(mps, 'speed', 'mph'):.1f} mph" if system == "us" else f"{mps:.1f} m/s"


def temperature_text(celsius: float, system: str) -> str:
    """Air temperature in the trade's unit."""
    return f"{convert(celsius, 'temperature', 'degF'):.1f} F" if system == "us" else f"{celsius:.1f} C"


def _label_list(labels: object) -> list[Label]:
    several = labels.values() if isinstance(labels, Mapping) else labels
    if isinstance(several, Label):
        several = [several]
    stated = list(several) if isinstance(several, Iterable) and not isinstance(several, str) else []
    if not stated or not all(isinstance(label, Label) for label in stated):
        mend = "give what read_labels returned"
        raise InputError("no labels to take weather limits from", field="labels", mend=mend)
    return stated


def _from_label(label: Label) -> tuple[str, dict[str, float]]:
    weather = label.weather
    temperature, delta_t = weather.temperature_c or (None, None), weather.delta_t_c or (None, None)
    figures = {
        "wind_min_mps": weather.wind_min_mps,
        "wind_max_mps": weather.wind_max_mps,
        "temp_min_c": temperature[0],
        "temp_max_c": temperature[1],
        "delta_t_min_c": delta_t[0],
        "delta_t_max_c": delta_t[1],
        "rainfast_s": weather.rainfast_s,
    }
    return label.name, {key: float(value) for key, value in figures.items() if value is not None}


def _from_policy(policy: HousePolicy) -> dict[str, float]:
    if policy is None or isinstance(policy, Policy):
        return _figures(policy.weather if policy else {}, None)
    if isinstance(policy, Mapping):
        return _figures(policy, None)
    read = read_toml(Path(policy))
    table = read.get("weather", read)
    if not isinstance(table, dict):
        raise InputError("[weather] is not a table", file=str(policy), field="weather")
    return _figures(table, Path(policy).name)


def _figures(policy: Mapping[str, Any], file: str | None) -> dict[str, float]:
    figures: dict[str, float] = {}
    for key, value in policy.items():
        if key not in _FIELDS:
            mend = f"use {', '.join(_FIELDS)}"
            raise InputError("the policy has no such limit", file=file, field=str(key), mend=mend)
        said, fields = KEYS["house_weather"][key], _FIELDS[key]
        if not said.pair:
            figures[fields[0]] = to_si(value, said.kind, allow_zero=said.zero, field=key, file=file)
            continue
        if not isinstance(value, list | tuple):
            mend = f"write {DEFAULT_POLICY[key]!r}"
            raise InputError("one figure where a low and a high one belong", file=file, field=key, mend=mend)
        span = parse_range(value, said.kind, allow_zero=True, field=key, file=file)
        figures.update(zip(fields, span, strict=True))
    if "wet_rh_pct" in figures:
        figures["wet_rh_pct"] *= 100
    return figures
