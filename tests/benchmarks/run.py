"""Time weedzone against other ways of finding the same ground, in one run, and print ratios.

    python tests/benchmarks/run.py                    # 100 and 1,000 sites, every way that is installed
    python tests/benchmarks/run.py 1000 10000 --png docs/images/benchmark.png

Times alternate between the ways, so that a busy machine slows all alike; what is printed are medians and ratios.
Areas must agree to 1e-6 of each other, or the run fails. PostGIS is started on a socket in a scratch folder where
Debian's postgresql-15-postgis-3 and the package psycopg are installed, and stopped again.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
import peers
from surveys import Drawn, draw, label_texts

import weedzone as wz
from weedzone.dosing import plans
from weedzone.limits import Application  # noqa: F401 - loaded before the clock starts
from weedzone.sizing import size

SLOW_FROM = 3000  # sites above which the slowest ways are timed once only


def labels_and_rig() -> tuple[dict[str, wz.Label], Any]:
    folder = Path(tempfile.mkdtemp())
    for name, text in label_texts().items():
        folder.joinpath(name).write_text(text, encoding="utf-8")
    return wz.read_labels(folder), wz.Sprayer(name="bench", tank_L=15.0)


def whole_job(drawn: Drawn, labels: Any, rig: Any) -> Any:
    """Survey to loads, tables included."""
    survey = wz.Survey(turf=drawn.turf, infestations=drawn.infestations, keep_out=drawn.keep_out)
    return size(survey, labels, rig, on="2026-05-01")


def zones_and_ledger(survey: wz.Survey, labels: Any, rig: Any, threads: int = 1) -> Any:
    """Zones and ledger of a survey that is read: what the other ways are timed on, and more."""
    import datetime as dt

    from weedzone.allotting import Rules
    from weedzone.shares import zone_sites
    from weedzone.sizing import _reach

    planned, _ = plans(labels, "spot", rig, set())
    reach, _ = _reach(survey, planned, "spot", None, None, None)
    share = np.array([plan.volume / rig.load_L for plan in planned.values()])
    day = dt.date(2026, 5, 1)
    return zone_sites(survey, planned, labels, reach, day, share, Rules(), threads)[0], planned


def areas_of(zoned: Any, planned: Any, sites: Any) -> pd.Series:
    import shapely

    area = shapely.area(zoned.parts.geoms)
    found = {}
    for p, name in enumerate(planned):
        sums = np.bincount(zoned.parts.site, area * zoned.can[:, p], len(sites))
        found[name] = pd.Series(sums, index=pd.Index(sites, name="site"))
    table = pd.concat(found, names=["product", "site"]).rename("area")
    return table[table > 0]


def agree(name: str, found: pd.Series, truth: pd.Series) -> float:
    both = pd.concat([found, truth], axis=1, keys=["found", "truth"]).fillna(0.0)
    gap = float((both["found"] - both["truth"]).abs().sum() / both["truth"].sum())
    worst = (both["found"] - both["truth"]).abs() / both["truth"].clip(lower=1.0)
    if gap > 1e-6:
        raise SystemExit(
            f"{name} disagrees by {gap:.2e} in all; worst {worst.idxmax()}: {both.loc[worst.idxmax()].to_dict()}"
        )
    return gap


def in_processes(folder: Path, drawn: Drawn, workers: int, labels: Any, rig: Any) -> float:
    """Seconds of a portfolio: streamed from GeoParquet, sized, written; scratch files made before."""
    source = folder / "source"
    if not source.is_dir():
        source.mkdir()
        for name in ("turf", "infestations", "keep_out"):
            getattr(drawn, name).to_parquet(source / f"{name}.parquet")
    out = Path(tempfile.mkdtemp(dir=folder))
    begun = time.perf_counter()
    wz.size_portfolio(source, labels, rig, out=out, workers=workers, on="2026-05-01", progress=False)
    return time.perf_counter() - begun


def time_ways(n: int, repeats: int, slow: bool) -> dict[str, float]:
    drawn = draw(n)
    labels, rig = labels_and_rig()
    survey = wz.Survey(turf=drawn.turf, infestations=drawn.infestations, keep_out=drawn.keep_out)
    zoned, planned = zones_and_ledger(survey, labels, rig)
    truth = areas_of(zoned, planned, survey.local.sites)
    ways: dict[str, Callable[[], Any]] = {"weedzone": lambda: zones_and_ledger(survey, labels, rig)}
    checked: dict[str, Callable[[], pd.Series]] = {}
    if slow:
        checked["geopandas, whole tables"] = lambda: peers.geopandas_whole(drawn)
        if n <= SLOW_FROM:
            checked["geopandas, site by site"] = lambda: peers.geopandas_by_site(drawn)
    sedona = peers.sedona(drawn)
    if sedona is not None:
        checked["SedonaDB"] = sedona
    else:
        print("SedonaDB is not installed: left out")
    database = None
    if peers.POSTGIS_BIN.is_dir():
        database = peers.PostGIS()
        database.load(drawn)
        checked["PostGIS"] = database.areas
    else:
        print("PostGIS is not installed: left out")
    times: dict[str, list[float]] = {name: [] for name in [*ways, *checked, "floor"]}
    floors = []
    try:
        for turn in range(repeats):
            for name, way in ways.items():
                begun = time.perf_counter()
                way()
                times[name].append(time.perf_counter() - begun)
            for name, way in checked.items():
                if turn and n > SLOW_FROM and name.startswith("geopandas"):
                    continue
                begun = time.perf_counter()
                found = way()
                times[name].append(time.perf_counter() - begun)
                print(
                    f"  {name}: {times[name][-1]:.2f} s, areas agree to {agree(name, found, truth):.1e}",
                    flush=True,
                )
            begun = time.perf_counter()
            found, spent = peers.floor(drawn)
            floors.append(spent)
            agree("floor", found, truth)
    finally:
        if database is not None:
            database.close()
    result = {name: median(found) for name, found in times.items() if found and name != "floor"}
    result["floor"] = median(floors)
    result["whole job"] = median(
        _timed(lambda: size(survey, labels, rig, on="2026-05-01")) for _ in range(repeats)
    )
    result["reading"] = median(
        _timed(lambda: wz.Survey(turf=drawn.turf, infestations=drawn.infestations, keep_out=drawn.keep_out))
        for _ in range(repeats)
    )
    return result


def _timed(call: Callable[[], Any]) -> float:
    begun = time.perf_counter()
    call()
    return time.perf_counter() - begun


def report(n: int, result: dict[str, float]) -> None:
    mine = result["weedzone"]
    print(f"\n{n:,} sites; weedzone {1e3 * mine / n:.2f} ms a site")
    for name, seconds in sorted(result.items(), key=lambda pair: -pair[1]):
        print(f"  {name:26s} {1e3 * seconds / n:9.3f} ms a site {seconds / mine:8.2f} x weedzone")


def peak_memory(n: int) -> float:
    """GiB at the peak of a streamed portfolio, in a process of its own."""
    code = (
        "import sys, tempfile, resource; sys.path.insert(0, sys.argv[1]); from pathlib import Path\n"
        "from run import in_processes, labels_and_rig\n"
        "import weedzone as wz\n"
        "labels, rig = labels_and_rig()\n"
        "wz.size_portfolio(sys.argv[2], labels, rig, out=tempfile.mkdtemp(dir=sys.argv[3]), on='2026-05-01')\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20)\n"
    )
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "source"
        source.mkdir()
        drawn = draw(n)
        for name in ("turf", "infestations", "keep_out"):
            getattr(drawn, name).to_parquet(source / f"{name}.parquet")
        del drawn
        arguments = [sys.executable, "-c", code, str(Path(__file__).parent), str(source), folder]
        done = subprocess.run(arguments, capture_output=True, text=True, check=True)
    return float(done.stdout.split()[-1])


def draw_figure(results: dict[int, dict[str, float]], file: Path) -> None:
    from matplotlib.figure import Figure

    names = sorted({name for one in results.values() for name in one} - {"whole job", "reading"})
    figure = Figure(figsize=(7.0, 4.2), layout="constrained")
    axes = figure.add_subplot()
    marks = dict(zip(names, "osD^vPX*", strict=False))
    for name in names:
        points = [(n, 1e3 * one[name] / n) for n, one in sorted(results.items()) if name in one]
        axes.plot(
            *zip(*points, strict=True),
            marker=marks[name],
            label=name,
            linewidth=2.4 if name == "weedzone" else 1.2,
        )
    axes.set(xscale="log", yscale="log", xlabel="sites", ylabel="milliseconds a site")
    axes.grid(alpha=0.3)
    axes.legend(frameon=False, fontsize=8)
    figure.savefig(file, dpi=120)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("sites", type=int, nargs="*", default=[100, 1000])
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--quick", action="store_true", help="without the geopandas ways")
    parser.add_argument(
        "--workers", action="store_true", help="time portfolios with one process and with all"
    )
    parser.add_argument("--memory", action="store_true", help="peak memory of streamed portfolios")
    parser.add_argument("--png", type=Path)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    results = {}
    for n in options.sites:
        results[n] = time_ways(n, options.repeats, not options.quick)
        report(n, results[n])
        if options.workers:
            labels, rig = labels_and_rig()
            with tempfile.TemporaryDirectory() as folder:
                drawn = draw(n)
                count = os.cpu_count() or 1
                times = {w: in_processes(Path(folder), drawn, w, labels, rig) for w in (1, count)}
            results[n] |= {f"portfolio, {w} process(es)": seconds for w, seconds in times.items()}
            print(
                f"  portfolio with {count} processes: {times[1] / times[count]:.2f} times as fast as with one"
            )
        if options.memory:
            print(f"  peak memory of the portfolio: {peak_memory(n):.2f} GiB")
    if len(results) > 1:
        sizes = sorted(results)
        slope = np.polyfit(np.log(sizes), np.log([results[n]["weedzone"] for n in sizes]), 1)[0]
        print(f"\ngrowth exponent of weedzone over {sizes[0]:,} to {sizes[-1]:,} sites: {slope:.3f}")
    print(
        f"peak memory of this process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20:.2f} GiB"
    )
    if options.png:
        draw_figure(results, options.png)
    if options.json:
        options.json.write_text(
            json.dumps({str(n): one for n, one in results.items()}, indent=1), encoding="utf-8"
        )


if __name__ == "__main__":
    main()
