"""A recorded log played as if the device were there: to rehearse a protocol, and for demos.

source = CsvReplay(read_log(path, fmt, name="bike"))
for event in source.events(start): ...      # as fast as they are taken, in order of time
source.run(put, stop, clock)                # in real time, or faster
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta

from pipeline.clock import Clock
from pipeline.errors import UsageError
from pipeline.events import Event, Sample, SourceLog, SourceLost

ADAPTER = "csv_replay"
_LOOK_EVERY_S = 0.25


class CsvReplay:
    """The rows of `log`, moved so that the log time `begins` (its first row) is the start.

    Everything stays `1 / speed` as far apart as it was.  The log's own clock_offset_s is applied
    here, because the times that leave are those of the test; `begins` is a time with it applied.
    At the end of the log the source is lost.  Raises UsageError for a speed that is not above 0.
    """

    def __init__(self, log: SourceLog, *, begins: datetime | None = None, speed: float = 1.0) -> None:
        if not 0 < speed < float("inf"):
            raise UsageError(
                f"speed {speed:g}: a number above 0 is wanted; 1 is real time, 10 ten times faster"
            )
        self.name = log.opened.name
        self._log, self._speed = log, speed
        self._begins = first_row(log) if begins is None else begins

    def events(self, start: datetime) -> Iterator[Event]:
        """Everything in order of event_time; `start` (UTC) is when the test starts."""
        opened = self._log.opened
        yield opened.model_copy(
            update={
                "event_time": start,
                "adapter": ADAPTER,
                "clock_offset_s": 0.0,
                "clock_method": "none",
            }
        )
        latest = start
        for event in self._log.events:
            # a rejected line stands where it stood in its file, whatever its own time would be
            if isinstance(event, Sample):
                since = event.event_time + timedelta(seconds=opened.clock_offset_s) - self._begins
                latest = start + since / self._speed
            yield event.model_copy(update={"event_time": latest})
        yield SourceLost(event_time=latest, source=self.name, reason="the recorded log has ended")

    def run(self, put: Callable[[Event], None], stop: threading.Event, clock: Clock) -> None:
        """Put each event at its time, from now on, until the log ends or `stop` is set; see LiveSource."""
        for event in self.events(clock.now()):
            while (early_s := (event.event_time - clock.now()).total_seconds()) > 0:
                # in steps, because a wait does not see a suspend and the clock does
                if stop.wait(min(early_s, _LOOK_EVERY_S)):
                    return
            if stop.is_set():
                return
            put(event)


def first_row(log: SourceLog) -> datetime:
    """When the first sample of a log was taken, by the test's clock as far as it is known."""
    offset = timedelta(seconds=log.opened.clock_offset_s)
    moments = (event.event_time for event in log.events if isinstance(event, Sample))
    return next(moments, log.opened.event_time) + offset
