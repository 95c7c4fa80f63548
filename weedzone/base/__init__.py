"""Words and numbers, for every floor above: errors and findings, names, quantities in text, money, TOML, files.

The face is the rooms themselves: ``from weedzone.base.units import to_si``. No ground is known here.
"""

__all__ = [
    "data", "errors", "files", "money", "names", "toml", "unit_grammar", "units", "words",
]  # fmt: skip
