"""The picture of the spray windows: a strip a factor, windows marked above."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from weedzone.base.units import convert
from weedzone.weather.hours import FACTORS, NO, OK, SKIPPED, UNKNOWN

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from weedzone.weather.windows import SprayWindows

# Okabe and Ito's set for all kinds of colour vision; the hatches carry the same meaning without colour.
_LOOK = {
    OK: ("#8CC5E3", "", "fit"),
    NO: ("#D55E00", "////", "refused"),
    UNKNOWN: ("#DDDDDD", "....", "unknown"),
    SKIPPED: ("#FFFFFF", "", "not judged"),
}
_WINDOW = "#004B7A"
_FEW_HOURS = 60  # up to here a cell has room for its number


def _strips(fit: SprayWindows) -> dict[str, tuple[str, pd.Series[float] | None, int]]:
    """Name of each factor's strip with its limits, the numbers written into it, and their decimals."""
    limits, hours, us = fit.limits, fit.hours, fit.system == "us"
    speed, degree, sign = ("mph", "degF", "°F") if us else ("m/s", "degC", "°C")

    def wind(mps: Any) -> Any:
        return convert(mps, "speed", speed)

    def heat(celsius: Any) -> Any:
        return convert(celsius, "temperature", degree)

    winds = f"wind {wind(limits.wind_min_mps):.3g}–{wind(limits.wind_max_mps):.3g} {speed}"
    airs = f"air {heat(limits.temp_min_c):.3g}–{heat(limits.temp_max_c):.3g} {sign}"
    deltas = f"delta-T {limits.delta_t_min_c:.3g}–{limits.delta_t_max_c:.3g} °C"
    return {
        "wind": (winds, wind(hours["wind_mps"]), 0 if us else 1),
        "gusts": (
            f"gusts to {wind(limits.gust_max_mps):.3g} {speed}",
            wind(hours["gust_mps"]),
            0 if us else 1,
        ),
        "inversion": ("no inversion", None, 0),
        "temperature": (airs, heat(hours["temp_c"]), 0),
        "delta_t": (deltas, hours["delta_t_c"], 1),
        "rain": (f"no rain for {limits.rainfast_s / 3600:.3g} h after", None, 0),
        "leaves": (f"leaves dry, humidity < {limits.wet_rh_pct:.0f} %", hours["rh_pct"], 0),
        "daylight": ("daylight", None, 0),
    }


def draw_strips(fit: SprayWindows, ax: Axes | None = None) -> Axes:
    """Draw `fit`; see `SprayWindows.plot`."""
    import matplotlib.pyplot as plt
    from matplotlib import dates as mdates
    from matplotlib.patches import Patch

    hours = fit.hours
    if ax is None:
        width = float(np.clip(3 + 0.24 * len(hours), 8, 18))
        _, ax = plt.subplots(figsize=(width, 5), layout="constrained")
    zone = hours["time"].dt.tz
    left = mdates.date2num(hours["time"].dt.tz_convert("UTC").dt.tz_localize(None).to_numpy())  # type: ignore[no-untyped-call]
    step = 1 / 24
    strips = _strips(fit)
    for row, (factor, (_, numbers, decimals)) in enumerate(strips.items()):
        _strip(ax, left, step, row, hours[factor].to_numpy(dtype=str))
        if len(hours) <= _FEW_HOURS and numbers is not None:
            _write(ax, left + step / 2, row, numbers, decimals)
    for window in fit.windows.to_dict("records"):
        start = mdates.date2num(window["start"].tz_convert("UTC").tz_localize(None))  # type: ignore[no-untyped-call]
        _mark(ax, start, window["hours"] * step, window["score"])
    ax.set_xlim(left[0], left[-1] + step)
    ax.set_ylim(len(FACTORS) - 0.4, -1.5)
    ax.set_yticks([-1, *range(len(FACTORS))], ["windows (score)", *(name for name, *_ in strips.values())])
    ax.tick_params(axis="y", length=0)
    locator = mdates.AutoDateLocator(tz=zone)  # type: ignore[no-untyped-call]
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(mdates.ConciseDateFormatter(locator, tz=zone))  # type: ignore[no-untyped-call]
    ax.set_xlabel(f"time, {zone}")
    for spine in ax.spines.values():
        spine.set_visible(False)
    handles = [
        Patch(facecolor=colour, hatch=hatch, edgecolor="#555555", linewidth=0.5, label=word)
        for state, (colour, hatch, word) in _LOOK.items()
        if state != SKIPPED or (hours[list(FACTORS)] == SKIPPED).to_numpy().any()
    ]
    handles.append(Patch(facecolor="none", edgecolor=_WINDOW, linewidth=2, label="window"))
    ax.legend(handles=handles, ncols=len(handles), loc="lower left", bbox_to_anchor=(0, 1.0), frameon=False)
    return ax


def _strip(ax: Axes, left: np.ndarray, step: float, row: int, states: np.ndarray) -> None:
    """One factor: runs of equal verdict as bars, so that hatches run on."""
    starts = np.flatnonzero(np.r_[True, states[1:] != states[:-1]])
    ends = np.r_[starts[1:], len(states)]
    for state, (colour, hatch, _) in _LOOK.items():
        spans = [(left[a], (b - a) * step) for a, b in zip(starts, ends, strict=True) if states[a] == state]
        if spans:
            ax.broken_barh(
                spans, (row - 0.4, 0.8), facecolor=colour, hatch=hatch, edgecolor="#FFFFFF", linewidth=0
            )


def _write(ax: Axes, middle: np.ndarray, row: int, numbers: pd.Series[float], decimals: int) -> None:
    box = {"boxstyle": "round,pad=0.1", "facecolor": "white", "alpha": 0.75, "linewidth": 0}
    for x, value in zip(middle, numbers, strict=True):
        if not np.isnan(value):
            ax.text(x, row, f"{value:.{decimals}f}", ha="center", va="center", fontsize=6.5, bbox=box)


def _mark(ax: Axes, start: float, width: float, score: float) -> None:
    from matplotlib.patches import Rectangle

    bottom = len(FACTORS) - 0.55
    ax.add_patch(
        Rectangle((start, -0.5), width, bottom + 0.5, fill=False, edgecolor=_WINDOW, linewidth=2, zorder=3)
    )
    ax.broken_barh([(start, width)], (-1.35, 0.75), facecolor=_WINDOW)
    ax.text(
        start + width / 2, -0.97, f"{score:.0f}", color="white", ha="center", va="center", fontweight="bold"
    )
