"""Prompts: what has been asked for, and what becomes of each.

`plan_stage` says what is wanted; the `Planner` says what to write down about it: a prompt when
its stand-by begins, that it was overtaken or moved, that nothing came.  All that it remembers
it has read from the journal, so a resumed test goes on as if nothing had been.

The data models and judgements that others need (pipeline/cuff.py, plan.py, issued.py) are
given here under one roof.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from pipeline.clock import pipeline_time
from pipeline.events import Event, PromptLate, PromptSuperseded, ReadingDue, ReadingMissed, ReadingTaken
from pipeline.issued import (
    SOURCE,
    By,
    Issued,
    State,
    answered_by,
    busy_until,
    exertion_asked_s,
    keyed,
    left_at,
    line_of,
    moved,
    overtaken,
    prompt_of,
    settled,
    when_missed,
)
from pipeline.plan import plan_stage
from pipeline.prompt import Prompt, StageInForce, Standing
from pipeline.snapshot import Snapshot, SnapshotReading

__all__ = [
    "Issued",
    "Planner",
    "Prompt",
    "Snapshot",
    "SnapshotReading",
    "StageInForce",
    "Standing",
    "Step",
    "answered_by",
    "exertion_asked_s",
    "moved",
    "overtaken",
    "plan_stage",
    "when_missed",
]

LATE_S = 1.0
"""A waker is late by milliseconds; a second is seen."""


@dataclass(frozen=True)
class Step:
    """What the planner has to say: events to write, the next moment that matters, what is to come.

    `plan` holds the prompts of the stage in force that are open or still to come.
    """

    events: tuple[Event, ...]
    next_wake_s: float | None
    plan: tuple[Prompt, ...]


class Planner:
    """Folds the journal into the prompts that stand, and says what to write next.

    `note` every journalled event, then `step` after each change and at `next_wake_s`; write and
    note what `step` returns and call it again until it returns no events.  `step` changes
    nothing: same journal, stages, snapshot and moment, same answer.

    `by` is "live" or, in a join, "planned"; `timed_entries` False says that entries come
    without times.
    """

    def __init__(
        self,
        anchor: datetime,
        by: By = "live",
        *,
        age_years: float | None = None,
        timed_entries: bool = True,
    ) -> None:
        self._anchor, self._by = anchor, by
        self._age_years, self._timed_entries = age_years, timed_entries
        self._issued: dict[int, Issued] = {}
        self._last_reading_seq = 0

    @property
    def issued(self) -> tuple[Issued, ...]:
        """Every prompt so far in the order of the journal, with its state."""
        return tuple(self._issued.values())

    @property
    def open(self) -> tuple[Issued, ...]:
        """The prompts that are neither answered nor superseded nor missed."""
        return tuple(one for one in self._issued.values() if one.state == "due")

    def note(self, event: Event) -> None:
        """Take in one journalled event (with its seq); kinds that say nothing here are skipped."""
        if isinstance(event, ReadingDue) and event.seq is not None:
            issued_s = self._elapsed(event.event_time)
            prompt = prompt_of(event, self._anchor)
            self._issued[event.seq] = Issued(event.seq, prompt, issued_s, self._last_reading_seq)
        elif isinstance(event, ReadingTaken):
            if event.role != "second" and event.seq is not None:
                self._last_reading_seq = event.seq
                self._change(event.due_seq, state="answered")
        elif isinstance(event, ReadingMissed):
            self._change(event.due_seq, state="missed")
        elif isinstance(event, PromptSuperseded):
            self._change(event.due_seq, state="superseded", until_s=self._elapsed(event.event_time))
        elif isinstance(event, PromptLate) and event.due_seq in self._issued:
            self._issued[event.due_seq] = replace(self._issued[event.due_seq], late_told=True)

    def answered(self, measured_s: float | None, entry_s: float, *, timed: bool) -> Issued | None:
        """The prompt that an entry answers (see `answered_by`), or None."""
        index = answered_by(self.issued, measured_s, entry_s, timed)
        return None if index is None else self.issued[index]

    def step(self, now_s: float, stages: Sequence[StageInForce], snapshot: Snapshot) -> Step:
        """What is to be written at `now_s`, and when to ask again."""
        ends: list[Event] = []
        known = keyed(self._issued.values(), stages)
        due = {seq: one for seq, one in known.items() if one.state == "due"}
        for seq, one in list(due.items()):
            ended = self._ended(one, now_s, stages)
            if ended is not None:
                ends.append(ended)
                del due[seq]
            elif self._by == "live" and one.late_s > LATE_S and not one.late_told:
                ends.append(self._late(one, now_s))
        plan = self._plan(now_s, stages, snapshot, known, due)
        replaced = self._replaced(now_s, due, plan, stages)
        if replaced:
            keys = {due[seq].prompt.key for seq in replaced}
            ends += [self._superseded(due.pop(seq), now_s, reason) for seq, reason in replaced.items()]
            plan = self._plan(now_s, stages, snapshot, known, due)
            # the stand-by of what takes its place cannot begin before it is known
            plan = [
                replace(p, stand_by=max(p.stand_by, now_s)) if p.key in keys and p.fits != "no" else p
                for p in plan
            ]
        standing = {one.prompt.key for one in due.values()}
        refused = {one.prompt.key for one in known.values() if one.prompt.fits == "no"}
        fresh = [p for p in plan if p.key not in standing and not (p.fits == "no" and p.key in refused)]
        asked = [prompt for prompt in fresh if prompt.stand_by <= now_s]
        wakes = [prompt.stand_by for prompt in fresh]
        for prompt in (*(one.prompt for one in due.values()), *asked):
            wakes += [prompt.cuff_up, self._missed_at(prompt)]
        return Step(
            events=(*ends, *(line_of(prompt, self._anchor, now_s, self._by) for prompt in asked)),
            next_wake_s=min((wake for wake in wakes if wake > now_s), default=None),
            plan=tuple(plan),
        )

    def closing(self, now_s: float) -> tuple[Event, ...]:
        """What becomes of the open prompts when the test ends at `now_s`."""
        return tuple(
            self._superseded(one, now_s, "the test ended")
            if one.prompt.fits == "no" or overtaken(one.prompt, now_s) == "superseded"
            else self._missed(one, now_s)
            for one in self.open
        )

    def _plan(
        self,
        now_s: float,
        stages: Sequence[StageInForce],
        snapshot: Snapshot,
        known: dict[int, Issued],
        due: dict[int, Issued],
    ) -> list[Prompt]:
        return plan_stage(
            stages,
            snapshot,
            now_s=now_s,
            standing={one.prompt.key: Standing(one.prompt, one.issued_s) for one in due.values()},
            settled=settled(known.values(), stages),
            busy_until_s=busy_until(known.values(), now_s, snapshot),
            age_years=self._age_years,
        )

    def _ended(self, one: Issued, now_s: float, stages: Sequence[StageInForce]) -> Event | None:
        """The end of an open prompt that time or a stage change brings, if it does."""
        if one.prompt.fits == "no":
            return self._superseded(one, now_s, "no room for a reading")
        left_s = left_at(one.prompt, stages)
        early = left_s is not None and left_s < one.prompt.window_closes
        if left_s is not None and early and overtaken(one.prompt, left_s) == "superseded":
            return self._superseded(one, now_s, "the stage ended before half its time had gone")
        return self._missed(one, now_s) if now_s >= self._missed_at(one.prompt) else None

    def _replaced(
        self, now_s: float, due: dict[int, Issued], plan: Sequence[Prompt], stages: Sequence[StageInForce]
    ) -> dict[int, str]:
        """Open prompts that a newer plan replaces, with the reason.

        Never once the cuff is up, and never for a moment that has passed: the assessor is
        following the one that is shown.
        """
        newest = {prompt.key: prompt for prompt in plan}
        reasons: dict[int, str] = {}
        for seq, one in due.items():
            old = one.prompt
            in_force = bool(stages) and stages[-1].ended_s is None and stages[-1].index == old.stage_index
            if old.cuff_up <= now_s or not (in_force or old.aims_at == "repeat"):
                continue
            new = newest.get(old.key)
            if new is None:
                reasons[seq] = "no longer asked for"
            elif new.fits == "no":
                reasons[seq] = "no room any more"
            elif moved(old, new) and new.cuff_up >= now_s:
                reasons[seq] = f"moved by {new.cuff_up - old.cuff_up:+.0f} s"
        return reasons

    def _missed_at(self, prompt: Prompt) -> float:
        return when_missed(prompt, self._by, timed_entries=self._timed_entries)

    def _change(self, due_seq: int | None, *, state: State, until_s: float | None = None) -> None:
        if due_seq is None or due_seq not in self._issued:
            return
        one = self._issued[due_seq]
        # an entry after the miss stands beside it; a late miss takes no answer away
        if state == "missed" and one.state == "answered":
            return
        self._issued[due_seq] = replace(one, state=state, until_s=until_s)

    def _elapsed(self, moment: datetime) -> float:
        return (moment - self._anchor).total_seconds()

    def _utc(self, elapsed_s: float) -> datetime:
        return pipeline_time(self._anchor, elapsed_s)

    def _superseded(self, one: Issued, now_s: float, reason: str) -> PromptSuperseded:
        return PromptSuperseded(
            event_time=self._utc(now_s), source=SOURCE, due_seq=one.due_seq, reason=reason
        )

    def _late(self, one: Issued, now_s: float) -> PromptLate:
        return PromptLate(
            event_time=self._utc(now_s), source=SOURCE, due_seq=one.due_seq, late_s=round(one.late_s, 6)
        )

    def _missed(self, one: Issued, now_s: float) -> ReadingMissed:
        at_s = one.prompt.first_sound_due if self._by == "planned" else now_s
        return ReadingMissed(
            event_time=self._utc(at_s),
            source=SOURCE,
            due_seq=one.due_seq,
            stage_index=one.prompt.stage_index,
            attempted=False,
            reason="not_entered",
        )
