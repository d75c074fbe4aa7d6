"""A log file of a device, read whole: its samples and its bad lines in file order.

A bad line never costs a good one: it is kept with its text and the reason.  What is rejected:

- a line that the format cannot read; of a line with one unreadable field the others are kept;
- the last line of a file that does not end in a newline: cut in mid-line it may still look
  like a number (`118` of `1180`);
- lines out of the order of time.  The most lines that can stand in one rising order are kept,
  so one wrong stamp costs one line, and after a clock was set back in mid-file the longer part
  stays.  No times are guessed for the others: the reason says by how much they are off, and the
  part can be given as a source of its own with its own clock_offset_s.  Equal stamps stay.

Values out of any plausible range are kept; whether they count is decided where they are used.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Literal

from adapters.base import Rejected, kept_text, line_rejected, ranks_of
from adapters.log_format import PLAIN, LogFormat, format_digest
from adapters.log_line import LineReader, LoggedLine
from pipeline.errors import InputError
from pipeline.events import Event, Sample, SourceLog, SourceOpened

ADAPTER = "csv_log"
_BINARY_WITHIN = 1000  # characters; a NUL there is no text, one later a loss of power
_UNDECODED = re.compile("[\udc80-\udcff]")


@dataclass
class _Line:
    """A line with its number from 1, and what was read or why nothing was."""

    number: int
    raw: str
    logged: LoggedLine | None = None
    problem: str | None = None


def read_log(
    path: Path,
    fmt: LogFormat = PLAIN,
    *,
    name: str,
    started: datetime | None = None,
    ranks: str | None = None,
    clock_offset_s: float = 0.0,
    clock_method: Literal["given", "aligned", "none"] = "none",
    align_to: datetime | None = None,
) -> SourceLog:
    """The log as events; `read_log(Path("bike.csv"), name="bike").events[0].watts`.

    `started` (with its offset) gives elapsed and clock times their date, and times without an
    offset theirs.  `event_time` is the log's own time in UTC, never shifted: `clock_offset_s`,
    `clock_method` and `align_to` are only passed on, of `ranks` (`watts=1,cadence_rpm=2`) what the
    log measures.  Rejected lines carry the time of the good line before them.  Raises InputError
    where the file cannot be used as a whole: not there, a folder, binary, empty, another
    delimiter or other columns, not one readable line.
    """
    if fmt.time.form == "none":
        raise InputError(
            f"{path}: time.form = 'none' in the format is for lines read live; "
            "a log file needs the column of its times"
        )
    lines, header, torn = _cut(log_text(path, fmt.encoding), fmt)
    if not lines and header is None:
        raise InputError(f"{path}: is empty, a log is wanted; check what the device wrote")
    if header is not None and _UNDECODED.search(header):
        raise InputError(f"{path}: {_not_decoded(fmt.encoding)}; the header is {_readable(header)!r}")
    try:
        reader = LineReader(fmt, header=header, start=started)
    except InputError as error:
        raise InputError(f"{path}: {error}") from None
    if not lines:
        raise InputError(f"{path}: holds a header and no line; check what the device wrote")
    for line in lines:
        _read(line, reader, fmt.encoding)
    if torn:
        lines[-1].logged, lines[-1].problem = None, "file cut in mid-line: no newline at its end"
    _reject_disorder(lines)
    moment = _first_time(path, lines)
    moment = moment if started is None else started
    return SourceLog(
        opened=SourceOpened(
            event_time=moment,
            source=name,
            name=name,
            adapter=ADAPTER,
            format_digest=format_digest(fmt),
            measures=reader.measures_text,
            ranks=ranks_of(ranks, reader.measures),
            clock_offset_s=clock_offset_s,
            clock_method=clock_method,
        ),
        events=list(_events(lines, name, moment)),
        align_to=align_to,
    )


def log_text(path: Path, encoding: str) -> str:
    """The text of a log with "\\n" as its line ending; undecodable bytes as surrogates.

    Raises InputError where `path` is not there, a folder, unreadable or no text.
    """
    if path.is_dir():
        raise InputError(f"{path}: is a folder, a log file is wanted; name the file in it")
    try:
        octets = path.read_bytes()
    except FileNotFoundError:
        raise InputError(f"{path}: no such file, a log file is wanted; correct its path") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); check its permissions") from None
    utf_8 = encoding.lower().replace("_", "-") in ("utf-8", "utf8")
    try:
        text = octets.decode("utf-8-sig" if utf_8 else encoding, "surrogateescape")
    except UnicodeError:
        raise InputError(f"{path}: {_not_decoded(encoding)}") from None
    if "\0" in text[:_BINARY_WITHIN]:
        raise InputError(f"{path}: is binary or not in {encoding}; export it as text, or correct encoding")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _not_decoded(encoding: str) -> str:
    return f"is no {encoding} text; write its encoding in the format, like encoding = 'cp1252'"


def _readable(text: str) -> str:
    """Undecodable bytes as backslashes, so that the text can be shown and kept."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def _cut(text: str, fmt: LogFormat) -> tuple[list[_Line], str | None, bool]:
    """The lines that are meant to be read, the header, and whether the last line is torn."""
    *every, last = text.split("\n")
    torn = bool(last.strip())
    if torn:
        every.append(last)
    lines = [
        _Line(number, raw)
        for number, raw in enumerate(every, start=1)
        if number > fmt.skip_lines
        and raw.strip()
        and not (fmt.comment and raw.lstrip().startswith(fmt.comment))
    ]
    torn = torn and bool(lines) and lines[-1].number == len(every)
    header = lines.pop(0).raw if lines and fmt.has_header else None
    return lines, header, torn


def _read(line: _Line, reader: LineReader, encoding: str) -> None:
    try:
        if not line.raw.isascii() and _UNDECODED.search(line.raw):
            raise Rejected(f"holds what is no {encoding} text")
        line.logged = reader.read(line.raw)
        line.problem = line.logged.problem
    except Rejected as problem:
        line.problem = str(problem)


def _reject_disorder(lines: Sequence[_Line]) -> None:
    timed = [(line.logged.time, line) for line in lines if line.logged and line.logged.time]
    if all(before[0] <= after[0] for before, after in pairwise(timed)):
        return
    kept = _longest_rising([moment for moment, _ in timed])
    coming = iter([moment for n, (moment, _) in enumerate(timed) if kept[n]])
    before, after = None, next(coming)
    for n, (moment, line) in enumerate(timed):
        if kept[n]:
            before, after = moment, next(coming, moment)
            continue
        # out of order with at least one of its kept neighbours, or it would be kept
        if before is not None and moment < before:
            off_s, words = (before - moment).total_seconds(), "runs backwards"
        else:
            off_s, words = (moment - after).total_seconds(), "is ahead of the lines that follow"
        line.logged = None
        line.problem = (
            f"time {words} by {off_s:g} s ({moment:%Y-%m-%d %H:%M:%S} UTC); if the device's clock was set, "
            "split the log here and give each part as a source with its own clock_offset_s"
        )


def _longest_rising(times: Sequence[datetime]) -> list[bool]:
    """Which times belong to the longest order that never falls; of equally long ones the earliest.

    Patience sorting, from the end so that ties keep the earlier lines; n log n.
    """
    ends: list[float] = []
    at: list[int] = []
    after: list[int | None] = [None] * len(times)
    for n in range(len(times) - 1, -1, -1):
        falling = -times[n].timestamp()
        length = bisect_right(ends, falling)
        after[n] = at[length - 1] if length else None
        if length == len(ends):
            ends.append(falling)
            at.append(n)
        else:
            ends[length], at[length] = falling, n
    kept = [False] * len(times)
    place: int | None = at[-1]
    while place is not None:
        kept[place] = True
        place = after[place]
    return kept


def _first_time(path: Path, lines: Sequence[_Line]) -> datetime:
    for line in lines:
        if line.logged is not None and line.logged.time is not None:
            return line.logged.time
    first = lines[0]
    raise InputError(
        f"{path}: not one line can be read; the first is line {first.number}, "
        f"{_readable(first.raw)[:200]!r}: {first.problem}; correct the format, or let "
        f"`cuffwatt describe {path}` propose one"
    )


def _events(lines: Sequence[_Line], source: str, moment: datetime) -> Iterator[Event]:
    for line in lines:
        logged = line.logged
        if logged is not None and logged.time is not None:
            moment = logged.time
            yield Sample(
                event_time=moment,
                source=source,
                watts=logged.watts,
                cadence_rpm=logged.cadence_rpm,
                heart_rate_bpm=logged.heart_rate_bpm,
            )
        if line.problem is not None:
            yield line_rejected(
                kept_text(_readable(line.raw)),
                f"line {line.number}: {line.problem}",
                moment=moment,
                source=source,
            )
