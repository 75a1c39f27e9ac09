"""What the map of change draws: pairs of places, at the places published."""

from __future__ import annotations

from morphcline.render import labels
from morphcline.render.figures.change_map import ChangePanel
from morphcline.stages._panels import Material, trend_in_words


def change_panels(material: Material, species: str) -> list[ChangePanel]:
    """Return a panel for each earlier survey and trait that figures show, where places have pairs."""
    rows = material.of("change", species)
    rows = rows[(rows["site"] != "") & rows["difference"].notna()]
    panels = []
    for survey in dict.fromkeys(rows["earlier_survey"]):
        of_survey = rows[rows["earlier_survey"] == survey]
        for trait in labels.main_traits(of_survey["trait"]):
            pairs = material.placed(of_survey[of_survey["trait"] == trait])
            if pairs.empty:
                continue
            worth = 1 / (1 / pairs["earlier_total"] + 1 / pairs["later_total"])
            pattern = trend_in_words(pairs["x_m"], pairs["y_m"], pairs["difference"], worth)
            panels.append(ChangePanel(trait, str(survey), pairs, pattern))
    return panels
