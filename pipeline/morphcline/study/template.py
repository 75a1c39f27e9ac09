"""What ``morphcline new`` writes: a commented study file and an empty record sheet."""

from __future__ import annotations

from pathlib import Path

from morphcline.errors import Problem, StudyError

STUDY_FILE = "study.toml"
RECORD_SHEET = "records.csv"

#: A line that starts with ``# `` and holds ``key = value`` shows a default, or an example where none exists.
STUDY_TEXT = """\
# A study: where its files are, and how they are worked up. Paths count from this file.
# A line such as "# cell_m = 500" shows what holds when it is left out.

[study]
name = "my-survey"                   # a-z, 0-9, - and _: names the output folder
title = "My shell survey"
crs = "EPSG:2154"                    # CHANGE THIS: a projected CRS in metres that suits your region
# seed = 1                           # every random draw follows from it
# area = "area.gpkg"                 # a polygon: the region mapped; else the sites' hull with a margin

[records]
path = "records.csv"                 # CSV, XLSX, GeoPackage or Parquet; several: ["one.csv", "two.xlsx"]
layout = "counts"                    # counts: a row per site, species, colour and banding; wide: a column
                                     #   per morph; shells: a row per shell; darwin-core: a Darwin Core archive

#   For layout wide, a table [records.wide] says which column is which morph: "yellow/00000"="Y0" and so on.

[records.columns]                    # our field = "their column"; a field left out goes by its own name
# longitude = "lon"                  # fields: site, visit, date, longitude, latitude, easting, northing,
# latitude = "lat"                   #   grid_reference, crs, position_uncertainty_m, species, qualifier, lip,
                                     #   colour, banding, count, age, condition, habitat, recorder, note

[records.position]
# written_as = "longitude-latitude"  # or easting-northing, or grid-reference (British, Irish, MGRS)
# crs = "EPSG:4326"                  # of the coordinates, where rows have no crs of their own

# [records.limits]                   # a file beyond them is refused; raise what a large survey needs
# size_mb = 1000.0                   # of the file, and of what is packed in a workbook or an archive
# ratio = 200.0                      # how many times what is packed may be larger than its packed form
# cells = 100_000_000                # rows times columns
# columns = 1000
# cell_length = 100_000              # characters in a cell

# [[records.earlier]]                # an earlier survey of the same places: the keys of [records], and a name
# name = "1984"
# path = "earlier.csv"

[scoring]
# species = ["Cepaea nemoralis", "Cepaea hortensis"]
# min_shells = 20                    # smaller samples are flagged, and left out of tests and site maps
# visits = "latest"                  # or "pool": what stands for a site visited more than once
# interval = "wilson"                # or "jeffreys"

# [[scoring.trait]]                  # a trait of your own: the shells that count, among those that can be judged
# name = "pink among unbanded"
# counted = { colour = ["pink"] }
# among = { band_class = ["unbanded"] }

# [habitat]                          # a raster of habitat classes; without it habitat is left out
# path = "habitat.tif"
# radius_m = 50.0                    # class shares within it; 0: the cell at the point
# paired_within_m = 1000.0           # sites of two habitats closer than this are compared as a pair
# [habitat.classes]
# 1 = "woodland"                     # raster code = class

# [temperature]                      # a raster of temperature; without it temperature is left out
# path = "temperature.tif"
# radius_m = 0.0                     # 0: bilinear at the point
# units = "celsius"                  # or kelvin, fahrenheit

[surfaces]
# cell_m = 500.0
# degree = 1                         # 0: kernel-weighted proportion; 1: local logistic
# kernel = "gaussian"                # or epanechnikov, tricube
# bandwidth = "cross-validated"      # or metres, or { neighbours = 30 }
# min_effective_shells = 30.0        # cells with less support stay blank
# barriers = "ridges.gpkg"           # lines, or polygons' outlines, that samples don't count across
# mask = "water.gpkg"                # polygons in which nothing is estimated

[steepness]
# permutations = 999                 # of the tests of where a surface is steeper than chance
# level = 0.05

[autocorrelation]
# neighbours = 8                     # or { within_m = 5000 }
# permutations = 999
# distance_classes = 10              # or their limits in metres
# level = 0.05

[clines]
# axis = "best"                      # or a bearing in degrees, or a line file
# compared = ["yellow", "unbanded", "mid-banded"]   # traits whose centre, width and bearing are compared
# transects = "transects.gpkg"       # lines; clines are fitted along each of them too
# transect_name = "name"             # the column that names them; left out: "name" where it exists, else numbers
# transect_within_m = 2000.0         # sites this close to a line belong to its transect
# dispersal_m = 20.0                 # or [low, high]: sd of parent-offspring distance along one axis per root
#                                    # generation; given, the report says what selection would hold each cline

[change]
# within_m = 100.0                   # an earlier and a present site closer than this are the same place

[publish]
# blur_m = 1000.0                    # places in everything public move to the centre of such a square
# names = false                      # recorders' names; or "pseudonyms", with pseudonym_key = "secret.txt"
# site_names = true                  # false: sites are shown under numbers
# basemap = "outline"                # or "none", or a vector file
# locator = true                     # a small map that says where the study lies; or a vector file
# formats = ["png", "svg", "pdf"]
# width_mm = 190.0
# language = "en"                    # or "fr"; another with catalogue = "mine.po"
# [[publish.sensitive]]              # places that are told less of than others
# habitat = "garden and urban"       # or species = "...", or sites = ["A1", "A2"]
# blur_m = 10000                     # or withhold = true
# [[publish.plate]]                  # several figures on one sheet
# name = "colour"
# figures = ["surface_cepaea-nemoralis/yellow", "surface_cepaea-nemoralis/pink"]
# columns = 2

[report]
# pdf = false                        # the report as PDF too; needs the extra "pdf"
# holder = ""                        # of the data
# contact = ""                       # where questions go; everybody sees it
# licence = ""                       # of the data, such as "CC-BY-4.0"
# [[report.area]]                    # a report for each district
# path = "districts.gpkg"
# name_from = "name"                 # the column that names them; or name = "..." for one district

[plan]                               # for `morphcline plan`: where to look next, how many shells settle a question
# places = 20
# shells = 30                        # that a new sample is expected to hold
# avoid = []                         # habitat classes where nobody is to look, besides water: ["arable"]
# reachability = "access.tif"        # 0 (can't be reached) to 1: how much a place's worth counts
# near = "roads.gpkg"                # places farther than within_m from this layer are left out
# within_m = 500.0
# differences = [0.1, 0.2]           # of a frequency, that a comparison is to see ...
# power = 0.8                        # ... with this probability
# level = 0.05
"""

SHEET_TEXT = "site,date,longitude,latitude,species,colour,banding,count,age,condition,lip,habitat,recorder,note\n"


def write_new_study(folder: Path) -> tuple[Path, Path]:
    """Write a study file and an empty record sheet into a folder.

    Parameters
    ----------
    folder : Path
        Made if need be.

    Returns
    -------
    tuple of Path
        The study file and the record sheet.

    Raises
    ------
    StudyError
        When either file is there already: nothing is overwritten.
    """
    texts = {folder / STUDY_FILE: STUDY_TEXT, folder / RECORD_SHEET: SHEET_TEXT}
    for path in texts:
        if path.exists():
            raise StudyError(Problem(str(path), "", "this file is there already", "name another folder"))
    folder.mkdir(parents=True, exist_ok=True)
    for path, text in texts.items():
        path.write_text(text, encoding="utf-8", newline="\n")
    study_file, sheet = texts
    return study_file, sheet
