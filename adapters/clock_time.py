"""A time as a person notes it: `09:41`, `09:41:20`, or a whole date and time."""

from __future__ import annotations

import re
from datetime import UTC, datetime, time, timedelta, timezone

from pipeline.errors import InputError

_CLOCK = re.compile(r"([0-9]{1,2}):([0-9]{2})(?::([0-9]{2})(?:[.,]([0-9]{1,6}))?)?")
_DATED = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}.*")


def clock_to_utc(text: str, started: datetime) -> datetime:
    """The UTC moment that `text` notes.

    A clock time gets the offset of `started` and the date that brings it nearest to
    `started`: `00:05` of a test started at 23:50 is the next day, `09:28` of one started at
    09:30 is the same day.  A date and time without an offset gets the offset of `started`,
    which must have one.  Raises InputError for anything else.
    """
    offset = started.utcoffset()
    if offset is None:
        raise InputError(
            f"the start of the test {started.isoformat()} has no offset; write it with one, "
            "like 2026-03-14T09:30:00+01:00"
        )
    text = text.strip()
    # the offset in force at the start, even where a zone would change it during the night
    local = started.replace(tzinfo=timezone(offset))
    try:
        if _DATED.fullmatch(text):
            dated = datetime.fromisoformat(text)
            return (dated if dated.tzinfo else dated.replace(tzinfo=local.tzinfo)).astimezone(UTC)
        clock = _CLOCK.fullmatch(text)
        if clock is None:
            raise ValueError("neither a clock time nor a date and time")
        hour, minute, second, fraction = clock.groups()
        noted = time(int(hour), int(minute), int(second or 0), int((fraction or "0").ljust(6, "0")))
    except ValueError as problem:
        raise InputError(
            f"{text!r} is no time ({problem}); write 09:41, 09:41:20 or 2026-03-14T09:41:20+01:00"
        ) from None
    same_day = datetime.combine(local.date(), noted, tzinfo=local.tzinfo)
    days = (same_day - timedelta(days=1), same_day, same_day + timedelta(days=1))
    return min(days, key=lambda moment: abs(moment - local)).astimezone(UTC)
