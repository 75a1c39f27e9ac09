"""What figures draw: a cline's panel when a place is withheld."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from morphcline.records.published import published_places
from morphcline.stages._panels import Material, curve_panel
from morphcline.study import Study, load_study

SPECIES, TRAIT = "Cepaea nemoralis", "yellow"
CENTRE, WIDTH = 500.0, 8000.0
#: Along a cline that rises towards the east, from its origin.
EASTINGS = np.array([-9000.0, -6000.0, -3000.0, 0.0, 3000.0, 6000.0, 9000.0])
WITHHELD = "S3"


def study(folder: Path) -> Study:
    (folder / "study.toml").write_text(
        '[study]\nname = "orsel"\ncrs = "EPSG:2154"\n[records]\npath = "records.csv"\n', encoding="utf-8"
    )
    return load_study(folder / "study.toml")


def places() -> pd.DataFrame:
    names = [f"S{i}" for i in range(len(EASTINGS))]
    return pd.DataFrame({"site": names, "x_m": 700_000 + EASTINGS, "y_m": 6_500_000.0, "blur_m": 0.0})


def material(folder: Path, sites: pd.DataFrame) -> Material:
    names = places()["site"]
    total = np.full(len(names), 40)
    count = np.rint(total / (1 + np.exp(-4 * (EASTINGS - CENTRE) / WIDTH))).astype(int)
    frequencies = pd.DataFrame(
        {"site": names, "species": SPECIES, "trait": TRAIT, "count": count, "total": total,
         "frequency": count / total, "enough": True}
    )  # fmt: skip
    return Material(study(folder), folder, {"sites": sites, "frequencies": frequencies}, published_places(sites))


def fitted() -> pd.Series:
    return pd.Series(
        {"trait": TRAIT, "model": "sigmoid", "weight": 0.9, "bearing_deg": 90.0, "direction": "", "origin_x_m": 7e5,
         "origin_y_m": 6.5e6, "centre_m": CENTRE, "centre_low": 0.0, "centre_high": 1000.0, "width_m": WIDTH,
         "width_low": 6000.0, "width_high": 11_000.0, "p_min": 0.0, "p_max": 1.0, "rho": 0.02, "step": False,
         "p_fit": 0.4, "fails": False}
    )  # fmt: skip


def hidden(sites: pd.DataFrame) -> pd.DataFrame:
    """Withhold the place of one site."""
    told = sites["site"] != WITHHELD
    return sites.assign(x_m=sites["x_m"].where(told), y_m=sites["y_m"].where(told))


@pytest.mark.parametrize("given", [False, True], ids=["all sites", "the sites of a transect"])
def test_a_withheld_site_counts_neither_in_the_points_nor_in_the_band(tmp_path: Path, given: bool) -> None:
    sites = hidden(places())
    panel = curve_panel(material(tmp_path, sites), SPECIES, fitted(), sites=sites if given else None)
    known = places()[places()["site"] != WITHHELD]
    without = curve_panel(material(tmp_path, known), SPECIES, fitted(), sites=known if given else None)
    assert list(panel.sites["shown_as"]) == list(known["site"])
    assert panel.sites["distance_m"].to_numpy() == pytest.approx(np.delete(EASTINGS, 3))
    assert panel.low == pytest.approx(without.low)
    assert panel.high == pytest.approx(without.high)
    whole = curve_panel(material(tmp_path, places()), SPECIES, fitted())
    assert np.isfinite(panel.low).all()
    assert np.isfinite(panel.high).all()
    # A sample fewer in the middle of the cline tells less of it.
    assert (panel.high - panel.low).max() > (whole.high - whole.low).max()


def test_the_curve_is_the_logistic_of_centre_and_width(tmp_path: Path) -> None:
    panel = curve_panel(material(tmp_path, hidden(places())), SPECIES, fitted())
    assert (panel.at_m[0], panel.at_m[-1]) == (EASTINGS[0], EASTINGS[-1])
    assert panel.fit == pytest.approx(1 / (1 + np.exp(-4 * (panel.at_m - CENTRE) / WIDTH)))
    assert ((panel.low < panel.fit) & (panel.fit < panel.high)).all()
