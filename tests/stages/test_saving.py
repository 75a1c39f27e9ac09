"""Saved figures: a PDF holds its letters, without what a font needs to lay text out."""

from __future__ import annotations

import io
from pathlib import Path

import pandas as pd
import pypdf
from fontTools import subset
from fontTools.ttLib import TTFont

from morphcline.render.figures.sheet import DPI, Figure, Sheet, style
from morphcline.stages._saving import save

TEXT = "Fréquence AVATAR 75 %"


def figure() -> Figure:
    with style():
        sheet = Sheet(60, 20)
        sheet.text(5, 5, TEXT)
        sheet.text(5, 10, "finding", fontweight="bold")
    return Figure("letters", sheet.figure, pd.DataFrame({"a": [1]}), "Letters.", "Letters.")


def fonts(pdf: pypdf.PdfReader) -> dict[str, TTFont]:
    found = {}
    for font in pdf.pages[0]["/Resources"]["/Font"].values():
        described = font.get_object()["/DescendantFonts"][0].get_object()["/FontDescriptor"]
        found[str(described["/FontName"])] = TTFont(io.BytesIO(described["/FontFile2"].get_data()))
    return found


def test_a_pdf_is_drawn_as_with_whole_fonts(tmp_path: Path) -> None:
    load = subset.load_font
    save(figure(), tmp_path, ("pdf",))
    assert subset.load_font is load
    whole = tmp_path / "whole.pdf"
    with style():
        figure().sheet.savefig(whole, format="pdf", dpi=DPI)
    lean, full = pypdf.PdfReader(tmp_path / "letters.pdf"), pypdf.PdfReader(whole)
    # Each letter at the same place, of the same shape, and readable as text.
    assert lean.pages[0].get_contents().get_data() == full.pages[0].get_contents().get_data()
    assert TEXT.replace("\u202f", " ") in lean.pages[0].extract_text().replace("\u202f", " ")
    ours, theirs = fonts(lean), fonts(full)
    assert set(ours) == set(theirs)
    assert {name.partition("+")[2] for name in ours} == {"DejaVuSans", "DejaVuSans-Bold"}
    for name, font in ours.items():
        assert not {"GSUB", "GPOS", "GDEF", "kern"} & set(font.keys())
        assert {"glyf", "hmtx", "fpgm", "prep", "cvt "} <= set(font.keys())
        for glyph in font.getGlyphOrder():
            assert font["glyf"][glyph] == theirs[name]["glyf"][glyph], glyph
            assert font["hmtx"][glyph] == theirs[name]["hmtx"][glyph], glyph
