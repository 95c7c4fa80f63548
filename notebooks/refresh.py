"""Run the notebooks again in place, and keep them small: `python notebooks/refresh.py [NAME ...]`.

Pictures come down to 256 colours. Cells tagged "large-output" lose what they show.
"""

from __future__ import annotations

import base64
import io
import sys
from pathlib import Path
from typing import Any

import nbformat
from nbclient import NotebookClient
from PIL import Image

HERE = Path(__file__).parent
KEPT = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}}


def run(notebook: Any, folder: Path) -> Any:
    """Run a notebook from top to bottom with a folder as its own."""
    where = {"metadata": {"path": str(folder)}}
    return NotebookClient(notebook, timeout=300, kernel_name="python3", resources=where).execute()


def tidy(notebook: Any) -> Any:
    """What is committed of a notebook that has run."""
    notebook.metadata = {**KEPT, "language_info": {"name": "python"}}
    for cell in notebook.cells:
        cell.metadata.pop("execution", None)
        if cell.cell_type != "code":
            continue
        if "large-output" in cell.metadata.get("tags", []):
            cell.outputs = []
        for output in cell.outputs:
            picture = output.get("data", {}).get("image/png")
            if picture is not None:
                output.data["image/png"] = smaller(picture)
                output.metadata = {}
    return notebook


def smaller(picture: str) -> str:
    """A PNG in base64 at 256 colours, rare ones kept."""
    whole = Image.open(io.BytesIO(base64.b64decode(picture))).convert("RGB")
    out = io.BytesIO()
    few = whole.quantize(256, method=Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE)
    few.save(out, "PNG", optimize=True)
    return base64.b64encode(out.getvalue()).decode("ascii")


def main(names: list[str]) -> None:
    """Refresh the notebooks named, or all."""
    for file in sorted(HERE.glob("*.ipynb")):
        if not names or file.name in names:
            notebook = tidy(run(nbformat.read(file, as_version=4), HERE))
            nbformat.validate(notebook)
            nbformat.write(notebook, file)
            print(f"{file.name}: {file.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main(sys.argv[1:])
