"""The threads of a live test: what is confirmed is on disk, and nothing that fails ends the recording."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest

import pipeline.session
from pipeline.archive import Archive, Disk
from pipeline.clock import PipelineClock
from pipeline.control import Begin, Close
from pipeline.errors import NotConfirmed, UsageError
from pipeline.events import Event, NoteWritten, ReadingTaken, StageStarted, TestClosed, TestOpened
from pipeline.journal import iter_events, read_journal
from pipeline.live import Manner
from pipeline.live_view import LiveView
from pipeline.protocol import parse_protocol
from pipeline.record import Kept, Recording, open_test
from pipeline.rules import shipped_rules

LONG_S = 60.0  # nothing here takes a second; a busy machine may
REST = {"stage": [{"phase": "rest", "minutes": 5}]}


class Watch:
    """A disk that can be full and remembers whether the last write was synced."""

    def __init__(self) -> None:
        self.full = False
        self.synced = True

    def write(self, fd: int, data: bytes) -> int:
        if self.full:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        self.synced = False
        return os.write(fd, data)

    def fsync(self, fd: int) -> None:
        os.fsync(fd)
        self.synced = True


class Running:
    """A test that is being recorded in a thread."""

    def __init__(self, recording: Recording, disk: Watch, clock: PipelineClock) -> None:
        self.recording, self.disk, self.clock = recording, disk, clock
        self.session = recording.session
        self.thread = threading.Thread(target=recording.run, daemon=True)

    def note(self, text: str) -> Future[Event]:
        return self.session.ask(NoteWritten(event_time=self.clock.now(), source="terminal", text=text))

    def reading(self) -> Future[Event]:
        return self.session.ask(
            ReadingTaken(
                event_time=self.clock.now(), source="terminal", k1_mmhg=148.0, measured_source="estimated"
            )
        )

    def seen(self, is_so: Any) -> LiveView:
        """The view once `is_so`."""
        with self.session.changed:
            assert self.session.changed.wait_for(lambda: is_so(self.session.view), LONG_S)
            return self.session.view

    def written(self) -> list[Event]:
        return list(iter_events(self.recording.folder.journal))

    def end(self) -> None:
        self.session.interrupt()
        self.thread.join(LONG_S)
        assert not self.thread.is_alive()


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    disk, clock = Watch(), PipelineClock()
    opened = TestOpened(
        event_time=clock.anchor, source="setup", mode="live", anchor=clock.anchor, test_id="T", study="S",
        participant="P-01", protocol=parse_protocol(REST, "test"), rules_digest="0" * 16, software="test",
    )  # fmt: skip
    calls = Disk(write=disk.write, fsync=disk.fsync)
    with open_test(
        opened, Kept(""), Archive(tmp_path), shipped_rules(), clock, Manner(), disk=calls
    ) as recording:
        one = Running(recording, disk, clock)
        one.thread.start()
        yield one
        disk.full = False
        one.end()


def test_what_is_confirmed_is_on_disk(running: Running) -> None:
    line = running.reading().result(LONG_S)
    assert running.disk.synced
    assert line in running.written()
    begun = running.session.ask(Begin()).result(LONG_S)
    assert isinstance(begun, StageStarted)
    assert begun in running.written()
    with pytest.raises(UsageError, match="the test has begun"):
        running.session.ask(Begin()).result(LONG_S)


def test_on_a_full_disk_nothing_is_confirmed_and_nothing_is_lost(running: Running) -> None:
    running.note("before").result(LONG_S)
    running.disk.full = True
    with pytest.raises(NotConfirmed, match="taken, but not on disk"):
        running.reading().result(LONG_S)
    view = running.seen(lambda view: view.trouble)
    assert str(running.recording.folder.journal) in view.trouble[0]
    assert not any(isinstance(event, ReadingTaken) for event in running.written())
    running.disk.full = False
    # there is room again: the heartbeat writes what waited, in its order
    running.seen(lambda view: not view.trouble)
    running.note("after").result(LONG_S)
    kinds = [event.kind for event in running.written() if event.kind in ("note_written", "reading_taken")]
    assert kinds == ["note_written", "reading_taken", "note_written"]


def test_the_test_ends_when_it_is_interrupted_and_answers_what_came_too_late(running: Running) -> None:
    running.note("before").result(LONG_S)
    running.end()
    closed = running.written()[-1]
    assert isinstance(closed, TestClosed)
    assert (closed.outcome, closed.stopped_by) == ("interrupted", "recorder")
    assert read_journal(running.recording.folder.journal).closed


def test_an_entry_with_the_end_is_refused_not_left_open(running: Running) -> None:
    running.note("before").result(LONG_S)
    asked = [running.session.ask(Close()), running.reading(), running.reading()]
    assert isinstance(asked[0].result(LONG_S), TestClosed)
    for late in asked[1:]:
        with pytest.raises(UsageError, match="the test is closed"):
            late.result(LONG_S)


def test_a_deriver_that_fails_is_trouble_and_the_recording_goes_on(
    running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    running.note("before").result(LONG_S)

    def fail(*given: Any) -> None:
        raise RuntimeError("a fault")

    monkeypatch.setattr(pipeline.session.Deriver, "derive", fail)
    running.reading().result(LONG_S)
    view = running.seen(lambda view: view.trouble)
    assert view.trouble == ("flags are no longer derived (a fault); entries are kept as before",)
    line = running.note("after").result(LONG_S)
    assert line in running.written()


def test_a_test_that_nobody_watches_any_more_goes_on_and_says_so(running: Running) -> None:
    running.note("before").result(LONG_S)
    running.session.unattended("the terminal went away")
    running.note("after").result(LONG_S)
    notes = [event.text for event in running.written() if isinstance(event, NoteWritten)]
    assert notes == ["before", "the terminal went away: nobody is watching, the recording goes on", "after"]
