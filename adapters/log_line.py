"""One line of a log, or one that a device sends, from text to time and measures.

    reader = LineReader(fmt, header="time,watts", start=started)
    reader.read("2026-03-14T09:30:00Z,120").watts    # 120.0

Loads come out in W, cadence in rev/min, heart rate in beats/min, times in UTC.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from datetime import datetime
from functools import reduce
from math import isfinite
from operator import xor
from typing import NamedTuple

from adapters.base import Rejected
from adapters.log_format import Checksum, LogFormat
from adapters.log_time import TimeReader
from adapters.suggestion import nearest
from pipeline.errors import InputError
from pipeline.events import MEASURES

STANDARD_GRAVITY = 9.80665
"""m/s², exact by definition: one kp is this many newtons."""
_MS_PER_MINUTE = 60000.0


def watts_of_kgm_per_min(kgm_per_min: float) -> float:
    """W = kgm/min * 9.80665 / 60, exactly."""
    return kgm_per_min * STANDARD_GRAVITY / 60


def watts_of_kp(kp: float, *, metres_per_rev: float, rpm: float) -> float:
    """W = kp * 9.80665 * metres per revolution * rpm / 60, exactly."""
    return kp * STANDARD_GRAVITY * metres_per_rev * rpm / 60


def bpm_of_rr_ms(rr_ms: float) -> float:
    """beats/min = 60000 / RR in ms."""
    return _MS_PER_MINUTE / rr_ms


class LoggedLine(NamedTuple):
    """What a line says.  `time` is None for the form "none"; `problem` tells of fields that were
    there and could not be read, while the others could."""

    time: datetime | None
    watts: float | None
    cadence_rpm: float | None
    heart_rate_bpm: float | None
    problem: str | None = None


class LineReader:
    """Reads the lines of one log in file order (clock times depend on the line before).

    `header` is the header line, where the format has one; `start` the start of the test with
    its offset.  `measures` are those that the log has.  Raises InputError where a column is not
    in the header (naming those that are) or where the form of the time needs a start.
    """

    def __init__(self, fmt: LogFormat, *, header: str | None = None, start: datetime | None = None) -> None:
        self._fmt = fmt
        self._separator = fmt.separator
        self._pattern = re.compile(fmt.regex) if fmt.regex is not None else None
        self._missing = frozenset(fmt.missing)
        self._cells_wanted = fmt.columns
        # a checksum cut off by the delimiter is a column like the others
        self._cut_checksum = fmt.checksum is not None and fmt.checksum.separator != fmt.separator
        self._converts = fmt.watts is not None and fmt.watts.unit != "W"
        self._from_rr = fmt.heart_rate_bpm is not None and fmt.heart_rate_bpm.unit == "ms"
        self._times = TimeReader(fmt.time.form, start, self._number)
        at = self._positions(header)
        self._time_at = at.get("time.column")
        self._watts_at, self._cadence_at, self._heart_at = (at.get(f"{m}.column") for m in MEASURES)
        self._turning_at = at.get("watts.cadence_column")
        self._last_at = max(at.values())
        self.measures = tuple(m for m in MEASURES if f"{m}.column" in at)

    @property
    def measures_text(self) -> str:
        """As a journal has them: `watts,cadence_rpm`, with `heart_rate_bpm:rr` for RR intervals."""
        return measures_text(self._fmt, self.measures)

    def read(self, line: str) -> LoggedLine:
        """Time and measures of `line` (without its ending); raises Rejected with the reason."""
        cells = self._cells(line)
        time = None if self._time_at is None else self._times.read(cells[self._time_at].strip())
        problems: list[str] = []
        watts = self._measured("watts", self._watts_at, cells, problems)
        cadence = self._measured("cadence_rpm", self._cadence_at, cells, problems)
        heart = self._measured("heart_rate_bpm", self._heart_at, cells, problems)
        if watts is not None and self._converts:
            watts = self._to_watts(watts, cells, problems)
        if heart is not None and self._from_rr:
            heart = self._to_bpm(heart, problems)
        problem = "; ".join(problems) or None
        if watts is None and cadence is None and heart is None:
            raise Rejected(problem or f"no value for {' or '.join(self.measures)}")
        return LoggedLine(time, watts, cadence, heart, problem)

    def _cells(self, line: str) -> list[str]:
        if "\0" in line:
            raise Rejected("holds NUL bytes, as after a loss of power")
        if self._fmt.checksum is not None:
            covered = _checked(line, self._fmt.checksum, self._fmt.encoding)
            if self._cut_checksum:
                line = covered
        if self._pattern is not None:
            match = self._pattern.fullmatch(line)
            if match is None:
                raise Rejected("does not match the regular expression of the format")
            return [group or "" for group in match.groups()]
        cells = _split(line, self._separator)
        wanted = self._cells_wanted
        if wanted is not None and len(cells) != wanted and not _fits(cells, wanted):
            raise Rejected(f"{_counted(len(cells))} where {wanted} are wanted")
        if len(cells) <= self._last_at:
            raise Rejected(
                f"{_counted(len(cells))}, but column {self._last_at + 1} is wanted "
                f"(delimiter {self._fmt.delimiter!r})"
            )
        return cells

    def _number(self, text: str) -> float:
        """Raises ValueError for what is no finite number in the format's notation."""
        if self._fmt.decimal_comma:
            if "." in text:
                raise ValueError(text)
            text = text.replace(",", ".")
        value = float(text)
        if not isfinite(value) or "_" in text:
            raise ValueError(text)
        return value

    def _measured(self, name: str, at: int | None, cells: list[str], problems: list[str]) -> float | None:
        if at is None:
            return None
        text = cells[at].strip()
        if text in self._missing:
            return None
        try:
            return self._number(text)
        except ValueError:
            notation = "decimal comma" if self._fmt.decimal_comma else "decimal point"
            problems.append(f"{name}: {text!r} is no number (with {notation})")
            return None

    def _to_watts(self, load: float, cells: list[str], problems: list[str]) -> float | None:
        table = self._fmt.watts
        if table is None or table.metres_per_rev is None:
            return _finite(watts_of_kgm_per_min(load), "watts", problems)
        rpm = table.rpm or self._measured("cadence of the load", self._turning_at, cells, [])
        if rpm is None:
            problems.append(f"watts: {load:g} kp without a cadence are no load")
            return None
        return _finite(watts_of_kp(load, metres_per_rev=table.metres_per_rev, rpm=rpm), "watts", problems)

    def _to_bpm(self, rr_ms: float, problems: list[str]) -> float | None:
        if rr_ms <= 0:
            problems.append(f"heart_rate_bpm: an RR interval of {rr_ms:g} ms is none")
            return None
        return _finite(bpm_of_rr_ms(rr_ms), "heart_rate_bpm", problems)

    def _positions(self, header: str | None) -> dict[str, int]:
        """Key of the format -> place in the line, counted from 0."""
        wanted = self._fmt.wanted
        if self._pattern is not None:
            groups = self._pattern.groupindex
            return {key: (groups[c] if isinstance(c, str) else c) - 1 for key, c in wanted.items()}
        if not self._fmt.has_header:
            return {key: c - 1 for key, c in wanted.items() if isinstance(c, int)}
        if header is None:
            raise InputError("the format has a header and none came; write header = false, or add the header")
        try:
            names = [cell.strip() for cell in _split(header, self._separator)]
        except Rejected as problem:
            raise InputError(f"the header {header!r}: {problem}") from None
        while names and not names[-1]:
            names.pop()
        self._cells_wanted = self._cells_wanted or len(names)
        at = {key: self._place(key, column, names) for key, column in wanted.items()}
        found = {key: place for key, place in at.items() if place is not None}
        if not any(f"{measure}.column" in found for measure in MEASURES):
            looked_for = ", ".join(repr(c) for key, c in wanted.items() if key != "time.column")
            raise InputError(
                f"no column with a measure; wanted is one of {looked_for}, found are {_listed(names)}; "
                "name the columns in a format"
            )
        return found

    def _place(self, key: str, column: int | str, names: list[str]) -> int | None:
        table = getattr(self._fmt, key.split(".")[0])
        if isinstance(column, int):
            if column <= len(names):
                return column - 1
        else:
            same = [n for n, name in enumerate(names) if name == column]
            same = same or [n for n, name in enumerate(names) if name.casefold() == column.casefold()]
            if len(same) > 1:
                raise InputError(
                    f"{key} = {column!r} stands {len(same)} times in the header ({_listed(names)}); "
                    "write the column's number, counted from 1"
                )
            if same:
                return same[0]
        if getattr(table, "optional", False):
            return None
        raise InputError(
            f"no column {column!r}{self._guess(column, names)}; found are {_listed(names)}; "
            f"correct {key} in the format"
        )

    def _guess(self, column: int | str, names: list[str]) -> str:
        """What may be wrong: another delimiter, or a name that is nearly right."""
        if len(names) == 1 and len(self._fmt.wanted) > 1:
            for mark, word in ((";", ";"), ("\t", "tab"), ("|", "|"), (",", ",")):
                if mark in names[0]:
                    return f" (the header is not cut by {self._fmt.delimiter!r}; is it delimiter = {word!r}?)"
        return nearest(column, names) if isinstance(column, str) else ""


def measures_text(fmt: LogFormat, measures: Sequence[str]) -> str:
    """`measures` of a format as a journal has them: with `heart_rate_bpm:rr` for RR intervals."""
    from_rr = fmt.heart_rate_bpm is not None and fmt.heart_rate_bpm.unit == "ms"
    marks = {"heart_rate_bpm": ":rr"} if from_rr else {}
    return ",".join(measure + marks.get(measure, "") for measure in measures)


def _fits(cells: list[str], wanted: int) -> bool:
    """Empty cells at the end are only a delimiter too many."""
    return len(cells) >= wanted and not any(cell.strip() for cell in cells[wanted:])


def _split(line: str, separator: str | None) -> list[str]:
    if separator is None or '"' not in line:
        return line.split(separator)
    try:
        return next(csv.reader([line], delimiter=separator, strict=True))
    except csv.Error:
        raise Rejected("a quote is opened and not closed") from None


def _checked(line: str, checksum: Checksum, encoding: str) -> str:
    """The part of the line that the checksum covers (without the separator); raises Rejected."""
    body, mark, written = line.rpartition(checksum.separator)
    _, start, covered = body.partition(checksum.starts_after) if checksum.starts_after else ("", "", body)
    if not mark or (checksum.starts_after and not start):
        raise Rejected(f"no checksum: {checksum.separator!r} or {checksum.starts_after!r} is not there")
    try:
        octets = (covered + (mark if checksum.covers_separator else "")).encode(encoding)
    except UnicodeEncodeError:
        raise Rejected(f"holds what is no {encoding} text, so its checksum says nothing") from None
    right = reduce(xor, octets, 0) if checksum.kind == "xor" else sum(octets) % 256
    try:
        given = int(written.strip(), 16 if checksum.written == "hex" else 10)
    except ValueError:
        raise Rejected(f"the checksum {written.strip()!r} is no {checksum.written} number") from None
    if given != right:
        shown = f"{right:02X}" if checksum.written == "hex" else str(right)
        raise Rejected(f"the checksum is {written.strip()} and should be {shown}: damaged on the way")
    return covered


def _finite(value: float, name: str, problems: list[str]) -> float | None:
    if isfinite(value):
        return value
    problems.append(f"{name}: too large to be a number")
    return None


def _counted(cells: int) -> str:
    return "1 cell" if cells == 1 else f"{cells} cells"


def _listed(names: list[str]) -> str:
    return ", ".join(repr(name) for name in names) or "none"
