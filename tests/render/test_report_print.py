"""The report on paper: no table split that fits a page, no heading left behind, no figure cut, in two engines."""

from __future__ import annotations

import base64
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from morphcline.files.pdf import write_pdf
from morphcline.render.report.arrange import Arranged, numbered
from morphcline.render.report.parts import Points, Section, ShownFigure, ShownTable
from morphcline.render.report.templates import fill, in_italics, of_css
from printed_pages import faults, pages_of, printed_by_chromium

TITLE = 'Orsel & "valley" survey'
#: Rows of a table that is kept on one page.
WHOLE = 36


def figure(name: str, height_mm: float) -> ShownFigure:
    """Return a drawing with a word at its top and one at its bottom."""
    drawing = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="180mm" height="{height_mm}mm" viewBox="0 0 180 {height_mm}">'
        f'<text x="5" y="6" font-size="4">top-{name}</text><text x="5" y="{height_mm - 2}" font-size="4">end-{name}'
        "</text></svg>"
    )
    source = f"data:image/svg+xml;base64,{base64.b64encode(drawing.encode()).decode()}"
    return ShownFigure(name, source, f"{name}: a figure with a caption of some length. " * 4, f"Drawing {name}")


def table(name: str, rows: int) -> ShownTable:
    listed = [(f"{name} row {row}", f"{row}", "0.5") for row in range(rows)]
    return ShownTable(f"{name}, a table of {rows} rows with a caption that says so.", ("Name",), ("N", "Share"), listed)


def page() -> str:
    """Return a report in which parts of every size come at every height of a page."""
    sections = []
    for number in range(14):
        text = "What was found is told at some length, with its interval and on how much it rests. " * (3 + 5 * number)
        sections.append(
            Section(
                f"s{number}",
                f"Section number {number}",
                paragraphs=[text],
                points=[Points(f"Points of {number}", [f"Point {number}-{i} " * 9 for i in range(1 + number % 5)])],
                figures=[figure(f"f{number}{end}", 50 + 7 * number) for end in "ab"[: 1 + number % 2]],
                tables=[table(f"T{number}", 3 + 3 * (number % 12))],
            )
        )
    sections.append(Section("long", "A long table", tables=[table("L", 130)]))
    arranged = numbered(Arranged(sections, [Section("more", "More", tables=[table("M", 30), table("N", 36)])]))
    # Without labels a caption begins with the figure's name, by which its drawing is known.
    return _filled(arranged)


def _filled(arranged: Arranged) -> str:
    whole = fill(
        "report.html.j2",
        filters={"species": partial(in_italics, ["Cepaea nemoralis"]), "css": of_css},
        title=TITLE, running=TITLE, area="24 sites.", counts=[("24", "sites")], recorders="",
        findings=[("Cepaea nemoralis: a finding.", "supported")], among="", rule="", scale="", key_map=None,
        quality="", districts=[("Upper Orsel", "reports/upper-orsel.html")], body=arranged.body,
        appendix=arranged.appendix, elsewhere=["morphs"], warnings=["A warning."], methods=["A method. " * 60] * 8,
        references=["A source. " * 9] * 30, settings=[("[study] name", "orsel")] * 70, fieldwork=["Ask."], privacy=[],
        evidence=[], blur="", holder={"holder": "Orsel society", "contact": "", "licence": "CC-BY-4.0"}, version="1",
    )  # fmt: skip
    for section in arranged.body:
        for shown in section.figures:
            whole = whole.replace(f"<b>{shown.label}</b> {shown.name}", shown.name)
    return whole


@pytest.fixture(scope="module")
def whole() -> str:
    return page()


def test_weasyprint_splits_nothing_that_fits(whole: str, tmp_path: Path) -> None:
    pytest.importorskip("weasyprint", reason="the extra pdf is not installed")
    write_pdf(tmp_path / "report.pdf", whole)
    _check(whole, (tmp_path / "report.pdf").read_bytes())


@pytest.mark.browser
def test_chromium_splits_nothing_that_fits(whole: str, tmp_path: Path, browser: Any) -> None:
    (tmp_path / "report.html").write_text(whole, encoding="utf-8")
    _check(whole, printed_by_chromium(browser, (tmp_path / "report.html").as_uri()))


def _check(whole: str, pdf: bytes) -> None:
    printed = pages_of(pdf, running=TITLE)
    assert len(printed) > 20
    # Settings repeat, so that their rows don't tell on which page they stand.
    told = [fault for fault in faults(whole, printed, longest_whole=WHOLE) if "Defaultsincluded" not in fault]
    assert told == []


def test_faults_are_seen(whole: str) -> None:
    """The checks themselves: pages made by hand that have every fault."""
    html = (
        "<h2>Left</h2><table><caption>Cap.</caption><tbody><tr><td>r1</td></tr><tr><td>r2</td></tr></tbody></table>"
        "<figure><figcaption>g: text</figcaption></figure>"
    )
    told = list(faults(html, ["fineLeft", "Cap.r1", "r2top-gg:text"], longest_whole=5))
    assert told == [
        "heading 'Left' ends page 1", "table 'Cap.' of 2 rows is split",
        "no word on page 3 that 'Cap.' continues", "end-g of g is cut off",
    ]  # fmt: skip
