"""From a logged track to passes: unbroken lines along which the sprayer ran, in local metres.

What a receiver logs is not what happened: fixes jump, repeat, scatter about a standing sprayer and shiver
along a straight walk. Here that is put right, and every correction is told as a finding.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from scipy.signal import savgol_filter

from weedzone.base.errors import Finding, InputError
from weedzone.ground.shapes import Bools, Floats, Ints
from weedzone.records.covered.tracks import LAYER, Track

STOP_S = 10.0  # a stop is judged over this time
NOISE_M = 1.0  # a fix may stray this far before its speed is held against it
# A run of fixes up to this long between two jumps is a slip of the receiver, not a place visited.
JUMP_RUN = 5
SAME_M = 1e-3
NOISY = 0.02  # scatter of the fixes, in swaths, above which a pass is smoothed
ROUGH = 0.1  # scatter, in swaths, above which the figures are called rough
ROUGH_WORDS = "pass(es) scatter by more than a tenth of the swath: their figures are rough"
SMOOTHED_WORDS = "pass(es) with a noisy position were smoothed over at most two swaths"
TURN_COSINE = 0.7  # a bend sharper than about 45 degrees is a turn
STRAIGHT = 0.005  # corners flatter than this, in swaths, are left out


@dataclass(frozen=True)
class Limits:
    """What tells a pass from a break [m, s, m/s]; of the two gaps, the one that is not given is endless."""

    swath_m: float
    gap_s: float
    gap_m: float
    min_mps: float
    max_mps: float


@dataclass(frozen=True, eq=False)
class _Fixes:
    """Fixes of one section, in order of time; the times are NaN where the track has none."""

    xy: Floats
    time_s: Floats
    on: Bools

    def __len__(self) -> int:
        return len(self.xy)

    def take(self, rows: Any) -> _Fixes:
        return _Fixes(self.xy[rows], self.time_s[rows], self.on[rows])


Tally = Counter[tuple[str, str]]
"""How often something was noticed, by its severity and words, so that each is told once."""


def sprayed_passes(track: Track, xy: Floats, limits: Limits) -> tuple[list[Floats], list[Finding]]:
    """Lines along which the sprayer ran.

    Parameters
    ----------
    track : Track
    xy : ndarray of float, shape (points, 2)
        The track's positions in local metres; infinite where they lie nowhere near.
    limits : Limits

    Returns
    -------
    list of ndarray of float, shape (n >= 2, 2)
        Passes in order of time [m].
    list of Finding

    Raises
    ------
    InputError
        If no pass of two different points is left.
    """
    tally, stops = Tally(), []
    near = np.isfinite(xy).all(axis=1)
    tally["warning", "point(s) far from the zones were dropped"] += int((~near).sum())
    time = np.full(len(xy), np.nan) if track.time_s is None else track.time_s
    fixes = _Fixes(xy, time, np.ones(len(xy), dtype=bool) if track.spraying is None else track.spraying)
    sections = [
        _in_order(fixes.take(near & (track.section == number)), tally)
        for number in np.unique(track.section[near])
    ]
    sections.sort(key=lambda part: part.time_s[0])
    passes: list[Floats] = []
    for section in _joined(sections, limits):
        for run in _without_jumps(section, limits, tally):
            for stretch in _cut_at_gaps(run, limits, tally):
                moving, stop = _without_stops(stretch, limits)
                stops += stop
                passes += _sprayed(moving)
    lines = [line for line in map(_distinct, passes) if len(line) > 1]
    if not lines:
        apart = (
            "" if track.time_s is None else f" (points come {np.median(np.diff(np.sort(time))):.3g} s apart)"
        )
        raise InputError(
            "the track has no two different points with the sprayer on, close enough in time to be one pass",
            layer=LAYER,
            mend=f"check the on/off column{apart}, and give a larger gap if the log is sparse",
        )
    lines = [_smoothed(line, limits.swath_m, tally) for line in lines]
    said = [(severity, f"{count} {words}") for (severity, words), count in tally.items() if count]
    if track.time_s is None:
        said.append(("note", "the track has no times: speeds, stops and pauses could not be checked"))
    said += [("warning", stop) for stop in stops]
    return lines, [Finding(severity, LAYER, "", message) for severity, message in said]


def _in_order(fixes: _Fixes, tally: Tally) -> _Fixes:
    back = int((np.diff(fixes.time_s) < 0).sum())
    if back:
        tally["warning", "point(s) were out of order and were sorted by time"] += back
        fixes = fixes.take(np.argsort(fixes.time_s, kind="stable"))
    same = (np.diff(fixes.xy, axis=0) == 0).all(axis=1) & (fixes.on[1:] == fixes.on[:-1])
    same &= ~(np.diff(fixes.time_s) > 0)
    tally["note", "repeated point(s) were dropped"] += int(same.sum())
    return fixes.take(np.append(True, ~same))


def _joined(sections: list[_Fixes], limits: Limits) -> list[_Fixes]:
    """Sections that go on at the very point and time where the last one ended are one."""
    joined: list[_Fixes] = []
    for part in sections:
        if not joined or not _goes_on(joined[-1], part, limits):
            joined.append(part)
            continue
        last = joined.pop()
        time, on = np.append(last.time_s, part.time_s), np.append(last.on, part.on)
        joined.append(_Fixes(np.vstack([last.xy, part.xy]), time, on))
    return joined


def _goes_on(last: _Fixes, part: _Fixes, limits: Limits) -> bool:
    wait = part.time_s[0] - last.time_s[-1]
    return bool(np.hypot(*(part.xy[0] - last.xy[-1])) <= SAME_M and not (wait < 0 or wait > limits.gap_s))


def _without_jumps(fixes: _Fixes, limits: Limits, tally: Tally) -> list[_Fixes]:
    """Drop short runs of fixes that no one could have walked to; longer ones are passes of their own."""
    steps = np.arange(len(fixes) - 1)
    start = np.append(0, np.flatnonzero(_too_fast(fixes, steps, steps + 1, limits)) + 1)
    if len(start) == 1:
        return [fixes]
    end = np.append(start[1:], len(fixes)) - 1
    size = end - start + 1
    if len(start) > max(4, len(fixes) / 2):
        raise InputError(
            f"{len(start) - 1} of {len(fixes)} points imply a speed above max_speed",
            layer=LAYER,
            mend="check the times, or give a higher max_speed",
        )
    # The chain of runs that a sprayer could have followed and that keeps the most fixes.
    best, before = size.astype(float), np.full(len(start), -1)
    for run in range(1, len(start)):
        earlier = np.arange(max(0, run - 500), run)
        reach = earlier[~_too_fast(fixes, end[earlier], start[run], limits)]
        if len(reach):
            pick = reach[np.argmax(best[reach])]
            best[run], before[run] = best[pick] + size[run], pick
    kept = np.zeros(len(start), dtype=bool)
    run = int(np.argmax(best))
    while run >= 0:
        kept[run] = True
        run = int(before[run])
    alone = ~kept & (size > JUMP_RUN)
    tally["warning", "point(s) that imply a speed above max_speed were dropped"] += int(
        size[~kept & ~alone].sum()
    )
    tally["warning", "jump(s) faster than max_speed start a new pass"] += int(alone.sum())
    # Runs of the chain stay one stretch unless a run of its own comes between.
    used = np.flatnonzero(kept | alone)
    stretch = np.cumsum(np.append(0, alone[used[1:]] | alone[used[:-1]]))
    rows = np.flatnonzero(np.repeat(kept | alone, size))
    ends = np.flatnonzero(np.diff(np.repeat(stretch, size[used]))) + 1
    return [fixes.take(part) for part in np.split(rows, ends)]


def _too_fast(fixes: _Fixes, first: Ints, second: Ints, limits: Limits) -> Bools:
    step = np.hypot(*(fixes.xy[second] - fixes.xy[first]).T)
    return np.asarray(step > limits.max_mps * (fixes.time_s[second] - fixes.time_s[first]) + NOISE_M)


def _cut_at_gaps(fixes: _Fixes, limits: Limits, tally: Tally) -> list[_Fixes]:
    cut = np.hypot(*np.diff(fixes.xy, axis=0).T) > limits.gap_m
    cut |= np.diff(fixes.time_s) > limits.gap_s
    tally["note", "gap(s) in the track start a new pass"] += int(cut.sum())
    return [fixes.take(rows) for rows in np.split(np.arange(len(fixes)), np.flatnonzero(cut) + 1)]


def _without_stops(fixes: _Fixes, limits: Limits) -> tuple[_Fixes, list[str]]:
    """Put each stop at one point: the scatter of a standing receiver is no travel. And what is said of stops."""
    time = fixes.time_s
    low = np.searchsorted(time, time - STOP_S / 2, side="left")
    high = np.searchsorted(time, time + STOP_S / 2, side="right")
    count = high - low
    total = np.vstack([[0.0, 0.0], np.cumsum(fixes.xy, axis=0)])
    square = np.append(0.0, np.cumsum((fixes.xy**2).sum(axis=1)))
    mean = (total[high] - total[low]) / count[:, None]
    spread = np.sqrt(np.maximum((square[high] - square[low]) / count - (mean**2).sum(axis=1), 0.0))
    whole = (time - STOP_S / 2 >= time[0]) & (time + STOP_S / 2 <= time[-1]) & (count >= 3)
    # Steady travel at speed v through the window has a standard deviation of v T / sqrt(12).
    still = np.flatnonzero(whole & (spread < limits.min_mps * STOP_S / np.sqrt(12.0)))
    if not len(still):
        return fixes, []
    edge = np.zeros(len(fixes) + 1, dtype=int)
    np.add.at(edge, low[still], 1)
    np.add.at(edge, high[still], -1)
    standing = np.cumsum(edge)[:-1] > 0
    first = np.append(0, np.flatnonzero(~(standing[1:] & standing[:-1])) + 1)
    size = np.diff(np.append(first, len(fixes)))
    xy = np.add.reduceat(fixes.xy, first) / size[:, None]
    on = np.logical_or.reduceat(fixes.on, first)
    seconds = time[first + size - 1] - time[first]
    stood = (size > 1) & on
    said = (
        f"the sprayer stood still {stood.sum()} time(s), {seconds[stood].sum():.0f} s in all, and was "
        "not marked off: if it ran, that ground got far more than the dose"
    )
    return _Fixes(xy, time[first], on), [said] if stood.any() else []


def _sprayed(fixes: _Fixes) -> list[Floats]:
    """Stretches with the sprayer on; it is taken to switch half way between an on and an off fix."""
    if fixes.on.all():
        return [fixes.xy]
    rows = np.flatnonzero(fixes.on)
    lines = []
    for run in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1) if len(rows) else []:
        line = fixes.xy[run]
        if run[0] > 0:
            line = np.vstack([(fixes.xy[run[0] - 1] + fixes.xy[run[0]]) / 2, line])
        if run[-1] < len(fixes) - 1:
            line = np.vstack([line, (fixes.xy[run[-1]] + fixes.xy[run[-1] + 1]) / 2])
        lines.append(line)
    return lines


def _distinct(line: Floats) -> Floats:
    return line[np.append(True, np.hypot(*np.diff(line, axis=0).T) > 1e-6)] if len(line) > 1 else line


def _smoothed(line: Floats, swath_m: float, tally: Tally) -> Floats:
    """Take the shiver out of a densely logged pass, and needless corners out of any.

    The scatter is judged by fourth differences, which a curve hardly moves: for independent errors their
    variance is 1 + 16 + 36 + 16 + 1 = 70 times that of one fix. Only what lies across the way counts. The
    smoothing is a local parabola (Savitzky and Golay, Analytical Chemistry 36, 1964) over two swaths at most.
    """
    if len(line) >= 9:
        fourth = line[:-4] - 4 * line[1:-3] + 6 * line[2:-2] - 4 * line[3:-1] + line[4:]
        along = line[4:] - line[:-4]
        length = np.hypot(*along.T)
        moved = length > 0
        across = (
            np.abs(fourth[moved, 0] * along[moved, 1] - fourth[moved, 1] * along[moved, 0]) / length[moved]
        )
        scatter = 1.4826 * np.median(across) / np.sqrt(70.0) if len(across) else 0.0
        if scatter > ROUGH * swath_m:
            tally["warning", ROUGH_WORDS] += 1
        if scatter > NOISY * swath_m:
            far = min(16, len(line) - 1)
            step = np.median(np.hypot(*(line[far:] - line[:-far]).T)) / far
            window = min(int(2 * swath_m / step) if step > 0 else len(line), len(line))
            window -= 1 - window % 2
            if window >= 5:
                line = _distinct(savgol_filter(line, window, 2, axis=0, mode="interp"))
                tally["note", SMOOTHED_WORDS] += 1
    return _without_needless_corners(line, STRAIGHT * swath_m)


def _without_needless_corners(line: Floats, within_m: float) -> Floats:
    """Drop corners of nearly straight stretches; never a turn, for a way back on itself is near its chord too."""
    step = np.diff(line, axis=0)
    length = np.hypot(*step.T)
    cosine = (step[1:] * step[:-1]).sum(axis=1) / (length[1:] * length[:-1])
    ends = np.concatenate([[0], np.flatnonzero(cosine < TURN_COSINE) + 1, [len(line) - 1]])
    runs = np.array([shapely.linestrings(line[a : b + 1]) for a, b in pairwise(ends)], dtype=object)
    kept = [shapely.get_coordinates(run)[:-1] for run in shapely.simplify(runs, within_m)]
    return np.vstack([*kept, line[-1:]])
