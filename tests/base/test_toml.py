"""TOML files that would take minutes, or that the parser stumbles over, are one clear error."""

from __future__ import annotations

from pathlib import Path

import pytest

import weedzone as wz
from weedzone.base.toml import MAX_PARTS, read_toml


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a = " + "1" * 4301, "not valid TOML"),
        (".".join("a" * 100_000) + " = 1", "too many parts"),
        ("[" + ".".join("a" * 100_000) + "]", "too many parts"),
        ("a = " + "[" * 100_000, "not a text file"),
        ("a = " + "{a=" * 50_000, "not a text file"),
        ("a = 1" + " " * 2_000_000, "too large"),
    ],
)
def test_bounds(text: str, said: str, tmp_path: Path) -> None:
    file = tmp_path / "label.toml"
    file.write_text(text)
    with pytest.raises(wz.InputError, match=said) as caught:
        read_toml(file)
    assert "\n" not in str(caught.value)


def test_keys_of_many_parts_and_texts_with_many_stops_are_read(tmp_path: Path) -> None:
    file = tmp_path / "label.toml"
    key = ".".join("a" * MAX_PARTS)
    file.write_text(f'{key} = 1\nb = "{"." * 1000}"\n')
    assert read_toml(file)["b"] == "." * 1000
