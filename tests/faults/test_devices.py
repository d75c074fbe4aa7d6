"""Devices that go away, come back, talk rubbish or fall silent, while entries are made."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest

from pipeline.clock import PipelineClock
from pipeline.events import (
    LineRejected,
    ReadingDue,
    ReadingTaken,
    Sample,
    SourceFound,
    SourceLost,
    StageStarted,
)

LONG_S = 60.0
WALL = datetime(2026, 3, 14, 8, 30, tzinfo=UTC)
# its window opens a second after the opening: wait_s is where pumping begins
SOON = {"stage": [{"phase": "rest", "minutes": 5, "wait_s": 1, "readings": 1}]}


def samples(running: Any, name: str) -> list[float]:
    return [one.watts for one in running.of(Sample) if one.source == name]


def say_until(device: Any, line: bytes, running: Any, is_so: Callable[[], bool]) -> None:
    """Say a line again and again: nobody tells a device when its port is open."""

    def said() -> bool:
        device.say(line)
        return is_so()

    running.until(said)


def test_a_cable_is_pulled_in_a_window_and_put_back(room: Any, device: Callable[[str], Any]) -> None:
    bike = device("bike")
    running = room.begin(protocol=SOON, sources=[bike.source()])
    say_until(bike, b"50,60\n", running, lambda: 50 in samples(running, "bike"))
    running.until(lambda: running.of(ReadingDue))
    due = running.of(ReadingDue)[0]
    running.until(lambda: running.clock.now() > due.cuff_up)  # the window is open
    bike.unplug()
    view = running.seen(lambda view: view.sources[0].lost)
    assert "unplugged or switched off" in view.trouble[0]
    # the entry answers its prompt as if nothing had been
    taken = running.reading(120.0).result(LONG_S)
    assert isinstance(taken, ReadingTaken)
    assert taken.due_seq == due.seq
    bike.plug()
    say_until(bike, b"75,60\n", running, lambda: 75 in samples(running, "bike"))
    running.seen(lambda view: not view.trouble)
    assert len(running.of(SourceFound)) == 1
    assert len(running.of(ReadingDue)) == 1
    running.end()
    room.let_go()
    assert room.sealed() == ["fine"]


def test_rubbish_costs_only_itself(room: Any, device: Callable[[str], Any]) -> None:
    bike = device("bike")
    running = room.begin(sources=[bike.source()])
    say_until(bike, b"50,60\n", running, lambda: 50 in samples(running, "bike"))
    rubbish = bytes(range(256)).replace(b"\n", b"") * 4
    bike.say(rubbish + b"\n\xff\xfe,\x00\n,,,\n" + b"9" * 3000 + b"\n75,61\n")
    running.until(lambda: 75 in samples(running, "bike"))
    assert set(samples(running, "bike")) == {50, 75}
    kept = running.of(LineRejected)
    # one of them may be the half line at the opening
    assert len(kept) >= 4
    assert all(one.reason for one in kept)
    running.note("entered").result(LONG_S)
    running.end()
    room.let_go()
    assert room.sealed() == ["fine"]


def test_one_of_two_devices_dies_and_the_other_goes_on(room: Any, device: Callable[[str], Any]) -> None:
    bike, belt = device("bike"), device("belt")
    running = room.begin(sources=[bike.source(), belt.source()])
    say_until(bike, b"50,60\n", running, lambda: 50 in samples(running, "bike"))
    say_until(belt, b"51,60\n", running, lambda: 51 in samples(running, "belt"))
    belt.unplug()
    running.until(lambda: running.of(SourceLost))
    assert {one.source for one in running.of(SourceLost)} == {"belt"}
    bike.say(b"75,60\n")
    running.note("entered").result(LONG_S)
    running.until(lambda: 75 in samples(running, "bike"))
    view = running.session.view
    assert [(one.name, one.lost is None) for one in view.sources] == [("bike", True), ("belt", False)]


class Broken:
    """A source with a fault of its own."""

    name = "broken"

    def run(self, put: Any, stop: threading.Event, clock: Any) -> None:
        raise RuntimeError("a fault")


def test_a_source_that_fails_in_the_program_is_told_and_costs_only_itself(
    room: Any, device: Callable[[str], Any]
) -> None:
    bike = device("bike")
    running = room.begin(sources=[Broken(), bike.source()])
    say_until(bike, b"50,60\n", running, lambda: 50 in samples(running, "bike"))
    view = running.seen(lambda view: view.trouble)
    assert view.trouble == (
        "broken: reading it failed (RuntimeError: a fault); nothing more of it is recorded",
    )
    running.note("entered").result(LONG_S)


class Hand:
    """Clocks that stand until they are moved."""

    def __init__(self) -> None:
        self.s = 0.0
        self.clock = PipelineClock(wall=lambda: WALL, steady=lambda: self.s, monotonic=lambda: self.s)


@pytest.mark.parametrize(("silent_s", "lost"), [(14.0, False), (16.0, True)])
def test_a_device_that_falls_silent_is_lost(
    room: Any, device: Callable[[str], Any], silent_s: float, lost: bool
) -> None:
    bike, hand = device("bike"), Hand()
    running = room.begin(sources=[bike.source()], clock=hand.clock)
    say_until(bike, b"50,60\n", running, lambda: 50 in samples(running, "bike"))
    before = running.of(StageStarted)
    hand.s += silent_s  # definitions: silent after 15 s and four intervals
    if lost:
        running.until(lambda: running.of(SourceLost))
        assert running.of(SourceLost)[0].reason.startswith("silent: no line for 1")
    # the next line is there in any case
    say_until(bike, b"75,60\n", running, lambda: 75 in samples(running, "bike"))
    assert len(running.of(SourceFound)) == len(running.of(SourceLost)) == int(lost)
    assert running.of(StageStarted) == before
