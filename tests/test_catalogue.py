"""Every text that people read is in the catalogue and can be translated; French lacks none; a language can be added."""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest
from babel.messages.catalog import Message
from babel.messages.pofile import read_po

import morphcline
from morphcline import cli
from morphcline.catalogue import extracted, write_catalogue
from morphcline.errors import StudyFileError
from morphcline.language import Language, _, many, placeholders, speaking, within
from morphcline.render.figures.habitat import draw_habitat

HOME = Path(morphcline.__file__).parent
SOURCES = sorted(HOME.rglob("*.py"))
FRAGMENTS = sorted((HOME / "locales/fr").glob("*.po"))
#: Called when a text is shown, so never at import; ``marked`` and ``Said`` may be.
SHOWN = {"_", "many", "within"}
#: Their messages stand in the call itself, or no catalogue could hold them.
LITERAL = {"many": 2, "within": 2, "marked": 1}


def key(message: Message) -> tuple[str | None, str]:
    return message.context, message.id if isinstance(message.id, str) else message.id[0]


def forms(text: object) -> tuple[str, ...]:
    return (text,) if isinstance(text, str) else tuple(text or ())  # type: ignore[arg-type]


def french(fragment: Path) -> list[Message]:
    with fragment.open("rb") as file:
        return [message for message in read_po(file, locale="fr", abort_invalid=True) if message.id]


def test_messages_are_found_in_sources_and_templates_with_plurals_and_contexts() -> None:
    found = extracted()
    assert found.get("Frequency") is not None
    assert found.get("{n} site").id == ("{n} site", "{n} sites")
    assert found.get("{number}%", context="percent") is not None
    in_template = found.get("In the field")
    assert {Path(file).suffix for file, line in in_template.locations} == {".j2"}
    assert all(not Path(file).is_absolute() for message in found for file, line in message.locations)


def test_french_says_every_message() -> None:
    said = {key(message) for fragment in FRAGMENTS for message in french(fragment) if all(forms(message.string))}
    lacking = [
        (message.locations[0], key(message)) for message in extracted() if message.id and key(message) not in said
    ]
    assert not lacking


@pytest.mark.parametrize("fragment", FRAGMENTS, ids=lambda path: path.stem)
def test_french_has_both_numbers_and_puts_in_the_same_values(fragment: Path) -> None:
    for message in french(fragment):
        original, translation = forms(message.id), forms(message.string)
        assert len(translation) == len(original), message.id
        names = [placeholders(text) for text in original]
        assert placeholders(translation[-1]) == names[-1], translation
        # French says the singular of nothing and of one: it may name the number where English doesn't.
        assert placeholders(translation[0]) in (names[0], names[-1]), translation


def test_french_has_no_message_that_nobody_says_and_none_twice() -> None:
    listed = [key(message) for fragment in FRAGMENTS for message in french(fragment)]
    assert len(listed) == len(set(listed)), sorted({str(one) for one in listed if listed.count(one) > 1})
    assert set(listed) <= {key(message) for message in extracted() if message.id}


@pytest.mark.parametrize("fragment", FRAGMENTS, ids=lambda path: path.stem)
def test_french_is_set_as_french_is(fragment: Path) -> None:
    """No-break spaces before : ; ! ? % and within « », curved apostrophes (Imprimerie nationale, Lexique)."""
    for message in french(fragment):
        for text in forms(message.string):
            bare = re.sub(r"\{\w+\}|<[^>]*>|\[\[?[\w.]+\]?\]|`[^`]*`", "x", text)
            assert not re.search(r"(?<![\u00a0\u202f]) ?[;!?»](?!\w)", bare) or bare.strip() == ";", text
            assert not re.search(r" [:%]|« (?! )", bare.replace("\u00a0", "_")), text
            assert not re.search(r"\w'\w", bare), text


class Calls(ast.NodeVisitor):
    """Calls of a source by the name called, and whether they run when the module is imported."""

    def __init__(self) -> None:
        self.found: list[tuple[ast.Call, str, bool]] = []
        self._inside = 0

    def visit_Call(self, node: ast.Call) -> None:
        if isinstance(node.func, ast.Name):
            self.found.append((node, node.func.id, self._inside == 0))
        self.generic_visit(node)

    def _function(self, node: ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda) -> None:
        # Defaults and decorators run where the function is made.
        for before in (
            *node.args.defaults,
            *(d for d in node.args.kw_defaults if d),
            *getattr(node, "decorator_list", ()),
        ):
            self.visit(before)
        self._inside += 1
        for statement in node.body if isinstance(node.body, list) else [node.body]:
            self.visit(statement)
        self._inside -= 1

    visit_FunctionDef = visit_AsyncFunctionDef = visit_Lambda = _function  # noqa: N815 - names that ast asks for


def calls(path: Path) -> Iterator[tuple[ast.Call, str, bool]]:
    """Yield a source's calls of what it imports from the module that looks messages up."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    imports = [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    ours = {name.name for node in imports if node.module == "morphcline.language" for name in node.names}
    visitor = Calls()
    visitor.visit(tree)
    yield from (call for call in visitor.found if call[1] in ours)


def is_literal(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str)


def is_named(node: ast.expr) -> bool:
    """Whether it is a constant, an attribute or an item, which are marked where they are made, or one of two."""
    if isinstance(node, ast.IfExp):
        return all(is_named(one) or is_literal(one) for one in (node.body, node.orelse))
    if isinstance(node, ast.Call):
        return isinstance(node.func, ast.Name) and node.func.id == "str" and is_named(node.args[0])
    return isinstance(node, ast.Name | ast.Attribute | ast.Subscript)


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.relative_to(HOME).as_posix())
def test_messages_are_literals_and_looked_up_when_they_are_shown(path: Path) -> None:
    if path.name == "language.py":
        pytest.skip("defines them")
    for node, name, at_import in calls(path):
        where = f"{path.name}, line {node.lineno}"
        if name in SHOWN:
            assert not at_import, where
        if name in LITERAL:
            assert all(is_literal(argument) for argument in node.args[: LITERAL[name]]), where
        if name in ("_", "Said"):
            assert is_literal(node.args[0]) or is_named(node.args[0]), where


def test_a_language_of_the_users_own_is_written_brought_up_to_date_and_spoken(tmp_path: Path) -> None:
    path = tmp_path / "de.po"
    first = write_catalogue("de", path)
    assert first.messages > 500
    assert first.translated == first.dropped == 0
    text = path.read_text(encoding="utf-8")
    for said, german in (("The whole region", "Ganze Region"), ("hedgerow", "Hecke"), ("yellow", "gelb")):
        text = text.replace(f'msgid "{said}"\nmsgstr ""', f'msgid "{said}"\nmsgstr "{german}"')
    path.write_text(text + '\nmsgid "said no longer"\nmsgstr "alt"\n', encoding="utf-8")

    again = write_catalogue("de", path)
    assert (again.messages, again.translated, again.dropped) == (first.messages, 3, 1)
    assert '#~ msgid "said no longer"' in path.read_text(encoding="utf-8")
    rows = pd.DataFrame(
        {"species": ["Cepaea nemoralis"], "trait": ["yellow"], "habitat": ["hedgerow"], "count": [20], "total": [80],
         "sites": [4], "frequency": [0.25], "low": [0.125], "high": [0.4]}
    )  # fmt: skip
    regional = pd.DataFrame({"trait": ["yellow"], "frequency": [0.3]})
    with speaking(Language("de", path)):
        assert within("percent", "{number}%") == "{number}%"  # not translated: English stands
        figure = draw_habitat("x", "Cepaea nemoralis", rows, regional, source="", confidence=0.95, width_mm=140)
        texts = {text.get_text() for axes in figure.sheet.axes for text in (*axes.texts, *axes.get_yticklabels())}
    assert {"Hecke", "Ganze Region"} <= texts
    assert "Gelb: " in figure.alt


def test_the_shipped_language_comes_filled_in_and_a_users_wording_stays(tmp_path: Path) -> None:
    path = tmp_path / "fr.po"
    path.write_text('msgid "hedgerow"\nmsgstr "bocage"\n', encoding="utf-8")
    done = write_catalogue("fr", path)
    assert done.translated == done.messages
    with speaking(Language("fr", path)):
        assert (_("hedgerow"), _("marsh")) == ("bocage", "marais")
        assert many("{n} site", "{n} sites", 0) == "{n} site"


@pytest.mark.parametrize("content", ["dear diary", "", "a,b\n1,2\n"])
def test_a_file_that_is_no_catalogue_stays_as_it_is(tmp_path: Path, content: str) -> None:
    path = tmp_path / "notes.txt"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(StudyFileError, match=r"notes\.txt: this file is there and is no catalogue"):
        write_catalogue("de", path)
    assert path.read_text(encoding="utf-8") == content


def test_an_unknown_language_is_told(tmp_path: Path) -> None:
    with pytest.raises(StudyFileError, match="'qq_zz' is not known; a code such as de"):
        write_catalogue("qq_zz", tmp_path / "x.po")


@pytest.mark.parametrize(
    ("translation", "match"),
    [
        ("{m} Orte", r"asks for \{m\}; it may use \{n\}"),
        ("{n Orte", "can't be filled in"),
        ("{} Orte", r"asks for \{\}"),
    ],
)
def test_a_translation_that_can_not_be_filled_in_stops_before_anything_is_drawn(
    tmp_path: Path, translation: str, match: str
) -> None:
    path = tmp_path / "de.po"
    path.write_text(f'msgid "{{n}} place"\nmsgstr "{translation}"\n', encoding="utf-8")
    with speaking(Language("de", path)), pytest.raises(StudyFileError, match=match):
        _("anything")


def test_a_guess_that_nobody_has_looked_at_is_not_shown(tmp_path: Path) -> None:
    path = tmp_path / "de.po"
    path.write_text('#, fuzzy\nmsgid "marsh"\nmsgstr "Wald"\n\nmsgid "dune"\nmsgstr "Düne"\n', encoding="utf-8")
    with speaking(Language("de", path)):
        assert (_("marsh"), _("dune")) == ("marsh", "Düne")


def test_the_command_says_what_it_wrote_and_how_the_study_names_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["morphcline", "catalogue", "--language", "nl", "--to", str(tmp_path / "mijn.po")])
    with pytest.raises(SystemExit, match="0"):
        cli.main()
    told = capsys.readouterr().out.splitlines()
    assert re.fullmatch(r"wrote .*mijn\.po: [\d,]+ messages, 0 of them translated", told[0])
    assert told[1] == 'In the study file: [publish] language = "nl", catalogue = "mijn.po"'
    with speaking(Language("nl", tmp_path / "mijn.po")):
        assert _("hedgerow") == "hedgerow"  # nothing is translated yet, and nothing stops
