"""Prompts that stand in the journal: their state, and which of them an entry answers.

Everything here can be made again from journalled lines alone, which is how a resumed test gets
its prompts back.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

from pipeline.arms import arm_of
from pipeline.clock import pipeline_time
from pipeline.cuff import (
    ENTRY_S,
    FALL_MMHG_PER_S,
    LISTEN_BELOW_DBP_MMHG,
    MARK_REACTION_S,
    PALPATION_S,
    PUMP_MMHG_PER_S,
    RELEASE_S,
    SLACK_S,
    SLACK_SHARE,
    above_dial,
    palpated_pump,
)
from pipeline.events import ReadingDue
from pipeline.plan import MARK_S, STAND_BY_S
from pipeline.prompt import Prompt, StageInForce
from pipeline.protocol import Phase
from pipeline.snapshot import Snapshot

SOURCE = "prompts"
MOVED_S = 5.0
BEFORE_CUFF_UP_S = 30.0
AFTER_CLOSING_S = 10.0
NOT_ENTERED_S = 120.0

By = Literal["live", "planned"]
State = Literal["due", "answered", "superseded", "missed"]


@dataclass(frozen=True)
class Issued:
    """A prompt as it stands in the journal, line `due_seq`, written at `issued_s`.

    `after_seq` is the last reading before it (what a repeat repeats), `until_s` when it was
    superseded, `late_told` whether its lateness was written.
    """

    due_seq: int
    prompt: Prompt
    issued_s: float
    after_seq: int = 0
    state: State = "due"
    until_s: float | None = None
    late_told: bool = False

    @property
    def late_s(self) -> float:
        """By how many seconds it was shown after its time."""
        return self.issued_s - self.prompt.stand_by


def moved(old: Prompt, new: Prompt) -> bool:
    """Whether the newer plan differs by more than 5 s in any moment that the assessor acts on."""
    return any(
        abs(a - b) > MOVED_S
        for a, b in (
            (old.cuff_up, new.cuff_up),
            (old.first_sound_due, new.first_sound_due),
            (old.window_closes, new.window_closes),
        )
    )


def overtaken(prompt: Prompt, stage_ended_s: float) -> Literal["superseded", "missed"]:
    """What an early end of its stage makes of a prompt: superseded with under half its time gone.

    Its time runs from stand_by to window_closes, while it is open.  "missed" means that it was
    fair to ask for it: it stays open to an entry and is missed when none comes.
    """
    half = prompt.stand_by + (prompt.window_closes - prompt.stand_by) / 2
    return "superseded" if stage_ended_s < half else "missed"


def when_missed(prompt: Prompt, by: By = "live", *, timed_entries: bool = True) -> float:
    """When an unanswered prompt is written down as missed.

    Live 120 s after its window closes.  In a join 10 s after, when no stated time can answer it
    any more; entries without times may still come for it within the 120 s.
    """
    joined = by == "planned" and timed_entries
    return prompt.window_closes + (AFTER_CLOSING_S if joined else NOT_ENTERED_S)


def exertion_asked_s(prompt: Prompt, people: int) -> float:
    """When perceived exertion is asked: one person 20 s before stand_by, two 15 s before closing."""
    return prompt.stand_by - STAND_BY_S if people == 1 else prompt.window_closes - 15.0


def answered_by(
    issued: Sequence[Issued], measured_s: float | None, entry_s: float, timed: bool
) -> int | None:
    """Which of `issued` an entry answers: its index, or None.

    `timed`: the first sound was marked or stated, at `measured_s`; else the entry is judged 10 s
    before `entry_s`.  A prompt holds it from 30 s before cuff_up to 10 s after closing.  Without
    a time, one that closed unanswered within 120 s comes before one of whose way to the last
    sound less than half could have been gone: nobody is that quick.  Where several hold it: an
    unanswered one first, then the one whose first sound was due nearest.  Superseded prompts and
    those without room were not asked for and are not answered; one already answered still is, so
    that a second entry is seen as entered twice.
    """
    at_s = measured_s if timed and measured_s is not None else entry_s - ENTRY_S
    stands = [
        (index, one)
        for index, one in enumerate(issued)
        if one.state != "superseded" and one.prompt.fits != "no"
    ]
    ranked: list[tuple[int, int, float, int]] = []
    for index, one in stands:
        prompt, fresh = one.prompt, one.state == "due"
        holds = prompt.cuff_up - BEFORE_CUFF_UP_S <= at_s <= prompt.window_closes + AFTER_CLOSING_S
        away = abs(prompt.first_sound_due - at_s)
        if holds and timed:
            ranked.append((0, not fresh, away, index))
        elif holds:
            # well begun; (closed, below); begun but answered: entered twice; still to begin
            begun = prompt.cuff_up + (prompt.t1 + prompt.t2) / 2 <= at_s
            ranked.append(((0 if fresh else 2) if begun else 3, not fresh, away, index))
        elif not timed and fresh and 0 <= entry_s - prompt.window_closes <= NOT_ENTERED_S:
            ranked.append((1, 0, -prompt.window_closes, index))
    return min(ranked)[3] if ranked else None


def line_of(prompt: Prompt, anchor: datetime, issued_s: float, by: By) -> ReadingDue:
    """The event that asks for a reading, written at `issued_s`; `prompt_of` reads it back."""
    return ReadingDue(
        event_time=pipeline_time(anchor, issued_s),
        source=SOURCE,
        stage_index=prompt.stage_index,
        stand_by=pipeline_time(anchor, prompt.stand_by),
        cuff_up=pipeline_time(anchor, prompt.cuff_up),
        first_sound_due=pipeline_time(anchor, prompt.first_sound_due),
        window_closes=pipeline_time(anchor, prompt.window_closes),
        inflate_to_mmhg=prompt.inflate_to,
        listen_to_mmhg=prompt.listen_to,
        expected_sbp_mmhg=prompt.expected_sbp,
        expected_dbp_mmhg=prompt.expected_dbp,
        aims_at=prompt.aims_at,
        fits=prompt.fits,
        snapshot_seq=prompt.snapshot_seq,
        by=by,
    )


def prompt_of(event: ReadingDue, anchor: datetime) -> Prompt:
    """The prompt that a journalled line was made from; its key comes with `keyed`.

    A line says everything but the rate of fall, which follows from the way to the first sound.
    """
    stand_by, cuff_up, first_sound, closes = (
        (moment - anchor).total_seconds()
        for moment in (event.stand_by, event.cuff_up, event.first_sound_due, event.window_closes)
    )
    expected, pump = event.expected_sbp_mmhg, event.inflate_to_mmhg
    phase: Phase = "rest" if event.aims_at == "rest" else "exercise"
    pumped_to = palpated_pump(expected) if pump is None else pump
    t1 = first_sound - cuff_up
    waited_s = (PALPATION_S if pump is None else 0.0) + (MARK_REACTION_S if event.aims_at == "mark" else 0.0)
    falling_s = t1 - pumped_to / PUMP_MMHG_PER_S - waited_s
    rate = FALL_MMHG_PER_S[phase]
    if falling_s > 1 and pumped_to > expected:
        rate = (pumped_to - expected) / falling_s
    # an older line without it: K is at most this
    dbp = event.listen_to_mmhg + LISTEN_BELOW_DBP_MMHG
    dbp = dbp if event.expected_dbp_mmhg is None else event.expected_dbp_mmhg
    last = max(dbp, event.listen_to_mmhg)  # K, or L where K is lower
    t2 = max(0.0, expected - last) / rate
    return Prompt(
        key="",
        stage_index=event.stage_index,
        aims_at=event.aims_at,
        fits=event.fits,
        stand_by=stand_by,
        cuff_up=cuff_up,
        first_sound_due=first_sound,
        window_closes=closes,
        inflate_to=pump,
        listen_to=event.listen_to_mmhg,
        expected_sbp=expected,
        expected_dbp=dbp,
        snapshot_seq=event.snapshot_seq,
        t1=t1,
        t2=t2,
        tail=(last - event.listen_to_mmhg) / rate + RELEASE_S,
        slack=SLACK_S + SLACK_SHARE * (t1 + t2),
        above_dial=pump is not None and above_dial(expected, phase),
    )


def keyed(issued: Iterable[Issued], stages: Sequence[StageInForce]) -> dict[int, Issued]:
    """The same prompts by due_seq, each with the key and arm that `plan_stage` gives it.

    A mark is known by the moment that was wanted, a resting reading by its number among those
    that stand, a repeat by the reading before it.
    """
    by_index = {stage.index: stage for stage in stages}
    at_rest: dict[int, int] = {}
    result: dict[int, Issued] = {}
    for one in issued:
        prompt, stage = one.prompt, by_index.get(one.prompt.stage_index)
        key, arm = f"{prompt.stage_index}:{prompt.aims_at}", prompt.arm
        if prompt.aims_at == "repeat":
            key = f"repeat:{one.after_seq}"
        elif prompt.aims_at == "rest":
            number = at_rest.get(prompt.stage_index, 0) + 1
            if one.state != "superseded":
                at_rest[prompt.stage_index] = number
            key, arm = f"{key}:{number}", None if stage is None else arm_of(stage.stage, number)
        elif prompt.aims_at == "mark" and stage is not None and stage.stage.reading_at_s:
            wanted_s = prompt.window_closes - MARK_S - stage.started_s
            marks = sorted(stage.stage.reading_at_s)
            nearest = min(range(len(marks)), key=lambda n: abs(marks[n] - wanted_s))
            key = f"{key}:{nearest + 1}"
        result[one.due_seq] = replace(one, prompt=replace(prompt, key=key, arm=arm))
    return result


def settled(issued: Iterable[Issued], stages: Sequence[StageInForce]) -> set[str]:
    """Keys that are not to be asked for again: answered or missed.

    A stage end that was missed is asked for again when the stage was extended after that.
    """
    keys: set[str] = set()
    force = stages[-1] if stages else None
    for one in issued:
        closes = one.prompt.window_closes
        extended = (
            force is not None
            and force.index == one.prompt.stage_index
            and one.prompt.aims_at == "stage_end"
            and force.planned_end_s is not None
            and force.planned_end_s > closes + MOVED_S
        )
        if one.state == "answered" or (one.state == "missed" and not extended):
            keys.add(one.prompt.key)
    return keys


def busy_until(issued: Iterable[Issued], now_s: float, snapshot: Snapshot) -> float:
    """When the cuff will be empty of what is in hand at `now_s`; -inf when nothing is.

    In hand is a prompt whose cuff is up and whose reading the snapshot does not know yet; also
    one that was superseded after that, because nobody lets go in mid-reading.
    """
    known = {reading.due_seq for reading in snapshot.readings}
    return max(
        (
            one.prompt.release_s
            for one in issued
            if one.prompt.fits != "no"
            and one.prompt.cuff_up <= now_s
            and one.due_seq not in known
            and one.state != "missed"
            and (one.until_s is None or one.until_s >= one.prompt.cuff_up)
        ),
        default=-math.inf,
    )


def left_at(prompt: Prompt, stages: Sequence[StageInForce]) -> float | None:
    """When the stage of a prompt ended; of a repeat, when the kind of load it needs ended."""
    own = next((n for n, stage in enumerate(stages) if stage.index == prompt.stage_index), None)
    if own is None:
        return None
    if prompt.aims_at != "repeat":
        return stages[own].ended_s
    kind = _kind(stages[own])
    later = (stage.started_s for stage in stages[own + 1 :] if _kind(stage) != kind)
    return next(later, stages[-1].ended_s)


def _kind(stage: StageInForce) -> str:
    return "loaded" if stage.stage.loaded else stage.stage.phase
