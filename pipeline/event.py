"""What every event has, and the types that their fields share."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, PlainSerializer


def _utc(moment: datetime) -> datetime:
    if moment.tzinfo is None:
        raise ValueError("a time without an offset; write one that ends in Z or +hh:mm")
    return moment.astimezone(UTC)


def _code(text: str) -> str:
    if not re.fullmatch(r"[A-Z0-9-]{2,16}", text) or not re.search(r"[0-9]", text):
        raise ValueError(
            "a code is wanted, not a name: 2 to 16 capitals, digits and hyphens "
            "with at least one digit, like P-07"
        )
    return text


def utc_text(moment: datetime) -> str:
    """UTC with microseconds, ending in Z: the only form in which a journal keeps a time."""
    return moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


UtcTime = Annotated[datetime, AfterValidator(_utc), PlainSerializer(utc_text, return_type=str)]
Code = Annotated[str, AfterValidator(_code)]
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$")]
Text = Annotated[str, Field(max_length=2000)]
Pressure = Annotated[float, Field(ge=0, le=400)]
Seconds = float
Positive = Annotated[float, Field(gt=0)]
Seq = Annotated[int, Field(ge=0)]


class Event(BaseModel):
    """What every kind has: number, kind, times and source."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)

    seq: Seq | None = None
    kind: str
    event_time: UtcTime
    elapsed_s: Annotated[float, Field(ge=0)] | None = None
    source: Annotated[str, Field(min_length=1, max_length=64)]
