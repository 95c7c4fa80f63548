"""Sprayers and spreaders: what carries the product, with its calibration and its measures.

Read from TOML or made from texts with units; ``keys.toml`` holds all keys of the file.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Self

from weedzone.base.errors import Finding, InputError, RigError, UnitError, refuse_unless
from weedzone.base.names import nearest
from weedzone.base.toml import Table, read_toml
from weedzone.base.units import GAL_PER_L, show
from weedzone.kit.calibration import METHODS, SEASON_DAYS, Calibration
from weedzone.kit.label import KEYS

_AGREE = 0.01  # share by which a written rate may differ from its calibration: it is written rounded


@dataclass(frozen=True)
class Extra:
    """What a crew adds to every tank beside product and label adjuvant, such as a defoamer or a marker dye.

    Attributes
    ----------
    name : str
    rate : float
        [L per L of solution]
    formulation : str
        Formulation type for the order of addition; may be empty.
    """

    name: str
    rate: float
    formulation: str = ""


@dataclass(frozen=True)
class Rig:
    """What sprayers and spreaders share.

    Attributes
    ----------
    name : str
    swath_m, pace_mps : float or None
        Width covered in one pass [m] and speed [m/s].
    pattern_m : float or None
        Width of the spray of a wand, where spots are treated [m].
    measure : float or None
        Smallest step of the measure at hand: litres for a cup, kilograms for a scale.
    measure_kind : str
        ``volume`` or ``mass``; empty where there is none.
    calibrated : datetime.date or None
        When the rig was last calibrated.
    calibration : mapping of str to str
        The figures of that calibration, as written down; ``method`` names the way where it is one of
        `weedzone.calibration.METHODS`.
    scale_kg : float or None
        Smallest step of a scale that is at hand beside a cup [kg].
    """

    name: str
    swath_m: float | None = None
    pattern_m: float | None = None
    pace_mps: float | None = None
    measure: float | None = None
    measure_kind: str = ""
    calibrated: dt.date | None = None
    calibration: Mapping[str, str] = field(default_factory=dict)
    scale_kg: float | None = None

    def step(self, form: str) -> float | None:
        """Smallest step that the measure at hand shows of a product [L or kg]; None where there is none."""
        if form == "liquid":
            return self.measure if self.measure_kind == "volume" else None
        return self.measure if self.measure_kind == "mass" else self.scale_kg

    def unfit_measure(self, forms: Mapping[str, str]) -> list[Finding]:
        """What to say of a scale where liquids are poured: `forms` are those of the products used, by name."""
        poured = [name for name, form in forms.items() if form == "liquid"]
        if self.measure_kind != "mass" or not poured:
            return []
        message = (
            f"the measure is a weight and cannot be used with {', '.join(poured)}, a liquid: amounts are not rounded "
            "to it; name a measure of volume"
        )
        return [Finding("warning", "rig", self.name, message)]

    def _set_to(self, calibration: Calibration, figure: str, refusal: str, mend: str) -> Self:
        """The rig at a figure of a calibration, with the date, the method and what was measured."""
        found = getattr(calibration, figure)
        if found is None:
            raise RigError(refusal, feature=self.name, field=calibration.method, mend=mend)
        measured = {"method": calibration.method, **dict(calibration.figures)}
        return replace(self, **{figure: found}, calibrated=calibration.date, calibration=measured)

    def findings(self, on: dt.date) -> tuple[Finding, ...]:
        """What to say of the rig on a date: a calibration older than a season (365 days)."""
        if self.calibrated is None:
            severity, message = "note", "no date of calibration is given: calibrate before the job"
        elif self.calibrated > on:
            severity = "warning"
            message = f"the calibration is dated {self.calibrated}, after the job on {on}: check the date"
        elif (age := (on - self.calibrated).days) > SEASON_DAYS:
            severity = "warning"
            message = (
                f"the calibration of {self.calibrated} is older than a season ({age} days): calibrate again"
            )
        else:
            return ()
        return (Finding(severity, "rig", self.name, message),)


@dataclass(frozen=True)
class Wand:
    """A wand on the boom's own tank: width of its spray [m], and its output [L/s] where that is known."""

    pattern_m: float
    flow_L_per_s: float | None = None


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
    smallest_mix_L : float or None
        Least solution that is worth mixing, or that agitates; None for the usual, see `least_mix_L` [L].
    wand : Wand or None
        What works ground that is too thin for the boom.
    extras : tuple of Extra
        What goes into every tank beside product and label adjuvant.
    """

    tank_L: float = 0.0
    carrier_L_per_m2: float | None = None
    unusable_L: float = 0.0
    priming_L: float = 0.0
    largest_fill_L: float | None = None
    flow_L_per_s: float | None = None
    smallest_mix_L: float | None = None
    wand: Wand | None = None
    extras: tuple[Extra, ...] = ()

    def with_calibration(self, calibration: Calibration) -> Self:
        """The same sprayer at the carrier that a calibration gave, with its figures and date.

        Parameters
        ----------
        calibration : Calibration
            What `weedzone.calibration` gave.

        Returns
        -------
        Sprayer

        Raises
        ------
        RigError
            The calibration is one of a spreader.
        """
        return self._set_to(
            calibration,
            "carrier_L_per_m2",
            "a spreader's calibration gives a sprayer no carrier",
            "calibrate the sprayer by plot, catch, ounces, nozzle or nozzles",
        )

    @property
    def least_mix_L(self) -> float:
        """Least that is mixed [L]: as the rig says, else 1 gal from a tank of 3 gal up and 1 qt below.

        Common practice, no source. Never more than a filling.
        """
        usual = (1.0 if self.tank_L * GAL_PER_L >= 3.0 - 1e-9 else 0.25) / GAL_PER_L
        least = usual if self.smallest_mix_L is None else self.smallest_mix_L
        return min(least, self.load_L + self.unusable_L)

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
    rate_kg_per_m2 : float or None
        Product per area at its setting, as calibrated [kg/m2]; holds for the product it was calibrated with.
    """

    hopper_kg: float = 0.0
    unusable_kg: float = 0.0
    largest_fill_kg: float | None = None
    rate_kg_per_m2: float | None = None

    def with_calibration(self, calibration: Calibration) -> Self:
        """The same spreader at the rate that a calibration gave, with its figures and date.

        Parameters
        ----------
        calibration : Calibration
            What `weedzone.calibration` gave.

        Returns
        -------
        Spreader

        Raises
        ------
        RigError
            The calibration is one of a sprayer.
        """
        return self._set_to(
            calibration,
            "rate_kg_per_m2",
            "a sprayer's calibration gives a spreader no rate",
            "calibrate the spreader by spreader_plot or spreader_pan",
        )

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
    told = f"known: {', '.join(known)}"
    if name is None:
        if len(known) > 1:
            mend = f"name one: {', '.join(known)}"
            raise RigError("the file holds several rigs", file=str(path), mend=mend)
        name = known[0]
    refuse_unless(isinstance(name, str), name, "the name of a rig", "name", told)
    if name not in rigs.values:
        close = nearest(name, known)
        mend = f"did you mean {close!r}?" if close else told
        raise RigError(f"no rig named {name!r}", file=str(path), mend=mend)
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
    kind = table.choice("kind", KEYS["rig"]["kind"].words)
    said = table.read(KEYS["rig"] | KEYS[kind])
    figures, made = _calibration(table)
    del said["kind"]
    said["calibrated"] = said["calibrated"] or table.table("calibration").date("date")
    said |= {"name": name, "calibration": figures, **_measure(table)}
    rig: Sprayer | Spreader
    if kind == "sprayer":
        wand = Wand(**table.table("wand").read(KEYS["wand"])) if "wand" in table.values else None
        rig = Sprayer(**said, wand=wand, extras=_extras(table))
        holder, whole, fill, left = "tank", rig.tank_L, rig.largest_fill_L, rig.load_L - rig.priming_L
    else:
        rig = Spreader(**said)
        holder, whole, fill, left = "hopper", rig.hopper_kg, rig.largest_fill_kg, rig.load_kg
    if fill is not None and fill > whole * (1.0 + 1e-9):
        mend = f"write at most the {holder}, or leave it out"
        table.fail("largest_fill", f"more than the {holder} holds", mend)
    if (said.get("smallest_mix_L") or 0.0) > whole * (1.0 + 1e-9):
        table.fail("smallest_mix", "more than the tank holds", "write at most the tank, or leave it out")
    if left <= 0:
        table.fail("unusable", f"leaves nothing of the {holder}", "check it")
    if made is None:
        return rig
    _agree(rig, made, table.file)
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


def _agree(rig: Sprayer | Spreader, calibration: Calibration, file: str | None) -> None:
    """Refuse a rig whose written rate is not what its calibration gives."""
    kind, key = ("sprayer", "carrier") if isinstance(rig, Sprayer) else ("spreader", "rate")
    said = KEYS[kind][key]
    written, found = (getattr(one, said.to) for one in (rig, calibration))
    if written is None or found is None or abs(written - found) <= _AGREE * found:
        return
    raise RigError(
        f"{show(written, said.kind)} is written, but the calibration gives {show(found, said.kind)}",
        file=file,
        feature=rig.name,
        field=key,
        mend="leave out the one that is out of date",
    )


def _extras(table: Table) -> tuple[Extra, ...]:
    found = [Extra(**one.read(KEYS["extra"], form="liquid")) for one in table.tables("extra")]
    if sum(one.rate for one in found) >= 1.0:
        table.fail("extra", "the extras leave no room for water", "check the rates")
    return tuple(replace(one, formulation=one.formulation.upper()) for one in found)


def _measure(table: Table) -> dict[str, Any]:
    for kind in ("volume", "mass"):
        try:
            step = table.si("measure", kind)
        except UnitError:
            continue
        return {} if step is None else {"measure": step, "measure_kind": kind}
    return table.fail("measure", "this must be a volume or a mass", 'write measure = "0.25 fl oz" or "1 g"')
