"""What can be chosen about an invented test; everything else is drawn by its number."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from math import inf
from random import Random
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from pipeline.errors import UsageError
from pipeline.events import Arm, Clarity, Code, Name
from pipeline.protocol import Protocol, Stage, first_problem
from pipeline.simulate.truth import (
    SBP_RANGE_MMHG,
    SLOPE_LEAST_MMHG_PER_W,
    WATTS_MOST,
    Body,
)

REST_WAIT_S = 300.0
CAPACITY_SHARE = (0.62, 0.92)
"""Of the highest planned load, where the participant is to give up before it."""


Share = Annotated[float, Field(ge=0, le=1)]
Rate = Annotated[float, Field(ge=0, le=50)]
Positive = Annotated[float, Field(gt=0)]
Spread = Annotated[float, Field(ge=0, le=15)]


class Choices(BaseModel):
    """The choices of `simulate_test`.

    Test: `study`, `participant` (code), `test_id`, `visit`, `purpose`, `started` (with offset), `sex`.

    Protocol: `protocol` as a whole, or its parts: rest (11 min leave room for the third reading
    that two more than 5 mmHg apart ask for), a staircase of `stages` (`step_watts` None takes a
    step that this participant can finish; `first_watts` None is one step) or a ramp, recovery.
    `stage_from` None is "schedule" where the stages were ridden as planned, else "load".

    Body: None draws it.  `exhausts` ends the ride before its planned end, at the capacity;
    `sbp_limit_mmhg` in the stage in which the true systolic would come to lie above it.
    `fall_mmhg` is how far the true systolic falls in exercise stage `fall_stage` (from 1) below
    the stage before; `stops_after_fall` ends the ride when a second reading confirms it.
    `sounds_to_mmhg`: from exercise stage `sounds_from_stage` sounds go on to that pressure.
    `wander_mmhg` is the standard deviation of what a single beat shows about the course,
    `wander_loaded_mmhg` the same under load (None: no other).

    Observer: rates in mmHg/s, shares of planned readings; `zero_preference` is how often a
    value is written as the nearest ten (0.17 makes the third of zeros seen in 6,560 even-digit
    readings); `bias_mmhg` is added to every pressure before it is written; `clarity` None draws it.

    Logs: rates in Hz (0: no such log); `*_offset_s` is what must be added to the times of the
    log, its clock being wrong; `heart_rate_dropouts` how many gaps of 6 to 40 s.
    `ergometer_clock` says whether the setup gives the offset or the noted start of the first
    load; `ergometer_log` "comma" is a log in kgm/min with `;` and decimal commas;
    `heart_rate_log` "rr" has a line a beat.
    """

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)

    study: Name = "invented"
    participant: Code | None = None
    test_id: Name | None = None
    visit: Annotated[int, Field(ge=1)] = 1
    purpose: Literal["study", "retest"] = "study"
    started: datetime | None = None
    sex: Literal["female", "male"] | None = None
    intent: Literal["maximal", "submaximal", "symptom_limited"] = "symptom_limited"

    protocol: Protocol | None = None
    rest_position: Literal["seated", "supine"] = "seated"
    rest_minutes: Positive = 11.0
    rest_readings: Annotated[int, Field(ge=1, le=9)] = 2
    first_watts: Positive | None = None
    step_watts: Positive | None = None
    stages: Annotated[int, Field(ge=1, le=40)] = 7
    stage_minutes: Positive = 3.0
    ramp_from_watts: Positive = 20.0
    ramp_to_watts: Positive | None = None
    ramp_minutes: Positive = 12.0
    ramp_reading_every_s: Annotated[float, Field(ge=60)] = 150.0
    recovery_minutes: Positive = 6.0
    recovery_watts: Annotated[float, Field(ge=0)] = 0.0
    stage_from: Literal["schedule", "load"] | None = None

    slope_mmhg_per_w: Annotated[float, Field(ge=0, le=1.5)] | None = None
    sbp_rest_mmhg: Annotated[float, Field(ge=SBP_RANGE_MMHG[0], le=160)] | None = None
    watts_capacity: Annotated[float, Field(ge=40, le=WATTS_MOST)] | None = None
    exhausts: bool = False
    sbp_limit_mmhg: Annotated[float, Field(ge=160, le=260)] | None = None
    fall_mmhg: Annotated[float, Field(ge=0, le=60)] = 0.0
    fall_stage: Annotated[int, Field(ge=2)] | None = None
    stops_after_fall: bool = False
    sounds_to_mmhg: Annotated[float, Field(ge=0, lt=40)] | None = None
    sounds_from_stage: Annotated[int, Field(ge=1)] = 1
    wander_mmhg: Spread = 3.0
    wander_loaded_mmhg: Spread | None = None
    breathing_mmhg: Spread = 2.0

    observer: Code = "O-1"
    arm: Arm = "left"
    deflation_mmhg_per_s: Annotated[float, Field(ge=1, le=10)] = 2.5
    deflation_sd_mmhg_per_s: Annotated[float, Field(ge=0, le=1)] = 0.15
    reaction_s: Annotated[float, Field(ge=0, le=5)] = 0.6
    even_digits: bool = True
    zero_preference: Share = 0.17
    bias_mmhg: Annotated[float, Field(ge=-20, le=20)] = 0.0
    late_share: Share = 0.0
    missed_share: Share = 0.0
    clarity: Clarity | None = None
    repeats_falls: bool = True

    ergometer_hz: Rate = 1.0
    heart_rate_hz: Rate = 1.0
    pedals_hz: Rate = 0.0
    ergometer_offset_s: float = 0.0
    heart_rate_offset_s: float = 0.0
    heart_rate_dropouts: Annotated[int, Field(ge=0, le=50)] = 0
    ergometer_clock: Literal["given", "align"] = "given"
    ergometer_log: Literal["plain", "comma"] = "plain"
    heart_rate_log: Literal["bpm", "rr"] = "bpm"

    @model_validator(mode="after")
    def _whole(self) -> Choices:
        if self.started is not None and self.started.tzinfo is None:
            raise ValueError("started has no offset; give one, like 2026-03-14T09:30:00+01:00")
        if self.fall_mmhg and self.fall_stage is None:
            raise ValueError("fall_mmhg needs fall_stage, the exercise stage (2 or more) of the fall")
        most = self.planned_most_watts
        # who gives up before the end of a protocol may begin one that nobody finishes
        if most is not None and most > WATTS_MOST and not (self.protocol is not None and self.exhausts):
            raise ValueError(f"a load of {most:g} W is beyond {WATTS_MOST:g} W; plan fewer or smaller steps")
        return self

    @property
    def planned_most_watts(self) -> float | None:
        """The highest planned load in W, None where the participant decides it."""
        if self.protocol is not None:
            targets = [t for s in self.protocol.stages for t in (s.target_watts, s.target_watts_to)]
            return max([target for target in targets if target is not None], default=0.0)
        if self.ramp_to_watts is not None:
            return self.ramp_to_watts
        if self.step_watts is None:
            return None
        first = self.step_watts if self.first_watts is None else self.first_watts
        return first + (self.stages - 1) * self.step_watts


def read_choices(choices: dict[str, Any]) -> Choices:
    """The choices by name; raises UsageError saying which one does not fit and what is wanted."""
    try:
        return Choices(**choices)
    except ValidationError as error:
        raise UsageError(
            f"invented test: {first_problem(error)}; the choices are {', '.join(Choices.model_fields)}"
        ) from None


def make_protocol(choices: Choices) -> Protocol:
    """The protocol that was chosen as a whole, or the one of its parts (the step being settled)."""
    if choices.protocol is not None:
        return choices.protocol
    rest = Stage(
        label="rest",
        phase="rest",
        position=choices.rest_position,
        planned_s=choices.rest_minutes * 60,
        reading="timed",
        readings=choices.rest_readings,
        wait_s=REST_WAIT_S,
    )
    recovery_s = choices.recovery_minutes * 60
    recovery = Stage(
        label="recovery",
        phase="recovery",
        position="ergometer",
        planned_s=recovery_s,
        target_watts=choices.recovery_watts or None,
        reading="marks",
        reading_at_s=tuple(mark for mark in (60.0, 180.0, 300.0) if mark <= recovery_s),
    )
    loaded = _staircase(choices) if choices.ramp_to_watts is None else [_ramp(choices)]
    return Protocol(
        name="invented", stages=(rest, *loaded, recovery), stage_from=choices.stage_from or "schedule"
    )


def _staircase(choices: Choices) -> list[Stage]:
    step = choices.step_watts or 0.0
    first = step if choices.first_watts is None else choices.first_watts
    return [
        Stage(
            label=f"{first + n * step:g} W",
            phase="exercise",
            position="ergometer",
            planned_s=choices.stage_minutes * 60,
            target_watts=first + n * step,
        )
        for n in range(choices.stages)
    ]


def _ramp(choices: Choices) -> Stage:
    every, planned_s = choices.ramp_reading_every_s, choices.ramp_minutes * 60
    marks = tuple(every * n for n in range(1, int((planned_s - 30) / every) + 1))
    return Stage(
        label=f"{choices.ramp_from_watts:g} to {choices.ramp_to_watts:g} W",
        phase="exercise",
        position="ergometer",
        planned_s=planned_s,
        target_watts=choices.ramp_from_watts,
        target_watts_to=choices.ramp_to_watts,
        reading="marks",
        reading_at_s=marks,
    )


def settled_step(chosen: Choices, drawn: Body) -> Choices:
    """The choices with the step of the staircase, where none was chosen, that `drawn` can finish."""
    if chosen.planned_most_watts is not None:
        return chosen
    capacity, first = chosen.watts_capacity or drawn.watts_capacity, chosen.first_watts
    # without a first load of its own the staircase begins with one step
    steps = chosen.stages if first is None else max(1, chosen.stages - 1)
    step = max(5.0, (capacity - (first or 0.0)) / steps // 5 * 5)
    return read_choices({**dict(chosen), "step_watts": step})


def choose_body(number: int, chosen: Choices, drawn: Body) -> Body:
    """The body as drawn or chosen, such that the ride keeps within what adults show.

    Raises UsageError where what was chosen leaves no such body.
    """
    most = chosen.planned_most_watts or 0.0
    capacity = chosen.watts_capacity
    if capacity is None:
        share = Random(f"{number} capacity").uniform(*CAPACITY_SHARE)
        capacity = most * share if chosen.exhausts else max(drawn.watts_capacity, most)
    elif capacity < most and not chosen.exhausts:
        raise UsageError(
            f"watts_capacity {capacity:g} W is below the highest planned load, {most:g} W; "
            "choose exhausts=True, or plan less"
        )
    # a step above the capacity is begun before the participant gives up, so its pressure counts
    highest, least = SBP_RANGE_MMHG[1], SLOPE_LEAST_MMHG_PER_W
    rest = chosen.sbp_rest_mmhg or min(drawn.sbp_rest_mmhg, highest - least * most)
    slope = chosen.slope_mmhg_per_w
    if slope is None:
        slope = max(least, min(drawn.slope_mmhg_per_w, (highest - rest) / most if most else inf))
    if rest + slope * most > highest + 1e-9:
        raise UsageError(
            f"{rest:g} mmHg at rest and {slope:g} mmHg/W give more than {highest:g} mmHg at {most:g} W; "
            "choose a lower sbp_rest_mmhg, slope_mmhg_per_w or load"
        )
    return replace(drawn, sbp_rest_mmhg=rest, slope_mmhg_per_w=slope, watts_capacity=capacity)
