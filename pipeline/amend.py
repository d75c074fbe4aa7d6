"""Amending: an entry is corrected with a reason, the original line stays.

The correction is one more line of the journal.  Whoever derives the test again gets the amended
values, with the original, the reason and the name code beside them.
"""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

from pydantic import ValidationError

from pipeline.amendments import amended_event
from pipeline.archive import TestFolder
from pipeline.errors import CuffwattError, InputError, UsageError
from pipeline.events import Amended, Event, Sample, TestClosed
from pipeline.journal import Journal, read_journal
from pipeline.protocol import first_problem

SOURCE = "amend"
VOID = "void"
# what a reading is called by and how a journal is read is not an entry
_FIXED = frozenset({"seq", "kind", "elapsed_s", "source", "anchor", "journal_version", "test_id", "study"})
_VOIDABLE = frozenset({"reading_taken", "reading_missed", "exertion_rated", "symptom_noted", "sign_noted"})


def amend(
    folder: TestFolder, target_seq: int, field: str, value: Any, *, reason: str, by: str, now: datetime
) -> Amended:
    """Write the correction of one field; returns it as it stands in the journal.

    `value` None blanks the field; `field` "void" with True takes the entry out, kept and shown.
    The value is checked by the entry's own model together with the corrections before it.
    Raises UsageError for an event or field that cannot be amended, InputError for a value that
    does not fit; nothing is written then.  The caller seals the test again.
    """
    journal = read_journal(folder.journal)
    events = {event.seq: event for event in journal.events}
    target = events.get(target_seq)
    _check_target(folder, target, target_seq, field)
    assert target is not None
    earlier = {
        event.field: event.value
        for event in journal.events
        if isinstance(event, Amended) and event.target_seq == target_seq
    }
    _check_value(target, earlier | {field: value}, field, value, str(folder.journal))
    with Journal.reopen(folder.journal, to_amend=True) as writer:
        event = _amended(writer, target_seq, field, value, reason=reason, by=by, now=now)
        writer.append([event])
        writer.sync()
    return event


def amendable(event: Event) -> list[str]:
    """The fields of an event that may be amended."""
    names = sorted(set(type(event).model_fields) - _FIXED)
    return [*names, VOID] if event.kind in _VOIDABLE else names


def parse_value(text: str) -> Any:
    """What somebody typed for a value: a number, true, false or null, else the text itself."""
    try:
        value = json.loads(text)
    except json.JSONDecodeError:
        return text
    return value if value is None or isinstance(value, str | int | float | bool) else text


def _check_target(folder: TestFolder, target: Event | None, target_seq: int, field: str) -> None:
    if target is None or isinstance(target, Sample | Amended | TestClosed):
        what = "no entry" if target is None else f"a {target.kind}"
        raise UsageError(
            f"{folder.journal}: event {target_seq} is {what} that can be amended; give the reading_id of a "
            "reading, or the seq of another entry (see readings.parquet or the journal)"
        )
    if field not in amendable(target):
        raise UsageError(
            f"event {target_seq} is a {target.kind} and has no field {field!r} to amend; it has "
            f"{', '.join(amendable(target))}"
        )


def _check_value(target: Event, changes: dict[str, Any], field: str, value: Any, where: str) -> None:
    if field == VOID and not isinstance(value, bool):
        raise InputError(
            f"void = {value!r}: true takes the entry out and false brings it back; write one of them"
        )
    try:
        amended_event(target, changes, where)
    except CuffwattError as error:
        raise InputError(f"{error}; nothing was written") from None


def _amended(
    writer: Journal, target_seq: int, field: str, value: Any, *, reason: str, by: str, now: datetime
) -> Amended:
    try:
        return Amended(
            seq=writer.next_seq,
            # the clock of a closed test does not run on; when it was corrected is the event's own time
            elapsed_s=writer.last_elapsed_s,
            event_time=now,
            source=SOURCE,
            target_seq=target_seq,
            field=field,
            value=value,
            reason=reason,
            by=by,
        )
    except ValidationError as error:
        raise UsageError(f"amend: {first_problem(error)}") from None


def history(events: tuple[Event, ...]) -> list[str]:
    """The amendments of a test in words, in order: what, from what, to what, by whom, when, why."""
    originals: dict[int | None, Event] = {event.seq: event for event in events}
    words = []
    for event in events:
        if isinstance(event, Amended):
            target = originals[event.target_seq]
            before = "–" if event.field == VOID else getattr(target, event.field, None)
            words.append(
                f"event {event.target_seq} ({target.kind}): {event.field} {before} -> {event.value} "
                f"by {event.by} at {event.event_time:%Y-%m-%d %H:%M} UTC: {event.reason}"
            )
    return words
