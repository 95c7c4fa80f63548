"""Names of turf, weeds and keep-out features: plain English, case-blind, with the trade's synonyms."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable
from functools import cache

from weedzone.base.data import table_beside

# What an acid is bound to in a product, and the words around it; from memory.
_SALT_WORDS = """
acid salt salts ester esters amine of as free the equivalent equiv equiv. a.e. a.e ae form n r + low volatile lv lv4 lv6
dimethylamine dimethylammonium dma triisopropanolamine triisopropanolammonium tipa isooctyl iso octyl di tri 2
ethylhexyl ehe butoxyethyl butotyl bee diglycolamine dga diethanolamine dea diethanolammonium isopropanolamine
isopropanolammonium monoethanolamine monoethanolammonium mea olamine sodium potassium lithium ammonium choline
triethylamine triethylammonium tea isopropylamine isopropylammonium ipa meptyl mhe 1 methylheptyl methyl ethyl butyl
isopropyl bapma dimethyl triisopropanol methylamine
"""
_SALTS = frozenset(_SALT_WORDS.split())
_ONE_SPELLING = (  # of names of active ingredients, in this order
    ("[\u2010-\u2015\u2212]", "-"),
    (
        r"(?:\bcas\W*(?:no|number|rn)?\W*)?\b\d{2,7}-\d\d-\d\b",
        " ",
    ),  # the registry's number adds nothing to the name
    (r"\s*-\s*", "-"),
    (r"(?<=\d)\s*[,.]\s*(?=\d)", ","),
    (r"(?<=[)\]])\s+", ""),
    (r"(?<=\d) (?=[a-z])", "-"),
    (r"(?<!\w)(?<!\d[,-])2\W*4\W*(?=d[bp]?(?!\w))", "2,4-"),
    (r"n,n-bis-?\(3-aminopropyl\)methylamine", "bapma"),
)


_TABLES: dict[str, dict[str, list[str]]] = table_beside(__file__, "names.toml")
"""Chief names of turf, weeds, keep-out kinds and active ingredients, and what else each is called."""
_LOOKUP = {
    of: {name: chief for chief, others in table.items() for name in (chief, *others)}
    for of, table in _TABLES.items()
}
_LETTERS = 5
_LONGEST_FIRST = sorted(_LOOKUP["active"], key=len, reverse=True)


def plain(text: object) -> str:
    """Text in lower case with single spaces and no space at its ends."""
    return re.sub(r"[\s_]+", " ", str(text)).strip().lower()


def chief_name(text: object, of: str) -> str:
    """The one name used for a turf, weed or keep-out kind.

    Parameters
    ----------
    text : str
        Any spelling, "Saint Augustine grass".
    of : {"turf", "weed", "kind", "active"}

    Returns
    -------
    str
        "st. augustinegrass"; a name that is not known stays as it is, in lower case.
    """
    name = plain(text)
    return (active_name(name) or name) if of == "active" else _LOOKUP[of].get(name, name)


@cache
def active_name(text: str) -> str | None:
    """The acid that an active ingredient is, whatever salt or ester: toward limits, intervals and groups.

    Parameters
    ----------
    text : str
        "dimethylamine salt of 2,4-D", "Triclopyr, butoxyethyl ester".

    Returns
    -------
    str or None
        "2,4-d"; a name without a known acid in lower case, without its salt where one word is left; None where a
        known acid stands in it beside words that are no salt or ester, or a word is a slip of a known acid.

    Examples
    --------
    >>> active_name("2,4-D 2-ethylhexyl ester"), active_name("2,4-DB"), active_name("2,4-D something")
    ('2,4-d', '2,4-db', None)
    """
    name = unicodedata.normalize("NFKC", plain(text))
    for written, meant in _ONE_SPELLING:
        name = re.sub(written, meant, name)
    name = name.strip()
    if name in _LOOKUP["active"]:
        return _LOOKUP["active"][name]
    rest, acids = name, set()
    for other in _LONGEST_FIRST:
        rest, count = re.subn(rf"(?<!\w)(?<!\d[,-]){re.escape(other)}(?!\w)", " ", rest)
        if count:
            acids.add(_LOOKUP["active"][other])
    if not acids:
        names = [word for word in re.split(r"[\s,;:()\[\]{}/]+", name) if word and word not in _SALTS]
        if any(slip_of(word, _LOOKUP["active"]) for word in names):
            return None
        return names[0] if len(names) == 1 else name
    words = re.split(r"[\s,;:()\[\]{}/-]+", rest)
    return acids.pop() if len(acids) == 1 and all(word in _SALTS for word in words if word) else None


def known_kinds() -> frozenset[str]:
    """Kinds of keep-out features that are known without a label."""
    return frozenset(_TABLES["kind"])


def slip_of(name: str, known: Iterable[str]) -> str | None:
    """The known name of which one of five letters or more is a slip of the finger: a letter or a swap apart."""
    if len(name) < _LETTERS:
        return None
    for other in sorted(known):
        if abs(len(other) - len(name)) > 1 or other == name:
            continue
        at = next(
            (i for i, (a, b) in enumerate(zip(name, other, strict=False)) if a != b),
            min(len(name), len(other)),
        )
        rest, goal = name[at:], other[at:]
        if rest[1:] == goal[1:] or rest[1:] == goal or rest == goal[1:]:
            return other
        if rest[:2] == goal[1::-1] and rest[2:] == goal[2:]:
            return other
    return None


def nearest(name: str, known: Iterable[str]) -> str | None:
    """The known name that a misspelt one most likely means."""
    close = difflib.get_close_matches(name, list(known), n=1, cutoff=0.75)
    return close[0] if close else None
