"""The command line: the main job end to end, and bad input refused in one line with exit code 2."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from weedzone.cli import main

ROOT = Path(__file__).parents[1]
SAMPLES = ROOT / "sample_sites"
LAWN = SAMPLES / "alder_court" / "survey.gpkg"
RIG = f"{SAMPLES / 'rigs.toml'}:backpack"
CRS = "EPSG:26915"


def size(*arguments: object) -> int:
    return main(["size", *[str(one) for one in arguments]])


def usual(survey: object = LAWN, labels: object = SAMPLES / "labels", rig: object = RIG) -> list[object]:
    return [survey, "--labels", labels, "--rig", rig, "--on", "2026-05-20"]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A survey as a folder of GeoJSON, so that single files can be spoilt."""
    place = tmp_path / "survey"
    place.mkdir()
    x, y = 500_000, 4_400_000
    layers = {
        "turf": gpd.GeoDataFrame(
            {"turf": ["tall fescue"]}, geometry=[shapely.box(x, y, x + 30, y + 20)], crs=CRS
        ),
        "infestations": gpd.GeoDataFrame(
            {"weed": ["dandelion"]}, geometry=[shapely.box(x + 5, y + 5, x + 15, y + 15)], crs=CRS
        ),
        "keep_out": gpd.GeoDataFrame({"kind": ["pond"]}, geometry=[shapely.Point(x + 25, y + 10)], crs=CRS),
    }
    for name, layer in layers.items():
        layer.to_file(place / f"{name}.geojson", driver="GeoJSON")
    return place


def test_main_job(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    assert size(*usual(), "--out", out) == 0
    said = capsys.readouterr().out
    assert "Demo" in said
    assert "label" in said
    written = {path.name for path in out.rglob("*")}
    assert {"job.gpkg", "zones.csv", "totals.csv", "loads.csv", "ledger.csv"} <= written
    assert any(name.endswith(".png") for name in written)
    zones = gpd.read_file(out / "job.gpkg", layer="zones")
    loads = pd.read_csv(out / "loads.csv")
    totals = pd.read_csv(out / "totals.csv")
    assert loads["solution_gal"].sum() == pytest.approx(totals["solution_gal"].sum())
    assert zones["area_m2"].sum() == pytest.approx(totals["area_m2"].sum())


def test_check_reads_without_sizing(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(folder)]) == 0
    assert "1 site" in capsys.readouterr().out


def test_module_runs(folder: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "weedzone", "check", str(folder)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> None:
    error = capsys.readouterr().err
    assert error.startswith("weedzone: ")
    assert error.count("\n") == 1, "one line"
    assert "Traceback" not in error
    for word in words:
        assert word in error, error


@pytest.mark.parametrize("layer", ["turf", "infestations", "keep_out"])
def test_missing_layer(folder: Path, layer: str, capsys: pytest.CaptureFixture[str]) -> None:
    folder.joinpath(f"{layer}.geojson").unlink()
    assert size(*usual(folder)) == 2
    refused(capsys, layer, "missing")


@pytest.mark.parametrize(
    ("layer", "column"), [("turf", "turf"), ("infestations", "weed"), ("keep_out", "kind")]
)
def test_missing_column(folder: Path, layer: str, column: str, capsys: pytest.CaptureFixture[str]) -> None:
    file = folder / f"{layer}.geojson"
    gpd.read_file(file).rename(columns={column: "other"}).to_file(file, driver="GeoJSON")
    assert size(*usual(folder)) == 2
    refused(capsys, layer, column)


def test_no_crs(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    frame = gpd.read_file(folder / "turf.geojson").to_crs(CRS)
    folder.joinpath("turf.geojson").unlink()
    gpd.GeoDataFrame(frame.drop(columns="geometry"), geometry=frame.geometry.to_numpy()).to_parquet(
        folder / "turf.parquet"
    )
    assert size(*usual(folder)) == 2
    refused(capsys, "turf", "coordinate system")
    assert size(*usual(folder), "--crs", CRS) == 0


def test_unknown_crs(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    frame = gpd.read_file(folder / "turf.geojson")
    folder.joinpath("turf.geojson").unlink()
    gpd.GeoDataFrame({"turf": ["tall fescue"]}, geometry=frame.geometry.to_numpy()).to_parquet(
        folder / "turf.parquet"
    )
    assert size(*usual(folder), "--crs", "EPSG:0") == 2
    refused(capsys, "EPSG:0")


def test_empty_layer(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = folder / "infestations.geojson"
    gpd.read_file(file).iloc[:0].to_file(file, driver="GeoJSON")
    assert size(*usual(folder)) == 2
    refused(capsys, "infestations")


def test_points_in_a_polygon_layer(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = folder / "turf.geojson"
    frame = gpd.read_file(file)
    frame.set_geometry(frame.geometry.centroid).to_file(file, driver="GeoJSON")
    assert size(*usual(folder)) == 2
    refused(capsys, "turf", "point")


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ('name = "Demo Trio"', 'name = "Demo Trio"\ncolour = "red"', "colour"),
        ('mix = "1.2 fl oz/gal"', 'mix = "1.2 oz/gal"', "mix"),
        ('mix = "1.2 fl oz/gal"', 'mix = "-1.2 fl oz/gal"', "mix"),
        ('mix = "1.2 fl oz/gal"', "mix = 1.2", "mix"),
        ('name = "Demo Trio"', 'name = "Demo Trio', "TOML"),
    ],
)
def test_bad_label(tmp_path: Path, old: str, new: str, word: str, capsys: pytest.CaptureFixture[str]) -> None:
    text = SAMPLES.joinpath("labels/demo_trio.toml").read_text(encoding="utf-8")
    assert old in text
    file = tmp_path / "bad.toml"
    file.write_text(text.replace(old, new), encoding="utf-8")
    out = tmp_path / "out"
    assert size(*usual(labels=file), "--out", out) == 2
    refused(capsys, "bad.toml", word)
    assert not out.exists(), "nothing half-written"


def test_unknown_turf_and_weed_are_findings(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name, column, value in (("turf", "turf", "moon grass"), ("infestations", "weed", "triffid")):
        file = folder / f"{name}.geojson"
        kept = file.read_bytes()
        frame = gpd.read_file(file)
        frame[column] = value
        frame.to_file(file, driver="GeoJSON")
        assert size(*usual(folder)) == 0
        assert value in capsys.readouterr().out
        file.write_bytes(kept)


def test_rig_without_a_tank(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "rig.toml"
    file.write_text('[rig.pack]\nkind = "sprayer"\n', encoding="utf-8")
    assert size(*usual(rig=f"{file}:pack")) == 2
    refused(capsys, "rig.toml", "tank")


@pytest.mark.parametrize("place", ["survey", "labels", "rig"])
def test_missing_file(tmp_path: Path, place: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert size(*usual(**{place: tmp_path / "nowhere.gpkg"})) == 2
    refused(capsys, "nowhere")


def test_garbage_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "survey.gpkg"
    file.write_bytes(b"\x00\xff" * 900)
    assert size(*usual(file)) == 2
    refused(capsys, "survey.gpkg")


def test_a_failing_run_leaves_earlier_output_alone(tmp_path: Path, folder: Path) -> None:
    out = tmp_path / "out"
    assert size(*usual(folder), "--out", out) == 0
    before = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    shutil.rmtree(folder)
    assert size(*usual(folder), "--out", out) == 2
    assert {path: path.read_bytes() for path in out.rglob("*") if path.is_file()} == before


def test_products_decided_on_the_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert size(*usual(), "--product", "tall fescue=Demo Trio") == 0
    assert "Demo Quin 68" not in capsys.readouterr().out.split("not treated")[0].split("Findings")[0]
    assert size(*usual(), "--product", "tall fescue") == 2
    refused(capsys, "TURF=NAME")


def test_label_and_calibrate(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["label", str(SAMPLES / "labels/demo_trio.toml")]) == 0
    assert "Demo Trio" in capsys.readouterr().out
    assert main(["calibrate", "plot", "--area", "1000 sq ft", "--volume", "1 gal"]) == 0
    assert "gal/ksqft" in capsys.readouterr().out
    assert main(["calibrate", "plot", "--area", "1000 sq ft"]) == 2
    refused(capsys, "volume")


def test_quote_a_neighbourhood(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lots = SAMPLES / "quince_bend" / "survey.gpkg"
    out = tmp_path / "quote"
    arguments = [*usual(lots), "--prices", SAMPLES / "prices.toml", "--pricing", "both", "--out", out]
    assert main(["quote", *[str(one) for one in arguments]]) == 0
    said = capsys.readouterr().out
    for number in range(1, 29):
        assert f"lot {number:02d}" in said
    assert "total" in said
    assert {"quote.html", "quote.csv", "quote.json"} <= {path.name for path in out.iterdir()}
    assert "for the customer: customer.html" in said
    assert "warning:" not in said.split("Written to")[0].replace("warning: turf", "")


@pytest.mark.parametrize(
    ("options", "word"),
    [(("--formats", "pdf"), "no format 'pdf'"), (("--formats", "csv"), "a file is in the way")],
)
def test_formats_and_folder_are_checked_before_the_work(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, str], word: str
) -> None:
    taken = tmp_path / "taken"
    if "csv" in options:
        taken.write_text("a file")
    assert size(*usual(), "--out", taken, *options) == 2
    told = capsys.readouterr()
    assert word in told.err
    assert told.out == ""
    assert taken.is_file() == ("csv" in options)


def test_portfolio(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lots = SAMPLES / "quince_bend" / "survey.gpkg"
    assert size(*usual(lots), "--portfolio") == 2
    refused(capsys, "--out")
    assert size(*usual(lots), "--portfolio", "--out", tmp_path / "sized") == 0
    said = capsys.readouterr().out
    assert "28 sites" in said
    assert "Demo Trio" in said
    assert "loads" in said


def test_a_portfolio_with_sites_that_failed_exits_1_and_names_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source = tmp_path / "source"
    source.mkdir()
    for name in ("turf", "infestations", "keep_out"):
        layer = gpd.read_file(SAMPLES / "quince_bend" / "survey.gpkg", layer=name)
        if name == "infestations":
            layer.loc[layer["site"] == "lot 09", "cover"] = -5.0
        layer.to_parquet(source / f"{name}.parquet")
    assert size(*usual(source), "--portfolio", "--out", tmp_path / "sized") == 1
    assert "Not sized (1): lot 09" in capsys.readouterr().out


def test_control_characters_in_names_never_reach_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    strange = "\x1b[2Jlot\x07\x9b31m\u202e"
    for name in ("turf", "infestations", "keep_out"):
        layer = gpd.read_file(SAMPLES / "quince_bend" / "survey.gpkg", layer=name)
        if name != "keep_out":
            layer["site"] = strange
        layer.to_file(tmp_path / "survey.gpkg", layer=name)
    assert size(*usual(tmp_path / "survey.gpkg")) == 0
    size(tmp_path / f"no{strange}", *usual()[1:])
    told = capsys.readouterr()
    assert "[2Jlot[" in told.err or "[2Jlot31m" in told.err
    for text in (told.out, told.err):
        assert all(letter.isprintable() or letter == "\n" for letter in text)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (["--max-products", "0"], "--max-products: 0; write a whole number"),
        (["--wind-from", "500"], "--wind-from: 500.0; write degrees"),
        (["--min-width=-2 ft"], "--min-width: "),
        (["--worth", "prices"], '--worth "prices" asks for a price list; give --prices "prices.toml"'),
        (["--product", "tall fescue=Demo Trio", "--exclude", "Demo Trio"], "--exclude: 'Demo Trio' is both"),
    ],
)
def test_messages_name_flags(given: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert size(*usual(), *given) == 2
    assert said in capsys.readouterr().err
