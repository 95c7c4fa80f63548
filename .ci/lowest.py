"""Prove that the environment holds the lowest versions that pyproject.toml asks for."""

import re
import sys
import tomllib
from importlib.metadata import version
from pathlib import Path

project = tomllib.loads(Path(__file__).parents[1].joinpath("pyproject.toml").read_text(encoding="utf-8"))[
    "project"
]
wrong = []
for line in project["dependencies"]:
    name, lowest = re.fullmatch(r"([A-Za-z0-9_-]+)>=([0-9.]+).*", line).groups()
    found = version(name)
    trimmed = [re.sub(r"(\.0)+$", "", one) for one in (found, lowest)]
    if trimmed[0] != trimmed[1]:
        wrong.append(f"{name} {found}, asked for {lowest}")
if wrong:
    sys.exit("not the lowest versions: " + "; ".join(wrong))
