"""The interactive map: its layers and figures, one file without a network, hostile names."""

from __future__ import annotations

import html
import re
import subprocess
import sys
from pathlib import Path

import hostile
import numpy as np
import pytest
from bokeh.models import HoverTool, Legend, ScaleBar
from bokeh.models.glyphs import MultiPolygons
from strategies import sample

import weedzone as wz

FOOT_M = 0.3048  # international foot, exact: NIST Special Publication 811 (2008), appendix B


@pytest.fixture(scope="module")
def lawn() -> wz.Job:
    return sample("alder_court")


def key_of(page: object) -> dict[str, list[object]]:
    legend = page.figure.select_one(Legend)  # type: ignore[attr-defined]
    assert legend.click_policy == "hide"
    return {item.label.value: item.renderers for item in legend.items}


def area_ft2(renderer: object) -> float:
    """Area of all polygons of a layer by the shoelace formula."""
    data = renderer.data_source.data  # type: ignore[attr-defined]
    total = 0.0
    for xs, ys in zip(data["xs"], data["ys"], strict=True):
        for rings_x, rings_y in zip(xs, ys, strict=True):
            for number, (x, y) in enumerate(zip(rings_x, rings_y, strict=True)):
                size = abs(float(np.sum(np.array(x) * np.roll(y, -1) - np.roll(x, -1) * np.array(y)))) / 2.0
                total += size if number == 0 else -size
    return total


def test_every_layer_has_an_entry_that_switches_it(lawn: wz.Job) -> None:
    key = key_of(lawn.explore())
    products = set(lawn.zones["product"])
    assert products <= set(key)
    left = set(lawn.ledger["outcome"]) - {"treated"}
    assert {f"left: {one}" for one in left} <= set(key)
    assert {f"buffer: {one}" for one in products} <= set(key)
    assert {f"turf: {one}" for one in lawn.survey.turf["turf"]} <= set(key)
    assert {"keep-out features", "boundary", "names"} <= set(key)
    assert all(key.values())


@pytest.mark.slow
def test_zones_drawn_have_the_areas_of_the_table(lawn: wz.Job) -> None:
    key = key_of(lawn.explore())
    for product, rows in lawn.zones.groupby("product"):
        # Corners are kept to a hundredth of a foot, in feet.
        assert area_ft2(key[product][0]) == pytest.approx(rows["area_m2"].sum() / FOOT_M**2, rel=2e-3)


def test_hover_tells_the_figures_of_the_zone(lawn: wz.Job) -> None:
    page = lawn.explore()
    tools = {id(one): tool for tool in page.figure.select(HoverTool) for one in tool.renderers}
    for product, rows in lawn.zones.groupby("product"):
        renderer = key_of(page)[product][0]
        data = renderer.data_source.data
        assert list(data["zone"]) == list(rows["zone"])
        assert list(data["turf"]) == list(rows["turf"])
        assert [float(one.split()[0].replace(",", "")) for one in data["area"]] == pytest.approx(
            list(rows["area_ft2"]), rel=0.06
        )
        columns = [field for _, field in tools[id(renderer)].tooltips]
        assert {"@zone", "@product", "@area", "@tanks", "@amount", "@dose", "@caution"} <= set(columns)
        assert all(field[1:] in data for field in columns)


def test_scale_bars_are_in_feet_and_metres(lawn: wz.Job) -> None:
    bars = list(lawn.explore().figure.select(ScaleBar))
    assert len(bars) == 2
    assert {bar.unit for bar in bars} == {"ft"}
    sizes = [{name: size for name, (size, *_) in bar.dimensional.basis.items()} for bar in bars]
    assert {"ft": 1.0, "mi": 5280.0} in sizes
    metric = next(one for one in sizes if "m" in one)
    assert metric["ft"] == pytest.approx(FOOT_M, rel=1e-12)
    assert metric["km"] == 1000 * metric["m"] == 1000


def test_saved_page_is_the_page_and_asks_for_nothing(lawn: wz.Job, tmp_path: Path) -> None:
    target = tmp_path / "new" / "map.html"
    page = lawn.explore(target)
    assert page.path == target
    assert target.read_text(encoding="utf-8") == page.html
    assert [one.name for one in target.parent.iterdir()] == ["map.html"]
    assert not re.findall(r"<(?:script|link|img|iframe)[^>]*\s(?:src|href)=", page.html)
    assert 'content="width=device-width' in page.html
    [policy] = re.findall(r'<meta http-equiv="Content-Security-Policy" content="([^"]*)">', page.html)
    assert policy.startswith("default-src 'none';")  # so that no script may ask another host for anything
    assert not re.search(r"https?:|//|\*|'self'|connect-src", policy)
    assert not re.search(r"https?://(?!www\.w3\.org/)", page.html)
    assert page.html.index("Content-Security-Policy") < page.html.index("<script")
    assert "Follow the product label" in page.html
    lawn.explore(target, title="again")
    assert "<title>again</title>" in target.read_text(encoding="utf-8")


def test_a_folder_is_no_file(lawn: wz.Job, tmp_path: Path) -> None:
    with pytest.raises(wz.InputError, match="folder, not a file"):
        lawn.explore(tmp_path)
    (tmp_path / "taken").write_text("", encoding="utf-8")
    with pytest.raises(wz.InputError):
        lawn.explore(tmp_path / "taken" / "map.html")


def test_a_notebook_shows_the_whole_page_in_a_frame(lawn: wz.Job) -> None:
    page = lawn.explore()
    shown = page._repr_html_()
    inner = re.fullmatch(r'<iframe srcdoc="([^"]*)" style="[^"]*" title="Zone map"></iframe>', shown)
    assert inner is not None
    assert html.unescape(inner[1]) == page.html
    assert "<!DOCTYPE" not in repr(page)


def test_options_are_checked(lawn: wz.Job) -> None:
    with pytest.raises(wz.InputError, match="no site 'Alder Cort'; did you mean 'Alder Court'"):
        lawn.explore(site="Alder Cort")
    with pytest.raises(wz.InputError, match='write "us" or "metric"'):
        lawn.explore(system="si")


def test_metric_figures(lawn: wz.Job) -> None:
    key = key_of(lawn.explore(system="metric"))
    assert all(
        one.endswith(" m²")
        for product in set(lawn.zones["product"])
        for one in key[product][0].data_source.data["area"]
    )


def test_hostile_names_never_become_markup_or_formulas(tmp_path: Path) -> None:
    page = hostile.job(tmp_path).explore()
    assert "<script>alert" not in page.html
    assert "<img src=x" not in page.html
    assert "\u202e" not in page.html
    assert "long " * 40 not in page.html
    texts = list(key_of(page))
    for renderer in page.figure.renderers:
        texts += [str(one) for one in renderer.data_source.data.get("text", [])]
    assert texts
    assert not any(mark in text for text in texts for mark in ("$$", r"\(", r"\["))
    assert len(list(page.figure.select(MultiPolygons))) > 3


def test_a_name_written_as_a_formula_stays_as_written(lawn: wz.Job, tmp_path: Path) -> None:
    # What the library's documentation gives as marks of LaTeX in a text.
    name = r"$$\frac12$$ \(a\) \[b\]"
    page = hostile.job(tmp_path, (name, "plain")).explore()
    drawn = [one for one in page.figure.renderers if "text" in one.data_source.data]
    texts = [str(text) for one in drawn for text in one.data_source.data["text"]]
    assert [text.replace("\u2060", "") for text in texts] == [name, "plain"]
    assert not any(mark in text for text in texts for mark in ("$$", r"\(", r"\["))


def test_without_the_library_one_line_says_how_to_get_it() -> None:
    code = """
import importlib.util, sys
from weedzone.base.errors import WeedzoneError
from weedzone.maps import views
assert not any(name.partition(".")[0] == "bokeh" for name in sys.modules), "loaded with the module"
views.find_spec = lambda name: None
try:
    views.explore(None)
except WeedzoneError as error:
    print(error)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "bokeh" in done.stdout
    assert 'pip install "weedzone[explore]"' in done.stdout


def test_labels_of_zones_keep_off_one_another(lawn: wz.Job) -> None:
    page = lawn.explore()
    [names] = [one for one in page.figure.renderers if "text" in one.data_source.data]
    data = names.data_source.data
    assert set(data["text"]) <= set(lawn.patches["patch"])
    large = lawn.patches.nlargest(8, "area_ft2")["patch"]  # a small one among many may have no room
    assert set(large) <= set(data["text"])
    # Two letters of 12 px with their white ground are about 16 px wide and 14 high; the map opens 700 by 500 px.
    boundary = lawn.survey.boundary
    bounds = boundary.to_crs(boundary.estimate_utm_crs()).total_bounds
    size = max((bounds[2] - bounds[0]) / 700.0, (bounds[3] - bounds[1]) / 500.0) / FOOT_M
    at = np.column_stack([data["x"], data["y"]]) / size
    for one in range(len(at)):
        for other in range(one):
            across, up = abs(at[one] - at[other])
            assert across > 16.0 or up > 14.0, (data["text"][one], data["text"][other])
