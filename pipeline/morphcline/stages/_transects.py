"""The part of the stage of clines that fits them along the lines a study draws."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from shapely.geometry.base import BaseGeometry
from threadpoolctl import threadpool_limits

from morphcline.files.named_lines import read_named_lines
from morphcline.files.tables import write_table
from morphcline.language import said_many
from morphcline.records.cline_tables import fit_cline_task
from morphcline.records.smoothing import Samples
from morphcline.records.stacking import joined
from morphcline.records.transect_table import TRANSECT_COLUMNS, TransectTask, transect_rows, transect_tasks
from morphcline.scoring.traits import MORPHS
from morphcline.stages.base import Account, Context
from morphcline.stats.clines import Clines
from morphcline.study import Study

TRANSECT_TABLES = {"tables/transects.csv": TRANSECT_COLUMNS}


def transect_lines(study: Study) -> Mapping[str, BaseGeometry]:
    """Return the study's transects by name, in its CRS; none where it draws none."""
    path = study.clines.transects
    if path is None:
        return {}
    return read_named_lines(path, study.study.crs, name=study.clines.transect_name, shown=study.shown(path))


def transect_sources(study: Study) -> tuple[Path, ...]:
    """Return the file of transects, where there is one."""
    return () if study.clines.transects is None else (study.clines.transects,)


def write_transects(context: Context, samples: dict[str, Samples], account: Account) -> None:
    """Fit each trait along each transect and write the table; without transects it holds its header only.

    The nine morphs are left out unless ``[clines] traits`` asks for them.
    """
    study = context.study
    lines = transect_lines(study)
    asked = study.clines.traits
    tasks = []
    for species, of_species in samples.items():
        traits = tuple(t for t in of_species.traits if (t in asked if asked is not None else t not in MORPHS))
        generators = {
            (line, trait): context.rng("transects", line, species, trait) for line in lines for trait in traits
        }
        tasks += transect_tasks(
            lines, of_species, traits,
            within_m=study.clines.transect_within_m, confidence=study.scoring.confidence, rng=generators,
        )  # fmt: skip
    if tasks:
        context.tick(0, len(tasks), "transects")
    fitted = context.workers.map(_fit, tasks)
    step = study.publish.coarsest_m
    rows = [transect_rows(task, result, step_m=step) for task, result in zip(tasks, fitted, strict=True)]
    write_table(context.path("tables/transects.csv"), joined(rows, TRANSECT_COLUMNS), TRANSECT_COLUMNS)
    if not lines:
        return
    account["transects"] = {name: {"length_m": float(line.length)} for name, line in lines.items()}
    for name in lines:
        here = [one for task, one in zip(tasks, fitted, strict=True) if task.transect.name == name]
        account["transects"][name]["fitted"] = sum(not one.not_fitted_because for one in here)
        if here and all(one.not_fitted_because for one in here):
            most = max(one.sites for one in here)
            account["warnings"].append(
                said_many(
                    "Transect {name}: no cline could be fitted ({sites} site at most within {within} m); transects.csv "
                    "says why, trait by trait.",
                    "Transect {name}: no cline could be fitted ({sites} sites at most within {within} m); "
                    "transects.csv says why, trait by trait.",
                    most,
                    name=name,
                    sites=most,
                    within=study.clines.transect_within_m,
                )
            )


def _fit(task: TransectTask) -> Clines:
    with threadpool_limits(limits=1):
        return fit_cline_task(task.work)
