"""The time of a logged line, from the form in which it is written to UTC.

`datetime.strptime` costs ten times as much as all the rest of a line, so it is not used.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from adapters.base import Rejected
from adapters.log_format import TIME_FORMS, TimeForm
from pipeline.errors import InputError

NEEDS_START = frozenset({"elapsed_s", "elapsed_ms", "elapsed_clock", "clock", "day_first", "month_first"})
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DATE_ALONE = 10  # characters of 2026-03-14, the longest form of a date without a time
_OF_DAY = r"([0-9]{1,2}):([0-9]{2})(?::([0-9]{2})(?:[.,]([0-9]{1,6})[0-9]*)?)?"
_CLOCK = re.compile(_OF_DAY)
_DATED = re.compile(r"([0-9]{1,2})[./-]([0-9]{1,2})[./-]([0-9]{4})[ T,]+" + _OF_DAY)
_ELAPSED = re.compile(r"(?:([0-9]+):)?([0-9]{1,4}):([0-9]{2})(?:[.,]([0-9]{1,6})[0-9]*)?")
_HALF_DAY = timedelta(hours=12)
_DAY = timedelta(days=1)


class TimeReader:
    """Reads the times of one log, in file order.

    `start` is the start of the test with its offset: elapsed forms count from it, clock times
    take its date and offset, other times without an offset take its offset.  A clock time gets
    the date that brings it nearest to the time before it (the first: to `start`), so midnight
    leads to the next day and a clock that was set back shows as a step back.  Raises InputError
    where the form needs a start and there is none, or one without an offset.
    """

    def __init__(self, form: TimeForm, start: datetime | None, number: Callable[[str], float]) -> None:
        offset = None if start is None else start.utcoffset()
        if start is not None and offset is None:
            raise InputError(
                f"the start {start.isoformat()} has no offset; write one like 2026-03-14T09:30:00+01:00"
            )
        if start is None and form in NEEDS_START:
            raise InputError(
                f"times of the form {form} need the start of the test; write started in [test] of the setup, "
                "like 2026-03-14T09:30:00+01:00"
            )
        self._form = form
        self._offset = offset
        self._start = _EPOCH if start is None else start.astimezone(UTC)
        # clock times are reckoned as local time, in the offset that held at the start
        self._before = self._start.replace(tzinfo=None) + (offset or timedelta())
        self._number = number
        self._read: Callable[[str], datetime] = {
            "iso8601": self._iso8601,
            "day_first": self._dated,
            "month_first": self._dated,
            "epoch_s": self._epoch_s,
            "epoch_ms": self._epoch_ms,
            "elapsed_s": self._elapsed_s,
            "elapsed_ms": self._elapsed_ms,
            "elapsed_clock": self._elapsed_clock,
            "clock": self._clock,
            "none": self._iso8601,
        }[form]

    def read(self, text: str) -> datetime:
        """The UTC time; raises Rejected naming the form where `text` is not of it."""
        try:
            return self._read(text)
        except (ValueError, OverflowError) as problem:
            if isinstance(problem, Rejected):
                raise
            raise Rejected(
                f"time {text!r} is not of the form {self._form} ({TIME_FORMS[self._form]})"
            ) from None

    def _iso8601(self, text: str) -> datetime:
        if len(text) <= _DATE_ALONE:
            raise ValueError(text)
        moment = datetime.fromisoformat(text)
        return self._local(moment) if moment.tzinfo is None else moment.astimezone(UTC)

    def _local(self, moment: datetime) -> datetime:
        if self._offset is None:
            raise Rejected(
                f"time {moment.isoformat()} has no offset and the start of the test is not known; "
                "write started with its offset in [test] of the setup"
            )
        return (moment - self._offset).replace(tzinfo=UTC)

    def _dated(self, text: str) -> datetime:
        dated = _DATED.fullmatch(text)
        if dated is None:
            raise ValueError(text)
        first, second, year, *of_day = dated.groups()
        day, month = (first, second) if self._form == "day_first" else (second, first)
        return self._local(datetime(int(year), int(month), int(day)) + _time_of_day(*of_day))  # noqa: DTZ001

    def _epoch_s(self, text: str) -> datetime:
        return _EPOCH + timedelta(seconds=self._number(text))

    def _epoch_ms(self, text: str) -> datetime:
        return _EPOCH + timedelta(milliseconds=self._number(text))

    def _elapsed_s(self, text: str) -> datetime:
        return self._start + timedelta(seconds=self._number(text))

    def _elapsed_ms(self, text: str) -> datetime:
        return self._start + timedelta(milliseconds=self._number(text))

    def _elapsed_clock(self, text: str) -> datetime:
        elapsed = _ELAPSED.fullmatch(text)
        if elapsed is None:
            raise ValueError(text)
        hours, minutes, seconds, fraction = elapsed.groups()
        if int(seconds) > 59 or (hours is not None and int(minutes) > 59):
            raise ValueError(text)
        return self._start + timedelta(
            hours=int(hours or 0), minutes=int(minutes), seconds=int(seconds), microseconds=_micro(fraction)
        )

    def _clock(self, text: str) -> datetime:
        clock = _CLOCK.fullmatch(text)
        if clock is None:
            raise ValueError(text)
        before = self._before
        midnight = before.replace(hour=0, minute=0, second=0, microsecond=0)
        moment = midnight + _time_of_day(*clock.groups())
        if moment - before > _HALF_DAY:
            moment -= _DAY
        elif before - moment > _HALF_DAY:
            moment += _DAY
        self._before = moment
        return self._local(moment)


def _micro(fraction: str | None) -> int:
    return int(fraction.ljust(6, "0")) if fraction else 0


def _time_of_day(hour: str, minute: str, second: str | None, fraction: str | None) -> timedelta:
    if int(hour) > 23 or int(minute) > 59 or int(second or 0) > 59:
        raise ValueError("no time of day")
    return timedelta(
        hours=int(hour), minutes=int(minute), seconds=int(second or 0), microseconds=_micro(fraction)
    )
