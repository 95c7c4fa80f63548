"""Names of turf, weeds and keep-out features: plain English, case-blind, with the trade's synonyms."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable

_TURF = {
    "kentucky bluegrass": ("kbg", "kentucky blue grass", "poa pratensis"),
    "tall fescue": (
        "turf-type tall fescue",
        "turf type tall fescue",
        "ttf",
        "fescue, tall",
        "festuca arundinacea",
    ),
    "fine fescue": ("fine fescues", "creeping red fescue", "chewings fescue", "hard fescue"),
    "perennial ryegrass": ("perennial rye", "perennial rye grass", "lolium perenne"),
    "creeping bentgrass": ("agrostis stolonifera",),
    "bermudagrass": ("bermuda", "bermuda grass", "couchgrass", "cynodon dactylon"),
    "zoysiagrass": ("zoysia", "zoysia grass"),
    "st. augustinegrass": (
        "st. augustine",
        "st augustine",
        "st augustinegrass",
        "st. augustine grass",
        "st augustine grass",
        "saint augustine",
        "saint augustinegrass",
        "saint augustine grass",
    ),
    "centipedegrass": ("centipede", "centipede grass"),
    "bahiagrass": ("bahia", "bahia grass"),
    "buffalograss": ("buffalo grass",),
    "seashore paspalum": (),
}
_WEED = {
    "dandelion": ("dandelions", "common dandelion", "taraxacum officinale"),
    "white clover": ("clover", "dutch clover", "trifolium repens"),
    "ground ivy": ("groundivy", "ground-ivy", "creeping charlie", "glechoma hederacea"),
    "broadleaf plantain": (
        "broad-leaved plantain",
        "broadleaf plantains",
        "common plantain",
        "plantago major",
    ),
    "buckhorn plantain": ("narrowleaf plantain", "ribwort plantain", "plantago lanceolata"),
    "wild violet": ("violet", "wild violets", "common blue violet"),
    "henbit": (),
    "common chickweed": ("chickweed", "stellaria media"),
    "prostrate knotweed": (),
    "wild garlic": (),
}
_KIND = {
    "beehive": ("beehives", "hive", "hives", "apiary", "bees"),
    "pond": ("ponds",),
    "lake": ("lakes",),
    "creek": ("creeks", "stream", "streams", "brook"),
    "river": ("rivers",),
    "well": ("wells", "water well", "wellhead"),
    "wetland": ("wetlands", "marsh"),
    "tree": ("trees", "tree drip line", "drip line", "dripline"),
    "vegetable garden": (
        "vegetable plot",
        "vegetables",
        "vegetable patch",
        "kitchen garden",
        "vegetable bed",
    ),
    "flower bed": ("flower beds", "flowerbed", "flowerbeds", "bed", "garden bed", "ornamental bed"),
    "play area": ("playground", "play areas", "sandpit"),
}

# One ingredient under several names must count as one toward its limits. Salts and esters go by the acid.
_ACTIVE = {
    "2,4-d": ("2,4 d", "2,4d", "2,4-d acid", "2,4-d amine", "2,4-d dimethylamine", "2,4-d dimethylamine salt",
              "2,4-d ester", "2,4-d choline", "2,4-d ethylhexyl ester"),
    "mcpp": ("mecoprop", "mecoprop-p", "mcpp-p", "mcpp acid", "mcpp-p dimethylamine salt"),
    "2,4-dp": ("dichlorprop", "dichlorprop-p", "2,4-dp-p"),
    "dicamba": ("dicamba acid", "dicamba dimethylamine salt", "dicamba diglycolamine salt"),
    "triclopyr": ("triclopyr acid", "triclopyr butoxyethyl ester", "triclopyr triethylamine salt"),
    "metsulfuron": ("metsulfuron-methyl", "metsulfuron methyl"),
    "carfentrazone": ("carfentrazone-ethyl", "carfentrazone ethyl"),
    "halosulfuron": ("halosulfuron-methyl", "halosulfuron methyl"),
    "fluroxypyr": ("fluroxypyr-meptyl", "fluroxypyr meptyl"),
}  # fmt: skip


def _lookup(table: dict[str, tuple[str, ...]]) -> dict[str, str]:
    return {name: chief for chief, others in table.items() for name in (chief, *others)}


_LOOKUP = {"turf": _lookup(_TURF), "weed": _lookup(_WEED), "kind": _lookup(_KIND), "active": _lookup(_ACTIVE)}


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
    return _LOOKUP[of].get(name, name)


def nearest(name: str, known: Iterable[str]) -> str | None:
    """The known name that a misspelt one most likely means."""
    close = difflib.get_close_matches(name, list(known), n=1, cutoff=0.75)
    return close[0] if close else None
