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


def main() -> None:
    """Draw every picture."""
    survey = wz.read_survey(SAMPLES / "alder_court" / "survey.gpkg")
    labels = wz.read_labels(SAMPLES / "labels")
    rig = wz.read_rig(SAMPLES / "rigs.toml", "backpack")
    job = wz.size_job(survey, labels, rig, use="spot", on="2026-05-20")
    for path in (save(job.plot().figure, "zone_map.png"),):
        print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
