"""A live test on a clock that is moved: stages, the operator, waiting, the end."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

import pipeline.events as ev
from pipeline.control import Begin, Close, Hold, Interrupt, LowerLoad, NextStage, Recover, Stop
from pipeline.errors import UsageError
from pipeline.journal import Journal, read_journal
from pipeline.live import Manner
from pipeline.protocol import parse_protocol
from pipeline.rehearsal import Rehearsal
from pipeline.rules import shipped_rules

ANCHOR = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
STAIRCASE: dict[str, Any] = {
    "stage": [
        {"phase": "rest", "minutes": 2, "reading": "none"},
        {"phase": "recovery", "minutes": 5},
    ],
    "repeat": [{"start": 50, "step": 25, "minutes": 3, "until": 100}],
}
NOW = Manner(start="now")


class Test:
    """One test that is rehearsed, and what of it stands in the journal."""

    __test__ = False

    def __init__(self, path: Path, protocol: dict[str, Any] | None, manner: Manner, **opened: Any) -> None:
        self.journal = Journal.create(path)
        self.rehearsal = Rehearsal(
            ev.TestOpened(
                event_time=ANCHOR,
                source="setup",
                mode="live",
                anchor=ANCHOR,
                test_id="T",
                study="S",
                participant="P-01",
                protocol=None if protocol is None else parse_protocol(protocol, "test"),
                rules_digest="0" * 16,
                software="cuffwatt 0",
                **opened,
            ),
            self.journal,
            shipped_rules(),
            manner,
            watched=False,
        )
        self.advance, self.ask = self.rehearsal.advance, self.rehearsal.ask

    def take(self, kind: type[ev.Event], at_s: float | None = None, **fields: Any) -> ev.Event:
        """Something that comes at `at_s` (now), with its own time there."""
        if at_s is not None:
            self.advance(at_s)
        now = ANCHOR + timedelta(seconds=self.rehearsal.clock.elapsed())
        return self.rehearsal.take(kind(**{"event_time": now, "source": "console"} | fields))

    def ride(self, watts: float, from_s: float, to_s: float, every_s: float = 1.0) -> None:
        """Samples of load from a source named bike."""
        at_s = from_s
        while at_s < to_s:
            self.take(ev.Sample, at_s, source="bike", watts=watts)
            at_s += every_s

    def of(self, kind: type[Any]) -> list[Any]:
        return [event for event in read_journal(self.journal.path).events if isinstance(event, kind)]

    def stages(self) -> list[tuple[float, str, str]]:
        """When each stage began (s), what it is called, and who began it."""
        return [
            ((one.event_time - ANCHOR).total_seconds(), one.label, one.by) for one in self.of(ev.StageStarted)
        ]


@pytest.fixture
def test(tmp_path: Path) -> Iterator[Callable[..., Test]]:
    made: list[Test] = []

    def make(protocol: dict[str, Any] | None = STAIRCASE, manner: Manner = NOW, **opened: Any) -> Test:
        made.append(Test(tmp_path / f"{len(made)}.jsonl", protocol, manner, **opened))
        return made[-1]

    yield make
    for one in made:
        one.rehearsal.deriver.close()
        one.journal.close()


def test_the_stages_run_to_schedule_and_the_test_ends_with_its_protocol(test: Callable[..., Test]) -> None:
    one = test()
    one.take(ev.ReadingTaken, 290, k1_mmhg=150.0, k5_mmhg=80.0, measured_source="estimated")
    one.advance(2000)
    # rest 2 min; 50, 75, 100 W for 3 min each; recovery 5 min
    assert one.stages() == [
        (0, "rest", "schedule"),
        (120, "50 W", "schedule"),
        (300, "75 W", "schedule"),
        (480, "100 W", "schedule"),
        (660, "recovery", "schedule"),
    ]
    closed = one.of(ev.TestClosed)[0]
    assert (closed.outcome, closed.reason, closed.stopped_by) == ("completed", "protocol_complete", None)
    # the last mark is the end of recovery, 300 s: nothing was entered, so it is missed 120 s after its
    # window of 15 s
    assert closed.elapsed_s == pytest.approx(960 + 15 + 120)
    missed = one.of(ev.ReadingMissed)
    assert {(event.reason, event.attempted) for event in missed} == {("not_entered", False)}


def test_a_test_begins_when_it_is_asked_for(test: Callable[..., Test]) -> None:
    one = test(manner=Manner())
    one.advance(500)
    assert one.stages() == []
    one.ask(Begin())
    with pytest.raises(UsageError, match="the test has begun; go on with next"):
        one.ask(Begin())
    assert one.stages() == [(500, "rest", "operator")]
    with pytest.raises(UsageError, match="no protocol, so no stages to begin"):
        test(protocol=None).ask(Begin())


def test_a_test_begins_with_the_first_load(test: Callable[..., Test]) -> None:
    one = test(manner=Manner(attended=False, start="load"))
    one.take(ev.SourceOpened, 0, source="bike", name="bike", adapter="t", measures="watts", ranks="watts=1")
    one.ride(0, 1, 60)
    one.ride(48, 60, 70)
    # what is ridden counts when it was held for 5 s, and then from its first sample
    assert one.stages() == [(60, "50 W", "detected")]


def test_the_operator_moves_the_test(test: Callable[..., Test]) -> None:
    one = test()
    one.advance(60)
    one.ask(NextStage())
    one.advance(100)
    one.ask(NextStage())
    one.advance(130)
    one.ask(LowerLoad())
    one.advance(130 + 600)
    assert one.stages() == [
        (0, "rest", "schedule"),
        (60, "50 W", "operator"),
        (100, "75 W", "operator"),
        # and no higher load comes by itself
        (130, "50 W", "operator"),
    ]
    one.ask(NextStage())
    one.ask(Recover())
    assert one.stages()[-2:] == [(730, "75 W", "operator"), (730, "recovery", "operator")]
    with pytest.raises(UsageError, match="no load is being ridden; end the test with close"):
        one.ask(Recover())
    with pytest.raises(UsageError, match="the protocol has no further stage; end the test with close"):
        one.ask(NextStage())
    with pytest.raises(UsageError, match="no lower load in the protocol; go on with recovery or stop"):
        one.ask(LowerLoad())
    one.ask(Close())
    # ended before the last load of the protocol
    assert [(event.outcome, event.reason) for event in one.of(ev.TestClosed)] == [("stopped", None)]


def test_a_stage_is_held(test: Callable[..., Test]) -> None:
    one = test()
    one.advance(130)
    one.ask(Hold(40))
    one.advance(345)
    # 50 W from 120 s, 180 s long, held for 40 s
    assert one.stages()[-1] == (340, "75 W", "schedule")
    extended = one.of(ev.StageExtended)[0]
    assert (extended.stage_index, extended.seconds, extended.reason) == (1, 40, "held by the operator")
    one.ask(LowerLoad())
    # its time is over at 345 + 180 s, and no higher load comes; held, it lasts from now
    one.advance(600)
    one.ask(Hold(30))
    force = one.rehearsal.live.course.force
    assert force is not None
    assert force.planned_end_s == pytest.approx(630)
    with pytest.raises(UsageError, match="the stage has no planned end to put off; go on with next"):
        test(protocol=None).ask(Hold())


def test_stopping_is_one_action_and_the_reading_after_it_is_prompted(test: Callable[..., Test]) -> None:
    one = test()
    one.take(ev.ReadingTaken, 290, k1_mmhg=150.0, k5_mmhg=80.0, measured_source="estimated")
    one.advance(370)
    stopped = one.ask(Stop("leg_fatigue", "participant"))
    assert (stopped.kind, one.stages()[-1]) == ("stage_started", (370, "recovery", "operator"))
    one.advance(371)
    due = [event for event in one.of(ev.ReadingDue) if event.event_time >= stopped.event_time]
    assert [event.aims_at for event in due] == ["immediate"]
    # its window closes 30 s after the stop, and it may be entered
    taken = one.take(ev.ReadingTaken, 410, k1_mmhg=180.0, k5_mmhg=80.0, measured_source="estimated")
    assert isinstance(taken, ev.ReadingTaken)
    assert taken.due_seq == due[0].seq
    one.advance(2000)
    closed = one.of(ev.TestClosed)[0]
    assert (closed.outcome, closed.reason, closed.stopped_by) == ("stopped", "leg_fatigue", "participant")


def test_stopped_before_any_load_the_test_ends(test: Callable[..., Test]) -> None:
    one = test()
    one.advance(60)
    one.ask(Stop("participant_wish"))
    closed = one.of(ev.TestClosed)[0]
    assert (closed.elapsed_s, closed.outcome, closed.reason) == (60, "stopped", "participant_wish")


def test_the_reading_in_progress_may_be_entered_after_the_stop(test: Callable[..., Test]) -> None:
    one = test()
    # the reading that ends with the stage of 120 to 300 s
    one.advance(290)
    due = one.of(ev.ReadingDue)[-1]
    assert due.cuff_up < ANCHOR + timedelta(seconds=280)
    one.ask(Stop("exhaustion"))
    taken = one.take(ev.ReadingTaken, 305, k1_mmhg=150.0, k5_mmhg=80.0, measured_source="estimated")
    assert isinstance(taken, ev.ReadingTaken)
    assert taken.due_seq == due.seq


def test_a_resting_stage_waits_for_its_readings_when_somebody_takes_them(test: Callable[..., Test]) -> None:
    rest = {"phase": "rest", "minutes": 6, "wait_s": 300, "readings": 2}
    protocol = STAIRCASE | {"stage": [rest, STAIRCASE["stage"][1]]}
    one = test(protocol)
    one.advance(420)
    # pumping from 300 s on with 60 s of palpation: two readings are not done at 360 s
    assert one.stages() == [(0, "rest", "schedule")]
    assert {event.reason for event in one.of(ev.StageExtended)} == {
        "the stage waits for its resting readings"
    }
    one.take(ev.ReadingTaken, k1_mmhg=120.0, k5_mmhg=80.0, measured_source="estimated")
    one.take(ev.ReadingTaken, 530, k1_mmhg=122.0, k5_mmhg=80.0, measured_source="estimated")
    one.advance(600)
    assert [label for _, label, _ in one.stages()] == ["rest", "50 W"]
    alone = test(protocol, Manner(attended=False, start="now"))
    alone.advance(420)
    assert alone.stages()[1] == (360, "50 W", "schedule")


def test_a_stage_may_wait_for_its_reading_but_not_for_ever(test: Callable[..., Test]) -> None:
    protocol = STAIRCASE | {"stage_end": "after_reading", "hold_max_s": 30}
    one = test(protocol)
    one.advance(500)
    # 50 W ends at 300 s; nothing was entered, so it waited the whole 30 s
    assert one.stages()[2] == (330, "75 W", "schedule")
    # the next would end at 510 s; its reading comes 12 s after, and it waits in steps of 5 s
    one.take(ev.ReadingTaken, 522, k1_mmhg=150.0, k5_mmhg=80.0, measured_source="stated",
             event_time=ANCHOR + timedelta(seconds=495))  # fmt: skip
    one.advance(530)
    assert one.stages()[3] == (525, "100 W", "schedule")


def test_stages_follow_the_load(test: Callable[..., Test]) -> None:
    one = test(STAIRCASE | {"stage_from": "load"})
    one.take(ev.SourceOpened, 0, source="bike", name="bike", adapter="t", measures="watts", ranks="watts=1")
    one.ride(0, 1, 90)
    one.ride(50, 90, 290)  # longer than planned
    one.ride(75, 290, 400)
    one.ride(0, 400, 420)
    assert one.stages() == [
        (0, "rest", "schedule"),
        (90, "50 W", "detected"),
        (290, "75 W", "detected"),
        (400, "recovery", "detected"),
    ]


def test_an_unattended_test_ends_so_long_after_the_last_load(test: Callable[..., Test]) -> None:
    one = test(manner=Manner(attended=False, start="load", idle_s=120))
    one.take(ev.SourceOpened, 0, source="bike", name="bike", adapter="t", measures="watts", ranks="watts=1")
    one.ride(50, 10, 100)
    with pytest.raises(UsageError, match="the test is closed; correct an entry with cuffwatt amend"):
        one.ride(0, 100, 400, every_s=10)
    with pytest.raises(UsageError, match="the test is closed; nothing can be asked of it"):
        one.ask(NextStage())
    closed = one.of(ev.TestClosed)[0]
    # the last load was at 99 s
    assert 219 <= closed.elapsed_s <= 230
    assert closed.outcome == "stopped"


def test_an_interrupted_test_is_closed_as_such(test: Callable[..., Test]) -> None:
    one = test()
    one.advance(200)
    one.ask(Interrupt())
    closed = one.of(ev.TestClosed)[0]
    assert (closed.outcome, closed.reason, closed.stopped_by) == ("interrupted", None, "recorder")
    assert closed.counts["stage_started"] == 2


def test_what_an_entry_leaves_out_is_as_at_the_last_one(test: Callable[..., Test]) -> None:
    one = test(observer="AB-1", rpe_scale="6-20")
    first = one.take(ev.ReadingTaken, 60, k1_mmhg=120.0, measured_source="estimated")
    assert isinstance(first, ev.ReadingTaken)
    assert (first.observer, first.arm) == ("AB-1", None)
    one.take(ev.ReadingTaken, 100, k1_mmhg=120.0, measured_source="estimated", arm="left",
             arm_support="assessor", observer="CD-2")  # fmt: skip
    third = one.take(ev.ReadingTaken, 110, k1_mmhg=122.0, measured_source="estimated")
    assert isinstance(third, ev.ReadingTaken)
    assert (third.arm, third.arm_support, third.observer) == ("left", "assessor", "CD-2")
    rated = one.take(ev.ExertionRated, rpe=13.0)
    assert isinstance(rated, ev.ExertionRated)
    assert rated.rpe_scale == "6-20"


def test_flags_are_journalled_once_and_the_stop_level_ones_stay_until_somebody_has_seen_them(
    test: Callable[..., Test],
) -> None:
    one = test()
    reading = one.take(ev.ReadingTaken, 200, k1_mmhg=260.0, k5_mmhg=80.0, measured_source="stated")
    one.advance(320)
    raised = [(event.code, event.level, event.observed) for event in one.of(ev.FlagRaised)]
    # above 250 mmHg (definitions: systolic_high); a pulse pressure of 180 is above 150
    assert ("systolic_high", "stop", 260.0) in raised
    assert len(raised) == len(set(raised))
    one.take(ev.Amended, target_seq=reading.seq, field="k1_mmhg", value=160.0, reason="typed 260", by="AB-1")
    flags = {flag.code: flag for flag in one.rehearsal.view.flags}
    assert flags["systolic_high"].flag is None  # it no longer holds, and is shown until it is seen
    assert "implausible_pair" not in flags
    one.take(ev.FlagAcknowledged, code="systolic_high", target_seq=reading.seq, by="AB-1")
    assert "systolic_high" not in {flag.code for flag in one.rehearsal.view.flags}


def test_a_stage_that_is_too_short_for_its_reading_is_shown_until_it_is_held(
    test: Callable[..., Test],
) -> None:
    one = test(
        {"stage": [{"phase": "exercise", "minutes": 1.5, "watts": 50}, {"phase": "recovery", "minutes": 5}]}
    )
    one.advance(10)
    # the first reading wants 60 s for the pulse, from 30 s after the stage began, and then its own time
    assert one.rehearsal.view.no_room
    assert one.rehearsal.view.prompts == ()
    one.ask(Hold(120))
    assert not one.rehearsal.view.no_room
    assert one.rehearsal.view.prompts[0].prompt.stage_index == 0


def test_a_load_that_is_still_being_set_is_not_off_its_target(test: Callable[..., Test]) -> None:
    one = test()
    one.take(ev.SourceOpened, 0, source="bike", name="bike", adapter="t", measures="watts", ranks="watts=1")
    one.ride(0, 100, 130)
    # 50 W is to be ridden from 120 s on; an entry has the flags derived at 130 s
    one.take(ev.ReadingTaken, 130, k1_mmhg=150.0, k5_mmhg=80.0, measured_source="stated")
    assert "load_off_target" not in {flag.code for flag in one.of(ev.FlagRaised)}
    one.ride(0, 131, 150)
    one.take(ev.ReadingTaken, 150, k1_mmhg=150.0, k5_mmhg=80.0, measured_source="stated")
    assert "load_off_target" in {flag.code for flag in one.of(ev.FlagRaised)}
