"""A disk that is full, short or failing: no confirmed line is lost, and none is claimed that is."""

from __future__ import annotations

import errno
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from pipeline.archive import Disk
from pipeline.errors import ArchiveError, JournalDamaged
from pipeline.events import NoteWritten, TestOpened
from pipeline.journal import Journal, JournalNotKept, iter_events, read_journal

NINE = datetime(2025, 3, 4, 9, 0, tzinfo=UTC)


def opened() -> TestOpened:
    return TestOpened(
        seq=0,
        event_time=NINE,
        elapsed_s=0.0,
        source="invented",
        mode="live",
        anchor=NINE,
        test_id="T1",
        study="S1",
        participant="P-07",
        rules_digest="0",
        software="cuffwatt 0",
    )


def note(seq: int) -> NoteWritten:
    when = NINE + timedelta(seconds=seq)
    return NoteWritten(seq=seq, event_time=when, elapsed_s=float(seq), source="invented", text=f"nr {seq}")


class FailingDisk:
    """Takes `room` more bytes (None: any number); fails the next `bad_syncs` syncs of files."""

    def __init__(self) -> None:
        self.room: int | None = None
        self.bad_syncs = 0
        self.bad_truncate = False
        self.bad_folders = False
        self.synced: list[str] = []

    def write(self, fd: int, data: bytes) -> int:
        if self.room is None:
            return os.write(fd, data)
        if self.room == 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        written = os.write(fd, data[: self.room])
        self.room -= written
        return written

    def fsync(self, fd: int) -> None:
        target = Path(f"/proc/self/fd/{fd}").readlink()
        if target.is_dir():
            if self.bad_folders:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            return
        self.synced.append(target.name)
        if self.bad_syncs:
            self.bad_syncs -= 1
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    def truncate(self, fd: int, size: int) -> None:
        if self.bad_truncate:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        os.ftruncate(fd, size)

    def calls(self) -> Disk:
        return Disk(write=self.write, fsync=self.fsync, truncate=self.truncate)


@pytest.fixture
def disk() -> FailingDisk:
    return FailingDisk()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.jsonl"


@pytest.fixture
def journal(path, disk):
    with Journal.create(path, disk.calls()) as journal:
        journal.append([opened()])
        journal.sync()
        disk.synced.clear()
        yield journal


def test_a_folder_that_cannot_be_synced_leaves_no_journal(path, disk):
    disk.bad_folders = True
    with pytest.raises(ArchiveError, match=r"cannot be written \(Input/output error\)"):
        Journal.create(path, disk.calls())
    assert not path.exists()


def test_a_short_write_at_any_byte_is_cut_back_and_made_up(tmp_path):
    length = len(write_whole(tmp_path / "whole.jsonl"))
    for room in range(length):
        path = tmp_path / f"{room}.jsonl"
        disk = FailingDisk()
        with Journal.create(path, disk.calls()) as journal:
            disk.room = room
            with pytest.raises(JournalNotKept, match=r"cannot be written \(No space left on device\); the"):
                journal.append([opened(), note(1), note(2)])
            on_disk = path.read_bytes()
            assert on_disk == b"" or on_disk.endswith(b"\n")
            assert on_disk.count(b"\n") + journal.waiting == 3
            assert journal.next_seq == 3
            disk.room = None
            journal.retry()
            assert journal.waiting == 0
        assert list(iter_events(path)) == [opened(), note(1), note(2)]


def write_whole(path: Path) -> bytes:
    with Journal.create(path) as journal:
        journal.append([opened(), note(1), note(2)])
    return path.read_bytes()


def test_the_operator_is_told_which_lines_wait(journal, path, disk):
    journal.append([note(1)])
    size = path.stat().st_size
    disk.room = 0
    with pytest.raises(JournalNotKept) as caught:
        journal.append([note(2), note(3)])
    assert str(caught.value) == (
        f"{path}: line 3, byte {size}: cannot be written (No space left on device); the 2 lines from seq 2 "
        "on are in memory only: free space or mend the disk, they are written again as soon as it allows"
    )


def test_lines_go_on_being_taken_while_the_disk_is_full(journal, path, disk):
    disk.room = 0
    for seq in (1, 2):
        with pytest.raises(JournalNotKept):
            journal.append([note(seq)])
    with pytest.raises(JournalNotKept, match="2 lines from seq 1 on"):
        journal.retry()
    assert journal.waiting == 2
    disk.room = None
    journal.append([note(3)])
    journal.sync()
    assert (journal.waiting, journal.rescues) == (0, ())
    assert list(iter_events(path)) == [opened(), note(1), note(2), note(3)]


def test_a_sync_on_a_full_disk_makes_last_what_is_written_and_says_what_is_not(journal, path, disk):
    journal.append([note(1)])
    disk.room = 0
    with pytest.raises(JournalNotKept):
        journal.append([note(2)])
    with pytest.raises(JournalNotKept, match="1 lines from seq 2 on"):
        journal.sync()
    assert disk.synced == ["journal.jsonl"]
    assert read_journal(path).lines == 2


def test_a_part_of_a_line_that_cannot_be_cut_is_cut_before_the_next_write(journal, path, disk):
    disk.room, disk.bad_truncate = 20, True
    with pytest.raises(JournalNotKept, match="No space left on device"):
        journal.append([note(1)])
    assert read_journal(path).torn_tail != b""
    disk.room = None
    with pytest.raises(JournalNotKept, match="Input/output error"):
        journal.retry()
    disk.bad_truncate = False
    journal.retry()
    assert list(iter_events(path)) == [opened(), note(1)]


def test_nothing_is_synced_twice(journal, disk):
    journal.append([note(1)])
    journal.sync()
    journal.sync()
    assert disk.synced == ["journal.jsonl"]


def test_after_a_failed_sync_lines_go_to_a_rescue_journal_and_that_file_is_never_synced_again(
    journal, path, disk
):
    start = path.stat().st_size
    journal.append([note(1)])
    disk.bad_syncs = 1
    journal.sync()
    rescue = path.with_name(f"journal.rescue-{start}.jsonl")
    assert journal.rescues == (rescue,)
    assert rescue.read_bytes().count(b"\n") == 1
    journal.append([note(2)])
    journal.sync()
    assert rescue.read_bytes().count(b"\n") == 2
    assert disk.synced.count("journal.jsonl") == 1
    assert disk.synced[-1] == rescue.name
    read = read_journal(path)
    assert (read.lines, read.rescues, read.plain) == (3, (rescue,), False)
    assert read.head == journal.head
    assert list(iter_events(path)) == [opened(), note(1), note(2)]


@pytest.mark.parametrize("lost", ["all", "half", "zeroed", "garbage"])
def test_the_rescue_holds_whatever_became_of_the_lines_that_were_not_synced(journal, path, disk, lost):
    start = path.stat().st_size
    journal.append([note(1)])
    disk.bad_syncs = 1
    journal.sync()
    data = path.read_bytes()
    unsynced = data[start:]
    left = {"all": b"", "half": unsynced[:40], "zeroed": bytes(len(unsynced)), "garbage": b"\xff\n" * 99}
    path.write_bytes(data[:start] + left[lost])
    assert list(iter_events(path)) == [opened(), note(1)]


def test_a_rescue_may_fail_in_its_turn(journal, path, disk):
    first = path.stat().st_size
    journal.append([note(1)])
    disk.bad_syncs = 1
    journal.sync()
    journal.append([note(2)])
    journal.sync()
    second = first + journal.rescues[0].stat().st_size
    journal.append([note(3)])
    disk.bad_syncs = 1
    journal.sync()
    assert [p.name for p in journal.rescues] == [
        f"journal.rescue-{first}.jsonl",
        f"journal.rescue-{second}.jsonl",
    ]
    assert list(iter_events(path)) == [opened(), note(1), note(2), note(3)]


@pytest.mark.parametrize("trouble", ["sync", "space", "folder", "short"])
def test_where_no_rescue_can_be_made_nothing_is_claimed_and_it_is_tried_again(journal, path, disk, trouble):
    start = path.stat().st_size
    journal.append([note(1)])
    disk.bad_syncs = 99 if trouble == "sync" else 1
    disk.bad_folders = trouble == "folder"
    disk.room = {"space": 0, "short": 30}.get(trouble)
    words = rf"line 2, byte {start}: cannot be made to last, nor can journal.rescue-{start}.jsonl \("
    with pytest.raises(JournalNotKept, match=words):
        journal.sync()
    assert (journal.waiting, journal.rescues) == (1, ())
    with pytest.raises(JournalNotKept, match="the 2 lines from seq 1 on are in memory only"):
        journal.append([note(2)])
    assert journal.waiting == 2
    disk.bad_syncs, disk.bad_folders, disk.room = 0, False, None
    journal.retry()
    assert journal.waiting == 0
    assert [p.name for p in journal.rescues] == [f"journal.rescue-{start}.jsonl"]
    assert disk.synced.count("journal.jsonl") == 1
    assert list(iter_events(path)) == [opened(), note(1), note(2)]
    assert not list(path.parent.glob(".*"))


def test_what_waited_for_space_goes_to_the_rescue_too(journal, path, disk):
    journal.append([note(1)])
    disk.room = 0
    with pytest.raises(JournalNotKept):
        journal.append([note(2)])
    disk.bad_syncs = 1
    with pytest.raises(JournalNotKept):
        journal.sync()
    disk.room = None
    journal.sync()
    assert list(iter_events(path)) == [opened(), note(1), note(2)]
    assert len(journal.rescues) == 1


def rescued(path: Path, disk: FailingDisk) -> Path:
    with Journal.create(path, disk.calls()) as journal:
        journal.append([opened()])
        journal.sync()
        journal.append([note(1)])
        disk.bad_syncs = 1
        journal.sync()
        return journal.rescues[0]


def test_a_rescued_journal_is_reopened_at_the_end_of_its_rescue(path, disk):
    rescue = rescued(path, disk)
    main = path.read_bytes()
    with rescue.open("ab") as file:
        file.write(b'{"seq":2,"torn')
    with Journal.reopen(path, disk.calls()) as journal:
        assert (journal.next_seq, journal.rescues, journal.repair.bytes_cut) == (2, (rescue,), 14)
        journal.append([note(2)])
        journal.sync()
    assert path.read_bytes() == main
    assert rescue.read_bytes().count(b"\n") == 2
    assert list(iter_events(path)) == [opened(), note(1), note(2)]


def test_damage_in_a_rescue_is_named_in_that_file(path, disk):
    rescue = rescued(path, disk)
    with Journal.reopen(path, disk.calls()) as journal:
        journal.append([note(2)])
    data = rescue.read_bytes()
    rescue.write_bytes(data.replace(b"nr 2", b"nr 7"))
    second = data.index(b"\n") + 1
    with pytest.raises(JournalDamaged, match=rf"{rescue.name}: line 2, byte {second}: the line is not what"):
        read_journal(path)


def test_a_journal_shorter_than_where_its_rescue_begins_is_damaged(path, disk):
    rescue = rescued(path, disk)
    start = int(rescue.stem.rsplit("-", 1)[1])
    path.write_bytes(path.read_bytes()[: start - 5])
    words = f"byte {start - 5}: the file ends here, but {rescue.name} goes on from byte {start}; restore the"
    with pytest.raises(JournalDamaged, match=words):
        read_journal(path)


def test_a_journal_that_cannot_be_made_to_last_is_not_gone_on_with(path, disk):
    rescued(path, disk)
    disk.bad_syncs = 1
    with pytest.raises(ArchiveError, match=r"cannot be written \(Input/output error\); check the rights and"):
        Journal.reopen(path, disk.calls())
    Journal.reopen(path, disk.calls()).close()


def test_closing_twice_does_no_harm(journal):
    journal.close()
    journal.close()


def test_a_short_write_in_a_rescue_is_cut_back_there(path, disk):
    rescue = rescued(path, disk)
    with Journal.reopen(path, disk.calls()) as journal:
        journal.append([note(2)])
        journal.sync()
        journal.append([note(3)])
        disk.bad_syncs = 1
        journal.sync()
        second = journal.rescues[1]
        kept = second.read_bytes()
        disk.room = 30
        with pytest.raises(JournalNotKept):
            journal.append([note(4)])
        assert second.read_bytes() == kept
        disk.room = None
        journal.retry()
    assert rescue.read_bytes().count(b"\n") == 3
    assert [event.seq for event in iter_events(path)] == [0, 1, 2, 3, 4]
