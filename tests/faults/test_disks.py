"""Disks that are full or failing in mid-test: told at once, not confirmed, nothing lost, in order."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import ArchiveError, NotConfirmed
from pipeline.events import NoteWritten, ReadingTaken, TestClosed
from pipeline.verify import verify

LONG_S = 60.0


def entered(running: Any) -> list[Any]:
    """What was typed, as it stands in the journal: texts and pressures."""
    kinds = NoteWritten | ReadingTaken
    return [
        event.text if isinstance(event, NoteWritten) else event.k1_mmhg
        for event in running.written()
        if isinstance(event, kinds)
    ]


def test_a_full_disk_is_told_at_once_and_filled_in_when_there_is_room(room: Any, failing_disk: Any) -> None:
    running = room.begin(disk=failing_disk.calls)
    running.note("before").result(LONG_S)
    failing_disk.full = True
    asked = [running.reading(140.0), running.note("meanwhile"), running.reading(150.0)]
    for answer in asked:
        with pytest.raises(NotConfirmed, match="taken, but not on disk"):
            answer.result(LONG_S)
    view = running.seen(lambda view: view.trouble)
    assert "No space left on device" in view.trouble[0]
    assert entered(running) == ["before"]
    failing_disk.full = False
    running.seen(lambda view: not view.trouble)
    running.note("after").result(LONG_S)
    assert entered(running) == ["before", 140.0, "meanwhile", 150.0, "after"]
    running.end()
    room.let_go()
    assert room.sealed() == ["fine"]


def test_told_twice_to_end_on_a_full_disk_it_says_that_lines_are_lost(room: Any, failing_disk: Any) -> None:
    running = room.begin(disk=failing_disk.calls)
    running.note("before").result(LONG_S)
    failing_disk.full = True
    with pytest.raises(NotConfirmed):
        running.note("lost").result(LONG_S)
    running.session.interrupt()
    # closed, and still waiting for room
    running.seen(lambda view: view.state == "closed")
    assert running.thread.is_alive()
    running.session.interrupt()
    running.over()
    assert isinstance(running.failed, NotConfirmed)
    assert "are lost" in str(running.failed)
    room.let_go()
    # what was confirmed is there, and the test can be resumed
    failing_disk.full = False
    again = room.resume(disk=failing_disk.calls)
    again.note("again").result(LONG_S)
    assert entered(again) == ["before", "again"]
    again.end()
    room.let_go()
    assert room.sealed() == ["fine"]


def test_told_once_to_end_on_a_full_disk_it_waits_for_room(room: Any, failing_disk: Any) -> None:
    running = room.begin(disk=failing_disk.calls)
    running.note("before").result(LONG_S)
    failing_disk.full = True
    running.session.interrupt()
    running.seen(lambda view: view.state == "closed")
    failing_disk.full = False
    running.over()
    assert running.failed is None
    assert isinstance(running.written()[-1], TestClosed)


def test_where_a_sync_fails_entries_go_to_a_rescue_journal(room: Any, failing_disk: Any) -> None:
    running = room.begin(disk=failing_disk.calls)
    running.note("before").result(LONG_S)
    failing_disk.failing_syncs = 1
    # on disk all the same, in the file beside it
    running.note("rescued").result(LONG_S)
    view = running.seen(lambda view: view.trouble)
    assert view.trouble == ("the disk failed: entries go to a rescue journal beside it; change the disk",)
    assert len(list(running.folder.path.glob("journal.rescue-*.jsonl"))) == 1
    running.session.interrupt()
    running.over()
    room.let_go()
    assert entered(running) == ["before", "rescued"]
    assert room.sealed() == ["fine"]


def test_with_a_rescue_journal_a_test_is_resumed(room: Any, failing_disk: Any) -> None:
    running = room.begin(disk=failing_disk.calls)
    running.note("before").result(LONG_S)
    failing_disk.failing_syncs = 1
    running.note("rescued").result(LONG_S)
    # the process dies: the disk takes nothing of the end
    failing_disk.full = True
    room.let_go()
    failing_disk.full = False
    again = room.resume(disk=failing_disk.calls)
    assert again.seen(lambda view: view.trouble).trouble[0].startswith("the disk failed")
    again.note("again").result(LONG_S)
    again.end()
    room.let_go()
    assert entered(again) == ["before", "rescued", "again"]
    assert room.sealed() == ["fine"]


def test_where_nothing_can_be_synced_nothing_is_confirmed(room: Any, failing_disk: Any) -> None:
    running = room.begin(disk=failing_disk.calls)
    running.note("before").result(LONG_S)
    failing_disk.failing_syncs = 1_000_000
    with pytest.raises(NotConfirmed, match=r"cannot be made to last, nor can journal\.rescue-"):
        running.note("meanwhile").result(LONG_S)
    running.seen(lambda view: view.trouble)
    failing_disk.failing_syncs = 0
    running.note("after").result(LONG_S)
    running.end()
    room.let_go()
    assert entered(running) == ["before", "meanwhile", "after"]
    assert room.sealed() == ["fine"]


def test_a_test_that_cannot_be_opened_leaves_nothing_behind(room: Any, failing_disk: Any) -> None:
    failing_disk.full = True
    with pytest.raises(ArchiveError, match="cannot be written"):
        room.begin(disk=failing_disk.calls)
    assert not room.folder.path.exists()
    failing_disk.full = False
    room.begin(disk=failing_disk.calls).note("begun").result(LONG_S)


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A real file system of 256 kB."""
    folder = tmp_path / "small"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder)]
    try:
        done = subprocess.run(mount, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        pytest.skip("no mount here")
    if done.returncode:
        pytest.skip(f"a small file system cannot be mounted here: {done.stderr.strip()}")
    yield folder
    subprocess.run(["umount", "--lazy", str(folder)], check=True)


def test_a_file_system_that_is_really_full(room: Any, small: Path) -> None:
    room.root = small
    running = room.begin()
    running.note("before").result(LONG_S)
    filler = os.open(small / "filler", os.O_WRONLY | os.O_CREAT)
    # as much as there is, then a byte that there is no room for
    while os.write(filler, b"0" * 4096) == 4096 and os.fstatvfs(filler).f_bfree:
        pass
    with pytest.raises(OSError, match="No space left"):
        os.write(filler, b"0" * 4096)
    os.close(filler)
    # the last page of the journal may take a few lines more
    refused = None
    for number in range(40):
        try:
            running.note(f"{number:03d} " + "x" * 400).result(LONG_S)
        except NotConfirmed:
            refused = number
            break
    assert refused is not None
    assert "No space left on device" in running.seen(lambda view: view.trouble).trouble[0]
    assert [text[:3] for text in entered(running)[1:]] == [f"{number:03d}" for number in range(refused)]
    (small / "filler").unlink()
    running.seen(lambda view: not view.trouble)
    running.note("after").result(LONG_S)
    texts = [text[:3] for text in entered(running)]
    assert texts == ["bef", *(f"{number:03d}" for number in range(refused + 1)), "aft"]
    running.end()
    room.let_go()
    assert [finding.level for finding in verify([room.folder])] == ["stale"]  # whole, and not sealed yet
