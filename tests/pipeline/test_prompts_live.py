"""Live prompts in tests that do not go to plan: whatever happens, what is asked for can be done.

Stages end early, are held, go back to a lower load or to recovery; entries come late, without times,
twice, for nothing or not at all; attempts fail; pressure falls; the recorder starts again from its
journal.  `Upset` is the recorder of such a test: it plays a list of (seconds, what, how much).
"""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.events import ReadingMissed, ReadingTaken
from pipeline.prompts import Planner, Snapshot, SnapshotReading, StageInForce
from pipeline.protocol import Stage

ANCHOR = datetime(2024, 3, 1, 9, 0, tzinfo=UTC)


def ridden(watts, phase="exercise", **more):
    usual = {"label": f"{watts:g} W", "phase": phase, "position": "ergometer", "planned_s": 120.0}
    return Stage(**usual | {"target_watts": watts} | more)


REST = Stage(label="rest", phase="rest", position="seated", planned_s=420.0, reading="timed", wait_s=60.0)
STAGES = [
    REST,
    REST.model_copy(update={"arms": "both"}),
    REST.model_copy(update={"readings": 3, "apart_s": 20.0}),
    ridden(25.0, "warmup"),
    ridden(50.0),
    ridden(150.0),
    ridden(150.0, planned_s=180.0),
    ridden(75.0),
    ridden(100.0, planned_s=None),
    ridden(60.0, planned_s=45.0),
    ridden(50.0, target_watts_to=200.0, planned_s=400.0, reading="marks", reading_at_s=(70.0, 150.0, 300.0)),
    ridden(0.0, "recovery", planned_s=360.0, reading="marks", reading_at_s=(60.0, 180.0, 300.0)),
    ridden(20.0, "recovery", planned_s=240.0),
]


def utc(seconds):
    return ANCHOR + timedelta(seconds=seconds)


def seconds(moment):
    return (moment - ANCHOR).total_seconds()


class Upset:
    def __init__(self, first):
        self.planner, self.journal = Planner(ANCHOR), []
        self.now_s, self.wake_s = 0.0, None
        self.stages, self.snapshot = [], Snapshot.empty
        self.begin(first)

    def play(self, happenings):
        for after_s, what, amount in happenings:
            self.wait(after_s)
            getattr(self, what)(amount)
            self.look()
        self.wait(400.0)
        self.stages[-1] = replace(self.stages[-1], ended_s=self.now_s)
        for event in self.planner.closing(self.now_s):
            self.write(event)
        return self

    def wait(self, for_s):
        until_s = self.now_s + for_s
        while self.wake_s is not None and self.wake_s < until_s:
            self.now_s = self.wake_s
            self.look()
        self.now_s = until_s
        self.look()

    def write(self, event):
        event = event.model_copy(update={"seq": len(self.journal) + 10})
        self.journal.append(event)
        self.planner.note(event)
        return event

    def look(self):
        for _ in range(12):
            step = self.planner.step(self.now_s, self.stages, self.snapshot)
            for event in step.events:
                self.check(self.write(event))
            if not step.events:
                self.wake_s = step.next_wake_s
                return self.check_open()
        raise AssertionError(f"the planner does not come to rest: {step.events}")

    # what must hold whenever something is written

    def check(self, event):
        if event.kind != "reading_due":
            return
        moments = [event.stand_by, event.cuff_up, event.first_sound_due]
        assert moments == sorted(moments)
        assert event.stage_index == self.stages[-1].index
        if event.fits == "no":
            return
        assert seconds(event.first_sound_due) <= seconds(event.window_closes) + 1e-3
        assert seconds(event.cuff_up) >= self.now_s - 1e-3, "pumping asked for in the past"
        if event.aims_at == "stage_end":
            assert abs(seconds(event.window_closes) - self.stages[-1].planned_end_s) < 1e-3
            assert seconds(event.cuff_up) >= self.stages[-1].started_s + 30 - 1e-3
        gap_s = 60.0 if self.stages[-1].stage.phase == "rest" else 30.0
        released_s = max((reading.release_s for reading in self.snapshot.readings), default=-math.inf)
        assert seconds(event.cuff_up) >= released_s + gap_s - 1e-3

    def check_open(self):
        """One arm, one cuff: what stands open can be done one after the other."""
        stand = sorted((one.prompt for one in self.planner.open), key=lambda prompt: prompt.cuff_up)
        for earlier, later in pairwise(stand):
            # a prompt that is shown is not moved for 5 s
            assert later.cuff_up >= earlier.release_s + 30 - 5 - 1e-3, (earlier, later)
        assert len({one.key for one in stand if one.key}) == len([one for one in stand if one.key])

    # what happens

    def begin(self, stage):
        if self.stages:
            self.stages[-1] = replace(self.stages[-1], ended_s=self.now_s)
        end_s = None if stage.planned_s is None else self.now_s + stage.planned_s
        self.stages.append(StageInForce(len(self.stages), stage, self.now_s, end_s))

    def change(self, amount):
        self.begin(STAGES[int(amount * (len(STAGES) - 1))])

    def hold(self, amount):
        last = self.stages[-1]
        if last.planned_end_s is not None:
            self.stages[-1] = replace(last, planned_end_s=last.planned_end_s + 5 + 55 * amount)

    def enter(self, amount, timed=True):
        """An entry with a first sound up to 100 s ago, of 100 to 240 mmHg."""
        first_s = max(0.0, self.now_s - 20 - 80 * amount)
        found = self.planner.answered(first_s if timed else None, self.now_s, timed=timed)
        taken = self.write(
            ReadingTaken(
                event_time=utc(first_s),
                source="page",
                measured_source="stated" if timed else "estimated",
                due_seq=None if found is None else found.due_seq,
                k1_mmhg=120.0,
                role="primary",
            )
        )
        self.know(taken, first_s, 100 + 140 * ((amount * 7) % 1))

    def type_late(self, amount):
        self.enter(amount, timed=False)

    def know(self, event, first_s, k1):
        due = {one.due_seq: one.prompt for one in self.planner.issued}.get(event.due_seq)
        stage = self.stages[-1 if due is None else due.stage_index]
        before = [reading for reading in self.snapshot.readings if reading.k1 is not None]
        twice = event.due_seq is not None and any(r.due_seq == event.due_seq for r in before)
        reading = SnapshotReading(
            event.seq,
            first_s,
            first_s if k1 is None else first_s + (k1 - 50) / 2.5 + 3,
            stage.stage.phase,
            stage.index,
            event.due_seq,
            k1=k1,
            dbp=None if k1 is None else 75.0,
            watts=stage.stage.target_watts,
            used=k1 is not None and not twice,
            arm=due.arm if due else None,
            measured_rate=2.2,
        )
        readings = tuple(sorted((*self.snapshot.readings, reading), key=lambda r: (r.measured_s, r.seq)))
        fell = k1 is not None and before and before[-1].k1 - k1 >= 10
        rest = [r.k1 for r in readings if r.phase == "rest" and r.used]
        self.snapshot = Snapshot(
            event.seq, readings, sum(rest) / len(rest) if rest else None, event.seq if fell else None
        )

    def fail(self, amount):
        """An attempt that came to nothing, at the prompt that holds this moment."""
        found = self.planner.answered(self.now_s, self.now_s, timed=True)
        missed = self.write(
            ReadingMissed(
                event_time=utc(self.now_s),
                source="page",
                due_seq=None if found is None else found.due_seq,
                attempted=True,
                reason="arm_moved",
            )
        )
        self.know(missed, self.now_s, None)

    def resume(self, amount):
        """The recorder is gone for up to a minute and reads its journal again."""
        self.now_s += 60 * amount
        before = self.planner
        self.planner = Planner(ANCHOR)
        for event in self.journal:
            self.planner.note(event)
        assert self.planner.issued == before.issued


HAPPENINGS = st.lists(
    st.tuples(
        st.floats(0.0, 150.0),
        st.sampled_from(["change", "hold", "enter", "type_late", "fail", "resume", "change", "enter"]),
        st.floats(0.0, 1.0),
    ),
    max_size=30,
)


RAMP, MARKED = STAGES[10], STAGES[11]


@settings(max_examples=250, deadline=None)
@given(st.sampled_from(STAGES), HAPPENINGS)
# a repeat takes the place of a mark that is shown already
@example(MARKED, [(0.0, "enter", 0.5), (91.0, "enter", 0.0)])
# what held up the first resting reading is missed while that is shown; the second comes after it
@example(RAMP, [(0.0, "enter", 0.40625), (127.0, "change", 0.0)])
def test_whatever_happens_what_is_asked_for_can_be_done(first, happenings):
    upset = Upset(first).play(happenings)
    dues = {event.seq: event for event in upset.journal if event.kind == "reading_due"}
    answered = {event.due_seq for event in upset.journal if event.kind == "reading_taken"}
    superseded = [event.due_seq for event in upset.journal if event.kind == "prompt_superseded"]
    missed = [e.due_seq for e in upset.journal if e.kind == "reading_missed" and e.source == "prompts"]
    tried = {e.due_seq for e in upset.journal if e.kind == "reading_missed" and e.source != "prompts"}
    # each ends, and once
    assert set(dues) == (answered | set(superseded) | set(missed) | tried) - {None}
    assert len(superseded) == len(set(superseded))
    assert len(missed) == len(set(missed))
    assert not set(superseded) & (answered | set(missed))
    # what changes is asked for anew, not over and over: three things can move a prompt
    changes = len(happenings) + 1
    assert len(dues) <= 6 * changes
