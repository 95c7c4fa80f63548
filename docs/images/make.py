"""Draw the pictures of the documentation again: `python docs/images/make.py`."""

from __future__ import annotations

import io
from pathlib import Path

import matplotlib as mpl

mpl.use("agg")

from matplotlib import pyplot as plt
from PIL import Image

import weedzone as wz

HERE = Path(__file__).parent
SAMPLES = HERE.parents[1] / "sample_sites"
DPI = 130


def save(figure: plt.Figure, name: str) -> Path:
    """Save a figure as a PNG of at most 256 colours, rare ones kept: a third of the size, no loss to the eye."""
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=DPI, facecolor="white")
    plt.close(figure)
    whole = Image.open(out).convert("RGB")
    picture = whole.quantize(256, method=Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE)
    picture.save(HERE / name, optimize=True)
    return HERE / name


def before_and_after(most: wz.Job, plan: wz.Job) -> plt.Figure:
    """As much ground as labels allow beside what is planned: the same lawn twice, a tint for each product."""
    names = sorted({*most.zones["product"], *plan.zones["product"]})
    tints = dict(zip(names, ("#4477aa", "#ee9944", "#66aa55", "#aa5588"), strict=False))
    figure, axes = plt.subplots(1, 2, figsize=(10.5, 5.4), sharex=True, sharey=True, layout="constrained")
    flat = plan.zones.estimate_utm_crs()
    for ax, job, head in zip(axes, (most, plan), ("As much as labels allow", "Planned"), strict=True):
        job.survey.turf.to_crs(flat).plot(ax=ax, color="#f1f4ea", edgecolor="#c5ccb8", linewidth=0.5)
        job.survey.keep_out.to_crs(flat).plot(ax=ax, color="#bbbbbb", markersize=14)
        for name, zones in job.zones.to_crs(flat).groupby("product"):
            zones.dissolve().plot(ax=ax, color=tints[name], edgecolor="#222222", linewidth=0.6)
        products, ground = job.zones["product"].nunique(), job.zones["area_ft2"].sum()
        pieces = len(job.zones.dissolve("product").explode())
        mixes = f"{products} mix{'es' * (products != 1)}"
        ax.set_title(f"{head}: {mixes}, {pieces} pieces, {ground:,.0f} sq ft", fontsize=11)
        ax.set_axis_off()
    handles = [plt.Rectangle((0, 0), 1, 1, color=tints[name]) for name in names]
    handles.append(plt.Rectangle((0, 0), 1, 1, color="#bbbbbb"))
    figure.legend(handles, [*names, "kept out"], loc="outside lower center", ncols=4, frameon=False)
    return figure


def main() -> None:
    """Draw every picture."""
    survey = wz.read_survey(SAMPLES / "alder_court" / "survey.gpkg")
    labels = wz.read_labels(SAMPLES / "labels")
    rig = wz.read_rig(SAMPLES / "rigs.toml", "backpack")
    job = wz.size_job(survey, labels, rig, use="spot", on="2026-05-20")
    most = wz.size_job(
        survey, labels, rig, on="2026-05-20", worth="0 ft2", min_width="0 ft", min_area="0 ft2"
    )
    pictures = {"zone_map.png": job.plot().figure, "plan.png": before_and_after(most, job)}
    for path in (save(figure, name) for name, figure in pictures.items()):
        print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
