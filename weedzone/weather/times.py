"""Times of a table into UTC: nothing without a zone, no hour that the clock skipped or doubled."""

from __future__ import annotations

import re
from datetime import UTC, timezone, tzinfo
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from weedzone.base.errors import Finding, InputError

_TIME = re.compile(
    r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d+)?)?\s*(?P<zone>Z|UTC|[+-]\d{2}(:?\d{2})?)?", re.IGNORECASE
)
_WIDEST_MIN = 14 * 60  # UTC+14, the Line Islands


def to_utc(
    cells: pd.Series, tz: str | None, source: str, findings: list[Finding]
) -> tuple[pd.DatetimeIndex, tzinfo]:
    """Read a column of times.

    Parameters
    ----------
    cells : pandas.Series, shape (n,)
        ISO 8601 text, datetimes, or a datetime column with or without a zone.
    tz : str or None
        IANA zone of naive times, and to show times in.
    source : str
        The table's name, for messages.
    findings : list of Finding
        Grows by what was noticed.

    Returns
    -------
    pandas.DatetimeIndex, shape (n,)
        UTC, in the table's order.
    datetime.tzinfo
        The zone to show them in.

    Raises
    ------
    InputError
        Naming the first row that cannot be taken.
    """
    named = _zone(tz)
    if isinstance(cells.dtype, pd.DatetimeTZDtype):
        if cells.isna().any():
            raise _bad_time(cells, cells.isna().to_numpy(), "is no time", source)
        return pd.DatetimeIndex(cells.dt.tz_convert("UTC")), named or cells.dt.tz or UTC
    text = cells.map(lambda cell: cell.isoformat() if hasattr(cell, "isoformat") else str(cell).strip())
    matches = [_TIME.fullmatch(one) for one in text]
    unread = np.array([match is None for match in matches])
    if unread.any():
        raise _bad_time(text, unread, "is no ISO 8601 time with hours and minutes", source)
    zones = ["".join(m["zone"] or "").upper().replace("UTC", "Z") for m in matches if m]
    naive = np.array([not zone for zone in zones])
    if naive.any() and (named is None or not naive.all()):
        what = "has no time zone" if naive.all() else "has no time zone, but other rows have one"
        raise _bad_time(text, naive, what, source)
    # Stripped of its zone text, every time has one spelling; the offset is then taken off by hand.
    bare = text.str.replace(r"\s*(Z|UTC|[+-]\d{2}(:?\d{2})?)$", "", regex=True, case=False).where(
        ~naive, text
    )
    wall = pd.to_datetime(bare, format="ISO8601", errors="coerce")
    if wall.isna().any():
        raise _bad_time(text, wall.isna().to_numpy(), "is no date on the calendar", source)
    if naive.all() and named is not None:
        return _localize(wall, named, text, source), named
    minutes = np.array([_offset_minutes(zone) for zone in zones])
    if (np.abs(minutes) > _WIDEST_MIN).any():
        raise _bad_time(
            text, np.abs(minutes) > _WIDEST_MIN, "has an offset that no place on earth keeps", source
        )
    offsets = pd.to_timedelta(minutes, unit="min")
    times = (pd.DatetimeIndex(wall) - offsets).tz_localize("UTC")
    distinct = sorted(set(offsets))
    if named is None and len(distinct) > 1:
        message = (
            "times have several offsets (a clock change, or mixed zones): taken as written, shown in UTC"
        )
        findings.append(Finding("note", source, "time", message))
    alone: tzinfo = timezone(distinct[0].to_pytimedelta()) if len(distinct) == 1 else UTC
    return times, named or alone


def _zone(tz: str | None) -> tzinfo | None:
    if tz is None:
        return None
    try:
        return ZoneInfo(tz)
    except (ValueError, OSError, KeyError, TypeError) as error:
        mend = 'give an IANA name such as "America/Chicago"'
        raise InputError(f"{tz!r} is no time zone", field="tz", mend=mend) from error


def _offset_minutes(zone: str) -> int:
    if zone == "Z":
        return 0
    digits = zone[1:].replace(":", "").ljust(4, "0")
    return (-1 if zone[0] == "-" else 1) * (int(digits[:2]) * 60 + int(digits[2:]))


def _bad_time(cells: pd.Series, bad: np.ndarray, what: str, source: str) -> InputError:
    row = int(np.argmax(bad))
    mend = "write times as 2025-04-12T09:00-05:00, or give tz= for local times without a zone"
    return InputError(
        f"{cells.iloc[row]!s} {what}", file=source, feature=f"row {row + 1}", field="time", mend=mend
    )


def _localize(wall: pd.Series, zone: tzinfo, text: pd.Series, source: str) -> pd.DatetimeIndex:
    """Local wall times to UTC: a skipped hour is refused, a repeated hour needs both of its rows."""
    index = pd.DatetimeIndex(wall)
    # With a guess for repeated hours, NaT is left only where the clock skipped the hour.
    guess = index.tz_localize(zone, ambiguous=np.ones(len(index), bool), nonexistent="NaT")
    skipped = np.asarray(guess.isna())
    if skipped.any():
        raise _bad_time(text, skipped, f"does not exist in {zone}: the clock skipped that hour", source)
    twice = np.asarray(index.tz_localize(zone, ambiguous="NaT", nonexistent="NaT").isna())
    first = ~wall.duplicated().to_numpy()
    counts = wall.map(wall.value_counts()).to_numpy()
    unclear = twice & ((counts != 2) | (not index[~twice].is_monotonic_increasing))
    if unclear.any():
        raise _bad_time(
            text, unclear, f"came twice in {zone} (the clock went back): which one is not clear", source
        )
    return index.tz_localize(zone, ambiguous=first).tz_convert("UTC")
