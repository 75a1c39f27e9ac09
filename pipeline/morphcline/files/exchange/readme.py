"""The text file that tells a person what an export holds."""

from __future__ import annotations

from collections.abc import Sequence

from morphcline.files.exchange.crate import CRATE_FILE
from morphcline.files.exchange.data_package import DESCRIPTOR


def readme(title: str, archives: Sequence[tuple[str, str]], tables: bool) -> str:
    """Return the text of ``README.md``.

    Parameters
    ----------
    title : str
    archives : sequence of (str, str)
        Each survey's name, empty for the study's own, and its archive.
    tables : bool
        Whether the run's tables lie beside them.
    """
    rows = [f"| `{archive}` | {_of(survey)}: Darwin Core archive, ready to hand on |" for survey, archive in archives]
    rows.append("| `darwin-core/` | the same archives unpacked: events, occurrences, measurements |")
    if tables:
        rows.append("| `tables/` | tables of the analysis |")
    rows.append(f"| `{DESCRIPTOR}` | every CSV file with the kind and meaning of its columns |")
    rows.append(f"| `{CRATE_FILE}` | what made these files, from what, with which settings |")
    own = next((archive for survey, archive in archives if not survey), archives[0][1])
    lines = [
        f"# {title}",
        "",
        "| file | holds |",
        "| --- | --- |",
        *rows,
        "",
        "An event is a visit to a site; the site is its parent event. An occurrence is a morph scored on a visit, with "
        "its number of shells; a search that found none is an occurrence with the status absent and the quantity 0. "
        "What the shells looked like stands in the measurements, tied to the occurrence by its id.",
        "",
        "Frequencies in `tables/` count adult shells, live or fresh, of the species studied. Occurrences that have a "
        "measurement `counted in frequencies` with the value `no` stay out of them; its remark says why.",
        "",
        "Places, names and notes are told as the holder of the data decided: see `dataGeneralizations` and "
        "`informationWithheld` of each event.",
        "",
        "To analyse the records again, name an archive in a study file:",
        "",
        "```toml",
        "[records]",
        f'path = "{own}"',
        'layout = "darwin-core"',
        "```",
        "",
    ]
    return "\n".join(lines)


def _of(survey: str) -> str:
    return f"the earlier survey {survey}" if survey else "the survey"
