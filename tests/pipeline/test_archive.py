"""The archive's folders, and files that get there whole or not at all."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.archive import (
    Archive,
    Disk,
    TestFolder,
    publish,
    publish_bytes,
    publish_with,
    sweep,
    temporary,
)
from pipeline.errors import ArchiveError, JournalExists, UsageError


def full(*_: object) -> int:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def record(root: Path, study: str, test_id: str) -> TestFolder:
    folder = Archive(root).create(study, test_id)
    folder.journal.write_bytes(b"{}\n")
    return folder


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    for study, test_id in (("s2", "P-01-a"), ("s1", "P-02-a"), ("s1", "P-01-a"), ("s1", "P-02-b")):
        record(tmp_path, study, test_id)
    return Archive(tmp_path)


def names(folders) -> list[str]:
    return [f"{folder.study}/{folder.test_id}" for folder in folders]


def test_where_the_files_of_a_test_lie(tmp_path):
    folder = Archive(tmp_path).test_folder("pilot", "P-07-20250304-0930")
    where = tmp_path / "study=pilot" / "test=P-07-20250304-0930"
    assert folder == TestFolder("pilot", "P-07-20250304-0930", where)
    assert folder.journal == where / "journal.jsonl"
    assert folder.setup == where / "setup.toml"
    assert folder.rules == where / "rules.toml"
    assert folder.report == where / "report.html"
    assert folder.parquet("readings") == where / "readings.parquet"
    assert not where.exists()


@pytest.mark.parametrize("name", ["", "..", "a/b", "-a", "a b", "é1", "a" * 65, "a\n"])
def test_an_id_that_cannot_name_a_folder_is_refused(tmp_path, name):
    with pytest.raises(UsageError, match=r"study .*: 1 to 64 letters, digits.*; choose another"):
        Archive(tmp_path).test_folder(name, "T1")
    with pytest.raises(UsageError, match=r"test id .*: 1 to 64 letters"):
        Archive(tmp_path).test_folder("S1", name)


def test_a_new_test_gets_its_folder_and_every_new_name_is_synced(tmp_path):
    synced = []
    disk = Disk(fsync=lambda fd: synced.append(Path(f"/proc/self/fd/{fd}").readlink()))
    root = tmp_path / "new" / "archive"
    folder = Archive(root).create("s1", "T1", disk)
    assert folder.path.is_dir()
    assert synced == [tmp_path, tmp_path / "new", root, root / "study=s1"]


def test_an_existing_test_is_never_overwritten(tmp_path):
    folder = record(tmp_path, "s1", "T1")
    with pytest.raises(
        JournalExists, match="An existing test is never overwritten; give the new one"
    ) as caught:
        Archive(tmp_path).create("s1", "T1")
    assert caught.value.path == folder.journal
    assert folder.journal.read_bytes() == b"{}\n"


def test_a_folder_without_a_journal_may_be_used(tmp_path):
    folder = Archive(tmp_path).create("s1", "T1")
    folder.setup.write_text("[test]\n")
    assert Archive(tmp_path).create("s1", "T1") == folder


def test_an_archive_that_cannot_be_written_says_so(tmp_path):
    (tmp_path / "file").write_text("not a folder")
    with pytest.raises(ArchiveError, match=r"cannot be written \(Not a directory\); check the rights and"):
        Archive(tmp_path / "file").create("s1", "T1")
    with pytest.raises(ArchiveError, match=r"cannot be written \(No space left on device\)"):
        Archive(tmp_path).create("s1", "T1", Disk(fsync=full))


def test_tests_come_sorted_and_only_with_a_journal(archive):
    archive.create("s1", "P-00-a")  # no journal yet
    (archive.root / "gathered").mkdir()
    (archive.root / "notes.txt").write_text("mine")
    (archive.root / "study=s1" / "notes.txt").write_text("mine")
    assert names(archive.tests()) == ["s1/P-01-a", "s1/P-02-a", "s1/P-02-b", "s2/P-01-a"]
    assert archive.strays() == []


@pytest.mark.parametrize("where", ["study=s1/T9", "pilot/test=T9", "study=s 1/test=T9", "study=s1/test=T 9"])
def test_a_journal_in_a_folder_of_another_name_is_a_stray(archive, where):
    stray = archive.root / where
    stray.mkdir(parents=True)
    (stray / "journal.jsonl").write_bytes(b"{}\n")
    assert archive.strays() == [stray]
    assert len(list(archive.tests())) == 4
    with pytest.raises(UsageError, match="holds a journal but is not named study=S/test=T; rename it"):
        archive.find(stray)


def test_an_archive_that_is_not_there_says_so(tmp_path):
    with pytest.raises(ArchiveError, match="no such folder; name the archive with --archive"):
        list(Archive(tmp_path / "nowhere").tests())


def test_an_archive_that_cannot_be_read_says_so(archive, monkeypatch):
    def refuse(self):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(Path, "iterdir", refuse)
    with pytest.raises(ArchiveError, match=r"cannot be read \(Permission denied\); check the rights"):
        list(archive.tests())


def test_a_test_is_found_by_id_by_study_and_id_and_by_path(archive, monkeypatch):
    folder = archive.test_folder("s1", "P-02-b")
    assert archive.find("P-02-b") == folder
    assert archive.find("s1/P-02-b") == folder
    assert archive.find("s2/P-01-a") == archive.test_folder("s2", "P-01-a")
    assert archive.find(folder.path) == folder
    assert archive.find(str(folder.journal)) == folder
    monkeypatch.chdir(folder.path)
    assert archive.find(".") == folder
    assert Archive(folder.path / "nowhere").find("journal.jsonl") == folder


def test_an_id_in_two_studies_is_asked_back(archive):
    with pytest.raises(UsageError, match="'P-01-a' is in 2 studies; write one of s1/P-01-a, s2/P-01-a"):
        archive.find("P-01-a")


def test_a_test_that_is_not_there_is_named_with_what_is_near(archive):
    with pytest.raises(UsageError, match=r"no test 'P-02-c' in .*, which holds 4 tests; did you mean P-02-"):
        archive.find("P-02-c")
    with pytest.raises(UsageError, match=r"no test 'xyz' in .*; give a test id, STUDY/TEST or a path"):
        archive.find("xyz")


def test_within_takes_an_archive_a_study_or_a_test(archive):
    assert names(archive.within(archive.root)) == names(archive.tests())
    assert names(archive.within(archive.root / "study=s1")) == ["s1/P-01-a", "s1/P-02-a", "s1/P-02-b"]
    assert names(archive.within(archive.test_folder("s2", "P-01-a").path)) == ["s2/P-01-a"]
    assert names(archive.within("P-02-a")) == ["s1/P-02-a"]


def test_within_a_folder_without_tests_is_asked_back(archive):
    (archive.root / "gathered").mkdir()
    with pytest.raises(UsageError, match="no test there; give an archive, a study=S folder or a test"):
        archive.within(archive.root / "gathered")


def test_a_folder_must_agree_with_its_journal(archive):
    folder = archive.test_folder("s1", "P-01-a")
    folder.check_ids("s1", "P-01-a")
    with pytest.raises(
        ArchiveError, match="says study s1, test P-01-a, its journal says study s1, test P-03-a"
    ):
        folder.check_ids("s1", "P-03-a")


def test_publishing_syncs_the_file_renames_it_and_syncs_the_folder(tmp_path):
    final = tmp_path / "summary.parquet"
    final.write_bytes(b"old")
    steps = []

    def fsync(fd: int) -> None:
        steps.append((Path(f"/proc/self/fd/{fd}").readlink().name, final.read_bytes()))

    tmp = temporary(final)
    tmp.write_bytes(b"new")
    publish(tmp, final, Disk(fsync=fsync))
    assert steps == [(tmp.name, b"old"), (tmp_path.name, b"new")]
    assert list(tmp_path.iterdir()) == [final]


def test_a_temporary_name_is_hidden_beside_the_file_and_never_given_twice(tmp_path):
    first, second = temporary(tmp_path / "a.parquet"), temporary(tmp_path / "a.parquet")
    assert first != second
    assert first.parent == tmp_path
    assert first.name.startswith(".")


@pytest.mark.parametrize("disk", [Disk(write=full), Disk(fsync=full)])
def test_a_file_that_cannot_be_published_leaves_the_old_one(tmp_path, disk):
    final = tmp_path / "setup.toml"
    final.write_bytes(b"old")
    with pytest.raises(ArchiveError, match=r"setup.toml: cannot be written \(No space left on device\)"):
        publish_bytes(final, b"new", disk)
    assert final.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [final]


def test_bytes_are_published_whole_though_the_disk_takes_them_piecemeal(tmp_path):
    disk = Disk(write=lambda fd, data: os.write(fd, data[:3]))
    publish_bytes(tmp_path / "a", b"0123456789", disk)
    assert (tmp_path / "a").read_bytes() == b"0123456789"


def test_what_goes_wrong_while_a_file_is_made_leaves_nothing(tmp_path):
    def write(tmp: Path) -> None:
        tmp.write_bytes(b"half")
        raise KeyError("column")

    with pytest.raises(KeyError):
        publish_with(tmp_path / "a.parquet", write)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_a_file_cannot_be_published_to(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(ArchiveError, match=r"cannot be written \(Not a directory\)"):
        publish_bytes(tmp_path / "file" / "a", b"1")


def test_sweeping_removes_what_dead_processes_of_this_machine_left(tmp_path):
    mine = temporary(tmp_path / "a.parquet")
    dead = subprocess.run(
        [sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, check=True
    )
    pid = dead.stdout.decode().strip()
    stale = tmp_path / mine.name.replace(f".{os.getpid()}.", f".{pid}.")
    impossible = tmp_path / mine.name.replace(f".{os.getpid()}.", f".{10**30}.")
    elsewhere = tmp_path / f".cuffwatt-a.parquet.another-machine.{pid}.1.tmp"
    living = tmp_path / mine.name.replace(f".{os.getpid()}.", ".1.")
    others = [
        mine,
        elsewhere,
        living,
        tmp_path / "a.parquet",
        tmp_path / ".cuffwatt",
        tmp_path / "tmp_a.parquet",
    ]
    for path in (stale, impossible, *others):
        path.write_bytes(b"")
    assert sweep(tmp_path) == sorted([stale, impossible])
    assert sorted(tmp_path.iterdir()) == sorted(others)
    assert sweep(tmp_path / "nowhere") == []
