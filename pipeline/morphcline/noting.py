"""Notes to contributors, from the results of a run: a page and a text for each recorder, and an index for a mailing.

They name people and their sites, so they lie in the output folder's ``private/notes``. The record of the run stays as
it is: no stage is run, and none becomes due.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from morphcline import runner
from morphcline.errors import Problem, StudyError
from morphcline.files.atomic import write_text
from morphcline.files.tables import read_table, write_table
from morphcline.language import _, speaking
from morphcline.provenance import read_run
from morphcline.records.contributors import Contributor, contributors, key_of
from morphcline.records.note_facts import Comparison, Survey, compare, counted
from morphcline.render import labels
from morphcline.render.notes.chart import Bar
from morphcline.render.notes.letter import Facts, write_letter
from morphcline.render.notes.page import as_page, as_text
from morphcline.scoring.formulas import MANY_BANDED, MID_BANDED, OTHER_ONE_BANDED, UNBANDED
from morphcline.scoring.shells import COLOURS
from morphcline.scoring.species import slug
from morphcline.scoring.traits import Trait, wanted_traits
from morphcline.study import Study

FOLDER = "private/notes"
#: Stages whose outputs are read; the record of the run must hold them all.
_NEEDED = ("intake", "landscape", "frequencies", "surfaces")
#: What becomes of a recorder's name, by ``[publish] names``.
_NAMES = {"False": "hidden", "True": "shown", "pseudonyms": "coded"}
_CLASSES = (UNBANDED, MID_BANDED, MANY_BANDED, OTHER_ONE_BANDED)

INDEX_COLUMNS = {
    "name": "recorder, as written most often",
    "e_mail": "address that stands with the name in the records; empty: none does",
    "subject": "for the mail, in the study's language",
    "page": "file of the note as a page",
    "text": "file of the note as plain text",
    "rows": "accepted rows",
    "shells": "shells that enter frequencies",
    "sites": "sites with such shells",
    "first_date": "earliest date",
    "last_date": "latest date",
    "rejected": "rows that could not be used",
    "flagged": "rows to look at",
    "unusual": "comparisons with the neighbours that chance doesn't explain",
}
_NOTICE = """# Notes to contributors

Each file names a person and the sites where he or she found snails. Send each to its own addressee and to nobody else.
`index.csv` lists them for a mailing; its columns:

| column | holds |
|---|---|
"""


@dataclass(frozen=True)
class NotesResult:
    """What was written.

    Attributes
    ----------
    folder : Path
    index : DataFrame
        Columns :data:`INDEX_COLUMNS`.
    nameless : int
        Accepted rows of the present survey that name no recorder.
    """

    folder: Path
    index: pd.DataFrame
    nameless: int


@dataclass(frozen=True)
class _Material:
    study: Study
    traits: Sequence[Trait]
    survey: Survey
    names: Mapping[str, str]
    among: labels.Denominators


def make_notes(
    study: Study, *, out: Path | None = None, recorders: Sequence[str] = (), record: str | None = None
) -> NotesResult:
    """Write a note for each recorder, or for some.

    Parameters
    ----------
    study : Study
    out : Path, optional
        The run's output folder.
    recorders : sequence of str
        Only these, as written; all otherwise.
    record : str, optional
        Only the sample to which one row belongs: ``"FILE:ROW"``, with the file as the tables show it.

    Raises
    ------
    StudyError
        When a stage whose results are needed has not run, or a recorder or row asked for is not there.
    """
    folder = runner.output_folder(study, out)
    _refuse_unready(study, folder)
    tables = {name: read_table(folder / f"private/records/{name}.csv") for name in ("accepted", "flagged", "rejected")}
    everybody = contributors(tables["accepted"], tables["flagged"], tables["rejected"], _headers(study))
    chosen = _chosen(everybody, recorders, record)
    material = _material(study, folder)
    home = folder / FOLDER
    with speaking(study.language):
        rows = [_write(one, stem, material, home) for one, stem in zip(chosen, _stems(chosen), strict=True)]
    index = pd.DataFrame(rows, columns=list(INDEX_COLUMNS))
    if not recorders and record is None:
        _clear(home, {*index["page"], *index["text"]})
        write_table(home / "index.csv", index, INDEX_COLUMNS)
        lines = "".join(f"| {name} | {text} |\n" for name, text in INDEX_COLUMNS.items())
        write_text(home / "README.md", _NOTICE + lines)
    own = tables["accepted"][tables["accepted"]["survey"] == ""]
    return NotesResult(home, index, int((own["recorder"].map(key_of) == "").sum()))


def _refuse_unready(study: Study, folder: Path) -> None:
    done = read_run(folder).get("stages", {})
    missing = [name for name in _NEEDED if name not in done]
    if missing:
        raise StudyError(
            Problem(
                folder.name, "", f"the stage {missing[0]} has not run there", f"first: morphcline run {study.file.name}"
            )
        )


def _headers(study: Study) -> Iterator[str]:
    """Yield the heads under which the survey's files, and their tables of sites, name recorders."""
    for source in study.records:
        for sheet in (source, source.sites):
            if sheet is not None:
                yield sheet.columns.get("recorder", "recorder")


def _chosen(everybody: list[Contributor], recorders: Sequence[str], record: str | None) -> list[Contributor]:
    if record is not None:
        return [_of_record(everybody, record)]
    if not recorders:
        return everybody
    by_key = {key_of(one.name): one for one in everybody}
    missing = [name for name in recorders if key_of(name) not in by_key]
    if missing:
        known = ", ".join(one.name for one in everybody[:8]) + (" …" if len(everybody) > 8 else "")
        raise StudyError(Problem("", "--recorder", f"no row of the survey is by {missing[0]!r}", f"there are {known}"))
    return [by_key[key] for key in dict.fromkeys(map(key_of, recorders))]


def _of_record(everybody: list[Contributor], record: str) -> Contributor:
    """Return the recorder of a row, with the rows of that row's sample alone."""
    source, _colon, number = record.rpartition(":")
    wrong = Problem("", "--record", f"no row {record!r} with a recorder was found", 'write it as "FILE:ROW"')
    if not (source and number.isdecimal()):
        raise StudyError(wrong)
    for one in everybody:
        for name in ("accepted", "rejected"):
            table = getattr(one, name)
            named = (table["source"] == source) | table["source"].str.endswith(f"/{source}")
            hit = table[(table["row"] == int(number)) & named]
            if hit.empty:
                continue
            if name == "rejected":
                return replace(one, accepted=one.accepted.iloc[:0], flagged=one.flagged.iloc[:0], rejected=hit)
            sample = hit.iloc[0][["site", "visit"]]
            mine = {
                part: rows[(rows["site"] == sample["site"]) & (rows["visit"] == sample["visit"])]
                for part, rows in (("accepted", one.accepted), ("flagged", one.flagged))
            }
            return replace(one, **mine, rejected=one.rejected.iloc[:0])
    raise StudyError(wrong)


def _material(study: Study, folder: Path) -> _Material:
    needed = ("frequencies", "regional", "sites", "surfaces")
    tables = {name: read_table(folder / f"tables/{name}.csv") for name in needed}
    regional, surfaces = tables["regional"], tables["surfaces"]
    rho: dict[tuple[str, str], float] = {}
    # What the place explains is no likeness between the shells of neighbours' sites: the surface's value goes first.
    for table in (regional, surfaces):
        for row in table.to_dict("records"):
            if np.isfinite(row["rho"]):
                rho[str(row["species"]), str(row["trait"])] = float(row["rho"])
    traits = [trait for trait in wanted_traits(study.scoring) if trait.name in labels.main_traits(regional["trait"])]
    survey = Survey(
        tables["frequencies"], regional, tables["sites"], read_table(folder / "private/tables/sites.csv"), rho, traits,
        study.scoring,
    )  # fmt: skip
    names = read_table(folder / "private/tables/site_names.csv").astype(str)
    own = names[names["survey"] == ""]
    return _Material(
        study, traits, survey,
        {site: recorded or site for site, recorded in zip(own["site"], own["recorded_as"], strict=True)},
        {**labels.STANDARD_DENOMINATORS, **{trait.name: trait.denominator for trait in wanted_traits(study.scoring)}},
    )  # fmt: skip


def _stems(chosen: Sequence[Contributor]) -> list[str]:
    """Return a file's name for each contributor, no two the same."""
    taken: dict[str, int] = {}
    stems = []
    for one in chosen:
        stem = slug(one.name)[:60] or "recorder"
        taken[stem] = taken.get(stem, 0) + 1
        stems.append(stem if taken[stem] == 1 else f"{stem}-{taken[stem]}")
    return stems


def _write(one: Contributor, stem: str, material: _Material, home: Path) -> dict[str, Any]:
    study = material.study
    rows = counted(one.accepted, study.scoring.species)
    comparisons = [replace(row, site=material.names.get(row.site, row.site)) for row in compare(rows, material.survey)]
    look = pd.concat(
        [
            part[["source", "row", code]].rename(columns={code: "code"}).assign(kind=kind)
            for part, code, kind in (
                (one.rejected, "reason_code", "rejected"), (one.flagged, "flag_code", "flagged"),
            )
        ],
        ignore_index=True,
    ).drop_duplicates()  # fmt: skip
    letter = write_letter(
        Facts(
            survey=study.study.title or study.study.name,
            name=one.name,
            accepted=one.accepted,
            shells=int(rows["count"].sum()),
            sites=rows["site"].nunique(),
            species=[name for name in study.scoring.species if name in set(rows["species"])],
            comparisons=comparisons,
            compositions={
                name: list(_bars(rows[rows["species"] == name], name, comparisons, material))
                for name in study.scoring.species
            },
            rows=look,
            blur_m=study.publish.blur_m,
            names=_NAMES[str(study.publish.names)],
            contact=study.report.contact,
            holder=study.report.holder,
            confidence=study.scoring.confidence,
            among=material.among,
        )
    )
    write_text(home / f"{stem}.html", as_page(letter))
    write_text(home / f"{stem}.txt", as_text(letter))
    dates = one.accepted.loc[one.accepted["date"] != "", "date"]
    return {
        "name": one.name,
        "e_mail": one.e_mail,
        "subject": letter.subject,
        "page": f"{stem}.html",
        "text": f"{stem}.txt",
        "rows": one.accepted[["source", "row"]].drop_duplicates().shape[0],
        "shells": int(rows["count"].sum()),
        "sites": rows["site"].nunique(),
        "first_date": dates.min() if len(dates) else "",
        "last_date": dates.max() if len(dates) else "",
        "rejected": len(one.rejected),
        "flagged": one.flagged[["source", "row"]].drop_duplicates().shape[0],
        "unusual": sum(row.unusual for row in comparisons),
    }


def _bars(
    rows: pd.DataFrame, species: str, comparisons: Sequence[Comparison], material: _Material
) -> Iterator[tuple[str, list[Bar]]]:
    """Yield the charts of a species: a title, and the contributor's bar above the survey's."""
    by_name = {trait.name: trait for trait in material.traits}
    region = material.survey.regional
    of_species = region[region["species"] == species].set_index("trait")
    for title, classes, needs in ((_("Colour"), COLOURS, "colour"), (_("Banding"), _CLASSES, "band_class")):
        scored = rows[rows[needs] != ""]
        total = int(scored["count"].sum())
        if not total:
            continue
        own = [(name, float(scored.loc[scored[needs] == name, "count"].sum()) / total) for name in classes]
        bars = [Bar(_("You"), labels.counted(total, "shell"), own)]
        shares = _regional_shares(classes, by_name, of_species)
        if shares:
            base = "yellow" if needs == "colour" else UNBANDED
            everybody = Bar(_("Whole survey"), labels.counted(int(of_species["total"][base]), "shell"), shares)
            bars.append(everybody)
        yield title, bars


def _regional_shares(
    classes: Sequence[str], traits: Mapping[str, Trait], regional: pd.DataFrame
) -> list[tuple[str, float]]:
    """Return the region's share of each class among all shells scored; empty where one isn't known."""
    frequency = regional["frequency"].to_dict()
    shares = {name: float(frequency.get(name, np.nan)) for name in classes if name in traits}
    if UNBANDED in classes:
        # Mid-banded is a share of banded shells; what is left over has one band that is not the third.
        shares[MID_BANDED] = shares.get(MID_BANDED, np.nan) * (1 - shares.get(UNBANDED, np.nan))
        shares[OTHER_ONE_BANDED] = max(0.0, 1.0 - sum(shares.get(name, np.nan) for name in classes[:3]))
    if len(shares) < len(classes) or not np.isfinite(list(shares.values())).all():
        return []
    whole = sum(shares.values())
    return [(name, shares[name] / whole) for name in classes] if whole > 0 else []


def _clear(home: Path, made: set[str]) -> None:
    """Remove the notes of an earlier time to people who have none now."""
    if home.is_dir():
        for path in home.iterdir():
            if path.suffix in (".html", ".txt") and path.name not in made:
                path.unlink()
