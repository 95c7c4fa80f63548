"""What was given as an argument, and what to say of it where it cannot be meant."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from os import PathLike
from pathlib import Path
from typing import Any

from weedzone.errors import InputError, WeedzoneError
from weedzone.names import nearest

_LONGEST = 60


def kind_of(value: object) -> str:
    """A value in words: short texts, numbers and None as they are, anything else by its kind."""
    if value is None or isinstance(value, bool | int | float):
        return repr(value)
    if isinstance(value, str):
        return repr(value if len(value) <= _LONGEST else f"{value[:_LONGEST]}...")
    name = type(value).__name__
    return f"{'an' if name[0].lower() in 'aeiou' else 'a'} {name}"


def refuse_unless(fits: bool, value: object, wanted: str, field: str, mend: str) -> None:
    """Refuse an argument of the wrong kind.

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
    what : str
        What is read from it or written there, "a price list".
    mend : str
        How to write it.

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


def options_of(*functions: Callable[..., Any]) -> tuple[str, ...]:
    """Names of the keyword-only options of functions, which must all have defaults."""
    return tuple(dict.fromkeys(name for one in functions for name in one.__kwdefaults__ or {}))
