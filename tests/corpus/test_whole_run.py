"""A study of nasty texts goes all the way: a cell holds a text everywhere, in pages, figures and archives."""

from __future__ import annotations

import csv
import json
import zipfile
from pathlib import Path
from xml.etree import ElementTree as Xml

import numpy as np
import pytest

from morphcline import runner
from morphcline.exporter import export
from morphcline.files.tables import read_table
from morphcline.study import load_study

STUDY = """
[study]
name = "nasty"
title = "<b>Orsel</b> & {n} 🐌"
crs = "EPSG:2154"
[records]
path = "records.csv"
[surfaces]
cell_m = 2000
min_effective_shells = 5
[steepness]
permutations = 99
[autocorrelation]
permutations = 99
distance_classes = 4
[publish]
formats = ["svg"]
names = true
[report]
contact = "<script>alert(1)</script>"
"""
NASTY = (
    "مرج الطاحونة", "כתוב לאחור", "🐌 bank", "<script>alert(1)</script>", "=cmd|'/c calc'!A1", "{x} %s {0}",
    "$x^2_{a}$ \\frac", "]]>",
    "&amp; & \"quoted\" 'so'", "a,b;c\td", "Pre\u0301", "\x1b[2Jbell\x07", "-1+1", "@name", "a/../b", "nan", "NA",
    "1e5",
    "word " * 60, "ffi\ufb03 ẞ İ", "草地", "C:\\new\\table", "\u202eevil", "__proto__",
)  # fmt: skip


def _write(folder: Path) -> Path:
    rng = np.random.default_rng(4)
    with (folder / "records.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["site", "date", "longitude", "latitude", "species", "colour", "banding", "count", "recorder",
        "note",
                         "habitat"])  # fmt: skip
        for at, text in enumerate(NASTY):
            east, north = 6 + rng.random() / 4, 46 + rng.random() / 6
            for colour, banding in (("yellow", "00000"), ("pink", "00300"), ("yellow", "12345")):
                count = int(rng.poisson(15))
                writer.writerow([text, f"2024-05-{at % 28 + 1:02}", f"{east:.4f}", f"{north:.4f}", "Cepaea nemoralis",
                colour,
                                 banding, count, text, text, text])  # fmt: skip
    (folder / "study.toml").write_text(STUDY, encoding="utf-8")
    return folder / "study.toml"


@pytest.mark.slow
def test_a_study_of_nasty_texts_runs_to_its_report_and_its_archive(tmp_path: Path) -> None:
    study = _write(tmp_path)
    done = runner.run(study)
    account = done.accounts["intake"]
    assert account["accepted"] == account["rows"] == 3 * len(NASTY)
    sites = read_table(done.folder / "tables/sites.csv")
    assert len(sites) == len(NASTY)
    for page in ("report.html", "map.html"):
        text = (done.folder / page).read_text(encoding="utf-8")
        assert "<script>alert" not in text
        assert "<b>Orsel" not in text
    for figure in (done.folder / "figures").glob("*.svg"):
        Xml.parse(figure)
    json.loads((done.folder / "run.json").read_text(encoding="utf-8"))
    exported = export(load_study(study), tmp_path / "open")
    assert exported is not None
    archives = list((tmp_path / "open").rglob("*.zip"))
    assert archives
    for archive in archives:
        with zipfile.ZipFile(archive) as packed:
            for name in packed.namelist():
                if name.endswith(".xml"):
                    Xml.fromstring(packed.read(name))
