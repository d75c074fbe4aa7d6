"""Devices for live sources: a terminal pair that can be unplugged, and a loop within the process."""

from __future__ import annotations

import os
import queue
import select
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from serial import serial_for_url

from adapters.base import LiveSource
from pipeline.clock import PipelineClock
from pipeline.events import Event

PATIENCE_S = 20.0
WALL = datetime(2026, 3, 14, 8, 30, tzinfo=UTC)


class Hand:
    """A clock that stands still until a test moves it."""

    def __init__(self) -> None:
        self.s = 0.0
        self.clock = PipelineClock(wall=lambda: WALL, steady=lambda: self.s, monotonic=lambda: self.s)


class PtyDevice:
    """A device on a port below a name that stays, as a link by id does."""

    def __init__(self, folder: Path) -> None:
        self.port = str(folder / "device")
        self._ends: tuple[int, int] | None = None
        self.plug()

    def plug(self) -> None:
        self._ends = os.openpty()
        Path(self.port).unlink(missing_ok=True)
        Path(self.port).symlink_to(os.ttyname(self._ends[1]))

    def unplug(self) -> None:
        if self._ends is not None:
            for end in self._ends:
                os.close(end)
            Path(self.port).unlink()
            self._ends = None

    def say(self, octets: bytes) -> None:
        assert self._ends is not None
        while octets:
            octets = octets[os.write(self._ends[0], octets) :]

    def asked(self, size: int) -> bytes:
        """The next bytes that the program sends."""
        assert self._ends is not None
        octets = b""
        while len(octets) < size:
            octets += os.read(self._ends[0], size - len(octets))
        return octets

    def was_asked(self) -> bool:
        """Whether something was sent that nobody has taken yet."""
        assert self._ends is not None
        return bool(select.select([self._ends[0]], [], [], 0)[0])


class LoopDevice:
    """A device within the process; what is said comes back on the same connection."""

    port = "loop://"

    def __init__(self) -> None:
        self.connection = serial_for_url(self.port, timeout=0.1)

    def say(self, octets: bytes) -> None:
        self.connection.write(octets)


@dataclass
class Running:
    """A source in its thread, and what it has put so far."""

    source: LiveSource
    hand: Hand
    stop: threading.Event = field(default_factory=threading.Event)
    events: list[Event] = field(default_factory=list)
    clock: PipelineClock | None = None

    def __post_init__(self) -> None:
        self._queue: queue.Queue[Event] = queue.Queue()
        clock = self.clock or self.hand.clock
        self.thread = threading.Thread(target=self.source.run, args=(self._queue.put, self.stop, clock))
        self.thread.start()

    def next(self, wait_s: float = PATIENCE_S) -> Event:
        """The next event; queue.Empty when none comes."""
        self.events.append(self._queue.get(timeout=wait_s))
        return self.events[-1]

    def until(self, kind: str, count: int = 1) -> Any:
        """The `count`-th event of a kind from now on."""
        while True:
            event = self.next()
            count -= event.kind == kind
            if event.kind == kind and count == 0:
                return event

    def saying_until(self, say: Callable[[], None], kind: str) -> Any:
        """As `until`, while a device goes on saying: nobody tells it when its port is opened."""
        while True:
            say()
            try:
                event = self.next(0.05)
            except queue.Empty:
                continue
            if event.kind == kind:
                return event

    def end(self) -> list[Event]:
        """Stop; everything that was put."""
        self.stop.set()
        self.thread.join(PATIENCE_S)
        assert not self.thread.is_alive()
        while not self._queue.empty():
            self.next()
        return self.events

    def of(self, kind: str) -> list[Any]:
        return [event for event in self.events if event.kind == kind]


@pytest.fixture
def hand() -> Hand:
    return Hand()


@pytest.fixture
def run(hand: Hand) -> Iterator[Callable[..., Running]]:
    """Start a source; every one that still runs is stopped at the end."""
    started: list[Running] = []

    def start(source: LiveSource, **others: Any) -> Running:
        started.append(Running(source, hand, **others))
        return started[-1]

    yield start
    for running in started:
        running.end()


@pytest.fixture
def ptys(tmp_path: Path) -> Iterator[Callable[[int], list[PtyDevice]]]:
    """Any number of devices, each on a port of its own."""
    devices: list[PtyDevice] = []

    def make(count: int) -> list[PtyDevice]:
        for _ in range(count):
            folder = tmp_path / f"port{len(devices)}"
            folder.mkdir()
            devices.append(PtyDevice(folder))
        return devices[-count:]

    yield make
    for device in devices:
        device.unplug()


@pytest.fixture
def pty(ptys: Callable[[int], list[PtyDevice]]) -> PtyDevice:
    return ptys(1)[0]


@pytest.fixture
def loop() -> LoopDevice:
    return LoopDevice()
