"""Figures: exact size, legible, described, the same bytes every time, and honest about what is missing."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import matplotlib
import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import PathCollection
from matplotlib.text import Text
from matplotlib.transforms import Bbox
from matplotlib_scalebar.scalebar import ScaleBar
from PIL import Image
from pypdf import PdfReader

from made_figures import (
    ALL,
    LOCATOR,
    MAPS,
    SPECIES,
    bandwidth_figure,
    change_figure,
    cline_figure,
    clusters_figure,
    correlogram_figure,
    frame,
    isolation_figure,
    sites,
    sites_figure,
    step_figure,
    surface_figure,
    texts,
)
from morphcline.language import Language, speaking
from morphcline.render import labels
from morphcline.render.figures.change import draw_change
from morphcline.render.figures.clines import ClinePanel, draw_clines
from morphcline.render.figures.plate import Part, draw_plate
from morphcline.render.figures.sheet import Figure, Sheet, pixels, style
from morphcline.render.figures.sites import SitePanel, draw_sites
from morphcline.render.figures.surfaces import SurfacePanel, draw_surfaces
from morphcline.render.figures.variogram import draw_variogram
from morphcline.render.palettes import frequency_colours
from morphcline.stages._saving import save


# Pixels at 300 dpi, rounded up: 90 mm is 1062.99 of them, and journals ask for 1063.
@pytest.mark.parametrize(("millimetres", "expected"), [(90, 1063), (140, 1654), (190, 2245), (25.4, 300), (127, 1500)])
def test_a_bitmap_has_the_millimetres_asked_for_rounded_up(millimetres: float, expected: int, tmp_path: Path) -> None:
    assert pixels(millimetres) == expected
    with style():
        sheet = Sheet(millimetres, 50.8)
    save(Figure("plain", sheet.figure, pd.DataFrame({"a": [1]}), "n = 1", "n = 1"), tmp_path, ["png"])
    with Image.open(tmp_path / "plain.png") as image:
        assert image.size == (expected, 600)
        assert image.info["dpi"] == pytest.approx((300, 300), abs=0.1)


def drawn_boxes(figure: Figure) -> list[tuple[str, Bbox]]:
    """Texts with the boxes that they take up on the bitmap."""
    canvas = FigureCanvasAgg(figure.sheet)
    with style():
        canvas.draw()
    return [(text.get_text(), Text.get_window_extent(text, canvas.get_renderer())) for text in texts(figure)]


@pytest.mark.parametrize("draw", ALL, ids=lambda draw: draw.__name__)
@pytest.mark.parametrize("width", [90.0, 140.0, 190.0])
@pytest.mark.parametrize("language", ["en", "fr"])
def test_texts_are_on_the_sheet_large_enough_and_apart(draw, width: float, language: str) -> None:
    with speaking(Language(language)):
        figure = draw(width)
    across, down = figure.sheet.get_size_inches() * 300
    assert down / 300 * 25.4 <= 230.1
    assert across == pytest.approx(pixels(width), abs=0.01)
    boxes = drawn_boxes(figure)
    assert all(text.get_fontsize() >= 6 for text in texts(figure))
    for text, box in boxes:
        assert box.x0 >= -1, text
        assert box.y0 >= -1, text
        assert box.x1 <= across + 1, text
        assert box.y1 <= down + 1, text
    # A box is taller than its letters: a pixel or two of two boxes may be the same.
    inner = [(text, box.padded(-1.5)) for text, box in boxes]
    touching = [(one, other) for i, (one, a) in enumerate(inner) for other, b in inner[:i] if a.overlaps(b)]
    assert not touching


@pytest.mark.parametrize("draw", ALL, ids=lambda draw: draw.__name__)
def test_panels_do_not_overlap(draw) -> None:
    boxes = [axes.get_position() for axes in draw().sheet.axes if axes.axison or axes.images]
    for i, one in enumerate(boxes):
        for other in boxes[i + 1 :]:
            apart = one.x1 <= other.x0 + 1e-6 or other.x1 <= one.x0 + 1e-6
            assert apart or one.y1 <= other.y0 + 1e-6 or other.y1 <= one.y0 + 1e-6


@pytest.mark.parametrize("draw", MAPS, ids=lambda draw: draw.__name__)
@pytest.mark.parametrize("aspect", [0.25, 2.5])
def test_long_and_tall_regions_fit_a_page(draw, aspect: float) -> None:
    width, height = draw(190.0, aspect).sheet.get_size_inches() * 25.4
    assert width == pytest.approx(190.1, abs=0.1)
    assert 30 < height <= 230.1


@pytest.mark.parametrize("draw", MAPS, ids=lambda draw: draw.__name__)
def test_a_kilometre_is_as_long_across_as_up(draw) -> None:
    figure = draw()
    across, down = figure.sheet.get_size_inches()
    panels = [axes for axes in figure.sheet.axes if axes.get_xlim() == (900e3, 960e3)]
    assert panels
    for axes in panels:
        box = axes.get_position()
        assert box.width * across / 60e3 == pytest.approx(box.height * down / (60e3 * 0.7), rel=1e-6)


@pytest.mark.parametrize("draw", ALL, ids=lambda draw: draw.__name__)
def test_caption_and_alternative_text_say_how_many(draw) -> None:
    figure = draw()
    for text in (figure.caption, figure.alt):
        assert re.search(r"\d[\d,]* (sites?|places?|pairs? of places)|n = \d", text), text
        assert text.rstrip().endswith(".")
        assert "nan" not in text.lower().split()
    assert not figure.data.empty


def test_captions_name_denominator_method_and_grid() -> None:
    assert "mid-banded among banded shells" in sites_figure().caption
    assert "EPSG:2154" in sites_figure().caption
    assert "local logistic regression, Gaussian kernel" in surface_figure().caption
    assert "bandwidth 4.2 km" in surface_figure().caption
    clusters = clusters_figure().caption
    assert "999 conditional permutations" in clusters
    assert "false-discovery rate 5%" in clusters
    assert "fused bands (" in clusters
    assert "Holm" in correlogram_figure().caption


def test_a_trait_of_the_users_own_is_captioned_with_its_denominator() -> None:
    panels = [SitePanel("lower three", sites(), "without an overall direction")]
    among = {**labels.STANDARD_DENOMINATORS, "lower three": "shells scored for formula"}
    figure = draw_sites("x", SPECIES, panels, frame(), min_shells=20, width_mm=140, among=among)
    assert "Lower three is counted among shells scored for formula." in figure.caption


@pytest.mark.parametrize("blur", [0.0, 1000.0])
def test_the_caption_says_what_was_done_to_places(blur: float) -> None:
    panels = [SitePanel("yellow", sites(), "")]
    caption = draw_sites("x", SPECIES, panels, frame(blur_m=blur), min_shells=20, width_mm=140).caption
    assert ("its exact place is not shown" in caption) == (blur > 0)


def test_descriptions_travel_inside_and_beside_the_files(tmp_path: Path) -> None:
    figure = bandwidth_figure()
    names = save(figure, tmp_path, ["png", "svg", "pdf"])
    assert names == [f"bandwidth.{end}" for end in ("png", "svg", "pdf", "csv", "txt")]
    title = "Choice of the smoothing bandwidths: deviance of each site's counts under local logistic regression"
    with Image.open(tmp_path / "bandwidth.png") as image:
        assert (image.text["Title"], image.text["Description"]) == (title, figure.alt)
    svg = (tmp_path / "bandwidth.svg").read_text(encoding="utf-8")
    described = re.search(r'<desc id="figure-description">(.*?)</desc>', svg, re.DOTALL)
    assert described is not None
    assert described.group(1) == figure.alt
    assert f'<title id="figure-title">{title}</title>' in svg
    assert 'role="img"' in svg
    assert b"/Subject" in (tmp_path / "bandwidth.pdf").read_bytes()
    caption, _, alt = (tmp_path / "bandwidth.txt").read_text(encoding="utf-8").rstrip("\n").partition("\n\n")
    assert (caption, alt) == (figure.caption, figure.alt)
    assert len(pd.read_csv(tmp_path / "bandwidth.csv")) == len(figure.data)


def test_fonts_are_embedded_as_truetype_and_no_file_has_a_date(tmp_path: Path) -> None:
    save(bandwidth_figure(), tmp_path, ["png", "svg", "pdf"])
    pdf = (tmp_path / "bandwidth.pdf").read_bytes()
    assert b"/FontFile2" in pdf
    assert b"/Type3" not in pdf
    assert b"Date" not in pdf
    assert "dc:date" not in (tmp_path / "bandwidth.svg").read_text(encoding="utf-8")
    assert b"tIME" not in (tmp_path / "bandwidth.png").read_bytes()


@pytest.mark.parametrize("draw", [sites_figure, surface_figure, cline_figure], ids=lambda draw: draw.__name__)
def test_the_same_figure_has_the_same_bytes(draw, tmp_path: Path) -> None:
    formats = ["png", "svg", "pdf"]
    for folder in ("one", "other"):
        save(draw(90.0), tmp_path / folder, formats)
    # A vector file must not depend on the files written before it either.
    save(draw(90.0), tmp_path / "alone", ["pdf"])
    for path in (tmp_path / "one").iterdir():
        assert path.read_bytes() == (tmp_path / "other" / path.name).read_bytes(), path.name
    pdf = next((tmp_path / "one").glob("*.pdf"))
    assert pdf.read_bytes() == (tmp_path / "alone" / pdf.name).read_bytes()


@pytest.mark.slow
def test_bytes_do_not_depend_on_the_process_and_pyplot_is_not_needed(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path\n"
        "from made_figures import sites_figure; from morphcline.stages._saving import save\n"
        "save(sites_figure(90.0), Path(sys.argv[1]), ['png', 'svg', 'pdf'])\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
    )
    drawings = str(Path(__file__).parents[1])
    for seed in ("1", "2"):
        done = subprocess.run(
            [sys.executable, "-c", code, str(tmp_path / seed)], capture_output=True, text=True, check=False,
            cwd=tmp_path,
            env=os.environ | {"PYTHONHASHSEED": seed, "PYTHONPATH": drawings, "MPLCONFIGDIR": str(tmp_path)},
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
    for path in (tmp_path / "1").iterdir():
        assert path.read_bytes() == (tmp_path / "2" / path.name).read_bytes(), path.name


def test_the_users_matplotlib_settings_neither_change_a_figure_nor_are_changed(tmp_path: Path) -> None:
    save(bandwidth_figure(), tmp_path / "plain", ["png"])
    with matplotlib.rc_context({"font.size": 22, "axes.facecolor": "red", "lines.linewidth": 9}):
        before = dict(matplotlib.rcParams)
        save(bandwidth_figure(), tmp_path / "odd", ["png"])
        assert dict(matplotlib.rcParams) == before
    assert (tmp_path / "plain/bandwidth.png").read_bytes() == (tmp_path / "odd/bandwidth.png").read_bytes()


def circles(figure: Figure) -> np.ndarray:
    return np.vstack([c.get_facecolors() for c in figure.sheet.findobj(PathCollection) if len(c.get_offsets())])


def test_a_frequency_has_one_colour_on_every_map() -> None:
    low = draw_sites("x", SPECIES, [SitePanel("yellow", sites(frequency=0.2), "")], frame(), min_shells=20, width_mm=90)
    expected = frequency_colours([0.2])[0] / 255
    assert np.allclose(circles(low), expected, atol=1 / 255)


def test_sites_without_shells_or_with_few_are_not_coloured() -> None:
    table = sites()
    figure = draw_sites("x", SPECIES, [SitePanel("yellow", table, "")], frame(), min_shells=20, width_mm=90)
    coloured = sum(len(c.get_offsets()) for c in figure.sheet.findobj(PathCollection))
    assert coloured == int((table["enough"] & (table["total"] > 0)).sum()) < len(table)
    # They are in the data all the same, and missing there.
    assert figure.data["frequency"].isna().sum() == 2


def test_blank_cells_are_blank() -> None:
    image = next(a.images[0] for a in surface_figure().sheet.axes if a.images and a.get_xlim() == (900e3, 960e3))
    cells = image.get_array()
    y, x = np.mgrid[0:1:40j, 0:1:60j]
    assert np.array_equal(cells[..., 3] == 0, x + y > 1.7)


def test_many_sites_become_a_bitmap_within_the_vector_file(tmp_path: Path) -> None:
    table = pd.concat([sites(1500, seed=seed) for seed in range(4)], ignore_index=True)
    figure = draw_sites("x", SPECIES, [SitePanel("yellow", table, "")], frame(), min_shells=20, width_mm=90)
    save(figure, tmp_path, ["svg"])
    svg = (tmp_path / "x.svg").read_text(encoding="utf-8")
    assert "<image" in svg
    assert svg.count("<use") + svg.count("<path") < 1000


def test_a_width_that_a_step_fits_as_well_is_no_number() -> None:
    made = step_figure()
    texts = [[text.get_text() for text in axes.texts] for axes in made.sheet.axes[:4]]
    assert texts[0] == ["a step, narrower than 6 km"]
    assert [len(found) for found in texts] == [1, 1, 0, 0]
    step, cline, unknown, linear = made.caption.split("towards 060°")[1:5]
    assert "a step, narrower than 6 km (no lower limit)" in step
    assert "width 137 m (120 to 180 m)" in cline
    assert "width" not in unknown
    assert "over the whole 137 m" in linear
    assert "centre" not in linear.split(";")[0].split(".")[0]
    assert "the dashed bar is the widest" in made.caption
    assert "137 m" not in step
    plain = cline_figure()
    assert "step" not in plain.caption


def test_a_cline_that_fails_its_test_is_marked_and_has_no_numbers() -> None:
    at = np.linspace(-20e3, 20e3, 50)
    fit = 0.1 + 0.8 / (1 + np.exp(-at / 3000))
    shown = sites().dropna(subset=["frequency"]).assign(distance_m=np.linspace(-20e3, 20e3, 58))
    good, failed = (
        ClinePanel(trait, "sigmoid, free ends", 0.97, 60.0, 500.0, -800.0, 2100.0, 12e3, 9e3, 15e3, shown, at,
                   fit, fit - 0.05, fit + 0.05, p_fit=p, fits=p > 0.05)
        for trait, p in (("yellow", 0.4), ("mid-banded", 0.005))
    )  # fmt: skip
    made = draw_clines("cline", SPECIES, [good, failed], confidence=0.95, privacy="", width_mm=190.0)
    texts = [[text.get_text() for text in axes.texts] for axes in made.sheet.axes[:2]]
    assert texts == [["12 km"], ["doesn't describe the map (p = 0.005)"]]
    assert [axes.lines[0].get_linestyle() for axes in made.sheet.axes[:2]] == ["-", "--"]
    assert "Mid-banded: sigmoid with free ends, towards 060°, which doesn't describe the map (p = 0.005)" in (
        made.alt + made.caption
    ).replace("mid-banded: sigmoid", "Mid-banded: sigmoid")
    assert "A dashed curve is the best of the models" in made.caption


def test_pairs_beyond_the_panel_are_triangles_wholly_inside() -> None:
    common = {
        "species": SPECIES, "trait": "yellow", "pair": "1984 – now", "earlier_survey": "1984", "p": 0.1, "pairs": 80,
        "method": "paired sites", "earlier_count": 12.0, "earlier_total": 40.0, "later_count": 18.0,
        "later_total": 40.0, "earlier_frequency": 0.3, "later_frequency": 0.45,
    }  # fmt: skip
    differences = [0.01, *np.linspace(-0.1, 0.1, 77), 0.9, -0.8]
    rows = [{**common, "site": f"S{i}", "difference": d, "low": -0.1, "high": 0.1} for i, d in enumerate(differences)]
    rows.append({**common, "site": "", "difference": 0.02, "low": -0.03, "high": 0.07})
    made = draw_change("change", pd.DataFrame(rows), within_m=100, confidence=0.95, width_mm=190.0)
    FigureCanvasAgg(made.sheet).draw()
    axes = made.sheet.axes[0]
    frame_box = axes.get_window_extent()
    found = {
        line.get_marker(): line for line in axes.lines if line.get_marker() in ("<", ">") and len(line.get_xdata())
    }
    assert {marker: len(line.get_xdata()) for marker, line in found.items()} == {"<": 1, ">": 1}
    for line in found.values():
        box = line.get_window_extent()
        assert frame_box.x0 <= box.x0 <= box.x1 <= frame_box.x1
    assert "Triangles at the edge" in made.caption
    inside = change_figure()
    assert "Triangles" not in inside.caption


def test_the_bandwidth_of_each_trait_is_marked_where_its_deviance_is_lowest() -> None:
    made = bandwidth_figure()
    panels = [axes for axes in made.sheet.axes if axes.get_legend() is not None]
    assert len(panels) == 2
    for axes in panels:
        named = [text.get_text() for text in axes.get_legend().get_texts()]
        assert [name.split(":")[0] for name in named] == ["Yellow, pink, brown", "Unbanded"]
        marks = [line for line in axes.lines if line.get_linestyle() == "None" and len(line.get_xdata()) == 1]
        assert [line.get_ydata()[0] for line in marks] == [0.0, 0.0]
        widths = np.geomspace(800, 30e3, 12)
        np.testing.assert_allclose([line.get_xdata()[0] for line in marks], widths[5])
    assert not any(trait.startswith("yellow unbanded") for trait in made.data["trait"])
    assert made.data["above_lowest"].min() == 0
    assert "yellow, pink, brown 4.2 km; unbanded 4.2 km" in made.caption


def test_the_surface_says_what_its_error_leaves_out() -> None:
    assert "sharper than a bandwidth" in surface_figure().caption


@pytest.mark.parametrize("sill", [0.9, np.nan])
def test_a_variogram_speaks_of_no_sill_where_a_curve_it_draws_has_none(sill: float) -> None:
    rows = [
        {"species": SPECIES, "trait": "yellow", "distance_class": k + 1, "from_m": k * 1e3, "to_m": (k + 1) * 1e3,
         "mean_m": (k + 0.6) * 1e3, "pairs": 300, "semivariance": 1.0, "fitted": 1.0} for k in range(5)
    ]  # fmt: skip
    fit = {"species": SPECIES, "trait": "yellow", "sites": 58, "nugget_binomial": 0.1, "nugget_small_scale": 0.0,
           "sill": sill, "sill_low": 0.4, "range_m": np.nan, "practical_range_m": np.nan, "practical_range_low": np.nan,
           "practical_range_high": np.nan, "smoothness": 0.5}  # fmt: skip
    # The other trait has no curve, and so no panel.
    fits = pd.DataFrame([{**fit, "trait": "pink", "sites": 99, "sill": np.nan, "smoothness": np.nan}, fit])
    made = draw_variogram("variogram", SPECIES, pd.DataFrame(rows), fits, width_mm=190.0)
    named = [text.get_text() for text in texts(made)]
    assert ("Fitted curve" in named, "Fitted curve, no sill" in named) == (sill > 0, not sill > 0)
    assert ("Dashed" in made.caption) == (not sill > 0)
    assert "up to 58 sites" in made.caption
    assert "smoothness 0.5 " in made.caption


@pytest.mark.parametrize("language", ["en", "fr"])
@pytest.mark.parametrize("width", [90.0, 140.0, 190.0])
def test_charts_on_a_plate_keep_their_labels_on_the_sheet(width: float, language: str) -> None:
    def part(draw) -> Part:
        return Part(draw.__name__, lambda *, width_mm: draw(width_mm))

    parts = [part(draw) for draw in (cline_panel, isolation_figure, cline_panel, bandwidth_figure)]
    # No figure is asked to be narrower than the 60 mm that a study file may ask for; but a cline may be.
    parts = parts if width > 120 else parts[::2]
    with speaking(Language(language)):
        sheets = draw_plate("plate_charts", parts, title="", columns=2, width_mm=width)
    for made in sheets:
        across, down = made.sheet.get_size_inches() * 300
        for text, box in drawn_boxes(made):
            assert -1 <= box.x0 <= box.x1 <= across + 1, text
            assert -1 <= box.y0 <= box.y1 <= down + 1, text


def cline_panel(width: float) -> Figure:
    at = np.linspace(-20e3, 20e3, 50)
    fit = 0.1 + 0.8 / (1 + np.exp(-at / 3000))
    shown = sites().dropna(subset=["frequency"]).assign(distance_m=np.linspace(-20e3, 20e3, 58))
    panel = ClinePanel("yellow", "sigmoid, free ends", 0.97, 60.0, 500.0, -800.0, 2100.0, 12e3, 9e3, np.nan,
                       shown, at, fit, fit - 0.05, fit + 0.05)  # fmt: skip
    return draw_clines("cline", SPECIES, [panel], confidence=0.95, privacy="", width_mm=width)


@pytest.mark.parametrize("draw", ALL, ids=lambda draw: draw.__name__)
def test_vector_files_have_the_exact_size_and_every_font_within(draw, tmp_path: Path) -> None:
    figure = draw(90.0)
    save(figure, tmp_path, ["pdf", "svg"])
    across, down = figure.sheet.get_size_inches() * 72
    assert across == pytest.approx(pixels(90) / 300 * 72, abs=0.01)
    page = PdfReader(tmp_path / f"{figure.name}.pdf").pages[0]
    assert [float(page.mediabox.width), float(page.mediabox.height)] == pytest.approx([across, down], abs=0.05)
    fonts = page["/Resources"]["/Font"]
    assert len(fonts) >= 1
    for font in fonts.values():
        for inner in font.get_object().get("/DescendantFonts", [font]):
            descriptor = inner.get_object()["/FontDescriptor"].get_object()
            # TrueType, as journals ask for: PDF 32000-1:2008, table 126.
            assert "/FontFile2" in descriptor
    svg = (tmp_path / f"{figure.name}.svg").read_text(encoding="utf-8")
    size = re.search(r'width="([\d.]+)pt" height="([\d.]+)pt"', svg)
    assert size is not None
    assert [float(side) for side in size.groups()] == pytest.approx([across, down], abs=0.05)
    assert "font-family" not in svg


@pytest.mark.parametrize("draw", ALL, ids=lambda draw: draw.__name__)
def test_panels_are_lettered_in_order(draw) -> None:
    bold = [text.get_text() for text in texts(draw()) if text.get_fontweight() == "bold"]
    assert bold == list("abcdefghijklmnop"[: len(bold)])
    assert len(bold) != 1


@pytest.mark.parametrize("draw", MAPS, ids=lambda draw: draw.__name__)
def test_every_map_has_a_scale_bar_a_small_map_and_names_its_projection(draw) -> None:
    figure = draw()
    assert len(figure.sheet.findobj(ScaleBar)) == 1
    assert "Projection and coordinates: RGF93 v1 / Lambert-93 (EPSG:2154)." in figure.caption
    assert "The small map shows where the study lies" in figure.caption
    insets = [child for axes in figure.sheet.axes for child in axes.child_axes]
    assert sum(axes.get_xlim() == (-LOCATOR.half_width, LOCATOR.half_width) for axes in insets) == 1


def test_captions_say_which_places_are_hidden_further_or_withheld() -> None:
    plain, told = frame().privacy(), frame(hidden_wider=3, withheld=1).privacy()
    assert told.startswith(plain)
    assert "3 sites are hidden in larger squares. 1 site is left off the map to protect its place." in told
    assert frame(blur_m=0.0).privacy() == ""


@pytest.mark.parametrize(("waves", "least"), [((25, 12), 20), ((6, 2), 3)])
def test_contour_labels_that_would_touch_are_moved_apart(waves: tuple[int, int], least: int) -> None:
    # Hills and hollows whose contours run closer together than a label is long.
    y, x = np.mgrid[0:1:80j, 0:1:120j]
    frequency = 0.5 + 0.49 * np.sin(waves[0] * x) * np.sin(waves[1] * y)
    panel = SurfacePanel("yellow", frequency, np.full(frequency.shape, 0.03), (900e3, 960e3, 6_450e3, 6_492e3), sites(),
                         4321, "4.2 km", 1, "gaussian", "rising towards the east")  # fmt: skip
    made = draw_surfaces("surface", SPECIES, [panel], frame(), min_effective_shells=30, width_mm=90)
    drawn_boxes(made)
    axes = next(axes for axes in made.sheet.axes if axes.get_xlim() == (900e3, 960e3))
    shown = [text for text in axes.texts if text.get_visible()]
    assert len(shown) >= least
    assert {text.get_text() for text in shown} <= {"25%", "50%", "75%"}
    boxes = [text.get_window_extent() for text in shown]
    assert not any(one.overlaps(other) for i, one in enumerate(boxes) for other in boxes[:i])
