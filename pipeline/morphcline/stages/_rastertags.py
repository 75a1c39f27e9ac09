"""What every raster says of itself beside its method: title, period, program and reference system."""

from __future__ import annotations

from morphcline import __version__
from morphcline.files.tables import read_table
from morphcline.records.period import survey_days
from morphcline.stages.base import Context
from morphcline.study import Study

#: The public records, whose dates are the survey's.
RECORDS = ("records/accepted.csv", "records/flagged.csv")


def survey_period(context: Context) -> tuple[str, str] | None:
    """Return the first and the last day of the survey; None when no record has a date."""
    accepted, flagged = (read_table(context.path(name)) for name in RECORDS)
    return survey_days(accepted, flagged)


def raster_tags(title: str, crs: str, days: tuple[str, str] | None) -> dict[str, str]:
    """Return tags of a raster.

    Parameters
    ----------
    title : str
    crs : str
    days : tuple of str, optional
        First and last day of the survey: they date the raster, so that the clock doesn't enter its bytes.
    """
    tags = {
        "TITLE": title,
        "TIFFTAG_DOCUMENTNAME": title,
        "TIFFTAG_SOFTWARE": f"morphcline {__version__}",
        "SOFTWARE": f"morphcline {__version__}",
        "CRS": crs,
        "NODATA": "NaN: too few shells in reach, outside the study area, or masked",
    }
    if days is None:
        return tags
    first, last = days
    return tags | {
        "DATE": f"{first}/{last}",
        "DATE_MEANS": "first and last day of the survey, ISO 8601",
        "TIFFTAG_DATETIME": f"{last.replace('-', ':')} 00:00:00",
    }


def places_note(study: Study) -> str:
    """Return from which places a raster is drawn."""
    blur = study.publish.blur_m
    if blur > 0:
        note = f"each sample stands at the centre of the square of {blur:g} m, or wider, that hides its site"
    else:
        note = "each sample stands at its site, or at the centre of the square that hides it"
    if study.surfaces.barriers is not None:
        note += "; where a barrier parts the two, on the site's side of it"
    if any(rule.withhold for rule in study.publish.sensitive):
        note += "; samples of withheld sites are left out"
    return note
