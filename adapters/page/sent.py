"""What the page sends, read into events and controls.

    {"id": "4c1e9b-0f3a...", "test_id": "T1", "ago_s": 0.4, "reading": {"k1_mmhg": 148, "k5_mmhg": 82}}
    {"id": ..., "typed": "symptom dizzy 1"}          everything else, as at the terminal
    {"id": ..., "typed": "next", "stage": 3}         ... moving on from the stage that is shown
    {"id": ..., "seen": {"code": "systolic_fall", "target_seq": 41}}
    {"id": ..., "correct": {"target_seq": 41, "pressures": "148/82", "reason": "...", "by": "AB-1"}}

The device makes `id`, so that an entry that is sent twice is known again; it goes into the journal
as the source of the line.  The device's clock is not asked: `ago_s` is how long the entry has
waited, by a clock that only counts; moments of sounds were stamped here, or are so long ago too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from adapters.pressure_notation import Pressures, parse_pressures
from adapters.typed_entry import Acknowledge, Correct, Heard, Help, Mark, Typist
from pipeline.clock import Clock
from pipeline.control import Control
from pipeline.errors import InputError
from pipeline.events import Amended, Event, FlagAcknowledged, ReadingTaken
from pipeline.protocol import first_problem

SOURCE = "page:"
ENTRY_ID = r"^[0-9a-f]{6}-[0-9a-f]{16}$"
Ago = Annotated[float, Field(ge=0, le=86_400)]
# what a device does not say: the recorder and this module do
_NOT_SENT = (
    "seq", "kind", "event_time", "elapsed_s", "source", "measured_source", "last_sound_at", "due_seq",
    "pair_seq",
)  # fmt: skip


class _Model(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)


class Moment(_Model):
    """The moment of a sound: `at_s` as it was stamped here (s of pipeline time), or so long ago."""

    at_s: Annotated[float, Field(ge=0)] | None = None
    ago_s: Ago | None = None

    @model_validator(mode="after")
    def _is_one(self) -> Moment:
        if (self.at_s is None) == (self.ago_s is None):
            raise ValueError("a moment is either at_s or ago_s")
        return self


class Seen(_Model):
    """A flag was seen."""

    code: Annotated[str, Field(min_length=1, max_length=64)]
    target_seq: Annotated[int, Field(ge=0)]
    by: str | None = None


class Correction(_Model):
    """A reading is corrected: `pressures` in the trade's notation; None takes it out."""

    target_seq: Annotated[int, Field(ge=0)]
    pressures: Annotated[str, Field(max_length=40)] | None
    reason: Annotated[str, Field(min_length=1, max_length=500)]
    by: str


class Sent(_Model):
    """One entry as it comes from a device.

    `test_id` is the test that it was made for; `stage` the number of the stage that was shown (0:
    none yet) when the test was to be moved on.
    """

    id: Annotated[str, Field(pattern=ENTRY_ID)]
    test_id: Annotated[str, Field(max_length=64)]
    stage: Annotated[int, Field(ge=0)] | None = None
    ago_s: Ago = 0.0
    first: Moment | None = None
    last: Moment | None = None
    reading: dict[str, str | float | bool | None] | None = None
    typed: Annotated[str, Field(max_length=500)] | None = None
    seen: Seen | None = None
    correct: Correction | None = None

    @model_validator(mode="after")
    def _is_one(self) -> Sent:
        if sum(one is not None for one in (self.reading, self.typed, self.seen, self.correct)) != 1:
            raise ValueError("one of reading, typed, seen and correct is wanted")
        return self


Corrects = Callable[[int, Pressures | None, str, str], Sequence[Amended]]


@dataclass(frozen=True)
class Reader:
    """Reads what is sent; `correct` plans a correction: seq, pressures (None: void), reason, code of who."""

    clock: Clock
    typist: Typist
    correct: Corrects

    def read(self, sent: Sent) -> Sequence[Event | Control]:
        """What is to be asked of the recorder; InputError says what is wrong with it."""
        now = self.clock.now()
        made = max(self.clock.anchor, now - timedelta(seconds=sent.ago_s))
        source = SOURCE + sent.id
        heard = Heard(self._moment(sent.first, now), self._moment(sent.last, now))
        if heard.last is not None and (heard.first is None or heard.last < heard.first):
            raise InputError("a last sound was marked before the first; mark the first, then the last")
        try:
            if sent.reading is not None:
                return [_reading(sent.reading, made, source, heard)]
            if sent.seen is not None:
                seen = sent.seen.model_dump()
                return [FlagAcknowledged(event_time=made, source=source, **seen)]
        except ValidationError as error:
            raise InputError(first_problem(error)) from None
        if sent.typed is not None:
            return [self._typed(sent.typed, made, source, heard)]
        assert sent.correct is not None
        given = sent.correct
        pressures = None if given.pressures is None else parse_pressures(given.pressures)
        planned = self.correct(given.target_seq, pressures, given.reason, given.by.upper())
        return [one.model_copy(update={"source": source}) for one in planned]

    def _typed(self, text: str, made: datetime, source: str, heard: Heard) -> Event | Control:
        typed = replace(self.typist, source=source).read(text, made, heard)
        if isinstance(typed, Mark | Acknowledge | Correct | Help):
            raise InputError(
                f"{text.split()[0]} is not typed on the page: sounds, flags and corrections have buttons"
            )
        return typed

    def _moment(self, moment: Moment | None, now: datetime) -> datetime | None:
        """Pipeline time of a moment; one that is stamped for later than now was not stamped here."""
        if moment is None:
            return None
        if moment.ago_s is not None:
            return max(self.clock.anchor, now - timedelta(seconds=moment.ago_s))
        stamped = self.clock.anchor + timedelta(seconds=moment.at_s or 0.0)
        if stamped > now:
            raise InputError("a sound is marked later than now; clear the marks and enter it without")
        return stamped


def _reading(fields: Mapping[str, Any], made: datetime, source: str, heard: Heard) -> ReadingTaken:
    beyond = sorted(set(fields) & set(_NOT_SENT))
    if beyond:
        raise InputError(f"{', '.join(beyond)}: not for a device to say; leave it out")
    if fields.get("k1_mmhg") is None:
        raise InputError("no first sound was entered; enter it, or say why the reading is missed")
    timing: dict[str, Any] = {"event_time": made, "measured_source": "estimated"}
    if heard.first is not None:
        timing = {"event_time": heard.first, "measured_source": "marked", "last_sound_at": heard.last}
    return ReadingTaken(source=source, **timing, **{"role": "primary"} | dict(fields))
