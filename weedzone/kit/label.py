"""What a label says, as data; see `weedzone.kit.label_file` for how it is read.

What is written on a label and is doubtful in itself, whatever the rig and the job.

Nutrients that a bag states, and what turf usually gets of nitrogen.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from weedzone.base.data import table_beside
from weedzone.base.errors import UnitError
from weedzone.base.toml import keys_of
from weedzone.base.units import show

KEYS = keys_of(table_beside(__file__, "keys.toml"))
"""What the files of labels, local rules and rigs may say."""

USES = tuple(KEYS["rate"]["use"].words)
RATINGS = {"good": 3, "fair": 2, "poor": 1}


@dataclass(frozen=True)
class Active:
    """An active ingredient: kg per litre of a liquid, kg per kg of a dry product or granule."""

    name: str
    concentration: float
    group: str


@dataclass(frozen=True)
class Rate:
    """How much of the product, for one use.

    Attributes
    ----------
    use : str
        ``spot``, ``broadcast`` or ``granular``.
    dose : (low, high) or None
        Product per area [L/m2 or kg/m2].
    mix : (low, high) or None
        Product per volume of solution [L/L or kg/L].
    volume : (low, high) or None
        Solution per area [L/m2].
    per_plant_L : float or None
        Solution for one plant [L], for surveys of single plants.
    """

    use: str
    dose: tuple[float, float] | None
    mix: tuple[float, float] | None
    volume: tuple[float, float] | None
    per_plant_L: float | None = None


@dataclass(frozen=True)
class Adjuvant:
    """Something added to the solution [L per L of solution]."""

    name: str
    rate: float
    required: bool


@dataclass(frozen=True)
class Limits:
    """Most of one active ingredient [kg/m2] in one application and in a year; None where not limited."""

    per_application: float | None = None
    per_year: float | None = None


@dataclass(frozen=True)
class Weather:
    """Limits on the weather; None where the label sets none. m/s, degC, seconds, K."""

    wind_min_mps: float | None = None
    wind_max_mps: float | None = None
    temperature_c: tuple[float, float] | None = None
    rainfast_s: float | None = None
    delta_t_c: tuple[float, float] | None = None


@dataclass(frozen=True)
class Label:
    """What one product allows.

    Attributes
    ----------
    name, form, registration, signal_word, reentry : str
    formulation : str
        Formulation type for the order of addition (``SL``, ``EC``, ``WG``, ...); may be empty.
    ppe : tuple of str
    actives : tuple of Active
        The first one is what the general limits speak of.
    tolerant : frozenset of str
    caution : mapping of turf to warning
    caution_dose : mapping of turf to dose [L/m2 or kg/m2]
        Most product on turf with a caution that carries its own dose; the low end of a rate's range without one.
    weeds : mapping of weed to rating (``good``, ``fair``, ``poor``)
    rates : tuple of Rate
    adjuvants : tuple of Adjuvant
    limits : mapping of active ingredient to Limits
    applications_per_year : int or None
    interval_days : (shortest, longest) or None
    calendar_year : bool
        Whether the label's year is the calendar's; else it is any 365 days, which is never laxer.
    buffers_m : mapping of kind to distance [m]
        ``default`` holds for kinds that are not named.
    use_buffers_m : mapping of use to such a mapping
    downwind_m : mapping of kind to distance [m]
        Holds only downwind of the sprayed ground.
    downwind_spread_deg : float or None
        To either side of the wind; None where the label does not say.
    weather : Weather
    hints : mapping of str to str
        What the label says of mowing, watering, seeding.
    analysis : str
        N-P-K of a fertilizer granule, or empty.
    file : str
    """

    name: str
    form: str
    actives: tuple[Active, ...]
    tolerant: frozenset[str]
    caution: Mapping[str, str]
    weeds: Mapping[str, str]
    rates: tuple[Rate, ...]
    registration: str = ""
    formulation: str = ""
    signal_word: str = ""
    ppe: tuple[str, ...] = ()
    reentry: str = ""
    adjuvants: tuple[Adjuvant, ...] = ()
    limits: Mapping[str, Limits] = field(default_factory=dict)
    applications_per_year: int | None = None
    interval_days: tuple[float, float] | None = None
    calendar_year: bool = False
    buffers_m: Mapping[str, float] = field(default_factory=dict)
    use_buffers_m: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    caution_dose: Mapping[str, float] = field(default_factory=dict)
    downwind_m: Mapping[str, float] = field(default_factory=dict)
    downwind_spread_deg: float | None = None
    weather: Weather = field(default_factory=Weather)
    hints: Mapping[str, str] = field(default_factory=dict)
    analysis: str = ""
    file: str = ""

    def rate(self, use: str) -> Rate | None:
        """Rate for a use, or None if the label has none.

        Parameters
        ----------
        use : {"spot", "broadcast", "granular"}

        Returns
        -------
        Rate or None
        """
        return next((rate for rate in self.rates if rate.use == use), None)

    def allows_turf(self, turf: str) -> bool:
        """Whether the label names the turf as tolerant, with or without a caution.

        Parameters
        ----------
        turf : str
            Its chief name.

        Returns
        -------
        bool
        """
        return turf in self.tolerant or turf in self.caution

    def buffer_m(self, kind: str, use: str) -> float | None:
        """Distance to keep from a kind of feature [m], or None where the label says nothing of it.

        Parameters
        ----------
        kind : str
            Its chief name.
        use : {"spot", "broadcast", "granular"}

        Returns
        -------
        float or None
            Metres.
        """
        found = self.buffer_rule(kind, use)
        return None if found is None else found[0]

    def buffer_rule(self, kind: str, use: str) -> tuple[float, bool] | None:
        """Distance to keep from a kind of feature [m], and whether it is a default.

        The general distances and those of the use each speak, by the kind's name or else by their ``default``;
        the larger holds.

        Parameters
        ----------
        kind : str
            Its chief name.
        use : {"spot", "broadcast", "granular"}

        Returns
        -------
        (float, bool) or None
            Metres, and whether it is a ``default``; None where the label says nothing of the kind.
        """
        return widest(kind, self.buffers_m, self.use_buffers_m.get(use, {}))


def widest(kind: str, *tables: Mapping[str, float]) -> tuple[float, bool] | None:
    """Largest distance that tables of distances by kind give for one kind, and whether it is a default."""
    named = [(table[kind], False) for table in tables if kind in table]
    rest = [(table["default"], True) for table in tables if kind not in table and "default" in table]
    return max((*named, *rest), key=lambda one: one[0], default=None)


SLACK = 1.0 + 1e-9  # a limit written in other units than the dose may differ in the last digits


def most_per_application(label: Label) -> tuple[float, str]:
    """Largest dose [L/m2 or kg/m2] that every per-application limit allows, and the active that limits."""
    allowed = [
        (limit / active.concentration, active.name)
        for active in label.actives
        if (limit := label.limits.get(active.name, Limits()).per_application) is not None
    ]
    return min(allowed, key=lambda one: one[0], default=(math.inf, ""))


YEAR_DAYS = 365


# 40 CFR 156.64: the signal words of products in the United States; those of least hazard need none.
SIGNAL_WORDS = ("danger", "danger poison", "warning", "caution")
_NO_WORD = ("", "none", "not given", "none required")
_MOST_ADJUVANT = 0.05  # of the solution; common practice, no source


def doubts(label: Label) -> Iterator[tuple[str, str]]:
    """Place on the label, and what is doubtful there."""
    word = re.sub("[^a-z]+", " ", label.signal_word.lower()).strip()
    if word not in (*SIGNAL_WORDS, *_NO_WORD):
        message = f"{label.signal_word[:40]!r} is no signal word: danger, warning or caution; check"
        yield "signal_word", message
    for active in label.actives:
        if active.group and not active.group.isdecimal():
            message = f"the group of {active.name} is {active.group[:40]!r}, no number: check"
            yield "[[active]] group", message
    for adjuvant in label.adjuvants:
        if adjuvant.rate > _MOST_ADJUVANT:
            rate = show(adjuvant.rate, "mix", form="liquid")
            message = f"{rate} of {adjuvant.name} is {100 * adjuvant.rate:.3g} % of the solution: check"
            yield "[[adjuvant]] rate", message


SINGLE_NITROGEN = "1 lb/ksqft"
"""Most nitrogen in one application (University of Illinois, 1995; Nebraska-Lincoln)."""


_NITROGEN = table_beside(__file__, "nitrogen.toml")
YEARLY_NITROGEN: Mapping[str, tuple[str, str]] = MappingProxyType(
    {k: (v[0], v[1]) for k, v in _NITROGEN.items()}
)
"""Usual nitrogen a year by turf, least and most. Local rules may say less.

Cool-season turf and buffalograss: University of Illinois (1995); other warm-season turf: Virginia Department
of Conservation and Recreation. Illinois gives zoysiagrass 2 to 4; the lower stands.
"""


@dataclass(frozen=True, kw_only=True)
class Analysis:
    """Guaranteed analysis of a fertilizer as mass fractions: nitrogen N, phosphate P2O5 and potash K2O."""

    nitrogen: float
    phosphate: float = 0.0
    potash: float = 0.0


def analysis(text: str) -> Analysis:
    """Read a bag's N-P-K analysis.

    Parameters
    ----------
    text : str
        Three percentages, ``"28-3-6"``; or nitrogen alone, ``"25 %"``.

    Returns
    -------
    Analysis

    Raises
    ------
    UnitError
        No such text, or percentages that pass 100 together.
    """
    number = r"(\d{1,3}(?:\.\d{1,4})?)"
    found = re.fullmatch(
        rf"\s*(?:{number}\s*-\s*{number}\s*-\s*{number}|{number}\s*%)\s*", str(text), re.ASCII
    )
    percents = [float(group or 0) for group in found.groups()] if found else []
    if not percents or sum(percents) > 100.0:
        mend = 'give N-P-K in percent, such as "28-3-6"'
        raise UnitError(f"{text!r} is no analysis", field="analysis", mend=mend)
    return Analysis(
        nitrogen=(percents[0] + percents[3]) / 100.0,
        phosphate=percents[1] / 100.0,
        potash=percents[2] / 100.0,
    )
