"""Readings that were written on a sheet (CSV), row by row, into events.

    time,sbp,k4,k5,arm,observer,inflated_to,deflation_per_s,clarity,rpe,note
    09:41:20,148,,82,left,AB-1,190,2.5,clear,13,
    09:44:18,>200,70,<40,left,AB-1,200,,difficult,,
    09:47:20,,,,,,,,,,not_heard

Only `time` and `sbp` must be there.  Pressures are kept as they were written; a row that cannot
be understood is kept as a rejected line, and the rows beside it stay.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, get_args

from pydantic import TypeAdapter, ValidationError

from adapters.clock_time import clock_to_utc
from adapters.pressure_notation import Pressures, parse_k5, parse_mmhg, parse_pressures
from adapters.sheet_text import SheetRow, sheet_rows
from pipeline.errors import InputError
from pipeline.events import (
    Code,
    Event,
    ExertionRated,
    LineRejected,
    MissedReason,
    ReadingMissed,
    ReadingTaken,
    RpeScale,
    SourceLog,
    SourceOpened,
    SymptomNoted,
    TimeMeans,
)

ADAPTER = "reading_sheet"
WHOLE_MINUTES_SHARE = 0.8
WITHHELD = "(observer withheld)"

# fmt: off
COLUMNS = (
    "time", "sbp", "k4", "k5", "arm", "observer", "inflated_to", "deflation_per_s", "clarity", "rpe", "note",
    "deflation_per_beat", "heard_to", "palpated", "position", "arm_support", "arm_below_heart_cm", "role",
    "symptom",
)
# fmt: on
_TEXT_LIMIT = 2000
_SYMPTOMS = get_args(SymptomNoted.model_fields["code"].annotation)
_ARMS = {"l": "left", "left": "left", "r": "right", "right": "right"}
# column of the sheet -> field of the event, where the names differ
_FIELDS = {
    "k1_mmhg": "sbp",
    "k4_mmhg": "k4",
    "k5_mmhg": "k5",
    "heard_to_mmhg": "heard_to",
    "palpated_mmhg": "palpated",
    "inflated_to_mmhg": "inflated_to",
    "deflation_mmhg_per_s": "deflation_per_s",
    "deflation_mmhg_per_beat": "deflation_per_beat",
    "text": "note",
}


def read_sheet(
    path: Path,
    *,
    name: str,
    started: datetime,
    time_means: TimeMeans | None,
    observer: str | None = None,
    rpe_scale: RpeScale | None = None,
) -> SourceLog:
    """The readings, missed readings, exertion and symptoms on the sheet, in file order.

    The log's `time_means` says what the times are the times of.
    `event_time` is the written time: of the first sound, or for `stage_end` and `written` one
    that the recorder still moves (`measured_source` is "estimated" for `written`, else
    "stated").  Clock times get the offset and the nearest date of `started`.  `observer` holds
    for rows that name none.  Raises InputError where the sheet as a whole cannot be used, and
    where `time_means` is None although over 80 % of the times are whole minutes.
    """
    rows = sheet_rows(path, COLUMNS, ("time", "sbp"))
    means = time_means or _judged_time_means(path, rows, started)
    opened = SourceOpened(event_time=started, source=name, name=name, adapter=ADAPTER)
    log = SourceLog(opened=opened, time_means=means)
    moment = started
    for row in rows:
        try:
            moment = _moment(row, started)
            read = _Row(row.cells, moment, name, means, observer, rpe_scale)
            log.events += read.events()
        except (InputError, ValidationError) as error:
            reason = _column_problem(error) if isinstance(error, ValidationError) else str(error)
            log.events.append(
                LineRejected(
                    event_time=moment,
                    source=name,
                    raw=_without_name(row)[:_TEXT_LIMIT],
                    reason=f"line {row.line}: {reason}"[:_TEXT_LIMIT],
                )
            )
    return log


def _is_code(observer: str) -> bool:
    """Whether nothing or a code stands there; `AB-1` does, a name does not."""
    try:
        return not observer or bool(TypeAdapter(Code).validate_python(observer.upper()))
    except ValidationError:
        return False


def _without_name(row: SheetRow) -> str:
    """The text of a row as a journal may keep it."""
    observer = row.cells.get("observer", "")
    return row.raw if _is_code(observer) else row.raw.replace(observer, WITHHELD)


def _judged_time_means(path: Path, rows: list[SheetRow], started: datetime) -> TimeMeans:
    times = []
    for row in rows:
        try:
            times.append(_moment(row, started))
        except InputError:
            continue
    whole = sum(moment.second == 0 and moment.microsecond == 0 for moment in times)
    if times and whole > WHOLE_MINUTES_SHARE * len(times):
        raise InputError(
            f"{path}: {whole} of {len(times)} times are whole minutes, so they can mean three things; "
            "write time_means at this source of the setup:\n"
            "  first_sound  the moment at which the first sound was heard, to the second or nearly so\n"
            "  stage_end    the end of the stage that the reading belongs to\n"
            "  written      the moment at which the reading was written down, after the cuff was released"
        )
    return "first_sound"


def _moment(row: SheetRow, started: datetime) -> datetime:
    if row.problem is not None:
        raise InputError(row.problem)
    if not row.cells.get("time"):
        raise InputError("no time; write when the first sound was heard, like 09:41:20")
    return clock_to_utc(row.cells["time"], started)


@dataclass(frozen=True)
class _Row:
    """One row with a time, and what holds for the whole sheet."""

    cells: dict[str, str]
    moment: datetime
    source: str
    time_means: TimeMeans
    observer: str | None
    rpe_scale: RpeScale | None

    def events(self) -> list[Event]:
        first = self.reading() if self.cells.get("sbp") else self.missed()
        beside = (self.exertion(), self.symptom(), self.name_withheld())
        return [first, *(event for event in beside if event is not None)]

    def reading(self) -> ReadingTaken:
        pressures = self.pressures()
        return ReadingTaken(
            event_time=self.moment,
            source=self.source,
            k1_mmhg=pressures.k1_mmhg,
            k1_at_least=pressures.k1_at_least or None,
            k4_mmhg=pressures.k4_mmhg,
            k5_mmhg=pressures.k5_mmhg,
            heard_to_mmhg=pressures.heard_to_mmhg,
            palpated_mmhg=self.read("palpated", parse_mmhg),
            measured_source="estimated" if self.time_means == "written" else "stated",
            inflated_to_mmhg=self.read("inflated_to", parse_mmhg),
            deflation_mmhg_per_s=self.read("deflation_per_s", _number),
            deflation_mmhg_per_beat=self.read("deflation_per_beat", _number),
            arm_below_heart_cm=self.read("arm_below_heart_cm", _number),
            arm=self.read("arm", _arm),
            observer=self.observer_code(),
            note=self.cells.get("note") or None,
            **{key: self.word(key) for key in ("position", "clarity", "arm_support", "role")},
        )

    def observer_code(self) -> str | None:
        """The code in the row, else that of the sheet; a name is not kept and costs no pressure."""
        written = self.cells.get("observer", "").upper()
        return None if self.name_withheld() else written or self.observer

    def name_withheld(self) -> LineRejected | None:
        """Said in place of an observer who is no code: what it was stays out of the journal."""
        if _is_code(self.cells.get("observer", "")):
            return None
        return LineRejected(
            event_time=self.moment,
            source=self.source,
            raw=WITHHELD,
            reason="observer: a code is wanted, not a name, like AB-1; the reading is kept without one",
        )

    def pressures(self) -> Pressures:
        written = self.read("sbp", parse_pressures)
        assert written is not None  # the row has an sbp
        k4 = self.read("k4", parse_mmhg)
        k5, heard_to = self.read("k5", parse_k5) or (None, None)
        stated = self.read("heard_to", parse_mmhg)
        if "/" in self.cells["sbp"] and any(self.cells.get(key) for key in ("k4", "k5")):
            raise InputError(
                f"sbp {self.cells['sbp']!r} holds the lower pressures and so do k4 or k5; write them once"
            )
        in_notation = heard_to if heard_to is not None else written.heard_to_mmhg
        if None not in (in_notation, stated) and in_notation != stated:
            raise InputError(
                f"sounds heard to {in_notation:g} and heard_to {stated:g} differ; write one of them"
            )
        return Pressures(
            k1_mmhg=written.k1_mmhg,
            k1_at_least=written.k1_at_least,
            k4_mmhg=k4 if k4 is not None else written.k4_mmhg,
            k5_mmhg=k5 if k5 is not None else written.k5_mmhg,
            heard_to_mmhg=stated if stated is not None else in_notation,
        )

    def missed(self) -> ReadingMissed:
        """A time without an sbp: tried and not got; a note that is a code is the reason."""
        for column in ("k4", "k5", "heard_to"):
            if self.cells.get(column):
                raise InputError(
                    f"{column} {self.cells[column]!r} without sbp; write the sbp, or for a missed reading "
                    "what was heard as its note"
                )
        note, palpated = self.cells.get("note", ""), self.read("palpated", parse_mmhg)
        code: Any = note if note in get_args(MissedReason) else None
        text = "" if code else note
        if palpated is not None:
            # the event has no field for it, and it was measured
            text = f"{text}; palpated {palpated:g}" if text else f"palpated {palpated:g}"
        return ReadingMissed(
            event_time=self.moment,
            source=self.source,
            attempted=code != "not_attempted",
            reason=code or "other",
            text=text or None,
        )

    def exertion(self) -> ExertionRated | None:
        rpe = self.read("rpe", _number)
        if rpe is None:
            return None
        if self.rpe_scale is not None:
            low, high = (float(end) for end in self.rpe_scale.split("-"))
            if not low <= rpe <= high:
                raise InputError(f"rpe {rpe:g} is not on the scale {self.rpe_scale} of this test; correct it")
        return ExertionRated(event_time=self.moment, source=self.source, rpe=rpe, rpe_scale=self.rpe_scale)

    def symptom(self) -> SymptomNoted | None:
        """A code with or without severity, `dizzy 1`; other words are a symptom in words."""
        written = self.cells.get("symptom")
        if not written:
            return None
        code, _, severity = written.lower().partition(" ")
        graded = severity.strip() in ("", "0", "1", "2", "3", "4")
        known: Any = code if code in _SYMPTOMS and graded else None
        return SymptomNoted(
            event_time=self.moment,
            source=self.source,
            code=known or "other",
            severity=int(severity) if known and severity.strip() else None,
            text=None if known else written,
        )

    def read(self, column: str, parse: Callable[[str], Any]) -> Any:
        """The cell as `parse` reads it, None where it is empty; an error names the column."""
        written = self.cells.get(column)
        if not written:
            return None
        try:
            return parse(written)
        except InputError as error:
            raise InputError(f"{column}: {error}") from None

    def word(self, column: str) -> Any:
        return self.cells.get(column, "").lower() or None


def _number(text: str) -> float:
    if not re.fullmatch(r"[+-]?[0-9]{1,9}(?:[.,][0-9]{1,9})?", text):
        raise InputError(f"{text!r} is no number; write one like 2.5")
    return float(text.replace(",", "."))


def _arm(text: str) -> str:
    if text.lower() not in _ARMS:
        raise InputError(f"{text!r} is no arm; write left or right, or L or R")
    return _ARMS[text.lower()]


def _column_problem(error: ValidationError) -> str:
    """The first problem in the words of the sheet: column, what was given, what is wanted."""
    problem = error.errors(include_url=False)[0]
    field = str(problem["loc"][0])
    words = problem["msg"].removeprefix("Value error, ").replace("Input should", "should")
    given = repr(problem["input"])
    if len(given) > 80:
        given = given[:77] + "..."
    return f"{_FIELDS.get(field, field)}: {given}: {words[0].lower()}{words[1:]}"
