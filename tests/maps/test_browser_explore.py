"""The interactive map in a real browser (Chromium, headless, without a network)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import hostile
import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright
from strategies import sample

import weedzone as wz

CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
# Where the first renderer of a kind of glyph, or the text of a name, stands on the screen.
PLACE = """
([word]) => {
  const view = [...Bokeh.index.roots][0];
  const data = view.model.renderers.find((one) => one.glyph.type == "Text").data_source.data;
  const at = [...data.text].indexOf(word);
  const box = view.canvas_view.el.getBoundingClientRect();
  return [box.x + view.frame.x_scale.compute(data.x[at]), box.y + view.frame.y_scale.compute(data.y[at])];
}
"""
READY = "window.Bokeh != null && Bokeh.documents.length == 1 && Bokeh.documents[0].is_idle"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as driver:
        found = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield found
        found.close()


@pytest.fixture(scope="module")
def job() -> wz.Job:
    return sample("alder_court", worth="0 ft2")


@pytest.fixture(scope="module")
def lawn(job: wz.Job, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return job.explore(tmp_path_factory.mktemp("map") / "map.html").path


def largest(job: wz.Job, zone: str) -> str:
    """Code of the largest patch of a zone, the one whose label has the best place."""
    mine = job.patches[job.patches["zone"] == zone]
    return str(mine["patch"].loc[mine["area_ft2"].idxmax()])


def opened(
    browser: Browser, path: Path, width: int, **options: Any
) -> tuple[BrowserContext, Page, list[str]]:
    """A page opened from its file with the network off, and what went wrong on it."""
    context = browser.new_context(offline=True, viewport={"width": width, "height": 740}, **options)
    page, wrong = context.new_page(), []
    page.on("console", lambda said: wrong.append(said.text) if said.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("request", lambda asked: wrong.append(asked.url) if asked.url != path.as_uri() else None)
    page.on("dialog", lambda box: wrong.append(f"dialog {box.message}"))
    page.goto(path.as_uri())
    page.wait_for_function(READY)
    return context, page, wrong


def test_the_pointer_shows_the_figures_of_a_zone(browser: Browser, lawn: Path, job: wz.Job) -> None:
    context, page, wrong = opened(browser, lawn, 1000)
    x, y = page.evaluate(PLACE, [largest(job, "Z2")])
    page.mouse.move(x - 4, y - 4)
    page.mouse.move(x, y)
    values = page.locator(".bk-tooltip-row-value")
    values.first.wait_for()
    zone = job.zones[job.zones["zone"] == "Z2"].iloc[0]
    assert {"Alder Court", "Z2", zone["product"], f"{zone['area_ft2']:,.0f} ft²"} <= set(
        values.all_inner_texts()
    )
    assert not wrong
    context.close()


def test_a_phone_shows_it_all_and_a_tap_tells_the_figures(browser: Browser, lawn: Path, job: wz.Job) -> None:
    context, page, wrong = opened(browser, lawn, 360, has_touch=True)
    assert page.evaluate("document.documentElement.scrollWidth") == 360
    x, y = page.evaluate(PLACE, [largest(job, "Z2")])
    page.touchscreen.tap(x, y)
    page.wait_for_function("document.getElementById('figures').textContent != ''")
    assert "zone: Z2" in page.locator("#figures").inner_text()
    assert not wrong
    context.close()


def test_an_entry_of_the_key_hides_its_layer_and_the_wheel_zooms(
    browser: Browser, lawn: Path, job: wz.Job
) -> None:
    context, page, wrong = opened(browser, lawn, 1000)
    count = "[...Bokeh.index.roots][0].model.renderers.filter((one) => one.visible).length"
    before = page.evaluate(count)
    # The first entry of the key stands at the left, below the frame.
    box = page.evaluate(
        """() => {
          const view = [...Bokeh.index.roots][0], frame = view.frame.bbox;
          const at = view.canvas_view.el.getBoundingClientRect();
          return [at.x + frame.left + 20, at.y + frame.bottom + 24];
        }"""
    )
    page.mouse.click(*box)
    page.wait_for_function(f"{count} == {before - 1}")
    span = "(() => {const r = [...Bokeh.index.roots][0].model.x_range; return r.end - r.start})()"
    wide = page.evaluate(span)
    x, y = page.evaluate(PLACE, [largest(job, "Z1")])
    page.mouse.move(x, y)
    page.mouse.wheel(0, -400)
    page.wait_for_function(f"{span} < {0.9 * wide}")
    assert not wrong
    context.close()


def test_feet_and_metres_stay_equal_on_both_axes(browser: Browser, lawn: Path) -> None:
    for width in (360, 1200):
        context, page, wrong = opened(browser, lawn, width)
        across, up = page.evaluate(
            """() => {
              const frame = [...Bokeh.index.roots][0].frame;
              return [Math.abs(frame.x_scale.compute(1) - frame.x_scale.compute(0)),
                      Math.abs(frame.y_scale.compute(1) - frame.y_scale.compute(0))];
            }"""
        )
        assert across == pytest.approx(up, rel=1e-3)
        assert not wrong
        context.close()


def test_hostile_names_are_text_on_the_page(browser: Browser, tmp_path: Path) -> None:
    path = hostile.job(tmp_path).explore(tmp_path / "map.html").path
    context, page, wrong = opened(browser, path, 1000)
    assert '<script>alert("1")</script>' in page.locator("tbody").inner_text()
    assert page.locator("tbody script, tbody img, #figures img").count() == 0
    word = page.evaluate(
        "[...Bokeh.index.roots][0].model.renderers.find((one) => one.glyph.type == 'Text').data_source.data.text[0]"
    )
    x, y = page.evaluate(PLACE, [word])
    # The zone lies beside the middle of its site.
    for dx, dy in ((-12, 10), (-8, 6), (-16, 14), (-6, 12), (-14, 4), (0, 0)):
        page.mouse.move(x + dx, y + dy)
        page.wait_for_timeout(150)
        if page.locator(".bk-tooltip-row-value").count():
            page.mouse.click(x + dx, y + dy)
            break
    shown = page.locator(".bk-tooltip-row-value").all_inner_texts()
    assert '<script>alert("1")</script>' in shown
    assert page.locator(".bk-tooltip img, .bk-tooltip script").count() == 0
    page.wait_for_function("document.getElementById('figures').textContent != ''")
    assert '<script>alert("1")</script>' in page.locator("#figures").inner_text()
    assert not wrong
    context.close()


def test_a_notebooks_frame_draws_the_map(browser: Browser, tmp_path: Path) -> None:
    job = hostile.job(tmp_path)
    path = tmp_path / "cell.html"
    path.write_text(
        f"<!DOCTYPE html><meta charset=utf-8><body>{job.explore()._repr_html_()}", encoding="utf-8"
    )
    context = browser.new_context(offline=True)
    page, wrong = context.new_page(), []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.goto(path.as_uri())
    inner = page.frames[1]
    inner.wait_for_function(READY)
    assert inner.locator("canvas").count() > 0
    assert not wrong
    context.close()
