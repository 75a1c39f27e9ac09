"""Turn a page into a PDF with the optional extra: tagged for readers by ear, no network, the same bytes each time."""

from __future__ import annotations

import logging
from importlib.util import find_spec
from pathlib import Path

from morphcline.errors import Problem, StudyFileError
from morphcline.files.atomic import whole_file

#: Accessible PDF, ISO 14289-1: it takes headings, tables, alternative texts and language over from the page.
_VARIANT = "pdf/ua-1"
_EXTRA = 'install the extra with: pip install "morphcline[pdf]"; or leave [report] pdf out'


def require(*, file: str = "") -> None:
    """Raise a StudyFileError when the extra that makes PDFs isn't installed.

    Parameters
    ----------
    file : str
        Name of the study file.
    """
    if find_spec("weasyprint") is None:
        raise StudyFileError(Problem(file, "[report] pdf", "WeasyPrint, which makes the PDF, isn't installed", _EXTRA))


def write_pdf(path: Path, page: str) -> None:
    """Write a page as PDF, whole; its images are taken in as they stand, vector ones as vectors.

    Parameters
    ----------
    path : Path
    page : str
        HTML that needs nothing beside it: every address but a ``data:`` one is refused.

    Raises
    ------
    StudyFileError
        When the extra is absent, or a library of the system that it needs.
    """
    require()
    try:
        from weasyprint import HTML
        from weasyprint.urls import URLFetcher
    except OSError as error:
        found = f"WeasyPrint can't be loaded: {str(error).splitlines()[0]}"
        raise StudyFileError(Problem("", "[report] pdf", found, "install Pango, or leave [report] pdf out")) from error
    # Screen rules that print has no use for are told in its log.
    log = logging.getLogger("weasyprint")
    level = log.level
    log.setLevel(logging.CRITICAL)
    try:
        content = HTML(string=page, url_fetcher=URLFetcher(allowed_protocols=("data",))).write_pdf(pdf_variant=_VARIANT)
    finally:
        log.setLevel(level)
    with whole_file(path) as temporary:
        temporary.write_bytes(content)
