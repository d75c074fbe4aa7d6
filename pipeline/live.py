"""A live test: what the schedule, the load and the operator make of it, in the order of time.

One thread, and no clock of its own: `take` what comes, `ask` what the operator wants, `tick` when
a moment has come, `commit` when a batch is done.  The threads around it are in pipeline/session.py;
tests and rehearsals move a replay clock instead.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, assert_never

from pipeline.clock import Clock
from pipeline.control import (
    Begin,
    Close,
    Control,
    Hold,
    Interrupt,
    LowerLoad,
    NextStage,
    Recover,
    Stop,
)
from pipeline.course import SOURCE
from pipeline.derived import Flag
from pipeline.errors import UsageError
from pipeline.events import (
    Arm,
    ClockStepped,
    EndReason,
    Event,
    ExertionRated,
    FlagAcknowledged,
    FlagRaised,
    ReadingTaken,
    Sample,
    SourceOpened,
    StageExtended,
    StageStarted,
    StoppedBy,
    TestClosed,
    TestOpened,
    TestResumed,
)
from pipeline.journal import Journal, JournalNotKept
from pipeline.load_follower import LoadFollower
from pipeline.prompt import StageInForce
from pipeline.recorder import Recorder
from pipeline.rule import LEVELS

DERIVER = "deriver"
WAIT_STEP_S = 5.0
STOPPED = "stopped: "
HELD = "held by the operator"
WAITS_FOR_REST = "the stage waits for its resting readings"
WAITS_FOR_READING = "the stage waits for its reading"
# what changes flags by itself, not by time
DERIVED_AFTER = frozenset(
    {
        "test_opened", "test_resumed", "source_opened", "line_rejected", "stage_started", "stage_extended",
        "reading_taken", "reading_missed", "exertion_rated", "symptom_noted", "sign_noted", "cuff_changed",
        "amended",
    }
)  # fmt: skip


@dataclass(frozen=True)
class Manner:
    """How a test is run.

    `attended`: somebody enters readings, so that a stage may wait for them.  `start`: the first
    stage begins when it is asked for, at once, or when the load first rises.  `idle_s`: an
    unattended test ends so long after the last load.  `follows`: stages and the end come from a
    record, none by time, load or the operator.
    """

    attended: bool = True
    start: Literal["asked", "now", "load"] = "asked"
    idle_s: float = 600.0
    follows: bool = False


class LiveTest:
    """One live test around its recorder.

    `next_wake_s` is the next moment (s of pipeline time) at which `tick` is wanted.  `stale` says
    that something was recorded after which the flags are to be derived.
    """

    def __init__(self, recorder: Recorder, journal: Journal, clock: Clock, manner: Manner) -> None:
        self.recorder, self.course, self._journal, self._clock = recorder, recorder.course, journal, clock
        self.manner = manner
        self.stopped: tuple[EndReason, StoppedBy] | None = None
        self.closed: TestClosed | None = None
        self.stale = False
        self.shown: dict[tuple[str, int], FlagRaised] = {}
        self.acknowledged: set[tuple[str, int]] = set()
        self.not_kept: str | None = None
        self._opened: TestOpened | None = None
        self._last: ReadingTaken | None = None
        self._ranks: dict[str, int] = {}
        self._load = LoadFollower()
        self._waited_s: dict[int, float] = {}
        self._resumed_s: float | None = None

    @property
    def last_arm(self) -> Arm | None:
        """The arm of the last reading."""
        return self._last.arm if self._last else None

    # ---- what comes

    def take(self, event: Event) -> Event:
        """Record what a source or a person gives; what an entry leaves out is as at the last one.

        UsageError once the test is closed.
        """
        if self.closed is not None:
            raise UsageError("the test is closed; correct an entry with cuffwatt amend")
        if isinstance(event, ReadingTaken) and self._last is not None and event.role != "second":
            usual = {
                name: getattr(self._last, name)
                for name in ("arm", "arm_support", "observer")
                if getattr(event, name) is None
            }
            event = event.model_copy(update=usual)
        if isinstance(event, ReadingTaken) and event.observer is None and event.role != "second":
            event = event.model_copy(update={"observer": self._opened.observer if self._opened else None})
        if isinstance(event, ExertionRated) and event.rpe_scale is None and self._opened is not None:
            event = event.model_copy(update={"rpe_scale": self._opened.rpe_scale})
        recorded = self.recorder.take(event)
        self._heed(recorded)
        if isinstance(recorded, Sample):
            if recorded.watts is not None:
                rank = self._ranks.get(recorded.source)
                if rank is not None:
                    self._load.take(self._clock.elapsed(), recorded.watts, rank)
                    self._move_on()
            return recorded
        self.tick()
        return recorded

    def again(self, event: Event) -> None:
        """One line from before an interruption, as it stands in the journal."""
        self.recorder.again(event)
        self._heed(event)
        if isinstance(event, Sample) and event.watts is not None and event.source in self._ranks:
            self._load.take(event.elapsed_s or 0.0, event.watts, self._ranks[event.source])

    def _heed(self, event: Event) -> None:
        if event.kind in DERIVED_AFTER:
            self.stale = True
        if isinstance(event, TestOpened):
            self._opened = event
        elif isinstance(event, SourceOpened):
            ranks = dict(part.split("=") for part in (event.ranks or "").split(",") if part)
            if "watts" in ranks:
                self._ranks[event.name] = int(ranks["watts"])
        elif isinstance(event, ReadingTaken) and event.role != "second":
            self._last = event
        elif isinstance(event, StageStarted) and (event.method or "").startswith(STOPPED):
            reason, by = (event.method or "").removeprefix(STOPPED).split(" by ")
            self.stopped = reason, by  # type: ignore[assignment]  # written below, from these types
        elif isinstance(event, StageExtended) and event.reason == WAITS_FOR_READING:
            self._waited_s[event.stage_index] = self._waited_s.get(event.stage_index, 0.0) + event.seconds
        elif isinstance(event, FlagRaised):
            before = self.shown.get((event.code, event.target_seq))
            if before is not None and LEVELS.index(event.level) < LEVELS.index(before.level):
                # what was seen was less than this
                self.acknowledged.discard((event.code, event.target_seq))
            self.shown[event.code, event.target_seq] = event
        elif isinstance(event, FlagAcknowledged):
            self.acknowledged.add((event.code, event.target_seq))
        elif isinstance(event, TestResumed):
            self._resumed_s = event.elapsed_s
        elif isinstance(event, TestClosed):
            self.closed = event

    # ---- what the operator asks

    def ask(self, control: Control) -> Event:
        """Do what is asked, now; returns the line that says so.  UsageError says why it cannot be."""
        if self.closed is not None:
            raise UsageError("the test is closed; nothing can be asked of it")
        now_s, force = self._clock.elapsed(), self.course.force
        match control:
            case Begin():
                stage = self.course.next
                if force is not None or stage is None:
                    raise UsageError(
                        "the test has begun; go on with next"
                        if force
                        else "no protocol, so no stages to begin"
                    )
                event: Event = self.course.started(stage, now_s, "operator")
            case NextStage():
                stage = self.course.next
                if stage is None:
                    raise UsageError("the protocol has no further stage; end the test with close")
                event = self.course.started(stage, now_s, "operator")
            case Hold(seconds=seconds):
                if force is None or force.planned_end_s is None:
                    raise UsageError(
                        "the stage has no planned end to put off; go on with next when it is time"
                    )
                # a stage whose time is over is held from now on
                late_s = max(0.0, now_s - force.planned_end_s)
                event = StageExtended(
                    event_time=self._clock.now(),
                    source=SOURCE,
                    stage_index=force.index,
                    seconds=round(seconds + late_s, 3),
                    reason=HELD,
                )
            case LowerLoad():
                stage = self.course.lower
                if stage is None:
                    raise UsageError("there is no lower load in the protocol; go on with recovery or stop")
                event = self.course.started(stage, now_s, "operator")
            case Recover():
                if force is None or not force.stage.loaded:
                    raise UsageError("no load is being ridden; end the test with close")
                event = self.course.started(self.course.recovery, now_s, "operator")
            case Stop(reason=reason, by=by):
                self.stopped = reason, by
                if force is None or not force.stage.loaded:
                    return self._close()
                method = f"{STOPPED}{reason} by {by}"
                event = self.course.started(self.course.recovery, now_s, "operator", method)
            case Close():
                return self._close()
            case Interrupt():
                return self._close(interrupted=True)
            case _:
                assert_never(control)
        return self.take(event)

    # ---- what is due

    @property
    def next_wake_s(self) -> float | None:
        """When `tick` is wanted next, in s of pipeline time; None: nothing is planned."""
        force, now_s = self.course.force, self._clock.elapsed()
        end_s = None if force is None or self.manner.follows else force.planned_end_s
        ends = [] if end_s is None else [end_s]
        wakes = [*ends, *([self.recorder.next_wake_s] if self.recorder.next_wake_s is not None else [])]
        return min((wake for wake in wakes if wake > now_s), default=None)

    def tick(self) -> None:
        """Do what is due now: clock steps, stages, prompts, the end."""
        if self.closed is not None:
            return
        for step in self._clock.steps():
            self.recorder.take(
                ClockStepped(
                    event_time=self._clock.now(), source=SOURCE, cause=step.cause, step_s=step.step_s
                )
            )
        self.recorder.tick()
        self._move_on()

    def _move_on(self) -> None:
        """Begin what time or load has brought, and end what is over."""
        if self.closed is not None or self.manner.follows:
            return
        while (event := self._due(self._clock.elapsed())) is not None:
            self._heed(self.recorder.take(event))
        if (over_s := self._over_s(self._clock.elapsed())) is not None:
            # what was over before it was resumed ended unseen, and is not claimed to be ridden out
            self._close(interrupted=self._resumed_s is not None and over_s <= self._resumed_s)

    def _due(self, now_s: float) -> Event | None:
        """The next change of stages that time or load brings, if it is due."""
        force, following = self.course.force, self.course.next
        if force is None:
            return self._first(now_s)
        by_load = self.course.protocol is not None and self.course.protocol.stage_from == "load"
        if by_load:
            found = self._load.began(force, following, self.course.recovery)
            if found is not None:
                return self.course.started(*found, "detected", "the load that is ridden")
        if force.planned_end_s is None or now_s < force.planned_end_s:
            return None
        wait_s = self._wait_s(force, now_s)
        if wait_s is not None:
            return StageExtended(
                event_time=self._clock.now(),
                source=SOURCE,
                stage_index=force.index,
                # late by a busy machine or an interruption, it still lasts as long from now
                seconds=round(wait_s + now_s - force.planned_end_s, 3),
                reason=WAITS_FOR_REST if force.stage.phase == "rest" else WAITS_FOR_READING,
            )
        if (
            following is None
            or self.course.backed_off
            or (by_load and (following.loaded or force.stage.loaded))
        ):
            return None
        late_s = now_s - force.planned_end_s
        return self.course.started(
            following,
            force.planned_end_s,
            "schedule",
            f"recorded {late_s:.0f} s after its time" if late_s > 1 else None,
        )

    def _first(self, now_s: float) -> Event | None:
        following = self.course.next
        if following is None or self.manner.start == "asked":
            return None
        if self.manner.start == "now":
            return self.course.started(following, now_s, "schedule")
        found = self._load.began(None, self.course.first_load, self.course.recovery)
        return None if found is None else self.course.started(*found, "detected", "the load first rose")

    def _wait_s(self, force: StageInForce, now_s: float) -> float | None:
        """How much longer a stage lasts whose time is over, for a reading that is still to come."""
        if not self.manner.attended or self.recorder.planner is None:
            return None
        still = [one.prompt for one in self.recorder.planner.open if one.prompt.stage_index == force.index]
        if force.stage.reading == "timed":
            still += [prompt for prompt in self.recorder.plan if prompt.stage_index == force.index]
            if not still:
                return None
            until_s = max(prompt.window_closes for prompt in still)
            return max(WAIT_STEP_S, math.ceil(until_s - now_s))
        protocol = self.course.protocol
        if protocol is None or protocol.stage_end != "after_reading" or not force.stage.loaded:
            return None
        left_s = protocol.hold_max_s - self._waited_s.get(force.index, 0.0)
        if left_s <= 0 or not any(prompt.aims_at == "stage_end" and prompt.fits != "no" for prompt in still):
            return None
        return min(WAIT_STEP_S, left_s)

    def _over_s(self, now_s: float) -> float | None:
        """Since when the test is over by load or by its protocol; None: it is not."""
        force, loaded_s = self.course.force, self._load.last_loaded_s
        if not self.manner.attended and loaded_s is not None and now_s >= loaded_s + self.manner.idle_s:
            return loaded_s + self.manner.idle_s
        if force is None or self.course.next is not None or force.planned_end_s is None:
            return None
        # entries of the last readings may still come
        done = self.recorder.planner is None or not self.recorder.planner.open
        return (
            force.planned_end_s if done and now_s >= force.planned_end_s and not force.stage.loaded else None
        )

    def _close(self, *, interrupted: bool = False) -> Event:
        reason: EndReason | None = None
        by: StoppedBy | None = None
        outcome: Literal["completed", "stopped", "interrupted"] = "completed"
        if self.stopped is not None:
            outcome, (reason, by) = "stopped", self.stopped
        elif interrupted:
            outcome, by = "interrupted", "recorder"
        elif self.course.protocol is not None:
            outcome, reason = (
                ("completed", "protocol_complete") if self.course.ridden_out else ("stopped", None)
            )
        return self.end(outcome, reason, by)

    def end(
        self,
        outcome: Literal["completed", "stopped", "interrupted"],
        reason: EndReason | None,
        by: StoppedBy | None,
    ) -> Event:
        """Close the test now, as it is said."""
        closed = self.recorder.end(self._clock.now(), outcome, reason, by)
        self._heed(closed)
        return closed

    # ---- flags

    def raise_flags(self, flags: Iterable[Flag]) -> None:
        """Journal what is now shown: a flag once, and again when its level has changed.

        Notes are for tables and reports: nobody is shown them here.
        """
        for flag in flags:
            before = self.shown.get((flag.code, flag.target_seq))
            if flag.level == "note" or (before is not None and before.level == flag.level):
                continue
            raised = FlagRaised(
                event_time=self._clock.now(),
                source=DERIVER,
                code=flag.code,
                level=flag.level,
                target_seq=flag.target_seq,
                observed=flag.observed,
                threshold=flag.threshold,
            )
            self._heed(self.recorder.take(raised))

    # ---- the disk

    def commit(self) -> bool:
        """Bring to disk what was taken; whether it is there.  `not_kept` says why it is not."""
        try:
            self.recorder.commit()
        except JournalNotKept as error:
            self.not_kept = str(error)
            return False
        self.not_kept = None
        return True

    @property
    def rescued(self) -> bool:
        """Whether lines had to go to a rescue journal."""
        return bool(self._journal.rescues)
