"""A survey handed on in open standards: Darwin Core archives, a data package of the tables, a crate about all of it.

Reads what a run wrote for the public, and nothing else: no exact place that the study hides, no note, no name that it
keeps to itself can come out. Runs no stage, and none becomes due.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline import __version__, runner
from morphcline.errors import Problem, StudyError
from morphcline.files.atomic import write_text
from morphcline.files.exchange.crate import CRATE_FILE, CrateFacts, Described, crate
from morphcline.files.exchange.darwin_core import FILES, pack, write_archive
from morphcline.files.exchange.data_package import (
    DESCRIPTOR,
    SPECIFICATION,
    Package,
    archive_resources,
    describe,
    table_resource,
)
from morphcline.files.exchange.eml import NAMESPACE, About, date_range, licence_address
from morphcline.files.exchange.folder import filled_at_once, refuse_foreign
from morphcline.files.exchange.readme import readme
from morphcline.files.exchange.terms import TEXT_GUIDE
from morphcline.files.tables import read_table
from morphcline.places.transforms import Transformation, area_lonlat
from morphcline.provenance import read_run
from morphcline.readiness import refuse_unready
from morphcline.records.exchange import PROTOCOL, Dataset, ToDegrees, archive_tables, dataset_identifier
from morphcline.records.exchange_words import SCHEME
from morphcline.scoring.species import slug
from morphcline.stages.intake import source_name
from morphcline.study import Study
from morphcline.study.told import told_settings

#: Stages whose outputs are read, and those before them.
_NEEDED, _BEFORE = ("landscape", "frequencies"), ("intake", "locate")
_ARCHIVES, _TABLES, _README = "darwin-core", "tables", "README.md"


@dataclass(frozen=True)
class ExportedSurvey:
    """One survey's archive.

    Attributes
    ----------
    survey : str
        Empty for the study's own.
    archive : str
        Name of its ZIP.
    events, occurrences, measurements : int
        Rows.
    shells, shells_counted : int
    """

    survey: str
    archive: str
    events: int
    occurrences: int
    measurements: int
    shells: int
    shells_counted: int


@dataclass(frozen=True)
class ExportResult:
    """What an export wrote.

    Attributes
    ----------
    folder : Path
    surveys : tuple of ExportedSurvey
    tables : tuple of str
        Tables of the run that were taken over.
    warnings : tuple of str
        Sentences a user should read.
    """

    folder: Path
    surveys: tuple[ExportedSurvey, ...]
    tables: tuple[str, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class _Survey:
    """What is exported of one survey, and what is told of it."""

    name: str
    slug: str
    accepted: pd.DataFrame
    sites: pd.DataFrame
    dataset: Dataset
    about: About

    @property
    def folder(self) -> str:
        return f"{_ARCHIVES}/{self.slug}"

    @property
    def archive(self) -> str:
        return f"{self.slug}-dwca.zip"


def export(study: Study, to: Path, *, out: Path | None = None) -> ExportResult:
    """Export the public results of a run.

    Parameters
    ----------
    study : Study
    to : Path
        The folder to write into; made if need be. Files of an earlier export of the study are replaced, others stay.
    out : Path, optional
        The run's output folder; see :func:`morphcline.runner.output_folder`.

    Returns
    -------
    ExportResult

    Raises
    ------
    StudyError
        When the run hasn't gone far enough, or a file in the way is none of an earlier export, or was changed since.
    """
    folder = runner.output_folder(study, out)
    warnings = refuse_unready(
        study, folder, _NEEDED, before=_BEFORE, what="the export", elsewhere=out is not None
    )  # fmt: skip
    warnings += _unstated(study)
    record = read_run(folder)
    finished = max(str(item["finished"]) for item in record["stages"].values())
    surveys = list(_surveys(study, folder, finished))
    if not surveys:
        raise StudyError(Problem(study.file.name, "[records]", "no row was accepted", "records to export"))
    tables = _tables(folder, record)
    to = to.absolute()
    names = [
        *(f"{one.folder}/{name}" for one in surveys for name in FILES), *(one.archive for one in surveys),
        *(f"{_TABLES}/{name}" for name in tables), DESCRIPTOR, _README,
    ]  # fmt: skip
    stale = refuse_foreign(to, [*names, CRATE_FILE], study=study.study.name)
    with filled_at_once(to, stale) as home:
        exported = [_write_survey(study, home, one) for one in surveys]
        for name in tables:
            copied = home / _TABLES / name
            copied.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(folder / _TABLES / name, copied)
        write_text(home / DESCRIPTOR, _descriptor(study, home, record, surveys, tables, finished))
        archives = [(one.survey, one.archive) for one in exported]
        write_text(home / _README, readme(_title(study), archives, bool(tables)))
        files = _described(surveys, tables)
        write_text(home / CRATE_FILE, crate(_facts(study, record, surveys, finished), files, home))
    return ExportResult(to, tuple(exported), tables, tuple(warnings))


def _title(study: Study) -> str:
    return study.study.title or study.study.name


def _unstated(study: Study) -> list[str]:
    absent = [key for key in ("holder", "contact", "licence") if not getattr(study.report, key)]
    if not absent:
        return []
    return [f"[report] states no {' and no '.join(absent)}: who uses the export will look for it."]


def _surveys(study: Study, folder: Path, finished: str) -> Iterator[_Survey]:
    accepted = read_table(folder / "records/accepted.csv")
    own, earlier = (read_table(folder / f"tables/{name}.csv") for name in ("sites", "earlier_sites"))
    taken: set[str] = set()
    for name in ("", *(one.name for one in study.earlier)):
        rows = accepted[accepted["survey"] == name]
        if rows.empty:
            continue
        sites = own if not name else earlier[earlier["survey"] == name]
        base = f"{study.study.name}-{slug(name) or 'earlier'}" if name else study.study.name
        short = next(text for n in range(len(taken) + 1) if (text := f"{base}-{n + 1}" if n else base) not in taken)
        taken.add(short)
        dataset = _dataset(study, name)
        yield _Survey(name, short, rows, sites, dataset, _about(study, dataset, rows, sites, finished))


def _dataset(study: Study, survey: str) -> Dataset:
    habitat, temperature = study.habitat, study.temperature
    of_habitat = of_temperature = ""
    hidden = study.publish.blur_m > 0 or bool(study.publish.sensitive)
    if habitat is not None:
        where = f"with the largest share within {habitat.radius_m:g} m of" if habitat.radius_m else "of the cell at"
        of_habitat = f"class {where} the site's own place in the raster {habitat.path.name}"
        of_habitat += hidden * "; kept back where the class is rare in the square that hides the site"
    if temperature is not None:
        how = f"mean within {temperature.radius_m:g} m of" if temperature.radius_m else "bilinear at"
        where = f"{how} the site's own place" if study.publish.blur_m == 0 else "mean over the square shown"
        if study.publish.blur_m == 0 and study.publish.sensitive:
            where += ", or mean over the square shown"
        of_temperature = f"{where} in the raster {temperature.path.name}"
    return Dataset(
        identifier=dataset_identifier(study.study.name, survey),
        title=f"{_title(study)}: earlier survey {survey}" if survey else _title(study),
        licence=licence_address(study.report.licence) or study.report.licence,
        holder=study.report.holder,
        contact=study.report.contact,
        species=tuple(study.scoring.species),
        crs=study.study.crs,
        names_shown=study.publish.names is True,
        habitat_method=of_habitat,
        temperature_method=of_temperature,
    )


def _about(study: Study, dataset: Dataset, rows: pd.DataFrame, sites: pd.DataFrame, finished: str) -> About:
    shells, counted = _shells(rows)
    visits = len(rows[["site", "visit", "date"]].drop_duplicates())
    return About(
        identifier=dataset.identifier,
        title=dataset.title,
        abstract=(
            f"A survey of shell colour and banding in {' and '.join(dataset.species)}: {shells:,} shells seen at "
            f"{rows['site'].nunique():,} sites on {visits:,} visits, of which {counted:,} enter frequencies. Each "
            "occurrence is a morph scored on a visit, with its number of shells; each visit's parent event is its site."
        ),
        holder=study.report.holder,
        contact=study.report.contact,
        licence=study.report.licence,
        published=finished[:10],
        species=dataset.species,
        dates=tuple(rows["date"].unique()),
        bounds=_bounds(sites),
        methods=(
            f"{PROTOCOL} ({SCHEME}; each measurement names its method). Rows were checked by morphcline; those it "
            "rejected are not in this dataset."
        ),
    )


def _bounds(sites: pd.DataFrame) -> tuple[float, float, float, float] | None:
    seen = sites[sites["lon"].notna() & sites["lat"].notna()]
    if seen.empty:
        return None
    east, north = seen["lon"].to_numpy(np.float64), seen["lat"].to_numpy(np.float64)
    return float(east.min()), float(north.min()), float(east.max()), float(north.max())


def _shells(rows: pd.DataFrame) -> tuple[int, int]:
    """Return how many shells were seen, and how many of them are counted."""
    count = rows["count"].to_numpy(np.int64)
    return int(count.sum()), int(count[rows["counted"].to_numpy(dtype=bool)].sum())


def _write_survey(study: Study, to: Path, one: _Survey) -> ExportedSurvey:
    tables = archive_tables(
        one.accepted, one.sites, one.dataset,
        singly=_singly(study, one), to_degrees=_to_degrees(study.study.crs, one.accepted),
    )  # fmt: skip
    write_archive(to / one.folder, tables, one.about)
    pack(to / one.folder, to / one.archive)
    shells, counted = _shells(one.accepted)
    return ExportedSurvey(
        one.name,
        one.archive,
        events=len(tables.events),
        occurrences=len(tables.occurrences),
        measurements=len(tables.measurements),
        shells=shells,
        shells_counted=counted,
    )


def _singly(study: Study, one: _Survey) -> NDArray[np.bool_]:
    """Tell which rows stand for one shell each, by the layout of the files they came from."""
    sources = study.records if not one.name else next(e.sources for e in study.earlier if e.name == one.name)
    singly = np.zeros(len(one.accepted), dtype=bool)
    came_from = one.accepted["source"]
    for source in sources:
        name = source_name(study, source, "records")
        if source.layout == "shells":
            singly |= (came_from == name).to_numpy()
        elif source.layout == "darwin-core":
            singly |= came_from.str.startswith(f"{name}#").to_numpy()
    return singly


def _to_degrees(crs: str, rows: pd.DataFrame) -> ToDegrees:
    placed = rows[rows["x_m"].notna()]
    if placed.empty:
        return lambda easting, northing: (easting, northing)
    area = area_lonlat(crs, placed["x_m"], placed["y_m"])
    return Transformation(crs, "EPSG:4326", area, allow_ballpark=True).apply


def _tables(folder: Path, record: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the names of the tables that the run's stages wrote for the public."""
    written = [name for item in record["stages"].values() for name in item["outputs"]]
    return tuple(
        sorted(
            name.removeprefix("tables/")
            for name in written
            if name.startswith("tables/") and name.endswith(".csv") and (folder / name).is_file()
        )
    )


def _descriptor(
    study: Study,
    home: Path,
    record: Mapping[str, Any],
    surveys: Sequence[_Survey],
    tables: Sequence[str],
    finished: str,
) -> str:
    columns = {name: told for item in record["stages"].values() for name, told in item["columns"].items()}
    resources = [part for one in surveys for part in archive_resources(home, one.folder, one.slug)]
    resources += [
        table_resource(home, f"{_TABLES}/{name}", columns.get(f"tables/{name}", {}), sites="sites.csv" in tables)
        for name in tables
    ]
    package = Package(
        name=study.study.name,
        title=_title(study),
        description=f"{_title(study)}: records in the terms of Darwin Core, and the tables of the analysis",
        licence=study.report.licence,
        holder=study.report.holder,
        contact=study.report.contact,
        created=finished,
        keywords=("shell colour polymorphism", *study.scoring.species),
    )
    return describe(package, resources)


def _described(surveys: Sequence[_Survey], tables: Sequence[str]) -> list[Described]:
    told = {
        "meta.xml": ("files and columns of the archive", TEXT_GUIDE),
        "eml.xml": ("about the dataset", NAMESPACE),
        "event.csv": ("sites and visits to them", ""),
        "occurrence.csv": ("morphs scored on each visit, with their shells", ""),
        "measurement.csv": (
            "colour, banding, lip and condition of the shells; habitat and temperature of the sites",
            "",
        ),
    }
    files = [
        Described(DESCRIPTOR, "every CSV file with the kind and meaning of its columns", SPECIFICATION),
        Described(_README, "what is in this folder, and how to read it"),
    ]
    for one in surveys:
        title = one.dataset.title
        files.append(Described(one.archive, f"{title}: Darwin Core archive, in one file", TEXT_GUIDE))
        files += [Described(f"{one.folder}/{name}", f"{title}: {told[name][0]}", told[name][1]) for name in FILES]
    files += [
        Described(f"{_TABLES}/{name}", f"table of the analysis: {Path(name).stem.replace('_', ' ')}") for name in tables
    ]
    return files


def _facts(study: Study, record: Mapping[str, Any], surveys: Sequence[_Survey], finished: str) -> CrateFacts:
    dates = date_range([date for one in surveys for date in one.about.dates])
    inputs = {
        (path.rsplit("/", 1)[-1], str(digest))
        for item in record["stages"].values()
        for path, digest in item["sources"].items()
        if digest
    }
    return CrateFacts(
        name=_title(study),
        description=(
            f"{_title(study)}: the survey's records as Darwin Core archives, and the tables of their analysis as a "
            "data package. Places, names and notes as the study publishes them."
        ),
        identifier=study.study.name,
        holder=study.report.holder,
        contact=study.report.contact,
        licence=study.report.licence,
        version=str(record.get("versions", {}).get("morphcline", __version__)),
        libraries={
            name: number
            for name, number in sorted(record.get("versions", {}).items())
            if name != "morphcline" and number != "absent"
        },
        finished=finished,
        settings=told_settings(study, record.get("settings", {})),
        inputs=sorted(inputs),
        species=tuple(study.scoring.species),
        period="/".join(dates) if dates else "",
        bounds=_bounds(pd.concat([one.sites for one in surveys])),
    )
