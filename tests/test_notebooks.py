"""The notebooks run from top to bottom, and are committed as they ran: with pictures, small, without machine paths."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).parents[1]
NOTEBOOKS = sorted(ROOT.joinpath("notebooks").glob("*.ipynb"))
MOST_BYTES = 600_000
LARGE = "large-output"

named = pytest.mark.parametrize("file", NOTEBOOKS, ids=lambda file: file.stem)


def code_of(notebook: Any) -> list[Any]:
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


def printed(notebook: Any) -> list[str]:
    """What each cell printed, figures masked: they may differ in the last digit from one GEOS to the next."""
    texts = [
        "".join(out["text"] for out in cell.outputs if out.output_type == "stream")
        for cell in code_of(notebook)
    ]
    return [" ".join(re.sub(r"\d[\d.,/]*", "#", text).split()) for text in texts]


def test_there_are_three() -> None:
    assert [file.name[:2] for file in NOTEBOOKS] == ["01", "02", "03"]


@named
@pytest.mark.slow
def test_runs_from_top_to_bottom(file: Path, tmp_path: Path) -> None:
    shutil.copytree(ROOT / "sample_sites", tmp_path / "sample_sites")
    folder = tmp_path / "notebooks"
    folder.mkdir()
    committed = nbformat.read(file, as_version=4)
    fresh = nbformat.read(file, as_version=4)
    for cell in code_of(fresh):
        cell.outputs, cell.execution_count = [], None
    where = {"metadata": {"path": str(folder)}}
    NotebookClient(fresh, timeout=600, kernel_name="python3", resources=where).execute()
    assert [cell.execution_count for cell in code_of(fresh)] == list(range(1, len(code_of(fresh)) + 1))
    assert printed(fresh) == printed(committed), "run notebooks/refresh.py and commit what it writes"
    # Nothing is left beside the samples but what the notebook was told to write elsewhere.
    assert list(folder.iterdir()) == []


@named
def test_is_committed_as_it_ran(file: Path) -> None:
    notebook = nbformat.read(file, as_version=4)
    nbformat.validate(notebook)
    cells = code_of(notebook)
    assert [cell.execution_count for cell in cells] == list(range(1, len(cells) + 1)), "run out of order"
    outputs = [out for cell in cells for out in cell.outputs]
    assert outputs
    assert not [out for out in outputs if out.output_type == "error" or out.get("name") == "stderr"]
    assert [out for out in outputs if "image/png" in out.get("data", {})], "a tutorial without a picture"
    assert all(not cell.outputs for cell in cells if LARGE in cell.metadata.get("tags", []))


@named
def test_is_small_and_names_no_machine(file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    assert len(text.encode()) < MOST_BYTES
    assert not re.search(r"/(tmp|home|root|Users|work|var|opt|usr)/|[A-Z]:\\\\", text)


@named
def test_says_what_may_hurt(file: Path) -> None:
    notebook = nbformat.read(file, as_version=4)
    words = " ".join(cell.source for cell in notebook.cells if cell.cell_type == "markdown").lower()
    assert "never spray" in words
    assert "label" in words
    assert "local rules" in words


@named
def test_pictures_and_links_beside_it_are_there(file: Path) -> None:
    notebook = nbformat.read(file, as_version=4)
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            for target in re.findall(r"\]\(([^)#:]+)\)", cell.source):
                picture = file.parent / target
                assert picture.is_file(), target
                assert picture.stat().st_size < MOST_BYTES
