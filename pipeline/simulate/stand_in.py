"""A stand-in for the deriver while an invented test is recorded: the same snapshots, without tables.

The tables of a test cost half a second, which a thousand invented tests do not have.  Nothing is
published from here: the planner alone asks it, and a test holds its journals against those of
the deriver, byte for byte.  It knows what invented tests hold and no more: one source of load
without gaps, primary readings with a stated time, rate and last sound, nothing amended.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from datetime import datetime
from statistics import fmean

from pipeline.events import Event, ReadingDue, ReadingMissed, ReadingTaken, Sample, StageStarted, TestOpened
from pipeline.rule import Rule
from pipeline.rules import Rules
from pipeline.snapshot import Snapshot, SnapshotReading

DUE_STAGE_S = 10.0
"""A reading that answers a prompt belongs to the prompt's stage up to this long after its end."""


@dataclass(frozen=True)
class _Stage:
    started: StageStarted
    started_s: float
    first: bool

    @property
    def loaded(self) -> bool:
        return self.started.phase in ("warmup", "exercise")

    def holds(self, measured_s: float) -> bool:
        """Whether it had begun: the first stage includes its start."""
        return measured_s >= self.started_s if self.first else measured_s > self.started_s


class StandIn:
    """Events in, snapshots out, for one invented test."""

    def __init__(self, rules: Rules) -> None:
        self._settings = rules.settings
        self._falls: Rule | None = next((rule for rule in rules.rules if rule.code == "systolic_fall"), None)
        self._stages: list[_Stage] = []
        self._due: dict[int, ReadingDue] = {}
        self._entries: list[ReadingTaken | ReadingMissed] = []
        self._times_s: list[float] = []
        self._watts: list[float] = []

    def take(self, event: Event) -> None:
        """One recorded event."""
        if isinstance(event, Sample):
            if event.watts is not None:
                self._times_s.append(event.elapsed_s or 0.0)
                self._watts.append(event.watts)
        elif isinstance(event, TestOpened):
            self._opened = event
        elif isinstance(event, StageStarted):
            self._stages.append(_Stage(event, self._elapsed(event.event_time), not self._stages))
        elif isinstance(event, ReadingDue):
            self._due[event.seq or 0] = event
        elif isinstance(event, ReadingTaken) or (isinstance(event, ReadingMissed) and event.attempted):
            self._entries.append(event)

    def snapshot(self, as_of: datetime, seq: int) -> Snapshot:
        """What the planner may know at `as_of`, when `seq` was the last event."""
        answered: set[int] = set()
        readings = []
        for entry in self._entries:
            stage = self._stage_of(entry, as_of)
            if stage is None:
                continue
            if isinstance(entry, ReadingMissed):
                readings.append(self._missed(entry, stage))
                continue
            readings.append(self._taken(entry, stage, as_of, twice=entry.due_seq in answered))
            if entry.due_seq is not None:
                answered.add(entry.due_seq)
        readings.sort(key=lambda reading: (reading.measured_s, reading.seq))
        return Snapshot(
            seq=seq,
            readings=tuple(readings),
            sbp_rest=self._sbp_rest(readings),
            repeat_after=self._to_repeat(readings),
        )

    def heart_rate_bpm(self, as_of: datetime) -> float | None:
        """None: an invented observer states the rate per second."""
        return None

    def close(self) -> None:
        """Nothing is held."""

    def _elapsed(self, moment: datetime) -> float:
        return (moment - self._opened.anchor).total_seconds()

    def _ended_s(self, stage: _Stage, as_of: datetime) -> float:
        later = self._stages[self._stages.index(stage) + 1 :]
        return later[0].started_s if later else self._elapsed(as_of)

    def _stage_of(self, entry: ReadingTaken | ReadingMissed, as_of: datetime) -> _Stage | None:
        measured_s = self._elapsed(entry.event_time)
        missed_in = entry.stage_index if isinstance(entry, ReadingMissed) else None
        due = self._due.get(entry.due_seq) if entry.due_seq is not None else None
        for stage in self._stages:
            if missed_in == stage.started.stage_index:
                return stage
            if due is not None and due.stage_index == stage.started.stage_index:
                ended_s = self._ended_s(stage, as_of)
                if stage.holds(measured_s) and measured_s <= ended_s + DUE_STAGE_S:
                    return stage
        begun = [stage for stage in self._stages if stage.holds(measured_s)]
        return begun[-1] if begun and measured_s <= self._ended_s(begun[-1], as_of) else None

    def _missed(self, entry: ReadingMissed, stage: _Stage) -> SnapshotReading:
        at_s = self._elapsed(entry.event_time)
        return SnapshotReading(
            seq=entry.seq or 0,
            measured_s=at_s,
            release_s=at_s,
            phase=stage.started.phase,
            stage_index=stage.started.stage_index,
            due_seq=entry.due_seq,
        )

    def _taken(self, entry: ReadingTaken, stage: _Stage, as_of: datetime, *, twice: bool) -> SnapshotReading:
        settings, phase = self._settings, stage.started.phase
        measured_s, k1, lowest = self._elapsed(entry.event_time), entry.k1_mmhg or 0.0, entry.k5_mmhg or 0.0
        due = self._due.get(entry.due_seq) if entry.due_seq is not None else None
        listen_to = settings.listen_to_rest_mmhg if phase == "rest" else settings.listen_to_other_mmhg
        listen_to = listen_to if due is None else due.listen_to_mmhg
        rate = entry.deflation_mmhg_per_s or settings.deflation_mmhg_per_s
        falls_s = max(k1 - min(listen_to, lowest), 0.0) / rate + settings.release_s
        dbp = entry.k5_mmhg if lowest >= settings.k5_floor_mmhg else entry.k4_mmhg
        at_least = bool(entry.k1_at_least)
        return SnapshotReading(
            seq=entry.seq or 0,
            measured_s=measured_s,
            release_s=round(measured_s + falls_s, 6),
            phase=phase,
            stage_index=stage.started.stage_index,
            due_seq=entry.due_seq,
            k1=entry.k1_mmhg,
            k1_at_least=at_least,
            k4=entry.k4_mmhg,
            k5=entry.k5_mmhg,
            dbp=dbp,
            lowest=lowest,
            watts=self._load(measured_s, stage, as_of),
            used=not (at_least or entry.clarity == "doubtful" or twice or (dbp is not None and k1 <= dbp)),
            observer=entry.observer,
            arm=entry.arm,
            inflated_to=entry.inflated_to_mmhg,
            clarity=entry.clarity,
        )

    def _load(self, measured_s: float, stage: _Stage, as_of: datetime) -> float | None:
        """Mean load in W of the 30 s up to the first sound, cut to the stage."""
        opens_s = measured_s - self._settings.load_window_s
        closes_s = min(measured_s, self._ended_s(stage, as_of))
        start = bisect_right(self._times_s, max(opens_s, stage.started_s))
        if stage.first and opens_s < stage.started_s:
            start = 0
        in_window = self._watts[start : bisect_right(self._times_s, closes_s)]
        return fmean(in_window) if in_window else None

    def _sbp_rest(self, readings: list[SnapshotReading]) -> float | None:
        """Mean k1 of the last resting stage before load in the posture of exercise that has a used one."""
        load_s = next((stage.started_s for stage in self._stages if stage.loaded), None)
        resting: dict[int | None, list[float]] = {}
        for reading in readings:
            if reading.used and reading.phase == "rest" and reading.k1 is not None:
                resting.setdefault(reading.stage_index, []).append(reading.k1)
        posture = self._opened.ergometer_posture
        second = posture if posture in ("supine", "semi_recumbent") else "seated"
        order = {"ergometer": 1, second: 2}
        stages = [
            (order.get(stage.started.position, 3), -stage.started_s, stage.started.stage_index)
            for stage in self._stages
            if stage.started.stage_index in resting and (load_s is None or stage.started_s < load_s)
        ]
        return fmean(resting[min(stages)[2]]) if stages else None

    def _to_repeat(self, readings: list[SnapshotReading]) -> int | None:
        """The last loaded reading, if it is a systolic fall that no reading has confirmed yet."""
        used = [r for r in readings if r.used and r.phase in ("warmup", "exercise")]
        fell = [self._fell(used, n) for n in range(max(0, len(used) - 2), len(used))]
        return used[-1].seq if fell and fell[-1] and not (len(fell) > 1 and fell[0]) else None

    def _fell(self, used: list[SnapshotReading], n: int) -> bool:
        """Whether the n-th used loaded reading lies below an earlier one at a lower load, by the rule."""
        now, settings = used[n], self._settings
        lower = (now.watts or 0.0) - settings.fall_watts + settings.load_noise_watts
        earlier = [
            r.k1 or 0.0
            for r in used[:n]
            if r.measured_s < now.measured_s
            and r.arm == now.arm
            and (r.watts or 0.0) <= lower
            and (r.measured_s >= now.measured_s - settings.fall_intermittent_s or self._load_kept(r, now))
        ]
        if not earlier or self._falls is None:
            return False
        fall, threshold = max(earlier) - (now.k1 or 0.0), self._falls.threshold
        return fall > threshold if self._falls.operator == ">" else fall >= threshold

    def _load_kept(self, earlier: SnapshotReading, now: SnapshotReading) -> bool:
        between = range((earlier.stage_index or 0) + 1, now.stage_index or 0)
        return all(stage.loaded for stage in self._stages if stage.started.stage_index in between)
