"""One small drawing of every figure, from frames made here, in the language in force."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.text import Text

from morphcline.language import _, many
from morphcline.records.change_table import OVER_PAIRS
from morphcline.render import labels
from morphcline.render.figures.bandwidth import draw_bandwidth
from morphcline.render.figures.centres import CentrePanel, draw_centres
from morphcline.render.figures.change import draw_change
from morphcline.render.figures.change_map import ChangePanel, draw_change_map
from morphcline.render.figures.clines import ClinePanel, draw_clines
from morphcline.render.figures.clusters import ClusterPanel, LocalTest, draw_clusters
from morphcline.render.figures.composition import BANDING, COLOUR, CompositionPanel, draw_composition
from morphcline.render.figures.concordance import draw_concordance
from morphcline.render.figures.correlogram import draw_correlogram
from morphcline.render.figures.effects import draw_effects
from morphcline.render.figures.frame import MapFrame
from morphcline.render.figures.habitat import draw_habitat
from morphcline.render.figures.isolation import draw_isolation
from morphcline.render.figures.landscape import draw_landscape
from morphcline.render.figures.locator import Locator
from morphcline.render.figures.sheet import Figure
from morphcline.render.figures.sites import SitePanel, draw_sites
from morphcline.render.figures.steepness import SteepPanel, draw_steepness
from morphcline.render.figures.surfaces import SurfacePanel, draw_surfaces
from morphcline.render.figures.transects import draw_transect
from morphcline.render.figures.variogram import draw_variogram
from morphcline.render.palettes import LOCAL_GROUPS
from morphcline.scoring.traits import MORPHS

SPECIES = "Cepaea nemoralis"
TRAITS = ("yellow", "pink", "brown", "unbanded", "mid-banded", "many-banded", "effectively unbanded", "fused")
CRS = "EPSG:2154"


LOCATOR = Locator(
    half_width=750e3, half_height=600e3,
    meridians=tuple((5.0 * i, np.array([[300e3 * i, -700e3], [280e3 * i, 700e3]])) for i in (-1, 0, 1)),
    parallels=tuple((lat, np.array([[-800e3, up], [800e3, up]])) for lat, up in ((45.0, -90e3), (50.0, 430e3))),
    land=(), study=np.array([[-20e3, -20e3], [20e3, -20e3], [20e3, 20e3], [-20e3, 20e3]]), step_deg=5,
)  # fmt: skip


def frame(aspect: float = 0.7, **changes: object) -> MapFrame:
    south, north = 6_450_000.0, 6_450_000.0 + 60_000 * aspect
    ring = np.array([[901e3, south + 1e3], [959e3, south + 1e3], [959e3, north - 1e3], [901e3, north - 1e3]])
    settings = {"outline": (ring,), "true_north_deg": -2.0, "blur_m": 1000.0, "locator": LOCATOR, **changes}
    return MapFrame(900e3, south, 960e3, north, CRS, **settings)  # type: ignore[arg-type]


def sites(n: int = 60, frequency: float | None = None, seed: int = 3) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    x, y = 902e3 + 56e3 * rng.random(n), 6_452_000 + 38e3 * rng.random(n)
    total = rng.integers(6, 160, n)
    share = rng.random(n) if frequency is None else np.full(n, frequency)
    table = pd.DataFrame(
        {"site": [f"S{i}" for i in range(n)], "shown_as": [f"S{i}" for i in range(n)], "x_m": x, "y_m": y,
         "drawn_x_m": x, "drawn_y_m": y, "total": total.astype(float), "count": np.rint(share * total),
         "frequency": share, "enough": total >= 20}
    )  # fmt: skip
    table.loc[[0, 1], ["total", "count", "frequency"]] = np.nan
    table.loc[[0, 1], "enough"] = False
    return table


def sites_figure(width: float = 190.0, aspect: float = 0.7, traits: tuple[str, ...] = TRAITS) -> Figure:
    panels = [SitePanel(trait, sites(seed=i), _("rising towards the east")) for i, trait in enumerate(traits)]
    return draw_sites("sites", SPECIES, panels, frame(aspect), min_shells=20, width_mm=width)


def surface_figure(width: float = 190.0, aspect: float = 0.7) -> Figure:
    y, x = np.mgrid[0:1:40j, 0:1:60j]
    frequency = np.where(x + y > 1.7, np.nan, x)
    error = np.where(np.isnan(frequency), np.nan, 0.02 + 0.1 * y)
    extent = (900e3, 960e3, 6_450e3, 6_450e3 + 60e3 * aspect)
    panels = [
        SurfacePanel(
            t,
            frequency,
            error,
            extent,
            sites(),
            4321,
            labels.distance(4213),
            1,
            "gaussian",
            _("rising towards the east"),
        )
        for t in TRAITS
    ]
    return draw_surfaces("surface", SPECIES, panels, frame(aspect), min_effective_shells=30, width_mm=width)


def steepness_figure(width: float = 190.0, aspect: float = 0.7) -> Figure:
    y, x = np.mgrid[0:1:40j, 0:1:60j]
    frequency = np.where(x + y > 1.7, np.nan, 1 / (1 + np.exp(-10 * (x - 0.5))))
    gradient = np.where(np.isnan(frequency), np.nan, frequency * (1 - frequency) / 6)
    bearing = np.where(gradient > 0.01, 90.0 + 20 * y, np.nan)
    zone = np.where(np.isnan(gradient), np.nan, (gradient > 0.02) + 1.0 * (gradient > 0.035))
    extent = (900e3, 960e3, 6_450e3, 6_450e3 + 60e3 * aspect)
    row = {"species": SPECIES, "sites": 60, "shells": 4321, "x_m": 931_234.0, "y_m": 6_451_234.0, "p": 0.001}
    panels = [SteepPanel(t, gradient, bearing, zone, frequency, extent, {**row, "trait": t}) for t in TRAITS]
    return draw_steepness("steepness", SPECIES, panels, frame(aspect), level=0.05, permutations=999, width_mm=width)


def clusters_figure(width: float = 190.0, aspect: float = 0.7) -> Figure:
    panels = []
    for trait in TRAITS:
        table = sites().assign(local_i=0.1, p_permutation=0.2, p_fdr=0.4)
        table["group"] = [list(LOCAL_GROUPS)[i % 6] for i in range(len(table))]
        if trait == "fused":
            table["group"] = "no local signal"
        panels.append(ClusterPanel(trait, table))
    test = LocalTest(many("the nearest site", "the {n} nearest sites", 8).format(n=8), 999, 0.05)
    return draw_clusters("clusters", SPECIES, panels, frame(aspect), test, width_mm=width)


def cline_figure(width: float = 190.0) -> Figure:
    at = np.linspace(-20e3, 20e3, 50)
    fit = 0.1 + 0.8 / (1 + np.exp(-at / 3000))
    shown = sites().dropna(subset=["frequency"]).assign(distance_m=np.linspace(-20e3, 20e3, 58))
    panels = [
        ClinePanel(t, "sigmoid, free ends", 0.97, 60.0, 500.0, -800.0, 2100.0, 12e3, 9e3, np.nan, shown, at,
                   fit, fit - 0.05, fit + 0.05)
        for t in TRAITS
    ]  # fmt: skip
    return draw_clines("cline", SPECIES, panels, confidence=0.95, privacy="", width_mm=width)


def step_figure() -> Figure:
    at = np.linspace(-20e3, 20e3, 50)
    shown = sites().dropna(subset=["frequency"]).assign(distance_m=np.linspace(-20e3, 20e3, 58))
    step, cline, unknown, linear = (
        ClinePanel(t, model, 0.9, 60.0, 500.0, -800.0, 2100.0, 137.0, low, high, shown, at,
                   0.2 + 0.6 * (at > 0), 0.1 + 0.6 * (at > 0), 0.3 + 0.6 * (at > 0), is_step)
        for t, model, low, high, is_step in (
            ("yellow", "sigmoid, free ends", np.nan, 6e3, True), ("pink", "sigmoid, free ends", 120.0, 180.0, False),
            ("brown", "sigmoid", np.nan, np.nan, False), ("unbanded", "linear", np.nan, np.nan, False),
        )
    )  # fmt: skip
    return draw_clines("cline", SPECIES, [step, cline, unknown, linear], confidence=0.95, privacy="", width_mm=190.0)


def correlogram_figure(width: float = 190.0) -> Figure:
    rows = [
        {"species": SPECIES, "trait": t, "distance_class": k + 1, "from_m": k * 4e3, "to_m": (k + 1) * 4e3,
         "mean_m": (k + 0.55) * 4e3, "pairs": 300, "moran_i": 0.6 - 0.09 * k, "expected": -0.01, "envelope_low": -0.1,
         "envelope_high": 0.12, "p_permutation": 0.01, "p_holm": 0.01 if k < 4 else 0.6}
        for t in TRAITS for k in range(10)
    ]  # fmt: skip
    # An open interval, a closed one, and none.
    reaches = [
        {"species": SPECIES, "trait": t, "sites": 58, "p_global": 0.001, "reach_m": reach_m, "reach_low": 21e3,
         "reach_high": high, "not_estimated_because": ""}
        for t, (reach_m, high) in zip(TRAITS, 9 * [(28e3, 31e3), (29e3, np.nan), (np.nan, np.nan)], strict=False)
    ]  # fmt: skip
    numbers = pd.DataFrame({"species": [SPECIES], "trait": ["yellow"], "sites": [58], "shells": [4321]})
    return draw_correlogram(
        "correlogram", SPECIES, pd.DataFrame(rows), pd.DataFrame(reaches), numbers, permutations=999, level=0.05,
        width_mm=width,
    )  # fmt: skip


def variogram_figure(width: float = 190.0) -> Figure:
    at = (np.arange(15) + 0.6) * 1.2e3
    rows = [
        {"species": SPECIES, "trait": t, "distance_class": k + 1, "from_m": k * 1.2e3, "to_m": (k + 1) * 1.2e3,
         "mean_m": at[k], "pairs": 300, "semivariance": 1.1 - np.exp(-at[k] / 4e3),
         "fitted": 1.15 - np.exp(-at[k] / 4e3)} for t in TRAITS for k in range(15)
    ]  # fmt: skip
    fits = [
        {"species": SPECIES, "trait": t, "sites": 58, "nugget_binomial": 0.1, "nugget_small_scale": 0.05, "sill": sill,
         "sill_low": 0.4, "range_m": range_m, "practical_range_m": 3 * range_m, "practical_range_low": 5e3,
         "practical_range_high": high, "smoothness": 0.5}
        for t, (sill, range_m, high) in zip(
            TRAITS, 9 * [(1.0, 4e3, 17e3), (1.0, 5e3, np.nan), (np.nan, np.nan, np.nan)], strict=False)
    ]  # fmt: skip
    return draw_variogram("variogram", SPECIES, pd.DataFrame(rows), pd.DataFrame(fits), width_mm=width)


def bandwidth_figure(width: float = 190.0) -> Figure:
    widths = np.geomspace(800, 30e3, 12)
    table = pd.concat(
        [pd.DataFrame({"species": s, "trait": t, "bandwidth_m": widths, "chosen": np.arange(12) == 5,
                       "deviance": 900 + 100 * np.log(widths / widths[5]) ** 2})
         for s in (SPECIES, "Cepaea hortensis") for t in ("yellow, pink, brown", "unbanded", ", ".join(MORPHS))]
    )  # fmt: skip
    numbers = pd.DataFrame({"species": [SPECIES], "trait": ["yellow"], "sites": [58], "shells": [4321]})
    return draw_bandwidth("bandwidth", table, numbers, kernel="gaussian", degree=1, width_mm=width)


def habitat_figure(width: float = 190.0) -> Figure:
    rows = [
        {"trait": t, "habitat": h, "count": 120 + k, "total": 1321, "sites": 40, "frequency": 0.1 * (k + 1),
         "low": 0.1 * k, "high": 0.1 * (k + 2)}
        for t in TRAITS for k, h in enumerate(["woodland", "hedgerow", "garden and urban", "marsh"])
        if not (t == "fused" and h == "marsh")
    ]  # fmt: skip
    regional = pd.DataFrame({"trait": TRAITS, "frequency": 0.3})
    return draw_habitat(
        "habitat",
        SPECIES,
        pd.DataFrame(rows),
        regional,
        source=_("as the recorders noted it"),
        confidence=0.95,
        width_mm=width,
    )


def effects_figure(width: float = 190.0) -> Figure:
    terms = [f"habitat: {h}" for h in ("woodland", "garden and urban", "marsh")] + ["temperature_c"]
    rows = [
        {"species": SPECIES, "trait": t, "term": term, "reference": "hedgerow" if term[0] == "h" else "",
         "frequency_from": 0.3, "frequency_to": 0.3 + 0.05 * k, "effect": 0.05 * k, "low": 0.05 * k - 0.08,
         "high": 0.05 * k + 0.08, "effect_naive": 0.07 * k, "low_naive": 0.07 * k - 0.9, "high_naive": 0.07 * k + 0.1,
         "p_spatial": 0.3 / (1 + k) ** 3, "p_holm": 0.3 / (1 + k) ** 3 if term[0] == "h" else np.nan, "p_naive": 0.01,
         "sites": 58, "shells": 1321}
        for t in TRAITS for k, term in enumerate(terms) if not (t == "fused" and k == 1)
    ]  # fmt: skip
    return draw_effects("effects", SPECIES, pd.DataFrame(rows), confidence=0.95, width_mm=width)


def change_figure(width: float = 190.0) -> Figure:
    rows = []
    for s in (SPECIES, "Cepaea hortensis"):
        for t in TRAITS:
            common = {"species": s, "trait": t, "pair": "1984 – now", "earlier_survey": "1984", "p": 0.1, "pairs": 12,
                      "method": OVER_PAIRS, "earlier_count": 12.0, "earlier_total": 40.0, "later_count": 18.0,
                      "later_total": 40.0, "earlier_frequency": 0.3, "later_frequency": 0.45}  # fmt: skip
            rows.append({**common, "site": "", "difference": 0.15, "low": 0.05, "high": 0.25})
            rows += [{**common, "site": f"S{i}", "difference": 0.02 * i, "low": -0.1, "high": 0.4} for i in range(12)]
    return draw_change("change", pd.DataFrame(rows), within_m=100, confidence=0.95, width_mm=width)


def landscape_figure(width: float = 190.0, aspect: float = 0.7) -> Figure:
    table = sites().assign(shells=40.0, temperature_c=np.linspace(9, 11, 60))
    table["habitat"] = ["woodland", "marsh", "hedgerow", "arable", ""] * 12
    table.loc[:4, "temperature_c"] = np.nan
    source = _("Habitat: {source}.").format(source=_("as the recorders noted it"))
    return draw_landscape(
        "landscape",
        table,
        frame(aspect),
        source=source,
        width_mm=width,
    )


def concordance_figure(width: float = 190.0) -> Figure:
    rows = [
        {"species": SPECIES, "trait": first, "second_species": other, "second_trait": second,
         "reversed": first != second, "parameter": what, "difference": value, "low": low, "high": high,
         "p_bootstrap": p, "p_chi2": p, "sites": 210, "sites_both": 180, "residual_correlation": -0.2}
        for first, second, other in (("yellow", "unbanded", SPECIES), ("unbanded", "unbanded", "Cepaea hortensis"))
        for what, value, low, high, p in (
            ("centre", -700.0, -1900.0, 600.0, 0.31), ("width", 9.0, 5.5, 14.0, 0.002),
            ("bearing", -60.0, -80.0, -40.0, 0.01),
            ("all", np.nan, np.nan, np.nan, 0.004),
        )
    ]  # fmt: skip
    return draw_concordance("concordance", pd.DataFrame(rows), confidence=0.95, width_mm=width)


def centres_figure(width: float = 190.0, aspect: float = 0.7) -> Figure:
    at = np.linspace(905e3, 955e3, 40)
    line = np.column_stack([at, 6_470_000 + 6000 * np.sin((at - 905e3) / 12e3)])
    band = np.vstack([line + np.array([0, 1500]), line[::-1] - np.array([0, 1500])])
    panels = [
        CentrePanel(trait, (line,), (band,), curved, p, 4200.0, labels.compass(180.0), sites(seed=i).dropna())
        for i, (trait, curved, p) in enumerate((("yellow", True, 0.005), ("unbanded", False, 0.4)))
    ]
    return draw_centres("centres", SPECIES, panels, frame(aspect), confidence=0.95, width_mm=width)


def change_map_figure(width: float = 190.0, aspect: float = 0.7) -> Figure:
    pairs = sites().dropna().assign(earlier_count=12, earlier_total=40.0, later_total=30.0, earlier_frequency=0.3)
    pairs = pairs.assign(later_count=10, later_frequency=pairs["frequency"], difference=pairs["frequency"] - 0.3)
    panels = [ChangePanel(trait, "1984", pairs, _("without an overall direction")) for trait in TRAITS]
    return draw_change_map("change_map", SPECIES, panels, frame(aspect), within_m=100.0, width_mm=width)


def isolation_figure(width: float = 190.0) -> Figure:
    keys = [(s, t) for s in (SPECIES, "Cepaea hortensis") for t in ("colour", "unbanded", "mid-banded")]
    rows = [
        {"species": s, "trait": t, "distance_class": k + 1, "middle_m": 600.0 * 2**k, "pairs": 200,
         "differentiation": 0.02 * k, "low": 0.02 * k - 0.03, "high": 0.02 * k + 0.03}
        for s, t in keys for k in range(6)
    ]  # fmt: skip
    lines = [
        {"species": s, "trait": t, "sites": 58, "pairs": 1200, "differentiation": 0.05, "slope_per_doubling": 0.02,
         "middle_m": 4e3} for s, t in keys
    ]  # fmt: skip
    return draw_isolation("isolation", pd.DataFrame(lines), pd.DataFrame(rows), confidence=0.95, width_mm=width)


def transect_figure(width: float = 190.0) -> Figure:
    at = np.linspace(0, 20e3, 50)
    shown = sites().dropna(subset=["frequency"]).assign(distance_m=np.linspace(0, 20e3, 58))
    panels = [
        ClinePanel(t, "sigmoid", 0.97, np.nan, 9e3, 8e3, 10e3, 4e3, 3e3, 5e3, shown, at,
                   at / 20e3, at / 25e3, (at + 5e3) / 25e3) for t in TRAITS[:2]
    ]  # fmt: skip
    return draw_transect("transects", SPECIES, "A", panels, within_m=2e3, confidence=0.95, privacy="", width_mm=width)


def composition_figure(width: float = 190.0, aspect: float = 0.7) -> Figure:
    table = sites().dropna().assign(yellow=lambda t: t["total"] // 2, brown=lambda t: t["total"] // 10)
    table = table.assign(pink=table["total"] - table["yellow"] - table["brown"])
    table = table.assign(**{"unbanded": table["yellow"], "mid-banded": table["brown"], "many-banded": table["pink"] - 1,
                            "other one-banded": 1.0})  # fmt: skip
    panels = [CompositionPanel(trait, table) for trait in (COLOUR, BANDING)]
    return draw_composition(
        "composition", SPECIES, panels, frame(aspect), min_shells=20, confidence=0.95, width_mm=width
    )


MAPS = (
    composition_figure, sites_figure, surface_figure, steepness_figure, clusters_figure, landscape_figure,
    centres_figure, change_map_figure,
)  # fmt: skip
ALL = (
    *MAPS, cline_figure, correlogram_figure, variogram_figure, bandwidth_figure, habitat_figure, effects_figure,
    change_figure, concordance_figure, isolation_figure, transect_figure,
)  # fmt: skip


def texts(figure: Figure) -> list[Text]:
    """Texts that are drawn: ticks beyond an axis's limits keep a label that isn't."""
    beyond = set()
    for axes in figure.sheet.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            ticks = [*axis.get_major_ticks(), *axis.get_minor_ticks()]
            beyond |= {tick.label1 for tick in ticks if not low <= tick.get_loc() <= high}
    found = figure.sheet.findobj(Text)
    return [text for text in found if text.get_visible() and text.get_text().strip() and text not in beyond]
