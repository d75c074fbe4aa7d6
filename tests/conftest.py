"""Journals of invented tests, written without a recorder: a hundred in the time of one join."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from datetime import timedelta
from typing import Any

import pytest

from pipeline.archive import Archive, TestFolder
from pipeline.events import Event, Sample, StageStarted, TestClosed, TestOpened
from pipeline.journal import Journal
from pipeline.simulate import SimulatedTest, simulate_test, source_logs

_ORDER = {"test_opened": 0, "source_opened": 1, "stage_started": 2, "sample": 3}


def _simulated_events(test: SimulatedTest, **opened: Any) -> list[Event]:
    """The test's sources as events in order of time: stages as ridden, no prompts, not closed."""
    fields, logs = source_logs(test)
    coming: list[tuple[float, Event]] = [
        (
            0.0,
            TestOpened(**fields | {"protocol": None, "rules_digest": "0" * 16, "software": "test"} | opened),
        )
    ]
    for part in test.ridden:
        stage = StageStarted(
            event_time=test.at(part.started_s),
            source="protocol",
            stage_index=part.stage_index,
            by="schedule",
            **part.stage.model_dump(
                include={"label", "phase", "position", "target_watts", "target_watts_to", "planned_s"}
            ),
        )
        coming.append((part.started_s, stage))
    for log in logs:
        coming.append((0.0, log.opened))
        for event in log.events:
            offset_s = log.opened.clock_offset_s if isinstance(event, Sample) else 0.0
            coming.append(((event.event_time - test.at(0)).total_seconds() + offset_s, event))
    coming.sort(key=lambda pair: (max(0.0, pair[0]), _ORDER.get(pair[1].kind, 4)))
    return [
        event.model_copy(update={"seq": seq, "elapsed_s": max(0.0, elapsed_s)})
        for seq, (elapsed_s, event) in enumerate(coming)
    ]


def _closed(events: Sequence[Event], ended_s: float) -> list[Event]:
    """The events with the line that ends the test at `ended_s`."""
    opened = events[0]
    assert isinstance(opened, TestOpened)
    end = TestClosed(
        seq=len(events),
        elapsed_s=max(ended_s, events[-1].elapsed_s or 0.0),
        event_time=opened.anchor + timedelta(seconds=ended_s),
        source="recorder",
        outcome="completed",
        counts=dict(Counter(event.kind for event in events)),
    )
    return [*events, end]


def _write(archive: Archive, events: Iterable[Event]) -> TestFolder:
    """The journal of these numbered events in its place in the archive."""
    lines = list(events)
    opened = lines[0]
    assert isinstance(opened, TestOpened)
    folder = archive.create(opened.study, opened.test_id)
    with Journal.create(folder.journal) as journal:
        journal.append(lines)
    return folder


@pytest.fixture(scope="session")
def simulated_events() -> Callable[..., list[Event]]:
    """(SimulatedTest, **fields of test_opened) -> numbered events, not closed."""
    return _simulated_events


@pytest.fixture(scope="session")
def closed() -> Callable[[Sequence[Event], float], list[Event]]:
    """(events, end of the test in s) -> the same with test_closed."""
    return _closed


@pytest.fixture(scope="session")
def write_journal() -> Callable[[Archive, Iterable[Event]], TestFolder]:
    """(archive, numbered events) -> the folder with its journal, not sealed."""
    return _write


@pytest.fixture(scope="session")
def short_test() -> Callable[..., SimulatedTest]:
    """(number, **choices) -> an invented test of 16 minutes or so, quick to derive."""

    def make(number: int, **choices: Any) -> SimulatedTest:
        usual = {"rest_minutes": 8.0, "stages": 3, "stage_minutes": 2.0, "recovery_minutes": 3.0}
        return simulate_test(number, **usual | choices)

    return make
