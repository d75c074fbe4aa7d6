"""People of an invented cohort: who they are, and how they are on a day.

Each is drawn by the number of the cohort and their own, so that nobody depends on how many there
are.  Of a visit the slope of systolic on load has the mean and standard deviation of Hedman et
al. 2021 exactly, in a log-normal distribution (that it is skewed is known, its shape is ours);
resting systolic is normal.  The capacity is that of Jones et al. 1985 with its spread.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from random import Random

from pipeline.events import Arm
from pipeline.simulate.sensors import STANDARD_GRAVITY
from pipeline.simulate.truth import (
    SLOPE_MMHG_PER_W,
    WATTS_MOST,
    Body,
    Participant,
    clipped,
    draw_body,
    draw_participant,
)

SBP_REST_MMHG = (122.0, 10.0)
"""Mean and standard deviation over people and days; ours."""
SBP_REST_DAY_SD_MMHG = 4.0
"""Of one person from day to day, within the above; ours."""
SLOPE_DAY_SD_LOG = 0.08
"""Of the logarithm of one person's slope from day to day: about 8 %; ours."""
SECOND_VISIT_MMHG = -2.0
"""Resting systolic at a second visit, on average over people, against the first; ours."""
FITNESS_SLOPE_CORRELATION = -0.6
"""Fit people have flatter slopes (athletes 0.34, controls 0.44 mmHg/W: Bauer, Sports Med Int Open
2021); the size is ours, so that peaks spread little more than seen (SD 22 to 24, Hedman 2021)."""
CAPACITY_SEE_KGM_MIN = 216.0
CAPACITY_LEAST_WATTS = 60.0
PULSE_PRESSURE_LEAST_MMHG = 28.0
SOUNDS_TO_ZERO_SHARE = 0.2
"""People whose sounds go on to zero from some stage on; ours."""
RIGHT_ARM_SHARE = 0.15


@dataclass(frozen=True)
class Person:
    """Somebody invented, as on an average day: `usual` is their body.

    `fitness_sd` is how far the capacity lies above that predicted from sex, age and height, in
    standard deviations; `sounds_from_stage` from which exercise stage on sounds go to zero, or None.
    """

    participant: Participant
    fitness_sd: float
    usual: Body
    arm: Arm
    sounds_from_stage: int | None

    def on_visit(self, random: Random, visit: int) -> Body:
        """Their body on the day of a visit (1 or 2): pressure at rest and slope differ from day to day."""
        sbp_rest = self.usual.sbp_rest_mmhg + random.gauss(0, SBP_REST_DAY_SD_MMHG)
        sbp_rest += SECOND_VISIT_MMHG * (visit - 1)
        # the mean of exp(day) is one: the usual slope is the mean over days
        day = random.gauss(-(SLOPE_DAY_SD_LOG**2) / 2, SLOPE_DAY_SD_LOG)
        return replace(
            self.usual,
            sbp_rest_mmhg=sbp_rest,
            dbp_rest_mmhg=min(self.usual.dbp_rest_mmhg, sbp_rest - PULSE_PRESSURE_LEAST_MMHG),
            slope_mmhg_per_w=self.usual.slope_mmhg_per_w * math.exp(day),
        )


def draw_person(random: Random, code: str) -> Person:
    """An adult of 20 to 65 years with everything that stays the same from visit to visit."""
    participant = draw_participant(random, code, None)
    drawn = draw_body(random, participant)
    fitness = random.gauss(0, 1)
    along = FITNESS_SLOPE_CORRELATION
    steepness = along * fitness + math.sqrt(1 - along**2) * random.gauss(0, 1)
    mean, sd = SLOPE_MMHG_PER_W[participant.sex]
    # of a log-normal distribution with this mean and sd; days take their share of the variance
    log_variance = math.log1p((sd / mean) ** 2) - SLOPE_DAY_SD_LOG**2
    slope = mean * math.exp(math.sqrt(log_variance) * steepness - log_variance / 2)
    rest_mean, rest_sd = SBP_REST_MMHG
    usual = replace(
        drawn,
        sbp_rest_mmhg=random.gauss(rest_mean, math.sqrt(rest_sd**2 - SBP_REST_DAY_SD_MMHG**2)),
        slope_mmhg_per_w=slope,
        watts_capacity=capacity_watts(participant, fitness),
    )
    return Person(
        participant=participant,
        fitness_sd=fitness,
        usual=usual,
        arm="right" if random.random() < RIGHT_ARM_SHARE else "left",
        sounds_from_stage=random.randint(1, 4) if random.random() < SOUNDS_TO_ZERO_SHARE else None,
    )


def capacity_watts(participant: Participant, fitness_sd: float) -> float:
    """The highest load in W: Jones et al., Am Rev Respir Dis 1985;131:700, kgm/min, SEE 216."""
    female = participant.sex == "female"
    kgm_min = 20.4 * participant.height_cm - 8.74 * participant.age_years - 288 * female - 1909
    watts = (kgm_min + CAPACITY_SEE_KGM_MIN * fitness_sd) * STANDARD_GRAVITY / 60
    return clipped(watts, CAPACITY_LEAST_WATTS, WATTS_MOST)
