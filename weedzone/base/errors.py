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

from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import astuple, dataclass
from functools import wraps
from inspect import Parameter, signature
from os import PathLike
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import pandas as pd

from weedzone.base.names import nearest

P = ParamSpec("P")
R = TypeVar("R")

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


@contextmanager
def naming(*, file: str | PathLike[str] | None = None, layer: str | None = None) -> Iterator[None]:
    """Errors raised within name this file and layer, unless they name others.

    Parameters
    ----------
    file, layer : optional
        Where what is wrong stands.

    Yields
    ------
    None

    Raises
    ------
    WeedzoneError
        The same error, with its place.
    """
    try:
        yield
    except WeedzoneError as error:
        raise type(error)(
            error.what,
            file=error.file or file,
            layer=error.layer or layer,
            feature=error.feature,
            field=error.field,
            mend=error.mend,
        ) from error.__cause__


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

    Parameters
    ----------
    findings : iterable of Finding

    Returns
    -------
    pandas.DataFrame
        Columns ``severity``, ``layer``, ``feature``, ``message``, all text.
    """
    rank = {"error": 0, "warning": 1, "note": 2}
    rows = sorted(dict.fromkeys(findings), key=lambda finding: rank.get(finding.severity, 3))
    return pd.DataFrame([astuple(row) for row in rows], columns=list(FINDING_COLUMNS), dtype=object)


_LONGEST = 60


def kind_of(value: object) -> str:
    """A value in words: short texts, numbers and None as they are, anything else by its kind.

    Parameters
    ----------
    value : object

    Returns
    -------
    str
    """
    if value is None or isinstance(value, bool | int | float):
        return repr(value)
    if isinstance(value, str):
        return repr(value if len(value) <= _LONGEST else f"{value[:_LONGEST]}...")
    name = type(value).__name__
    return f"{'an' if name[0].lower() in 'aeiou' else 'a'} {name}"


def refuse_unless(fits: bool, value: object, wanted: str, field: str, mend: str) -> None:
    """Refuse an argument of the wrong kind.

    Parameters
    ----------
    fits : bool
        Whether the value is what is wanted.
    value : object
    wanted : str
        What is wanted, in words.
    field : str
        Name of the argument.
    mend : str
        How to write it.

    Raises
    ------
    InputError
        Unless it fits.
    """
    if not fits:
        raise InputError(f"{wanted} is wanted here, not {kind_of(value)}", field=field, mend=mend)


def path_given(value: object, what: str, mend: str, error: type[WeedzoneError] = InputError) -> Path:
    """A path as such.

    Parameters
    ----------
    value : object
    what : str
        What is read from it or written there, "a price list".
    mend : str
        How to write it.
    error : class
        Of what is raised.

    Returns
    -------
    pathlib.Path

    Raises
    ------
    WeedzoneError
        Of the class `error`: this is no path.
    """
    if not isinstance(value, str | PathLike):
        raise error(f"{what} needs one path, not {kind_of(value)}", field="path", mend=f"write {mend}")
    return Path(value)


def unknown_options(
    given: Iterable[str], known: Iterable[str], field: str | None = None, file: object = None
) -> None:
    """Refuse names of options that are not known, with the nearest of those that are.

    Parameters
    ----------
    given, known : iterable of str
    field, file : optional
        Where they stand.

    Raises
    ------
    InputError
    """
    can = list(known)
    unknown = sorted(set(given) - set(can))
    if not unknown:
        return
    close = [name for name in (nearest(one, can) for one in unknown) if name]
    mend = f"did you mean {' and '.join(map(repr, close))}?" if close else f"known are {', '.join(can)}"
    what = f"unknown: {', '.join(map(str, unknown))}"
    raise InputError(what, field=field, file=None if file is None else str(file), mend=mend)


def named_options(
    like: Callable[..., Any] | None = None, but: Collection[str] = ()
) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Refuse keyword arguments that a function does not have, naming the nearest that it has.

    Parameters
    ----------
    like : callable, optional
        A function whose options (arguments with a default) the decorated one takes as ``**options`` and hands on:
        its signature shows them.
    but : names, optional
        Options of `like` that it does not take.

    Returns
    -------
    callable
        The decorator.
    """

    def decorate(function: Callable[P, R]) -> Callable[P, R]:
        shown = signature(function)
        own = [one for one in shown.parameters.values() if one.kind is not Parameter.VAR_KEYWORD]
        taken = {one.name for one in own} | set(but)
        more = [
            one.replace(kind=Parameter.KEYWORD_ONLY)
            for one in (signature(like).parameters.values() if like else ())
            if one.default is not Parameter.empty and one.name not in taken
        ]
        own_options = [one.name for one in own if one.default is not Parameter.empty]
        known = [*own_options, *(one.name for one in more)]
        every = {*known, *shown.parameters, *but}  # what it does not take, it refuses in its own words

        @wraps(function)
        def checked(*args: P.args, **options: P.kwargs) -> R:
            unknown_options([name for name in options if name not in every], known, function.__name__)
            return function(*args, **options)

        checked.__signature__ = shown.replace(parameters=[*own, *more])  # type: ignore[attr-defined]
        return checked

    return decorate
