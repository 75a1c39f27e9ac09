"""Every file of the corpus ends as stated: read, with each row's fate, or stopped by one sentence."""

from __future__ import annotations

import datetime as dt
import sys
from dataclasses import dataclass, field
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from make_corpus import make_corpus

from morphcline.errors import SourceError
from morphcline.stages.intake import Assessment, assess
from morphcline.study import load_study

STUDY = """
[study]
name = "nasty"
crs = "EPSG:2154"
[records]
path = "{file}"
{keys}
"""


@dataclass(frozen=True)
class Read:
    """A file that is read.

    Parameters
    ----------
    accepted : int
        Rows.
    rejected : tuple of str
        The reason of each row that is rejected.
    told : str
        A part of a warning; empty where there is none.
    sites : tuple of str
        Names of the sites accepted, where they matter.
    dates : tuple of str
    """

    accepted: int
    rejected: tuple[str, ...] = ()
    told: str = ""
    sites: tuple[str, ...] = ()
    dates: tuple[str, ...] = ()
    keys: str = ""


@dataclass(frozen=True)
class Stops:
    """A file that stops the run: what the one sentence holds."""

    sentence: str
    keys: str = field(default="")


ARCHIVE = 'layout = "darwin-core"'
ALL = ("Site 0", "Site 1", "Site 2", "Site 3")

OUTCOMES: dict[str, Read | Stops] = {
    "utf-16.csv": Read(4, sites=ALL),
    "utf-16-without-a-mark.csv": Read(4, sites=ALL),
    "latin-1.csv": Read(4, told="not UTF-8, so it was read as cp1252", sites=ALL),
    "byte-order-mark.csv": Read(4, sites=ALL),
    "mixed-line-ends.csv": Read(4, sites=ALL),
    "zero-byte.csv": Stops("row 4: there is a character NUL, as in files that are damaged"),
    "zeros-at-the-end.csv": Stops("row 6: there is a character NUL"),
    "quote-never-closed.csv": Stops("row 3: a quotation mark opens or closes a cell in the wrong place"),
    "ten-thousand-columns.csv": Stops("the sheet has 10,000 columns; at most 1,000, or raise columns under limits"),
    "duplicate-headers.csv": Stops("more than one column is called 'count'"),
    "right-to-left.csv": Read(4, sites=("مرج الطاحونة",)),
    "emoji.csv": Read(4, sites=("🐌 bank",)),
    "long-note.csv": Read(4),
    "very-long-cell.csv": Stops("row 6, column note: a cell has 200,000 characters; at most 100,000 characters"),
    "long-banding.csv": Read(4, ("banding-unreadable",)),
    "empty.csv": Stops("the file is empty; a header row and at least one row below it"),
    "blank-lines.csv": Stops("the file is empty"),
    "header-only.csv": Stops("there is a header but no row below it"),
    "columns-in-another-order.csv": Read(4, sites=ALL),
    "coordinates-exchanged.csv": Read(0, ("position-swapped",) * 4),
    "decimal-commas.csv": Read(4, sites=ALL),
    "degrees-minutes-seconds.csv": Read(4, sites=ALL),
    "compass-letters.csv": Read(3, ("position-unreadable",)),
    "two-digit-years.csv": Read(0, ("date-unreadable",) * 4),
    "day-numbers.csv": Read(0, ("date-unreadable",) * 4),
    "days-and-months.csv": Read(
        2,
        ("date-unreadable",),
        told="some dates put the day first and some the month",
        dates=("2023-05-04", "2023-12-25"),
    ),
    "unequal-rows.csv": Read(
        4, ("count-missing", "row-ragged", "empty-row"), told="1 row has fewer cells than the header"
    ),
    "hint-at-the-delimiter.csv": Read(4, sites=ALL),
    "hint-alone.csv": Stops("there is a header but no row below it"),
    "one-name-in-four-forms.csv": Read(4, sites=("Pré",)),
    "controls.csv": Read(4, sites=("[2JSite",)),
    "formulas-and-html.csv": Read(4, sites=("=cmd|'/c calc'!A1",)),
    "half-a-character.csv": Stops("this is not utf-8-sig text; save the file as UTF-8"),
    "number-without-end.csv": Read(4, ("count-not-whole", "position-unreadable")),
    "picture.csv": Stops("the text's encoding can't be made out"),
    "typed-cells.xlsx": Read(
        3, ("count-missing",), told="1 group of cells is merged", dates=("2024-05-03", "2024-05-03", "2024-05-03")
    ),
    "calendar-of-1900.xlsx": Read(1, told="1 date is a day number", dates=("2020-05-02",)),
    "calendar-of-1904.xlsx": Read(1, told="1 date is a day number", dates=("2024-05-03",)),
    "hidden-sheet.xlsx": Read(4, told="the sheet 'finds' was read; hidden before it: 'lists'", sites=ALL),
    "claims-two-gigabytes.xlsx": Stops("what it holds unpacks to 2,1", ""),
    "claims-less-than-it-holds.xlsx": Stops("this is not a workbook that can be read"),
    "packed-a-thousandfold.xlsx": Stops("its part 'xl/styles.xml' is packed to 1/"),
    "rows-without-end.xlsx": Stops("it numbers a row beyond 1,048,576"),
    "document-type.xlsx": Stops("it declares a document type"),
    "sheet-is-no-xml.xlsx": Stops("this is not a workbook that can be read"),
    "cut-off.xlsx": Stops("this is not a workbook that can be read"),
    "text-named-so.xlsx": Stops("this is not a workbook that can be read"),
    "old-format.xls": Stops("the ending '.xls' is not one that is read; CSV"),
    "sound.zip": Read(1, keys=ARCHIVE),
    "document-type.zip": Stops("it declares a document type", ARCHIVE),
    "names-a-file-outside.zip": Stops("its file '../../etc/passwd' is not in the archive", ARCHIVE),
    "unpacks-outside.zip": Read(1, keys=ARCHIVE),
    "packed-a-thousandfold.zip": Stops("its part 'occurrence.csv' is packed to 1/", ARCHIVE),
    "odd-figure.zip": Stops("found '²'; a whole number", ARCHIVE),
    "unknown-codec.zip": Stops("found 'base64'; utf-8", ARCHIVE),
    "empty.zip": Stops("there is no meta.xml in it", ARCHIVE),
    "points.gpkg": Read(2, told="no column holds colour or banding", sites=("A", "B")),
    "polygons.gpkg": Stops("row 1: its geometry is a polygon; a layer of points"),
    "elsewhere.gpkg": Stops("this is not a GeoPackage that can be read"),
    "cut-off.gpkg": Stops("this is not a GeoPackage that can be read"),
    "points.parquet": Read(2, told="no column holds colour or banding", sites=("A", "B")),
    "cut-off.parquet": Stops("this is not a Parquet file that can be read"),
    "link-out": Stops("its file 'occurrence.csv' is not in the archive", ARCHIVE),
}


@pytest.fixture(scope="module")
def corpus(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("corpus")
    make_corpus(folder)
    return folder


def judge(corpus: Path, name: str, keys: str) -> Assessment:
    study = corpus / f"{name}.toml"
    study.write_text(STUDY.format(file=name, keys=keys), encoding="utf-8")
    return assess(load_study(study), today=dt.date(2026, 1, 1))


def test_every_file_of_the_corpus_has_a_stated_outcome(tmp_path: Path) -> None:
    assert set(make_corpus(tmp_path)) == set(OUTCOMES)


def test_the_corpus_is_the_same_every_time(tmp_path: Path) -> None:
    made = [{path.name: path.read_bytes() for path in _files(tmp_path / folder)} for folder in ("one", "two")]
    unlike = {name for name in made[0] if made[0][name] != made[1][name]}
    assert not unlike - {
        name for name in unlike if name.endswith((".gpkg", ".xlsx"))
    }  # these state when they were made


def _files(folder: Path) -> list[Path]:
    make_corpus(folder)
    return [path for path in folder.iterdir() if path.is_file()]


@pytest.mark.parametrize("name", [name for name, outcome in OUTCOMES.items() if isinstance(outcome, Stops)])
def test_a_file_that_cannot_be_used_stops_the_run_with_one_sentence(corpus: Path, name: str) -> None:
    outcome = OUTCOMES[name]
    assert isinstance(outcome, Stops)
    if name == "link-out" and not (corpus / name / "occurrence.csv").is_symlink():
        pytest.skip("links can't be made here")
    with pytest.raises(SourceError, match=r".") as caught:
        judge(corpus, name, outcome.keys)
    assert len(caught.value.problems) == 1
    sentence = str(caught.value)
    assert sentence.startswith(name)
    assert outcome.sentence in sentence
    assert "\n" not in sentence
    assert len(sentence) < 1000


@pytest.mark.parametrize("name", [name for name, outcome in OUTCOMES.items() if isinstance(outcome, Read)])
def test_a_file_that_can_be_read_gives_every_row_its_fate(corpus: Path, name: str) -> None:
    outcome = OUTCOMES[name]
    assert isinstance(outcome, Read)
    found = judge(corpus, name, outcome.keys)
    assert found.account["accepted"] == outcome.accepted
    assert tuple(found.rejected["reason_code"]) == outcome.rejected
    warnings = [text for text in found.warnings if "were rejected as" not in text]
    assert any(outcome.told in text for text in warnings) if outcome.told else not warnings, warnings
    if outcome.sites:
        recorded = dict.fromkeys(found.names["recorded_as"])
        assert tuple(recorded) == outcome.sites
    if outcome.dates:
        assert tuple(sorted(found.accepted["date"])) == outcome.dates
    assert all(len(reason) < 1200 for reason in found.rejected["reason"])
