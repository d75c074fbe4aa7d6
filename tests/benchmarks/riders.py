"""Invented riders and how a reading of them goes, for the benchmark of the prompts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from random import Random

from pipeline.cuff import PALPATION_ABOVE_MMHG, PUMP_MMHG_PER_S, RELEASE_S
from pipeline.protocol import Phase, Protocol, Stage
from pipeline.simulate.truth import (
    SBP_LAG_S,
    SBP_RANGE_MMHG,
    Course,
    Ridden,
    Truth,
    draw_body,
    draw_participant,
    make_truth,
)

STEP_WATTS = 25.0
REST_S, RECOVERY_S = 840.0, 390.0
MARKS_S = (60.0, 180.0, 300.0)
REACTION_S = (3.0, 20.0)
FALL_MMHG_PER_S = (2.0, 4.0)
FALL_SD = 0.15
TYPING_S = (4.0, 15.0)
PALPATION_S = (50.0, 65.0)
RECOVERY_LAG_S = (60.0, 180.0)
READING_SD = {"rest": 3.5, "warmup": 5.0, "exercise": 5.0, "recovery": 5.0}


@dataclass(frozen=True)
class Draws:
    """What chance does to one reading; the same for the live and the fixed prompts."""

    reaction_s: float
    rate: float
    off_mmhg: float
    low_off_mmhg: float
    beat_phase: float
    typing_s: float
    palpation_s: float


@dataclass(frozen=True)
class Heard:
    """One reading as it went; seconds since the test began."""

    pump_s: float
    inflated_to: float
    first_s: float
    last_s: float
    release_s: float
    k1: float
    k5: float


@dataclass(frozen=True)
class Rider:
    """One invented test before anybody measures."""

    number: int
    protocol: Protocol
    ridden: tuple[Ridden, ...]
    truth: Truth
    age_years: float
    rate: float
    marks: bool

    def draws(self, name: str, phase: Phase) -> Draws:
        """What chance does to the reading of this name."""
        random = Random(f"{self.number} {name}")
        return Draws(
            reaction_s=random.uniform(*REACTION_S),
            rate=max(1.0, random.gauss(self.rate, FALL_SD)),
            off_mmhg=random.gauss(0, READING_SD[phase]),
            low_off_mmhg=random.gauss(0, READING_SD[phase]),
            beat_phase=random.random(),
            typing_s=random.uniform(*TYPING_S),
            palpation_s=random.uniform(*PALPATION_S),
        )


def make_rider(number: int, minutes: float) -> Rider:
    """The test of this number; half of the assessors mark the sounds."""
    random = Random(f"{number} rider")
    participant = draw_participant(random, f"P-{number}", None)
    body = draw_body(random, participant)
    top = min(body.watts_capacity, (SBP_RANGE_MMHG[1] - body.sbp_rest_mmhg) / body.slope_mmhg_per_w)
    loads = [STEP_WATTS * (n + 1) for n in range(max(3, int(top // STEP_WATTS)))]
    stages = [
        Stage(label="rest", phase="rest", position="seated", planned_s=REST_S, reading="timed"),
        *(
            Stage(label=f"{load:g} W", phase="exercise", position="ergometer", planned_s=minutes * 60,
                  target_watts=load)
            for load in loads
        ),
        Stage(label="recovery", phase="recovery", position="ergometer", planned_s=RECOVERY_S,
              reading="marks", reading_at_s=MARKS_S),
    ]  # fmt: skip
    ridden, now_s = [], 0.0
    for index, stage in enumerate(stages):
        ridden.append(Ridden(index, stage, now_s, now_s + (stage.planned_s or 0.0)))
        now_s = ridden[-1].ended_s
    return Rider(
        number,
        Protocol(name="bench", stages=tuple(stages)),
        tuple(ridden),
        with_recovery(make_truth(body, ridden), ridden, random.uniform(*RECOVERY_LAG_S)),
        participant.age_years,
        rate=random.uniform(*FALL_MMHG_PER_S),
        marks=number % 2 == 0,
    )


def with_recovery(truth: Truth, ridden: Sequence[Ridden], lag_s: float) -> Truth:
    """The same with a systolic that goes back to rest with this lag; in the simulator all have the same."""
    body, targets = truth.body, []
    for part in ridden:
        target = body.sbp_rest_mmhg + body.slope_mmhg_per_w * (part.stage.target_watts or 0.0)
        targets.append((part.started_s, target, 0.0, lag_s if part.stage.phase == "recovery" else SBP_LAG_S))
    return replace(truth, sbp=Course(body.sbp_rest_mmhg, targets))


def listen(truth: Truth, draws: Draws, pump_s: float, inflate_to: float | None, listen_to: float) -> Heard:
    """One reading that begins with pumping at `pump_s`; without a pressure the pulse is felt first."""
    top_s = pump_s
    if inflate_to is None:
        top_s += draws.palpation_s
        palpated = truth.sbp.at(top_s) + draws.off_mmhg
        inflate_to = math.ceil((palpated + PALPATION_ABOVE_MMHG) / 10) * 10.0
    top_s += inflate_to / PUMP_MMHG_PER_S
    while truth.sbp.at(top_s) + draws.off_mmhg >= inflate_to:
        inflate_to += 30.0
        top_s += 1.0 + 30.0 / PUMP_MMHG_PER_S  # a second of listening before
    beat_s = 60 / truth.heart_rate.at(top_s)

    def cuff(at_s: float) -> float:
        return inflate_to - draws.rate * (at_s - top_s)

    first_s = top_s + draws.beat_phase * beat_s
    while cuff(first_s) > truth.sbp.at(first_s) + draws.off_mmhg:
        first_s += beat_s
    last_s = first_s
    while cuff(last_s + beat_s) >= truth.k5(last_s + beat_s) + draws.low_off_mmhg:
        last_s += beat_s
    k1, k5 = (2.0 * math.floor(cuff(at_s) / 2 + 0.5) for at_s in (first_s, last_s))
    release_s = top_s + (inflate_to - min(listen_to, cuff(last_s))) / draws.rate + RELEASE_S
    return Heard(pump_s, inflate_to, first_s, last_s, release_s, k1, k5)
