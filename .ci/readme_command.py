"""Print one of the README's two commands, so that CI runs exactly what the README says."""

import re
import sys
from pathlib import Path

NAMES = {"sample": 0, "tests": 1}
readme = Path(__file__).parents[1].joinpath("README.md").read_text(encoding="utf-8")
blocks = re.findall(r"```sh\n(.*?)```", readme, flags=re.DOTALL)
sys.stdout.write(blocks[NAMES[sys.argv[1]]].strip() + "\n")
