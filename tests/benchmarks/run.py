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
from weedzone.sizing import Asked, size
from weedzone.zones.dose import plans

SLOW_FROM = 3000  # sites above which geopandas is timed once only, and not site by site
ALL, ONE = "weedzone, all processors", "weedzone, one thread"


def labels_and_rig() -> tuple[dict[str, wz.Label], Any]:
    folder = Path(tempfile.mkdtemp())
    for name, text in label_texts().items():
        folder.joinpath(name).write_text(text, encoding="utf-8")
    return wz.read_labels(folder), wz.Sprayer(name="bench", tank_L=15.0)


def whole_job(drawn: Drawn, labels: Any, rig: Any) -> Any:
    """Survey to loads, tables included."""
    survey = wz.Survey(turf=drawn.turf, infestations=drawn.infestations, keep_out=drawn.keep_out)
    return size(survey, labels, rig, Asked(on="2026-05-01"))


def zones_and_ledger(survey: wz.Survey, labels: Any, rig: Any, threads: int | None = 1) -> Any:
    """Zones and ledger of a survey that is read: what the other ways are timed on, and more."""
    import datetime as dt

    from weedzone.sizing.batches import zone_sites
    from weedzone.sizing.run import _reach
    from weedzone.zones.assign import Means, Rules
    from weedzone.zones.zones import zone_ground

    planned, _ = plans(labels, "spot", rig, set())
    reach, _, _ = _reach(survey, planned, Asked())
    means = Means(planned, labels, dt.date(2026, 5, 1), Rules())
    return zone_sites(survey, reach, lambda part, near: zone_ground(part, near, means), threads)[0], planned


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


def time_ways(n: int, repeats: int, slow: bool) -> dict[str, float]:
    drawn = draw(n)
    labels, rig = labels_and_rig()
    survey = wz.Survey(turf=drawn.turf, infestations=drawn.infestations, keep_out=drawn.keep_out)
    zoned, planned = zones_and_ledger(survey, labels, rig)
    truth = areas_of(zoned, planned, survey.local.sites)
    ways: dict[str, Callable[[], Any]] = {
        ALL: lambda: zones_and_ledger(survey, labels, rig, None),
        ONE: lambda: zones_and_ledger(survey, labels, rig, 1),
    }
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
        _timed(lambda: size(survey, labels, rig, Asked(on="2026-05-01"))) for _ in range(repeats)
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
    print(f"\n{n:,} sites; {os.cpu_count()} processors")
    for name, seconds in sorted(result.items(), key=lambda pair: -pair[1]):
        ratios = f"{seconds / result[ALL]:8.2f} x {ALL} {seconds / result[ONE]:8.2f} x {ONE}"
        print(f"  {name:28s} {1e3 * seconds / n:9.3f} ms a site {ratios}")


def lawns(count: int = 30) -> None:
    """One home lawn at a time: zones and ledger, and the whole job, against geopandas and the bare engine calls."""
    labels, rig = labels_and_rig()
    rows = []
    for seed in range(count):
        drawn = draw(1, seed)
        survey = wz.Survey(turf=drawn.turf, infestations=drawn.infestations, keep_out=drawn.keep_out)
        rows.append(
            [
                min(_timed(lambda: zones_and_ledger(survey, labels, rig, None)) for _ in range(3)),  # noqa: B023
                min(_timed(lambda: whole_job(drawn, labels, rig)) for _ in range(3)),  # noqa: B023
                min(_timed(lambda: peers.geopandas_by_site(drawn)) for _ in range(3)),  # noqa: B023
                min(peers.floor(drawn)[1] for _ in range(3)),
            ]
        )
    zones, whole, other, bare = np.median(np.array(rows[1:]), axis=0)  # the first loads modules
    print(f"\none lawn: zones and ledger {1e3 * zones:.1f} ms, survey to loads {1e3 * whole:.1f} ms")
    print(
        f"  zones and ledger: {zones / other:.2f} of geopandas, {zones / bare:.1f} times the bare engine calls"
    )
    print(
        f"  survey to loads:  {whole / other:.2f} of geopandas, {whole / bare:.1f} times the bare engine calls"
    )


def portfolio(n: int, workers: int) -> tuple[float, float]:
    """Seconds of a streamed portfolio, and GiB at its peak over all of its processes."""
    code = (
        "import sys; sys.path.insert(0, sys.argv[1])\n"
        "from run import labels_and_rig\n"
        "import weedzone as wz\n"
        "if __name__ == '__main__':\n"
        "    labels, rig = labels_and_rig()\n"
        "    wz.size_portfolio(sys.argv[2], labels, rig, out=sys.argv[3], on='2026-05-01', progress=False,\n"
        "                      workers=int(sys.argv[4]))\n"
    )
    with tempfile.TemporaryDirectory() as folder:
        script, source = Path(folder) / "sized.py", Path(folder) / "source"
        script.write_text(code, encoding="utf-8")
        source.mkdir()
        drawn = draw(n)
        for name in ("turf", "infestations", "keep_out"):
            getattr(drawn, name).to_parquet(source / f"{name}.parquet")
        del drawn
        begun, peak = time.perf_counter(), 0.0
        arguments = [Path(__file__).parent, source, Path(folder) / "out", workers]
        with subprocess.Popen([sys.executable, str(script), *map(str, arguments)]) as running:
            while running.poll() is None:
                peak = max(peak, _resident(running.pid))
                time.sleep(0.5)
        if running.returncode:
            raise SystemExit(f"the portfolio of {n} sites failed")
        return time.perf_counter() - begun, peak


def _resident(pid: int) -> float:
    """GiB of a process and all that it has started, shared pages counted once (Linux)."""
    total, todo = 0.0, [pid]
    while todo:
        one = todo.pop()
        try:
            for line in Path(f"/proc/{one}/smaps_rollup").read_text().splitlines():
                if line.startswith("Pss:"):
                    total += int(line.split()[1]) / 2**20
            todo += map(int, Path(f"/proc/{one}/task/{one}/children").read_text().split())
        except (OSError, ValueError):  # it has ended meanwhile
            continue
    return total


def draw_figure(results: dict[int, dict[str, float]], file: Path) -> None:
    from matplotlib.figure import Figure

    last = results[max(results)]
    names = {name for one in results.values() for name in one} - {"whole job", "reading"}
    slowest_first = sorted(names, key=lambda name: -last.get(name, np.inf))
    figure = Figure(figsize=(7.0, 4.2), layout="constrained")
    axes = figure.add_subplot()
    for name, mark in zip(slowest_first, "osD^vPX*", strict=False):
        points = [(n, 1e3 * one[name] / n) for n, one in sorted(results.items()) if name in one]
        width = 2.4 if name == ALL else 1.2
        axes.plot(*zip(*points, strict=True), marker=mark, label=name, linewidth=width)
    axes.set(xscale="log", yscale="log", xlabel="sites", ylabel="milliseconds a site")
    axes.set_xticks(sorted(results), [f"{n:,}" for n in sorted(results)])
    axes.set_yticks([2, 5, 10, 20, 50, 100], ["2", "5", "10", "20", "50", "100"])
    axes.minorticks_off()
    axes.grid(alpha=0.3)
    axes.legend(frameon=False, fontsize=8, loc="center left", bbox_to_anchor=(1.0, 0.5))
    figure.savefig(file, dpi=120)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("sites", type=int, nargs="*", default=[100, 1000])
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--quick", action="store_true", help="without the geopandas ways")
    parser.add_argument("--lawns", action="store_true", help="single home lawns as well")
    parser.add_argument(
        "--portfolio", type=int, nargs="*", default=[], help="sites of streamed portfolios: time and memory"
    )
    parser.add_argument("--png", type=Path)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    results = {}
    for n in options.sites:
        results[n] = time_ways(n, options.repeats, not options.quick)
        report(n, results[n])
    if options.lawns:
        lawns()
    times = {}
    for n in options.portfolio:
        for workers in (1, os.cpu_count() or 1):
            times[n, workers], peak = portfolio(n, workers)
            print(
                f"portfolio of {n:,} sites, {workers} process(es): {1e3 * times[n, workers] / n:.2f} ms a site, "
                f"{peak:.2f} GiB at the peak",
                flush=True,
            )
    if len(results) > 1:
        sizes = sorted(results)
        slope = np.polyfit(np.log(sizes), np.log([results[n][ALL] for n in sizes]), 1)[0]
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
