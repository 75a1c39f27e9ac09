"""Read everything a study names, write nothing, and tell every problem at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from morphcline.errors import Problem, StudyError
from morphcline.runner import check_extras, check_language, check_scoring
from morphcline.study import Study, load_study
from morphcline.workers import Workers

if TYPE_CHECKING:
    from morphcline.stages.intake import Assessment


@dataclass(frozen=True)
class CheckResult:
    """What reading everything brought to light.

    Attributes
    ----------
    problems : tuple of Problem
        What would stop a run.
    assessment : Assessment or None
        The rows' fates; None when the records themselves can't be read.
    warnings : tuple of str
        What a run would say of sites and rasters.
    """

    problems: tuple[Problem, ...]
    assessment: Assessment | None
    warnings: tuple[str, ...] = ()


def check(study: Study | str | Path) -> CheckResult:
    """Read everything a study names and write nothing.

    Parameters
    ----------
    study : Study or path

    Returns
    -------
    CheckResult

    Raises
    ------
    StudyFileError
        When the study file itself can't be used.
    """
    study = study if isinstance(study, Study) else load_study(study)
    problems: list[Problem] = []
    from morphcline.stages import intake

    assessment = _collect(problems, lambda: intake.assess(study))
    for examine in _examinations(study):
        _collect(problems, examine)
    warnings: list[str] = []
    if assessment is not None and not problems:
        warnings += _collect(problems, lambda: _place_and_surround(study, assessment)) or []
    return CheckResult(tuple(dict.fromkeys(problems)), assessment, tuple(dict.fromkeys(warnings)))


def _place_and_surround(study: Study, assessment: Assessment) -> list[str]:
    """Run what can still stop a study, in a folder that is thrown away: positions, rasters and their units."""
    from morphcline.stages import intake, landscape, locate
    from morphcline.stages.base import Context

    with TemporaryDirectory() as folder:
        context = Context(study, Path(folder), Workers())
        intake.save(assessment, context)
        accounts = [locate.run(context), landscape.run(context)]
    return [sentence for account in accounts for sentence in account.get("warnings", [])]


def _examinations(study: Study) -> Iterable[Callable[[], Any]]:
    from morphcline.files import districts, named_lines, rasters, vectors
    from morphcline.places import crs
    from morphcline.stages._plates import check_plates

    yield partial(check_scoring, study)
    yield partial(check_language, study)
    yield partial(check_extras, study)
    yield partial(check_plates, study)
    yield partial(crs.check_working_crs, study.study.crs, None, file=study.file.name)
    for raster in (study.habitat, study.temperature):
        if raster is not None:
            yield partial(rasters.examine, raster.path, raster.band, shown=study.shown(raster.path))
    if study.plan.reachability is not None:
        yield partial(rasters.examine, study.plan.reachability, shown=study.shown(study.plan.reachability))
    for path in (study.study.area, study.clines.axis, study.publish.basemap, study.publish.locator, study.plan.near):
        if isinstance(path, Path):
            yield partial(vectors.examine, path, shown=study.shown(path))
    if study.report.area:
        yield partial(districts.read_districts, study)
    transects = study.clines.transects
    if transects is not None:
        named, shown = study.clines.transect_name, study.shown(transects)
        yield partial(named_lines.read_named_lines, transects, study.study.crs, name=named, shown=shown)
    surfaces = study.surfaces
    for path, kinds in ((surfaces.barriers, vectors.BARRIER_KINDS), (surfaces.mask, vectors.MASK_KINDS)):
        if path is not None:
            yield partial(vectors.examine, path, kinds=kinds, shown=study.shown(path))


def _collect(problems: list[Problem], examine: Callable[[], Any]) -> Any:
    try:
        return examine()
    except StudyError as error:
        problems += error.problems
        return None
