"""Which systems are named by a folder or a list, and what is refused before any work."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from many.jobs import retrofit

from optimizer.errors import OptimizerError
from optimizer.many import listing
from optimizer.many.answer import Job, answer
from optimizer.many.run import folder_of


def test_an_error_in_a_list_is_told_before_any_work(shop: Path, tmp_path: Path) -> None:
    own = tmp_path / "own.csv"
    own.write_text("item_id,price,currency,price_date\nno-such-part,1.00,USD,2026-11-01\n", encoding="utf-8")

    result = retrofit("many", shop, "--to", tmp_path / "r.csv", "--catalog", own)

    assert result.exit_code == 2
    assert not (tmp_path / "r.csv").exists()


@pytest.mark.parametrize(
    ("text", "words"),
    [("", "lists no file"), ("a.yaml\nb.yaml\na.yaml\n", "'a.yaml' is listed more than once")],
)
def test_a_list_that_is_none_is_refused(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "list.txt").write_text(text, encoding="utf-8")

    with pytest.raises(OptimizerError, match=words):
        listing.systems(tmp_path / "list.txt")


def test_a_list_names_files_from_its_own_folder_on(shop: Path) -> None:
    (shop / "list.txt").write_text("# ours\nnorth/a.yml\n\na.yaml\nnone.yaml\n", encoding="utf-8")

    named = listing.systems(shop / "list.txt")

    assert [name for name, _ in named] == ["a.yaml", "none.yaml", "north/a.yml"]
    rows = [answer(one).row for one in listing.jobs(named, Job("", None, "check"))]
    assert [row.status for row in rows] == ["read", "input error", "read"]
    assert "cannot be read" in rows[1].error


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes and devices as POSIX has them")
def test_pipes_and_devices_are_neither_waited_for_nor_read_without_end(shop: Path, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "list.txt").write_text("pipe\nshop/a.yaml\n/dev/zero\na\0b\n", encoding="utf-8")

    rows = [answer(one).row for one in listing.jobs(listing.systems(tmp_path / "list.txt"), Job("", None, "check"))]

    assert [row.status for row in rows] == ["input error", "input error", "input error", "read"]
    assert "a device, not a file" in rows[0].error
    assert "a pipe, not a file" in rows[2].error
    for words in (
        ("many", "/dev/zero", "--to", tmp_path / "r.csv"),
        ("many", tmp_path / "pipe", "--to", tmp_path / "r.csv"),
        ("vary", tmp_path / "pipe", "--with", shop / "a.yaml", "--to", tmp_path / "r.csv"),
        ("vary", shop / "a.yaml", "--with", tmp_path / "pipe", "--to", tmp_path / "r.csv"),
    ):
        result = retrofit(*words)
        assert result.exit_code == 2
        assert "not a file" in result.output
    os.mkfifo(tmp_path / "r.csv.kept")
    assert retrofit("many", shop, "--to", tmp_path / "r.csv", "--what", "check").exit_code == 2


def test_neither_a_system_nor_a_list_is_overwritten(shop: Path) -> None:
    (shop / "list.csv").write_text("a.yaml\n", encoding="utf-8")

    result = retrofit("many", shop / "list.csv", "--to", shop / "list.csv", "--replace")

    assert result.exit_code == 2
    assert (shop / "list.csv").read_text(encoding="utf-8") == "a.yaml\n"


def test_rows_are_not_kept_in_a_list_of_systems(shop: Path) -> None:
    (shop / "r.csv.kept").write_text("a.yaml", encoding="utf-8")

    result = retrofit("many", shop / "r.csv.kept", "--to", shop / "r.csv", "--what", "check")

    assert result.exit_code == 2
    assert "an output never replaces an input" in result.output
    assert (shop / "r.csv.kept").read_text(encoding="utf-8") == "a.yaml"


def test_papers_among_the_systems_are_refused_before_any_work(shop: Path, tmp_path: Path) -> None:
    result = retrofit("many", shop, "--to", tmp_path / "r.csv", "--papers", shop)

    assert result.exit_code == 2
    assert "papers go into a folder of this name, and it is a file" in result.output
    assert not (tmp_path / "r.csv.kept").exists()


@pytest.mark.parametrize("name", ["../../a.yaml", "/etc/a.yaml", "b\\..\\..\\a.yaml", "a.yaml, C:x"])
def test_no_name_leads_out_of_the_folder_of_papers(tmp_path: Path, name: str) -> None:
    assert folder_of(tmp_path, name).resolve().is_relative_to(tmp_path.resolve())
    assert ":" not in folder_of(Path("papers"), name).as_posix()
