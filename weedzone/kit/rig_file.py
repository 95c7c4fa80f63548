"""Rigs read from TOML, or made from texts with units."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from weedzone.base.errors import InputError, RigError, UnitError, refuse_unless
from weedzone.base.names import nearest
from weedzone.base.toml import Table, read_toml
from weedzone.base.units import show
from weedzone.kit.calibration import METHODS, SEASON_DAYS, Calibration
from weedzone.kit.rig import Extra, Rig, Sprayer, Spreader

__all__ = ["SEASON_DAYS", "Extra", "Rig", "Sprayer", "Spreader", "make_rig", "read_rig"]

_SHARED = (
    "kind",
    "swath",
    "pattern",
    "pace",
    "measure",
    "scale",
    "calibrated",
    "calibration",
    "largest_fill",
)
_SPRAYER = (*_SHARED, "tank", "carrier", "unusable", "priming", "flow", "extra")
_SPREADER = (*_SHARED, "hopper", "unusable", "rate")
_AGREE = 0.01  # share by which a written rate may differ from its calibration: it is written rounded


def read_rig(path: str | Path, name: str | None = None) -> Sprayer | Spreader:
    """Read one rig from a TOML file of ``[rig.NAME]`` tables.

    Parameters
    ----------
    path : path
    name : str, optional
        Which rig; may be left out where the file holds one.

    Returns
    -------
    Sprayer or Spreader

    Raises
    ------
    RigError, UnitError
        No such file or rig, an unknown key, no tank or hopper, an impossible value.
    InputError
        No path.
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
    refuse_unless(isinstance(name, str), name, "the name of a rig", "name", f"known: {', '.join(known)}")
    if name not in rigs.values:
        close = nearest(name, known)
        raise RigError(
            f"no rig named {name!r}",
            file=str(path),
            mend=f"did you mean {close!r}?" if close else f"known: {', '.join(known)}",
        )
    return _rig(rigs.table(name), name)


def make_rig(
    name: str, kind: str = "sprayer", *, calibration: Calibration | None = None, **texts: Any
) -> Sprayer | Spreader:
    """Make a rig from texts with units, as `read_rig` does from a file.

    Parameters
    ----------
    name : str
    kind : {"sprayer", "spreader"}
    calibration : Calibration, optional
        Sets carrier or rate, and stays with the rig.
    **texts : str
        The keys of a rig file: ``tank="4 gal"``, ``carrier="1 gal/ksqft"``, ``measure="0.25 fl oz"`` and so on.

    Returns
    -------
    Sprayer or Spreader

    Raises
    ------
    RigError, UnitError
        As `read_rig`; also a carrier or rate that is not the calibration's.

    Examples
    --------
    >>> import weedzone as wz
    >>> rig = wz.make_rig("backpack", tank="4 gal", carrier="1 gal/ksqft")
    >>> round(rig.tank_L, 3)
    15.142
    """
    made = _rig(Table({"kind": kind, **texts}, "", f"[rig.{name}]", RigError), name)
    if calibration is None:
        return made
    _agree(made, calibration, None)
    return made.with_calibration(calibration)


def _rig(table: Table, name: str) -> Sprayer | Spreader:
    kind = table.choice("kind", ("sprayer", "spreader"))
    table.only(_SPRAYER if kind == "sprayer" else _SPREADER)
    figures, made = _calibration(table)
    shared: dict[str, Any] = {
        "name": name,
        "swath_m": table.si("swath", "length"),
        "pattern_m": table.si("pattern", "length"),
        "pace_mps": table.si("pace", "speed"),
        "calibrated": table.date("calibrated") or table.table("calibration").date("date"),
        "calibration": figures,
        "scale_kg": table.si("scale", "mass"),
        **_measure(table),
    }
    rig: Sprayer | Spreader
    if kind == "spreader":
        rig = Spreader(
            hopper_kg=table.required("hopper", "mass", '"50 lb"'),
            unusable_kg=table.si("unusable", "mass", allow_zero=True) or 0.0,
            largest_fill_kg=table.si("largest_fill", "mass"),
            rate_kg_per_m2=table.si("rate", "mass_per_area"),
            **shared,
        )
        left = rig.load_kg
    else:
        rig = Sprayer(
            tank_L=table.required("tank", "volume", '"4 gal"'),
            carrier_L_per_m2=table.si("carrier", "volume_per_area"),
            unusable_L=table.si("unusable", "volume", allow_zero=True) or 0.0,
            priming_L=table.si("priming", "volume", allow_zero=True) or 0.0,
            largest_fill_L=table.si("largest_fill", "volume"),
            flow_L_per_s=table.si("flow", "flow"),
            extras=_extras(table),
            **shared,
        )
        left = rig.load_L - rig.priming_L
    fill, whole = (
        (rig.largest_fill_L, rig.tank_L) if isinstance(rig, Sprayer) else (rig.largest_fill_kg, rig.hopper_kg)
    )
    if fill is not None and fill > whole * (1.0 + 1e-9):
        holder = "tank" if kind == "sprayer" else "hopper"
        table.fail(
            "largest_fill", f"more than the {holder} holds", f"write at most the {holder}, or leave it out"
        )
    if left <= 0:
        table.fail(
            "unusable", f"leaves nothing of the {'tank' if kind == 'sprayer' else 'hopper'}", "check it"
        )
    if made is None:
        return rig
    _agree(rig, made, table)
    # The date may stand beside the figures or with the rig.
    return replace(rig.with_calibration(made), calibrated=rig.calibrated, calibration=figures)


def _calibration(table: Table) -> tuple[dict[str, str], Calibration | None]:
    """The figures as written, and where they name a method, what it gives."""
    given = table.table("calibration")
    figures = {key: given.text(key) for key in given.values if key != "date"}
    if "method" not in figures:
        return figures, None
    texts = {key: value for key, value in figures.items() if key != "method"}
    known = [name for name, one in METHODS.items() if "date" in (one.function.__kwdefaults__ or {})]
    method = given.choice("method", tuple(known))
    function, examples = METHODS[method]
    given.only(("method", "date", *examples))
    try:
        return figures, function(**texts)
    except TypeError:
        lacking = ", ".join(name for name in examples if name not in texts)
        given.fail("method", f"figures are missing for {method!r}", f"give {lacking}")
    except (UnitError, InputError) as problem:
        given.fail("method", str(problem), "check the figures")


def _agree(rig: Sprayer | Spreader, calibration: Calibration, table: Table | None) -> None:
    """Refuse a rig whose written rate is not what its calibration gives."""
    sprayer = isinstance(rig, Sprayer)
    written = rig.carrier_L_per_m2 if isinstance(rig, Sprayer) else rig.rate_kg_per_m2
    found = calibration.carrier_L_per_m2 if sprayer else calibration.rate_kg_per_m2
    if written is None or found is None or abs(written - found) <= _AGREE * found:
        return
    kind, key = ("volume_per_area", "carrier") if sprayer else ("mass_per_area", "rate")
    raise RigError(
        f"{show(written, kind)} is written, but the calibration gives {show(found, kind)}",
        file=table.file if table is not None else None,
        feature=rig.name,
        field=key,
        mend="leave out the one that is out of date",
    )


def _extras(table: Table) -> tuple[Extra, ...]:
    found = []
    for one in table.tables("extra"):
        one.only(("name", "rate", "formulation"))
        rate = one.si("rate", "mix", form="liquid")
        if rate is None:
            one.fail("rate", "missing", 'write rate = "0.5 fl oz/gal" or "0.1 %"')
        found.append(Extra(one.text("name"), rate, one.text("formulation", "-").strip("-").upper()))
    if sum(one.rate for one in found) >= 1.0:
        table.fail("extra", "the extras leave no room for water", "check the rates")
    return tuple(found)


def _measure(table: Table) -> dict[str, Any]:
    if "measure" not in table.values:
        return {}
    try:
        return {"measure": table.si("measure", "volume"), "measure_kind": "volume"}
    except UnitError:
        pass
    try:
        return {"measure": table.si("measure", "mass"), "measure_kind": "mass"}
    except UnitError:
        table.fail("measure", "this must be a volume or a mass", 'write measure = "0.25 fl oz" or "1 g"')
