"""One family of errors, each saying what is wrong, where, and the mend; and findings, which are not fatal.

::

    WeedzoneError
    ├── UnitError      a quantity in text that cannot be taken   (also a ValueError)
    ├── CrsError       a coordinate system missing or unfit      (also a ValueError)
    ├── SurveyError    a survey, layer or feature                (also a ValueError)
    ├── LabelError     a product label                           (also a ValueError)
    ├── RigError       a sprayer or spreader                     (also a ValueError)
    └── InputError     any other file or argument                (also a ValueError)
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import astuple, dataclass
from os import PathLike

import pandas as pd

FINDING_COLUMNS = ("severity", "layer", "feature", "message")


class WeedzoneError(Exception):
    """Base of every error that weedzone raises on purpose.

    Parameters
    ----------
    what : str
        What is wrong, in words.
    file, layer, feature, field : optional
        Where it is wrong.
    mend : str, optional
        What the reader can do about it.
    """

    def __init__(
        self,
        what: str,
        *,
        file: str | PathLike[str] | None = None,
        layer: str | None = None,
        feature: object = None,
        field: str | None = None,
        mend: str | None = None,
    ) -> None:
        self.what = what
        self.file = None if file is None else str(file)
        self.layer = layer
        self.feature = feature
        self.field = field
        self.mend = mend
        places = (
            self.file,
            f"layer {layer}" if layer else None,
            f"feature {feature}" if feature is not None else None,
            field,
        )
        where = ", ".join(place for place in places if place)
        text = (f"{where}: " if where else "") + what + (f"; {mend}" if mend else "")
        # One line always: the text may quote a user's own multi-line value.
        super().__init__(" ".join(text.split()))


class UnitError(WeedzoneError, ValueError):
    """A quantity in text that cannot be taken as the quantity asked for."""


class CrsError(WeedzoneError, ValueError):
    """A coordinate reference system that is missing or unfit."""


class SurveyError(WeedzoneError, ValueError):
    """A survey, one of its layers or one of its features."""


class LabelError(WeedzoneError, ValueError):
    """A product label, or a use of it that the label does not allow."""


class RigError(WeedzoneError, ValueError):
    """A sprayer or a spreader."""


class InputError(WeedzoneError, ValueError):
    """Any other file or argument."""


@dataclass(frozen=True, slots=True)
class Finding:
    """Something noticed that did not stop the work.

    Attributes
    ----------
    severity : str
        ``note``, ``warning`` or ``error``.
    layer : str
        The layer or file concerned.
    feature : str
        The feature, site or product concerned; empty for the whole layer.
    message : str
        What was found and what was done about it.
    """

    severity: str
    layer: str
    feature: str
    message: str


def findings_table(findings: Iterable[Finding]) -> pd.DataFrame:
    """Findings as a table, most severe first, without repeats.

    Returns
    -------
    pandas.DataFrame
        Columns ``severity``, ``layer``, ``feature``, ``message``, all text.
    """
    rank = {"error": 0, "warning": 1, "note": 2}
    rows = sorted(dict.fromkeys(findings), key=lambda finding: rank.get(finding.severity, 3))
    return pd.DataFrame([astuple(row) for row in rows], columns=list(FINDING_COLUMNS), dtype=object)
