"""Saving an edited text: the file as it was read is replaced whole, any other is left alone."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from optimizer import whole_file
from optimizer.edits.saving import save, text_of
from optimizer.edits.splice import set_value
from optimizer.errors import DocumentError, FileChangedError

OLD = b"\xef\xbb\xbfsystem: tank\r\nunits: US   # here\r\n"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "tank.yaml"
    path.write_bytes(OLD)
    return path


def test_a_text_is_saved_with_its_line_ends_and_its_mark(file: Path) -> None:
    saved = save(file, OLD, set_value(text_of(OLD), ("units",), "metric"))

    assert file.read_bytes() == saved == OLD.replace(b"US", b"metric")


def test_an_edit_and_the_edit_back_give_the_old_bytes(file: Path) -> None:
    saved = save(file, OLD, set_value(text_of(OLD), ("system",), "other: name"))
    save(file, saved, text_of(OLD))

    assert file.read_bytes() == OLD


def test_a_file_that_was_changed_meanwhile_is_left_alone_and_both_texts_are_told(file: Path) -> None:
    file.write_bytes(OLD + b"# by an editor\r\n")

    with pytest.raises(FileChangedError, match="changed by another program") as told:
        save(file, OLD, "system: mine\n")
    assert (told.value.known, told.value.found) == (OLD, OLD + b"# by an editor\r\n")
    assert file.read_bytes() == told.value.found


def test_a_file_that_is_gone_or_is_there_against_what_was_known_is_not_written(file: Path) -> None:
    with pytest.raises(FileChangedError, match="is there by now"):
        save(file, None, "system: mine\n")
    file.unlink()
    with pytest.raises(FileChangedError, match="is gone"):
        save(file, OLD, "system: mine\n")

    assert not file.exists()
    save(file, None, "system: mine\n")
    assert file.read_bytes() == b"system: mine\n"


@pytest.mark.skipif(os.name != "posix", reason="modes and links of POSIX")
def test_the_mode_and_the_other_names_of_a_file_stay(file: Path) -> None:
    file.chmod(0o640)
    (file.parent / "link.yaml").symlink_to(file)
    os.link(file, file.parent / "hard.yaml")

    save(file.parent / "link.yaml", OLD, "system: mine\n")

    assert stat.S_IMODE(file.stat().st_mode) == 0o640
    assert (file.parent / "link.yaml").is_symlink()
    assert (file.parent / "hard.yaml").read_bytes() == file.read_bytes() == b"system: mine\n"
    assert len(list(file.parent.iterdir())) == 3  # nothing else lies about


def test_a_write_that_fails_leaves_the_old_file_whole(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(path: Path, content: bytes, target: Path) -> None:
        path.write_bytes(content[:3])
        raise OSError(28, "no space left")

    monkeypatch.setattr(whole_file, "_write", full)
    with pytest.raises(DocumentError, match="no space left"):
        save(file, OLD, "system: mine\n")

    assert file.read_bytes() == OLD
    assert list(file.parent.iterdir()) == [file]
