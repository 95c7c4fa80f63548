"""What a rig is: the sprayer or spreader that carries the product, with its calibration and its measures."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Self

from weedzone.base.errors import Finding, RigError
from weedzone.kit.calibration import SEASON_DAYS, Calibration


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

    def _figures(self, calibration: Calibration) -> dict[str, Any]:
        """What a calibration leaves on its rig: the date, the method and the figures."""
        figures = {"method": calibration.method, **dict(calibration.figures)}
        return {"calibrated": calibration.date, "calibration": figures}

    def findings(self, on: dt.date) -> tuple[Finding, ...]:
        """What to say of the rig on a date: a calibration older than a season (365 days)."""
        if self.calibrated is None:
            return (
                Finding(
                    "note", "rig", self.name, "no date of calibration is given: calibrate before the job"
                ),
            )
        age = (on - self.calibrated).days
        if age < 0:
            message = f"the calibration is dated {self.calibrated}, after the job on {on}: check the date"
            return (Finding("warning", "rig", self.name, message),)
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
    extras : tuple of Extra
        What goes into every tank beside product and label adjuvant.
    """

    tank_L: float = 0.0
    carrier_L_per_m2: float | None = None
    unusable_L: float = 0.0
    priming_L: float = 0.0
    largest_fill_L: float | None = None
    flow_L_per_s: float | None = None
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
        if calibration.carrier_L_per_m2 is None:
            raise RigError(
                "a spreader's calibration gives a sprayer no carrier",
                feature=self.name,
                field=calibration.method,
                mend="calibrate the sprayer by plot, catch, ounces, nozzle or nozzles",
            )
        return replace(self, carrier_L_per_m2=calibration.carrier_L_per_m2, **self._figures(calibration))

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
        if calibration.rate_kg_per_m2 is None:
            raise RigError(
                "a sprayer's calibration gives a spreader no rate",
                feature=self.name,
                field=calibration.method,
                mend="calibrate the spreader by spreader_plot or spreader_pan",
            )
        return replace(self, rate_kg_per_m2=calibration.rate_kg_per_m2, **self._figures(calibration))

    @property
    def load_kg(self) -> float:
        """Most product that one load can put on the ground [kg]."""
        return min(self.hopper_kg, self.largest_fill_kg or self.hopper_kg) - self.unusable_kg
