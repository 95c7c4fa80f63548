"""The examples of README and docs run, in order, as one script a page."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PAGES = ("README.md", "docs/tour.md")


@pytest.mark.parametrize("page", PAGES)
def test_examples_run(page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = ROOT.joinpath(page).read_text(encoding="utf-8")
    blocks = re.findall(r"```python\n(.*?)```", text, flags=re.DOTALL)
    assert blocks, "a page without examples has nothing to test here"
    shutil.copytree(ROOT / "sample_sites", tmp_path / "sample_sites")
    monkeypatch.chdir(tmp_path)
    space: dict[str, object] = {"__name__": "example"}
    for number, block in enumerate(blocks, 1):
        exec(compile(block, f"{page} example {number}", "exec"), space)  # noqa: S102


def test_links_of_the_readme_lead_somewhere() -> None:
    text = ROOT.joinpath("README.md").read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        assert ROOT.joinpath(target).exists(), target


def test_label_in_the_docs_reads_and_plans(tmp_path: Path) -> None:
    import weedzone as wz

    text = ROOT.joinpath("docs/files.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```toml\n(.*?)```", text, flags=re.DOTALL)
    tmp_path.joinpath("label.toml").write_text(blocks[0], encoding="utf-8")
    tmp_path.joinpath("rig.toml").write_text(blocks[1], encoding="utf-8")
    label = wz.read_labels(tmp_path / "label.toml")["Demo Amine 38"]
    assert label.rate("spot") is not None
    assert label.buffer_m("pond", "broadcast") == pytest.approx(50 * 0.3048)
    rig = wz.read_rig(tmp_path / "rig.toml", "backpack")
    assert rig.load_L == pytest.approx((3.5 - 0.1) * 3.785411784)
