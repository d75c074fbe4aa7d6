"""Going on with a test that was broken off: what it remembers, after how long, and what cannot be."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from pipeline.clock import PipelineClock
from pipeline.control import Close, NextStage, Stop
from pipeline.errors import CuffwattError, JournalClosed, JournalLocked, UsageError
from pipeline.events import (
    Amended,
    FlagAcknowledged,
    FlagRaised,
    ReadingDue,
    ReadingTaken,
    StageStarted,
    TestClosed,
    TestResumed,
)
from pipeline.live import Manner
from pipeline.record import resume_test
from pipeline.rules import load_rules, shipped_rules
from pipeline.verify import verify

LONG_S = 60.0
WALL = datetime(2026, 3, 14, 8, 30, tzinfo=UTC)
STAGES = {
    "stage": [
        {"phase": "rest", "minutes": 5, "reading": "none"},
        {"phase": "exercise", "minutes": 3, "watts": 50},
        {"phase": "exercise", "minutes": 3, "watts": 75},
        {"phase": "recovery", "minutes": 5},
    ]
}
DAY_S = 86400.0


class Machine:
    """The clocks of a machine that is switched off in between: only the wall goes on."""

    def __init__(self) -> None:
        self.s = 0.0
        self.clock = PipelineClock(**self._read)

    @property
    def _read(self) -> dict[str, Any]:
        return {
            "wall": lambda: WALL + timedelta(seconds=self.s),
            "steady": lambda: self.s,
            "monotonic": lambda: self.s,
        }

    def resumed(self, opened: Any, last_s: float) -> PipelineClock:
        return PipelineClock.resumed(opened.anchor, last_s, **self._read)


@pytest.fixture
def machine() -> Machine:
    return Machine()


def begun(room: Any, machine: Machine, disk: Any, **others: Any) -> Any:
    """A test at its opening, in the hands of the clock."""
    running = room.begin(clock=machine.clock, disk=disk.calls, protocol=STAGES, **others)
    running.note("opened").result(LONG_S)
    return running


def to(running: Any, machine: Machine, second: float) -> None:
    """Let time pass, and wait until what was due is written."""
    machine.s = second
    running.note(f"{second:g} s").result(LONG_S)


def broken_off(room: Any, disk: Any) -> None:
    """The process dies: nothing of its end comes to disk."""
    disk.full = True
    room.let_go()
    disk.full = False


def labels(running: Any) -> list[tuple[str, float, str]]:
    return [(one.label, (one.event_time - WALL).total_seconds(), one.by) for one in running.of(StageStarted)]


def test_it_stands_where_it_stood(room: Any, machine: Machine, failing_disk: Any) -> None:
    running = begun(room, machine, failing_disk)
    to(running, machine, 200)
    high = running.reading(260.0, k5_mmhg=80.0, arm="left", measured_source="stated").result(LONG_S)
    running.seen(lambda view: [flag for flag in view.flags if flag.code == "systolic_high"])
    seen = {"code": "systolic_high", "target_seq": high.seq, "by": "AB-1"}
    running.enter(FlagAcknowledged, **seen).result(LONG_S)
    running.seen(lambda view: [flag for flag in view.flags if flag.acknowledged])
    running.ask(NextStage())
    to(running, machine, 355)  # 50 W end at 380 s with a reading, which is going on
    assert running.of(ReadingDue)
    running.ask(Stop("leg_fatigue", "participant"))
    before = running.seen(lambda view: view.stopped and [one for one in view.prompts if one.due_seq])
    broken_off(room, failing_disk)
    machine.s = 358
    for _ in range(2):  # and once more
        again = room.resume(resumed=machine.resumed, disk=failing_disk.calls)
        again.note("again").result(LONG_S)
        view = again.seen(lambda view: [flag for flag in view.flags if flag.acknowledged])
        assert (view.stopped, view.last_arm) == ("leg_fatigue", "left")
        assert view.stage == before.stage
        assert [one.due_seq for one in view.prompts] == [one.due_seq for one in before.prompts]
        raised = [(one.code, one.target_seq) for one in again.of(FlagRaised)]
        assert raised.count(("systolic_high", high.seq)) == 1
        broken_off(room, failing_disk)
    last = room.resume(resumed=machine.resumed, disk=failing_disk.calls)
    # an entry without an arm is of the arm of the last, and answers the prompt from before
    taken = last.reading(180.0, k5_mmhg=80.0).result(LONG_S)
    assert isinstance(taken, ReadingTaken)
    assert taken.arm == "left"
    assert taken.due_seq == next(one.due_seq for one in before.prompts if one.due_seq)
    last.ask(Close())
    last.over()
    assert len(last.of(TestResumed)) == 3
    closed = last.of(TestClosed)[0]
    assert (closed.outcome, closed.reason, closed.stopped_by) == ("stopped", "leg_fatigue", "participant")
    room.let_go()
    assert room.sealed() == ["fine"]


def test_a_reading_that_is_due_at_once_is_planned_from_the_readings_before(
    room: Any, machine: Machine, failing_disk: Any
) -> None:
    running = begun(room, machine, failing_disk)
    to(running, machine, 60)
    running.reading(190.0, k5_mmhg=110.0, measured_source="stated").result(LONG_S)
    to(running, machine, 310)
    broken_off(room, failing_disk)
    machine.s = 440  # the reading ends with the stage at 480 s: its window is near
    again = room.resume(resumed=machine.resumed, disk=failing_disk.calls)
    again.note("again").result(LONG_S)
    due = again.of(ReadingDue)[0]
    assert due.elapsed_s == 440
    # whatever is expected of 50 W, it is not below what was heard at rest
    assert due.expected_sbp_mmhg > 190


def test_stages_that_should_have_moved_on_have_moved_on(
    room: Any, machine: Machine, failing_disk: Any
) -> None:
    running = begun(room, machine, failing_disk)
    to(running, machine, 10)
    broken_off(room, failing_disk)
    machine.s = 500
    again = room.resume(resumed=machine.resumed, disk=failing_disk.calls)
    again.note("again").result(LONG_S)
    # 5 min of rest, 3 min each
    assert labels(again) == [("rest", 0, "schedule"), ("50 W", 300, "schedule"), ("75 W", 480, "schedule")]
    assert [one.method for one in again.of(StageStarted)[1:]] == [
        "recorded 200 s after its time", "recorded 20 s after its time"
    ]  # fmt: skip
    assert again.of(TestResumed)[0].gap_s == 490


@pytest.mark.parametrize("manner", [Manner(start="now"), Manner(attended=False, start="now")])
def test_after_three_days_it_is_closed_and_not_called_ridden_out(
    room: Any, machine: Machine, failing_disk: Any, manner: Manner
) -> None:
    running = begun(room, machine, failing_disk, manner=manner)
    to(running, machine, 320)
    broken_off(room, failing_disk)
    machine.s = 3 * DAY_S
    again = room.resume(resumed=machine.resumed, manner=manner, disk=failing_disk.calls)
    again.over()
    closed = again.of(TestClosed)[0]
    assert (closed.outcome, closed.reason, closed.stopped_by) == ("interrupted", None, "recorder")
    room.let_go()
    assert room.sealed() == ["fine"]


def test_other_rules_are_those_that_it_is_sealed_with(
    room: Any, machine: Machine, failing_disk: Any, tmp_path: Path
) -> None:
    rules = tmp_path / "rules.toml"
    rules.write_text("[settings]\nk5_floor_mmhg = 30.0\n")
    running = begun(room, machine, failing_disk)
    broken_off(room, failing_disk)
    others = {"rules": load_rules(rules), "rules_text": rules.read_text(), "resumed": machine.resumed}
    again = room.resume(disk=failing_disk.calls, **others)
    again.note("again").result(LONG_S)
    digest = load_rules(rules).digest
    assert again.of(TestResumed)[0].rules_digest == digest != shipped_rules().digest
    again.end()
    room.let_go()
    assert running.folder.rules.read_text() == rules.read_text()
    assert room.sealed() == ["fine"]


def refused(room: Any) -> str:
    with pytest.raises(CuffwattError) as error:
        room.resume()
    return str(error.value)


def test_what_cannot_be_resumed_is_said(room: Any) -> None:
    assert "no journal there" in refused(room)
    room.folder.path.mkdir(parents=True)
    room.folder.journal.write_bytes(b"")
    assert "never began; move the folder" in refused(room)
    room.folder.journal.write_bytes(b'{"seq":0,')  # a first line that was cut off
    assert "never began; move the folder" in refused(room)


def test_a_closed_test_stays_closed(room: Any) -> None:
    running = room.begin()
    running.end()
    room.let_go()
    with pytest.raises(JournalClosed, match="the test was closed, nothing may follow"):
        room.resume()


def test_a_joined_test_has_nothing_to_go_on_with(room: Any, failing_disk: Any) -> None:
    running = room.begin(disk=failing_disk.calls, mode="join")
    running.note("opened").result(LONG_S)
    broken_off(room, failing_disk)
    with pytest.raises(UsageError, match="this test was joined from files"):
        room.resume()


def test_a_test_that_is_being_recorded_is_its_recorders(room: Any) -> None:
    running = room.begin()
    line = running.reading(148.0, k5_mmhg=82.0).result(LONG_S)
    with (
        pytest.raises(JournalLocked, match="another recorder has it open; end that one first"),
        resume_test(running.folder, shipped_rules(), Manner(), (), "test"),
    ):
        pass
    # looking at it, and sealing what is there, do no harm
    assert [finding.level for finding in verify([running.folder])] == ["open", "stale"]
    assert room.sealed()[0] == "open"
    amended = {"target_seq": line.seq, "field": "k1_mmhg", "value": 150.0, "reason": "heard", "by": "AB-1"}
    assert running.enter(Amended, **amended).result(LONG_S) in running.written()
    running.end()
    room.let_go()
    assert room.sealed() == ["fine", "amended"]
