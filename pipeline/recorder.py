"""The recorder: gives events their number and time, writes them, and asks the planner what is due.

What is in the journal happened; nothing else did.  Live and replay are the same recorder with
another clock.  In join and replay the deriver and the planner run inline, in the order of time.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Literal

from pipeline.clock import ReplayClock, pipeline_time
from pipeline.cuff import estimate_first_sound, fall_rate, lowest_sound
from pipeline.deriver import Deriver
from pipeline.events import (
    EndReason,
    Event,
    LineRejected,
    ReadingMissed,
    ReadingTaken,
    Sample,
    StageExtended,
    StageStarted,
    TestClosed,
)
from pipeline.journal import Journal, must_sync
from pipeline.prompts import Planner, StageInForce
from pipeline.protocol import Protocol, Stage
from pipeline.snapshot import Snapshot

SOURCE = "recorder"
# two observers of the same beats note first sounds that lie this close; the next reading does not
PAIR_WITHIN_S = 30.0
_AT_ONCE = 2000


class Recorder:
    """One test being recorded on a clock that is moved from outside.

    `take` events in the order of pipeline time; `advance` lets the planner speak up to a moment.
    `planner` is None where there is no protocol to plan by.  Nothing is on disk for sure before
    `close`, which is all that a join needs: nobody was told that it is.
    """

    def __init__(
        self,
        journal: Journal,
        clock: ReplayClock,
        deriver: Deriver,
        planner: Planner | None = None,
        protocol: Protocol | None = None,
    ) -> None:
        self._journal, self._clock, self._deriver = journal, clock, deriver
        self._planner, self._protocol = planner, protocol
        self._next_seq = journal.next_seq
        self._waiting: list[Event] = []
        self._stages: list[StageInForce] = []
        self._firsts: list[tuple[float, int]] = []  # first sound (s) and seq of primary readings
        self._snapshot = Snapshot.empty
        self._snapshot_is_old = False
        self._next_wake_s: float | None = None

    def advance(self, to_s: float) -> None:
        """Move the clock on to `to_s`, stopping wherever the planner has something to say."""
        # what happens at a moment comes before what is due at it: the last second still counts
        while self._next_wake_s is not None and self._next_wake_s < to_s:
            self._clock.move_to(self._next_wake_s)
            self._plan()
        self._clock.move_to(to_s)

    def take(self, event: Event) -> Event:
        """Record one event now; returns it as it stands in the journal."""
        if isinstance(event, ReadingTaken):
            event = self._paired(self._placed(event))
        elif isinstance(event, ReadingMissed) and event.due_seq is None and self._planner is not None:
            now_s = self._clock.elapsed()
            issued = self._planner.answered(now_s, now_s, timed=True)
            if issued is not None:
                event = event.model_copy(
                    update={"due_seq": issued.due_seq, "stage_index": issued.prompt.stage_index}
                )
        recorded = self._record(event)
        if isinstance(recorded, Sample | LineRejected):
            return recorded
        if isinstance(recorded, StageStarted):
            self._begin(recorded)
        elif isinstance(recorded, StageExtended):
            self._extend(recorded)
        elif isinstance(recorded, ReadingTaken | ReadingMissed):
            self._snapshot_is_old = True
        else:
            return recorded
        self._plan()
        return recorded

    def close(
        self,
        ended_at: datetime,
        outcome: Literal["completed", "stopped", "interrupted"],
        reason: EndReason | None = None,
    ) -> None:
        """End the test: what is still open is superseded or missed, then everything is on disk."""
        if self._planner is not None:
            for event in self._planner.closing(self._clock.elapsed()):
                self._record(event)
        self._flush()
        self._record(
            TestClosed(
                event_time=ended_at,
                source=SOURCE,
                outcome=outcome,
                reason=reason,
                counts=dict(sorted(self._journal.counts.items())),
            )
        )
        self._flush()
        self._journal.sync()

    def _record(self, event: Event) -> Event:
        recorded = event.model_copy(update={"seq": self._next_seq, "elapsed_s": self._clock.elapsed()})
        self._next_seq += 1
        self._waiting.append(recorded)
        self._deriver.take(recorded)
        if self._planner is not None and not isinstance(recorded, Sample):
            self._planner.note(recorded)
        if len(self._waiting) >= _AT_ONCE or must_sync((recorded,)):
            self._flush()
        return recorded

    def _flush(self) -> None:
        self._journal.append(self._waiting)
        self._waiting = []

    def _begin(self, started: StageStarted) -> None:
        at_s = self._clock.elapsed()
        if self._stages:
            self._stages[-1] = replace(self._stages[-1], ended_s=at_s)
        stage = stage_of(started, self._protocol)
        end_s = None if stage.planned_s is None else at_s + stage.planned_s
        self._stages.append(StageInForce(started.stage_index, stage, at_s, end_s))

    def _extend(self, extended: StageExtended) -> None:
        last = self._stages[-1]
        if last.planned_end_s is not None:
            self._stages[-1] = replace(last, planned_end_s=last.planned_end_s + extended.seconds)

    def _plan(self) -> None:
        if self._planner is None:
            return
        now_s = self._clock.elapsed()
        while True:
            if self._snapshot_is_old:
                self._snapshot = self._deriver.snapshot(self._clock.now(), self._next_seq - 1)
                self._snapshot_is_old = False
            step = self._planner.step(now_s, self._stages, self._snapshot)
            for event in step.events:
                self._record(event)
            if not step.events:
                self._next_wake_s = step.next_wake_s
                return

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
        measured_s = (reading.event_time - anchor).total_seconds() if timed else None
        issued = None
        if self._planner is not None and reading.due_seq is None and reading.role != "second":
            issued = self._planner.answered(measured_s, entry_s, timed=timed)
        if issued is not None:
            reading = reading.model_copy(update={"due_seq": issued.due_seq})
        if timed or reading.k1_mmhg is None:
            return reading
        prompt = issued.prompt if issued else None
        index = prompt.stage_index if prompt else (self._stages[-1].index if self._stages else None)
        stage = next((one for one in self._stages if one.index == index), None)
        phase = stage.stage.phase if stage else "rest"
        rate = fall_rate(
            phase,
            per_s=reading.deflation_mmhg_per_s,
            per_beat=reading.deflation_mmhg_per_beat,
            heart_rate_bpm=self._deriver.watch(self._clock.now(), self._next_seq - 1).heart_rate_30s_bpm
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


def stage_of(started: StageStarted, protocol: Protocol | None) -> Stage:
    """The protocol's stage that was started, by what it is called and is; else one that asks for nothing."""

    def is_called(one: Stage | StageStarted) -> tuple[str, str, str, float | None]:
        return one.label, one.phase, one.position, one.target_watts

    for stage in protocol.stages if protocol else ():
        if is_called(stage) == is_called(started):
            return stage
    return Stage(
        label=started.label,
        phase=started.phase,
        position=started.position,
        planned_s=started.planned_s,
        target_watts=None if started.target_watts is None else max(0.0, started.target_watts),
        reading="none",
    )
