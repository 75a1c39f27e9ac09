"""Studies too small, too even or too oddly placed: each ends in results that say what was not estimated, and why."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyproj
import pytest
from rasterio.transform import from_origin

from made_rasters import write_raster
from morphcline import runner
from morphcline.errors import StudyError
from morphcline.files.tables import read_table
from morphcline.render.webmap import draw_grid

HEADER = "site,date,easting,northing,species,colour,banding,count,age\n"
STUDY = """
[study]
name = "odd"
crs = "{crs}"
[records]
path = "records.csv"
[records.position]
written_as = "easting-northing"
crs = "{crs}"
[surfaces]
cell_m = 1000
min_effective_shells = 5
[steepness]
permutations = 99
[autocorrelation]
permutations = 99
distance_classes = 4
[publish]
formats = ["png"]
{more}
"""
Place = tuple[float, float]
WEST, SOUTH = 650_000.0, 6_650_000.0


def spread(sites: int) -> list[Place]:
    """Return places over some 20 by 15 km."""
    rng = np.random.default_rng(3)
    return [(WEST + rng.uniform(0, 20_000), SOUTH + rng.uniform(0, 15_000)) for _ in range(sites)]


def rows(places: list[Place], *, scores: Callable[[int], Iterator[tuple[str, str, int]]] | None = None) -> str:
    """Return records: at every site shells of two colours and three bandings, yellow the commoner the farther east."""
    lines = []
    for site, (easting, northing) in enumerate(places):
        for colour, banding, count in (scores or _usual)(site):
            lines.append(
                f"S{site:02},2024-06-{site % 28 + 1:02},{easting:.0f},{northing:.0f},"
                f"Cepaea nemoralis,{colour},{banding},{count},adult\n"
            )
    return HEADER + "".join(lines)


def _usual(site: int) -> Iterator[tuple[str, str, int]]:
    rng = np.random.default_rng(site)
    for colour, share in (("yellow", 0.3 + 0.02 * (site % 20)), ("pink", 0.5)):
        for banding, part in (("00000", 0.5), ("00300", 0.2), ("12345", 0.3)):
            yield colour, banding, int(rng.poisson(60 * share * part))


def _one_shell(site: int) -> Iterator[tuple[str, str, int]]:
    yield ("yellow", "pink")[site % 2], ("00000", "00300", "12345")[site % 3], 1


def _all_yellow(_site: int) -> Iterator[tuple[str, str, int]]:
    yield "yellow", "12345", 30


def _never_yellow(_site: int) -> Iterator[tuple[str, str, int]]:
    yield "pink", "12345", 20
    yield "brown", "00300", 20


def _unbanded(site: int) -> Iterator[tuple[str, str, int]]:
    yield "yellow", "00000", 20 + site
    yield "pink", "00000", 20


def _many_at_one(site: int) -> Iterator[tuple[str, str, int]]:
    yield from _usual(site)
    if site == 0:
        yield "yellow", "00300", 50_000


def _about_the_antimeridian() -> list[Place]:
    to_metres = pyproj.Transformer.from_crs("EPSG:4720", "EPSG:3460", always_xy=True)
    rng = np.random.default_rng(5)
    longitude = (180.0 + rng.uniform(-0.12, 0.12, 24) + 180.0) % 360.0 - 180.0
    places = [to_metres.transform(one, -17.0 + 0.1 * rng.random()) for one in longitude]
    assert (longitude > 0).any()
    assert (longitude < 0).any()
    return [(float(easting), float(northing)) for easting, northing in places]


def _round_the_pole() -> list[Place]:
    return [
        ((4000 + 300 * at) * math.cos(2.4 * at), (4000 + 300 * at) * math.sin(2.4 * at)) for at in range(24)
    ]  # EPSG:3575 counts from the pole


@dataclass(frozen=True)
class Odd:
    """A degenerate study.

    Parameters
    ----------
    records : str
    crs : str
    more : str
        Of the study file.
    """

    records: str
    crs: str = "EPSG:2154"
    more: str = ""


LINE = [(WEST + 1500 * at, SOUTH + 750 * at) for at in range(20)]
STUDIES = {
    "all sites at one place": Odd(rows([(WEST, SOUTH)] * 12)),
    "all sites on a line": Odd(rows(LINE)),
    "all sites on a parallel": Odd(rows([(WEST + 1000 * at, SOUTH) for at in range(20)])),
    "one trait everywhere": Odd(rows(spread(20), scores=_all_yellow)),
    "one trait nowhere": Odd(rows(spread(20), scores=_never_yellow)),
    "one shell a site": Odd(rows(spread(40), scores=_one_shell)),
    "50,000 shells at one site": Odd(
        rows(spread(20), scores=_many_at_one), more='[scoring]\ntraits = ["yellow", "unbanded", "mid-banded"]'
    ),
    "no banded shell": Odd(rows(spread(20), scores=_unbanded)),
    "one site": Odd(rows(spread(1))),
    "two sites": Odd(rows(spread(2))),
    "three sites": Odd(rows(spread(3))),
    "across the antimeridian": Odd(rows(_about_the_antimeridian()), "EPSG:3460"),
    "round the pole": Odd(rows(_round_the_pole()), "EPSG:3575"),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", STUDIES)
def test_a_degenerate_study_ends_in_results_that_say_what_is_missing(tmp_path: Path, name: str) -> None:
    odd = STUDIES[name]
    (tmp_path / "records.csv").write_text(odd.records, encoding="utf-8")
    study = tmp_path / "study.toml"
    study.write_text(STUDY.format(crs=odd.crs, more=odd.more), encoding="utf-8")
    done = runner.run(study)
    rows_in = odd.records.count("\n") - 1
    assert done.accounts["intake"]["rows"] == rows_in
    assert done.accounts["intake"]["accepted"] == rows_in, done.accounts["intake"]["rejected_by_reason"]
    report = re.sub(r"base64,[^\"]*", "", (done.folder / "report.html").read_text(encoding="utf-8"))
    assert not re.search(
        r">[^<]*\b(nan|NaN|inf)\b", re.sub(r"<script.*?</script>|<style.*?</style>", "", report, flags=re.S)
    )
    regional = read_table(done.folder / "tables/regional.csv")
    assert len(regional)
    estimated = regional.dropna(subset=["frequency"])
    assert ((estimated["low"] <= estimated["frequency"]) & (estimated["frequency"] <= estimated["high"])).all()
    _no_silence(done.folder)


def _no_silence(folder: Path) -> None:
    """Where a table holds no estimate, it says why; where it says why, it holds none."""
    for table, estimate, why in (
        ("autocorrelation", "moran_i", "not_tested_because"),
        ("clines", "log_likelihood", "not_fitted_because"),
    ):
        found = read_table(folder / f"tables/{table}.csv")
        silent = found[found[estimate].isna() & (found[why] == "")]
        assert silent.empty, f"{table}: {silent.to_dict('records')[:1]}"
    numbers = [read_table(path).select_dtypes("number") for path in (folder / "tables").glob("*.csv")]
    assert not any(np.isinf(frame.to_numpy(dtype=float)).any() for frame in numbers if len(frame.columns))


def test_a_raster_that_covers_no_site_stops_the_run_with_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "records.csv").write_text(rows(spread(6)), encoding="utf-8")
    write_raster(tmp_path / "t.tif", np.full((3, 3), 11.0), cell=1000.0, left=100_000.0)
    study = tmp_path / "study.toml"
    study.write_text(STUDY.format(crs="EPSG:2154", more='[temperature]\npath = "t.tif"'), encoding="utf-8")
    with pytest.raises(StudyError, match=r"t\.tif: the raster covers none of the sites; ") as caught:
        runner.run(study, stages=("intake", "locate", "landscape"))
    assert len(caught.value.problems) == 1


def test_a_raster_across_the_antimeridian_lies_in_one_piece_on_the_page() -> None:
    crs = "EPSG:3460"  # Fiji
    middle = pyproj.Transformer.from_crs("EPSG:4720", crs, always_xy=True).transform(180.0, -17.0)
    transform = from_origin(middle[0] - 10_000, middle[1] + 5000, 1000, 1000)
    cells = np.full((10, 20), 0.5)
    grid = draw_grid(cells, cells / 10, transform=transform, crs=crs)
    assert 179.8 < grid.west < 180.0 < grid.east < 180.2
    assert 0.1 < grid.east - grid.west < 0.3


def test_places_either_side_of_the_antimeridian_are_near_each_other(tmp_path: Path) -> None:
    longitude = [179.98, -179.98, 179.95, -179.95, 180.0, -180.0]
    lines = [f"S{at},2024-06-01,{one},-44.0,Cepaea nemoralis,yellow,00300,25\n" for at, one in enumerate(longitude)]
    header = "site,date,longitude,latitude,species,colour,banding,count\n"
    (tmp_path / "records.csv").write_text(header + "".join(lines), encoding="utf-8")
    text = STUDY.format(crs="EPSG:2193", more="").replace("easting-northing", "longitude-latitude")
    text = text.replace('\ncrs = "EPSG:2193"\n[surfaces]', '\ncrs = "EPSG:4167"\n[surfaces]')
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    done = runner.run(tmp_path / "study.toml", stages=("intake", "locate"))
    places = read_table(done.folder / "private/tables/places.csv")
    assert done.accounts["intake"]["accepted"] == 6
    assert not any(done.accounts["intake"]["flagged_by_code"].get(code) for code in ("far-from-others", "position-far"))
    assert np.ptp(places["x_m"]) < 9000.0
    assert pd.Series(places["lon"]).abs().min() > 179.9
