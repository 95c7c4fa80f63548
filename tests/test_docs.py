"""The examples of README and docs run, in order, as one script a page."""

from __future__ import annotations

import importlib
import re
import shutil
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PAGES = (
    "README.md",
    "docs/tour.md",
    "docs/plan.md",
    "docs/ledger.md",
    "docs/calibration.md",
    "docs/quotes.md",
    "docs/season.md",
)


# A block of Python, and what it prints where the page shows that.
BLOCK = re.compile(r"```python\n(.*?)```(?:\s*```text\n(.*?)```)?", flags=re.DOTALL)


@pytest.mark.parametrize("page", PAGES)
def test_examples_run_and_print_what_the_page_shows(
    page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    blocks = BLOCK.findall(ROOT.joinpath(page).read_text(encoding="utf-8"))
    assert blocks, "a page without examples has nothing to test here"
    shutil.copytree(ROOT / "sample_sites", tmp_path / "sample_sites")
    monkeypatch.chdir(tmp_path)
    space: dict[str, object] = {"__name__": "example"}
    for number, (block, shown) in enumerate(blocks, 1):
        capsys.readouterr()
        exec(compile(block, f"{page} example {number}", "exec"), space)  # noqa: S102
        if shown:
            assert capsys.readouterr().out.strip() == shown.strip()


def test_every_page_with_examples_is_run() -> None:
    with_code = {
        str(file.relative_to(ROOT))
        for file in (ROOT / "README.md", *ROOT.joinpath("docs").glob("*.md"))
        if "```python" in file.read_text(encoding="utf-8")
    }
    assert with_code == set(PAGES)


def test_links_of_the_readme_lead_somewhere() -> None:
    text = ROOT.joinpath("README.md").read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        assert ROOT.joinpath(target).exists(), target


def toml_blocks() -> dict[str, str]:
    """TOML of the page on files, by the heading that it stands under."""
    text = ROOT.joinpath("docs/files.md").read_text(encoding="utf-8")
    return {
        part.splitlines()[0]: block
        for part in text.split("\n## ")[1:]
        for block in re.findall(r"```toml\n(.*?)```", part, flags=re.DOTALL)
    }


def test_files_in_the_docs_read_and_mean_what_they_say(tmp_path: Path) -> None:
    import weedzone as wz

    for heading, block in toml_blocks().items():
        tmp_path.joinpath(f"{heading}.toml").write_text(block, encoding="utf-8")
    tmp_path.joinpath("shoreland.geojson").write_text(
        '{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {}, "geometry": {"type": '
        '"Polygon", "coordinates": [[[-96.8, 38.4], [-96.7, 38.4], [-96.7, 38.5], [-96.8, 38.4]]]}}]}',
        encoding="utf-8",
    )
    label = wz.read_labels(tmp_path / "Label.toml")["Demo Amine 38"]
    assert label.rate("spot") is not None
    assert label.buffer_m("pond", "broadcast") == pytest.approx(50 * 0.3048)
    rig = wz.read_rig(tmp_path / "Rig.toml", "backpack")
    assert rig.load_L == pytest.approx((3.5 - 0.1) * 3.785411784)
    assert rig.extras[0].name == "defoamer"
    spreader = wz.read_rig(tmp_path / "Rig.toml", "spreader")
    assert spreader.rate_kg_per_m2 == pytest.approx(3.2 * 0.45359237 / 92.90304)
    policy = wz.read_policy(tmp_path / "Local rules.toml")
    assert policy.buffers.metres("well", "spot") == pytest.approx(100 * 0.3048)
    assert policy.districts[0].name == "shoreland"
    assert policy.weather == {"wind_max": "8 mph"}
    prices = wz.read_prices(tmp_path / "Prices.toml")
    assert (prices.minimum, prices.travel, prices.sites_per_day) == (18, 36, 10)
    assert not prices.noticed, "the page leaves a key of labour out"


@pytest.mark.parametrize(
    ("heading", "tables"),
    [
        ("Label", "label active turf caution rate adjuvant limit limits weather"),
        ("Rig", "rig sprayer spreader extra"),
        ("Local rules", "policy plan district house_weather"),
        ("Prices", ""),
    ],
)
def test_page_names_every_key_that_is_read(heading: str, tables: str) -> None:
    known = tomllib.loads(ROOT.joinpath("weedzone/kit/keys.toml").read_text(encoding="utf-8"))
    keys = {key for table in tables.split() for key in known[table]}
    if not keys:  # the strings that the reader asks its table for
        asked = r'\.(?:si|span|text|texts|choice|flag|whole|table|tables)\(\s*"([a-z_]+)"'
        keys = set(re.findall(asked, ROOT.joinpath("weedzone/kit/prices.py").read_text(encoding="utf-8")))
    assert keys
    text = ROOT.joinpath("docs/files.md").read_text(encoding="utf-8")
    part = next(one for one in text.split("\n## ") if one.startswith(heading))
    missing = {key for key in keys if not re.search(rf"\b{key}\b", part)}
    assert not missing


def test_reference_lists_the_public_face() -> None:
    import weedzone as wz
    from weedzone.base import errors

    text = ROOT.joinpath("docs/reference.md").read_text(encoding="utf-8")
    listed = re.findall(r"::: (\S+)", text)
    # The page of a module lists what the module defines.
    assert "weedzone.base.errors" in listed
    assert {name for name in wz.__all__ if f"weedzone.{name}" not in listed} <= set(vars(errors))


def test_docstrings_and_docs_name_only_what_there_is() -> None:
    pages = [*ROOT.glob("weedzone/**/*.py"), *ROOT.glob("docs/*.md"), ROOT / "README.md"]
    lost = []
    for page in pages:
        for name in re.findall(r"`(weedzone(?:\.\w+)+)`", page.read_text(encoding="utf-8")):
            parts = name.split(".")
            place = importlib.import_module("weedzone")
            for at, part in enumerate(parts[1:], 1):
                if not hasattr(place, part):
                    try:
                        importlib.import_module(".".join(parts[: at + 1]))
                    except ImportError:
                        lost.append(f"{page.name}: {name}")
                        break
                place = getattr(place, part)
    assert lost == []


def test_every_room_that_contributors_are_sent_to_is_there() -> None:
    text = ROOT.joinpath("DEVELOPERS.md").read_text(encoding="utf-8")
    rooms = set(re.findall(r"`((?:[a-z_]+/)*[a-z_]+\.py)`", text))
    assert len(rooms) > 25
    assert not [
        room
        for room in sorted(rooms)
        if not any((base / room).exists() for base in (ROOT / "weedzone", ROOT))
    ]
