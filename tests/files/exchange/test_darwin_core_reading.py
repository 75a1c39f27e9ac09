"""Archives made elsewhere, whole and broken, read as records."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from morphcline.errors import SourceError, StudyFileError
from morphcline.files.exchange.darwin_core_reading import archive_files, read_archive
from morphcline.records.texts import TextTable
from morphcline.stages.intake import assess
from morphcline.study import load_study

DWC = "http://rs.tdwg.org/dwc/terms/"
FACTS = "http://rs.iobis.org/obis/terms/ExtendedMeasurementOrFact"
EVENT = ("eventID", "parentEventID", "eventDate", "locationID", "decimalLatitude", "decimalLongitude", "geodeticDatum",
         "coordinateUncertaintyInMeters", "habitat")  # fmt: skip
OCCURRENCE = ("eventID", "occurrenceID", "scientificName", "organismQuantity", "organismQuantityType",
              "occurrenceStatus", "individualCount", "lifeStage", "vitality")  # fmt: skip
FACT = ("eventID", "occurrenceID", "measurementType", "measurementValue")
EVENTS = """a,,,Mill lane,46.5,0.25,WGS84,30,
a1,a,2024-05-01,,,,,,hedge
b1,,2024,,46.6,0.5,,,
"""
OCCURRENCES = """a1,o1,"Cepaea nemoralis (Linnaeus, 1758)",12,individuals,present,,Adult,alive
a1,o2,Cepaea hortensis,0,individuals,absent,,,
b1,o3,Cepaea nemoralis,,,,4,juvenile,dead
"""
MEASUREMENTS = """a1,o1,Shell ground colour,yellow
a1,o1,band formula,00300
a1,,temperature,11
b1,o3,shell height,18
"""


def part(kind: str, row_type: str, file: str, columns: tuple[str, ...], *, dialect: str = "", more: str = "") -> str:
    dialect = dialect or 'encoding="UTF-8" fieldsTerminatedBy="," fieldsEnclosedBy="&quot;" ignoreHeaderLines="1"'
    fields = "".join(f'<field index="{k}" term="{DWC}{name}"/>' for k, name in enumerate(columns))
    key = "id" if kind == "core" else "coreid"
    return (
        f'<{kind} rowType="{row_type}" {dialect}><files><location>{file}</location></files><{key} index="0"/>'
        f"{fields}{more}</{kind}>"
    )


def meta(*parts: str) -> str:
    return f'<?xml version="1.0"?><archive xmlns="http://rs.tdwg.org/dwc/text/">{"".join(parts)}</archive>'


USUAL = meta(
    part("core", f"{DWC}Event", "event.csv", EVENT),
    part("extension", f"{DWC}Occurrence", "occurrence.csv", OCCURRENCE),
    part("extension", FACTS, "facts.csv", FACT),
)


def write(folder: Path, **changed: str | bytes | None) -> Path:
    files: dict[str, str | bytes | None] = {
        "meta.xml": USUAL,
        "event.csv": ",".join(EVENT) + "\n" + EVENTS,
        "occurrence.csv": ",".join(OCCURRENCE) + "\n" + OCCURRENCES,
        "facts.csv": ",".join(FACT) + "\n" + MEASUREMENTS,
    }
    files |= {name.replace("__", "."): text for name, text in changed.items()}
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        if text is not None:
            (folder / name).write_bytes(text if isinstance(text, bytes) else text.encode())
    return folder


def rows(table: TextTable, *names: str) -> list[tuple[str, ...]]:
    return list(zip(*(table.columns[name].texts().tolist() for name in names), strict=True))


def problems(path: Path) -> str:
    with pytest.raises(SourceError, match=r"x\.zip") as caught:
        read_archive(path, "x.zip")
    return str(caught.value)


def test_occurrences_take_what_their_events_and_facts_say(tmp_path: Path) -> None:
    table = read_archive(write(tmp_path), "x")
    assert table.shown == "x#occurrence.csv"
    assert table.row.tolist() == [2, 3, 4]
    assert rows(table, "site", "date", "latitude", "longitude", "crs", "position_uncertainty_m", "habitat") == [
        ("Mill lane", "2024-05-01", "46.5", "0.25", "EPSG:4326", "30", "hedge"),
        ("Mill lane", "2024-05-01", "46.5", "0.25", "EPSG:4326", "30", "hedge"),
        ("", "2024", "46.6", "0.5", "", "", ""),
    ]
    assert rows(table, "species", "count", "colour", "banding", "age", "condition") == [
        ("Cepaea nemoralis (Linnaeus, 1758)", "12", "yellow", "00300", "Adult", "live"),
        ("Cepaea hortensis", "0", "", "", "", ""),
        ("Cepaea nemoralis", "4", "", "", "juvenile", ""),
    ]
    assert table.warnings == ("x: measurements of these types aren't read: shell height (1)",)
    assert table.details["archive"] == "Darwin Core, core of events"


def test_tabs_latin_letters_defaults_and_a_folder_in_the_zip(tmp_path: Path) -> None:
    # A core of occurrences, without quotation marks; the place stands once for all, in meta.xml.
    columns = ("occurrenceID", "scientificName", "individualCount", "locality", "year", "month", "recordedBy")
    dialect = r'encoding="ISO-8859-1" fieldsTerminatedBy="\t" linesTerminatedBy="\r\n" fieldsEnclosedBy=""'
    more = "".join(
        f'<field term="{DWC}{name}" default="{value}"/>'
        for name, value in (("decimalLatitude", "46.5"), ("decimalLongitude", "0.25"), ("geodeticDatum", "ED50"))
    )
    text = 'o1\tCepaea nemoralis\t3\tChêne "\t2024\t5\tA\r\no2\tCepaea\t1\t\t\t\t\r\n'
    facts = part("extension", f"{DWC}MeasurementOrFact", "facts.txt", ("occurrenceID", *FACT[2:]), dialect=dialect)
    described = meta(part("core", f"{DWC}Occurrence", "o.txt", columns, dialect=dialect, more=more), facts)
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr("data/meta.xml", described)
        archive.writestr("data/o.txt", text.encode("latin-1"))
        archive.writestr("data/facts.txt", b"o1\tbanding\tmid-banded\r\n")
    table = read_archive(tmp_path / "a.zip", "a.zip")
    assert table.row.tolist() == [1, 2]
    assert rows(table, "date", "latitude", "crs", "count", "banding", "locality") == [
        ("2024-05", "46.5", "ED50", "3", "mid-banded", 'Chêne "'),
        ("", "46.5", "ED50", "1", "", ""),
    ]


def test_what_counts_no_shells_is_passed_on_to_be_rejected(tmp_path: Path) -> None:
    text = ",".join(OCCURRENCE) + "\n" + "".join(
        f"a1,o{k},Cepaea nemoralis,{rest}\n"
        for k, rest in enumerate(
            ["12,% cover,,,,", "3,individuals,absent,,,", "3,individuals,doubtful,,,", ",,present,,,",
             "3,individuals,present,4,,", ",,absent,,,", "5,,,,,"]
        )
    )  # fmt: skip
    (tmp_path / "study.toml").write_text(
        '[study]\nname = "s"\ncrs = "EPSG:2154"\n[records]\npath = "x"\nlayout = "darwin-core"\n', encoding="utf-8"
    )
    write(tmp_path / "x", occurrence__csv=text, facts__csv=",".join(FACT) + "\n")
    found = assess(load_study(tmp_path / "study.toml"))
    assert found.account["rows"] == 7
    assert found.accepted["count"].tolist() == [0]  # the absent one
    told = dict(zip(found.rejected["row"], found.rejected["reason"], strict=True))
    assert 'the count "12 % cover" is not a whole number' in told[2]
    assert 'the count "3 absent" is not' in told[3]
    assert 'the count "3 doubtful" is not' in told[4]
    assert "the count is empty" in told[5]
    assert 'the count "3 individuals, individualCount 4" is not' in told[6]
    assert 'the count "5 of no organismQuantityType" is not' in told[8]
    assert set(found.rejected["source"]) == {"x#occurrence.csv"}


def test_facts_that_contradict_each_other_reject_their_row(tmp_path: Path) -> None:
    text = ",".join(FACT) + "\n" + "a1,o1,shell colour,yellow\na1,o1,shell colour,pink\na1,o1,band formula,00300\n"
    table = read_archive(write(tmp_path, facts__csv=text + "a1,o1,band class,unbanded\n"), "x")
    assert rows(table, "colour", "banding")[0] == ("yellow | pink", "00300 | unbanded")


def test_an_event_without_occurrences_is_told(tmp_path: Path) -> None:
    text = ",".join(EVENT) + "\n" + EVENTS + "c1,,2024,,46.6,0.5,,,\n"
    table = read_archive(write(tmp_path, event__csv=text), "x")
    assert "x: 1 event has no occurrence, so nothing is read of it (row 5 of x#event.csv" in table.warnings[1]


def test_a_second_file_of_occurrences_is_told(tmp_path: Path) -> None:
    more = part("extension", f"{DWC}Occurrence", "more.csv", OCCURRENCE)
    described = USUAL.replace("</archive>", f"{more}</archive>")
    table = read_archive(write(tmp_path, meta__xml=described, more__csv=",".join(OCCURRENCE) + "\n" + OCCURRENCES), "x")
    assert table.shown == "x#occurrence.csv"
    assert "x: these files aren't read: x#more.csv (3 × Occurrence)" in table.warnings


def test_cells_beyond_the_columns_of_events_and_measurements_are_told(tmp_path: Path) -> None:
    events = ",".join(EVENT) + "\n" + EVENTS.replace("hedge\n", "hedge,wood\n")
    facts = ",".join(FACT) + "\n" + MEASUREMENTS.replace("yellow\n", "yellow,ish\n").replace("00300\n", "00300,1\n")
    told = read_archive(write(tmp_path, event__csv=events, facts__csv=facts), "x").warnings
    assert "x#event.csv: 1 row has more cells than columns (row 3); those beyond aren't read" in told
    assert "x#facts.csv: 2 rows have more cells than columns (row 2, for example); those beyond aren't read" in told


def test_one_column_may_hold_two_terms(tmp_path: Path) -> None:
    more = f'<field index="0" term="{DWC}catalogNumber"/>'
    columns = ("occurrenceID", "scientificName", "individualCount")
    facts = part("extension", FACTS, "facts.csv", ("occurrenceID", *FACT[2:]))
    described = meta(part("core", f"{DWC}Occurrence", "occurrence.csv", columns, more=more), facts)
    text = ",".join(columns) + "\no1,Cepaea nemoralis,3\n"
    fact = "occurrenceID,measurementType,measurementValue\no1,shell colour,pink\n"
    table = read_archive(write(tmp_path, meta__xml=described, occurrence__csv=text, facts__csv=fact), "x")
    assert rows(table, "occurrenceID", "catalogNumber", "count", "colour") == [("o1", "o1", "3", "pink")]


def test_rows_with_cells_too_many_are_rejected_and_empty_ones_too(tmp_path: Path) -> None:
    text = ",".join(OCCURRENCE) + "\n" + OCCURRENCES + ",,,,,,,,\n" + "a1,o9,Cepaea nemoralis,1,individuals,,,,,extra\n"
    (tmp_path / "study.toml").write_text(
        '[study]\nname = "s"\ncrs = "EPSG:2154"\n[records]\npath = "x/meta.xml"\nlayout = "darwin-core"\n',
        encoding="utf-8",
    )
    write(tmp_path / "x", occurrence__csv=text)
    rejected = assess(load_study(tmp_path / "study.toml")).rejected
    assert list(zip(rejected["row"], rejected["reason_code"], strict=True)) == [(5, "empty-row"), (6, "row-ragged")]


def test_broken_archives_are_told_with_file_row_and_what_is_accepted(tmp_path: Path) -> None:
    assert "there is no meta.xml in it; it holds 'event.csv'" in problems(
        write(tmp_path / "a", meta__xml=None, occurrence__csv=None, facts__csv=None)
    )
    assert "x.zip#meta.xml: this is not XML" in problems(write(tmp_path / "b", meta__xml="<archive>"))
    assert "its file 'facts.csv' is not in the archive; one of 'event.csv', 'occurrence.csv'" in problems(
        write(tmp_path / "c", facts__csv=None)
    )
    lost = problems(write(tmp_path / "d", occurrence__csv=",".join(OCCURRENCE) + "\nz9,o1,Cepaea,1,individuals,,,,\n"))
    assert "x.zip#occurrence.csv, row 2: its eventID 'z9' is in no row of x.zip#event.csv; one of the 3 ids" in lost
    fact = problems(write(tmp_path / "e", facts__csv=",".join(FACT) + "\na1,zz,shell colour,pink\n"))
    assert "x.zip#facts.csv, row 2: its occurrenceID 'zz' is in no row of occurrences" in fact
    twice = problems(write(tmp_path / "f", event__csv=",".join(EVENT) + "\n" + EVENTS + "a1,,,,,,,,\n"))
    assert "x.zip#event.csv, row 5: eventID 'a1' is that of row 3 already" in twice
    orphan = problems(write(tmp_path / "g", event__csv=",".join(EVENT) + "\n" + EVENTS.replace("a1,a,", "a1,q,")))
    assert "row 3: its parentEventID 'q' is the eventID of no row" in orphan
    circle = problems(write(tmp_path / "h", event__csv=",".join(EVENT) + "\n" + EVENTS.replace("a,,,", "a,a1,,")))
    assert "are their own parents" in circle
    wrong = problems(write(tmp_path / "i", event__csv=(",".join(EVENT) + "\nbé,,,,,,,,\n").encode("latin-1")))
    assert "x.zip#event.csv, row 2, byte" in wrong
    assert "is not UTF-8 text; save the file as UTF-8, or name its encoding in meta.xml" in wrong
    quote = problems(write(tmp_path / "j", event__csv=",".join(EVENT) + '\n"a1"x,,,,,,,,\n'))
    assert "row 2: a quotation mark opens or closes a cell in the wrong place" in quote


def test_broken_descriptions_are_told(tmp_path: Path) -> None:
    core = part("core", f"{DWC}Event", "event.csv", EVENT)
    bare = meta(core, part("extension", f"{DWC}Occurrence", "occurrence.csv", OCCURRENCE[:2]))
    told = problems(write(tmp_path / "a", meta__xml=bare))
    assert "no field has the term scientificName, which is needed for rows of Occurrence" in told
    assert "no field has the term organismQuantity or individualCount or occurrenceStatus" in told
    assert "its files hold Event; a core of events with occurrences" in problems(
        write(tmp_path / "b", meta__xml=meta(core))
    )
    assert "it describes 2 cores; one core" in problems(write(tmp_path / "c", meta__xml=meta(core, core)))
    assert "found 'UTF-99'" in problems(write(tmp_path / "d", meta__xml=USUAL.replace("UTF-8", "UTF-99")))
    assert "core Event, id: found 'x'; a whole number" in problems(
        write(tmp_path / "e", meta__xml=USUAL.replace('<id index="0"/>', '<id index="x"/>'))
    )
    assert "it names the column 9 (counted from 0), and event.csv has 9 columns" in problems(
        write(tmp_path / "f", meta__xml=USUAL.replace('<field index="8"', '<field index="9"'))
    )
    assert "fieldsTerminatedBy: found '||'; one sign" in problems(
        write(tmp_path / "g", meta__xml=USUAL.replace('fieldsTerminatedBy=","', 'fieldsTerminatedBy="||"'))
    )
    assert "two fields have the term eventID" in problems(
        write(tmp_path / "h", meta__xml=USUAL.replace(f"{DWC}parentEventID", f"{DWC}eventID"))
    )
    assert "it holds no occurrence" in problems(write(tmp_path / "i", occurrence__csv=",".join(OCCURRENCE) + "\n",
                                                      facts__csv=",".join(FACT) + "\n"))  # fmt: skip


def test_many_rows_astray_are_counted(tmp_path: Path) -> None:
    text = ",".join(OCCURRENCE) + "\n" + "".join(f"z,o{k},Cepaea,1,individuals,,,,\n" for k in range(50))
    told = problems(write(tmp_path, occurrence__csv=text, facts__csv=",".join(FACT) + "\n"))
    assert told.count("is in no row of") == 20
    assert "and 30 more rows likewise" in told


def test_no_zip_and_no_file(tmp_path: Path) -> None:
    (tmp_path / "a.zip").write_bytes(b"no zip")
    assert "it can't be read as a ZIP" in problems(tmp_path / "a.zip")
    assert "there is no such file" in problems(tmp_path / "b.zip")


def test_the_files_that_hold_an_archive(tmp_path: Path) -> None:
    folder = write(tmp_path / "x")
    named = {path.name for path in archive_files(folder)}
    assert named == {"meta.xml", "event.csv", "occurrence.csv", "facts.csv"}
    assert archive_files(folder / "meta.xml") == archive_files(folder)
    assert archive_files(tmp_path / "a.zip") == (tmp_path / "a.zip",)


def test_the_archive_tells_its_columns_not_the_study(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text(
        '[study]\nname = "s"\ncrs = "EPSG:2154"\n[records]\npath = "x.zip"\nlayout = "darwin-core"\n'
        '[records.columns]\nsite = "locality"\n',
        encoding="utf-8",
    )
    with pytest.raises(StudyFileError, match="leave out columns, sites, sheet and delimiter: the archive tells"):
        load_study(tmp_path / "study.toml")
