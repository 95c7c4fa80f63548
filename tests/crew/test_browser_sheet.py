"""Mix sheets in a real browser: pages in print, width on a phone, silence on the network and the console.

Needs Chromium and pdfinfo (Debian: chromium, poppler-utils); without them these tests fail.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import hostile
import pytest
from strategies import sample

from weedzone.base.files import html_page
from weedzone.crew.sheet_loads import _CAPS, _DENSITY, _density, _lines_of, page

pytestmark = [pytest.mark.browser, pytest.mark.slow]
NASTIEST = (hostile.SITES[0], hostile.SITES[6], hostile.SITES[7])
# The tallest picture that a map may be, so that print gives it all the room it can take.
TALL = (
    "data:image/svg+xml;utf8,<svg xmlns='http://www.w3.org/2000/svg' width='1400' height='1400'>"
    "<rect width='1400' height='1400' fill='silver'/></svg>"
)


def needed(*names: str) -> str:
    found = next(filter(None, map(shutil.which, names)), None)
    assert found, f"install {names[0]}: these tests need it"
    return found


def browse(folder: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """Run headless Chromium with every name on the network unknown to it."""
    common = (
        "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", f"--user-data-dir={folder / 'profile'}",
        "--host-resolver-rules=MAP * ~NOTFOUND", "--enable-logging=stderr", "--v=0",
    )  # fmt: skip
    command = [needed("chromium", "chromium-browser", "google-chrome"), *common, *options]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)


def pages(file: Path, folder: Path, paper: str = "Letter") -> int:
    """Pages that a sheet takes in print; the browser's console must stay silent."""
    sized = folder / "sized.html"
    text = file.read_text(encoding="utf-8").replace("@page { margin", f"@page {{ size: {paper}; margin", 1)
    assert f"size: {paper};" in text
    sized.write_text(text, encoding="utf-8")
    pdf = folder / "sheet.pdf"
    pdf.unlink(missing_ok=True)
    done = browse(folder, "--no-pdf-header-footer", f"--print-to-pdf={pdf}", sized.as_uri())
    assert pdf.exists(), done.stderr
    assert "CONSOLE" not in done.stderr
    info = subprocess.run([needed("pdfinfo"), pdf], capture_output=True, text=True, check=True).stdout
    wide = {"Letter": "(letter)", "A4": "(A4)"}[paper]
    assert wide in re.search(r"Page size:(.*)", info)[1]
    return int(re.search(r"Pages:\s+(\d+)", info)[1])


@pytest.mark.slow
@pytest.mark.parametrize(
    ("site", "rig", "use"),
    [
        ("alder_court", "backpack", "spot"),
        ("heron_flats", "boom", "broadcast"),
        ("heron_flats", "spreader", "granular"),
    ],
)
def test_a_sample_prints_on_two_pages(tmp_path: Path, site: str, rig: str, use: str) -> None:
    [file] = sample(site, rig, use).sheet(tmp_path / "one.html")
    for paper in ("Letter", "A4"):
        assert pages(file, tmp_path, paper) <= 2


def test_the_busiest_lot_prints_on_two_pages(tmp_path: Path) -> None:
    job = sample("quince_bend", "backpack", "spot")
    [file] = job.sheet(tmp_path / "lots", site=job.zones.groupby("site").size().idxmax())
    assert pages(file, tmp_path) <= 2


@pytest.mark.parametrize("n_products", [1, 2, 3, 4, 6, 8])
@pytest.mark.parametrize("busy", [False, True])
def test_crowded_sheets_print_on_two_pages(tmp_path: Path, n_products: int, busy: bool) -> None:
    job = sample("heron_flats", "boom", "broadcast")
    content = page(job, "Heron Flats", job.on)
    for zones, listed in _CAPS:
        content |= crowded(content, n_products, busy, zones, listed)
        if _lines_of(content) <= _DENSITY[-1][1]:
            break
    content["density"] = _density(_lines_of(content))
    file = tmp_path / "crowded.html"
    file.write_text(html_page("sheet.html", **content, map=TALL), encoding="utf-8")
    assert pages(file, tmp_path) <= 2


def crowded(content: dict, n_products: int, busy: bool, zones: int, listed: int) -> dict:
    """The same content with more of everything, as far as the sheet's caps let it grow."""

    def grown(rows: list, size: int) -> list:
        return [rows[at % len(rows)] for at in range(size)]

    products = grown(content["products"], n_products)
    if busy:
        products = [{**one, "loads": grown(one["loads"], 2)} for one in products]
    return {
        "products": products,
        "followup": grown(content["followup"], n_products),
        "zones": {
            **content["zones"],
            "rows": grown(content["zones"]["rows"], zones if busy else min(zones, 8)),
        },
        "kept": {**content["kept"], "rows": grown(content["kept"]["rows"], listed)},
        "left": {**content["left"], "rows": grown(content["left"]["rows"], listed)},
        "warnings": grown(content["warnings"], listed if busy else 3),
        "ppe": grown(content["ppe"], 8 if busy else 5),
        "reentry": grown(content["reentry"], n_products if busy else 1),
    }


@pytest.mark.slow
def test_hostile_names_print_on_two_pages_and_run_nothing(tmp_path: Path) -> None:
    job = hostile.job(tmp_path, NASTIEST)
    for file in job.sheet(tmp_path / "out"):
        if file.name != "index.html":
            assert pages(file, tmp_path) <= 2


def frame(folder: Path, file: Path, width: int) -> str:
    """Lay a page out in a frame of a phone's width and measure it from outside: it runs no script itself."""
    holder = folder / "holder.html"
    holder.write_text(
        f"<iframe src='{file.as_uri()}' style='width:{width}px;height:800px;border:0'></iframe><pre></pre><script>"
        "document.querySelector('iframe').onload = event => {"
        "const page = event.target.contentDocument, root = page.documentElement;"
        "const leaf = e => e.childElementCount == 0 && e.textContent.trim();"
        "const small = [...page.querySelectorAll('body *')].filter(leaf)"
        ".map(e => parseFloat(page.defaultView.getComputedStyle(e).fontSize));"
        "const cell = Math.min(...[...page.querySelectorAll('td')].map(e => e.clientWidth));"
        "document.querySelector('pre').textContent = "
        "`wide=${root.scrollWidth} small=${Math.min(...small)} cell=${cell}`; };"
        "</script>",
        encoding="utf-8",
    )
    done = browse(
        folder, "--allow-file-access-from-files", "--virtual-time-budget=5000", "--dump-dom", holder.as_uri()
    )
    assert "CONSOLE" not in done.stderr
    return done.stdout


@pytest.mark.slow
@pytest.mark.parametrize("which", ["sample", "hostile"])
def test_a_phone_shows_the_sheet_without_sliding_sideways(tmp_path: Path, which: str) -> None:
    job = sample("heron_flats", "boom", "broadcast") if which == "sample" else hostile.job(tmp_path, NASTIEST)
    for file in job.sheet(tmp_path / "out"):
        found = re.search(r"wide=(\d+) small=([\d.]+) cell=(\d+)", frame(tmp_path, file, 360))
        assert found
        assert int(found[1]) <= 360
        assert float(found[2]) >= 12.0  # pixels of the smallest letters
        assert int(found[3]) >= 300  # pixels of the narrowest cell: they stand below one another
