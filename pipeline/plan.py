"""The plan of a stage: which readings it asks for, when the cuff goes up and how high.

A plan is a pure function of the stages so far, the deriver's last snapshot and the moment; the
same plan is made live, in a join and in replay.  Times are seconds of pipeline time.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

from pipeline.arms import arm_of, higher_arm
from pipeline.cuff import (
    GAP_S,
    LOADED,
    MARK_REACTION_S,
    NOT_RECOVERED_MMHG,
    Durations,
    durations,
    expected_sbp,
    floor_mmhg,
    inflate_to,
    recovered_sbp,
)
from pipeline.cuff import above_dial as cannot_reach
from pipeline.events import Arm
from pipeline.planned_loads import load_left, with_targets
from pipeline.prompt import AimsAt, Fits, Prompt, StageInForce, Standing
from pipeline.snapshot import Snapshot

STAND_BY_S = 20.0
HEAD_START_S = 30.0
"""No pumping in the first seconds of a stage whose end is read: load and arm settle."""
SYSTOLIC_S = 10.0
MARK_S = 15.0
RETAKE_MMHG = 5.0
IMMEDIATE_S = 30.0
PEAK_AGE_S = 90.0
REPEAT_WITHIN_S = 180.0
"""A fall is confirmed by a reading within 3 min; later a repeat says nothing about it."""
_NOTHING_S = -math.inf


def plan_stage(
    stages: Sequence[StageInForce],
    snapshot: Snapshot,
    *,
    now_s: float | None = None,
    standing: Mapping[str, Standing] | None = None,
    settled: Collection[str] = (),
    busy_until_s: float = _NOTHING_S,
    age_years: float | None = None,
) -> list[Prompt]:
    """The prompts of the last of `stages` that are still to come or open, in order of cuff_up.

    A prompt in `standing` (by key) whose cuff is up stays as it is; what is in `settled` is not
    planned again; `busy_until_s` is when a cuff that is up for another reading will be empty.
    Nothing is planned before `now_s` (default: the stage's start).  Empty when no stage is in
    force.  `fits` "no" says that the stage has no room for a reading it asks for.
    """
    if not stages or stages[-1].ended_s is not None:
        return []
    force = stages[-1]
    plan = _Plan(
        stages=stages,
        snapshot=with_targets(snapshot, stages),
        now_s=force.started_s if now_s is None else now_s,
        standing=standing or {},
        settled=settled,
        age_years=age_years,
        released_s=max([busy_until_s, *(reading.release_s for reading in snapshot.readings)]),
    )
    if force.stage.reading == "timed":
        plan.timed()
        if not plan.prompts:  # while readings are to come at rest, the next one is the repeat
            plan.repeat()
        return plan.prompts
    # a repeat comes before the stage's own readings: a fall that is real cannot wait for them
    plan.repeat()
    if force.stage.reading == "marks":
        plan.immediate()
        plan.marks()
    elif force.stage.reading == "end":
        plan.immediate()
        plan.stage_end()
    return sorted(plan.prompts, key=lambda prompt: (prompt.cuff_up, prompt.key))


@dataclass
class _Plan:
    """One plan in the making: `released_s` moves on as each reading is put in its place."""

    stages: Sequence[StageInForce]
    snapshot: Snapshot
    now_s: float
    standing: Mapping[str, Standing]
    settled: Collection[str]
    age_years: float | None
    released_s: float
    prompts: list[Prompt] = field(default_factory=list)

    @property
    def force(self) -> StageInForce:
        return self.stages[-1]

    @property
    def gap_s(self) -> float:
        return GAP_S[self.force.stage.phase]

    def done(self, key: str) -> bool:
        """Whether nothing is to be planned for `key`: settled, or its cuff is up (then it is kept)."""
        if key in self.settled:
            return True
        if not self._cuff_is_up(key):
            return False
        self._keep(key)
        return True

    def _keep(self, key: str) -> None:
        prompt = self.standing[key].prompt
        self._put(replace(prompt, arm=prompt.arm or higher_arm(self.stages, self.snapshot)))

    def _cuff_is_up(self, key: str) -> bool:
        held = self.standing.get(key)
        return held is not None and held.prompt.fits != "no" and held.prompt.cuff_up <= self.now_s

    def not_before(self, key: str) -> float:
        """Now, for what is not issued yet.

        What is issued is planned as if there were time: where its moment has come forward into
        the past the prompt that is shown stays, and its slack takes the difference.
        """
        return self.force.started_s if key in self.standing else max(self.force.started_s, self.now_s)

    def earliest(self, key: str, gap_s: float) -> float:
        return max(self.not_before(key), self.released_s + gap_s)

    def reading(
        self, at_s: float | None = None, reaction_s: float = 0.0
    ) -> tuple[float, float | None, Durations]:
        """Expected systolic, pressure to pump to and durations of a reading at `at_s`."""
        stage, phase = self.force.stage, self.force.stage.phase
        watts = None if at_s is None else stage.target_at(at_s - self.force.started_s)
        left_s, left_watts = load_left(self.stages)
        if phase == "recovery":
            watts = left_watts
        highest = expected = expected_sbp(
            self.snapshot, phase, stage_index=self.force.index, planned_watts=watts
        )
        if phase == "recovery" and at_s is not None and left_s is not None:
            expected = recovered_sbp(self.snapshot, highest, left_s, at_s)
        first = not self.prompts and all(reading.k1 is None for reading in self.snapshot.readings)
        pump = None
        if not first:
            floor = floor_mmhg(self.snapshot, phase, self.age_years)
            if phase == "recovery" and all(prompt.fits == "no" for prompt in self.prompts):
                # enough where pressure did not go down; of later readings the ones before will tell
                floor = max(floor, highest + NOT_RECOVERED_MMHG)
            pump = inflate_to(expected, phase, floor)
        return expected, pump, durations(self.snapshot, phase, expected, pump, reaction_s)

    def place(
        self,
        key: str,
        aims_at: AimsAt,
        fits: Fits,
        cuff_up: float,
        window_closes: float,
        reading: tuple[float, float | None, Durations],
        arm: Arm | None = None,
    ) -> None:
        held = self.standing.get(key)
        if held is not None and held.prompt.fits != "no" and fits != "no" and cuff_up < self.now_s:
            self._keep(key)  # the one that is shown stays, and what follows comes after it
            return
        expected, pump, takes = reading
        self._put(
            Prompt(
                key=key,
                stage_index=self.force.index,
                aims_at=aims_at,
                fits=fits,
                stand_by=max(self.force.started_s, cuff_up - STAND_BY_S),
                cuff_up=cuff_up,
                first_sound_due=cuff_up + takes.t1,
                window_closes=window_closes,
                inflate_to=pump,
                listen_to=takes.listen_to,
                expected_sbp=expected,
                expected_dbp=takes.dbp,
                snapshot_seq=self.snapshot.seq,
                t1=takes.t1,
                t2=takes.t2,
                tail=takes.tail,
                slack=takes.slack,
                above_dial=pump is not None and cannot_reach(expected, self.force.stage.phase),
                arm=arm or higher_arm(self.stages, self.snapshot),
            )
        )

    def _put(self, prompt: Prompt) -> None:
        self.prompts.append(prompt)
        if prompt.fits != "no":  # nobody pumps for it
            self.released_s = max(self.released_s, prompt.release_s)

    def stage_end(self) -> None:
        """The reading that ends with the stage: whole, the systolic only, or no room."""
        end_s, key = self.force.planned_end_s, f"{self.force.index}:stage_end"
        # a stage that is open has no end to aim at; its readings are asked for as marks
        if end_s is None or self.done(key):
            return
        reading = self.reading(end_s)
        takes = reading[2]
        earliest = max(self.force.started_s + HEAD_START_S, self.earliest(key, self.gap_s))
        cuff_up = end_s - takes.t1 - takes.t2 - takes.slack
        fits: Fits = "whole"
        if cuff_up < earliest:
            # as soon as may be: the diastolic is not promised, but most often it still comes
            cuff_up, fits = earliest, "systolic"
            if end_s - cuff_up < takes.t1 + SYSTOLIC_S:
                # put where it would have had to be, so that the journal says what was lost and when
                latest = end_s - SYSTOLIC_S - takes.t1 - takes.slack
                cuff_up, fits = max(self.force.started_s, latest), "no"
        self.place(key, "stage_end", fits, cuff_up, end_s, reading)

    def marks(self) -> None:
        """First sounds at given moments of the stage; one that cannot come within 15 s has no room."""
        started_s, end_s = self.force.started_s, self.force.planned_end_s
        for number, mark_s in enumerate(sorted(self.force.stage.reading_at_s), start=1):
            key, wanted_s = f"{self.force.index}:mark:{number}", started_s + mark_s
            if self.done(key):
                continue
            closes = wanted_s + MARK_S
            if closes < self.not_before(key):
                continue  # passed while nothing was recorded; test_resumed says so
            reading = self.reading(wanted_s, MARK_REACTION_S)
            takes = reading[2]
            cuff_up = max(wanted_s - takes.t1, self.earliest(key, self.gap_s))
            fits: Fits = "whole"
            if cuff_up + takes.t1 > closes or (end_s is not None and wanted_s > end_s):
                cuff_up, fits = max(started_s, wanted_s - takes.t1), "no"
            elif self.force.stage.loaded and end_s is not None and cuff_up + takes.t1 + takes.t2 > end_s:
                fits = "systolic"
            self.place(key, "mark", fits, cuff_up, closes, reading)

    def timed(self) -> None:
        """Resting readings: after `wait_s`, then `apart_s` after each release, never under the gap."""
        stage, started_s = self.force.stage, self.force.started_s
        for number in range(1, self._wanted_at_rest() + 1):
            key = f"{self.force.index}:rest:{number}"
            if self.done(key):
                continue
            gap_s = self.gap_s if number == 1 else max(self.gap_s, stage.apart_s)
            reading = self.reading()
            takes = reading[2]
            cuff_up = max(started_s + stage.wait_s, self.earliest(key, gap_s))
            closes = cuff_up + takes.t1 + takes.t2 + takes.slack
            self.place(key, "rest", "whole", cuff_up, closes, reading, arm_of(stage, number))

    def _wanted_at_rest(self) -> int:
        stage = self.force.stage
        if stage.arms == "both":
            return max(3, stage.readings)  # left, right, left
        here = [r for r in self.snapshot.readings if r.used and r.stage_index == self.force.index]
        taken = [r.k1 for r in here if r.k1 is not None]
        if stage.readings == 2 and len(taken) >= 2 and abs(taken[0] - taken[1]) > RETAKE_MMHG:
            return 3
        return stage.readings

    def immediate(self) -> None:
        """The reading right after the stop, where the peak would otherwise not be known.

        Wanted when exercise was asked for readings and the last used one is over 90 s old: the
        peak then rests on a first sound within 30 s after the stop.  The peak is worth more than
        the mark of the first minute, for which the cuff is not down in time.  A cuff that is
        still up for another reading is not asked to do both.
        """
        before = [stage for stage in self.stages[:-1] if stage.stage.phase == "exercise"]
        just_stopped = len(self.stages) > 1 and self.stages[-2].stage.loaded
        key, started_s = f"{self.force.index}:immediate", self.force.started_s
        if self.force.stage.phase != "recovery" or not just_stopped or self.done(key):
            return
        if all(stage.stage.reading == "none" for stage in before):
            return
        used = [r.measured_s for r in self.snapshot.readings if r.used and r.phase == "exercise"]
        if used and started_s - used[-1] <= PEAK_AGE_S:
            return
        reading = self.reading()
        cuff_up = self.earliest(key, self.gap_s)
        if cuff_up + reading[2].t1 <= started_s + IMMEDIATE_S:
            self.place(key, "immediate", "whole", cuff_up, started_s + IMMEDIATE_S, reading)

    def repeat(self) -> None:
        """The reading that a flag wants repeated, 30 s after release (at rest 60).

        Only while it is the last one, nothing is in hand (that would be the next reading) and
        the kind of load is the same; under load only within 3 min.
        """
        wanted = self.snapshot.repeat_after
        taken = [reading for reading in self.snapshot.readings if reading.k1 is not None]
        if wanted is None or not taken or taken[-1].seq != wanted:
            return
        last, key, phase = taken[-1], f"repeat:{wanted}", self.force.stage.phase
        loaded = self.force.stage.loaded
        if not (phase == last.phase or (loaded and last.phase in LOADED)):
            return
        if any(
            other != key and self._cuff_is_up(other) and held.prompt.first_sound_due > last.measured_s
            for other, held in self.standing.items()
        ):
            return
        if self.done(key):
            return
        # it comes unannounced, so the assessor gets the whole stand-by from when it was issued
        since_s = self.standing[key].issued_s if key in self.standing else self.now_s
        cuff_up = max(self.earliest(key, self.gap_s), since_s + STAND_BY_S)
        reading = self.reading(cuff_up)
        takes = reading[2]
        if loaded and cuff_up + takes.t1 > last.measured_s + REPEAT_WITHIN_S:
            return
        closes = cuff_up + takes.t1 + takes.t2 + takes.slack
        self.place(key, "repeat", "whole", cuff_up, closes, reading)
