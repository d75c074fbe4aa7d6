"""What a person enters during a test or corrects after it, one model a kind."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from pipeline.event import Code, Event, Positive, Pressure, Seq, Text, UtcTime
from pipeline.protocol import Position

Arm = Literal["left", "right"]
Clarity = Literal["clear", "difficult", "doubtful"]
Support = Literal["assessor", "rest", "none"]
RpeScale = Literal["6-20", "0-10"]
MissedReason = Literal[
    "not_attempted",
    "not_heard",
    "arm_moved",
    "cuff_fault",
    "released_early",
    "participant_stopped",
    "not_entered",
    "other",
]


class ReadingTaken(Event):
    """One auscultatory pressure; `event_time` is the moment of the first sound (k1)."""

    kind: Literal["reading_taken"] = "reading_taken"
    due_seq: Seq | None = None
    k1_mmhg: Pressure | None = None
    k1_at_least: bool | None = None
    k4_mmhg: Pressure | None = None
    k5_mmhg: Pressure | None = None
    heard_to_mmhg: Pressure | None = None
    palpated_mmhg: Pressure | None = None
    measured_source: Literal["marked", "stated", "estimated"]
    last_sound_at: UtcTime | None = None
    arm: Arm | None = None
    position: Position | None = None
    inflated_to_mmhg: Pressure | None = None
    deflation_mmhg_per_s: Annotated[float, Field(gt=0, le=50)] | None = None
    deflation_mmhg_per_beat: Annotated[float, Field(gt=0, le=50)] | None = None
    clarity: Clarity | None = None
    arm_support: Support | None = None
    arm_below_heart_cm: Annotated[float, Field(ge=-60, le=60)] | None = None
    observer: Code | None = None
    role: Literal["primary", "second"] | None = None
    pair_seq: Seq | None = None
    note: Text | None = None


class ReadingMissed(Event):
    """A planned reading that is not there, and why."""

    kind: Literal["reading_missed"] = "reading_missed"
    due_seq: Seq | None = None
    stage_index: Seq | None = None
    attempted: bool
    reason: MissedReason
    text: Text | None = None


class ExertionRated(Event):
    """Perceived exertion on the scale named."""

    kind: Literal["exertion_rated"] = "exertion_rated"
    due_seq: Seq | None = None
    rpe: Annotated[float, Field(ge=0, le=20)]
    rpe_scale: RpeScale | None = None
    about: Literal["overall", "legs", "breathing"] | None = None


class SymptomNoted(Event):
    """What the participant says."""

    kind: Literal["symptom_noted"] = "symptom_noted"
    code: Literal[
        "chest_pain",
        "breathless",
        "dizzy",
        "faint",
        "pale_or_cold",
        "leg_pain",
        "unsteady",
        "palpitations",
        "nausea",
        "other",
    ]
    severity: Annotated[int, Field(ge=0, le=4)] | None = None
    reported_by: Literal["participant", "assessor"] | None = None
    text: Text | None = None


class SignNoted(Event):
    """What the staff sees."""

    kind: Literal["sign_noted"] = "sign_noted"
    code: Literal["st_change", "arrhythmia", "desaturation", "cyanosis", "other"]
    severity: Annotated[int, Field(ge=0, le=4)] | None = None
    reported_by: Literal["participant", "assessor"] | None = None
    text: Text | None = None


class NoteWritten(Event):
    """Free text."""

    kind: Literal["note_written"] = "note_written"
    text: Text


class CuffChanged(Event):
    """Another bladder from here on."""

    kind: Literal["cuff_changed"] = "cuff_changed"
    bladder_length_cm: Positive | None = None
    bladder_width_cm: Positive | None = None


class Amended(Event):
    """One field of an earlier event is corrected; the original line stays.

    `value` None blanks; `field` "void" with True takes a reading out, kept and shown.
    """

    kind: Literal["amended"] = "amended"
    target_seq: Seq
    field: Annotated[str, Field(min_length=1, max_length=40)]
    value: str | float | bool | None = None
    reason: Annotated[str, Field(min_length=1, max_length=2000)]
    by: Code
