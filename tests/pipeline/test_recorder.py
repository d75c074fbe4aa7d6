"""The recorder: numbers, order, what an entry answers, where an entry without a time belongs.

The moments are reckoned by hand beside each test (definitions, section 1: times).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from pipeline import events as ev
from pipeline.clock import ReplayClock
from pipeline.course import Course
from pipeline.deriver import Deriver
from pipeline.journal import Journal, read_journal
from pipeline.prompts import Planner
from pipeline.protocol import Protocol, Stage
from pipeline.recorder import PAIR_WITHIN_S, Recorder
from pipeline.rules import shipped_rules

ANCHOR = datetime(2026, 3, 14, 9, tzinfo=UTC)


def at(second: float) -> datetime:
    return ANCHOR + timedelta(seconds=second)


def stage(label: str, phase: Any, planned_s: float, watts: float | None = None, **fields: Any) -> Stage:
    usual = {"position": "seated" if phase == "rest" else "ergometer", "reading": "none"}
    return Stage(label=label, phase=phase, planned_s=planned_s, target_watts=watts, **usual | fields)


# rest to 120 s, 50 W to 420 s with one reading at its end, recovery
PROTOCOL = Protocol(
    name="one reading",
    stages=(
        stage("rest", "rest", 120),
        stage("50 W", "exercise", 300, 50.0, reading="end"),
        stage("recovery", "recovery", 120),
    ),
)


class Recording:
    """A recorder with its journal; `take` moves the clock to the moment first."""

    def __init__(
        self, path: Path, protocol: Protocol | None, by: Any = "planned", timed: bool = True
    ) -> None:
        self.journal = Journal.create(path)
        self.clock = ReplayClock(ANCHOR)
        self.deriver = Deriver(shipped_rules())
        planner = Planner(ANCHOR, by, timed_entries=timed) if protocol else None
        self.recorder = Recorder(self.journal, self.clock, self.deriver, planner, Course(protocol, ANCHOR))
        self.protocol = protocol
        self.recorder.take(
            ev.TestOpened(
                event_time=ANCHOR,
                source="setup",
                mode="join",
                anchor=ANCHOR,
                test_id="T",
                study="S",
                participant="P-01",
                protocol=protocol,
                rules_digest="0" * 16,
                software="test",
            )
        )

    def take(self, kind: type[ev.Event], second: float, event_s: float | None = None, **fields: Any) -> Any:
        self.recorder.advance(second)
        event_time = at(second if event_s is None else event_s)
        return self.recorder.take(kind(event_time=event_time, source="test", **fields))

    def begin(self, second: float, index: int, one: Stage | None = None) -> Any:
        chosen = one or (self.protocol.stages[index] if self.protocol else stage("rest", "rest", 600))
        fields = chosen.model_dump(include={"label", "phase", "position", "target_watts", "planned_s"})
        return self.take(ev.StageStarted, second, stage_index=index, by="schedule", **fields)

    def entry(
        self, second: float, k1: float | None, k5: float | None = 80.0, **fields: Any
    ) -> ev.ReadingTaken:
        usual: dict[str, Any] = {"measured_source": "estimated", "k1_mmhg": k1, "k5_mmhg": k5}
        taken = self.take(ev.ReadingTaken, second, **usual | fields)
        assert isinstance(taken, ev.ReadingTaken)
        return taken

    def close(self, second: float) -> list[ev.Event]:
        self.recorder.advance(second)
        self.recorder.close(at(second), "completed")
        self.journal.close()
        return list(read_journal(self.journal.path).events)


@pytest.fixture
def recording(tmp_path: Path) -> Iterator[Callable[..., Recording]]:
    made: list[Recording] = []

    def make(protocol: Protocol | None = None, **options: Any) -> Recording:
        made.append(Recording(tmp_path / f"{len(made)}.jsonl", protocol, **options))
        return made[-1]

    yield make
    for one in made:
        one.deriver.close()
        one.journal.close()


def seconds(event: ev.Event) -> float:
    return (event.event_time - ANCHOR).total_seconds()


def test_events_get_their_number_and_the_time_at_which_they_were_taken(
    recording: Callable[..., Recording],
) -> None:
    one = recording()
    one.begin(0, 0)
    # five seconds slow, and so is its time; what it says is not touched
    sample = one.take(ev.Sample, 10, event_s=5, watts=50.0)
    assert (sample.seq, sample.elapsed_s, seconds(sample), sample.watts) == (2, 10, 5, 50.0)
    events = one.close(30)
    assert [(event.seq, event.kind, event.elapsed_s) for event in events] == [
        (0, "test_opened", 0),
        (1, "stage_started", 0),
        (3, "test_closed", 30),
    ]
    end = events[-1]
    assert isinstance(end, ev.TestClosed)
    assert end.counts == {"sample": 1, "stage_started": 1, "test_opened": 1}


def test_moments_out_of_order_are_refused(recording: Callable[..., Recording]) -> None:
    one = recording()
    one.begin(10, 0)
    with pytest.raises(ValueError, match="cannot go back to 9"):
        one.take(ev.Sample, 9, watts=0.0)


@pytest.mark.parametrize(
    ("phase", "entry_s", "k1", "fields", "expected"),
    [
        # 100 - 10 - (120 - min(30, 80)) / 3: down to 30 mmHg was listened, at rest 3 mmHg/s
        ("rest", 100, 120, {}, 60),
        # under load down to 40 mmHg, at 2.5 mmHg/s: 100 - 10 - 100/2.5
        ("exercise", 100, 140, {}, 50),
        # stated 4 mmHg/s: 100 - 10 - 100/4
        ("exercise", 100, 140, {"deflation_mmhg_per_s": 4.0}, 65),
        # sounds down to 20 mmHg lie below 40: 100 - 10 - (140 - 20)/2.5
        ("exercise", 100, 140, {"k5_mmhg": 20.0}, 42),
        ("exercise", 100, 140, {"k5_mmhg": None, "heard_to_mmhg": 30.0}, 46),
        # not before the test began
        ("rest", 30, 120, {}, 0),
        # stated and marked moments stay
        ("rest", 100, 120, {"measured_source": "stated"}, 100),
        ("rest", 100, 120, {"measured_source": "marked"}, 100),
        # no systolic, nothing to reckon from
        ("rest", 100, None, {}, 100),
    ],
)
def test_an_entry_without_a_time_is_moved_to_its_first_sound(
    phase: Any, entry_s: float, k1: float | None, fields: Any, expected: float,
    recording: Callable[..., Recording],
) -> None:  # fmt: skip
    one = recording()
    one.begin(0, 0, stage("it", phase, 600))
    taken = one.entry(entry_s, k1, **fields)
    assert seconds(taken) == pytest.approx(expected)
    assert taken.elapsed_s == entry_s


@pytest.mark.parametrize(("bpm", "expected"), [(90.0, 56 + 2 / 3), (None, 50)])
def test_a_fall_per_beat_needs_the_heart_rate_before_the_entry(
    bpm: float | None, expected: float, recording: Callable[..., Recording]
) -> None:
    # 2 mmHg a beat at 90 bpm are 3 mmHg/s: 100 - 10 - (140 - 40)/3; without a heart rate 2.5 mmHg/s
    one = recording()
    one.begin(0, 0, stage("it", "exercise", 600))
    one.take(ev.SourceOpened, 0, name="test", adapter="test", ranks="heart_rate_bpm=1")
    for second in range(0, 101, 5):
        # over 30 s old samples of another rate do not count
        one.take(ev.Sample, second, watts=50.0, heart_rate_bpm=bpm and (bpm if second > 70 else 180.0))
    assert seconds(one.entry(100, 140.0, deflation_mmhg_per_beat=2.0)) == pytest.approx(expected)


def test_an_entry_answers_the_prompt_of_its_moment(recording: Callable[..., Recording]) -> None:
    one = recording(PROTOCOL)
    one.begin(0, 0)
    one.begin(120, 1)
    # at the end of the stage: 8 s before it ends
    taken = one.take(
        ev.ReadingTaken, 412, k1_mmhg=120.0, k5_mmhg=100.0, measured_source="stated", observer="AB-1"
    )
    one.begin(420, 2)
    events = one.close(540)
    [due] = [event for event in events if isinstance(event, ev.ReadingDue)]
    assert (due.stage_index, taken.due_seq) == (1, due.seq)
    assert due.window_closes == at(420)
    assert [event.kind for event in events].count("reading_missed") == 0


def test_an_entry_for_a_prompt_lies_in_its_stage(recording: Callable[..., Recording]) -> None:
    one = recording(PROTOCOL, by="live", timed=False)
    one.begin(0, 0)
    one.begin(120, 1)
    one.begin(420, 2)
    # typed 30 s after the end; 450 - 10 - (100 - 50)/2.5 = 420, and not after the end at 420; with
    # k1 90 it would be 424
    taken = one.entry(450, 90.0, 85.0)
    assert taken.due_seq is not None
    assert seconds(taken) <= 420
    assert one.entry(451, 90.0, 85.0, role="second").due_seq is None


def test_a_missed_attempt_takes_the_prompt_that_is_open(recording: Callable[..., Recording]) -> None:
    one = recording(PROTOCOL)
    one.begin(0, 0)
    one.begin(120, 1)
    missed = one.take(ev.ReadingMissed, 410, attempted=True, reason="not_heard")
    early = one.take(ev.ReadingMissed, 411, due_seq=missed.due_seq, attempted=False, reason="other")
    events = one.close(420)
    [due] = [event for event in events if isinstance(event, ev.ReadingDue)]
    assert (missed.due_seq, missed.stage_index) == (due.seq, 1)
    # one that says which prompt it means keeps it
    assert (early.due_seq, early.stage_index) == (due.seq, None)
    alone = recording()
    alone.begin(0, 0)
    assert alone.take(ev.ReadingMissed, 60, attempted=True, reason="not_heard").due_seq is None


def test_a_planned_reading_that_never_came_is_missed_in_time(recording: Callable[..., Recording]) -> None:
    one = recording(PROTOCOL)
    one.begin(0, 0)
    one.begin(120, 1)
    one.begin(420, 2)
    events = one.close(600)
    [due] = [event for event in events if isinstance(event, ev.ReadingDue)]
    [missed] = [event for event in events if isinstance(event, ev.ReadingMissed)]
    # entries that state their time answer up to 10 s after the window closed, with the stage at 420 s
    assert (missed.due_seq, missed.reason, missed.elapsed_s) == (due.seq, "not_entered", 430)
    assert missed.event_time == due.first_sound_due
    untimed = recording(PROTOCOL, timed=False)
    untimed.begin(0, 0)
    untimed.begin(120, 1)
    untimed.begin(420, 2)
    [missed] = [event for event in untimed.close(600) if isinstance(event, ev.ReadingMissed)]
    # those without a time up to 120 s after it
    assert missed.elapsed_s == 540


def test_what_happens_at_a_moment_comes_before_what_is_due_at_it(
    recording: Callable[..., Recording],
) -> None:
    one = recording(PROTOCOL)
    one.begin(0, 0)
    one.begin(120, 1)
    one.recorder.advance(419)
    due_s = next(event.elapsed_s for event in _journalled(one) if isinstance(event, ev.ReadingDue))
    assert due_s is not None
    again = recording(PROTOCOL)
    again.begin(0, 0)
    again.begin(120, 1)
    note = again.take(ev.NoteWritten, due_s, text="as the prompt is due")
    events = again.close(due_s + 1)
    [due] = [event for event in events if isinstance(event, ev.ReadingDue)]
    assert (note.elapsed_s, due.elapsed_s) == (due_s, due_s)
    assert due.seq == note.seq + 1


def _journalled(one: Recording) -> list[ev.Event]:
    one.recorder.flush()
    return list(read_journal(one.journal.path).events)


def test_a_stage_that_is_held_moves_its_reading(recording: Callable[..., Recording]) -> None:
    closes = []
    for extended_s in (None, 60.0):
        one = recording(PROTOCOL)
        one.begin(0, 0)
        one.begin(120, 1)
        if extended_s is not None:
            one.take(ev.StageExtended, 130, stage_index=1, seconds=extended_s)
        events = one.close(415 + (extended_s or 0))
        closes.append(next(event.window_closes for event in events if isinstance(event, ev.ReadingDue)))
    assert [(moment - ANCHOR).total_seconds() for moment in closes] == [420, 480]


@pytest.mark.parametrize(
    ("second_s", "paired"),
    # 230 s is as near to both, and the later entry is the one in hand
    [
        (200, 200),
        (199, 200),
        (229, 200),
        (230, 260),
        (260 + PAIR_WITHIN_S, 260),
        (261 + PAIR_WITHIN_S, None),
        (200 - PAIR_WITHIN_S - 1, None),
    ],
)
def test_a_second_observer_is_paired_with_the_same_beats(
    second_s: float, paired: float | None, recording: Callable[..., Recording]
) -> None:
    one = recording()
    one.begin(0, 0)
    firsts = {
        second: one.entry(second, 120.0, measured_source="stated").seq for second in (200, 260)
    } | {None: None}  # fmt: skip
    second = one.take(ev.ReadingTaken, 400, second_s, k1_mmhg=124.0, measured_source="stated", role="second")
    assert second.pair_seq == firsts[paired]
    said = one.take(
        ev.ReadingTaken, 400, second_s, k1_mmhg=124.0, measured_source="stated", role="second", pair_seq=1
    )
    assert said.pair_seq == 1


def test_samples_beyond_one_block_are_all_there(recording: Callable[..., Recording]) -> None:
    one = recording()
    one.begin(0, 0)
    for n in range(2500):
        one.take(ev.Sample, n / 10, watts=float(n))
    one.close(250)
    assert read_journal(one.journal.path).samples == 2500
