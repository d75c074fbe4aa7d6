"""Invented tests without a recorder: journals, a hundred in the time of one join, and tiny tests."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from pipeline.archive import Archive, TestFolder
from pipeline.columns import published
from pipeline.events import (
    Event,
    ReadingTaken,
    Sample,
    SourceOpened,
    StageStarted,
    TestClosed,
    TestOpened,
)
from pipeline.journal import Journal
from pipeline.rules import Rules, shipped_rules
from pipeline.simulate import SimulatedTest, simulate_test, source_logs
from pipeline.tables import LoadedJournal, Tables

_ORDER = {"test_opened": 0, "source_opened": 1, "stage_started": 2, "sample": 3}


Timed = tuple[float, Event]


def _timed_events(test: SimulatedTest, **opened: Any) -> list[Timed]:
    """The test's sources as (s since opening, event) in order: stages as ridden, no prompts, no end."""
    fields, logs = source_logs(test)
    coming: list[Timed] = [
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
    return coming


def _numbered(timed: Iterable[Timed]) -> list[Event]:
    return [
        event.model_copy(update={"seq": seq, "elapsed_s": max(0.0, elapsed_s)})
        for seq, (elapsed_s, event) in enumerate(timed)
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


class TinyTest:
    """A test of a few lines, put together by hand and derived; times in seconds from its start."""

    start = datetime(2026, 3, 14, 9, tzinfo=UTC)

    def __init__(self, rules: Rules | None = None, **opened: Any) -> None:
        self._rules = rules or shipped_rules()
        self.events: list[Event] = []
        facts = {"test_id": "T1", "study": "tiny", "participant": "P-1", "mode": "join"}
        facts |= {"rules_digest": "0" * 16, "software": "test", "anchor": self.start}
        self.add(TestOpened, 0, **facts | opened)
        self.add(
            SourceOpened,
            0,
            name="log",
            adapter="csv_log",
            measures="watts,heart_rate_bpm",
            ranks="watts=1,heart_rate_bpm=1",
        )

    def add(self, kind: type[Event], at_s: float, **fields: Any) -> int:
        """One event, taken at its own time; its seq."""
        seq = len(self.events)
        moment = self.start + timedelta(seconds=at_s)
        given = {"seq": seq, "elapsed_s": at_s, "event_time": moment, "source": "log"}
        self.events.append(kind(**given | fields))
        return seq

    def stage(self, index: int, at_s: float, phase: str, watts: float | None = None, **fields: Any) -> int:
        """A stage by the schedule; at rest seated, else on the ergometer."""
        usual = {"label": f"stage {index}", "by": "schedule", "target_watts": watts}
        usual["position"] = "seated" if phase == "rest" else "ergometer"
        return self.add(StageStarted, at_s, stage_index=index, phase=phase, **usual | fields)

    def log(self, from_s: int, to_s: int, watts: float | None, heart_rate_bpm: float | None) -> None:
        """One line a second after `from_s`, up to and with `to_s`."""
        for at_s in range(from_s + 1, to_s + 1):
            self.add(Sample, at_s, watts=watts, heart_rate_bpm=heart_rate_bpm)

    def reading(self, at_s: float, k1: float | None, k5: float | None, **fields: Any) -> int:
        """A reading with its first sound at `at_s`."""
        usual = {"k1_mmhg": k1, "k5_mmhg": k5, "measured_source": "stated"}
        return self.add(ReadingTaken, at_s, **usual | fields)

    def readings(self, ends_s: float) -> list[dict[str, Any]]:
        """The rows of the readings of the test, closed at `ends_s`, in order."""
        return self._alone(ends_s, "readings")

    def summary(self, ends_s: float) -> dict[str, Any]:
        """The summary of the test, closed at `ends_s`."""
        [row] = self._alone(ends_s, "summary")
        return row

    def stages(self, ends_s: float) -> list[dict[str, Any]]:
        """The rows of the stages of the test, closed at `ends_s`, in order."""
        return self._alone(ends_s, "stages")

    def flags(self, ends_s: float) -> list[dict[str, Any]]:
        """The flags of the test, closed at `ends_s`."""
        return self._alone(ends_s, "flags")

    def journal(self, test_id: str, ends_s: float) -> LoadedJournal:
        """The whole test under another name, closed at `ends_s`."""
        opened = self.events[0].model_copy(update={"test_id": test_id})
        ended = self.start + timedelta(seconds=ends_s)
        given: dict[str, Any] = {"seq": len(self.events), "elapsed_s": ends_s, "event_time": ended}
        closed = TestClosed(**given, source="log", outcome="completed", counts={})
        return LoadedJournal(
            study="tiny",
            test_id=test_id,
            path=Path(test_id),
            data=None,
            events=[opened, *self.events[1:], closed],
            samples=0,
            chain="0" * 16,
            closed=True,
            as_of=ended,
            last_seq=len(self.events),
        )

    def _alone(self, ends_s: float, name: str) -> list[dict[str, Any]]:
        return _derived_together({"T1": self}, ends_s, name)["T1"]


_ROW_ORDER = {"readings": "measured_at, reading_id", "stages": "stage_index", "flags": "target_seq, code"}


def _derived_together(
    tests: Mapping[str, TinyTest], ends_s: float, name: str
) -> dict[str, list[dict[str, Any]]]:
    """Rows of the published relation `name` by test; all closed at `ends_s`, under one set of rules."""
    [rules] = {id(test._rules): test._rules for test in tests.values()}.values()
    tables = Tables(rules)
    tables.load([test.journal(test_id, ends_s) for test_id, test in tests.items()])
    tables.run()
    order = _ROW_ORDER.get(name, "1")
    rows = tables.rows(f"select * from {published()[name].sql_relation} order by test_id, {order}")
    tables.close()
    return {test_id: [row for row in rows if row["test_id"] == test_id] for test_id in tests}


@pytest.fixture(scope="session")
def derived_together() -> Callable[[Mapping[str, TinyTest], float, str], dict[str, list[dict[str, Any]]]]:
    """({test_id: TinyTest}, end in s, published relation) -> its rows by test, all derived at once."""
    return _derived_together


@pytest.fixture(scope="session")
def tiny_test() -> type[TinyTest]:
    """TinyTest(rules, **fields of test_opened)."""
    return TinyTest


@pytest.fixture(scope="session")
def timed_events() -> Callable[..., list[Timed]]:
    """(SimulatedTest, **fields of test_opened) -> (s since opening, event) in order, no end."""
    return _timed_events


@pytest.fixture(scope="session")
def numbered() -> Callable[[Iterable[Timed]], list[Event]]:
    """Timed events -> events with seq and elapsed_s."""
    return _numbered


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
