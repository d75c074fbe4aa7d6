"""The course of a test: the stages that were started, and what the protocol has next.

All that it knows it has read from journalled lines, so a resumed test stands where it stood.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Literal

from pipeline.clock import pipeline_time
from pipeline.events import StageExtended, StageStarted
from pipeline.prompt import StageInForce
from pipeline.protocol import RECOVERY_MARKS_S, Protocol, Stage

SOURCE = "recorder"
OWN_RECOVERY = Stage(
    label="recovery",
    phase="recovery",
    position="ergometer",
    planned_s=RECOVERY_MARKS_S[-1],
    reading="marks",
    reading_at_s=RECOVERY_MARKS_S,
)
"""Where a test is stopped and its protocol has no recovery."""


class Course:
    """The stages as they are ridden, and the way through the protocol (None: there is none).

    `stages` are in order, times in seconds of pipeline time; `begin` and `extend` take what was
    journalled.  `backed_off`: the load was taken back, and does not rise again by itself.
    """

    def __init__(self, protocol: Protocol | None, anchor: datetime) -> None:
        self.protocol, self._anchor = protocol, anchor
        self._in_order: Sequence[Stage] = protocol.stages if protocol else ()
        self.stages: list[StageInForce] = []
        self._place: int | None = None  # of the stage in force, in the protocol
        self._next_place = 0
        self.backed_off = False

    @property
    def force(self) -> StageInForce | None:
        """The stage in force."""
        return self.stages[-1] if self.stages else None

    def begin(self, started: StageStarted) -> None:
        """A stage began: it ends the one before."""
        at_s = (started.event_time - self._anchor).total_seconds()
        if self.stages:
            self.stages[-1] = replace(self.stages[-1], ended_s=at_s)
        stage = self._stage_of(started)
        end_s = None if stage.planned_s is None else at_s + stage.planned_s
        self.stages.append(StageInForce(started.stage_index, stage, at_s, end_s))

    def extend(self, extended: StageExtended) -> None:
        """The stage in force lasts longer."""
        last = self.stages[-1]
        if last.planned_end_s is not None:
            self.stages[-1] = replace(last, planned_end_s=last.planned_end_s + extended.seconds)

    @property
    def next(self) -> Stage | None:
        """What the protocol has next; None when it is over, or there is none."""
        return self._in_order[self._next_place] if self._next_place < len(self._in_order) else None

    @property
    def first_load(self) -> Stage | None:
        """The next loaded stage, whatever rest is still to come before it."""
        return next((stage for stage in self._in_order[self._next_place :] if stage.loaded), None)

    @property
    def lower(self) -> Stage | None:
        """The loaded stage before the one in force that asks for less; None where there is none."""
        force = self.force
        if force is None or not force.stage.loaded:
            return None
        load = force.stage.target_watts or 0.0
        earlier = self._in_order[: self._place if self._place is not None else 0]
        return next(
            (one for one in reversed(earlier) if one.loaded and (one.target_watts or 0.0) < load), None
        )

    @property
    def recovery(self) -> Stage:
        """The protocol's recovery, or the usual one."""
        stages = self._in_order[self._next_place :]
        return next((stage for stage in stages if stage.phase == "recovery"), OWN_RECOVERY)

    @property
    def ridden_out(self) -> bool:
        """Whether every loaded stage of the protocol was begun and the last one ridden to its end."""
        loaded = [stage for stage in self.stages if stage.stage.loaded]
        if not loaded or any(stage.loaded for stage in self._in_order[self._next_place :]):
            return False
        last = loaded[-1]
        early = last.ended_s is not None and last.planned_end_s is not None
        return not (early and (last.ended_s or 0.0) < (last.planned_end_s or 0.0) - 1)

    def started(
        self,
        stage: Stage,
        at_s: float,
        by: Literal["schedule", "operator", "detected"],
        method: str | None = None,
    ) -> StageStarted:
        """The line that begins `stage` at `at_s`."""
        return StageStarted(
            event_time=pipeline_time(self._anchor, at_s),
            source=SOURCE,
            stage_index=self.stages[-1].index + 1 if self.stages else 0,
            label=stage.label,
            phase=stage.phase,
            position=stage.position,
            target_watts=stage.target_watts,
            target_watts_to=stage.target_watts_to,
            planned_s=stage.planned_s,
            by=by,
            method=method,
        )

    def _stage_of(self, started: StageStarted) -> Stage:
        """The protocol's stage that was started: the next one so called, else the last one before.

        A stage that the protocol does not have asks for no reading, except a recovery.
        """

        def is_called(one: Stage | StageStarted) -> tuple[str, str, str, float | None]:
            return one.label, one.phase, one.position, one.target_watts

        places = [place for place, one in enumerate(self._in_order) if is_called(one) == is_called(started)]
        ahead = [place for place in places if place >= self._next_place]
        self.backed_off = bool(places) and not ahead
        if places:
            self._place = ahead[0] if ahead else places[-1]
            self._next_place = self._place + 1
            return self._in_order[self._place]
        own = OWN_RECOVERY
        if (*is_called(own), own.planned_s) == (*is_called(started), started.planned_s):
            self._next_place = len(self._in_order)
            return OWN_RECOVERY
        return Stage(
            label=started.label,
            phase=started.phase,
            position=started.position,
            planned_s=started.planned_s,
            target_watts=None if started.target_watts is None else max(0.0, started.target_watts),
            reading="none",
        )
