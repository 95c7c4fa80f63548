"""Sprayable area, product, water and tank loads for broadleaf weed control in turf, from walked shapes.

The product label, local rules and a licensed applicator decide; weedzone only does their arithmetic. What is public
stands in ``__init__.pyi``, the one list from which names are loaded when they are first asked for.
"""

import sys
from importlib import import_module
from types import ModuleType
from typing import Any

import lazy_loader

__version__ = "0.1.0"
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)

# Paths that the documentation gave before the rooms stood in folders.
_MOVED = {
    "areas": "crew", "calibration": "kit.calibration", "doubt": "quotes", "errors": "base.errors", "explore": "maps",
    "export": "crew", "fleet": "portfolio", "policy": "kit", "prices": "quotes", "sheet": "crew",
    "turfcare": "season.turfcare", "units": "base.units base.words", "wholeturf": "sizing", "why": "sizing",
}  # fmt: skip


class _Moved(ModuleType):
    """Stands at an old path and hands on what is asked of it."""

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        rooms = _MOVED[self.__name__.removeprefix("weedzone.")].split()
        places = [import_module(f"weedzone.{room}") for room in rooms]
        return getattr(next((place for place in places if hasattr(place, name)), places[0]), name)


sys.modules.update({f"weedzone.{old}": _Moved(f"weedzone.{old}") for old in _MOVED})
