"""Folders that are whole or not there."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.archive import Archive, Disk, TestFolder
from pipeline.draft import draft, free_folder
from pipeline.errors import ArchiveError, JournalExists, UsageError


def make(archive: Archive, text: str = "mine", test_id: str = "T") -> Path:
    with draft(archive, "S", test_id) as folder:
        folder.journal.write_text(text)
    return archive.test_folder("S", test_id).path


def fail(folder: TestFolder, error: type[BaseException], *_: object) -> None:
    folder.journal.write_text("half")
    raise error


def names(root: Path) -> list[str]:
    return sorted(str(path.relative_to(root)) for path in root.rglob("*"))


def test_a_draft_gets_its_name_when_it_is_whole(tmp_path: Path) -> None:
    archive = Archive(tmp_path / "archive")
    with draft(archive, "S", "T") as folder:
        folder.journal.write_text("mine")
        assert (folder.study, folder.test_id) == ("S", "T")
        # nobody sees it yet
        assert list(archive.tests()) == []
        assert archive.strays() == []
    assert names(tmp_path) == ["archive", "archive/study=S", "archive/study=S/test=T",
                               "archive/study=S/test=T/journal.jsonl"]  # fmt: skip
    assert [test.test_id for test in archive.tests()] == ["T"]


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt, SystemExit])
def test_however_it_ends_early_nothing_stays(tmp_path: Path, error: type[BaseException]) -> None:
    archive = Archive(tmp_path / "archive")
    with pytest.raises(error), draft(archive, "S", "T") as folder:
        fail(folder, error)
    assert names(tmp_path) == []
    assert make(archive).is_dir()


def test_what_others_put_beside_it_stays(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    with pytest.raises(RuntimeError), draft(archive, "S", "T") as folder:
        fail(folder, RuntimeError, make(archive, test_id="OTHER"))
    assert [test.test_id for test in archive.tests()] == ["OTHER"]


def test_an_existing_test_is_refused_before_and_after(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    make(archive, "first")
    with pytest.raises(JournalExists, match=r"test T of study S is there already.*another id in \[test\]"):
        make(archive)
    with (
        pytest.raises(JournalExists, match="never overwritten"),
        draft(archive, "S", "LATE") as folder,
    ):
        folder.journal.write_text(f"second to {make(archive, 'first', 'LATE')}")
    for test in archive.tests():
        assert test.journal.read_text() == "first"
    assert len(list(archive.tests())) == 2
    assert not [name for name in names(tmp_path) if ".cuffwatt" in name]


def test_files_that_are_no_test_are_not_touched(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    place = tmp_path / "study=S" / "test=T"
    place.mkdir(parents=True)
    assert make(archive) == place  # an empty folder is in nobody's way
    (tmp_path / "study=S" / "test=U").mkdir()
    (tmp_path / "study=S" / "test=U" / "notes.txt").write_text("mine")
    with pytest.raises(ArchiveError, match=r"without a journal, and holds notes\.txt; move it away"):
        make(archive, test_id="U")
    (tmp_path / "study=S" / "test=V").write_text("a file")
    with pytest.raises(ArchiveError, match="is there and no folder; move it away"):
        free_folder(archive, "S", "V")
    with pytest.raises(UsageError, match="choose another"):
        free_folder(archive, "S", "../T")


def test_what_a_killed_process_left_is_removed_by_the_next(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    study = tmp_path / "study=S"
    host = os.uname().nodename
    # no process has this number: the highest is 2**22
    left = study / f".cuffwatt-test=T.{host}.99999999.1.tmp"
    elsewhere = study / ".cuffwatt-test=T.another-machine.99999999.1.tmp"
    for folder in (left, elsewhere):
        folder.mkdir(parents=True)
        (folder / "journal.jsonl").write_text("half")
    assert archive.strays() == []
    make(archive)
    assert not left.exists()
    assert elsewhere.exists()


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    with pytest.raises(ArchiveError, match=r"file/study=S/test=T: cannot be written \(Not a directory\)"):
        make(Archive(tmp_path / "file"))

    def refuse(_: int) -> None:
        raise OSError(28, "No space left on device")

    with (
        pytest.raises(ArchiveError, match=r"test=T: cannot be written \(No space left"),
        draft(Archive(tmp_path), "S", "T", Disk(fsync=refuse)),
    ):
        pass
    assert names(tmp_path) == ["file"]
