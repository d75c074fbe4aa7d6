"""The recorder: gives events their number and time, writes them, and asks the planner what is due.

What is in the journal happened; nothing else did.  Live and replay are the same recorder with
another clock.  In join and replay the deriver and the planner run inline, in the order of time.
"""

from __future__ import annotations

from contextlib import suppress
from datetime import datetime
from typing import Literal, Protocol

from pipeline.clock import Clock, ReplayClock, pipeline_time
from pipeline.course import SOURCE, Course
from pipeline.cuff import estimate_first_sound, fall_rate, lowest_sound
from pipeline.events import (
    EndReason,
    Event,
    ReadingMissed,
    ReadingTaken,
    Sample,
    StageExtended,
    StageStarted,
    StoppedBy,
    TestClosed,
)
from pipeline.journal import SAMPLES_SYNC_S, Journal, JournalNotKept, must_sync
from pipeline.prompts import Planner, Prompt
from pipeline.snapshot import Snapshot

# two observers of the same beats note first sounds that lie this close; the next reading does not
PAIR_WITHIN_S = 30.0
_AT_ONCE = 2000


class Derives(Protocol):
    """Who keeps the tables: the deriver itself where all runs in one thread, else what stands for it."""

    def take(self, event: Event) -> None:
        """One recorded event."""

    def snapshot(self, as_of: datetime, seq: int) -> Snapshot:
        """What is known for the planner: at `as_of`, or the last that was found."""

    def heart_rate_bpm(self, as_of: datetime) -> float | None:
        """Mean heart rate of the 30 s before `as_of`, as far as it is known."""

    def close(self) -> None:
        """Give the memory back."""


class Recorder:
    """One test being recorded.

    `take` events in the order of pipeline time; `advance` lets the planner speak up to a moment
    of a clock that is moved from outside, `tick` now.  `planner` is None where there is no
    protocol to plan by.  Nothing is on disk for sure before `commit` or `close`.
    """

    def __init__(
        self,
        journal: Journal,
        clock: Clock,
        deriver: Derives,
        planner: Planner | None = None,
        course: Course | None = None,
    ) -> None:
        self._journal, self._clock, self._deriver = journal, clock, deriver
        self.planner = planner
        self.course = course if course is not None else Course(None, clock.anchor)
        self._next_seq = journal.next_seq
        self._waiting: list[Event] = []
        self._unsynced = self._must = False
        self._synced_s = clock.elapsed()
        self._firsts: list[tuple[float, int]] = []  # first sound (s) and seq of primary readings
        self._snapshot = Snapshot.empty
        self._snapshot_is_old = False
        self.plan: tuple[Prompt, ...] = ()
        self.next_wake_s: float | None = None

    @property
    def last_seq(self) -> int:
        """The number of the last event taken."""
        return self._next_seq - 1

    def advance(self, to_s: float) -> None:
        """Move a replay clock on to `to_s`, stopping wherever the planner has something to say."""
        assert isinstance(self._clock, ReplayClock)
        # what happens at a moment comes before what is due at it: the last second still counts
        while self.next_wake_s is not None and self.next_wake_s < to_s:
            self._clock.move_to(self.next_wake_s)
            self.tick()
        self._clock.move_to(to_s)
        if len(self._waiting) >= _AT_ONCE:
            self.flush()

    def take(self, event: Event) -> Event:
        """Record one event now; returns it as it stands in the journal."""
        if isinstance(event, ReadingTaken):
            event = self._paired(self._placed(event))
        elif isinstance(event, ReadingMissed) and event.due_seq is None and self.planner is not None:
            now_s = self._clock.elapsed()
            issued = self.planner.answered(now_s, now_s, timed=True)
            if issued is not None:
                event = event.model_copy(
                    update={"due_seq": issued.due_seq, "stage_index": issued.prompt.stage_index}
                )
        recorded = self._record(event)
        if isinstance(recorded, StageStarted | StageExtended | ReadingTaken | ReadingMissed):
            self.tick()
        return recorded

    def again(self, event: Event) -> None:
        """One line of this test from before it was interrupted, as it stands in the journal."""
        if isinstance(event, ReadingTaken) and event.role != "second" and event.seq is not None:
            self._firsts.append(((event.event_time - self._clock.anchor).total_seconds(), event.seq))
        self._heed(event)

    def tick(self) -> None:
        """Let the planner say what is due now."""
        if self.planner is None:
            return
        now_s = self._clock.elapsed()
        while True:
            if self._snapshot_is_old:
                self._snapshot = self._deriver.snapshot(self._clock.now(), self._next_seq - 1)
                self._snapshot_is_old = False
            step = self.planner.step(now_s, self.course.stages, self._snapshot)
            for event in step.events:
                self._record(event)
            if not step.events:
                self.next_wake_s, self.plan = step.next_wake_s, step.plan
                return

    def renew(self) -> None:
        """The deriver has found something: plan again with its snapshot."""
        self._snapshot_is_old = True
        self.tick()

    def flush(self) -> None:
        """Write what was taken; JournalNotKept if the disk refuses: it then waits in memory."""
        waiting, self._waiting = self._waiting, []
        self._unsynced = self._unsynced or bool(waiting)
        self._journal.append(waiting)

    def commit(self) -> None:
        """Write what was taken, and make it last where it must be or has waited long enough.

        When this returns, every entry, prompt and stage that was taken is on disk.  Raises
        JournalNotKept if that cannot be: it waits in memory, or went to a rescue journal.
        """
        now_s = self._clock.elapsed()
        self._must = self._must or must_sync(self._waiting)
        self.flush()
        if self._must or (self._unsynced and now_s >= self._synced_s + SAMPLES_SYNC_S):
            self._journal.sync()
            self._unsynced = self._must = False
            self._synced_s = now_s

    def close(
        self,
        ended_at: datetime,
        outcome: Literal["completed", "stopped", "interrupted"],
        reason: EndReason | None = None,
        stopped_by: StoppedBy | None = None,
    ) -> TestClosed:
        """End the test: what is still open is superseded or missed, then everything is on disk."""
        closed = self.end(ended_at, outcome, reason, stopped_by)
        self.flush()
        self._journal.sync()
        return closed

    def end(
        self,
        ended_at: datetime,
        outcome: Literal["completed", "stopped", "interrupted"],
        reason: EndReason | None = None,
        stopped_by: StoppedBy | None = None,
    ) -> TestClosed:
        """As `close`, but only taken: `commit` brings it to disk."""
        if self.planner is not None:
            for event in self.planner.closing(self._clock.elapsed()):
                self._record(event)
        with suppress(JournalNotKept):
            self.flush()  # so that the journal has counted them
        closed = TestClosed(
            event_time=ended_at,
            source=SOURCE,
            outcome=outcome,
            reason=reason,
            stopped_by=stopped_by,
            counts=dict(sorted(self._journal.counts.items())),
        )
        self._record(closed)
        return closed

    def _record(self, event: Event) -> Event:
        recorded = event.model_copy(update={"seq": self._next_seq, "elapsed_s": self._clock.elapsed()})
        self._next_seq += 1
        self._waiting.append(recorded)
        self._heed(recorded)
        return recorded

    def _heed(self, recorded: Event) -> None:
        """Tell everybody who remembers journalled lines."""
        self._deriver.take(recorded)
        if isinstance(recorded, Sample):
            return
        if self.planner is not None:
            self.planner.note(recorded)
        if isinstance(recorded, StageStarted):
            self.course.begin(recorded)
        elif isinstance(recorded, StageExtended):
            self.course.extend(recorded)
        elif isinstance(recorded, ReadingTaken | ReadingMissed):
            self._snapshot_is_old = True

    def _paired(self, reading: ReadingTaken) -> ReadingTaken:
        """A second observer's reading with the primary one of the same beats, where one is near enough."""
        measured_s = (reading.event_time - self._clock.anchor).total_seconds()
        if reading.role != "second":
            self._firsts.append((measured_s, self._next_seq))
            return reading
        near = [
            (abs(first_s - measured_s), -seq)
            for first_s, seq in self._firsts
            if abs(first_s - measured_s) <= PAIR_WITHIN_S
        ]
        if reading.pair_seq is not None or not near:
            return reading
        return reading.model_copy(update={"pair_seq": -min(near)[1]})

    def _placed(self, reading: ReadingTaken) -> ReadingTaken:
        """The reading with the prompt it answers and, where it came without a time, its first sound.

        Both are facts from here on and are never recomputed (definitions: times).
        """
        timed = reading.measured_source != "estimated"
        entry_s = self._clock.elapsed()
        anchor = self._clock.anchor
        given_s = (reading.event_time - anchor).total_seconds()
        measured_s = given_s if timed else None
        if not timed:
            # an entry that waited for its connection was made when it says, not when it came
            entry_s = min(entry_s, max(0.0, given_s))
        issued = None
        if self.planner is not None and reading.due_seq is None and reading.role != "second":
            issued = self.planner.answered(measured_s, entry_s, timed=timed)
        if issued is not None:
            reading = reading.model_copy(update={"due_seq": issued.due_seq})
        if timed or reading.k1_mmhg is None:
            return reading
        stages = self.course.stages
        prompt = issued.prompt if issued else None
        index = prompt.stage_index if prompt else (stages[-1].index if stages else None)
        stage = next((one for one in stages if one.index == index), None)
        phase = stage.stage.phase if stage else "rest"
        rate = fall_rate(
            phase,
            per_s=reading.deflation_mmhg_per_s,
            per_beat=reading.deflation_mmhg_per_beat,
            heart_rate_bpm=self._deriver.heart_rate_bpm(self._clock.now())
            if reading.deflation_mmhg_per_s is None and reading.deflation_mmhg_per_beat
            else None,
        )
        first_sound_s = estimate_first_sound(
            entry_s,
            reading.k1_mmhg,
            lowest_sound(k5=reading.k5_mmhg, heard_to=reading.heard_to_mmhg, k4=reading.k4_mmhg),
            rate,
            phase,
            listen_to=prompt.listen_to if prompt else None,
            cuff_up=prompt.cuff_up if prompt else 0.0,
            stage_end_s=stage.ended_s if stage and prompt else None,
        )
        return reading.model_copy(update={"event_time": pipeline_time(anchor, first_sound_s)})
