"""Inputs for the readers: well formed, nearly so, and not at all; every one follows from a random generator."""

from __future__ import annotations

import csv
import datetime as dt
import io
import random
import struct
import zipfile
from collections.abc import Callable, Sequence
from functools import cache

#: Signs that files from many hands hold, or that readers trip over.
NASTY = (
    "\0", "\x01", "\x1b[2J", "\x7f", "\x85", "\u00a0", "\u200b", "\u202e", "\u2028", "\ufeff", "\ufffd", "é", "e\u0301",
    "ß", "İ", "Ω", "𝟙", "٣", "२", "²", "½", "Ⅷ", "🐌", "👩‍🌾", "مرج", "草", "−", "–", "’", "″", "°", "º", "'", '"',
    "''", '""',
    "\\", "/", "%", "{}", "{x}", "%s", "=1+1", "@", "#N/A", "<b>", "&amp;", "]]>", "\r", "\n", "\r\n", "\t", " ", ";",
    ",",
    "|", "(", ")", "[", "]", "(((", ")(", "0", "00000", "9" * 30, "1e999", "-1e-999", "inf", "nan", "NaN", "-", "--",
    "+",
    ".", "..", ",,", "a" * 3000, "0" * 5000, "9" * 5000, "(" * 500, " " * 2000,
)  # fmt: skip

BANDINGS = (
    "12345", "00000", "00300", "00345", "1(23)45", "(123)(45)", "003:5", "Y(12)3(45)", "P00300", "345", "0", "300",
    "10305",
    "unbanded", "mid-banded", "two bands", "yellow 00300", "B 12345", "[12]345", "'00300", '="00300"', "12345.0",
    "::::",
    "1(2)345", "54321", "12334", "1234", "-345", "O0300", "0 0 3 0 0", "?", "",
)  # fmt: skip
REFERENCES = (
    "SU387148", "SU 387 148", "TG 51409 13177", "J3374", "J 338 740", "SP50A", "31U DQ 48251 11932", "31UDQ",
    "4QFJ1234",
    "NN 16 71", "HP6", "SV00", "V", "I123456", "SU38714", "SU 3871 48", "60X WZ 12345 12345", "01C", "99Z ZZ 11", "",
)  # fmt: skip
DATES = (
    "2021-05-03", "2021-05", "2021", "2021/5/3", "20210503", "3 May 2021", "3rd of May 2021", "May 3, 2021", "May 2021",
    "03/05/2021", "05.03.2021", "3-5-2021", "05/2021", "12-14 May 2021", "2021-05-03/2021-05-09", "2019-2021", "44319",
    "44319.5", "3/5/21", "May '21", "2021-05-03T12:30:00Z", "2021-05-03 12:30", "2021-02-30", "0000-00-00",
    "9999-12-31",
    "1757", "1758", "summer 2021", "2021-05-03 to 2021-05-01", "3 to 5 May 2021", "..", "2021-13", "31.12.9999",
    "9999-12",
)  # fmt: skip
NUMBERS = (
    "12", "12.0", "-3", "1,000", "0", "1e3", "1e999", "1e-400", "-2.5877", "2,5877 W", "51°26'46.3\"N", "N 51 26.772",
    "51 26 46 N", "2°30'W", "E 6°07'24\"", "451 200,5", "451'200.5", "25 m", "1,5 km", "½", "٣٫٥", "0x10", "1_000",
    "NaN",
    "inf", "1e308", "99999999999999999999", "60°60'60\"N", "S -3", "6.1234°", "6°", "",
)  # fmt: skip
WORDS = (
    "Cepaea nemoralis", "C. nemoralis", "cepaea cf. hortensis", "Cepaea sp.", "Cepea nemorallis", "Arianta arbustorum",
    "yellow", "Pink ", "brown", "jaune", "dark", "white", "adult", "juvenile", "ad.", "live", "fresh", "worn", "dead",
    "hedge", "woodland edge", "long grass", "garden", "?", "na", "",
)  # fmt: skip

HEADER = ("site", "date", "longitude", "latitude", "species", "colour", "banding", "count", "age", "condition", "note")


def mutate(rng: random.Random, text: str) -> str:
    """Return a text with something put in, taken out, doubled, exchanged or changed in case, some times over."""
    for _ in range(rng.choice((0, 1, 1, 1, 2, 2, 3, 5, 8))):
        at = rng.randrange(len(text) + 1)
        how = rng.randrange(7)
        if how == 0:
            text = text[:at] + rng.choice(NASTY) + text[at:]
        elif how == 1:
            text = text[:at] + text[at + rng.randint(1, 3) :]
        elif how == 2:
            text = text[:at] + text[max(0, at - 4) : at] * rng.choice((1, 1, 2, 40)) + text[at:]
        elif how == 3 and len(text) > 1:
            other = rng.randrange(len(text))
            cut = sorted((at, other))
            text = text[cut[1] :] + text[cut[0] : cut[1]] + text[: cut[0]]
        elif how == 4:
            text = rng.choice((text.upper, text.lower, text.swapcase, text.title))()
        elif how == 5:
            text = (
                text[:at] + chr(rng.choice((rng.randrange(0x20, 0x7F), rng.randrange(0x20, 0x3000)))) + text[at + 1 :]
            )
        else:
            text = text[:at] + str(rng.randrange(10 ** rng.randint(1, 6))) + text[at:]
        text = text[:20_000]
    return text


def cell(rng: random.Random, examples: Sequence[str]) -> str:
    """Return a cell's text: an example, one made worse, two run together, or signs at random."""
    kind = rng.random()
    if kind < 0.15:
        return rng.choice(examples)
    if kind < 0.75:
        return mutate(rng, rng.choice(examples))
    if kind < 0.85:
        return rng.choice(examples) + rng.choice((" ", "", "-", "/", ", ", " to ")) + rng.choice(examples)
    if kind < 0.95:
        return "".join(rng.choice("0123456789()[]:.,-/ °'\"NSEWymybpabcT+eE") for _ in range(rng.randrange(24)))
    return "".join(rng.choice(NASTY) for _ in range(rng.randint(1, 4)))


def rows(rng: random.Random) -> list[list[str]]:
    """Return the cells of a sheet of records: mostly good ones, with cells made worse here and there."""
    wild = rng.choice((0.0, 0.02, 0.1, 0.4))
    examples = ((), DATES, NUMBERS, NUMBERS, WORDS, WORDS, BANDINGS, NUMBERS, WORDS, WORDS, WORDS)
    table = [list(HEADER)]
    for at in range(rng.randint(1, 12)):
        good = [f"S{rng.randrange(6)}", f"2021-05-{at + 1:02}", f"{6 + rng.random():.4f}", f"{46 + rng.random():.4f}",
                "Cepaea nemoralis", rng.choice(("yellow", "pink", "")), rng.choice(BANDINGS[:6]),
                str(rng.randrange(40)),
                "adult", "live", ""]  # fmt: skip
        table.append(
            [cell(rng, own or WORDS) if rng.random() < wild else text for own, text in zip(examples, good, strict=True)]
        )
    if rng.random() < wild:
        table[0][rng.randrange(len(HEADER))] = cell(rng, HEADER)
    return table


def text_file(rng: random.Random) -> bytes:
    """Return a CSV of some dialect and encoding, sound or damaged."""
    out = io.StringIO(newline="")
    writer = csv.writer(
        out, delimiter=rng.choice(",;\t|"), lineterminator=rng.choice(("\n", "\r\n", "\r")),
        quoting=rng.choice((csv.QUOTE_MINIMAL, csv.QUOTE_ALL)), doublequote=True,
    )  # fmt: skip
    writer.writerows(rows(rng))
    text = out.getvalue()
    if rng.random() < 0.1:
        text = "sep=" + rng.choice((";", ",", "", "\n", '"', "\t")) + rng.choice(("\n", "\r\n", "")) + text
    if rng.random() < 0.4:
        text = mutate(rng, text)
    encoding = rng.choice(
        ("utf-8", "utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-32", "cp1252", "latin-1", "cp1251")
    )
    data = text.encode(encoding, errors="replace")
    return damage(rng, data) if rng.random() < 0.4 else data


def damage(rng: random.Random, data: bytes) -> bytes:
    """Return bytes with some changed, lost, repeated or cut off."""
    for _ in range(rng.choice((1, 1, 2, 4, 16))):
        at = rng.randrange(len(data) + 1)
        how = rng.randrange(6)
        if how == 0:
            data = data[:at] + bytes(rng.randrange(256) for _ in range(rng.choice((1, 1, 4, 64)))) + data[at + 1 :]
        elif how == 1:
            data = data[:at] + data[at + rng.choice((1, 2, 16, 512)) :]
        elif how == 2:
            data = data[:at] + data[at : at + rng.choice((1, 8, 128))] * rng.choice((2, 3, 30)) + data[at:]
        elif how == 3:
            data = data[:at] if rng.random() < 0.3 else data
        elif how == 4:
            data = data[:at] + struct.pack("<I", rng.choice((0, 1, 0x7FFFFFFF, 0xFFFFFFFF, 0xFFFF))) + data[at + 4 :]
        else:
            data = (
                data[:at]
                + rng.choice((b"\0" * 64, b'"', b"\xff\xfe", b"<!DOCTYPE a>", b"&x;", b"999999999"))
                + data[at:]
            )
    return data


def repacked(rng: random.Random, packed: bytes, change: Callable[[random.Random, bytes], bytes] = damage) -> bytes:
    """Return a ZIP with one of its parts damaged, so that what reads the parts is reached too."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(packed)) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        names = source.namelist()
        chosen = set(rng.sample(names, k=min(len(names), rng.choice((1, 1, 2)))))
        for name in names:
            data = source.read(name)
            if name in chosen and rng.random() < 0.1:
                continue
            data = change(rng, data) if name in chosen else data
            target.writestr(zipfile.ZipInfo(name), data)
    return out.getvalue()


@cache
def a_workbook(epoch_1904: bool) -> bytes:
    """Return a small workbook with numbers, dates, a formula, merged cells and a hidden sheet."""
    import openpyxl
    from openpyxl.utils.datetime import MAC_EPOCH

    book = openpyxl.Workbook()
    if epoch_1904:
        book.epoch = MAC_EPOCH
    sheet = book.active
    sheet.append(list(HEADER))
    for at in range(4):
        sheet.append(
            [
                "A",
                dt.date(2021, 5, 3 + at),
                6.1 + at,
                46.5,
                "Cepaea nemoralis",
                "yellow",
                345,
                4,
                "adult",
                "live",
                "=1+2",
            ]
        )
    sheet.merge_cells("A3:A4")
    book.create_sheet("lists").sheet_state = "hidden"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def workbook(rng: random.Random) -> bytes:
    """Return a workbook whose parts, or whose packing, are damaged."""
    packed = a_workbook(rng.random() < 0.3)
    if rng.random() < 0.05:
        return packed
    return repacked(rng, packed, _damage_xml) if rng.random() < 0.8 else damage(rng, packed)


_XML = ('r="A1"', 'r="ZZZ9"', 'r="XFE1"', 'r="99999999"', 't="s"', 't="e"', 't="d"', 't="b"', 't="n"', 's="1"',
        's="999"',
        "<v>1e400</v>", "<v>-1</v>", "<v>99999999</v>", "<v></v>", "<f>A1</f>", "&#0;", "&#xD800;", "<x>", "</row>",
        "<row/>", 'xmlns=""', '<?xml version="1.1"?>', 'encoding="UTF-16"',
        '<!DOCTYPE a [<!ENTITY b "c">]>')  # fmt: skip


def _damage_xml(rng: random.Random, data: bytes) -> bytes:
    if rng.random() < 0.3:
        return damage(rng, data)
    text = data.decode("utf-8", errors="replace")
    for _ in range(rng.choice((1, 1, 2, 5))):
        ends = [at for at, sign in enumerate(text) if sign in '<>"'] or [0]
        start = rng.choice(ends)
        stop = rng.choice([end for end in ends if end >= start][:6])
        text = text[:start] + rng.choice((*_XML, "", text[start:stop] * 2)) + text[stop:]
    return text.encode("utf-8", errors="replace")


_META = """<?xml version="1.0" encoding="UTF-8"?>
<archive xmlns="http://rs.tdwg.org/dwc/text/" metadata="eml.xml">
  <core encoding="UTF-8" fieldsTerminatedBy="," linesTerminatedBy="\\n" fieldsEnclosedBy='"' ignoreHeaderLines="1"
        rowType="http://rs.tdwg.org/dwc/terms/Occurrence">
    <files><location>occurrence.csv</location></files>
    <id index="0"/>
    <field index="0" term="http://rs.tdwg.org/dwc/terms/occurrenceID"/>
    <field index="1" term="http://rs.tdwg.org/dwc/terms/scientificName"/>
    <field index="2" term="http://rs.tdwg.org/dwc/terms/decimalLongitude"/>
    <field index="3" term="http://rs.tdwg.org/dwc/terms/decimalLatitude"/>
    <field index="4" term="http://rs.tdwg.org/dwc/terms/eventDate"/>
    <field index="5" term="http://rs.tdwg.org/dwc/terms/individualCount"/>
    <field default="WGS84" term="http://rs.tdwg.org/dwc/terms/geodeticDatum"/>
  </core>
</archive>
"""


def archive(rng: random.Random) -> bytes:
    """Return a Darwin Core archive, sound or damaged in its description, its table or its packing."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["id", "scientificName", "decimalLongitude", "decimalLatitude", "eventDate", "individualCount"])
    for at in range(rng.randint(0, 5)):
        good = [f"o{at}", "Cepaea nemoralis", "6.1", "46.2", "2021-05-03", "3"]
        writer.writerow([cell(rng, NUMBERS) if rng.random() < 0.05 else text for text in good])
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as target:
        folder = rng.choice(("", "", "", "inner/", "../", "/"))
        target.writestr(f"{folder}meta.xml", _META)
        target.writestr(f"{folder}occurrence.csv", out.getvalue())
        target.writestr(f"{folder}eml.xml", "<eml><dataset><title>Orsel</title></dataset></eml>")
    if rng.random() < 0.1:
        return packed.getvalue()
    return repacked(rng, packed.getvalue(), _damage_meta) if rng.random() < 0.8 else damage(rng, packed.getvalue())


_ATTRIBUTES = ('"²"', '"-1"', '"999999999999"', '""', '"\\t"', '"\\n"', "\"'\"", '"idna"', '"base64"', '"utf-16"',
               '"klingon"',
               '"../occurrence.csv"', '"/etc/hostname"', '"0"', '"5"', '"6"', '"1e3"', '"ab"', '"\\r\\n"',
               '"|"')  # fmt: skip


def _damage_meta(rng: random.Random, data: bytes) -> bytes:
    if rng.random() < 0.4:
        return _damage_xml(rng, data)
    parts = data.decode("utf-8", errors="replace").split('"')
    if len(parts) < 3:
        return damage(rng, data)
    for _ in range(rng.choice((1, 1, 2))):
        at = rng.randrange(1, len(parts), 2) if len(parts) > 2 else 0
        parts[at] = rng.choice(_ATTRIBUTES).strip('"')
    return '"'.join(parts).encode("utf-8")


_TOML = ("-1", "0", "1e400", "nan", "inf", "1.5", '""', '"x"', "[]", "{}", "true", "1979-05-27",
         "999999999999999999999999", '"\\u0000"',
         "[1, 2]", '["a", 1]', "{ a = 1 }", '"EPSG:0"', '"../../x"', "[[]]", '"🐌"', "0x10", "12:00:00")  # fmt: skip


def study_file(rng: random.Random) -> bytes:
    """Return a study file with keys, values, sections or bytes changed."""
    lines = study_lines().copy()
    for _ in range(rng.choice((0, 1, 1, 2, 3, 6))):
        at = rng.randrange(len(lines))
        key, equals, _value = lines[at].partition(" = ")
        how = rng.randrange(6)
        if how == 0 and equals:
            lines[at] = f"{key} = {rng.choice(_TOML)}"
        elif how == 1 and equals:
            lines[at] = f"{mutate(rng, key)} = 1"
        elif how == 2:
            lines[at] = mutate(rng, lines[at])
        elif how == 3:
            lines.insert(at, rng.choice(lines))
        elif how == 4:
            del lines[at]
        elif equals:
            lines[at] = f"{key} = {rng.choice(lines).partition(' = ')[2] or '3'}"
    data = "\n".join(lines).encode("utf-8", errors="replace")
    return damage(rng, data) if rng.random() < 0.1 else data


@cache
def study_lines() -> list[str]:
    """Return the lines of a study file with every key, as a new one shows them."""
    from morphcline.study.template import STUDY_TEXT

    lines = []
    for line in STUDY_TEXT.splitlines():
        bare = line.removeprefix("# ")
        if bare.startswith("[") or (" = " in bare and not line.startswith(("#  ", "# A line"))):
            lines.append(bare.partition("  #")[0].rstrip())
    return lines
