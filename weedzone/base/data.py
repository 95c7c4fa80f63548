"""Tables of data that stand as TOML beside the room that reads them."""

import tomllib
from pathlib import Path
from typing import Any


def table_beside(room: str, name: str) -> dict[str, Any]:
    """Read the TOML file of a name in the folder of a room, which gives its ``__file__``."""
    return tomllib.loads(Path(room).with_name(name).read_text(encoding="utf-8"))
