"""Pages as PDF: tagged, the same bytes each time, nothing fetched, and a clear word where the extra is absent."""

from __future__ import annotations

from pathlib import Path

import pytest
from pypdf import PdfReader

from morphcline import runner
from morphcline.errors import StudyFileError
from morphcline.files import pdf
from morphcline.study import load_study

PAGE = """<!DOCTYPE html><html lang="fr"><head><title>Relevé</title><meta name="generator" content="morphcline">
<style>@page { size: A4 }</style></head><body><h1>Relevé</h1><table><caption>t</caption><thead><tr><th scope="col">a
</th></tr></thead><tbody><tr><td>1</td></tr></tbody></table><img src="ADDRESS" alt="carte des sites"></body></html>"""
DRAWING = (
    "data:image/svg+xml;base64,PHN2ZyB4bWxucz0iaHR0cDovL3d3dy53My5vcmcvMjAwMC9zdmciIHdpZHRoPSI5IiBoZWlnaHQ9IjkiPjxy"
    "ZWN0IHdpZHRoPSI5IiBoZWlnaHQ9IjkiLz48L3N2Zz4="
)


@pytest.fixture
def weasyprint() -> None:
    pytest.importorskip("weasyprint", reason="the extra pdf is not installed")


@pytest.mark.usefixtures("weasyprint")
def test_a_page_becomes_the_same_tagged_pdf_each_time(tmp_path: Path) -> None:
    for name in ("one.pdf", "two.pdf"):
        pdf.write_pdf(tmp_path / name, PAGE.replace("ADDRESS", DRAWING))
    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()
    read = PdfReader(tmp_path / "one.pdf")
    root = read.trailer["/Root"]
    assert read.metadata is not None
    assert read.metadata.title == "Relevé"
    assert root["/Lang"] == "fr"
    assert root["/MarkInfo"]["/Marked"]
    assert "/StructTreeRoot" in root
    assert b"pdfuaid" in root["/Metadata"].get_data()
    assert read.metadata.creation_date is None


@pytest.mark.usefixtures("weasyprint")
def test_nothing_is_fetched_from_disk_or_network(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[object] = []
    monkeypatch.setattr("socket.create_connection", lambda *arguments, **others: asked.append(arguments))
    secret = tmp_path / "secret.svg"
    secret.write_text('<svg xmlns="http://www.w3.org/2000/svg"><text>secret</text></svg>', encoding="utf-8")
    for number, address in enumerate(("http://shells.example/a.png", secret.as_uri())):
        pdf.write_pdf(tmp_path / f"{number}.pdf", PAGE.replace("ADDRESS", address))
        text = PdfReader(tmp_path / f"{number}.pdf").pages[0].extract_text()
        assert "Relevé" in text
        assert "secret" not in text
    assert asked == []


def test_an_absent_extra_is_said_before_the_run_starts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pdf, "find_spec", lambda name: None)
    text = '[study]\nname = "made"\ncrs = "EPSG:2154"\n[records]\npath = "r.csv"\n[report]\npdf = true\n'
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    with pytest.raises(StudyFileError, match=r'study\.toml, \[report\] pdf: .*pip install "morphcline\[pdf\]"'):
        runner.run(load_study(tmp_path / "study.toml"))
    assert not (tmp_path / "outputs").exists()
