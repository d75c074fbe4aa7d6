"""An invented ride: the stages as they went and the readings taken in them."""

from __future__ import annotations

from dataclasses import replace
from math import ceil, inf
from random import Random
from statistics import fmean

from pipeline.cuff import GAP_S
from pipeline.errors import UsageError
from pipeline.events import EndReason
from pipeline.plan import plan_stage
from pipeline.prompt import StageInForce
from pipeline.protocol import Protocol
from pipeline.simulate.auscultation import Reading, fell, take
from pipeline.simulate.choices import Choices
from pipeline.simulate.truth import SOUNDS_RETURN_S, Body, Participant, Ridden, Truth, loads, make_truth
from pipeline.snapshot import Snapshot

RIDES_ON_SHARE = (0.3, 0.8)
"""The share of the stage above the capacity that is ridden before exhaustion."""
STOPS_AFTER_S = 15.0
SETTLES_S = 10.0


class Ride:
    """The stages as ridden and the readings taken in them.

    Readings depend on the course of pressure and, where a fall stops the test or a resting
    stage waits, the stages depend on the readings: run again with the same draws until both fit.
    """

    def __init__(
        self, number: int | str, chosen: Choices, participant: Participant, body: Body, protocol: Protocol
    ) -> None:
        self.number, self.chosen, self.participant = number, chosen, participant
        self.body, self.protocol = body, protocol
        self.ridden: list[Ridden] = []
        self.readings: list[Reading] = []
        self.end_reason: EndReason = "protocol_complete"
        self._waits_s: dict[int, float] = {}
        self._stops_s = inf
        self._confirmed_s: float | None = None
        self._most_watts, self._tired = _most_watts(chosen, body)

    def run(self) -> None:
        """Ride, and ride again with the same draws, until nothing changes any more."""
        for _ in range(2 * len(self.protocol.stages)):
            self._ride()
            self.truth = self._make_truth()
            self._read()
            if not (self._rest_waited() or self._fall_stopped()):
                return

    def _ride(self) -> None:
        self.ridden, self.end_reason = [], "protocol_complete"
        now_s, over = 0.0, False
        for index, stage in enumerate(self.protocol.stages):
            if over and stage.loaded:
                continue
            length_s = (stage.planned_s or 300.0) + self._waits_s.get(index, 0.0)
            if stage.loaded:
                tired_s = self._tired_after(index)
                if tired_s < length_s:
                    length_s, over, self.end_reason = tired_s, True, self._tired
                if self._stops_s < now_s + length_s:
                    length_s, over, self.end_reason = self._stops_s - now_s, True, "sbp_fall"
            self.ridden.append(Ridden(index, stage, now_s, now_s + length_s))
            now_s += length_s

    def _tired_after(self, index: int) -> float:
        """Seconds into the stage at which the ride ends at `_most_watts`; infinite where it goes on."""
        stage = self.protocol.stages[index]
        load, load_per_s = loads(stage)
        above = load - self._most_watts
        if above == -inf:
            return inf
        if load_per_s > 0 and above <= 0:
            return float(ceil(-above / load_per_s))
        if above <= 0:
            return inf
        share = Random(f"{self.number} exhaustion").uniform(*RIDES_ON_SHARE)
        return float(ceil((stage.planned_s or 300.0) * share))

    def _make_truth(self) -> Truth:
        exercise = [part for part in self.ridden if part.stage.phase == "exercise"]
        stage_number = self.chosen.fall_stage
        fall_index = None
        if stage_number is not None:
            planned = [n for n, stage in enumerate(self.protocol.stages) if stage.phase == "exercise"]
            if stage_number > len(planned):
                raise UsageError(
                    f"fall_stage {stage_number}: the protocol has {len(planned)} exercise stages"
                )
            fall_index = planned[stage_number - 1]
        fall = self.chosen.fall_mmhg
        truth = make_truth(self.body, self.ridden, fall_mmhg=fall, fall_stage_index=fall_index)
        first = self.chosen.sounds_from_stage
        if self.chosen.sounds_to_mmhg is None or first > len(exercise):
            return truth
        return replace(
            truth,
            sounds_to_mmhg=self.chosen.sounds_to_mmhg,
            low_from_s=exercise[first - 1].started_s,
            low_until_s=exercise[-1].ended_s + SOUNDS_RETURN_S,
        )

    def _read(self) -> None:
        self.readings, self._confirmed_s = [], None
        snapshot = Snapshot.empty
        forces: list[StageInForce] = []
        fell_before = False
        for part in self.ridden:
            forces = [replace(force, ended_s=force.ended_s or part.started_s) for force in forces]
            end_s = part.planned_end_s + self._waits_s.get(part.stage_index, 0.0)
            forces.append(StageInForce(part.stage_index, part.stage, part.started_s, end_s))
            settled: set[str] = set()
            now_s = part.started_s
            while True:
                coming = plan_stage(
                    forces, snapshot, now_s=now_s, settled=settled, age_years=self.participant.age_years
                )
                fitting = [prompt for prompt in coming if prompt.fits != "no"]
                rests = part.stage.phase == "rest"
                if not fitting or (fitting[0].cuff_up >= part.ended_s and not rests):
                    break
                prompt = fitting[0]
                settled.add(prompt.key)
                free_s = max((r.release_s for r in snapshot.readings), default=-inf) + GAP_S[part.stage.phase]
                random = Random(f"{self.number} reading {prompt.key}")
                reading = take(prompt, part, self.truth, self.chosen, random, free_s)
                self.readings.append(reading)
                if not reading.attempted:
                    now_s = max(now_s, prompt.first_sound_due)
                    continue
                now_s = max(now_s, reading.release_s)
                snapshot = self._known(snapshot, reading, part)
                falls = fell(snapshot.readings)
                if falls and fell_before and self._confirmed_s is None:
                    self._confirmed_s = reading.release_s
                repeats = falls and not fell_before and self.chosen.repeats_falls
                snapshot = replace(snapshot, repeat_after=snapshot.seq if repeats else None)
                fell_before = falls

    def _known(self, snapshot: Snapshot, reading: Reading, part: Ridden) -> Snapshot:
        seq = snapshot.seq + 1
        readings = (*snapshot.readings, reading.known(seq, part, self.truth, self.chosen))
        at_rest = [r.k1 for r in readings if r.phase == "rest" and r.used and r.k1 is not None]
        return replace(snapshot, seq=seq, readings=readings, sbp_rest=fmean(at_rest) if at_rest else None)

    def _rest_waited(self) -> bool:
        """Whether a resting stage was too short for its last reading, and now is not."""
        waited = False
        for part in self.ridden:
            if part.stage.phase != "rest":
                continue
            in_it = [r.release_s for r in self.readings if r.prompt.stage_index == part.stage_index]
            short_s = max(in_it, default=0.0) + SETTLES_S - part.ended_s
            if short_s > 0:
                self._waits_s[part.stage_index] = self._waits_s.get(part.stage_index, 0.0) + ceil(short_s)
                waited = True
        return waited

    def _fall_stopped(self) -> bool:
        """Whether a confirmed fall now ends the ride."""
        if not self.chosen.stops_after_fall or self._confirmed_s is None or self._stops_s < inf:
            return False
        self._stops_s = float(ceil(self._confirmed_s + STOPS_AFTER_S))
        return self._stops_s < max(part.ended_s for part in self.ridden if part.stage.loaded)


def _most_watts(chosen: Choices, body: Body) -> tuple[float, EndReason]:
    """The load in W above which the ride ends, and why: the capacity, or the limit of systolic pressure."""
    tired = body.watts_capacity if chosen.exhausts else inf
    if chosen.sbp_limit_mmhg is None or body.slope_mmhg_per_w <= 0:
        return tired, "exhaustion"
    limit = (chosen.sbp_limit_mmhg - body.sbp_rest_mmhg) / body.slope_mmhg_per_w
    return (limit, "sbp_limit") if limit < tired else (tired, "exhaustion")
