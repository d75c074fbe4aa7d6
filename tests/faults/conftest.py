"""A live test with its threads in this process: disks, clocks and devices that fail when told to."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from adapters.log_format import parse_format
from adapters.serial_port import SerialPort
from adapters.setup_sections import SerialSource
from pipeline.archive import DISK, Archive, Disk, TestFolder
from pipeline.clock import PipelineClock
from pipeline.control import Control
from pipeline.events import Event, NoteWritten, ReadingTaken, TestOpened
from pipeline.journal import iter_events
from pipeline.live import Manner
from pipeline.live_view import LiveView
from pipeline.protocol import parse_protocol
from pipeline.record import Kept, Recording, open_test, resume_test
from pipeline.rules import shipped_rules
from pipeline.seal import seal_all
from pipeline.verify import verify

LONG_S = 60.0
REST = {"stage": [{"phase": "rest", "minutes": 5}, {"phase": "recovery", "minutes": 5}]}
NOW = Manner(start="now")
BIKE = parse_format(
    {"delimiter": ",", "header": False, "columns": 2, "time": {"form": "none"}, "watts": {"column": 1},
     "cadence_rpm": {"column": 2}},
    "format",
)  # fmt: skip


class FailingDisk:
    """A disk that can be full, and whose syncs can fail."""

    def __init__(self) -> None:
        self.full = False
        self.failing_syncs = 0

    @property
    def calls(self) -> Disk:
        return Disk(write=self._write, fsync=self._fsync)

    def _write(self, fd: int, data: bytes) -> int:
        if self.full:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return os.write(fd, data)

    def _fsync(self, fd: int) -> None:
        if self.failing_syncs:
            self.failing_syncs -= 1
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        os.fsync(fd)


class Running:
    """A test that is being recorded in a thread."""

    def __init__(self, recording: Recording) -> None:
        self.recording, self.session, self.clock = recording, recording.session, recording.clock
        self.folder: TestFolder = recording.folder
        self.failed: BaseException | None = None
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self) -> None:
        try:
            self.recording.run()
        except BaseException as error:
            self.failed = error

    def enter(self, event: type[Event], **fields: Any) -> Future[Event]:
        return self.session.ask(event(**{"event_time": self.clock.now(), "source": "terminal"} | fields))

    def note(self, text: str) -> Future[Event]:
        return self.enter(NoteWritten, text=text)

    def reading(self, k1: float = 148.0, **fields: Any) -> Future[Event]:
        return self.enter(ReadingTaken, **{"k1_mmhg": k1, "measured_source": "estimated"} | fields)

    def ask(self, control: Control) -> Event:
        return self.session.ask(control).result(LONG_S)

    def seen(self, is_so: Callable[[LiveView], Any]) -> LiveView:
        """The view once `is_so`."""
        with self.session.changed:
            assert self.session.changed.wait_for(lambda: is_so(self.session.view), LONG_S), self.session.view
            return self.session.view

    def written(self) -> list[Event]:
        journal = self.folder.journal
        return list(iter_events(journal)) if journal.stat().st_size else []

    def of(self, kind: type[Any]) -> list[Any]:
        return [event for event in self.written() if isinstance(event, kind)]

    def until(self, is_so: Callable[[], Any]) -> None:
        """Wait until `is_so` of what is written."""
        for _ in range(int(LONG_S / 0.05)):
            if is_so():
                return
            threading.Event().wait(0.05)
        raise AssertionError("it did not come")

    def end(self) -> None:
        self.session.interrupt()
        self.over()

    def over(self) -> None:
        self.thread.join(LONG_S)
        assert not self.thread.is_alive()


class Room:
    """Where tests are recorded; `begin` and `resume` start one."""

    def __init__(self, root: Path, stack: ExitStack) -> None:
        self.root = root
        self._stack, self._held = stack, ExitStack()

    def begin(
        self,
        *,
        protocol: dict[str, Any] | None = REST,
        manner: Manner = NOW,
        sources: Any = (),
        clock: PipelineClock | None = None,
        disk: Disk = DISK,
        root: Path | None = None,
        **opened: Any,
    ) -> Running:
        clock = clock or PipelineClock()
        rules = shipped_rules()
        facts: dict[str, Any] = {
            "event_time": clock.anchor, "source": "setup", "mode": "live", "anchor": clock.anchor,
            "test_id": "T", "study": "S", "participant": "P-01", "rules_digest": rules.digest,
            "protocol": protocol and parse_protocol(protocol, "test"), "software": "test",
        }  # fmt: skip
        archive = Archive(root or self.root)
        test = TestOpened(**facts | opened)
        return self._run(open_test(test, Kept("[test]\n"), archive, rules, clock, manner, sources, disk))

    def resume(self, *, manner: Manner = NOW, sources: Any = (), disk: Disk = DISK, **others: Any) -> Running:
        given = {"rules": shipped_rules(), "software": "test"} | others
        return self._run(resume_test(self.folder, manner=manner, sources=sources, disk=disk, **given))

    def _run(self, opening: Any) -> Running:
        self.let_go()
        running = Running(self._held.enter_context(opening))
        self._held.callback(self._end, running)
        return running

    def _end(self, running: Running) -> None:
        for _ in range(2):  # the second time whatever the disk says
            running.session.interrupt()
        running.over()

    def let_go(self) -> None:
        """End what runs, and give the journal back."""
        self._held.close()
        self._held = self._stack.enter_context(ExitStack())

    @property
    def folder(self) -> TestFolder:
        return Archive(self.root).test_folder("S", "T")

    def sealed(self) -> list[str]:
        """Seal the test that was let go; the levels that `verify` gives it."""
        assert [outcome.problem for outcome in seal_all([self.folder], None)] == [None]
        return [finding.level for finding in verify([self.folder])]


@pytest.fixture
def room(tmp_path: Path) -> Iterator[Room]:
    with ExitStack() as stack:
        yield Room(tmp_path, stack)


@pytest.fixture
def failing_disk() -> FailingDisk:
    return FailingDisk()


class Device:
    """A device on a pseudo-terminal below a name that stays."""

    def __init__(self, folder: Path, name: str) -> None:
        self.name = name
        self.port = folder / name
        self._ends: tuple[int, int] | None = None
        self.plug()

    def source(self) -> SerialPort:
        settings = SerialSource(kind="serial", port=str(self.port))
        ranks = {"bike": "watts=1,cadence_rpm=1"}.get(self.name, "watts=2,cadence_rpm=2")
        return SerialPort(self.name, settings, BIKE, ranks=ranks)

    def plug(self) -> None:
        self._ends = os.openpty()
        os.set_blocking(self._ends[0], False)
        self.port.unlink(missing_ok=True)
        self.port.symlink_to(os.ttyname(self._ends[1]))

    def unplug(self) -> None:
        if self._ends is not None:
            for end in self._ends:
                os.close(end)
            self.port.unlink()
            self._ends = None

    def say(self, octets: bytes) -> None:
        assert self._ends is not None
        os.write(self._ends[0], octets)


@pytest.fixture
def device(tmp_path: Path) -> Iterator[Callable[[str], Device]]:
    made: list[Device] = []

    def make(name: str) -> Device:
        made.append(Device(tmp_path, name))
        return made[-1]

    yield make
    for one in made:
        one.unplug()
