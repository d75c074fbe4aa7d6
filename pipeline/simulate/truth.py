"""The true pressures, heart rate and load of an invented participant at every moment of a test.

Loads in W, pressures in mmHg, heart rates in beats/min, times in seconds since the test began.
Everything follows its target with a first-order lag; the solution is exact, no step size.
Sources: slopes of systolic on load from Hedman et al. 2021 (3,839 healthy people, cycle); the
rest is our choice, within what adults show: heart rate 60-190, load 0-400 W, systolic 100-240.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from random import Random
from typing import Literal

from pipeline.errors import UsageError
from pipeline.protocol import Stage

SLOPE_MMHG_PER_W = {"male": (0.41, 0.15), "female": (0.52, 0.21)}
"""Mean and standard deviation of the rise of systolic with load, Hedman et al. 2021."""
SLOPE_LEAST_MMHG_PER_W = 0.25
SBP_RANGE_MMHG = (112.0, 226.0)
"""Of the true pressure; what an observer writes down stays within 95 to 240."""
HR_RANGE_BPM = (62.0, 188.0)
WATTS_MOST = 390.0

LOAD_LAG_S = 1.5
SBP_LAG_S = 25.0
HR_LAG_S = 35.0
SBP_RECOVERY_LAG_S = 90.0
HR_RECOVERY_LAG_S = 60.0
SBP_RECOVERY_ABOVE_REST = 6.0
HR_RECOVERY_ABOVE_REST = 15.0
SOUNDS_RETURN_S = 120.0
"""Sounds that went on to zero under load end at a pressure again this long after it."""
BLADDERS_CM = (20.0, 23.0, 26.0, 30.0, 36.0)


@dataclass(frozen=True)
class Participant:
    """Facts of an invented participant; the cuff's bladder covers 80 to 100 % of the arm."""

    code: str
    age_years: float
    sex: Literal["female", "male"]
    height_cm: float
    mass_kg: float
    arm_circumference_cm: float

    @property
    def bladder_length_cm(self) -> float:
        """The longest bladder that does not overlap itself."""
        return max(length for length in BLADDERS_CM if length <= self.arm_circumference_cm)

    @property
    def bladder_width_cm(self) -> float:
        """Half the length, which is over 40 % of the arm."""
        return self.bladder_length_cm / 2


@dataclass(frozen=True)
class Body:
    """How this participant answers to load.

    `diastolic_mmhg_per_w` moves the diastolic; `muffling_mmhg` is how far K4 lies above K5
    while sounds end at a pressure.
    """

    sbp_rest_mmhg: float
    dbp_rest_mmhg: float
    slope_mmhg_per_w: float
    diastolic_mmhg_per_w: float
    muffling_mmhg: float
    hr_rest_bpm: float
    hr_max_bpm: float
    watts_capacity: float


@dataclass(frozen=True)
class Ridden:
    """A stage as it was ridden; `ended_s` is before its planned end where the test stopped in it."""

    stage_index: int
    stage: Stage
    started_s: float
    ended_s: float

    @property
    def planned_end_s(self) -> float:
        """When the stage would have ended by the protocol."""
        planned_s = self.stage.planned_s
        return self.ended_s if planned_s is None else self.started_s + planned_s


@dataclass(frozen=True)
class Piece:
    """From `start_s` on the value, then `value`, follows target + target_per_s * t with `lag_s`."""

    start_s: float
    value: float
    target: float
    target_per_s: float
    lag_s: float

    def at(self, time_s: float) -> float:
        """The value at `time_s`: what a first-order lag makes of a straight target."""
        t = time_s - self.start_s
        behind = self.target - self.target_per_s * self.lag_s
        return behind + self.target_per_s * t + (self.value - behind) * math.exp(-t / self.lag_s)


class Course:
    """A value over time, made of pieces that join without a step."""

    def __init__(self, first: float, targets: Iterable[tuple[float, float, float, float]]) -> None:
        """`targets`: start in s, target, change of the target per s, lag in s; in order of start."""
        pieces: list[Piece] = []
        for start_s, target, per_s, lag_s in targets:
            value = pieces[-1].at(start_s) if pieces else first
            pieces.append(Piece(start_s, value, target, per_s, lag_s))
        self._pieces = tuple(pieces)
        self._starts = tuple(piece.start_s for piece in pieces)

    def at(self, time_s: float) -> float:
        """The value `time_s` after the test began."""
        return self._pieces[max(0, bisect_right(self._starts, time_s) - 1)].at(time_s)


@dataclass(frozen=True)
class Truth:
    """What was really there; `sounds_to_mmhg` is where sounds end between `low_from_s` and `low_until_s`."""

    body: Body
    watts: Course
    sbp: Course
    dbp: Course
    heart_rate: Course
    sounds_to_mmhg: float = 0.0
    low_from_s: float = math.inf
    low_until_s: float = math.inf

    def sounds_low(self, time_s: float) -> bool:
        """Whether sounds go on below the diastolic, which is then where they muffle (K4)."""
        return self.low_from_s <= time_s < self.low_until_s

    def k4(self, time_s: float) -> float:
        """The pressure in mmHg at which sounds muffle."""
        above = 0.0 if self.sounds_low(time_s) else self.body.muffling_mmhg
        return self.dbp.at(time_s) + above

    def k5(self, time_s: float) -> float:
        """The pressure in mmHg of the last sound."""
        return self.sounds_to_mmhg if self.sounds_low(time_s) else self.dbp.at(time_s)


def draw_participant(random: Random, code: str, sex: Literal["female", "male"] | None) -> Participant:
    """An adult of 20 to 65 years."""
    drawn: Literal["female", "male"] = "female" if random.random() < 0.5 else "male"
    sex = sex or drawn
    age = float(random.randint(20, 65))
    height_cm = random.gauss(178, 7) if sex == "male" else random.gauss(166, 6)
    bmi = clipped(random.gauss(24.5, 2.5), 19, 33)
    arm_cm = clipped(21.5 + 0.33 * bmi + random.gauss(0, 1.2), 21, 44)
    height_cm = round(clipped(height_cm, 148, 202))
    return Participant(code, age, sex, height_cm, round(bmi * (height_cm / 100) ** 2, 1), round(arm_cm, 1))


def draw_body(random: Random, participant: Participant) -> Body:
    """Pressures, heart rates and capacity of this participant; the slope is at least 0.25 mmHg/W."""
    mean, sd = SLOPE_MMHG_PER_W[participant.sex]
    male = participant.sex == "male"
    per_kg = random.gauss(3.2 if male else 2.6, 0.4) - 0.025 * (participant.age_years - 30)
    low_hr, high_hr = HR_RANGE_BPM
    return Body(
        sbp_rest_mmhg=clipped(random.gauss(122, 8), SBP_RANGE_MMHG[0], 140),
        dbp_rest_mmhg=clipped(random.gauss(76, 6), 62, 90),
        slope_mmhg_per_w=max(SLOPE_LEAST_MMHG_PER_W, random.gauss(mean, sd)),
        diastolic_mmhg_per_w=clipped(random.gauss(0, 0.02), -0.03, 0.04),
        muffling_mmhg=random.uniform(6, 11),
        hr_rest_bpm=clipped(random.gauss(70, 6), low_hr, 85),
        hr_max_bpm=clipped(208 - 0.7 * participant.age_years + random.gauss(0, 7), 140, high_hr),
        watts_capacity=clipped(per_kg * participant.mass_kg, 90, WATTS_MOST),
    )


def make_truth(
    body: Body, ridden: Sequence[Ridden], *, fall_mmhg: float = 0.0, fall_stage_index: int | None = None
) -> Truth:
    """The courses over the stages as they were ridden.

    From stage `fall_stage_index` on systolic goes to `fall_mmhg` below the target of the stage
    before it and stays there, whatever the load, until recovery.  Raises UsageError for a fall
    out of range.
    """
    watts, sbp, dbp, hr = [], [], [], []
    before_fall = fallen = None
    for part in ridden:
        start_s, stage = part.started_s, part.stage
        load, load_per_s = loads(stage)
        of_load = (body.hr_max_bpm - body.hr_rest_bpm) / body.watts_capacity
        watts.append((start_s, load, load_per_s, LOAD_LAG_S))
        if stage.phase == "recovery":
            sbp.append((start_s, body.sbp_rest_mmhg + SBP_RECOVERY_ABOVE_REST, 0.0, SBP_RECOVERY_LAG_S))
            hr.append((start_s, body.hr_rest_bpm + HR_RECOVERY_ABOVE_REST, 0.0, HR_RECOVERY_LAG_S))
            dbp.append((start_s, body.dbp_rest_mmhg, 0.0, SBP_RECOVERY_LAG_S))
            continue
        target, per_s = body.sbp_rest_mmhg + body.slope_mmhg_per_w * load, body.slope_mmhg_per_w * load_per_s
        if part.stage_index == fall_stage_index and before_fall is not None:
            fallen = before_fall - fall_mmhg
            if fallen < SBP_RANGE_MMHG[0]:
                raise UsageError(
                    f"fall_mmhg {fall_mmhg:g} from {before_fall:.0f} mmHg goes below {SBP_RANGE_MMHG[0]:g}; "
                    "choose a smaller fall or a later fall_stage"
                )
        before_fall = target
        if fallen is not None:
            target, per_s = fallen, 0.0
        sbp.append((start_s, target, per_s, SBP_LAG_S))
        within = min(load, body.watts_capacity)
        hr.append((start_s, body.hr_rest_bpm + of_load * within, of_load * load_per_s, HR_LAG_S))
        drift = body.diastolic_mmhg_per_w
        dbp.append((start_s, body.dbp_rest_mmhg + drift * load, drift * load_per_s, SBP_LAG_S))
    return Truth(
        body,
        watts=Course(0.0, watts),
        sbp=Course(body.sbp_rest_mmhg, sbp),
        dbp=Course(body.dbp_rest_mmhg, dbp),
        heart_rate=Course(body.hr_rest_bpm, hr),
    )


def loads(stage: Stage) -> tuple[float, float]:
    """The target at the start of the stage in W and its change in W/s (zero but in a ramp)."""
    start = stage.target_watts or 0.0
    if stage.target_watts_to is None or not stage.planned_s:
        return start, 0.0
    return start, (stage.target_watts_to - start) / stage.planned_s


def clipped(value: float, low: float, high: float) -> float:
    """`value`, moved to the nearer bound where it lies outside."""
    return min(high, max(low, value))
