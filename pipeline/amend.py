"""Amending: an entry is corrected with a reason, the original line stays.

A correction is one more line of the journal, one for each field.  Whoever derives the test again
gets the amended values, with the original, the reason and the name code beside them.  A test that
was never closed may be amended too, as long as no other process holds its journal.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from pydantic import ValidationError

from pipeline.amendable import VOID, Entry, check_field, entries, entry
from pipeline.amendments import Voided, amended_event
from pipeline.archive import TestFolder
from pipeline.errors import CuffwattError, InputError, UsageError
from pipeline.events import (
    Amended,
    Event,
    JournalRepaired,
    ReadingDue,
    ReadingTaken,
    StageStarted,
    utc_text,
)
from pipeline.journal import Journal, JournalRead, read_journal
from pipeline.protocol import first_problem

SOURCE = "amend"


@dataclass(frozen=True)
class Correction:
    """One amendment in plain values; `original` is what was entered, `before` what held until then."""

    seq: int
    target_seq: int
    kind: str
    field: str
    original: Any
    before: Any
    after: Any
    by: str
    at: datetime
    reason: str

    def words(self) -> str:
        """What, from what, to what, by whom, when, why."""
        entered = "" if plain(self.before) == plain(self.original) else f", entered as {plain(self.original)}"
        return (
            f"line {self.target_seq} ({self.kind}): {self.field} {plain(self.before)} -> {plain(self.after)}"
            f"{entered}; by {self.by} at {self.at:%Y-%m-%d %H:%M} UTC: {self.reason}"
        )


def plan(
    journal: JournalRead, target_seq: int, changes: Mapping[str, Any], *, reason: str, by: str, now: datetime
) -> list[Amended]:
    """The amendments that would be written, without seq; nothing is written.

    What follows from a change is among them: a reading whose time is amended is stated, no longer
    marked or estimated; the clock offset of a source is then given.  Raises UsageError for what
    cannot be amended, InputError for a value that does not fit.
    """
    found = entry(journal, target_seq)
    target = found.now
    for field in changes:
        check_field(target, field)
    amendments = [
        _amended(target_seq, field, value, reason, by, now)
        for field, value in _with_consequences(target, changes).items()
        if field in found.unfit or _says(found, field) != _comparable(value)
    ]
    if not amendments:
        said = ", ".join(f"{field} {plain(value)}" for field, value in changes.items())
        raise UsageError(f"line {target_seq} says {said} already; nothing was written")
    _check_fit(journal, target, {one.field: one.value for one in amendments})
    return amendments


def amend(
    folder: TestFolder,
    target_seq: int,
    changes: Mapping[str, Any],
    *,
    reason: str,
    by: str,
    now: datetime,
) -> list[Amended]:
    """Write the corrections of one entry, field -> value; returns them as they stand in the journal.

    A value None blanks the field; the field "void" with True takes the entry out, kept and shown.
    `now` is the wall time at which it is corrected.  Values are checked by the entry's own model,
    together with the corrections before.  Raises what `plan` raises, JournalLocked, JournalDamaged
    or JournalError; nothing is written then.  The caller seals the test again.
    """
    # before the journal is opened for writing, so that a refusal leaves even a torn tail alone
    plan(read_journal(folder.journal), target_seq, changes, reason=reason, by=by, now=now)
    with Journal.reopen(folder.journal, to_amend=True) as writer:
        assert writer.found is not None
        planned = plan(writer.found, target_seq, changes, reason=reason, by=by, now=now)
        # the clock of a test does not run on; when it was corrected is the event's own time
        elapsed_s, seq = writer.last_elapsed_s, writer.next_seq
        repaired: list[Event] = []
        if (repair := writer.repair) is not None:
            repaired.append(
                JournalRepaired(
                    seq=seq,
                    event_time=now,
                    elapsed_s=elapsed_s,
                    source=SOURCE,
                    bytes_cut=repair.bytes_cut,
                    backup=repair.backup,
                )
            )
        amendments = [
            one.model_copy(update={"seq": number, "elapsed_s": elapsed_s})
            for number, one in enumerate(planned, start=seq + len(repaired))
        ]
        writer.append([*repaired, *amendments])
        writer.sync()
    return amendments


def history(events: Sequence[Event]) -> list[Correction]:
    """The amendments of a test in order, each with what was entered and what held before it."""
    originals = {event.seq: event for event in events}
    values: dict[tuple[int, str], Any] = {}
    made = []
    for event in events:
        if isinstance(event, Amended):
            target = originals.get(event.target_seq)
            original = False if event.field == VOID else getattr(target, event.field, None)
            place = event.target_seq, event.field
            made.append(
                Correction(
                    seq=-1 if event.seq is None else event.seq,
                    target_seq=event.target_seq,
                    kind=target.kind if target else "not there",
                    field=event.field,
                    original=original,
                    before=values.get(place, original),
                    after=event.value,
                    by=event.by,
                    at=event.event_time,
                    reason=event.reason,
                )
            )
            values[place] = event.value
    return made


def plain(value: Any) -> str:
    """A value of an entry in words: numbers without needless zeros, times in UTC, "none" for null."""
    if value is None:
        return "none"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, datetime):
        return utc_text(value)
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _with_consequences(target: Event, changes: Mapping[str, Any]) -> dict[str, Any]:
    also: dict[str, Any] = {}
    if target.kind == "reading_taken" and "event_time" in changes:
        also = {"measured_source": "stated"}
    if target.kind == "source_opened":
        also = {"clock_method": "given"}
    return {**also, **changes}


def _says(found: Entry, field: str) -> Any:
    return found.void if field == VOID else _comparable(getattr(found.now, field))


def _comparable(value: Any) -> Any:
    return value if isinstance(value, str | int | float | None) else plain(value)


def _amended(target_seq: int, field: str, value: Any, reason: str, by: str, now: datetime) -> Amended:
    if not reason.strip():
        raise UsageError("the reason is empty; say in a few words why the entry was wrong (--reason)")
    if field == VOID and not isinstance(value, bool):
        raise InputError(f"void = {value!r}: true takes the entry out, false brings it back; write one")
    try:
        return Amended(
            event_time=now,
            source=SOURCE,
            target_seq=target_seq,
            field=field,
            value=value,
            reason=reason.strip(),
            by=by,
        )
    except ValidationError as error:
        raise UsageError(f"amend: {first_problem(error)}; nothing was written") from None


def _check_fit(journal: JournalRead, target: Event, changes: dict[str, Any]) -> None:
    """InputError where the entry as it would stand does not fit its model or its test."""
    where = f"{journal.path}: line {target.seq}"
    try:
        fitted = amended_event(target, changes, str(journal.path))
    except CuffwattError as error:
        raise InputError(f"{error}; nothing was written") from None
    after = fitted.event if isinstance(fitted, Voided) else fitted
    for field in changes.keys() & {"event_time", "last_sound_at"}:
        moment = getattr(after, field)
        if moment is not None and not journal.opened.anchor <= moment <= journal.as_of:
            raise InputError(
                f"{where}: {field} {utc_text(moment)} lies outside the test, which ran from "
                f"{utc_text(journal.opened.anchor)} to {utc_text(journal.as_of)}; write a time within it, "
                "with its offset if need be"
            )
    if isinstance(after, StageStarted):
        _check_order(journal, after, where)
    _check_references(journal, after, changes, where)


def _check_order(journal: JournalRead, after: StageStarted, where: str) -> None:
    for other in (found.now for found in entries(journal)):
        if isinstance(other, StageStarted) and (
            (other.stage_index < after.stage_index and other.event_time >= after.event_time)
            or (other.stage_index > after.stage_index and other.event_time <= after.event_time)
        ):
            raise InputError(
                f"{where}: stage {after.label} would start at {utc_text(after.event_time)} and so change "
                f"places with stage {other.label} of {utc_text(other.event_time)}; write a time between the "
                "starts of the stages before and after it"
            )


def _check_references(journal: JournalRead, after: Event, changes: dict[str, Any], where: str) -> None:
    wanted: dict[str, set[int | None]] = {
        "due_seq": {event.seq for event in journal.events if isinstance(event, ReadingDue)},
        "pair_seq": {event.seq for event in journal.events if isinstance(event, ReadingTaken)} - {after.seq},
        "stage_index": {event.stage_index for event in journal.events if isinstance(event, StageStarted)},
    }
    what = {"due_seq": "a prompt", "pair_seq": "another reading", "stage_index": "a stage"}
    for field in changes.keys() & wanted.keys():
        value = getattr(after, field)
        if value is not None and value not in wanted[field]:
            there = ", ".join(str(one) for one in sorted(one for one in wanted[field] if one is not None))
            raise InputError(
                f"{where}: {field} {value} is not {what[field]} of this test; write one of "
                f"{there or 'none'}, or null"
            )
