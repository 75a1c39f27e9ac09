"""A file is written whole or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from morphcline.errors import StudyError
from morphcline.files.atomic import whole_file, write_text


def test_a_good_block_moves_the_file_into_place(tmp_path: Path) -> None:
    target = tmp_path / "deep" / "table.csv"
    with whole_file(target) as temporary:
        assert temporary.suffix == ".csv"
        temporary.write_text("a")
        assert not target.exists()
    assert target.read_text() == "a"
    assert [path.name for path in target.parent.iterdir()] == ["table.csv"]


def _write_half_and_fail(target: Path) -> None:
    with whole_file(target) as temporary:
        temporary.write_text("half")
        raise RuntimeError("power cut")


def test_a_failing_block_leaves_the_last_good_file(tmp_path: Path) -> None:
    target = tmp_path / "table.csv"
    write_text(target, "good")
    with pytest.raises(RuntimeError, match="power cut"):
        _write_half_and_fail(target)
    assert target.read_text() == "good"
    assert [path.name for path in tmp_path.iterdir()] == ["table.csv"]


def test_text_is_utf8_with_plain_line_ends(tmp_path: Path) -> None:
    write_text(tmp_path / "a.txt", "ß\nø\n")
    assert (tmp_path / "a.txt").read_bytes() == "ß\nø\n".encode()


def test_a_file_held_open_elsewhere_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What Windows does when a spreadsheet has the file open."""

    def refuse(self: Path, target: Path) -> Path:
        raise PermissionError(13, "Access is denied", str(self))

    write_text(tmp_path / "table.csv", "good")
    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(StudyError, match=r"^table\.csv: it can't be replaced; close the program that has it open"):
        write_text(tmp_path / "table.csv", "new")
    assert [path.name for path in tmp_path.iterdir()] == ["table.csv"]
    assert (tmp_path / "table.csv").read_text() == "good"
