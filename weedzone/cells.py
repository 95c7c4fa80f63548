"""Tables as CSV that a spreadsheet can open without running anything in them."""

from __future__ import annotations

import csv
import numbers
from pathlib import Path

import pandas as pd

_FORMULA = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")  # the last four are full-width forms


def write_csv(table: pd.DataFrame, path: Path) -> None:
    """Write a table as CSV: UTF-8 with a byte order mark, numbers in full, text in quotes.

    Text that a spreadsheet would run as a formula gets a leading apostrophe (OWASP, "CSV Injection").
    """
    with path.open("w", encoding="utf-8-sig", errors="replace", newline="") as out:
        writer = csv.writer(out, quoting=csv.QUOTE_NONNUMERIC)
        writer.writerow([cell(name) for name in table.columns])
        writer.writerows([cell(value) for value in row] for row in table.itertuples(index=False, name=None))


def cell(value: object) -> object:
    """Make one value safe; no value becomes an empty cell."""
    if value is None or value is pd.NA or value != value:  # NaN is not itself
        return ""
    if isinstance(value, numbers.Number) and not isinstance(value, bool):
        return value
    text = str(value)
    # A tab or a line break in front is no shelter: spreadsheets skip it.
    return f"'{text}" if text.lstrip().startswith(_FORMULA) or (text[:1] in "\t\r\n" and text) else text
