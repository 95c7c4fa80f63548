"""From a logged track to passes: unbroken lines along which the sprayer ran, in local metres.

What a receiver logs is not what happened: fixes jump, repeat, scatter about a standing sprayer and shiver
along a straight walk. Here that is put right, and every correction is told as a finding.
"""

from __future__ import annotations

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
JUMP_RUN = (
    5  # a run of fixes up to this long between two jumps is a slip of the receiver, not a place visited
)
SAME_M = 1e-3
NOISY = 0.02  # scatter of the fixes, in swaths, above which a pass is smoothed
ROUGH = 0.1  # scatter, in swaths, above which the figures are called rough
TURN_COSINE = 0.7  # a bend sharper than about 45 degrees is a turn
STRAIGHT = 0.005  # corners flatter than this, in swaths, are left out


@dataclass(frozen=True)
class Limits:
    """What tells a pass from a break [m, s, m/s]; either `gap_s` or `gap_m` is set."""

    swath_m: float
    gap_s: float | None
    gap_m: float | None
    min_mps: float
    max_mps: float


@dataclass(frozen=True, eq=False)
class _Fixes:
    """Fixes of one section, in order of time."""

    xy: Floats
    time_s: Floats | None
    on: Bools

    def __len__(self) -> int:
        return len(self.xy)

    def take(self, rows: Any) -> _Fixes:
        return _Fixes(self.xy[rows], None if self.time_s is None else self.time_s[rows], self.on[rows])


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
    notes = _Notes()
    near = np.isfinite(xy).all(axis=1)
    notes.count("far away", (~near).sum())
    on = np.ones(len(xy), dtype=bool) if track.spraying is None else track.spraying
    fixes = _Fixes(xy, track.time_s, on)
    if track.time_s is None:
        notes.say("note", "the track has no times: speeds, stops and pauses could not be checked")
    sections = [
        _in_order(fixes.take(np.flatnonzero(near & (track.section == number))), notes)
        for number in np.unique(track.section[near])
    ]
    if track.time_s is not None:
        sections.sort(key=lambda part: part.time_s[0] if part.time_s is not None else 0.0)
    passes: list[Floats] = []
    for section in _joined(sections, limits):
        for run in _without_jumps(section, limits, notes):
            for stretch in _cut_at_gaps(run, limits, notes):
                passes += _sprayed(_without_stops(stretch, limits, notes))
    lines = [line for line in map(_distinct, passes) if len(line) > 1]
    if not lines:
        raise InputError(
            "the track has no two different points with the sprayer on, close enough in time to be one pass",
            layer=LAYER,
            mend=f"check the on/off column{notes.spacing(fixes)}, and give a larger gap if the log is sparse",
        )
    return [_smoothed(line, limits.swath_m, notes) for line in lines], notes.findings()


class _Notes:
    """Tallies of what was dropped, so that each is told once."""

    words = {  # noqa: RUF012
        "far away": ("warning", "point(s) far from the zones were dropped"),
        "repeated": ("note", "repeated point(s) were dropped"),
        "jump": ("warning", "point(s) that imply a speed above max_speed were dropped"),
        "split jump": ("warning", "jump(s) faster than max_speed start a new pass"),
        "gap": ("note", "gap(s) in the track start a new pass"),
        "unsorted": ("warning", "point(s) were out of order and were sorted by time"),
        "rough": ("warning", "pass(es) scatter by more than a tenth of the swath: their figures are rough"),
        "smoothed": ("note", "pass(es) with a noisy position were smoothed over at most two swaths"),
    }

    def __init__(self) -> None:
        self.tally: dict[str, int] = {}
        self.said: list[Finding] = []

    def count(self, what: str, number: Any) -> None:
        self.tally[what] = self.tally.get(what, 0) + int(number)

    def say(self, severity: str, message: str) -> None:
        self.said.append(Finding(severity, LAYER, "", message))

    def findings(self) -> list[Finding]:
        counted = [
            Finding(self.words[key][0], LAYER, "", f"{number} {self.words[key][1]}")
            for key, number in self.tally.items()
            if number
        ]
        return counted + self.said

    @staticmethod
    def spacing(fixes: _Fixes) -> str:
        if fixes.time_s is None or len(fixes) < 2:
            return ""
        return f" (points come {np.median(np.diff(np.sort(fixes.time_s))):.3g} s apart)"


def _in_order(fixes: _Fixes, notes: _Notes) -> _Fixes:
    if fixes.time_s is not None:
        back = (np.diff(fixes.time_s) < 0).sum()
        notes.count("unsorted", back)
        if back:
            fixes = fixes.take(np.argsort(fixes.time_s, kind="stable"))
    if len(fixes) < 2:
        return fixes
    same = (np.diff(fixes.xy, axis=0) == 0).all(axis=1)
    if fixes.time_s is not None:
        same &= np.diff(fixes.time_s) == 0
    same &= fixes.on[1:] == fixes.on[:-1]
    notes.count("repeated", same.sum())
    return fixes.take(np.append(True, ~same))


def _joined(sections: list[_Fixes], limits: Limits) -> list[_Fixes]:
    """Sections that go on at the very point and time where the last one ended are one."""
    joined: list[_Fixes] = []
    for part in sections:
        last = joined[-1] if joined else None
        if last is None or not _goes_on(last, part, limits):
            joined.append(part)
            continue
        time = None if last.time_s is None or part.time_s is None else np.append(last.time_s, part.time_s)
        joined[-1] = _Fixes(np.vstack([last.xy, part.xy]), time, np.append(last.on, part.on))
    return joined


def _goes_on(last: _Fixes, part: _Fixes, limits: Limits) -> bool:
    if np.hypot(*(part.xy[0] - last.xy[-1])) > SAME_M:
        return False
    if last.time_s is None or part.time_s is None:
        return True
    wait = part.time_s[0] - last.time_s[-1]
    return bool(wait >= 0 and (limits.gap_s is None or wait <= limits.gap_s))


def _without_jumps(fixes: _Fixes, limits: Limits, notes: _Notes) -> list[_Fixes]:
    """Drop short runs of fixes that no one could have walked to; longer ones are passes of their own."""
    if fixes.time_s is None or len(fixes) < 2:
        return [fixes]
    start = np.append(0, np.flatnonzero(_too_fast(fixes, np.arange(len(fixes) - 1), None, limits)) + 1)
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
    chain = []
    run = int(np.argmax(best))
    while run >= 0:
        chain.append(run)
        run = int(before[run])
    kept = np.isin(np.arange(len(start)), chain)
    alone = ~kept & (size > JUMP_RUN)
    notes.count("jump", size[~kept & ~alone].sum())
    notes.count("split jump", alone.sum())
    # Runs of the chain stay one stretch unless a run of its own comes between.
    stretches: list[list[Ints]] = []
    last_in_chain = False
    for run in np.flatnonzero(kept | alone).tolist():
        rows = np.arange(start[run], end[run] + 1)
        if kept[run] and last_in_chain:
            stretches[-1].append(rows)
        else:
            stretches.append([rows])
        last_in_chain = bool(kept[run])
    return [fixes.take(np.concatenate(rows)) for rows in stretches]


def _too_fast(fixes: _Fixes, first: Ints, second: int | None, limits: Limits) -> Bools:
    time = fixes.time_s
    if time is None:
        return np.zeros(len(first), dtype=bool)
    then = first + 1 if second is None else second
    step = np.hypot(*(fixes.xy[then] - fixes.xy[first]).T)
    return np.asarray(step > limits.max_mps * (time[then] - time[first]) + NOISE_M)


def _cut_at_gaps(fixes: _Fixes, limits: Limits, notes: _Notes) -> list[_Fixes]:
    if len(fixes) < 2:
        return [fixes]
    cut = np.zeros(len(fixes) - 1, dtype=bool)
    if limits.gap_m is not None:
        cut |= np.hypot(*np.diff(fixes.xy, axis=0).T) > limits.gap_m
    if limits.gap_s is not None and fixes.time_s is not None:
        cut |= np.diff(fixes.time_s) > limits.gap_s
    notes.count("gap", cut.sum())
    return [fixes.take(rows) for rows in np.split(np.arange(len(fixes)), np.flatnonzero(cut) + 1)]


def _without_stops(fixes: _Fixes, limits: Limits, notes: _Notes) -> _Fixes:
    """Put each stop at one point: the scatter of a standing receiver is no travel."""
    time = fixes.time_s
    if time is None or len(fixes) < 3:
        return fixes
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
        return fixes
    edge = np.zeros(len(fixes) + 1, dtype=int)
    np.add.at(edge, low[still], 1)
    np.add.at(edge, high[still], -1)
    standing = np.cumsum(edge)[:-1] > 0
    group = np.cumsum(np.append(0, ~(standing[1:] & standing[:-1])))
    first = np.append(0, np.flatnonzero(np.diff(group)) + 1)
    size = np.diff(np.append(first, len(fixes)))
    xy = np.add.reduceat(fixes.xy, first) / size[:, None]
    on = np.logical_or.reduceat(fixes.on, first)
    seconds = time[np.append(first[1:], len(fixes)) - 1] - time[first]
    stood = (size > 1) & on
    if stood.any():
        notes.say(
            "warning",
            f"the sprayer stood still {stood.sum()} time(s), {seconds[stood].sum():.0f} s in all, and was "
            "not marked off: if it ran, that ground got far more than the dose",
        )
    return _Fixes(xy, time[first], on)


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


def _smoothed(line: Floats, swath_m: float, notes: _Notes) -> Floats:
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
            notes.count("rough", 1)
        if scatter > NOISY * swath_m:
            far = min(16, len(line) - 1)
            step = np.median(np.hypot(*(line[far:] - line[:-far]).T)) / far
            window = min(int(2 * swath_m / step) if step > 0 else len(line), len(line))
            window -= 1 - window % 2
            if window >= 5:
                line = _distinct(savgol_filter(line, window, 2, axis=0, mode="interp"))
                notes.count("smoothed", 1)
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
