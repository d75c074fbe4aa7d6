"""The lines of a live device as events.

    lines = LiveLines(fmt, name="bike", adapter="serial_port", start=clock.anchor)
    lines.opened(now)                       # how the source announces itself
    lines.events(Cut(b"120,61"), now)       # [Sample(watts=120, cadence_rpm=61)]

A line is stamped with its own time where the format has one, else with the moment at which its
last byte came.  Elapsed times count from a moment that only the device knows: the first line
sets it, and so does the first one after a re-opening or a restart of the device.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from adapters.base import Rejected, line_rejected, ranks_of
from adapters.line_cutter import Cut
from adapters.log_format import LogFormat, format_digest
from adapters.log_line import LineReader, LoggedLine, measures_text
from pipeline.errors import InputError
from pipeline.events import MEASURES, Event, Sample, SourceOpened

_NO_HEADER = (
    "no header has come yet; restart the device so that it sends one, or write header = false with "
    "column numbers in the format"
)


def check_live(fmt: LogFormat) -> None:
    """Raises InputError where lines of the format cannot be cut out of a stream of bytes."""
    if "\n".encode(fmt.encoding) != b"\n":
        raise InputError(
            f"encoding = {fmt.encoding!r}: a live device needs one in which a line ends with one byte, "
            "like utf-8 or cp1252; correct the format"
        )


class LiveLines:
    """Reads the lines of one device; a new header may come at any time.

    `start` gives clock times their date and offset.  Where the format names columns of a header,
    lines before the header are rejected; a header that lacks a measure announces the source
    again, with what it has.  `skip_lines` counts lines of a file and means nothing here.
    """

    def __init__(
        self,
        fmt: LogFormat,
        *,
        name: str,
        adapter: str,
        start: datetime,
        ranks: str | None = None,
        clock_offset_s: float | None = None,
    ) -> None:
        check_live(fmt)
        self._fmt, self._name, self._adapter = fmt, name, adapter
        self._start, self._ranks, self._clock_offset_s = start, ranks, clock_offset_s
        self._headed = fmt.has_header and any(isinstance(column, str) for column in fmt.wanted.values())
        self._reader: LineReader | None = None
        self.measures = tuple(measure for measure in MEASURES if getattr(fmt, measure) is not None)
        if not self._headed:
            # columns by number need no header, and whether one is sent is not known
            self._reader = LineReader(_without_header(fmt), start=start)
        self._since_start = fmt.time.form.startswith("elapsed")
        self._shift: timedelta | None = None
        self._before: datetime | None = None

    def opened(self, moment: datetime) -> SourceOpened:
        """How the source announces itself: with all measures of the format until a header came."""
        return SourceOpened(
            event_time=moment,
            source=self._name,
            name=self._name,
            adapter=self._adapter,
            format_digest=format_digest(self._fmt),
            measures=measures_text(self._fmt, self.measures),
            ranks=ranks_of(self._ranks, self.measures),
            clock_offset_s=self._clock_offset_s or 0.0,
            clock_method="none" if self._clock_offset_s is None else "given",
        )

    def reopened(self) -> None:
        """The port was opened again: the device may have been restarted."""
        self._shift = None

    def events(self, cut: Cut, moment: datetime) -> list[Event]:
        """What a line that was complete at `moment` (UTC) gives; a line never costs another."""
        raw = cut.raw.decode(self._fmt.encoding, "backslashreplace")
        try:
            logged = self._read(cut, raw)
        except Rejected as problem:
            if self._heads(raw):
                return self._announced_again(moment)
            return [line_rejected(raw, str(problem), moment=moment, source=self._name)]
        if logged is None:
            return []
        sample = Sample(
            event_time=moment if logged.time is None else self._timed(logged.time, moment),
            source=self._name,
            watts=logged.watts,
            cadence_rpm=logged.cadence_rpm,
            heart_rate_bpm=logged.heart_rate_bpm,
        )
        if logged.problem is None:
            return [sample]
        return [sample, line_rejected(raw, logged.problem, moment=moment, source=self._name)]

    def _read(self, cut: Cut, raw: str) -> LoggedLine | None:
        """None for a remark."""
        if cut.problem is not None:
            raise Rejected(cut.problem)
        try:
            text = cut.raw.decode(self._fmt.encoding)
        except UnicodeDecodeError:
            raise Rejected(f"holds what is no {self._fmt.encoding} text") from None
        if self._fmt.comment and text.lstrip().startswith(self._fmt.comment):
            return None
        if self._reader is None:
            raise Rejected(_NO_HEADER)
        return self._reader.read(text)

    def _heads(self, line: str) -> bool:
        """Whether the line is a header; from now on it holds.  It may be the first one after opening."""
        if not self._headed:
            return False
        try:
            self._reader = LineReader(self._fmt, header=line, start=self._start)
        except InputError:
            return False
        return True

    def _announced_again(self, moment: datetime) -> list[Event]:
        measures = self._reader.measures if self._reader is not None else self.measures
        if measures == self.measures:
            return []
        self.measures = measures
        return [self.opened(moment)]

    def _timed(self, time: datetime, moment: datetime) -> datetime:
        if not self._since_start:
            return time
        if self._shift is None or (self._before is not None and time < self._before):
            self._shift = moment - time
        self._before = time
        return time + self._shift


def _without_header(fmt: LogFormat) -> LogFormat:
    return fmt.model_copy(update={"header": False}) if fmt.has_header else fmt
