"""An active ingredient is its acid. Names of salts and esters as trade and registration write them, from memory."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
import shapely
from plots import label

import weedzone as wz
from weedzone.base.names import active_name, chief_name

SAME = {
    "2,4-d": [
        "2,4-D", "2,4-D, dimethylamine salt", "dimethylamine salt of 2,4-D", "2,4-D 2-ethylhexyl ester",
        "2,4-D choline", "2, 4-D", "2,4 D amine", "2.4-D", "2,4\u2011D", "2,4 \u2013 D", "24-D",
        "2,4-D a.e.", "2,4-D LV6 ester",
        "2,4-\uff24", "(2,4-D)", "24 D", "2-4-D", "2 4 D amine", "2\u201a4-D", "{2,4-D}", "2,4-D/DMA", "DMA,2,4-D",
        "2,4-D (94-75-7)", "2,4-D DMA, CAS No. 2008-39-1", "2,4-D acid equiv.", "2,4-D, low-volatile iso-octyl ester",
        "2,4-D di-methyl amine salt", "2,4-D dimethyl amine", "2,4-D, tri-isopropanolamine", "2,4-D; 2-EHE",
        "salt: 2,4-D choline",
        "(2,4-dichlorophenoxy) acetic acid", "dimethylamine salt of (2,4-Dichlorophenoxy)acetic acid",
        "2,4-D, N,N-Bis-(3-aminopropyl) methylamine salt",
        "2,4-D triisopropanolamine salt", "2,4-D, isooctyl ester", "2,4-D DMA", "2,4-D (butoxyethyl ester)",
        "2,4-D, N,N-bis(3-aminopropyl)methylamine salt", "2,4-D-dimethylammonium", "2,4-D 2-EHE", "2,4-D acid",
    ],
    "2,4-dp": ["2,4-DP-p DMA", "dichlorprop-p, 2-ethylhexyl ester", "2,4 DP", "2-(2,4-dichlorophenoxy)propanoic acid"],
    "mcpp": ["MCPP potassium", "mecoprop-P, dimethylamine salt", "Potassium salt of MCPP-p", "(R)-mecoprop",
             "(+)-(R)-2-(2 methyl-4-chlorophenoxy) propionic acid", "2-(4-chloro-2-methylphenoxy)propanoic acid"],
    "mcpa": ["MCPA 2-ethylhexyl ester", "MCPA, sodium salt"],
    "dicamba": ["dicamba diglycolamine (DGA)", "diglycolamine salt of dicamba", "dicamba, sodium salt"],
    "triclopyr": ["triclopyr, butoxyethyl ester", "triclopyr triethylamine salt (TEA)", "triclopyr choline",
                  "[(3,5,6-trichloro-2-pyridinyl)oxy] acetic acid",
                  "triclopyr (3,5,6-trichloro-2-pyridinyloxyacetic acid)"],
    "fluroxypyr": ["fluroxypyr-meptyl", "fluroxypyr 1-methylheptyl ester", "fluroxypyr-MHE",
                   "[(4-amino-3,5-dichloro-6-fluoro-2-pyridinyl)oxy]acetic acid"],
    "clopyralid": ["clopyralid monoethanolamine salt", "clopyralid olamine", "3,6-dichloro-2-pyridinecarboxylic acid"],
    "quinclorac": ["quinclorac DMA", "3,7-dichloro-8-quinolinecarboxylic acid"],
    "glyphosate": ["Glyphosate", "glyphosate, isopropylamine salt", "potassium salt of glyphosate"],
    "metsulfuron": ["metsulfuron-methyl", "metsulfuron methyl"],
}  # fmt: skip


@pytest.mark.parametrize(("acid", "text"), [(acid, text) for acid, texts in SAME.items() for text in texts])
def test_salts_and_esters_are_the_acid(acid: str, text: str) -> None:
    assert chief_name(text, "active") == acid


@pytest.mark.parametrize(
    "text",
    [
        "2,4-D and dicamba",
        "2,4-D super",
        "dicamba plus",
        "MCPP,2,4-D",
        "pre-2,4-D",
        "2,4-D-B",
        "2,4-D P",
        "dicambe",
    ],
)
def test_what_is_not_understood_is_an_error(text: str, tmp_path: Path) -> None:
    assert active_name(text) is None
    with pytest.raises(wz.LabelError, match="known acid"):
        label(tmp_path, f'[[active]]\nname = "{text}"\nconcentration = "3.8 lb/gal"\n')


def test_other_acids_stay_apart() -> None:
    assert chief_name("2,4-DB", "active") == "2,4-db"
    assert chief_name("2,4-DP", "active") == "2,4-dp"
    assert chief_name("Penoxsulam", "active") == "penoxsulam"


def test_a_second_full_dose_under_another_spelling_is_over_the_limit(tmp_path: Path) -> None:
    shape = shapely.box(1_500_000, 1_000_000, 1_500_030, 1_000_030)
    text = """
[[active]]
name = "{name}"
concentration = "3.8 lb/gal"
[[rate]]
use = "broadcast"
dose = "1.2 fl oz/ksqft"
volume = "1 gal/ksqft"
[limits]
per_year = "1.6 lb/acre"
"""
    labels = {
        name: label(tmp_path, text.replace("{name}", active), name)
        for name, active in (
            ("Demo Amine", "dimethylamine salt of 2,4-D"),
            ("Demo Ester", "2,4-D 2-ethylhexyl ester"),
        )
    }
    crs = "EPSG:26975"
    survey = wz.Survey(
        turf=gpd.GeoDataFrame({"turf": ["tall fescue"]}, geometry=[shape], crs=crs),
        infestations=gpd.GeoDataFrame({"weed": ["dandelion"]}, geometry=[shape], crs=crs),
        history=gpd.GeoDataFrame(
            {"product": ["Demo Amine"], "date": ["2026-05-08"], "dose": ["1.2 fl oz/ksqft"]},
            geometry=[shape.buffer(5)], crs=crs,
        ),
    )  # fmt: skip
    rig = wz.Sprayer(name="boom", tank_L=100.0)
    job = wz.size_job(survey, labels, rig, use="broadcast", on="2026-05-10", exclude=["Demo Amine"])
    # 1.2 fl oz/ksqft of 3.8 lb/gal is 1.2 x 43.56 / 128 x 3.8 = 1.55 lb/acre: 0.05 of 1.6 is left.
    assert set(job.ledger["outcome"]) == {"yearly limit"}


def test_a_limit_is_on_the_acid(tmp_path: Path) -> None:
    """Two forms of one acid are one ingredient: neither alone may be held against the limit."""
    dose = '[[rate]]\nuse = "broadcast"\ndose = "1 fl oz/ksqft"\nvolume = "1 gal/ksqft"\n'
    amine = '[[active]]\nname = "2,4-D, dimethylamine salt"\nconcentration = "1.9 lb/gal"\n'
    limit = '[limits."2,4-D"]\nper_application = "1.5 lb/acre"\n'
    assert list(label(tmp_path, amine + dose + limit).limits) == ["2,4-D, dimethylamine salt"]
    with pytest.raises(wz.LabelError, match="two active ingredients of one acid"):
        label(tmp_path, amine + amine.replace("dimethylamine salt", "2-ethylhexyl ester") + dose)
