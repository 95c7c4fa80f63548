"""TOML files read strictly: every key known, every value what its key wants, every error with its place."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from weedzone.base.errors import InputError, WeedzoneError, path_given
from weedzone.base.names import nearest
from weedzone.base.units import parse_range, to_si
from weedzone.base.words import as_date

MAX_BYTES = 2_000_000
MAX_PARTS = 60  # of a key, and full stops before the first equals sign of a line


def read_toml(path: str | Path, error: type[WeedzoneError] = InputError) -> dict[str, Any]:
    """Read a TOML file of reasonable size.

    Raises
    ------
    WeedzoneError
        Of the class `error`: no such file, not text, not TOML, or too large. `InputError`: no path.
    """
    file = path_given(path, "a TOML file", '"file.toml"')
    try:
        if file.stat().st_size > MAX_BYTES:
            raise error("too large for a file of this kind", file=file, mend="name the right file")
        text = file.read_bytes().decode("utf-8")
        # The parser's time grows with the square of the parts of a dotted key.
        if any(line.partition("=")[0].count(".") > MAX_PARTS for line in text.splitlines()):
            raise error("a key has too many parts", file=file, mend="name the right file")
        return tomllib.loads(text)
    except WeedzoneError:
        raise
    except FileNotFoundError:
        raise error("there is no such file", file=file, mend="check the path") from None
    except (UnicodeDecodeError, RecursionError):
        raise error("this is not a text file in UTF-8", file=file, mend="name a TOML file") from None
    except OSError as problem:
        raise error(
            f"cannot be read ({problem.strerror})", file=file, mend="check the path and its rights"
        ) from None
    except ValueError as problem:  # also a number of thousands of digits
        raise error(f"not valid TOML ({problem})", file=file, mend="mend the line named") from None


@dataclass(frozen=True, kw_only=True)
class Key:
    """What a file may say under one key; tables of keys stand in TOML themselves.

    Attributes
    ----------
    kind : str
        ``text``, ``texts``, ``word``, ``whole``, ``flag`` or ``date``; a kind of quantity of `weedzone.base.units`,
        read to SI; or ``own`` where the reader of the file looks itself.
    meaning : str
        What it says, for whoever reads the table.
    words : sequence of str
        Those that a ``word`` may be.
    pair, zero : bool
        Whether a quantity may be a list of two, and whether it may be nothing.
    default : object
        Where the key is missing; a text or a word without one must be there.
    write : str
        What to write where a quantity is missing that must be there; empty where it need not.
    to : str
        Name under which the value goes on; empty for the key's own.
    """

    kind: str
    meaning: str
    words: Sequence[str] = ()
    pair: bool = False
    zero: bool = False
    default: Any = None
    write: str = ""
    to: str = ""


def keys_of(tables: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Key]]:
    """Tables of keys, by the name of the table."""
    return {name: {key: Key(**said) for key, said in keys.items()} for name, keys in tables.items()}


@dataclass(frozen=True)
class Table:
    """One table of a TOML file, with its place for messages.

    Attributes
    ----------
    values : Mapping
        The table itself.
    file : str
        The file it came from.
    place : str
        Where in the file, such as ``[limits]``; empty for the top.
    error : type
        Class of the errors raised.
    """

    values: Mapping[str, Any]
    file: str
    place: str
    error: type[WeedzoneError]

    def field(self, key: str) -> str:
        """Name of a key with its place."""
        return f"{self.place} {key}".strip()

    def fail(self, key: str, what: str, mend: str | None = None) -> NoReturn:
        """Raise the table's error about one of its keys."""
        raise self.error(what, file=self.file, field=self.field(key), mend=mend)

    def only(self, known: Iterable[str]) -> None:
        """Refuse any key that is not known."""
        allowed = list(known)
        for key in self.values:
            if key not in allowed:
                close = nearest(str(key), allowed)
                mend = f"did you mean {close!r}?" if close else f"known here: {', '.join(allowed)}"
                self.fail(str(key)[:60], "unknown key", mend)

    def read(
        self, keys: Mapping[str, Key], *, form: str | None = None, others: Iterable[str] = ()
    ) -> dict[str, Any]:
        """Values of all keys, by the names under which they go on; refuses any key that is not among them.

        Parameters
        ----------
        form : {"liquid", "dry", "granule"}, optional
            Of the product, for quantities that hang on it.
        others : iterable of str
            Keys that are allowed beside them and are read elsewhere.
        """
        self.only([*keys, *others])
        return {
            said.to or key: self._value(key, said, form) for key, said in keys.items() if said.kind != "own"
        }

    def _value(self, key: str, said: Key, form: str | None) -> Any:
        match said.kind:
            case "text":
                return self.text(key, said.default)
            case "word":
                return self.choice(key, said.words, said.default)
            case "texts":
                return self.texts(key)
            case "whole":
                return self.whole(key)
            case "flag":
                return self.flag(key, default=said.default)
            case "date":
                return self.date(key)
        if said.pair:
            return self.span(key, said.kind, form=form)
        value = self.si(key, said.kind, form=form, allow_zero=said.zero)
        if value is None and said.write:
            self.fail(key, "missing", f"write {key} = {said.write}")
        return said.default if value is None else value

    def text(self, key: str, default: str | None = None) -> str:
        """Text of a key; required when there is no default, which may be empty."""
        if key not in self.values and default is not None:
            return default
        value = self.values.get(key)
        if value is None:
            self.fail(key, "missing", "give it as text")
        if not isinstance(value, str) or not value.strip():
            self.fail(key, "this must be text that is not empty", f'write {key} = "..."')
        return value.strip()

    def choice(self, key: str, allowed: Sequence[str], default: str | None = None) -> str:
        """Text of a key that must be one of the allowed words."""
        value = self.text(key, default)
        if value not in allowed:
            self.fail(key, f"{value!r} is not one of {', '.join(allowed)}", "use one of these words")
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """List of texts, or one text; empty when the key is missing."""
        value = self.values.get(key, [])
        items = [value] if isinstance(value, str) else value
        if not isinstance(items, list) or not all(isinstance(item, str) and item.strip() for item in items):
            self.fail(key, "this must be a list of texts", f'write {key} = ["...", "..."]')
        return tuple(item.strip() for item in items)

    def whole(self, key: str) -> int | None:
        """Whole number above zero, or None when the key is missing."""
        value = self.values.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or value < 1:
            self.fail(key, "this must be a whole number above zero", f"write {key} = 2")
        return value

    def flag(self, key: str, default: bool) -> bool:
        """Value of a key that is true or false."""
        value = self.values.get(key, default)
        if not isinstance(value, bool):
            self.fail(key, "this must be true or false", f"write {key} = true")
        return value

    def si(self, key: str, kind: str, *, form: str | None = None, allow_zero: bool = False) -> float | None:
        """Quantity of a key in SI, or None when the key is missing."""
        if key not in self.values:
            return None
        return to_si(
            self.values[key], kind, form=form, allow_zero=allow_zero, field=self.field(key), file=self.file
        )

    def span(self, key: str, kind: str, *, form: str | None = None) -> tuple[float, float] | None:
        """Quantity or pair of quantities of a key in SI, or None when the key is missing."""
        if key not in self.values:
            return None
        return parse_range(self.values[key], kind, form=form, field=self.field(key), file=self.file)

    def date(self, key: str) -> dt.date | None:
        """Calendar date of a key, or None when the key is missing."""
        if key not in self.values:
            return None
        date = as_date(self.values[key])
        if date is None:
            self.fail(key, "this must be a date", f"write {key} = 2026-04-01")
        return date

    def table(self, key: str) -> Table:
        """Table below a key; empty when missing."""
        value = self.values.get(key, {})
        if not isinstance(value, Mapping):
            self.fail(key, "this must be a table", f"write [{key}]")
        return Table(value, self.file, f"{self.place}[{key}]", self.error)

    def tables(self, key: str) -> list[Table]:
        """Tables of an array of tables, or of one table; empty when missing."""
        value = self.values.get(key, [])
        rows = [value] if isinstance(value, Mapping) else value
        if not isinstance(rows, list) or not all(isinstance(row, Mapping) for row in rows):
            self.fail(key, "this must be an array of tables", f"write [[{key}]]")
        place = f"{self.place}[[{key}]]"
        places = (
            [f"{place} number {number}" for number in range(1, len(rows) + 1)] if len(rows) > 1 else [place]
        )
        return [Table(row, self.file, where, self.error) for row, where in zip(rows, places, strict=False)]
