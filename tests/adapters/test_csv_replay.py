"""A recorded log played on the clock of a test."""

from __future__ import annotations

import heapq
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from adapters.csv_log import read_log
from adapters.csv_replay import CsvReplay, first_row
from pipeline.errors import UsageError
from pipeline.events import Event, Sample, SourceLog

START = datetime(2027, 1, 1, 12, 0, tzinfo=UTC)
# rows 0, 1, 1.5 and 60 s after the first; the third line is bad
BIKE = (
    "time,watts\n2026-03-14T08:30:00Z,100\n2026-03-14T08:30:01Z,101\n2026-03-14T08:30:01Z,x\n"
    "2026-03-14T08:30:01.5Z,102\n2026-03-14T08:31:00Z,103\n"
)


@pytest.fixture
def log(tmp_path: Path) -> Callable[..., SourceLog]:
    def read(text: str = BIKE, **others: Any) -> SourceLog:
        (tmp_path / "log.csv").write_text(text)
        return read_log(tmp_path / "log.csv", **({"name": "bike"} | others))

    return read


def since_start(events: list[Event]) -> list[tuple[str, float]]:
    return [(event.kind, (event.event_time - START).total_seconds()) for event in events]


def test_rows_are_moved_so_that_the_first_is_the_start(log: Callable[..., SourceLog]) -> None:
    events = list(CsvReplay(log()).events(START))
    assert since_start(events) == [
        ("source_opened", 0),
        ("sample", 0),
        ("sample", 1),
        ("line_rejected", 1),
        ("sample", 1.5),
        ("sample", 60),
        ("source_lost", 60),
    ]
    assert [event.watts for event in events if isinstance(event, Sample)] == [100, 101, 102, 103]
    assert events[0].adapter == "csv_replay"  # type: ignore[attr-defined]
    assert events[-1].reason == "the recorded log has ended"  # type: ignore[attr-defined]


def test_ten_times_faster(log: Callable[..., SourceLog]) -> None:
    samples = [e for e in CsvReplay(log(), speed=10).events(START) if isinstance(e, Sample)]
    assert [moment for _, moment in since_start(list(samples))] == [0, 0.1, 0.15, 6]


def test_logs_played_together_keep_their_distance(log: Callable[..., SourceLog]) -> None:
    bike = log()
    # by its own clock at 08:29:50, which is 2.5 s slow: 7.5 s before the bike
    strap = log("time,heart_rate_bpm\n2026-03-14T08:29:50Z,70\n2026-03-14T08:30:00Z,71\n",
                name="strap", clock_offset_s=2.5, clock_method="given")  # fmt: skip
    begins = min(first_row(bike), first_row(strap))
    played = [CsvReplay(one, begins=begins) for one in (bike, strap)]
    merged = list(heapq.merge(*(one.events(START) for one in played), key=lambda event: event.event_time))
    samples = [(e.source, (e.event_time - START).total_seconds()) for e in merged if e.kind == "sample"]
    assert samples == [
        ("strap", 0), ("bike", 7.5), ("bike", 8.5), ("bike", 9), ("strap", 10), ("bike", 67.5)
    ]  # fmt: skip
    # the offset is in the times now, and must not be added again
    opened = [e for e in merged if e.kind == "source_opened"]
    assert [(e.clock_offset_s, e.clock_method) for e in opened] == [(0, "none"), (0, "none")]  # type: ignore[attr-defined]


def test_a_bad_first_line_stands_at_the_start_whatever_time_it_has(log: Callable[..., SourceLog]) -> None:
    # without a good line before it, it carries the start of the test, hours after the rows
    text = "time,watts\nx\n2026-03-14T08:30:00Z,100\n2026-03-14T08:30:01Z,101\n"
    recorded = log(text, started=datetime(2026, 3, 14, 11, 30, tzinfo=UTC))
    assert since_start(list(CsvReplay(recorded).events(START)))[1:4] == [
        ("line_rejected", 0),
        ("sample", 0),
        ("sample", 1),
    ]


class Moving(threading.Event):
    """A stop event whose waiting moves the clock instead of taking time."""

    def __init__(self, hand: Any, stops_at_s: float = float("inf")) -> None:
        super().__init__()
        self._hand, self._stops_at_s = hand, stops_at_s

    def wait(self, timeout: float | None = None) -> bool:
        self._hand.s += timeout or 0.0
        if self._hand.s >= self._stops_at_s:
            self.set()
        return self.is_set()


def test_in_its_thread_every_row_comes_at_its_time(log: Callable[..., SourceLog], hand: Any) -> None:
    hand.s = 5.0
    came: list[tuple[str, float, float]] = []

    def put(event: Event) -> None:
        due_s = (event.event_time - hand.clock.anchor).total_seconds()
        came.append((event.kind, due_s, hand.s))

    CsvReplay(log()).run(put, Moving(hand), hand.clock)
    assert [(kind, due_s) for kind, due_s, _ in came if kind == "sample"] == [
        ("sample", 5), ("sample", 6), ("sample", 6.5), ("sample", 65)
    ]  # fmt: skip
    assert came[-1][0] == "source_lost"
    # never early; late by the rounding of the clock to microseconds at most
    assert all(0 <= at_s - due_s < 0.001 for _, due_s, at_s in came)


def test_it_stops_between_two_rows(log: Callable[..., SourceLog], hand: Any) -> None:
    events: list[Event] = []
    CsvReplay(log()).run(events.append, Moving(hand, stops_at_s=30.0), hand.clock)
    assert [event.kind for event in events].count("sample") == 3
    assert hand.s < 30.3
    assert events[-1].event_time == hand.clock.anchor + timedelta(seconds=1.5)


@pytest.mark.parametrize("speed", [0, -1, float("inf"), float("nan")])
def test_a_speed_that_is_none_is_refused(log: Callable[..., SourceLog], speed: float) -> None:
    with pytest.raises(UsageError, match="a number above 0 is wanted; 1 is real time"):
        CsvReplay(log(), speed=speed)
