"""A protocol: the stages of a test as they were meant, and the limits of this test.

The models are what a journal keeps; `parse_protocol` reads what a person writes (minutes,
`[[repeat]]`) and gives these.  Loads are in watts, times in seconds from the stage's start.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from pipeline.errors import InputError

T = TypeVar("T")
Phase = Literal["rest", "warmup", "exercise", "recovery"]
Position = Literal["supine", "semi_recumbent", "seated", "standing", "ergometer"]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]

RECOVERY_MARKS_S = (60.0, 180.0, 300.0)
RECOVERY_EVERY_S = 120.0


class Limits(BaseModel):
    """The limits of this test; crossing one is a stop-level flag."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)

    heart_rate_bpm: Positive | None = None
    hr_percent_max: Positive | None = None
    hr_percent_reserve: Positive | None = None
    rpe: Positive | None = None
    sbp_mmhg: Positive | None = None
    dbp_mmhg: Positive | None = None
    minutes: Positive | None = None


class Stage(BaseModel):
    """One stage as planned.

    `target_watts_to` is set for a ramp, which then goes from `target_watts` to it.  `reading`
    is "end" (one reading ending with the stage), "marks" (first sounds at `reading_at_s`),
    "timed" (rest: `readings` of them, the first pumping `wait_s` after the stage starts, the
    next `apart_s` after each release) or "none".
    """

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)

    label: Annotated[str, Field(min_length=1, max_length=40)]
    phase: Phase
    position: Position
    planned_s: Positive | None = None
    target_watts: NotNegative | None = None
    target_watts_to: NotNegative | None = None
    reading: Literal["end", "marks", "timed", "none"] = "end"
    reading_at_s: tuple[NotNegative, ...] = Field(default=(), strict=False)
    readings: Annotated[int, Field(ge=1, le=9)] = 2
    wait_s: NotNegative = 300.0
    apart_s: NotNegative = 60.0
    arms: Literal["one", "both"] = "one"

    @property
    def loaded(self) -> bool:
        """Warm-up and exercise: the phases in which a load is ridden."""
        return self.phase in ("warmup", "exercise")

    def target_at(self, seconds: float) -> float | None:
        """The planned load in watts `seconds` into the stage (a ramp is linear)."""
        if self.target_watts is None or self.target_watts_to is None or not self.planned_s:
            return self.target_watts
        share = min(1.0, max(0.0, seconds / self.planned_s))
        return self.target_watts + share * (self.target_watts_to - self.target_watts)


class Protocol(BaseModel):
    """The stages in order.

    `stage_from` says what moves a test on: its schedule or the load that is ridden;
    `stage_end` whether a stage waits for its reading, up to `hold_max_s`.
    """

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)

    name: Annotated[str, Field(max_length=80)] = ""
    stages: tuple[Stage, ...] = Field(strict=False, min_length=1)
    stage_from: Literal["schedule", "load"] = "schedule"
    stage_end: Literal["time", "after_reading"] = "time"
    hold_max_s: NotNegative = 30.0

    @model_validator(mode="after")
    def _only_the_last_is_open(self) -> Protocol:
        for stage in self.stages[:-1]:
            if stage.planned_s is None:
                raise ValueError(f"stage {stage.label!r} has no minutes; only the last may be open")
        return self


class _WrittenStage(BaseModel):
    """What a person writes for one stage: minutes, `watts` or `watts_from` and `watts_to`."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    label: str | None = None
    phase: Phase
    position: Position | None = None
    minutes: Positive | None = None
    watts: NotNegative | None = None
    watts_from: NotNegative | None = None
    watts_to: NotNegative | None = None
    reading: Literal["end", "none"] | None = None
    reading_at_s: tuple[NotNegative, ...] | None = None
    readings: Annotated[int, Field(ge=1, le=9)] | None = None
    wait_s: NotNegative | None = None
    apart_s: NotNegative | None = None
    arms: Literal["one", "both"] = "one"

    def planned(self) -> Stage:
        ramp = self.watts_from is not None or self.watts_to is not None
        if ramp and (self.watts_from is None or self.watts_to is None or self.watts is not None):
            raise ValueError("a ramp has watts_from and watts_to and no watts")
        if ramp and self.minutes is None:
            raise ValueError("a ramp needs minutes")
        loaded = self.phase in ("warmup", "exercise")
        watts = self.watts_from if ramp else self.watts
        if self.phase == "exercise" and watts is None:
            raise ValueError("an exercise stage needs watts, or watts_from and watts_to")
        planned_s = None if self.minutes is None else self.minutes * 60
        wait_s = 300.0 if self.wait_s is None else self.wait_s
        marks = self.reading_at_s
        if self.reading == "none":
            reading: Literal["end", "marks", "timed", "none"] = "none"
        elif marks is not None:
            reading = "marks"
        elif self.phase == "rest":
            reading = "timed"
        elif self.phase == "recovery" and self.reading is None:
            reading, marks = "marks", _recovery_marks(planned_s)
        else:
            reading = "end"
        return Stage(
            label=self.label or _label(self.phase, watts, self.watts_to),
            phase=self.phase,
            position=self.position or ("ergometer" if self.phase != "rest" else "seated"),
            planned_s=planned_s,
            target_watts=0.0 if watts is None and loaded else watts,
            target_watts_to=self.watts_to,
            reading=reading,
            reading_at_s=marks or (),
            readings=self.readings or 2,
            wait_s=wait_s,
            apart_s=60.0 if self.apart_s is None else self.apart_s,
            arms=self.arms,
        )


class _Repeat(BaseModel):
    """The usual staircase: stages of `minutes` at `start`, `start + step`, ... up to `until`."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    start: NotNegative
    step: Positive
    minutes: Positive
    until: Positive
    reading: Literal["end", "none"] = "end"
    reading_at_s: tuple[NotNegative, ...] | None = None

    def stages(self) -> list[Stage]:
        count = int((self.until - self.start) / self.step + 1e-9) + 1
        if not 1 <= count <= 100:
            raise ValueError("start, step and until must give between 1 and 100 stages")
        return [
            _WrittenStage(
                phase="exercise",
                minutes=self.minutes,
                watts=self.start + n * self.step,
                reading=self.reading,
                reading_at_s=self.reading_at_s,
            ).planned()
            for n in range(count)
        ]


def parse_protocol(written: dict[str, Any], where: str) -> Protocol:
    """The protocol that `written` (a parsed TOML table) describes.

    `[[repeat]]` staircases stand after the resting, warm-up and exercise stages and before
    the first recovery stage.  Raises InputError naming `where`, the stage and the key.
    """
    known = {"name", "stage", "repeat", "stage_from", "stage_end", "hold_max_s", "limits"}
    unknown = sorted(set(written) - known)
    if unknown:
        raise InputError(f"{where}: unknown key {unknown[0]!r}; known are {', '.join(sorted(known))}")
    before: list[Stage] = []
    after: list[Stage] = []
    for number, table in enumerate(_tables(written, "stage", where), start=1):
        stage = _read(partial(_planned_stage, table), f"{where}: stage {number}")
        (after if after or stage.phase == "recovery" else before).append(stage)
    for number, table in enumerate(_tables(written, "repeat", where), start=1):
        before += _read(partial(_staircase, table), f"{where}: repeat {number}")
    if not before and not after:
        raise InputError(f"{where}: no [[stage]] and no [[repeat]]; write at least one stage")
    rest = {k: written[k] for k in ("name", "stage_from", "stage_end", "hold_max_s") if k in written}
    return _read(lambda: Protocol(stages=tuple(before + after), **rest), where)


def parse_limits(written: dict[str, Any], where: str) -> Limits:
    """The limits of this test from a parsed `[limits]` table; raises InputError."""
    return _read(lambda: Limits.model_validate(written), f"{where}: limits")


def first_problem(error: ValidationError) -> str:
    """The first problem of a validation in the words of the file: key, given, wanted."""
    problem = error.errors(include_url=False)[0]
    key = ".".join(str(part) for part in problem["loc"])
    words = problem["msg"].removeprefix("Value error, ")
    words = words.replace("Extra inputs are not permitted", "unknown key").replace("Input should", "should")
    if not key:
        return words
    if problem["type"] == "missing":
        return f"{key} is missing; write it"
    return f"{key} = {problem['input']!r}: {words[0].lower()}{words[1:]}"


def _planned_stage(table: dict[str, Any]) -> Stage:
    return _WrittenStage.model_validate(table).planned()


def _staircase(table: dict[str, Any]) -> list[Stage]:
    return _Repeat.model_validate(table).stages()


def _read(make: Callable[[], T], where: str) -> T:
    try:
        return make()
    except ValidationError as error:
        raise InputError(f"{where}: {first_problem(error)}") from None
    except ValueError as error:
        raise InputError(f"{where}: {error}") from None


def _tables(written: dict[str, Any], key: str, where: str) -> list[dict[str, Any]]:
    tables = written.get(key, [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise InputError(f"{where}: {key} must be written as [[{key}]], one table each")
    return tables


def _label(phase: Phase, watts: float | None, watts_to: float | None) -> str:
    if watts is None or phase in ("rest", "recovery"):
        return phase
    return f"{watts:g} W" if watts_to is None else f"{watts:g} to {watts_to:g} W"


def _recovery_marks(planned_s: float | None) -> tuple[float, ...]:
    end = planned_s if planned_s is not None else RECOVERY_MARKS_S[-1]
    marks = [mark for mark in RECOVERY_MARKS_S if mark <= end]
    while marks and marks[-1] >= RECOVERY_MARKS_S[-1] and marks[-1] + RECOVERY_EVERY_S <= end:
        marks.append(marks[-1] + RECOVERY_EVERY_S)
    return tuple(marks)
