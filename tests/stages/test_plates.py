"""Plates of a study: names that can't be, panels that are taken out, and what a plate lacks."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pandas as pd
import pytest
from matplotlib.text import Text

from morphcline import check
from morphcline.errors import StudyFileError
from morphcline.render.figures.sheet import Figure, Heading, Sheet, letters, style
from morphcline.stages._orders import Order
from morphcline.stages._plates import check_plates, figure_names, narrowed, plate_orders
from morphcline.study import Study, load_study

SPECIES = "Cepaea nemoralis"


def study(folder: Path, figures: str, more: str = "") -> Study:
    file = folder / "study.toml"
    file.write_text(
        '[study]\nname = "orsel"\ncrs = "EPSG:2154"\n[records]\npath = "records.csv"\n'
        f'[[publish.plate]]\nname = "fig1"\nfigures = [{figures}]\n{more}',
        encoding="utf-8",
    )
    return load_study(file)


def drawn(name: str, species: str, panels: list, table: pd.DataFrame, *, width_mm: float) -> Figure:
    with style():
        sheet = Sheet(width_mm, 40)
        for letter, panel in zip(letters(len(panels)), panels, strict=True):
            sheet.heading(0, 0, letter, Heading(panel.trait))
    told = ", ".join(panel.trait for panel in panels)
    return Figure(name, sheet.figure, table, f"{species}: {told} (n = 1).", f"{told} (n = 1).")


class Panel:
    def __init__(self, trait: str):
        self.trait = trait


def an_order(name: str = "sites_cepaea-nemoralis") -> Order:
    table = pd.DataFrame({"trait": ["yellow", "pink", "pink"], "n": [1, 2, 3]})
    panels = [Panel("yellow"), Panel("pink")]
    return Order(name, partial(drawn, name, SPECIES, panels, table, width_mm=190))


def test_every_figure_of_the_species_may_be_named(tmp_path: Path) -> None:
    made = study(tmp_path, '"surface_cepaea-nemoralis/yellow", "composition_cepaea-hortensis/banding", "isolation"')
    check_plates(made)
    names = figure_names(made)
    assert {"cline_cepaea-hortensis", "change_map_cepaea-nemoralis", "landscape"} <= set(names)


@pytest.mark.parametrize(
    ("figures", "message"),
    [
        ('"surfaces_cepaea-nemoralis"', "no figure 'surfaces_cepaea-nemoralis'; did you mean 'surface_cepaea"),
        ('"cline_cepaea-nemoralis/yelow"', "has no panel 'yelow'; did you mean 'yellow'"),
        ('"landscape/habitat"', "'landscape' has no panel 'habitat'; it is taken as a whole"),
        ('"composition_cepaea-nemoralis/pink"', "has no panel 'pink'"),
        ('"transects_cepaea-nemoralis_1"', "no figure 'transects_cepaea-nemoralis_1'"),
    ],
)
def test_a_name_that_can_never_be_is_refused_with_the_nearest(tmp_path: Path, figures: str, message: str) -> None:
    made = study(tmp_path, figures)
    with pytest.raises(StudyFileError, match=message):
        check_plates(made)
    with pytest.raises(StudyFileError, match=r"study\.toml, \[\[publish\.plate\]\] fig1: "):
        check_plates(made)


def test_check_tells_every_wrong_name_at_once(tmp_path: Path) -> None:
    (tmp_path / "records.csv").write_text("site,species\n", encoding="utf-8")
    study(tmp_path, '"map", "sites_cepaea-nemoralis/blue", "landscape"')
    found = [str(problem) for problem in check(tmp_path / "study.toml").problems if "plate" in str(problem)]
    assert len(found) == 2


def test_one_panel_is_taken_out_with_its_rows() -> None:
    order = narrowed(an_order(), "pink")
    assert order.draw is not None
    made = order.draw()
    assert made.data["n"].tolist() == [2, 3]
    assert made.caption == "Cepaea nemoralis: pink (n = 1)."
    assert narrowed(an_order(), "brown").left_out_because == "the figure has nothing to show of brown"


def test_what_a_plate_lacks_is_said_and_the_rest_drawn(tmp_path: Path) -> None:
    made = study(tmp_path, '"sites_cepaea-nemoralis/pink", "cline_cepaea-nemoralis", "sites_cepaea-nemoralis/brown"')
    orders = [an_order(), Order("cline_cepaea-nemoralis", left_out_because="no trait has a cline")]
    (plate,), lacking = plate_orders(made, orders)
    assert lacking == [
        "Plate fig1 lacks cline_cepaea-nemoralis: no trait has a cline.",
        "Plate fig1 lacks sites_cepaea-nemoralis/brown: the figure has nothing to show of brown.",
    ]
    assert plate.name == "plate_fig1"
    assert plate.draw is not None
    (sheet,) = plate.draw()
    assert sheet.caption == "(a) Cepaea nemoralis: pink (n = 1)."
    nothing = study(tmp_path, '"cline_cepaea-nemoralis"')
    (empty,), _ = plate_orders(nothing, orders)
    assert empty.draw is None
    assert empty.left_out_because == "none of its figures has data"


def test_species_stand_in_headings_where_a_plate_has_several(tmp_path: Path) -> None:
    both = study(
        tmp_path, '"sites_cepaea-nemoralis/pink", "sites_cepaea-hortensis/pink"', "width_mm = 120\ncolumns = 1\n"
    )
    orders = [an_order(), an_order("sites_cepaea-hortensis")]
    (plate,), _ = plate_orders(both, orders)
    assert plate.draw is not None
    (sheet,) = plate.draw()
    assert sheet.sheet.get_size_inches()[0] * 25.4 == pytest.approx(120, abs=0.1)
    one = study(tmp_path, '"sites_cepaea-nemoralis/pink", "sites_cepaea-nemoralis/yellow"')
    (alone,), _ = plate_orders(one, orders)
    assert [part.species for part in plate.draw.args[1]] == ["C. nemoralis", "C. hortensis"]
    assert alone.draw is not None
    assert [part.species for part in alone.draw.args[1]] == ["", ""]
    assert {text.get_text() for text in sheet.sheet.findobj(Text)} >= {"a", "b", "pink"}
