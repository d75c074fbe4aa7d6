"""A test with live prompts, followed by an assessor: real recorder and planner, no disk, no tables."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from riders import Heard, Rider, listen

from pipeline import events as ev
from pipeline.clock import ReplayClock
from pipeline.course import Course
from pipeline.cuff import full_release, lowest_sound
from pipeline.prompts import Planner
from pipeline.protocol import Protocol
from pipeline.recorder import Recorder
from pipeline.simulate.truth import Ridden
from pipeline.snapshot import Snapshot, SnapshotReading

ANCHOR = datetime(2026, 3, 14, 9, tzinfo=UTC)
PAUSE_S = 30.0
FALL_MMHG, LOWER_WATTS = 10.0, 20.0


class Entries:
    """In place of the deriver: a snapshot straight from the entries of a test without logs."""

    def __init__(self, protocol: Protocol) -> None:
        self._stages = protocol.stages
        self._dues: dict[int, ev.ReadingDue] = {}
        self._starts: list[tuple[float, int]] = []
        self._taken: list[SnapshotReading] = []

    def take(self, event: ev.Event) -> None:
        """One recorded event."""
        if isinstance(event, ev.ReadingDue):
            self._dues[event.seq or 0] = event
        elif isinstance(event, ev.StageStarted):
            self._starts.append((elapsed(event.event_time), event.stage_index))
        elif isinstance(event, ev.ReadingTaken):
            self._taken.append(self._known(event))

    def _known(self, event: ev.ReadingTaken) -> SnapshotReading:
        measured_s, due = elapsed(event.event_time), self._dues.get(event.due_seq or -1)
        index = max(i for start_s, i in self._starts if start_s < measured_s)
        if due is not None:
            ends = [start_s for start_s, i in self._starts if i == due.stage_index + 1]
            begins = next(start_s for start_s, i in self._starts if i == due.stage_index)
            if begins < measured_s <= (ends[0] if ends else math.inf) + 10:
                index = due.stage_index
        phase = self._stages[index].phase
        k1, k5 = event.k1_mmhg or 0.0, event.k5_mmhg
        lowest = lowest_sound(k5=k5, heard_to=None, k4=None)
        rate = {"rest": 3.0}.get(phase, 2.5)
        measured = None
        if event.last_sound_at is not None and elapsed(event.last_sound_at) > measured_s and k1 > lowest:
            rate = measured = (k1 - lowest) / (elapsed(event.last_sound_at) - measured_s)
        listen_to = due.listen_to_mmhg if due else {"rest": 30.0}.get(phase, 40.0)
        twice = any(r.due_seq == event.due_seq for r in self._taken) and event.due_seq is not None
        return SnapshotReading(
            seq=event.seq or 0,
            measured_s=measured_s,
            release_s=full_release(measured_s, k1, lowest, listen_to, rate),
            phase=phase,
            stage_index=index,
            due_seq=event.due_seq,
            k1=event.k1_mmhg,
            k5=k5,
            dbp=k5,
            lowest=lowest,
            used=not twice and k1 > lowest,
            observer=event.observer,
            arm=event.arm,
            inflated_to=event.inflated_to_mmhg,
            measured_rate=measured,
            clarity=event.clarity,
        )

    def snapshot(self, as_of: datetime, seq: int) -> Snapshot:
        """What the planner may know now."""
        readings = tuple(sorted(self._taken, key=lambda r: (r.measured_s, r.seq)))
        rest = [r.k1 for r in readings if r.phase == "rest" and r.used and r.k1 is not None]
        return Snapshot(
            seq, readings, math.fsum(rest) / len(rest) if rest else None, self._to_repeat(readings)
        )

    def _to_repeat(self, readings: Sequence[SnapshotReading]) -> int | None:
        loaded = [r for r in readings if r.used and r.phase == "exercise"]
        fell = []
        for n, now in enumerate(loaded):
            earlier = [r.k1 or 0.0 for r in loaded[:n] if self._load(r) <= self._load(now) - LOWER_WATTS + 1]
            fell.append(bool(earlier) and max(earlier) - (now.k1 or 0.0) >= FALL_MMHG)
        if not fell or not fell[-1] or (len(fell) > 1 and fell[-2]):
            return None
        return loaded[-1].seq

    def _load(self, reading: SnapshotReading) -> float:
        return self._stages[reading.stage_index or 0].target_watts or 0.0


class Lines:
    """In place of the journal: lines kept in memory."""

    def __init__(self) -> None:
        self.next_seq, self.counts = 0, Counter[str]()
        self.events: list[ev.Event] = []

    def append(self, events: Iterable[ev.Event]) -> None:
        """Keep whole lines."""
        self.events += events

    def sync(self) -> None:
        """Nothing to make last."""


def elapsed(moment: datetime) -> float:
    """Seconds since the test began."""
    return (moment - ANCHOR).total_seconds()


def moment(at_s: float) -> datetime:
    """A moment as the recorder wants it."""
    return ANCHOR + timedelta(seconds=at_s)


@dataclass
class PromptedTest:
    """A test with live prompts: what was asked for and what came."""

    rider: Rider
    lines: Lines
    heard: dict[int, Heard] = field(default_factory=dict)

    @property
    def dues(self) -> dict[int, ev.ReadingDue]:
        """The prompts by line, without the superseded ones (those without room stay)."""
        gone = {e.due_seq for e in self.lines.events if isinstance(e, ev.PromptSuperseded)}
        return {
            e.seq or 0: e
            for e in self.lines.events
            if isinstance(e, ev.ReadingDue) and (e.fits == "no" or e.seq not in gone or e.seq in self.heard)
        }


def measure(rider: Rider, deriver: Any = None) -> PromptedTest:
    """The whole test second by second: stages by schedule, prompts followed, entries typed."""
    lines, clock = Lines(), ReplayClock(ANCHOR)
    planner = Planner(ANCHOR, "live", age_years=rider.age_years)
    course = Course(rider.protocol, ANCHOR)
    recorder = Recorder(lines, clock, deriver or Entries(rider.protocol), planner, course)  # type: ignore[arg-type]
    prompted = PromptedTest(rider, lines)
    opened = ev.TestOpened(
        event_time=ANCHOR, source="invented", mode="live", anchor=ANCHOR, study="bench",
        test_id=f"T{rider.number}", participant="P-01", age_years=rider.age_years, protocol=rider.protocol,
        rules_digest="0" * 16, software="invented",
    )  # fmt: skip
    recorder.take(opened)
    shown: dict[int, ev.ReadingDue] = {}
    seen = 0
    in_hand: tuple[float, ev.ReadingTaken] | None = None
    starts = list(rider.ridden)
    for now in range(int(rider.ridden[-1].ended_s) + 1):
        recorder.advance(float(now))
        while starts and starts[0].started_s <= now:
            recorder.take(started(starts.pop(0), float(now)))
        if in_hand is not None and in_hand[0] <= now:
            recorder.take(in_hand[1])
            in_hand = None
        recorder.flush()
        for event in lines.events[seen:]:
            if isinstance(event, ev.ReadingDue) and event.fits != "no":
                shown[event.seq or 0] = event
            elif isinstance(event, ev.PromptSuperseded | ev.ReadingMissed | ev.ReadingTaken):
                shown.pop(event.due_seq or -1, None)
        seen = len(lines.events)
        ready = sorted((elapsed(due.cuff_up), seq) for seq, due in shown.items())
        if in_hand is None and ready and ready[0][0] <= now:
            due = shown.pop(ready[0][1])
            if now > elapsed(due.window_closes):
                continue  # nobody pumps for what has passed
            heard = follow(rider, due, now)
            prompted.heard[ready[0][1]] = heard
            draws = rider.draws(name_of(rider, due), rider.protocol.stages[due.stage_index].phase)
            in_hand = (heard.release_s + draws.typing_s, entry(rider, heard))
    recorder.close(moment(rider.ridden[-1].ended_s), "completed", "protocol_complete")
    return prompted


def name_of(rider: Rider, due: ev.ReadingDue) -> str:
    """What a reading is called for its draws: a stage has one reading at its end, whatever prompts it."""
    if due.aims_at == "stage_end":
        return f"stage {due.stage_index}"
    return f"{due.stage_index} {due.aims_at} {round(elapsed(due.window_closes))}"


def follow(rider: Rider, due: ev.ReadingDue, now_s: float) -> Heard:
    """The reading of an assessor who reacts to this prompt, and is free for it from `now_s` on."""
    draws = rider.draws(name_of(rider, due), rider.protocol.stages[due.stage_index].phase)
    pump_s = max(elapsed(due.cuff_up) + draws.reaction_s, now_s)
    return listen(rider.truth, draws, pump_s, due.inflate_to_mmhg, due.listen_to_mmhg)


def entry(rider: Rider, heard: Heard) -> ev.ReadingTaken:
    """What is typed of it."""
    return ev.ReadingTaken(
        event_time=moment(heard.first_s),
        source="invented",
        measured_source="marked" if rider.marks else "estimated",
        k1_mmhg=heard.k1,
        k5_mmhg=heard.k5,
        last_sound_at=moment(heard.last_s) if rider.marks else None,
        inflated_to_mmhg=heard.inflated_to,
        arm="left",
        clarity="clear",
        observer="O-1",
        role="primary",
    )


def started(part: Ridden, now_s: float) -> ev.StageStarted:
    """The event of a stage that begins by schedule."""
    stage = part.stage
    return ev.StageStarted(
        event_time=moment(now_s), source="schedule", stage_index=part.stage_index, label=stage.label,
        phase=stage.phase, position=stage.position, target_watts=stage.target_watts,
        planned_s=stage.planned_s, by="schedule",
    )  # fmt: skip


def fixed(prompted: PromptedTest, lead_s: float) -> dict[int, Heard]:
    """By stage, the readings of the same test with a prompt `lead_s` before each stage end."""
    rider, free_s = prompted.rider, 0.0
    pumps = {due.stage_index: due for due in prompted.dues.values() if due.aims_at == "stage_end"}
    heard: dict[int, Heard] = {}
    for part in rider.ridden:
        due = pumps.get(part.stage_index)
        if due is None:
            continue
        draws = rider.draws(name_of(rider, due), "exercise")
        pump_s = max(part.ended_s - lead_s + draws.reaction_s, free_s)
        heard[part.stage_index] = listen(rider.truth, draws, pump_s, due.inflate_to_mmhg, due.listen_to_mmhg)
        free_s = heard[part.stage_index].release_s + PAUSE_S
    return heard
