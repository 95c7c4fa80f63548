"""File names from names that users chose: they stay in their folder, on every system, and never collide."""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Iterable, Mapping

# Names that Windows keeps for devices, with any ending (Microsoft, "Naming Files, Paths, and Namespaces").
_DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in "0123456789¹²³")}
_LONGEST = 120  # bytes of UTF-8: file systems end at 255, and an ending and a mark have to fit
_MARK = 8


def file_names(names: Iterable[str], reserved: Iterable[str] = ()) -> dict[str, str]:
    """Give each name a file name without ending.

    Letters and digits of any script, spaces, dots, hyphens and underscores stay; everything else becomes an
    underscore. Names that had to be cut, or that a file system could take for one another (by case, accents or
    what was replaced), get a mark made from the whole name, so that a name's file does not depend on its place.

    Parameters
    ----------
    names : iterable of str
    reserved : iterable of str
        File names that are taken already.

    Returns
    -------
    dict of str to str
        In the order of `names`.
    """
    wanted = {name: _tidy(name) for name in names}
    taken: dict[str, int] = {_folded(one): 1 for one in reserved}
    for stem in wanted.values():
        taken[_folded(stem)] = taken.get(_folded(stem), 0) + 1
    found: dict[str, str] = {}
    for name, stem in wanted.items():
        short = _cut(stem)
        found[name] = stem if taken[_folded(stem)] == 1 and short == stem else _marked(short, name, taken)
        taken.setdefault(_folded(found[name]), 1)
    return found


def _marked(stem: str, name: str, taken: Mapping[str, int]) -> str:
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()
    for size in range(_MARK, len(digest)):
        if _folded(f"{stem}-{digest[:size]}") not in taken:
            break
    return f"{stem}-{digest[:size]}"


def _tidy(name: str) -> str:
    text = unicodedata.normalize("NFC", name)
    kept = "".join(
        one if one.isalnum() or one in " ._-" or unicodedata.category(one)[0] == "M" else "_" for one in text
    )
    # A dot or a space in front hides a file or is lost; at the end Windows drops it.
    stem = "_".join(kept.split()).strip("._- ") or "site"
    return f"site_{stem}" if stem.split(".")[0].lower() in _DEVICES else stem


def _cut(stem: str) -> str:
    return stem.encode("utf-8", "replace")[:_LONGEST].decode("utf-8", "ignore").rstrip("._- ")


def _folded(stem: str) -> str:
    """What two file names share when a file system may take one for the other."""
    return unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", stem).casefold())
