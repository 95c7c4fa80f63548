"""Rigs: the sprayer or spreader that carries the product, as calibrated, read from TOML."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from weedzone.errors import Finding, RigError
from weedzone.names import nearest
from weedzone.tomlfile import Table, read_toml

_SHARED = ("kind", "swath", "pace", "measure", "calibrated", "calibration", "largest_fill")
_SPRAYER = (*_SHARED, "tank", "carrier", "unusable", "priming", "flow")
_SPREADER = (*_SHARED, "hopper", "unusable")
SEASON_DAYS = 365


@dataclass(frozen=True)
class Rig:
    """What sprayers and spreaders share.

    Attributes
    ----------
    name : str
    swath_m, pace_mps : float or None
        Width covered in one pass [m] and speed [m/s].
    measure : float or None
        Smallest step of the measure at hand: litres for a cup, kilograms for a scale.
    measure_kind : str
        ``volume`` or ``mass``; empty where there is none.
    calibrated : datetime.date or None
        When the rig was last calibrated.
    calibration : mapping of str to str
        The figures of that calibration, as written down.
    """

    name: str
    swath_m: float | None = None
    pace_mps: float | None = None
    measure: float | None = None
    measure_kind: str = ""
    calibrated: dt.date | None = None
    calibration: Mapping[str, str] = field(default_factory=dict)

    def findings(self, on: dt.date) -> tuple[Finding, ...]:
        """What to say of the rig on a date: a calibration older than a season (365 days)."""
        if self.calibrated is None:
            return (
                Finding(
                    "note", "rig", self.name, "no date of calibration is given: calibrate before the job"
                ),
            )
        age = (on - self.calibrated).days
        if age > SEASON_DAYS:
            message = (
                f"the calibration of {self.calibrated} is older than a season ({age} days): calibrate again"
            )
            return (Finding("warning", "rig", self.name, message),)
        return ()


@dataclass(frozen=True)
class Sprayer(Rig):
    """A sprayer.

    Attributes
    ----------
    tank_L : float
        Volume of the tank [L].
    carrier_L_per_m2 : float or None
        Solution per area, as calibrated [L/m2].
    unusable_L : float
        What stays in tank and lines and cannot be sprayed [L].
    priming_L : float
        What fills the lines before the first load reaches the tips [L].
    largest_fill_L : float or None
        Largest safe filling, where it is less than the tank [L].
    flow_L_per_s : float or None
        Output of the gun or wand, for spot work by time [L/s].
    """

    tank_L: float = 0.0
    carrier_L_per_m2: float | None = None
    unusable_L: float = 0.0
    priming_L: float = 0.0
    largest_fill_L: float | None = None
    flow_L_per_s: float | None = None

    @property
    def load_L(self) -> float:
        """Most solution that one load can put on the ground [L]."""
        return min(self.tank_L, self.largest_fill_L or self.tank_L) - self.unusable_L


@dataclass(frozen=True)
class Spreader(Rig):
    """A spreader.

    Attributes
    ----------
    hopper_kg : float
        Product that the hopper holds [kg].
    unusable_kg : float
        What stays in the hopper [kg].
    largest_fill_kg : float or None
    """

    hopper_kg: float = 0.0
    unusable_kg: float = 0.0
    largest_fill_kg: float | None = None

    @property
    def load_kg(self) -> float:
        """Most product that one load can put on the ground [kg]."""
        return min(self.hopper_kg, self.largest_fill_kg or self.hopper_kg) - self.unusable_kg


def read_rig(path: str | Path, name: str | None = None) -> Sprayer | Spreader:
    """Read one rig from a TOML file of ``[rig.NAME]`` tables.

    Parameters
    ----------
    path : path
    name : str, optional
        Which rig; may be left out where the file holds one.

    Raises
    ------
    RigError, UnitError
        No such file or rig, an unknown key, no tank or hopper, an impossible value.
    """
    top = Table(read_toml(path, RigError), str(path), "", RigError)
    top.only(("rig",))
    rigs = top.table("rig")
    if not rigs.values:
        top.fail("rig", "the file holds no rig", "add a table [rig.NAME]")
    known = list(rigs.values)
    if name is None:
        if len(known) > 1:
            raise RigError(
                "the file holds several rigs", file=str(path), mend=f"name one: {', '.join(known)}"
            )
        name = known[0]
    if name not in rigs.values:
        close = nearest(name, known)
        raise RigError(
            f"no rig named {name!r}",
            file=str(path),
            mend=f"did you mean {close!r}?" if close else f"known: {', '.join(known)}",
        )
    return _rig(rigs.table(name), name)


def _rig(table: Table, name: str) -> Sprayer | Spreader:
    kind = table.choice("kind", ("sprayer", "spreader"))
    table.only(_SPRAYER if kind == "sprayer" else _SPREADER)
    shared: dict[str, Any] = {
        "name": name,
        "swath_m": table.si("swath", "length"),
        "pace_mps": table.si("pace", "speed"),
        "calibrated": _date(table),
        "calibration": {
            key: table.table("calibration").text(key) for key in table.table("calibration").values
        },
        **_measure(table),
    }
    if kind == "spreader":
        spreader = Spreader(
            hopper_kg=_required(table, "hopper", "mass", "50 lb"),
            unusable_kg=table.si("unusable", "mass", allow_zero=True) or 0.0,
            largest_fill_kg=table.si("largest_fill", "mass"),
            **shared,
        )
        if spreader.load_kg <= 0:
            table.fail("unusable", "leaves nothing of the hopper", "check both figures")
        return spreader
    sprayer = Sprayer(
        tank_L=_required(table, "tank", "volume", "4 gal"),
        carrier_L_per_m2=table.si("carrier", "volume_per_area"),
        unusable_L=table.si("unusable", "volume", allow_zero=True) or 0.0,
        priming_L=table.si("priming", "volume", allow_zero=True) or 0.0,
        largest_fill_L=table.si("largest_fill", "volume"),
        flow_L_per_s=table.si("flow", "flow"),
        **shared,
    )
    if sprayer.load_L <= 0:
        table.fail("unusable", "leaves nothing of the tank", "check both figures")
    return sprayer


def _required(table: Table, key: str, kind: str, example: str) -> float:
    value = table.si(key, kind)
    if value is None:
        table.fail(key, "missing", f'write {key} = "{example}"')
    return value


def _measure(table: Table) -> dict[str, Any]:
    if "measure" not in table.values:
        return {}
    for kind in ("volume", "mass"):
        try:
            step = table.si("measure", kind)
        except ValueError:
            continue
        return {"measure": step, "measure_kind": kind}
    table.fail("measure", "this must be a volume or a mass", 'write measure = "0.25 fl oz" or "1 g"')


def _date(table: Table) -> dt.date | None:
    value = table.values.get("calibrated")
    if value is None:
        return None
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, dt.date):
        return value
    try:
        return dt.date.fromisoformat(str(value))
    except ValueError:
        table.fail("calibrated", "this must be a date", "write calibrated = 2026-04-01")
