"""Everything that can happen in a test, one model a kind.

An adapter makes an event without `seq` and `elapsed_s`; the recorder gives it both and writes
it.  `event_time` is the source's own time in UTC where it has a clock, else when it was taken.
Units are in the names; a field that was not asked is None and is left out of the journal.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Annotated, Any, Literal, Union

from pydantic import Field, TypeAdapter

from pipeline.entries import (
    Amended,
    Arm,
    Clarity,
    CuffChanged,
    ExertionRated,
    MissedReason,
    NoteWritten,
    ReadingMissed,
    ReadingTaken,
    RpeScale,
    SignNoted,
    Support,
    SymptomNoted,
)
from pipeline.event import Code, Event, Name, Positive, Pressure, Seconds, Seq, Text, UtcTime, utc_text
from pipeline.protocol import Limits, Phase, Position, Protocol

__all__ = [
    "EVENT",
    "JOURNAL_VERSION",
    "KINDS",
    "MEASURES",
    "Amended",
    "AnyEvent",
    "Arm",
    "Clarity",
    "ClockStepped",
    "Code",
    "CuffChanged",
    "EndReason",
    "Event",
    "ExertionRated",
    "FlagAcknowledged",
    "FlagRaised",
    "JournalRepaired",
    "LineRejected",
    "MissedReason",
    "Name",
    "NoteWritten",
    "Positive",
    "Pressure",
    "PromptLate",
    "PromptSuperseded",
    "ReadingDue",
    "ReadingMissed",
    "ReadingTaken",
    "RpeScale",
    "Sample",
    "Seconds",
    "Seq",
    "SignNoted",
    "SourceFound",
    "SourceLog",
    "SourceLost",
    "SourceOpened",
    "StageExtended",
    "StageStarted",
    "StoppedBy",
    "Support",
    "SymptomNoted",
    "TestClosed",
    "TestOpened",
    "TestResumed",
    "Text",
    "TimeMeans",
    "UtcTime",
    "utc_text",
]

JOURNAL_VERSION: Literal[1] = 1

EndReason = Literal[
    "protocol_complete",
    "exhaustion",
    "cadence_lost",
    "leg_fatigue",
    "breathless",
    "symptom",
    "sign",
    "sbp_limit",
    "sbp_fall",
    "hr_limit",
    "rpe_limit",
    "participant_wish",
    "staff_decision",
    "equipment",
    "other",
]
StoppedBy = Literal["participant", "operator", "assessor", "recorder"]
TimeMeans = Literal["first_sound", "stage_end", "written"]
MEASURES = ("watts", "cadence_rpm", "heart_rate_bpm")


class TestOpened(Event):
    """A test begins: who (by code), what, with which cuff, protocol, limits and rules."""

    __test__ = False  # a name that pytest would otherwise collect

    kind: Literal["test_opened"] = "test_opened"
    journal_version: Literal[1] = JOURNAL_VERSION
    mode: Literal["live", "join"]
    anchor: UtcTime
    test_id: Name
    study: Name
    participant: Code
    visit: Annotated[int, Field(ge=1)] | None = None
    purpose: Literal["study", "retest", "familiarisation", "teaching"] | None = None
    intent: Literal["maximal", "submaximal", "symptom_limited"] | None = None
    age_years: Annotated[float, Field(ge=0, le=120)] | None = None
    sex: Literal["female", "male", "unknown"] | None = None
    height_cm: Annotated[float, Field(ge=40, le=260)] | None = None
    mass_kg: Annotated[float, Field(ge=2, le=400)] | None = None
    arm_circumference_cm: Annotated[float, Field(ge=8, le=80)] | None = None
    medication: (
        Annotated[str, Field(pattern=r"^(beta_blocker|other|none|unknown)(\+(beta_blocker|other))*$")] | None
    ) = None
    pacemaker: bool | None = None
    ergometer_posture: Literal["upright", "semi_recumbent", "supine"] | None = None
    rpe_scale: RpeScale | None = None
    observer: Code | None = None
    people: Literal[1, 2] | None = None
    bladder_length_cm: Positive | None = None
    bladder_width_cm: Positive | None = None
    gauge_step_mmhg: Annotated[float, Field(gt=0, le=10)] | None = None
    gauge_checked_on: date | None = None
    protocol: Protocol | None = None
    limits: Limits | None = None
    rules_digest: str
    software: str
    timezone: str | None = None


class TestResumed(Event):
    """The same journal goes on after a crash."""

    __test__ = False

    kind: Literal["test_resumed"] = "test_resumed"
    anchor: UtcTime
    gap_s: Seconds
    software: str
    rules_digest: str


class SourceOpened(Event):
    """A source announces itself.

    `measures` and `ranks` are text: `watts,cadence_rpm` and `watts=1,cadence_rpm=1`, rank 1
    being asked first; `heart_rate_bpm:rr` marks a heart rate made from RR intervals.
    `clock_offset_s` is added to the source's times in SQL.
    """

    kind: Literal["source_opened"] = "source_opened"
    name: Annotated[str, Field(min_length=1, max_length=64)]
    adapter: str
    format_digest: str | None = None
    measures: str | None = None
    ranks: str | None = None
    clock_offset_s: float = 0.0
    clock_method: Literal["given", "aligned", "none"] = "none"


class Sample(Event):
    """What a device logged at one moment; at least one measure."""

    kind: Literal["sample"] = "sample"
    watts: float | None = None
    cadence_rpm: float | None = None
    heart_rate_bpm: float | None = None


class LineRejected(Event):
    """A line that could not be read, kept with its text and the reason."""

    kind: Literal["line_rejected"] = "line_rejected"
    raw: Text
    reason: Text


class SourceLost(Event):
    """A source went silent or away."""

    kind: Literal["source_lost"] = "source_lost"
    reason: Text


class SourceFound(Event):
    """It is back, after `gap_s`."""

    kind: Literal["source_found"] = "source_found"
    gap_s: Seconds


class StageStarted(Event):
    """A stage begins.  `target_watts_to` is set for a ramp."""

    kind: Literal["stage_started"] = "stage_started"
    stage_index: Seq
    label: Annotated[str, Field(min_length=1, max_length=40)]
    phase: Phase
    position: Position
    target_watts: float | None = None
    target_watts_to: float | None = None
    planned_s: Seconds | None = None
    by: Literal["schedule", "operator", "detected"]
    method: Text | None = None


class StageExtended(Event):
    """The stage in force lasts longer than planned."""

    kind: Literal["stage_extended"] = "stage_extended"
    stage_index: Seq
    seconds: Seconds
    reason: Text | None = None


class ReadingDue(Event):
    """A prompt: when to stand by, pump, hear the first sound and be done.  Times in UTC.

    `inflate_to_mmhg` is None for the first reading of a test, where the pulse is felt.
    """

    kind: Literal["reading_due"] = "reading_due"
    stage_index: Seq
    stand_by: UtcTime
    cuff_up: UtcTime
    first_sound_due: UtcTime
    window_closes: UtcTime
    inflate_to_mmhg: Pressure | None = None
    listen_to_mmhg: Pressure
    expected_sbp_mmhg: Pressure
    expected_dbp_mmhg: Pressure | None = None
    aims_at: Literal["stage_end", "mark", "rest", "immediate", "repeat"]
    fits: Literal["whole", "systolic", "no"]
    snapshot_seq: Seq
    by: Literal["live", "planned"]


class PromptLate(Event):
    """A prompt was shown later than its time."""

    kind: Literal["prompt_late"] = "prompt_late"
    due_seq: Seq
    late_s: Seconds


class PromptSuperseded(Event):
    """A prompt no longer stands."""

    kind: Literal["prompt_superseded"] = "prompt_superseded"
    due_seq: Seq
    reason: Text


class FlagRaised(Event):
    """A flag as it was shown."""

    kind: Literal["flag_raised"] = "flag_raised"
    code: str
    level: Literal["stop", "caution", "check", "note"]
    target_seq: Seq
    observed: float | None = None
    threshold: float | None = None


class FlagAcknowledged(Event):
    """Somebody saw it."""

    kind: Literal["flag_acknowledged"] = "flag_acknowledged"
    code: str
    target_seq: Seq
    by: Code | None = None


class ClockStepped(Event):
    """The wall clock stepped or the machine slept; pipeline time did not move."""

    kind: Literal["clock_stepped"] = "clock_stepped"
    cause: Literal["wall", "suspend"]
    step_s: Seconds


class JournalRepaired(Event):
    """A torn tail was cut off, kept in `backup`."""

    kind: Literal["journal_repaired"] = "journal_repaired"
    bytes_cut: Annotated[int, Field(ge=1)]
    backup: str


class TestClosed(Event):
    """A test ends; `counts` says how many events of each kind came before this line."""

    __test__ = False

    kind: Literal["test_closed"] = "test_closed"
    outcome: Literal["completed", "stopped", "interrupted"]
    reason: EndReason | None = None
    stopped_by: StoppedBy | None = None
    counts: dict[str, int]


AnyEvent = Annotated[
    Union[  # noqa: UP007 - pydantic reads the members from it
        TestOpened,
        TestResumed,
        SourceOpened,
        Sample,
        LineRejected,
        SourceLost,
        SourceFound,
        StageStarted,
        StageExtended,
        ReadingDue,
        PromptLate,
        PromptSuperseded,
        ReadingTaken,
        ReadingMissed,
        ExertionRated,
        SymptomNoted,
        SignNoted,
        NoteWritten,
        CuffChanged,
        Amended,
        FlagRaised,
        FlagAcknowledged,
        ClockStepped,
        JournalRepaired,
        TestClosed,
    ],
    Field(discriminator="kind"),
]

EVENT: TypeAdapter[Any] = TypeAdapter(AnyEvent)
KINDS: dict[str, type[Event]] = {
    model.model_fields["kind"].default: model for model in Event.__subclasses__()
}


@dataclass
class SourceLog:
    """One source read whole: how it announces itself, and its events in file order.

    `align_to` is the noted start of the first loaded stage where the log's clock is unknown;
    `time_means` says what the times of a reading sheet are the times of.
    """

    opened: SourceOpened
    events: list[Event] = field(default_factory=list)
    align_to: datetime | None = None
    time_means: TimeMeans = "first_sound"
