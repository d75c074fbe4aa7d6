"""The sections of a setup file, one model each: what may be written and in which form.

Units are in the names.  A key that is not written is None and is reported as not recorded.
Text that means something else (dates, times, lists) is read here; whether sections agree with
one another is judged where the file is loaded.
"""

from __future__ import annotations

from datetime import date, datetime, time
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator

from adapters.suggestion import nearest
from pipeline.events import Code, EndReason, Name, Positive, RpeScale, TimeMeans
from pipeline.protocol import Limits

WANTED_START = "a date and time with offset, like 2026-03-14T09:30:00+01:00"
_MEDICATION = ("beta_blocker", "other", "none", "unknown")


def _path(value: Any) -> Any:
    if isinstance(value, str) and value.strip():
        return Path(value).expanduser()
    raise ValueError("a path in quotes is wanted, relative to the setup file or absolute")


def _clock_text(value: Any) -> Any:
    """A TOML time or date and time is as good as its text."""
    return value.isoformat() if isinstance(value, (time, datetime)) else value


def _date(value: Any) -> Any:
    if isinstance(value, str):
        try:
            return date.fromisoformat(value)
        except ValueError:
            raise ValueError("a date is wanted, like 2026-01-31") from None
    return value


FilePath = Annotated[Path, BeforeValidator(_path)]
ClockText = Annotated[str, Field(min_length=1), BeforeValidator(_clock_text)]


class Section(BaseModel):
    """What all sections have: strict types, no other keys, never changed."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)


class TestSection(Section):
    """[test]: which test this is.

    `started` carries the date and offset of clock times; `end_reason` says why a test that is
    joined from files ended.
    """

    __test__ = False  # a name that pytest would otherwise collect

    study: Name
    participant: Code
    id: Name | None = None
    visit: Annotated[int, Field(ge=1)] | None = None
    observer: Code | None = None
    intent: Literal["maximal", "submaximal", "symptom_limited"] | None = None
    purpose: Literal["study", "retest", "familiarisation", "teaching"] | None = None
    started: datetime | None = None
    timezone: str | None = None
    ergometer_posture: Literal["upright", "semi_recumbent", "supine"] | None = None
    rpe_scale: RpeScale | None = None
    end_reason: EndReason | None = None

    @field_validator("started", mode="before")
    @classmethod
    def _started(cls, value: Any) -> Any:
        if isinstance(value, str):
            try:
                value = datetime.fromisoformat(value)
            except ValueError:
                raise ValueError(f"{WANTED_START} is wanted") from None
        if not isinstance(value, datetime) or value.utcoffset() is None:
            raise ValueError(f"{WANTED_START} is wanted")
        return value

    @field_validator("timezone")
    @classmethod
    def _timezone(cls, value: str | None) -> str | None:
        if value is not None and value not in available_timezones():
            guess = nearest(value, sorted(available_timezones()))
            raise ValueError(f"no such time zone; a name like 'Europe/Berlin' is wanted{guess}")
        return value

    @model_validator(mode="after")
    def _offset_of_zone(self) -> TestSection:
        if self.started is not None and self.timezone is not None:
            there = self.started.astimezone(ZoneInfo(self.timezone))
            if there.utcoffset() != self.started.utcoffset():
                raise ValueError(
                    f"started {self.started.isoformat()} does not have the offset of {self.timezone}, "
                    f"where it was {there.isoformat()} then; correct started or timezone"
                )
        return self


class ParticipantSection(Section):
    """[participant]: who rides, as far as the numbers need it.  `medication` is `a+b` text."""

    age_years: Annotated[float, Field(ge=0, le=120)] | None = None
    sex: Literal["female", "male", "unknown"] | None = None
    height_cm: Annotated[float, Field(ge=40, le=260)] | None = None
    mass_kg: Annotated[float, Field(ge=2, le=400)] | None = None
    arm_circumference_cm: Annotated[float, Field(ge=8, le=80)] | None = None
    medication: str | None = None
    pacemaker: bool | None = None

    @field_validator("medication", mode="before")
    @classmethod
    def _medication(cls, value: Any) -> Any:
        named = value.split("+") if isinstance(value, str) else value
        if not isinstance(named, list) or not named or any(name not in _MEDICATION for name in named):
            raise ValueError(f"one or several of {', '.join(_MEDICATION)} are wanted")
        if len(set(named)) > 1 and {"none", "unknown"} & set(named):
            raise ValueError("none and unknown stand alone; name the medication, or write one of them")
        return "+".join(name for name in _MEDICATION if name in named)


class CuffSection(Section):
    """[cuff]: the bladder and the dial.  `gauge_step_mmhg` is one graduation."""

    bladder_length_cm: Positive | None = None
    bladder_width_cm: Positive | None = None
    gauge_step_mmhg: Annotated[float, Field(gt=0, le=10)] | None = None
    gauge_checked_on: Annotated[date, BeforeValidator(_date)] | None = None


class StaffSection(Section):
    """[staff]: how many people run the test."""

    people: Literal[1, 2] | None = None


class ProtocolSection(Section):
    """[protocol]: a file, or the stages themselves, which `parse_protocol` reads.

    `starts`: noted clock times of stages, by label or number (counted from 1).
    """

    file: FilePath | None = None
    starts: dict[str, ClockText] = Field(default_factory=dict)
    stage_from: Literal["schedule", "load"] | None = None
    name: Any = None
    stage: Any = None
    repeat: Any = None
    stage_end: Any = None
    hold_max_s: Any = None
    limits: Any = None

    @model_validator(mode="after")
    def _one_of_two(self) -> ProtocolSection:
        inline = sorted(self.model_fields_set - {"file", "starts", "stage_from"})
        if self.file is not None and inline:
            raise ValueError(f"file and {inline[0]} are both written; keep the file or write the stages here")
        return self


class CsvSource(Section):
    """A log file of a device.  `align`: noted clock time of the first loaded stage."""

    kind: Literal["csv"]
    path: FilePath
    format: FilePath | None = None
    clock_offset_s: float | None = None
    align: ClockText | None = None

    @model_validator(mode="after")
    def _one_clock(self) -> CsvSource:
        if self.clock_offset_s is not None and self.align is not None:
            raise ValueError("clock_offset_s and align both move the log; write one of them")
        return self


class SheetSource(Section):
    """A sheet of readings taken by hand.  Its clock is the one that logs are moved to."""

    kind: Literal["sheet"]
    path: FilePath
    time_means: TimeMeans | None = None
    observer: Code | None = None

    @model_validator(mode="before")
    @classmethod
    def _clock_of_its_own(cls, value: Any) -> Any:
        if isinstance(value, dict) and {"clock_offset_s", "align"} & set(value):
            raise ValueError(
                "a sheet has no clock_offset_s and no align: logs are moved to its clock; "
                "write the offset, with the opposite sign, at the log sources"
            )
        return value


class SerialSource(Section):
    """A device on a serial port: `port`, or `path` for a port given as a file."""

    kind: Literal["serial"]
    port: Annotated[str, Field(min_length=1)] | None = None
    path: Annotated[str, Field(min_length=1)] | None = None
    baud: Annotated[int, Field(gt=0)] = 9600
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    format: FilePath | None = None
    clock_offset_s: float | None = None

    @model_validator(mode="after")
    def _one_port(self) -> SerialSource:
        if (self.port is None) == (self.path is None):
            raise ValueError("port or path is wanted, one of the two, like port = '/dev/ttyUSB0'")
        return self

    @property
    def address(self) -> str:
        """The port as it was written, under either key."""
        return self.port or self.path or ""


Source = Annotated[CsvSource | SheetSource | SerialSource, Field(discriminator="kind")]


class MeasuresSection(Section):
    """[measures]: which source is asked first; None is the order of the sources."""

    watts: list[str] | None = Field(default=None, min_length=1)
    cadence_rpm: list[str] | None = Field(default=None, min_length=1)
    heart_rate_bpm: list[str] | None = Field(default=None, min_length=1)


class RulesSection(Section):
    """[rules]: another rules file than the one that ships."""

    file: FilePath


class WrittenSetup(Section):
    """The whole file, section by section."""

    test: TestSection
    participant: ParticipantSection = ParticipantSection()
    cuff: CuffSection = CuffSection()
    staff: StaffSection = StaffSection()
    protocol: ProtocolSection | None = None
    limits: Limits | None = None
    sources: dict[Name, Source] = Field(default_factory=dict)
    measures: MeasuresSection = MeasuresSection()
    rules: RulesSection | None = None
