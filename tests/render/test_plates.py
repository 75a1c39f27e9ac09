"""Plates: figures on one sheet, their letters, legends, caption and table."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from pypdf import PdfReader

from morphcline.errors import StudyFileError
from morphcline.language import Language, speaking
from morphcline.render.figures.frame import MapFrame
from morphcline.render.figures.habitat import draw_habitat
from morphcline.render.figures.keys import marks_key, spans
from morphcline.render.figures.plate import Part, draw_plate, sentences_of
from morphcline.render.figures.sheet import Figure, Heading, Sheet, fitted, letters, pixels, style, text_width_mm
from morphcline.render.figures.sites import SitePanel, draw_sites
from morphcline.render.palettes import Mark
from morphcline.stages._saving import save

SPECIES = "Cepaea nemoralis"
FRAME = MapFrame(900e3, 6_450e3, 960e3, 6_492e3, "EPSG:2154", true_north_deg=-2.0)


def sites(seed: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    x, y, total = 902e3 + 56e3 * rng.random(40), 6_452e3 + 38e3 * rng.random(40), rng.integers(6, 160, 40)
    share = rng.random(40)
    return pd.DataFrame(
        {"site": [f"S{i}" for i in range(40)], "shown_as": [f"S{i}" for i in range(40)], "x_m": x, "y_m": y,
         "drawn_x_m": x, "drawn_y_m": y, "total": total.astype(float), "count": np.rint(share * total),
         "frequency": share, "enough": total >= 20}
    )  # fmt: skip


def a_map(*traits: str, species: str = SPECIES) -> partial[Figure]:
    panels = [SitePanel(trait, sites(i), "rising towards the east") for i, trait in enumerate(traits)]
    return partial(draw_sites, "sites", species, panels, FRAME, min_shells=20, width_mm=190)


def a_chart(*traits: str) -> partial[Figure]:
    rows = [
        {"trait": t, "habitat": h, "count": 120, "total": 1321, "sites": 40, "frequency": 0.1 * (k + 1),
         "low": 0.1 * k, "high": 0.1 * (k + 2)}
        for t in traits for k, h in enumerate(["woodland", "hedgerow"])
    ]  # fmt: skip
    regional = pd.DataFrame({"trait": traits, "frequency": 0.3})
    return partial(
        draw_habitat, "habitat", SPECIES, pd.DataFrame(rows), regional, source="noted", confidence=0.95, width_mm=190
    )


def plate(*parts: Part, columns: int = 2, width_mm: float = 190.0, title: str = "") -> list[Figure]:
    return draw_plate("plate_x", parts, title=title, columns=columns, width_mm=width_mm)


def written(figure: Figure) -> list[str]:
    return [text.get_text() for text in figure.sheet.findobj(Text) if text.get_text()]


def boxes(figure: Figure) -> list[tuple[str, object]]:
    canvas = FigureCanvasAgg(figure.sheet)
    with style():
        canvas.draw()
    shown = [text for text in figure.sheet.findobj(Text) if text.get_visible() and text.get_text().strip()]
    return [(text.get_text(), text.get_window_extent(canvas.get_renderer())) for text in shown]


MIXED = (
    Part("sites_cepaea-nemoralis/yellow", a_map("yellow")),
    Part("habitat_cepaea-nemoralis", a_chart("yellow", "pink")),
    Part("sites_cepaea-nemoralis/pink", a_map("pink")),
)


def test_letters_go_on_from_figure_to_figure() -> None:
    (made,) = plate(*MIXED)
    found = [text for text in written(made) if text in "abcdef" and len(text) == 1]
    assert sorted(found) == ["a", "b", "c", "d"]
    assert made.data.groupby("figure", sort=False)["panels"].first().to_dict() == {
        "sites_cepaea-nemoralis/yellow": "a", "habitat_cepaea-nemoralis": "b, c", "sites_cepaea-nemoralis/pink": "d",
    }  # fmt: skip
    # Outside a plate a figure of one panel has no letter, and one of two has its own.
    assert letters(1) == [""]
    assert letters(2) == ["a", "b"]


def test_each_legend_stands_once_with_the_panels_that_it_holds_for() -> None:
    (made,) = plate(*MIXED)
    texts = written(made)
    assert texts.count("Shells judged") == 1
    # Three legends of the maps, their scale bar; two of the chart.
    assert texts.count("a, d") == 4
    assert texts.count("b, c") == 2
    (alone,) = plate(MIXED[0], MIXED[2])
    assert written(alone).count("Frequency") == 1
    assert "a, b" not in written(alone)


def test_the_caption_says_each_sentence_once() -> None:
    (made,) = plate(*MIXED, title="maps and a chart")
    # What both maps say stands once, behind the letters of both.
    assert made.caption.startswith("Maps and a chart. (a, d) Cepaea nemoralis: frequencies at the sites.")
    assert "(b, c) Cepaea nemoralis: frequency of each trait by habitat" in made.caption
    for sentence in ("Coordinates", "True north lies 2.0°", "on one fixed scale from 0 to 100%"):
        assert made.caption.lower().count(sentence.lower()) == 1, sentence
    said = sentences_of(made.caption)
    assert len(set(said)) == len(said)
    # Nothing that a part says is lost.
    for part in MIXED:
        for sentence in sentences_of(part.draw().caption):
            assert sentence in made.caption
    assert made.alt.startswith("A sheet with 3 figures. (a) Cepaea nemoralis: a map")


def test_the_table_holds_the_rows_of_every_part() -> None:
    (made,) = plate(*MIXED)
    assert len(made.data) == sum(len(part.draw().data) for part in MIXED)


@pytest.mark.parametrize("language", ["en", "fr"])
@pytest.mark.parametrize(("width", "columns"), [(190.0, 2), (140.0, 2), (90.0, 1), (190.0, 3)])
def test_a_plate_has_its_exact_width_and_no_text_touches_another(width: float, columns: int, language: str) -> None:
    parts = [
        *MIXED,
        Part("sites_cepaea-hortensis", a_map("effectively unbanded", species="Cepaea hortensis"), "C. hortensis"),
        Part("sites_cepaea-nemoralis", a_map("effectively unbanded"), "C. nemoralis"),
    ]
    with speaking(Language(language)):
        sheets = plate(*parts, columns=columns, width_mm=width)
    for made in sheets:
        across, down = made.sheet.get_size_inches() * 300
        assert across == pytest.approx(pixels(width), abs=0.01)
        assert down <= pixels(230) + 0.01
        inner = [(text, box.padded(-1.5)) for text, box in boxes(made)]
        for i, (text, box) in enumerate(inner):
            assert box.x0 >= 0, text
            assert box.y0 >= 0, text
            assert box.x1 <= across, text
            assert box.y1 <= down, text
            assert not [other for other, there in inner[:i] if box.overlaps(there)], text


def test_a_kilometre_is_as_long_across_as_up_on_a_plate() -> None:
    (made,) = plate(*MIXED)
    across, down = made.sheet.get_size_inches()
    panels = [axes for axes in made.sheet.axes if axes.get_xlim() == (900e3, 960e3)]
    assert len(panels) == 2
    for axes in panels:
        box = axes.get_position()
        assert box.width * across / 60e3 == pytest.approx(box.height * down / 42e3, rel=1e-6)


def test_figures_taller_than_a_page_go_on_to_further_sheets() -> None:
    traits = ("yellow", "pink", "brown", "unbanded", "mid-banded", "many-banded", "fused", "effectively unbanded")
    parts = [Part(f"sites/{trait}", a_map(trait)) for trait in traits]
    sheets = plate(*parts)
    assert [made.name for made in sheets] == ["plate_x", "plate_x_2"]
    assert all(made.sheet.get_size_inches()[1] * 25.4 <= 230.1 for made in sheets)
    assert sheets[0].caption.startswith("Sheet 1 of 2. (a)")
    # Six panels of 66 mm and their legends fill a page; the letters go on.
    assert "(g) " in sheets[1].caption
    assert sum(made.data["panels"].nunique() for made in sheets) == 8


def test_a_row_with_too_many_legends_is_an_error_that_says_what_to_do() -> None:
    def crowded(*, width_mm: float, number: int) -> Figure:
        from morphcline.render.figures.charts import chart_sheet

        marks = [[Mark(f"Something long to be told of it, {number}, {i}", "o", "none")] * 6 for i in range(6)]
        sheet, _axes = chart_sheet(
            [Heading("One")], columns=1, height_mm=40, width_mm=width_mm,
            keys=[marks_key(f"{number} {i}", mark, rows=6) for i, mark in enumerate(marks)],
        )  # fmt: skip
        return Figure("crowded", sheet.figure, pd.DataFrame({"n": [1]}), "n = 1.", "n = 1.")

    parts = [Part(f"crowded_{i}", partial(crowded, number=i)) for i in range(4)]
    with pytest.raises(StudyFileError, match=r"\[\[publish.plate\]\] x: the row with 'crowded_0' .*fewer columns"):
        plate(*parts, columns=4)


def test_a_plate_stays_vector_with_its_fonts_embedded(tmp_path: Path) -> None:
    (made,) = plate(*MIXED)
    save(made, tmp_path, ["pdf", "svg"])
    page = PdfReader(tmp_path / "plate_x.pdf").pages[0]
    # 190 mm, and the pixels that rounding up adds, in points.
    assert float(page.mediabox.width) == pytest.approx(pixels(190) / 300 * 72, abs=0.1)
    # The frequencies' scale is the one picture; sites, lines and letters are drawn.
    assert len(page.images) <= 1
    fonts = page["/Resources"]["/Font"]
    assert len(fonts) >= 2
    for font in fonts.values():
        inner = font.get_object()["/DescendantFonts"][0].get_object()
        assert inner["/FontDescriptor"].get_object()["/FontFile2"] is not None
        assert inner["/Subtype"] == "/CIDFontType2"
    assert (tmp_path / "plate_x.svg").read_text(encoding="utf-8").count("<image") <= 1


def test_the_same_plate_has_the_same_bytes(tmp_path: Path) -> None:
    for folder in ("one", "other"):
        (made,) = plate(*MIXED)
        save(made, tmp_path / folder, ["png", "svg", "pdf"])
    for path in (tmp_path / "one").iterdir():
        assert path.read_bytes() == (tmp_path / "other" / path.name).read_bytes(), path.name


def test_headings_break_between_words_and_a_species_takes_a_line_of_its_own() -> None:
    heading = Heading("Effectively unbanded", "1,603 shells of the whole survey, 62 sites")
    (short,), extra = fitted([heading], 90.0)
    assert (short, extra) == (heading, 0)
    (broken,), extra = fitted([heading], 25.0)
    assert broken.text.replace("\n", " ") == heading.text
    assert broken.note.replace("\n", " ") == heading.note
    assert extra > 0
    for line in broken.note.split("\n"):
        assert text_width_mm(line, 6.3) <= 25.0


@pytest.mark.parametrize(
    ("given", "shown"),
    [(["a"], "a"), (["a", "b"], "a, b"), (["a", "b", "c", "e"], "a–c, e"), (["y", "z", "aa", "bb"], "y–bb")],
)
def test_letters_that_follow_one_another_are_drawn_together(given: list[str], shown: str) -> None:
    assert spans(given) == shown


def test_a_sheet_of_its_own_is_not_touched_by_plates_before_it() -> None:
    plate(*MIXED)
    with style():
        sheet = Sheet(90, 50)
    assert (sheet.left, sheet.top) == (0, 0)
    assert letters(1) == [""]
