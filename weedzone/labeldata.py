"""What a label says, as data; see `weedzone.label` for how it is read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

FORMS = ("liquid", "dry", "granule")
USES = ("spot", "broadcast", "granular")
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
    downwind_m: Mapping[str, float] = field(default_factory=dict)
    downwind_spread_deg: float | None = None
    weather: Weather = field(default_factory=Weather)
    hints: Mapping[str, str] = field(default_factory=dict)
    analysis: str = ""
    file: str = ""

    def rate(self, use: str) -> Rate | None:
        """Rate for a use, or None if the label has none."""
        return next((rate for rate in self.rates if rate.use == use), None)

    def allows_turf(self, turf: str) -> bool:
        """Whether the label names the turf as tolerant, with or without a caution."""
        return turf in self.tolerant or turf in self.caution

    def buffer_m(self, kind: str, use: str) -> float | None:
        """Distance to keep from a kind of feature [m], or None where the label says nothing of it."""
        found = self.buffer_rule(kind, use)
        return None if found is None else found[0]

    def buffer_rule(self, kind: str, use: str) -> tuple[float, bool] | None:
        """Distance to keep from a kind of feature [m], and whether it is a default.

        The general distances and those of the use each speak, by the kind's name or else by their ``default``;
        the larger holds.
        """
        return widest(kind, self.buffers_m, self.use_buffers_m.get(use, {}))


def widest(kind: str, *tables: Mapping[str, float]) -> tuple[float, bool] | None:
    """Largest distance that tables of distances by kind give for one kind, and whether it is a default."""
    named = [(table[kind], False) for table in tables if kind in table]
    rest = [(table["default"], True) for table in tables if kind not in table and "default" in table]
    return max((*named, *rest), key=lambda one: one[0], default=None)
